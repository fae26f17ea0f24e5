"""What the cycle's kernels are given, made from a build sheet: geometry, valve areas, gas, what stands around; and a first guess."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..engine.atmosphere import barometer_of
from ..engine.discharge import effective_area
from ..engine.gas import fuel_data
from ..engine.geometry import geometry_of
from ..engine.valve_flow import valve_shape_of
from .gas_kernel import gas_table, properties
from .layout import ExhaustKind, IntakeKind, Unknown
from .operating import Tolerances
from .rates import TABLE_STEP, Setup
from .steady import Course, closed_volume

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["Conditions", "course_of", "guess_of", "setup_of"]

Array = NDArray[np.float64]

# Entrance and bend losses of the runner in velocity heads; ESTIMATE.
RUNNER_LOSS = 1.5
# A first guess of the charge: temperature [K] at intake closing and burned fraction; of runner and plenum: warmer than air by [K], burned fraction.
GUESSED_CHARGE, GUESSED_RUNNER, GUESSED_PLENUM = (400.0, 0.25), (30.0, 0.1), (5.0, 0.02)


class Conditions(NamedTuple):
    """What an engine may be run under for comparison: no wall heat, a linear range of the nozzle [relative pressure], temperatures [K], pressure [Pa].

    ``plenum_cylinders`` breathe from one plenum.
    """

    adiabatic: bool
    smooth: float
    held_temperature: float
    intake_temperature: float | None
    exhaust_pressure: float | None
    plenum_cylinders: int


def course_of(build: Build) -> Course:
    """Return the valve events of a build in the frame of the cycle."""
    intake, exhaust = (build.cam.lift_curve(kind).seat_edges() for kind in ("intake", "exhaust"))
    return Course(intake[1], 720.0 + exhaust[0], 720.0 + intake[0], 720.0 + exhaust[1])


def setup_of(build: Build, tolerances: Tolerances, intake: IntakeKind, conditions: Conditions) -> Setup:
    """Return what does not change while a cycle runs.

    Parameters
    ----------
    build : Build
    tolerances : Tolerances
    intake : IntakeKind
        What stands before the intake valve; a limiting form has a reservoir behind the exhaust valve too.
    conditions : Conditions
    """
    e, g, t, c = build.engine.si, geometry_of(build.engine), tolerances, conditions
    ambient, air = barometer_of(build.site), build.site.si.air_temperature
    port = math.pi / 4.0 * (e.intake_port_diameter**2 - e.intake_stem_diameter**2) * build.engine.intake_valves
    limiting = intake in (IntakeKind.LOST, IntakeKind.HELD)
    return Setup(
        gas=gas_table(fuel_data(build.fuel.kind, build.idle.mixture)),
        areas=_areas(build, tolerances.overlap),
        speed=1.0,
        intake=int(intake),
        exhaust=int(ExhaustKind.RESERVOIR if limiting else ExhaustKind.PORT),
        clearance=g.clearance,
        swept=g.swept,
        rod_over_crank=g.rod_over_crank,
        bore=g.bore,
        stroke=g.stroke,
        runner_volume=e.intake_runner_volume,
        runner_area=port,
        runner_length=e.intake_runner_volume / port,
        runner_diameter=math.sqrt(4.0 * port / math.pi),
        runner_loss=RUNNER_LOSS,
        port_volume=e.exhaust_port_volume,
        port_diameter=e.exhaust_port_diameter * math.sqrt(build.engine.exhaust_valves),
        cylinder_wall=e.cylinder_wall,
        runner_wall=e.intake_wall,
        port_wall=e.exhaust_wall,
        wall_factor=0.0 if c.adiabatic else t.wall_heat,
        port_factor=0.0 if c.adiabatic else build.engine.port_heat_factor * t.port_heat,
        smooth=c.smooth,
        intake_pressure=ambient,
        intake_temperature=air if c.intake_temperature is None else c.intake_temperature,
        held_temperature=c.held_temperature,
        exhaust_pressure=ambient if c.exhaust_pressure is None else c.exhaust_pressure,
        plenum_volume=e.plenum_volume * c.plenum_cylinders / g.cylinders,
        throttle_area=1e-5,
        ambient_pressure=ambient,
        ambient_temperature=air,
    )


def _areas(build: Build, overlap: float) -> Array:
    """Return the valves' effective areas [m2] over the crank: intake forwards, backwards, exhaust forwards, backwards."""
    theta = np.arange(int(720.0 / TABLE_STEP) + 1) * TABLE_STEP
    rows = []
    for kind, forward, backward in (("intake", "intake", "exhaust"), ("exhaust", "exhaust", "intake")):
        lifts = build.cam.lift_curve(kind).lift(theta)
        shape = valve_shape_of(build.engine, kind)
        rows += [effective_area(lifts, shape, like=like, factor=overlap) for like in (forward, backward)]
    return np.array(rows)


def guess_of(s: Setup, course: Course, pressure: float, exhaust_temperature: float) -> Array:
    """Return a first guess of the unknowns.

    Parameters
    ----------
    s : Setup
    course : Course
    pressure : float
        Manifold pressure [Pa], absolute.
    exhaust_temperature : float
        Of port and collector [K].
    """
    z, air = np.zeros(len(Unknown)), s.intake_temperature
    temperature, burned = GUESSED_CHARGE
    z[Unknown.CYLINDER_MASS] = pressure * closed_volume(s, course.closes) / (properties(s.gas, temperature, burned)[0] * temperature)
    z[Unknown.CYLINDER_TEMPERATURE], z[Unknown.CYLINDER_FRACTION] = temperature, burned
    temperature, burned = air + GUESSED_RUNNER[0], GUESSED_RUNNER[1]
    z[Unknown.RUNNER_MASS] = pressure * s.runner_volume / (properties(s.gas, temperature, burned)[0] * temperature)
    z[Unknown.RUNNER_TEMPERATURE], z[Unknown.RUNNER_FRACTION] = temperature, burned
    z[Unknown.PLENUM_TEMPERATURE], z[Unknown.PLENUM_FRACTION] = air + GUESSED_PLENUM[0], GUESSED_PLENUM[1]
    z[[Unknown.PORT_TEMPERATURE, Unknown.COLLECTOR_TEMPERATURE]] = exhaust_temperature
    z[[Unknown.PORT_FRACTION, Unknown.COLLECTOR_FRACTION]] = 1.0
    z[Unknown.EXHAUST_PRESSURE], z[Unknown.PLENUM_PRESSURE] = s.exhaust_pressure, pressure
    return z

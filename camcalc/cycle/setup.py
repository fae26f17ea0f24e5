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
from ..engine.valve_flow import ValveShape, valve_shape_of
from .gas_kernel import gas_table, properties
from .layout import ExhaustKind, IntakeKind, Unknown
from .operating import Tolerances
from .plain_cycle import Course, closed_volume
from .volumes import TABLE_STEP, Setup

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["Conditions", "Lifts", "course_of", "guess_of", "lifts_of", "setup_of"]

Array = NDArray[np.float64]

# Entrance and bend losses of the runner in velocity heads; ESTIMATE.
RUNNER_LOSS = 1.5
# Wall of a plenum over the side of a cube of its volume, squared: six sides, half as much again for floor, dividers and runner mouths;
# ESTIMATE, 6 to 15.
PLENUM_SIDES = 9.0
# A first guess of the charge: temperature [K] at intake closing and burned fraction; of runner and plenum: warmer than air by [K], burned fraction.
GUESSED_CHARGE, GUESSED_RUNNER, GUESSED_PLENUM = (400.0, 0.25), (30.0, 0.1), (5.0, 0.02)


class Conditions(NamedTuple):
    """What an engine may be run under for comparison: no wall heat, a linear range of the nozzle [relative pressure], how quickly pressures meet
    through a valve at most [1/deg], temperatures [K], pressure [Pa].

    ``plenum_cylinders`` breathe from one plenum.
    """

    adiabatic: bool
    smooth: float
    quickest: float
    held_temperature: float
    intake_temperature: float | None
    exhaust_pressure: float | None
    plenum_cylinders: int


class Lifts(NamedTuple):
    """What the lobes ask of the valves over the crank, and what the valve train keeps of it, SI.

    ``lost`` before a valve moves [m]; ``leak`` while it is open [m/s], from ``opens``: when each valve would leave its seat [crank deg].
    ``factor`` multiplies the coefficients of flow.
    """

    angles: Array
    intake: Array
    exhaust: Array
    opens: tuple[float, float]
    shapes: tuple[ValveShape, ValveShape]
    lost: float
    leak: float
    factor: float

    def areas(self, speed: float) -> Array:
        """Return the valves' effective areas [m2] at a speed [rev/s]: intake forwards, backwards, exhaust forwards, backwards.

        The valve follows the lobe less what bends and less what has leaked down since it opened. The train bends by its load over its stiffness:
        preload alone near the seat, where area matters; that the springs push harder higher up is left out.
        """
        rows = []
        for lobe, opens, shape, ways in zip((self.intake, self.exhaust), self.opens, self.shapes, (("intake", "exhaust"), ("exhaust", "intake")), strict=True):
            since = np.mod(self.angles - opens, 720.0) / (360.0 * speed)
            lifts = np.maximum(lobe - self.lost - self.leak * since, 0.0)
            rows += [effective_area(lifts, shape, like=like, factor=self.factor) for like in ways]
        return np.array(rows)


def lifts_of(build: Build, tolerances: Tolerances) -> Lifts:
    """Return the valves' lifts of a build over a cycle."""
    angles: Array = np.linspace(0.0, 720.0, int(720.0 / TABLE_STEP) + 1)
    curves = build.cam.lift_curve("intake"), build.cam.lift_curve("exhaust")
    si, share = build.engine.si, tolerances.lift_loss
    return Lifts(
        angles,
        curves[0].lift(angles),
        curves[1].lift(angles),
        (curves[0].seat_edges()[0], curves[1].seat_edges()[0]),
        (valve_shape_of(build.engine, "intake"), valve_shape_of(build.engine, "exhaust")),
        share * si.lift_loss,
        share * si.leak_down,
        tolerances.overlap,
    )


def course_of(build: Build, lost: float = 0.0) -> Course:
    """Return when the valves of a build open and close in the frame of the cycle, with so much lift lost [m] before they move.

    The events of the card are the lobe's and stay; those here begin and end the flow. Leak-down closes a valve earlier still, by a degree or two.
    """
    curves = (build.cam.lift_curve(kind) for kind in ("intake", "exhaust"))
    intake, exhaust = ((curve.edges(lost, side="valve") if lost > 0.0 else None) or curve.seat_edges() for curve in curves)
    return Course(intake[1], 720.0 + exhaust[0], 720.0 + intake[0], 720.0 + exhaust[1])


def setup_of(build: Build, tolerances: Tolerances, intake: IntakeKind, conditions: Conditions, lifts: Lifts, course: Course) -> Setup:
    """Return what does not change while a cycle runs.

    Parameters
    ----------
    build : Build
    tolerances : Tolerances
    intake : IntakeKind
        What stands before the intake valve; a limiting form has a reservoir behind the exhaust valve too.
    conditions : Conditions
    lifts : Lifts
        Areas are those of a valve train that does not leak down, until a cycle is given its speed.
    course : Course
    """
    e, g, t, c = build.engine.si, geometry_of(build.engine), tolerances, conditions
    ambient, air = barometer_of(build.site), build.site.si.air_temperature
    port = math.pi / 4.0 * (e.intake_port_diameter**2 - e.intake_stem_diameter**2) * build.engine.intake_valves
    plenum = e.plenum_volume * c.plenum_cylinders / g.cylinders
    limiting = intake in (IntakeKind.LOST, IntakeKind.HELD)
    return Setup(
        gas=gas_table(fuel_data(build.fuel.kind, build.idle.mixture)),
        areas=lifts.areas(math.inf),
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
        plenum_wall=e.plenum_wall,
        plenum_area=PLENUM_SIDES * plenum ** (2.0 / 3.0) / c.plenum_cylinders,
        plenum_factor=0.0 if c.adiabatic else build.engine.port_heat_factor * t.plenum_heat,
        smooth=c.smooth,
        quickest=c.quickest,
        intake_pressure=ambient,
        intake_temperature=air if c.intake_temperature is None else c.intake_temperature,
        held_temperature=c.held_temperature,
        exhaust_pressure=ambient if c.exhaust_pressure is None else c.exhaust_pressure,
        exhaust_pulse=t.exhaust_pulse,
        overlap_from=course.intake_opens,
        overlap_to=course.exhaust_closes,
        plenum_volume=plenum,
        throttle_area=1e-5,
        ambient_pressure=ambient,
        ambient_temperature=air,
    )


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

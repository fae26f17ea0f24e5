"""What the cycle's kernels are given, and the gas that fills a volume."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from .gas_kernel import FAST, properties
from .layout import IntakeKind

__all__ = ["TABLE_STEP", "Boundary", "Gas", "Setup", "at_pressure", "filled", "volume_at", "warming", "with_runner"]

Array = NDArray[np.float64]

TABLE_STEP = 0.25


class Setup(NamedTuple):
    """What does not change while a cycle runs; SI, angles in crank degrees."""

    gas: Array
    areas: Array  # rows: intake in, intake back, exhaust out, exhaust back; one column each 0.25 deg from 0 to 720
    speed: float
    intake: int  # an IntakeKind
    exhaust: int  # an ExhaustKind
    clearance: float
    swept: float
    rod_over_crank: float
    bore: float
    stroke: float
    runner_volume: float
    runner_area: float
    runner_length: float
    runner_diameter: float
    runner_loss: float
    port_volume: float
    port_diameter: float
    cylinder_wall: float
    runner_wall: float
    port_wall: float
    wall_factor: float  # multiplies the cylinder's heat transfer; 0 for adiabatic walls
    port_factor: float  # multiplies turbulent pipe heat transfer in runner and port; 0 for adiabatic
    plenum_wall: float
    plenum_area: float  # wall of the plenum, a cylinder's share [m2]
    plenum_factor: float  # as port_factor, in the plenum
    smooth: float
    quickest: float  # two pressures meet through a valve no faster than this [1/deg]; see ``valve_streams.py``
    intake_pressure: float
    intake_temperature: float
    held_temperature: float
    exhaust_pressure: float
    exhaust_pulse: float  # pressure behind the exhaust valve while both valves are open, over its mean
    overlap_from: float
    overlap_to: float
    plenum_volume: float
    throttle_area: float
    ambient_pressure: float
    ambient_temperature: float

    @property
    def has_runner(self) -> bool:
        """Whether a runner stands before the intake valve; kernels ask ``with_runner``."""
        return self.intake in (IntakeKind.PLENUM, IntakeKind.RIPPLING)


class Boundary(NamedTuple):
    """What is settled from cycle to cycle: plenum and collector gas, the burn, the trapped state the burn starts from."""

    plenum_temperature: float
    plenum_burned: float
    collector_temperature: float
    collector_burned: float
    exhaust_pressure: float  # in the exhaust port [Pa]
    burn_start: float
    burn_duration: float
    burn_power: float  # of the Wiebe function
    burn_end: float  # where the flame goes out
    burn_mass: float  # fresh mass that burns [kg]
    closed_pressure: float
    closed_volume: float
    closed_temperature: float
    closed_angle: float
    opens_angle: float


class Gas(NamedTuple):
    """What stands in a volume: mass [kg], temperature [K], burned fraction, pressure [Pa], properties of its mixture in SI units."""

    mass: float
    temperature: float
    burned: float
    pressure: float
    gas_constant: float
    cp: float
    enthalpy: float
    enthalpy_by_burned: float  # burned less fresh
    constant_by_burned: float  # burned less fresh


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def with_runner(s: Setup) -> bool:
    """Return whether a runner stands before the intake valve."""
    return s.intake == IntakeKind.PLENUM or s.intake == IntakeKind.RIPPLING


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def volume_at(s: Setup, theta: float) -> tuple[float, float]:
    """Return cylinder volume [m3] and its slope [m3/deg]; firing top dead centre at 360."""
    a = math.radians(theta)
    sin, cos = math.sin(a), math.cos(a)
    root = math.sqrt(s.rod_over_crank**2 - sin * sin)
    v = s.clearance + 0.5 * s.swept * (1.0 - cos + s.rod_over_crank - root)
    return v, 0.5 * s.swept * sin * (1.0 + cos / root) * math.pi / 180.0


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def filled(s: Setup, volume: float, mass: float, temperature: float, burned: float) -> Gas:
    """Return the gas that fills a volume.

    Parameters
    ----------
    s : Setup
    volume : float
        [m3].
    mass : float
        [kg].
    temperature : float
        [K].
    burned : float
        Burned gas, fraction by mass.
    """
    r, cp, h, dh, dr = properties(s.gas, temperature, burned)
    return Gas(mass, temperature, burned, mass * r * temperature / volume, r, cp, h, dh, dr)


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def at_pressure(s: Setup, pressure: float, volume: float, temperature: float, burned: float) -> Gas:
    """Return the gas that fills a volume at a pressure.

    Parameters
    ----------
    s : Setup
    pressure : float
        [Pa].
    volume : float
        [m3].
    temperature : float
        [K].
    burned : float
        Burned gas, fraction by mass.
    """
    r, cp, h, dh, dr = properties(s.gas, temperature, burned)
    return Gas(pressure * volume / (r * temperature), temperature, burned, pressure, r, cp, h, dh, dr)


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def warming(gas: Gas, energy: float, dm: float, db: float) -> float:
    """Return how fast a volume's temperature rises [K/s].

    Parameters
    ----------
    gas : Gas
        In the volume.
    energy : float
        Brought in [W].
    dm : float
        Mass gained [kg/s].
    db : float
        Burned mass gained [kg/s].
    """
    u = gas.enthalpy - gas.gas_constant * gas.temperature
    du = gas.enthalpy_by_burned - gas.constant_by_burned * gas.temperature
    return (energy - u * dm - du * (db - gas.burned * dm)) / (gas.mass * (gas.cp - gas.gas_constant))

"""Driveline and car over time: shafts with free play, a converter, tyre slip, under a crank torque."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled

__all__ = ["Plant", "advance", "converter_torques", "shaft_torque"]

Array = NDArray[np.float64]

TURN = 2.0 * math.pi
# Tyre slip is stiff at low road speed: the driveline's part of a step is split so that slip relaxes by no more than this in one.
STIFFEST = 1.2
# Slower than this tyre slip is taken as at this speed [m/s].
SLOWEST_ROLLING = 0.5
# A converter that the car drives carries less than one that drives the car, at like speeds; ESTIMATE.
COAST_CAPACITY = 0.5


class Plant(NamedTuple):
    """What does not change over a run; SI, crank speeds rad/s, shafts at the wheels.

    ``coupling`` is 0 in neutral, 1 locked, 2 through a converter. Inertias of engine and turbine at the crank.
    ``road`` are the terms of road load by powers of speed, ``friction`` crank torque at rest and per speed squared.
    """

    coupling: int
    engine_inertia: float
    turbine_inertia: float
    ratio: float
    radius: float
    wheel_inertia: float
    mass: float
    stiffness: float
    dashpot: float
    half_lash: float
    slip_stiffness: float
    road: tuple[float, float, float]
    converter: tuple[float, float, float, float]
    friction: tuple[float, float]


@compiled(error_model="numpy")
def shaft_torque(twist: float, rate: float, stiffness: float, dashpot: float, half_lash: float) -> float:
    """Return the torque of shafts with free play [N m]: none within it, and never a pull from a contact that only pushes.

    Without free play nothing parts, so that the dashpot pulls as well as it pushes.

    Parameters
    ----------
    twist : float [rad]
    rate : float [rad/s]
        Of the twist.
    stiffness : float [N m/rad]
    dashpot : float [N m s/rad]
    half_lash : float [rad]
        Half the driveline backlash.
    """
    if half_lash == 0.0:
        return stiffness * twist + dashpot * rate
    if twist > half_lash:
        return max(stiffness * (twist - half_lash) + dashpot * rate, 0.0)
    if twist < -half_lash:
        return min(stiffness * (twist + half_lash) + dashpot * rate, 0.0)
    return 0.0


@compiled(error_model="numpy")
def converter_torques(engine: float, turbine: float, stall_speed: float, stall_torque: float, stall_ratio: float, coupling_ratio: float) -> tuple[float, float]:
    """Return torque taken from the engine and given to the turbine [N m] at speeds [rad/s]; negative both when the car drives.

    Parameters
    ----------
    engine, turbine : float [rad/s]
        Speeds.
    stall_speed : float [rad/s]
    stall_torque : float [N m]
        Taken at that speed with the turbine held.
    stall_ratio : float
        Torque given over torque taken at stall.
    coupling_ratio : float
        Speed ratio from which torque is no longer multiplied.
    """
    fastest = max(engine, turbine)
    if fastest <= 0.0:
        return 0.0, 0.0
    scale = stall_torque * (fastest / stall_speed) ** 2
    if turbine <= engine:
        ratio = max(turbine / engine, 0.0)
        taken = scale * (1.0 - ratio**4)
        return taken, taken * (1.0 + (stall_ratio - 1.0) * max(1.0 - ratio / coupling_ratio, 0.0))
    taken = -COAST_CAPACITY * scale * (1.0 - max(engine / turbine, 0.0) ** 4)
    return taken, taken


@compiled(inline="always", error_model="numpy")
def _rates(y: Array, torque: float, plant: Plant, out: Array) -> None:
    """Fill in the rates of engine, turbine, twist, wheels and car under a crank torque."""
    if plant.coupling == 0:
        out[0] = torque / plant.engine_inertia
        out[1] = out[2] = out[3] = out[4] = 0.0
        return
    engine, turbine, twist, wheels, car = y[0], y[1], y[2], y[3], y[4]
    front = turbine if plant.coupling == 2 else engine
    rate = front / plant.ratio - wheels
    shaft = shaft_torque(twist, rate, plant.stiffness, plant.dashpot, plant.half_lash)
    if plant.coupling == 2:
        stall_speed, stall_torque, stall_ratio, coupling_ratio = plant.converter
        taken, given = converter_torques(engine, turbine, stall_speed, stall_torque, stall_ratio, coupling_ratio)
        out[0] = (torque - taken) / plant.engine_inertia
        out[1] = (given - shaft / plant.ratio) / plant.turbine_inertia
    else:
        out[0] = (torque - shaft / plant.ratio) / plant.engine_inertia
        out[1] = out[0]
    drive = plant.slip_stiffness * (plant.radius * wheels - car) / max(car, SLOWEST_ROLLING)
    a, b, c = plant.road
    out[2] = rate
    out[3] = (shaft - plant.radius * drive) / plant.wheel_inertia
    out[4] = (drive - (a + b * car + c * car * car) * min(car / SLOWEST_ROLLING, 1.0)) / plant.mass


@compiled(error_model="numpy")
def advance(y: Array, torque: float, step: float, plant: Plant, work: Array) -> None:
    """Move the driveline on by a step, Runge-Kutta of fourth order, in as many parts as tyre slip needs.

    Parameters
    ----------
    y : array, shape (5,)
        Engine, turbine [rad/s], twist [rad], wheels [rad/s], car [m/s]; moved on.
    torque : float [N m]
        At the crank.
    step : float [s]
    plant : Plant
    work : array, shape (3, 5) [SI]
        Room to work in: slopes, their sum, a state between.
    """
    slope, total, between = work[0], work[1], work[2]
    relax = plant.slip_stiffness * (plant.radius**2 / plant.wheel_inertia + 1.0 / plant.mass) / max(y[4], SLOWEST_ROLLING)
    parts = 1 if plant.coupling == 0 else math.ceil(max(step * relax / STIFFEST, 1.0))
    h = step / parts
    for _ in range(parts):
        for j in range(y.size):
            between[j], total[j] = y[j], 0.0
        for stage in range(4):
            _rates(between, torque, plant, slope)
            reach, weight = (h if stage == 2 else 0.5 * h), (1.0 if stage in (0, 3) else 2.0)
            for j in range(y.size):
                total[j] += weight * slope[j]
                between[j] = y[j] + reach * slope[j]
        for j in range(y.size):
            y[j] += h / 6.0 * total[j]

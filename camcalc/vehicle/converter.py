"""The torque converter: what it takes from the engine and gives the gearbox, and how it couples their swings."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from scipy.optimize import brentq

from ..errors import InputError, NoSolutionError
from .driveline import Driveline, StateSpace, chain

__all__ = ["Converter", "ConverterPoint", "ConverterSlopes", "converter_of", "converter_point", "converter_slopes", "converter_space", "engine_speed_through"]

# Torque out over torque in at stall; from memory: 1.8 to 2.5 in cars.
STALL_TORQUE_RATIO = 2.0
# Speed ratio above which the stator runs free and both torques are equal; from memory: 0.85 to 0.90.
COUPLING_SPEED_RATIO = 0.87
# Torque taken at a speed falls as 1 - (speed ratio)^4: flat at first, half gone at coupling, none at equal speeds. ESTIMATE.
CAPACITY_POWER = 4
# Turbine, its share of oil, and the gearbox's input; ESTIMATE.
TURBINE_INERTIA = 0.03


class Converter(NamedTuple):
    """A converter by its stall point [rev/s, N m] and the standard shapes of capacity and torque ratio."""

    stall_speed: float
    stall_torque: float
    stall_torque_ratio: float = STALL_TORQUE_RATIO
    coupling_speed_ratio: float = COUPLING_SPEED_RATIO

    def capacity(self, speed_ratio: float) -> float:
        """Return torque taken over that taken at stall, at one engine speed."""
        return float(1.0 - _within(speed_ratio) ** CAPACITY_POWER)

    def torque_ratio(self, speed_ratio: float) -> float:
        """Return torque given over torque taken: falls in a line to one at coupling, one from there."""
        left = max(1.0 - _within(speed_ratio) / self.coupling_speed_ratio, 0.0)
        return 1.0 + (self.stall_torque_ratio - 1.0) * left


class ConverterPoint(NamedTuple):
    """A converter at work: torque taken from the engine and given to the gearbox [N m], and their ratios."""

    engine_torque: float
    turbine_torque: float
    speed_ratio: float
    torque_ratio: float


class ConverterSlopes(NamedTuple):
    """How torques move with speeds about a point [N m s/rad]."""

    engine_by_engine: float
    engine_by_turbine: float
    turbine_by_engine: float
    turbine_by_turbine: float


def converter_of(vehicle: Any) -> Converter:
    """Return the converter of a ``[vehicle]`` section.

    Raises
    ------
    InputError
        If the car has none.
    """
    if vehicle.transmission != "converter":
        fix = "a clutch or a locked automatic has no slip to speak of"
        raise InputError("[vehicle] transmission", came=f'"{vehicle.transmission}"', expected='"converter"', fix=fix)
    return Converter(vehicle.si.converter_stall_speed, vehicle.si.converter_stall_torque)


def converter_point(converter: Converter, *, engine_speed: float, turbine_speed: float) -> ConverterPoint:
    """Return what a converter takes and gives at two speeds [rev/s].

    Raises
    ------
    InputError
        If the engine stands still or the gearbox overruns it.

    Notes
    -----
    By the textbook torque taken is ``T_stall (n / n_stall)^2 capacity``: for like flow patterns torque goes as density, speed squared and diameter to the
    fifth power.

    Examples
    --------
    >>> stalled = converter_point(Converter(40.0, 300.0), engine_speed=20.0, turbine_speed=0.0)
    >>> stalled.engine_torque, stalled.turbine_torque
    (75.0, 150.0)
    """
    ratio = _speed_ratio(engine_speed, turbine_speed)
    torque_ratio = converter.torque_ratio(ratio)
    engine_torque = converter.stall_torque * (engine_speed / converter.stall_speed) ** 2 * converter.capacity(ratio)
    return ConverterPoint(engine_torque, torque_ratio * engine_torque, ratio, torque_ratio)


def converter_slopes(converter: Converter, *, engine_speed: float, turbine_speed: float) -> ConverterSlopes:
    """Return how both torques move with both speeds [rev/s] about a point; at the coupling point itself, as beyond it.

    Raises
    ------
    InputError
        As for ``converter_point``.

    Examples
    --------
    >>> about = converter_slopes(Converter(40.0, 300.0), engine_speed=20.0, turbine_speed=0.0)
    >>> about.engine_by_turbine == 0.0 and about.engine_by_engine > 0.0
    True
    """
    point = converter_point(converter, engine_speed=engine_speed, turbine_speed=turbine_speed)
    ratio = point.speed_ratio
    # Torque taken is a n^2 f(r), r = turbine over engine speed, in rad/s.
    scale = converter.stall_torque / converter.stall_speed**2 * engine_speed / (2.0 * math.pi)
    slope = -CAPACITY_POWER * ratio ** (CAPACITY_POWER - 1)
    capacity = converter.capacity(ratio)
    by_engine, by_turbine = scale * (2.0 * capacity - ratio * slope), scale * slope
    falling = ratio < converter.coupling_speed_ratio
    torque_slope = -(converter.stall_torque_ratio - 1.0) / converter.coupling_speed_ratio if falling else 0.0
    change = scale * capacity * torque_slope
    return ConverterSlopes(by_engine, by_turbine, point.torque_ratio * by_engine - ratio * change, point.torque_ratio * by_turbine + change)


def engine_speed_through(converter: Converter, *, turbine_speed: float, turbine_torque: float) -> float:
    """Return the engine speed [rev/s] at which a converter gives a torque [N m] to a gearbox input turning at a speed [rev/s].

    Raises
    ------
    InputError
        If the gearbox turns backwards or drives the engine.
    NoSolutionError
        If it takes more than six times the stall speed.
    """
    if turbine_speed < 0.0 or turbine_torque < 0.0 or (turbine_speed == 0.0 and turbine_torque == 0.0):
        raise InputError("turbine", came=f"{turbine_speed} rev/s, {turbine_torque} N m", expected="a turning or driven gearbox, neither below zero")

    def spare(speed: float) -> float:
        return converter_point(converter, engine_speed=speed, turbine_speed=turbine_speed).turbine_torque - turbine_torque

    slowest, fastest = max(turbine_speed, 1e-9 * converter.stall_speed), turbine_speed + 6.0 * converter.stall_speed
    if spare(fastest) < 0.0:
        most = spare(fastest) + turbine_torque
        raise NoSolutionError(f"the converter cannot give {turbine_torque:.4g} N m; at most {most:.4g} N m at {fastest * 60:.0f} rpm", reachable=most)
    return float(brentq(spare, slowest, fastest, xtol=1e-12, rtol=1e-13)) if spare(slowest) < 0.0 else slowest


def converter_space(driveline: Driveline, slopes: ConverterSlopes, road_speed: float, *, turbine_inertia: float = TURBINE_INERTIA) -> StateSpace:
    """Return engine, converter, turbine, shafts, driven wheels, tyre slip and car as matrices, in the order of ``StateSpace``.

    Parameters
    ----------
    driveline : Driveline
        As locked; its engine inertia stays on the engine's side.
    slopes : ConverterSlopes
    road_speed : float
        [m/s].
    turbine_inertia : float
        At the gearbox's input [kg m2].

    Raises
    ------
    InputError
        On a turbine without inertia or a road speed of zero.

    Notes
    -----
    The swing is mostly that of turbine and shafts against the car, damped by the converter's slip; the engine follows it softly.
    """
    if not turbine_inertia > 0.0:
        raise InputError("turbine_inertia", came=f"{turbine_inertia}", expected="more than 0 kg m2")
    driveline.check()
    square = driveline.ratio**2
    inertias = np.array([driveline.engine_inertia, turbine_inertia * square, driveline.wheel_inertia, driveline.vehicle_inertia])
    shaft, tyre = np.array([0.0, 1.0, -1.0, 0.0]), np.array([0.0, 0.0, 1.0, -1.0])
    damping = driveline._replace(engine_inertia=turbine_inertia * square).dashpot * np.outer(shaft, shaft)
    damping[0, :2] += square * slopes.engine_by_engine, square * slopes.engine_by_turbine
    damping[1, :2] -= square * slopes.turbine_by_engine, square * slopes.turbine_by_turbine
    twists, stiffness, leak = shaft[None, :], np.array([driveline.shaft_stiffness]), np.zeros(1)
    slip = driveline.slip_dashpot(road_speed)
    if math.isfinite(driveline.tyre_stiffness):
        twists, stiffness = np.vstack([twists, tyre]), np.append(stiffness, driveline.tyre_stiffness)
        leak = np.append(leak, driveline.tyre_stiffness / slip)
    else:
        damping = damping + slip * np.outer(tyre, tyre)
    state = chain(inertias, twists, stiffness=stiffness, leak=leak, damping=damping)
    engine = np.zeros(len(state))
    engine[len(stiffness)] = driveline.ratio
    return StateSpace(state, engine / driveline.engine_inertia, engine, driveline.tyre_radius * state[-1])


def _within(speed_ratio: float) -> float:
    if not 0.0 <= speed_ratio <= 1.0:
        fix = "overrun, where the car drives the engine, is not modelled"
        raise InputError("speed ratio of the converter", came=f"{speed_ratio:.4g}", expected="0 (stall) to 1", fix=fix)
    return speed_ratio


def _speed_ratio(engine_speed: float, turbine_speed: float) -> float:
    if not engine_speed > 0.0:
        raise InputError("engine_speed", came=f"{engine_speed} rev/s", expected="more than 0 rev/s")
    return _within(turbine_speed / engine_speed)

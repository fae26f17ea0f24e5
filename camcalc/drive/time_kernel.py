"""Engine, driveline and car over time: the same physics as the linear loop, with lash, the real table, fuel cut and noise drawn firing by firing."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from ..constants import AIR_GAMMA, AIR_GAS_CONSTANT
from ..cycle.engine_tables import look_up_into
from ..engine.valve_flow import orifice_flow_kernel

__all__ = ["CHANNELS", "Plant", "Signals", "converter_torques", "run_kernel", "shaft_torque"]

Array = NDArray[np.float64]

TURN = 2.0 * math.pi
# Tyre slip is stiff at low road speed: the driveline's part of a step is split so that slip relaxes by no more than this in one.
STIFFEST = 1.2
# Slower than this tyre slip is taken as at this speed [m/s].
SLOWEST_ROLLING = 0.5
# A converter that the car drives carries less than one that drives the car, at like speeds; ESTIMATE.
COAST_CAPACITY = 0.5
CHANNELS = ("speed", "spark", "pressure", "load", "opening", "road_speed", "twist", "shaft_torque", "fuel_cut", "crank_torque")


class Plant(NamedTuple):
    """What does not change over a run; SI, crank speeds rad/s, shafts at the wheels.

    ``coupling`` is 0 in neutral, 1 locked, 2 through a converter. Inertias of engine and turbine at the crank.
    ``road`` are the terms of road load by powers of speed, ``friction`` crank torque at rest and per speed squared.
    ``delays`` are in crank degrees: induction to torque, spark to torque, and the wait of a signal.
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
    cylinders: int
    swept: float
    friction: tuple[float, float]
    filling_rate: float
    temperature: float
    ambient: float
    load_filter: float
    load_jitter: float
    speed_jitter: float
    burn_noise: float
    reference_air: float
    delays: tuple[float, float, float]
    slowest: float


class Signals(NamedTuple):
    """What the driver and the engine control do: opening of the throttle by step [m2], what counts as closed, speed-hold gains (zero for
    none) and lag, target road speed, fuel cut above and back below [rad/s]."""

    opening: Array
    closed: float
    gain: float
    integral: float
    lag: float
    target: float
    cut_above: float
    back_below: float


@compiled
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


@compiled
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


@compiled
def _rates(y: Array, torque: float, plant: Plant, out: Array) -> None:
    """Fill in the rates of engine, turbine, twist, wheels and car under a crank torque."""
    engine, turbine, twist, wheels, car = y
    if plant.coupling == 0:
        out[:] = 0.0
        out[0] = torque / plant.engine_inertia
        return
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


@compiled
def _advance(y: Array, torque: float, step: float, plant: Plant, work: Array) -> None:
    """Move the driveline on by a step, Runge-Kutta of fourth order, in as many parts as tyre slip needs."""
    relax = plant.slip_stiffness * (plant.radius**2 / plant.wheel_inertia + 1.0 / plant.mass) / max(y[4], SLOWEST_ROLLING)
    parts = 1 if plant.coupling == 0 else math.ceil(max(step * relax / STIFFEST, 1.0))
    h = step / parts
    for _ in range(parts):
        _rates(y, torque, plant, work[0])
        _rates(y + 0.5 * h * work[0], torque, plant, work[1])
        _rates(y + 0.5 * h * work[1], torque, plant, work[2])
        _rates(y + h * work[2], torque, plant, work[3])
        y += h / 6.0 * (work[0] + 2.0 * work[1] + 2.0 * work[2] + work[3])


@compiled
def _before(history: Array, now: int, steps_back: float) -> float:
    """Return a history a fractional number of steps ago; before its start it holds its first."""
    at = now - steps_back
    if at <= 0.0:
        return history[0]
    low = int(at)
    share = at - low
    return history[low] if share == 0.0 else (1.0 - share) * history[low] + share * history[low + 1]


@compiled
def _table_at(speeds: Array, loads: Array, cells: Array, speed: float, load: float) -> float:
    """Return the table's spark, bilinear, edges held; speeds rev/s."""
    n = min(max(speed, speeds[0]), speeds[-1])
    p = min(max(load, loads[0]), loads[-1])
    i = min(max(int(np.searchsorted(speeds, n)) - 1, 0), speeds.size - 2)
    j = min(max(int(np.searchsorted(loads, p)) - 1, 0), loads.size - 2)
    a = (n - speeds[i]) / (speeds[i + 1] - speeds[i])
    b = (p - loads[j]) / (loads[j + 1] - loads[j])
    return (1.0 - a) * ((1.0 - b) * cells[i, j] + b * cells[i, j + 1]) + a * ((1.0 - b) * cells[i + 1, j] + b * cells[i + 1, j + 1])


@compiled
def _cycle_at(out: Array, axes: tuple[Array, Array, Array], values: Array, omega: float, pressure: float, spark: float) -> None:
    """Fill in the cycle at a crank speed [rad/s], speed and pressure held within the tables."""
    speeds, pressures, sparks = axes
    n = min(max(omega / TURN, speeds[0]), speeds[-1])
    look_up_into(out, speeds, pressures, sparks, values, n, min(max(pressure, pressures[0]), pressures[-1]), spark)


@compiled
def run_kernel(
    start: Array,
    step: float,
    count: int,
    every: int,
    plant: Plant,
    signals: Signals,
    axes: tuple[Array, Array, Array],
    values: Array,
    table: tuple[Array, Array, Array],
    load_kind: int,
    noise: Array,
) -> tuple[Array, int]:
    """Run from a state (driveline's five, then plenum and filtered pressure) for ``count`` steps.

    Returns the channels, one row each ``every`` steps, and how many rows were reached before the engine stalled. ``load_kind`` is 0 for
    manifold pressure, 1 for air charge, 2 for relative charge. ``noise`` has three columns of standard normal draws: firing, load, speed.

    Parameters
    ----------
    start : array, shape (7,) [SI]
        Driveline's five, then plenum and filtered pressure, as ``state_of`` gives them.
    step : float [s]
    count, every : int
        Steps, and steps for each row kept.
    plant : Plant
    signals : Signals
    axes : tuple of three arrays
        Of the engine's tables: speeds [rev/s], pressures [Pa], sparks [crank deg].
    values : array, shape (fields, speeds, pressures, sparks) [SI]
        Of the engine's tables.
    table : tuple of three arrays
        Spark table: speeds [rev/s], loads [inner unit], cells [crank deg].
    load_kind : int
        0, 1 or 2.
    noise : array, shape (n, 3) [1]
        Standard normal draws, a row for each firing.
    """
    y, p, filtered = start[:5].copy(), start[5], start[6]
    speeds, loads, cells = table
    per_imep = plant.swept * plant.cylinders / (2.0 * TURN)
    rows = np.empty((count // every, len(CHANNELS)))
    omegas, pressures, measured, sparks, fuels = np.empty(count), np.empty(count), np.empty(count), np.empty(count), np.empty(count)
    cycle, at, work = np.empty(values.shape[0]), np.empty(values.shape[0]), np.empty((4, 5))
    firing, turn, trim, trimmed, cut = 0.0, 0.0, 0.0, 0.0, False
    decay = math.exp(-step / plant.load_filter)
    blow_back, torque, shaft = 0.0, 0.0, 0.0
    induction, to_torque, wait = plant.delays
    for k in range(count):
        omega = y[0]
        if not omega > plant.slowest:
            return rows, k // every
        degree = 1.0 / (omega / TURN * 360.0 * step)  # steps in a crank degree
        one, two = noise[int(firing) % noise.shape[0]], noise[int(turn) % noise.shape[0]]
        push = plant.load_jitter * blow_back * p * two[1]
        omegas[k], pressures[k], measured[k] = omega, p, filtered
        seen = max(_before(omegas, k, wait * degree) + plant.speed_jitter * two[2], 0.0)
        load = _before(measured, k, wait * degree)
        if load_kind > 0:
            _cycle_at(at, axes, values, seen, load, sparks[k - 1] if k else 25.0)
            load = at[3] if load_kind == 1 else at[3] / plant.reference_air
        sparks[k] = _table_at(speeds, loads, cells, seen / TURN, load)
        opening = signals.opening[k]
        closed = opening <= signals.closed * 1.0001
        if signals.gain > 0.0:
            error = signals.target - y[4]
            trim += step * (signals.gain * error + signals.integral * trimmed - trim) / signals.lag
            trimmed += step * error
            opening = max(opening * (1.0 + trim), signals.closed)
        cut = closed and (omega > signals.cut_above or (cut and omega > signals.back_below))
        fuels[k] = 0.0 if cut else 1.0
        spark = _before(sparks, k, to_torque * degree)
        _cycle_at(cycle, axes, values, _before(omegas, k, induction * degree), _before(pressures, k, induction * degree), spark)
        blow_back = cycle[5]
        fuel = _before(fuels, k, induction * degree)
        imep = cycle[0] - (1.0 - fuel) * cycle[1] + fuel * max(plant.burn_noise * cycle[2] * one[0], -cycle[1])
        torque = per_imep * imep - plant.friction[0] - plant.friction[1] * omega * omega
        if k % every == 0:
            rate = (y[1] if plant.coupling == 2 else omega) / plant.ratio - y[3]
            shaft = shaft_torque(y[2], rate, plant.stiffness, plant.dashpot, plant.half_lash)
            row = rows[k // every]
            row[0], row[1], row[2], row[3], row[4], row[5] = omega, sparks[k], p, load, opening, y[4]
            row[6], row[7], row[8], row[9] = y[2], shaft, 1.0 - fuels[k], torque
        _cycle_at(at, axes, values, omega, p, spark)
        drawn = at[3] * plant.cylinders * omega / (2.0 * TURN)
        into = orifice_flow_kernel(opening, plant.ambient, min(p, plant.ambient), plant.temperature, AIR_GAS_CONSTANT, AIR_GAMMA)
        filtered = p + push + (filtered - p - push) * decay
        p += step * plant.filling_rate * (into - drawn)
        firing += step * omega * plant.cylinders / (2.0 * TURN)
        turn += step * omega / (2.0 * TURN)
        _advance(y, torque, step, plant, work)
    return rows, count // every

"""Cylinders about a point on the maps of their cycle, segment by segment, and the plenum that they draw from; beyond it the engine's tables."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from ..cycle.engine_tables import look_up_into
from ..cycle.memory import Carried, Given, Made
from .plenum import PlenumGas, plenum_pressure, plenum_rates
from .run_state import Cylinders, Moving, Now, World

__all__ = ["cycle_at", "go_on", "middle_of_plenum", "near", "spark_off", "straight"]

Array = NDArray[np.float64]

TURN = 2.0 * math.pi
# Of the engine's tables.
NET, GROSS, DEVIATION, AIR, BURNED_FRACTION, BLOW_BACK, MISS_MEASURE = range(7)


@compiled(error_model="numpy")
def cycle_at(out: Array, axes: tuple[Array, Array, Array], values: Array, omega: float, pressure: float, spark: float) -> None:
    """Fill in the cycle at a crank speed [rad/s], speed and pressure held within the tables.

    Below their lowest pressure an engine draws less and pumps more: charge and burn go with pressure, pumping by the difference (ideal exchange, textbook).

    Parameters
    ----------
    out : array, shape (fields,)
        Written to, in the units of ``FIELDS``.
    axes : tuple of array
        Of the tables: speeds [rev/s], pressures [Pa], sparks [crank deg], shape (n,) each.
    values : array, shape (fields, speeds, pressures, sparks)
        In the units of ``FIELDS``.
    omega : float [rad/s]
    pressure : float [Pa]
    spark : float [crank deg]
    """
    speeds, pressures, sparks = axes
    n = min(max(omega / TURN, speeds[0]), speeds[-1])
    look_up_into(out, speeds, pressures, sparks, values, n, min(max(pressure, pressures[0]), pressures[-1]), spark)
    if pressure < pressures[0]:
        share = max(pressure, 0.0) / pressures[0]
        out[NET] -= (1.0 - share) * (out[GROSS] + pressures[0])
        for k in (GROSS, DEVIATION, AIR):
            out[k] *= share


@compiled(inline="always", error_model="numpy")
def near(off: float, furthest: float) -> float:
    """Return a deviation as the maps follow it: itself when small, never beyond the furthest."""
    share = off / furthest
    return off / math.sqrt(math.sqrt(1.0 + share * share * share * share))


@compiled(error_model="numpy")
def go_on(engine: Cylinders, k: int, state: Array, given: Array, misses: bool, made: Array, work: Array) -> None:
    """Move one cylinder's deviations on by a segment and fill in what it makes more than the settled cycle.

    Parameters
    ----------
    engine : Cylinders
    k : int
        Which segment.
    state : array, shape (carried,) [SI]
        Deviations; changed.
    given : array, shape (5,) [SI]
        Deviations of what is given.
    misses : bool
        Whether nothing burns.
    made : array, shape (outputs,) [SI]
        Written to.
    work : array, shape (carried,) [SI]
        Room to work in.
    """
    a, b, c, d = engine.a[k], engine.b[k], engine.c[k], engine.d[k]
    size, inputs = b.shape
    for i in range(made.size):
        made[i] = engine.missed_made[k, i] if misses else 0.0
        for j in range(size):
            made[i] += c[i, j] * state[j]
        for j in range(inputs):
            made[i] += d[i, j] * given[j]
    for i in range(size):
        work[i] = engine.missed_carried[k, i] if misses else 0.0
        for j in range(size):
            work[i] += a[i, j] * state[j]
        for j in range(inputs):
            work[i] += b[i, j] * given[j]
    state[:] = work
    if misses and k == 0:
        # What does not burn heeds neither its spark nor how much it holds.
        state[Carried.CHARGE_MASS :] = 0.0


@compiled(inline="always", error_model="numpy")
def _see_plenum(engine: Cylinders, plenum: PlenumGas, x: Array, given: Array) -> None:
    """Put what the plenum holds into what the maps are given."""
    at, furthest = engine.at, engine.furthest
    given[Given.PRESSURE] = near(plenum_pressure(plenum, x) - at[Given.PRESSURE], furthest[Given.PRESSURE])
    given[Given.TEMPERATURE] = near(x[1] - at[Given.TEMPERATURE], furthest[Given.TEMPERATURE])
    given[Given.FRACTION] = near(x[2] - at[Given.FRACTION], furthest[Given.FRACTION])


@compiled(error_model="numpy")
def middle_of_plenum(world: World, now: Moving, drawn: tuple[float, float, float], lasts: float, ahead: float) -> None:
    """Put what the plenum will hold in the middle of a segment into what is given: what it loses depends on that, so that it is solved for.

    One step of the linearly implicit midpoint rule; without it plenum and runners swing up against each other, a segment being long for them.

    Parameters
    ----------
    world : World
    now : Moving
        Changed.
    drawn : tuple of float
        What tables and maps have drawn on average: mass [kg], burned mass [kg], energy [J].
    lasts : float [s]
        The segment.
    ahead : float
        How far ahead its middle lies, as a share of it.
    """
    engine, plenum, x, given, states = world.engine, world.plenum, now.plenum, now.given, now.states
    losses, rate, by_gas = now.losses, now.rate, np.zeros((3, 3))
    for j in range(3):
        losses[j] = drawn[j]
    _see_plenum(engine, plenum, x, given)
    size = states.shape[1]
    for cylinder in range(engine.number):
        k = now.which[cylinder]
        c, d = engine.c[k], engine.d[k]
        for i in range(3):
            row = Made.MASS + i
            if now.missed[cylinder] and k > 0:
                losses[i] += engine.missed_made[k, row]
            for j in range(size):
                losses[i] += c[row, j] * states[cylinder, j]
            for j in range(5):
                losses[i] += d[row, j] * given[j]
            by_gas[i, 0] += d[row, Given.PRESSURE]
            by_gas[i, 1] += d[row, Given.TEMPERATURE]
            by_gas[i, 2] += d[row, Given.FRACTION]
    for j in range(3):
        losses[j] /= lasts
    plenum_rates(plenum, x, now.scalars[Now.OPENING], losses, rate)
    matrix = np.empty((3, 3))
    for i in range(3):
        rate[i] *= ahead * lasts
        for j in range(3):
            back = 0.0
            for k in range(3):
                for m in range(3):
                    back += engine.plenum_losses[i, k] * by_gas[k, m] * engine.plenum_seen[m, j]
            matrix[i, j] = (1.0 if i == j else 0.0) - ahead * (lasts * engine.plenum_own[i, j] + back)
    _solve(matrix, rate)
    for j in range(3):
        rate[j] += x[j]
    _see_plenum(engine, plenum, rate, given)


@compiled(error_model="numpy")
def _solve(matrix: Array, right: Array) -> None:
    """Solve a few linear equations in place, Gauss with the largest pivot; a library's call costs more than the sums."""
    n = right.size
    for k in range(n):
        top = k
        for i in range(k + 1, n):
            if abs(matrix[i, k]) > abs(matrix[top, k]):
                top = i
        for j in range(k, n):
            matrix[k, j], matrix[top, j] = matrix[top, j], matrix[k, j]
        right[k], right[top] = right[top], right[k]
        for i in range(k + 1, n):
            share = matrix[i, k] / matrix[k, k]
            for j in range(k + 1, n):
                matrix[i, j] -= share * matrix[k, j]
            right[i] -= share * right[k]
    for k in range(n - 1, -1, -1):
        for j in range(k + 1, n):
            right[k] -= matrix[k, j] * right[j]
        right[k] /= matrix[k, k]


@compiled(error_model="numpy")
def straight(slopes: Array, felt: Array, spark: float) -> float:
    """Return what the maps make of a speed, pressure and spark that stay so far off their point."""
    return slopes[0] * felt[0] + slopes[1] * felt[1] + slopes[2] * spark


@compiled(inline="always", error_model="numpy")
def spark_off(engine: Cylinders, spark: float) -> float:
    """Return how far off its point the maps take a spark to be."""
    return near(spark - engine.at[Given.SPARK], engine.furthest[Given.SPARK])

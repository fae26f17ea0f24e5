"""The maps of a cycle's memory, read off the segments of the real cycle: differences of what is carried, and settled cycles close by."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import NoSolutionError
from .layout import IntakeKind, Unknown
from .memory import INPUTS, OUTPUTS, SIZE, Carried, CycleMemory, Given
from .segmented import Segmented

if TYPE_CHECKING:
    from .resolved import ResolvedEngine

__all__ = ["SettledRun", "cycle_memory", "settled_run"]

Array = NDArray[np.float64]

# Steps that differences are taken over: of the size of a swing, since the gas exchange has kinks that tiny ones would fall into. Masses by share. ESTIMATE.
BY_SHARE = 5e-3
STEPS = {
    Carried.CYLINDER_TEMPERATURE: 5.0, Carried.CYLINDER_FRACTION: 0.01, Carried.RUNNER_TEMPERATURE: 2.0, Carried.RUNNER_FRACTION: 0.01,
    Carried.RUNNER_FLOW: 1e-3, Carried.PORT_TEMPERATURE: 5.0, Carried.PORT_FRACTION: 0.01, Carried.COLLECTOR_TEMPERATURE: 5.0,
    Carried.COLLECTOR_FRACTION: 0.01, Carried.EXHAUST_PRESSURE: 100.0, Carried.CHARGE_TEMPERATURE: 2.0, Carried.CHARGE_FRACTION: 0.01,
    Carried.SPARK: 1.0, Carried.SPEED: 0.25,
}  # fmt: skip
PLENUM_STEPS = {Given.TEMPERATURE: 2.0, Given.FRACTION: 0.01}
# A fraction above this is moved downwards, lest a step takes it past one: ESTIMATE.
NEARLY_ALL = 0.9
# Half the distance of the settled cycles that slopes are taken between: crank speed [rev/s], pressure [Pa], spark [crank deg]. ESTIMATE, of the size of a
# swing.
APART = (40.0 / 60.0, 1e3, 2.0)


class SettledRun(NamedTuple):
    """A settled cycle in segments: what is carried at their ends and what each makes, as in ``CycleMemory``, and what its plenum holds."""

    states: Array
    made: Array
    plenum: Array


def cycle_memory(engine: ResolvedEngine, speed: float, pressure: float, spark: float) -> CycleMemory | None:
    """Return what a cycle leaves to those after it; None where the engine does not run, or each cylinder has a plenum of its own.

    Parameters
    ----------
    engine : ResolvedEngine
    speed : float
        Crank speed [rev/s].
    pressure : float
        Mean of the plenum [Pa], absolute.
    spark : float
        Before top dead centre [crank deg].

    Notes
    -----
    Each column of ``a`` and ``c``, and of ``b`` and ``d`` for the plenum's gas, is a difference of one segment of the cycle as the engine integrates it,
    over a step of the size of a swing. Speed, pressure and spark need none: ``b`` and ``d`` follow from the settled cycles close by, so that
    the answer to what no longer changes is that of settled cycles whatever ``a`` is.

    Examples
    --------
    >>> from camcalc import ResolvedEngine, load_build
    >>> engine = ResolvedEngine(load_build("examples/quarry-road/build.toml"))
    >>> found = cycle_memory(engine, 1100 / 60, 55e3, 20.0)
    >>> bool(0.3 < max(abs(np.linalg.eigvals(found.cycle))) < 0.6)  # of a swing of its gas, so much is left after a cycle, the plenum's apart
    True
    """
    if engine.setup.intake not in (IntakeKind.PLENUM, IntakeKind.RIPPLING) or engine.plenum_cylinders == 1 or engine.instantaneous:
        return None
    speed, pressure, spark = float(speed), float(pressure), float(spark)
    try:
        at = settled_run(engine, speed, pressure, spark)
    except NoSolutionError:
        return None
    if at is None:
        return None
    segmented = Segmented(engine, speed, pressure, spark)
    slopes = _slopes(engine, (speed, pressure, spark), at)
    if slopes is None:
        return None
    given = np.array([2.0 * math.pi * speed, pressure, spark, *at.plenum])
    count = segmented.segments
    a, c = np.zeros((count, SIZE, SIZE)), np.zeros((count, OUTPUTS, SIZE))
    b, d = np.zeros((count, SIZE, INPUTS)), np.zeros((count, OUTPUTS, INPUTS))
    extra, lost = np.zeros((count, SIZE)), np.zeros((count, OUTPUTS))
    missed, missed_made = segmented.cycle(at.states[0], given, misses=True)
    by = [Given.SPEED, Given.PRESSURE, Given.SPARK]
    gas = [Given.TEMPERATURE, Given.FRACTION]
    for k in range(count):
        a[k], c[k], b[k][:, gas], d[k][:, gas] = _differences(segmented, k, at.states[k], given)
        # What the settled cycles close by have at the segment's ends, less what the map makes of it: the inputs' own part.
        next_slope = slopes.states[(k + 1) % count]
        b[k][:, by] = next_slope - a[k] @ slopes.states[k] - b[k][:, gas] @ slopes.plenum
        d[k][:, by] = slopes.made[k] - c[k] @ slopes.states[k] - d[k][:, gas] @ slopes.plenum
        if k:
            # A spark acts as the one that was latched: what its own steps do otherwise than settled cycles belongs to that.
            a[k][:, Carried.SPARK] += b[k][:, Given.SPARK]
            c[k][:, Carried.SPARK] += d[k][:, Given.SPARK]
            b[k][:, Given.SPARK] = d[k][:, Given.SPARK] = 0.0
        off = missed[k] - at.states[k]
        extra[k] = missed[k + 1] - at.states[k + 1] - a[k] @ off
        lost[k] = missed_made[k] - at.made[k] - c[k] @ off
    where = speed, pressure, spark, engine.geometry.cylinders, engine.course.closes
    return CycleMemory(*where, at.states, at.made, at.plenum, a, b, c, d, slopes.plenum, missed_carried=extra, missed_made=lost)


def settled_run(engine: ResolvedEngine, speed: float, pressure: float, spark: float) -> SettledRun | None:
    """Return a settled cycle in segments; None where the engine does not run.

    Parameters
    ----------
    engine : ResolvedEngine
    speed : float
        Crank speed [rev/s].
    pressure : float
        Mean of the plenum [Pa], absolute.
    spark : float
        Before top dead centre [crank deg].

    Raises
    ------
    NoSolutionError
        If the cycle does not settle.
    """
    found = engine.settled(speed, pressure, spark)
    if not found.runs:
        return None
    plenum = found.unknowns[Unknown.PLENUM_TEMPERATURE : Unknown.PLENUM_FRACTION + 1]
    segmented = Segmented(engine, speed, pressure, spark)
    states, made = segmented.cycle(segmented.begin(found), np.array([2.0 * math.pi * speed, pressure, spark, *plenum]))
    # The state before the first segment is not yet latched: it is that after the last, as in the settled cycle.
    states[0] = states[-1]
    return SettledRun(states, made, plenum)


def _slopes(engine: ResolvedEngine, where: tuple[float, float, float], at: SettledRun) -> SettledRun | None:
    """Return how the settled cycle changes with speed [rad/s], pressure and spark, a column each; None if it runs on no side."""
    columns = []
    for k, apart in enumerate(APART):
        sides: list[tuple[float, SettledRun]] = []
        for way in (1.0, -1.0):
            there = [*where]
            there[k] += way * apart
            try:
                found = settled_run(engine, *there)
            except NoSolutionError:
                found = None
            if found is not None:
                sides.append((way * apart, found))
        if not sides:
            return None
        (first, high), (last, low) = sides[0], (sides[1] if len(sides) == 2 else (0.0, at))
        over = (first - last) * (2.0 * math.pi if k == 0 else 1.0)
        columns.append(SettledRun(*((x - y) / over for x, y in zip(high, low, strict=True))))
    return SettledRun(*(np.stack(parts, axis=-1) for parts in zip(*columns, strict=True)))


def _differences(segmented: Segmented, k: int, state: Array, given: Array) -> tuple[Array, Array, Array, Array]:
    """Return a segment's differences by state and by the plenum's gas: of what is carried and made."""
    speed = float(given[Given.SPEED])
    new, made, sums = segmented.flow(k, state, given)
    base = segmented.book(k, new, sums, state, speed)
    a, c = np.zeros((SIZE, SIZE)), np.zeros((OUTPUTS, SIZE))
    b, d = np.zeros((SIZE, len(PLENUM_STEPS))), np.zeros((OUTPUTS, len(PLENUM_STEPS)))
    burns = segmented.ends[k] < segmented.marching.course.exhaust_opens
    for j in Carried:
        moved = state.copy()
        h = _step_of(j, state)
        moved[j] += h
        if Carried.LEFT <= j <= Carried.LEFT_HEAT:
            # What was counted does not flow again.
            a[:, j] = (segmented.book(k, new, sums, moved, speed) - base) / h if k else 0.0
            continue
        if j >= Carried.CHARGE_MASS and (k == 0 or not burns):
            a[j, j] = 0.0 if k == 0 else 1.0  # taken anew there, or of no more account
            continue
        other, out, left = segmented.flow(k, moved, given)
        a[:, j] = (segmented.book(k, other, left, moved, speed) - base) / h
        c[:, j] = (out - made) / h
    for column, (name, h) in enumerate(PLENUM_STEPS.items()):
        h = -h if name is Given.FRACTION and given[name] > NEARLY_ALL else h
        there = given.copy()
        there[name] += h
        other, out, left = segmented.flow(k, state, there)
        b[:, column] = (segmented.book(k, other, left, state, speed) - base) / h
        d[:, column] = (out - made) / h
    return a, c, b, d


def _step_of(j: Carried, state: Array) -> float:
    if j not in STEPS:
        return BY_SHARE * max(abs(float(state[j])), 1e-6)
    h = STEPS[j]
    return -h if j.name.endswith("FRACTION") and state[j] > NEARLY_ALL else h

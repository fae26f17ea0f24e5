"""Single rows far from all beside them: times out of line, engine speeds and pedals that no engine and no foot could follow."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["stray_speeds", "stray_times", "stray_values"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A time is out of line if the next row goes on from the row before, within so many usual steps, and it lies further ahead than that. ESTIMATE.
STEPS_AHEAD = 10.0
# Levels are medians of so many rows, so that one or two strays move none.
ROWS = 5
# In logs of so many rows a second and more a speed this many times above or below its level, or a pedal so far from it, is no engine's and no foot's
# within a row: some 5000 rpm/s at 1000 rpm. ESTIMATE.
FAST_ENOUGH, TIMES, PEDAL = 8.0, 1.5, 0.25
# In slower logs only what is nearer to another unit is: a sixtieth of the revs, with room. ESTIMATE.
TIMES_SLOW = 8.0


def stray_times(time: Array, usable: Mask) -> Mask:
    """Return the rows whose time leaps ahead while the rows after go on as if it had not.

    >>> stray_times(np.array([0.0, 0.1, 1e9, 0.3, 0.4]), np.ones(5, dtype=bool)).tolist()
    [False, False, True, False, False]
    """
    out = np.zeros(len(time), dtype=bool)
    rows = np.flatnonzero(usable)
    at = time[rows]
    if at.size < 4:
        return out
    with np.errstate(over="ignore", invalid="ignore"):
        steps = np.diff(at)
        least = float(steps.min())
        if least > 0.0 and max(steps[0], steps[-1]) <= 1e6 * STEPS_AHEAD * least:
            # Times that rise throughout, as most do: nothing leaps, whatever the usual step is.
            return out
        rising = steps[steps > 0.0]
        far = STEPS_AHEAD * (float(np.median(rising)) if rising.size else np.inf)
        # From a row to the next but one, and from the first to the last.
        over = at[2:] - at[:-2]
        out[rows[1:-1]] = (over > 0.0) & (over <= far) & (at[1:-1] - at[2:] > far)
        out[rows[0]] = (at[0] - at[1] > far) & (0.0 < at[2] - at[1] <= far)
        out[rows[-1]] = (at[-1] - at[-2] > 1e6 * far) & (0.0 < at[-2] - at[-3] <= far)
        out[rows[0]] |= bool((at[1] - at[0] > 1e6 * far) & (0.0 < at[2] - at[1] <= far))
    return out


def stray_speeds(time: Array, speed: Array) -> Mask:
    """Return the rows whose engine speed lies far from all beside it, which then go on as before.

    Parameters
    ----------
    time : array, shape (n,) [s]
        Rising.
    speed : array, shape (n,) [rev/s]

    Examples
    --------
    >>> stray_speeds(np.arange(7) * 0.05, np.array([20.0, 20.1, 20.2, 0.34, 20.3, 20.2, 20.1])).tolist()
    [False, False, False, True, False, False, False]
    """
    if speed.size < ROWS:
        return np.zeros(len(speed), dtype=bool)
    out = np.zeros(len(speed), dtype=bool)
    # Three of the four beside a stray are on its level's side, and so is one of the two next to it.
    apart = (speed[1:] > TIMES * speed[:-1]) | (speed[:-1] > TIMES * speed[1:])
    if not apart.any():
        return out
    rows = _on_either_side(apart)
    own, level, most = speed[rows], _level(speed, rows, ROWS), TIMES if _fast(time) else TIMES_SLOW
    out[rows] = (level > 0.0) & ((own * most < level) | (own > most * level))
    return out


def stray_values(time: Array, values: Array) -> Mask:
    """Return the rows whose pedal lies far from all beside it, which then go on as before.

    Parameters
    ----------
    time : array, shape (n,) [s]
        Rising.
    values : array, shape (n,) [1]
        The pedal's travel; not-a-number where it is not known.
    """
    out = np.zeros(len(values), dtype=bool)
    there = np.isfinite(values)
    known = values if there.all() else values[there]
    if known.size < ROWS:
        return out
    apart = np.abs(np.diff(known)) > PEDAL
    if not apart.any() or not _fast(time):
        return out
    # Three rows alone: a foot can be down for two.
    near = _on_either_side(apart)
    out[np.flatnonzero(there)[near]] = np.abs(known[near] - _level(known, near, 3)) > PEDAL
    return out


def _on_either_side(between: Mask) -> NDArray[np.int64]:
    """Return the rows beside the steps that a mask names."""
    return np.flatnonzero(np.append(between, False) | np.insert(between, 0, False))


def _level(values: Array, rows: NDArray[np.int64], width: int) -> Array:
    """Return the median of so many rows about some, mirrored at the ends."""
    about = np.abs(rows[:, None] + np.arange(width) - width // 2)
    last = len(values) - 1
    return np.asarray(np.median(values[last - np.abs(last - about)], axis=1))


def _fast(time: Array) -> bool:
    return bool(np.median(np.diff(time)) * FAST_ENOUGH <= 1.0)

"""Channels that a logger writes at rates of their own, or only when they change: put on the rows of engine speed, no value older than its greatest age."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .channels import CHANNELS

__all__ = ["DENSE", "FEW_BLANKS", "Own", "even_rows", "is_on_change", "on_rows", "own_rate"]

Array = NDArray[np.float64]

# A channel with numbers in this share of the rows is written in every row, and a blank is a fault; below it has a rate of its own. ESTIMATE.
DENSE = 0.9
# So many blanks are faults, whatever their share: a few rows tell no rate. ESTIMATE.
FEW_BLANKS = 4
# A value is used until so many of its channel's usual steps have passed, as a gap in the rows is told; ESTIMATE.
AGE_STEPS = 3.0
# A channel is written on change if its values never repeat and steps as wide as most (within these shares of the middle one) leave out much of the
# time, that of a few holes aside; ESTIMATE.
FEW_HOLES = 3
EVEN_STEPS, EVEN_SHARE, REPEATS = (0.7, 1.5), 0.8, 0.02
# Rows of a log whose engine speed is written on change are this far apart at least [s]; ESTIMATE.
LEAST_STEP = 0.02


class Own(NamedTuple):
    """How a channel of its own rate was put on the rows: the values, whether held, greatest age [s], numbers a second."""

    values: Array
    held: bool
    age: float
    rate: float


def own_rate(time: Array, values: Array) -> tuple[Array, Array]:
    """Return the times and values of a channel where it was written, times rising; of repeated stamps the last value, which the logger wrote last.

    >>> [part.tolist() for part in own_rate(np.array([0.0, 1.0, 1.0, 2.0]), np.array([5.0, np.nan, 6.0, 7.0]))]
    [[0.0, 1.0, 2.0], [5.0, 6.0, 7.0]]
    """
    there = np.isfinite(time) & np.isfinite(values)
    at, value = time[there], values[there]
    rising = at >= np.maximum.accumulate(at) if at.size else np.empty(0, dtype=bool)
    at, value = at[rising], value[rising]
    last = np.append(np.diff(at) > 0.0, True)[: at.size]
    return at[last], value[last]


def is_on_change(at: Array, values: Array) -> bool:
    """Whether a channel is written when it changes: unevenly, and never the same value twice running."""
    if at.size < 3:
        return True
    steps = np.sort(np.diff(at))
    steps = steps[:-FEW_HOLES] if steps.size > 2 * FEW_HOLES else steps
    middle = float(np.median(steps))
    even = float(steps[(steps > EVEN_STEPS[0] * middle) & (steps < EVEN_STEPS[1] * middle)].sum() / steps.sum())
    return even < EVEN_SHARE and float(np.mean(np.diff(values) == 0.0)) <= REPEATS


def on_rows(channel: str, rows: Array, time: Array, values: Array) -> Own | None:
    """Return a channel on the times of other rows; nothing where it holds no two numbers, or one of a kind that does not hold.

    What is written on change, and states such as a gear, hold their last value; all else is interpolated between two numbers. Not-a-number where
    the last number is older than the greatest age: three of the channel's own steps, and for what is written on change and at most the channel's age.

    Parameters
    ----------
    channel : str
    rows : array, shape (n,) [s]
        Times of the rows, rising.
    time : array, shape (m,) [s]
        Times of all rows of the file.
    values : array, shape (m,) [any unit]
        Not-a-number where the channel was not written.

    Examples
    --------
    >>> time = np.arange(0.0, 1.0, 0.1)
    >>> speeds = np.where(np.arange(10) % 2 == 0, 10.0 * time, np.nan)
    >>> on_rows("road_speed", time[:5], time, speeds).values.round(6).tolist()
    [0.0, 1.0, 2.0, 3.0, 4.0]
    """
    about = CHANNELS[channel]
    at, own = own_rate(time, values)
    if at.size < (1 if about.held else 2):
        return None
    changes = about.held or is_on_change(at, own)
    rate = (at.size - 1) / (at[-1] - at[0]) if at.size > 1 else 0.0
    age = about.age if changes else min(AGE_STEPS * float(np.median(np.diff(at))), about.age)
    before = np.searchsorted(at, rows, side="right") - 1
    known = before >= 0
    place = np.maximum(before, 0)
    if changes:
        out = np.where(known & (rows - at[place] <= age * (1.0 + 1e-9)), own[place], np.nan)
    else:
        out = np.interp(rows, at, own, left=np.nan, right=np.nan)
        after = np.minimum(place + 1, at.size - 1)
        out[(at[after] - at[place] > age * (1.0 + 1e-9)) & (rows != at[place])] = np.nan
        # The end of the log, after the channel's last number.
        late = known & (rows > at[-1]) & (rows - at[-1] <= age)
        out[late] = own[-1]
    return Own(out, changes, age, float(rate))


def even_rows(time: Array) -> Array:
    """Return the times of the rows of a log whose engine speed is written on change: its own where they are even enough, else even ones as close.

    >>> even_rows(np.array([0.0, 0.1, 0.2, 0.2, 0.3])).tolist(), len(even_rows(np.array([0.0, 0.1, 0.2, 1.0])))
    ([0.0, 0.1, 0.2, 0.3], 11)
    """
    stamps = np.unique(time[np.isfinite(time)])
    steps = np.diff(stamps)
    step = max(float(np.median(steps)), LEAST_STEP)
    if steps.min() > 0.5 * step and steps.max() < 2.0 * step:
        return stamps
    return np.asarray(stamps[0] + step * np.arange(int((stamps[-1] - stamps[0]) / step + 1e-6) + 1))

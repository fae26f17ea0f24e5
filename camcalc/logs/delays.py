"""How late a log writes spark and load against engine speed: found where the table's own lookup, and nothing else, fits the logged spark.

Computer and logger take turns, and each channel may come by a way of its own. A swing of one frequency cannot tell a delay from a phase, or from the same
delay a period on; so all of the log is used, manoeuvres included, and where other delays do as well none is taken.
"""

from __future__ import annotations

import dataclasses
import math
from typing import NamedTuple

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from ..codes import Code
from ..results import Measure, Record, measure
from ..tables.table import SparkTable
from .drive_log import DriveLog
from .signals import Stretch, band_pass, stretches

__all__ = ["LATEST", "DelayNote", "SignalDelays", "find_delays", "shifted"]

Array = NDArray[np.float64]

# Longest delay that is looked for, either way [s]; as far as loggers are known to lag. ESTIMATE.
LATEST = 0.2
# Steps in which the delay of load is tried [s], mended between them: 15 degrees of a swing of 4 Hz. ESTIMATE.
LOAD_STEP = 0.01
# Slower than this [Hz] nothing is compared: offsets and slow corrections are no delay. ESTIMATE.
SLOWEST = 0.1
# A delay is taken where the table then accounts for this share of what moves in spark, as for a cause; ESTIMATE.
EXPLAINS = 0.7
# And where each delay further off than this [s] leaves so many times as much; ESTIMATE.
APART, WORSE = 0.06, 1.5
# What noise and rounding leave at any rate, as a share; ESTIMATE.
LEAST_LEFT = 1e-3
# Between rows spark's delay is looked for in steps of this [s].
FINELY = 1e-3
# By so much of what moves in spark the load's delay must matter; ESTIMATE.
MATTERS = 0.01
# Spark must move by so much, r.m.s. [crank deg].
MOVES = 0.15
# Rows looked at, at most: those of the whole log in pieces spread over it. More add time and no sharpness.
MOST_ROWS, PIECE = 20_000, 2_000


class DelayNote(Code):
    """What became of the delay of a channel."""

    FOUND = "a delay found and removed"
    NO_TABLE = "without a table, speed, load and spark there is nothing to compare with: no delay taken"
    FLAT = "spark barely moves: no delay taken"
    NOT_THIS_TABLE = "this table does not account for the logged spark at any delay: none taken"
    NOT_TOLD = "other delays fit as well: none taken"
    NO_MATTER = "the table barely goes with load: its delay does not matter"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SignalDelays(Record):
    """How late spark and load are written against engine speed; zero where no delay is taken, and why.

    ``explained`` is the share of what moves in spark that the table accounts for at the best delays, over the whole log.
    """

    spark: Measure = measure("s", "ms", doc="spark behind engine speed")
    load: Measure = measure("s", "ms", doc="load behind engine speed")
    spark_note: DelayNote = DelayNote.NO_TABLE
    load_note: DelayNote = DelayNote.NO_TABLE
    explained: float = math.nan


class _Piece(NamedTuple):
    """A stretch to compare over: step [s], speed, load, spark."""

    step: float
    speed: Array
    load: Array
    spark: Array


def shifted(values: Array, step: float, by: float) -> Array:
    """Return what evenly spaced values are some time later [s], by a cubic spline between rows; ends held.

    >>> shifted(np.array([0.0, 1.0, 2.0, 3.0, 4.0]), 0.1, 0.1).round(9).tolist()
    [1.0, 2.0, 3.0, 4.0, 4.0]
    """
    return values if by == 0.0 else np.asarray(scipy.ndimage.shift(values, -by / step, order=3, mode="nearest"))


def find_delays(log: DriveLog, table: SparkTable | None) -> SignalDelays:
    """Find how late spark and load are written against engine speed.

    Notes
    -----
    Of speed x, load p and spark s as written the table's spark is ``s(t) = table(x(t - d), p(t - d + e))``, with d the delay of spark and e that of
    load. Both are tried up to 0.2 s either way, d between rows by a spline, e between its steps by a parabola.

    Examples
    --------
    >>> rng, t = np.random.default_rng(1), np.arange(0.0, 60.0, 0.02)
    >>> speed = 22.0 + np.convolve(rng.normal(size=len(t)), np.hanning(25) / 5.0, "same")
    >>> table = SparkTable(load_kind="manifold pressure", speed=np.array([10.0, 40.0]), loads=[3e4, 6e4],
    ...     cells=np.array([[20.0, 20.0], [50.0, 50.0]]), increment=1.0)
    >>> late = np.interp(t - 0.07, t, table.spark_at(speed, 4e4 + 0.0 * t))
    >>> log = DriveLog.of(time=t, speed=speed, load=4e4 + 0.0 * t, load_kind="manifold pressure", spark=late)
    >>> found = find_delays(log, table)
    >>> round(1e3 * found.si.spark), found.spark_note.code, found.load_note.code
    (70, 'found', 'no_matter')
    """
    if table is None or not log.loads.size or not log.values("spark").size or log.load_kind != table.load_kind:
        return _none(DelayNote.NO_TABLE)
    pieces = _pieces(log)
    moved = [_moving(piece.spark, piece.step) for piece in pieces]
    whole = float(sum(np.sum(m**2) for m in moved))
    if not pieces or math.sqrt(whole / sum(m.size for m in moved)) < MOVES:
        return _none(DelayNote.FLAT)
    reach = math.ceil(LATEST / pieces[0].step + 1e-6) + 1
    steps = round(LATEST / LOAD_STEP)
    loads = np.arange(-steps, steps + 1, dtype=float) * LOAD_STEP
    finely = np.arange(-round(LATEST / FINELY), round(LATEST / FINELY) + 1, dtype=float) * FINELY
    rows = pieces[0].step * np.arange(-reach, reach + 1)
    left = np.array([CubicSpline(rows, _left(pieces, moved, table, float(late), reach) / whole)(finely) for late in loads])
    along = left.min(axis=1)
    matters = float(along.max() - along.min()) > MATTERS
    by_spark = left[int(np.argmin(along)) if matters else steps]
    spark, load = float(finely[int(np.argmin(by_spark))]), float(loads[int(np.argmin(along))]) if matters else 0.0
    explained = 1.0 - max(float(by_spark.min()), 0.0)
    if explained < EXPLAINS:
        return _none(DelayNote.NOT_THIS_TABLE, explained)
    if not _told(finely, by_spark, spark) or (matters and not _told(loads, along, load)):
        return _none(DelayNote.NOT_TOLD, explained)
    if matters:
        load = _middle(loads, along)
    note = DelayNote.FOUND if matters else DelayNote.NO_MATTER
    return SignalDelays(spark=spark, load=load, spark_note=DelayNote.FOUND, load_note=note, explained=explained)


def _told(at: Array, left: Array, best: float) -> bool:
    """Whether every delay further off leaves more of spark."""
    others = left[np.abs(at - best) > APART]
    return bool(others.min() >= WORSE * max(float(left.min()), LEAST_LEFT))


def _none(note: DelayNote, explained: float = math.nan) -> SignalDelays:
    return SignalDelays(spark=0.0, load=0.0, spark_note=note, load_note=note, explained=explained)


def _pieces(log: DriveLog) -> list[_Piece]:
    """Return stretches to compare over, spread over the log where it is long."""
    count = len(log.si.time)
    if count <= MOST_ROWS:
        found = stretches(log, "speed", "load", "spark")
    else:
        starts = np.linspace(0, count - PIECE, MOST_ROWS // PIECE).astype(int)
        found = [s for at in starts for s in _near(log, int(at))]
    return [_Piece(s.step, s.values["speed"], s.values["load"], s.values["spark"]) for s in found if len(s.time) * s.step > 4.0 * LATEST]


def _near(log: DriveLog, first: int) -> list[Stretch]:
    rows = slice(first, first + PIECE)
    names = ("speed", "spark")
    part = DriveLog.of(
        time=log.si.time[rows], load_kind=log.load_kind, load=log.loads[rows], breaks=np.diff(log.piece[rows], prepend=log.piece[first]) != 0,
        **{name: log.values(name)[rows] for name in names},
    )  # fmt: skip
    return stretches(part, "speed", "load", "spark")


def _moving(values: Array, step: float) -> Array:
    """Return what moves faster than the slowest compared."""
    return band_pass(values, step, SLOWEST, 1e3)


def _left(pieces: list[_Piece], moved: list[Array], table: SparkTable, late: float, reach: int) -> Array:
    """Return what the table leaves of spark, summed squares by the delay of spark in rows, from ``-reach`` to ``reach``."""
    out = np.zeros(2 * reach + 1)
    for piece, spark in zip(pieces, moved, strict=True):
        lookup = _moving(np.asarray(table.spark_at(piece.speed, shifted(piece.load, piece.step, late))), piece.step)
        inside = spark[reach : len(spark) - reach]
        # Squares of a difference, summed at every offset: both squares less twice the product.
        squares = np.concatenate([[0.0], np.cumsum(lookup**2)])
        whole = inside @ inside + squares[inside.size :] - squares[: squares.size - inside.size]
        out += (whole - 2.0 * np.correlate(lookup, inside, "valid"))[::-1]
    return out


def _middle(at: Array, left: Array) -> float:
    """Return where the least of what is left lies, by a parabola through the three about it."""
    k = int(np.argmin(left))
    if not 0 < k < at.size - 1:
        return float(at[k])
    before, here, after = left[k - 1 : k + 2]
    bend = before - 2.0 * here + after
    return float(at[k] + (0.5 * (before - after) / bend if bend > 0.0 else 0.0) * (at[1] - at[0]))

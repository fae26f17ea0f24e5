"""What a log knows of knock, cell by cell of a table: spark is given back only where it was listened for and not heard."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from ..codes import Code
from ..tables.table import SparkTable
from .causes import IDLE_BELOW, cell_weights, shares_of
from .drive_log import DriveLog
from .manoeuvres import closed_pedal

__all__ = ["Hearing", "KnockHeard", "KnockSign", "knock_heard"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Noise of a channel: half its resolution and this many robust standard deviations of its quiet stretches; ESTIMATE, one row in some 15 000 of
# plain noise is beyond.
DEVIATIONS = 4.0
# Median absolute deviation to standard deviation of a normal spread: 1 / 0.6745; exact to its digits.
OF_MEDIAN = 1.4826
# Retard beyond this [crank deg] is no noise, whatever the quiet stretches show: there it may knock as well; ESTIMATE.
MOST_NOISE = 0.5
# Quiet stretches count from so much time [s]; ESTIMATE.
QUIET_FOR = 3.0
# Knock in a cell is looked for so much time [s] before and after its rows too: retard is logged after the knock and taken back slowly; ESTIMATE.
BESIDE = 1.0
# Values of a channel closer than this are one.
SAME = 1e-6


class Hearing(Code):
    """Whether a log can tell that an engine did not knock."""

    LISTENED = "the log holds a knock channel"
    NO_CHANNEL = "the log holds no knock channel"
    NO_IDLE = "the log holds no idle with a closed pedal, which a knock level is compared with"
    NEVER_MOVES = "the knock level never moves: check the sensor and its wire"


class KnockSign(Code):
    """Why a cell that was driven without surge gets no spark back."""

    RETARD = "knock retard"
    LEVEL = "knock level"
    UNHEARD = "no knock channel there"


class KnockHeard(NamedTuple):
    """What a log knows of knock on a table's cells.

    ``heard`` are the seconds for which each cell was looked up while a knock channel held numbers. ``retard`` [crank deg] and ``level``
    (in the channel's own unit) are the largest within a second of the cell's rows, not-a-number where the channel does not say;
    ``retard_noise`` and ``level_noise`` are what they may reach without knock, ``idle_level`` the middle of the level at idle.
    """

    hearing: Hearing
    heard: Array
    retard: Array
    level: Array
    retard_noise: float = math.nan
    level_noise: float = math.nan
    idle_level: float = math.nan
    level_unit: str = ""

    @property
    def knocks(self) -> Mask:
        """The cells in which either channel is beyond its noise."""
        with np.errstate(invalid="ignore"):
            return np.asarray((self.retard > self.retard_noise) | (self.level > self.level_noise))

    def sign(self, cell: tuple[int, int]) -> tuple[KnockSign, float, float] | None:
        """Return the sign of knock in a cell, its figure and the noise it is above; nothing where there is none."""
        if self.retard[cell] > self.retard_noise:
            return KnockSign.RETARD, float(self.retard[cell]), self.retard_noise
        if self.level[cell] > self.level_noise:
            return KnockSign.LEVEL, float(self.level[cell]), self.level_noise
        return None


def knock_heard(log: DriveLog, table: SparkTable) -> KnockHeard:
    """Return what a log knows of knock on a table's cells.

    Notes
    -----
    Retard counts by its size, whichever way the log writes it. Its noise is half the channel's resolution (the least step between two of its
    values) and four robust standard deviations about zero in quiet stretches: rows with a closed pedal or fuel cut, where no engine knocks. It
    is no more than half a degree; half the resolution alone where there are too few quiet rows.

    A level's noise is its median at idle (closed pedal, below 1200 rpm, no fuel cut) and, above that, half its resolution and four robust standard
    deviations there. A sensor hears more as speed rises, knock or not: cells of a fast drive may be refused for that alone.

    A retard channel without a level serves, and so does a level without retard; where both are there either may refuse.
    """
    blank = np.full(table.shape, np.nan)
    retard, level = log.values("knock_retard"), log.values("knock_level")
    heard = np.zeros(table.shape)
    if not log.loads.size or not (retard.size or level.size):
        return KnockHeard(Hearing.NO_CHANNEL, heard, blank, blank.copy())
    found = KnockHeard(Hearing.LISTENED, heard, blank, blank.copy())
    listened = np.zeros(len(log.si.time), dtype=bool)
    if retard.size:
        size = np.abs(retard)
        listened |= np.isfinite(size)
        found = found._replace(retard=_most_in_cells(log, table, size), retard_noise=_retard_noise(log, size))
    why = Hearing.LISTENED
    if level.size:
        idle = closed_pedal(log) & (log.si.speed < IDLE_BELOW) & ~_fuel_is_cut(log) & np.isfinite(level)
        known = level[np.isfinite(level)]
        if known.size and np.ptp(known) < SAME:
            why = Hearing.NEVER_MOVES
        elif np.count_nonzero(idle) < QUIET_FOR * log.si.sampling_rate:
            why = Hearing.NO_IDLE
        else:
            listened |= np.isfinite(level)
            middle = float(np.median(level[idle]))
            noise = middle + 0.5 * _resolution(level) + DEVIATIONS * OF_MEDIAN * float(np.median(np.abs(level[idle] - middle)))
            column = log.columns.get("knock_level")
            found = found._replace(
                level=_most_in_cells(log, table, level), level_noise=noise, idle_level=middle, level_unit=column.unit if column is not None else ""
            )
    # A dead sensor sees no knock, and the retard that rests on it is none. Without an idle, retard alone tells.
    if why is Hearing.NEVER_MOVES or (why is Hearing.NO_IDLE and not retard.size):
        return KnockHeard(why, heard, blank, blank.copy())
    return found._replace(heard=cell_weights(log, table, _spans(log, listened)))


def _fuel_is_cut(log: DriveLog) -> Mask:
    cut = log.values("fuel_cut")
    return np.asarray(cut > 0.5) if cut.size else np.zeros(len(log.si.time), dtype=bool)


def _retard_noise(log: DriveLog, size: Array) -> float:
    """Return the retard [crank deg] that is noise."""
    quiet = size[(closed_pedal(log) | _fuel_is_cut(log)) & np.isfinite(size)]
    spread = OF_MEDIAN * float(np.median(quiet)) if quiet.size >= QUIET_FOR * log.si.sampling_rate else 0.0
    return min(0.5 * _resolution(size) + DEVIATIONS * spread, MOST_NOISE)


def _resolution(values: Array) -> float:
    """Return the least step between two values of a channel; 0 where it has one value only."""
    steps = np.diff(np.unique(values[np.isfinite(values)]))
    steps = steps[steps > SAME]
    return float(steps.min()) if steps.size else 0.0


def _most_in_cells(log: DriveLog, table: SparkTable, values: Array) -> Array:
    """Return the largest value within a second of the rows that look a cell up; not-a-number where there is none."""
    width = 2 * math.ceil(BESIDE * log.si.sampling_rate) + 1
    most = maximum_filter1d(np.where(np.isfinite(values), values, -np.inf), width, mode="nearest")
    good = np.isfinite(log.si.speed) & np.isfinite(log.loads)
    out = np.full(table.shape, -np.inf)
    rows, along = shares_of(table.si.speed, log.si.speed[good]), shares_of(table.loads, log.loads[good])
    for i, s in rows:
        for j, t in along:
            used = s * t > 0.0
            np.maximum.at(out, (i[used], j[used]), most[good][used])
    return np.where(np.isfinite(out), out, np.nan)


def _spans(log: DriveLog, rows: Mask) -> list[tuple[float, float]]:
    """Return the spans of time [s] that some rows fill."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], rows.astype(int), [0]])))
    return [(float(log.si.time[a]), float(log.si.time[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True)]

"""Which cells of a table a log drove through without surge and without knock, so that spark may be given back there."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..tables.table import SparkTable
from .causes import cell_weights
from .drive_log import DriveLog
from .knock_heard import Hearing, KnockHeard, KnockSign, knock_heard
from .surge_finder import SurgeFindings

__all__ = ["CLEAN_FOR", "STEP_ON_WORD", "GivingBack", "HeldBack", "cells_that_may_rise", "clean_cells"]

# A cell counts as driven from so much time [s] of its weight in the lookup; nothing said of it so close [s] to a surge. ESTIMATE.
CLEAN_FOR, BESIDE = 3.0, 1.0
# Where nothing but somebody's ear says that it did not knock, no more is given back at a time [crank deg]; ESTIMATE, half the usual step.
STEP_ON_WORD = 1.0


class HeldBack(NamedTuple):
    """A cell that gets no spark back: row and column from 0, its speed and load, why, the figure that shows it, its limit and unit."""

    cell: tuple[int, int]
    place: str
    why: KnockSign
    figure: float = math.nan
    limit: float = math.nan
    unit: str = ""


class GivingBack(NamedTuple):
    """The cells that a log allows to rise, of those driven without surge; those that knock forbids, what the log knows of knock, and whether
    somebody's word replaces it."""

    cells: NDArray[np.bool_]
    driven: NDArray[np.bool_]
    held: tuple[HeldBack, ...]
    knock: KnockHeard
    on_word: bool
    # Every cell whose rows hold knock, driven without surge or not.
    knocking: tuple[HeldBack, ...] = ()

    def step(self, most: float) -> float:
        """Return how far a cell may rise at a time [crank deg], of what is asked for."""
        return min(most, STEP_ON_WORD) if self.on_word else most

    @property
    def worst_knock(self) -> HeldBack | None:
        """The cell with the largest figure of knock; nothing where the log holds none."""
        return max(self.knocking, key=lambda held: held.figure, default=None)


def clean_cells(log: DriveLog, table: SparkTable, findings: SurgeFindings) -> NDArray[np.bool_]:
    """Return the cells that steady driving used for a few seconds and no surge touched; a row for each speed, a column for each load."""
    surging = [(e.si.start - BESIDE, e.si.end + BESIDE) for e in findings.episodes]
    driven = cell_weights(log, table, findings.windows)
    return np.asarray((driven > CLEAN_FOR) & (cell_weights(log, table, surging) < 1e-9))


def seconds_driven(log: DriveLog, table: SparkTable) -> NDArray[np.float64]:
    """Return for how long the log looks up each cell of a table [s], a lookup shared between the cells that it lies between."""
    return cell_weights(log, table, [(float(log.si.time[0]), float(log.si.time[-1]))])


def cells_that_may_rise(log: DriveLog, table: SparkTable, findings: SurgeFindings, *, no_knock_heard: bool = False) -> GivingBack:
    """Return the cells that may get spark back: driven for a few seconds without surge, and without knock.

    Parameters
    ----------
    log : DriveLog
    table : SparkTable
    findings : SurgeFindings
        Those of this log.
    no_knock_heard : bool
        Somebody listened all the time and heard no knock. It counts only where the log cannot tell; knock in the log is knock.
    """
    clean, knock = clean_cells(log, table, findings), knock_heard(log, table)
    if knock.hearing is not Hearing.LISTENED:
        return GivingBack(clean & no_knock_heard, clean, (), knock, no_knock_heard)
    held, knocking = [], []
    for row, column in np.ndindex(clean.shape):
        cell, sign = (row, column), knock.sign((row, column))
        if sign is not None:
            knocking.append(HeldBack(cell, table.place(*cell), *sign, unit="deg" if sign[0] is KnockSign.RETARD else knock.level_unit))
        if not clean[cell]:
            continue
        if sign is not None:
            held.append(knocking[-1])
        elif knock.heard[cell] <= CLEAN_FOR:
            held.append(HeldBack(cell, table.place(*cell), KnockSign.UNHEARD, float(knock.heard[cell]), CLEAN_FOR, "s"))
    cells = clean.copy()
    for one in held:
        cells[one.cell] = False
    return GivingBack(cells, clean, tuple(held), knock, False, tuple(knocking))

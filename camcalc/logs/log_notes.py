"""What is odd about a log as read: columns that were not taken, rows kept out; codes with the figures that belong to them."""

from __future__ import annotations

import dataclasses
import math
from typing import NamedTuple

from ..codes import Code
from ..results import Record

__all__ = ["KeptOut", "LogDoubt", "LogNote", "LogProblem", "Loss", "RowFault"]


class Loss(Code):
    """What cannot be told without a channel."""

    CAUSE = "the cause of surge stays unknown"
    LOOKUP = "the spark table cannot be looked up"
    TIP_INS = "tip-ins show by load alone, overrun not at all: either may pass for surge"
    ROAD_SPEED = "no road speed, and no gear from it"
    HARSHNESS = "how hard it surges is taken from road speed, if that is logged"
    GEAR_CHANGES = "gear changes are seen by road speed only, if that is logged"
    FUEL_CUT = "fuel cut is not told from overrun"
    KNOCK_RETARD = "knock retard as a cause stays unknown"


class LogDoubt(Code):
    """What is odd about a log; ``LogNote`` says which of its fields belong to which."""

    FITS_TOO = "fits a channel that another column was taken for"
    NO_UNIT = "looks like a channel but names no unit: not used"
    UNKNOWN_UNIT = "looks like a channel but its unit does not belong to it: not used"
    SPARSE = "holds numbers in too few rows: not used"
    CLOCK_STEPS_BACK = "the clock steps back and much is kept out for it"
    LOW_PRESSURE = "never rises above a very light load: perhaps in another unit"
    SIMULATED = "simulated, not logged"


class RowFault(Code):
    """Why rows, or values in them, could not be used."""

    MORE_CELLS = "more cells than columns"
    REPEATED_TIME = "repeated time"
    BACKWARD_TIME = "time running backward"
    MISSING = "missing value"
    TEXT = "text in numbers"
    OUTSIDE = "outside any possible range"


class KeptOut(Code):
    """What was kept out for it."""

    ROW = "row kept out"
    VALUE = "value kept out"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class LogNote(Record):
    """Something odd about a log.

    ``column`` is the file's own column and ``channel`` the channel it looks like. ``other`` is the column that was taken instead (``FITS_TOO``),
    or the unit that would fit (``LOW_PRESSURE``); ``unit`` the unit as written; ``figure`` the share of rows with numbers (``SPARSE``), the line of
    the file (``CLOCK_STEPS_BACK``) or the highest value as written (``LOW_PRESSURE``), ``other_figure`` the same in kPa if it were in ``other``.
    """

    what: LogDoubt
    column: str = ""
    channel: str = ""
    other: str = ""
    unit: str = ""
    figure: float = math.nan
    other_figure: float = math.nan


class LogProblem(NamedTuple):
    """Rows of one kind that could not be used as they were: how many, the first of them by line, an example as written, what was kept out."""

    what: RowFault
    column: str
    rows: int
    lines: tuple[int, ...]
    came: str
    done: KeptOut

"""What is odd about a log as read: columns that were not taken, rows kept out; codes with the figures that belong to them."""

from __future__ import annotations

import dataclasses
import math
from typing import NamedTuple

from ..codes import Code
from ..results import Record

__all__ = ["KeptOut", "LogDoubt", "LogNote", "LogProblem", "Loss", "RowFault", "UnitFrom"]


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
    SPARSE = "holds too few numbers: not used"
    REFUSED = "cannot be what its name says: not used"
    OWN_RATE = "written at a rate of its own: read between its rows"
    ON_CHANGE = "written when it changes, or a state: its last value holds"
    COARSE_CLOCK = "the clock is coarser than the rows: they are spread evenly"
    CLOCK_FROM = "times of day are counted from the first"
    STATED_RATE = "the rows are spaced by the stated rate"
    CLOCK_STEPS_BACK = "the clock steps back and much is kept out for it"
    LOW_PRESSURE = "never rises above a very light load: perhaps in another unit"
    GEAR_SEEN = "not logged: from engine speed over road speed and the sheet's ratios"
    OTHER_GEARS = "engine speed over road speed fits no gear of the sheet: is it a log of this car?"
    SIMULATED = "simulated, not logged"


class UnitFrom(Code):
    """How the unit of a column is known."""

    WRITTEN = "the one that the log writes"
    TRADE = "the only one the trade has"
    NUMBERS = "the only one that makes sense of its numbers"


class RowFault(Code):
    """Why rows, or values in them, could not be used."""

    MORE_CELLS = "more cells than columns"
    REPEATED_TIME = "repeated time"
    BACKWARD_TIME = "time running backward"
    MISSING = "missing value"
    TEXT = "text in numbers"
    OUTSIDE = "outside any possible range"
    STRAY = "far from the rows beside it"


class KeptOut(Code):
    """What was kept out for it."""

    ROW = "row kept out"
    VALUE = "value kept out"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class LogNote(Record):
    """Something odd about a log.

    ``column`` is the file's own column and ``channel`` the channel it looks like. ``other`` is the column that was taken instead (``FITS_TOO``),
    or the unit that would fit (``LOW_PRESSURE``, ``REFUSED``, ``NO_UNIT``: several apart by commas), or the first time as written (``CLOCK_FROM``);
    ``unit`` the unit as written; ``figure`` the count of numbers (``SPARSE``), the line of the file (``CLOCK_STEPS_BACK``), the highest value as
    written (``LOW_PRESSURE``) or the middle one (``REFUSED``), rows a second (``OWN_RATE``, ``STATED_RATE``) or the step of the clock [s]
    (``COARSE_CLOCK``), or the share of the time the car rolls in which a gear fits (``GEAR_SEEN``, ``OTHER_GEARS``);
    ``other_figure`` the highest in kPa if it were in ``other``, or the greatest age of a value [s] (``OWN_RATE``, ``ON_CHANGE``).
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

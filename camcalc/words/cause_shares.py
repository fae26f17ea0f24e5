"""What a swing would lose without each of its causes, delays found in a log, and the drive that tells what the log does not: in words."""

from __future__ import annotations

import math

from ..logs.cause_shares import OWNS, SURE
from ..logs.causes import Cause, DriveToTell, SurgeCause
from ..logs.delays import DelayNote, SignalDelays
from ..logs.review import LogReview
from ..logs.taken_away import Remedy, TakenAway
from .describing import describe
from .phrases import folded

__all__ = ["apart_line", "delay_lines", "share_line", "taken_lines", "to_tell_words"]

REMEDIES = {
    Remedy.TABLE_LEVEL: "spark table level",
    Remedy.SPARK_LEVEL: "spark held level",
    Remedy.BURN_HALVED: "burns and fuel half as rough",
    Remedy.PEDAL_HELD: "pedal held",
    Remedy.KNOCK_RETARD_FROZEN: "knock retard frozen",
    Remedy.CORRECTION_FROZEN: "other spark corrections frozen",
}
# How to hold each on the car, the second time.
HOLD = {
    Remedy.TABLE_LEVEL: "with the same spark in every cell that you drive through",
    Remedy.SPARK_LEVEL: "with spark held at one figure",
    Remedy.PEDAL_HELD: "with a stop under the pedal",
    Remedy.KNOCK_RETARD_FROZEN: "with knock retard held at the most it had, not off",
    Remedy.CORRECTION_FROZEN: "with idle and other corrections of spark switched off above idle",
    Remedy.BURN_HALVED: "with the mixture a little richer",
}
NO_DELAY = {
    DelayNote.NO_TABLE: "Delay of spark and load: not looked for. It takes the table, speed, load and spark.",
    DelayNote.FLAT: "Delay of spark and load: not told, spark barely moves. None is taken.",
    DelayNote.NOT_THIS_TABLE: "Delay of spark and load: not told, this table does not account for the spark. None is taken.",
    DelayNote.NOT_TOLD: (
        "Delay of spark and load: not told, others fit as well. None is taken. Causes are weighed for several. A few tip-ins in the log would tell."
    ),
}


@describe.register
def _delays(delays: SignalDelays) -> str:
    return folded(delay_lines(delays))


@describe.register
def _taken(taken: TakenAway) -> str:
    return _taken_words(taken)


@describe.register
def to_tell_words(drive: DriveToTell) -> str:
    """Return the drive that tells what a log does not, in one sentence or two.

    >>> to_tell_words(DriveToTell(hold=Remedy.PEDAL_HELD, gear=2.0, speed=24.0, lasts=40.0))
    'Drive this to tell: 40 s steady at 1440 rpm in gear 2, once as it is, once with a stop under the pedal. Log spark and load both times.'
    """
    gear = f" in gear {drive.gear:.0f}" if math.isfinite(drive.gear) else ""
    how = f"{drive.si.lasts:.0f} s steady at {60.0 * drive.si.speed:.0f} rpm{gear}"
    return f"Drive this to tell: {how}, once as it is, once {HOLD[drive.hold]}. Log spark and load both times."


def delay_lines(delays: SignalDelays) -> list[str]:
    """Return the delays that were found and taken off, or why none was."""
    if delays.spark_note is not DelayNote.FOUND:
        return [NO_DELAY[delays.spark_note]]
    by_load = f", load {_ms(delays.si.load)}" if delays.load_note is DelayNote.FOUND else ""
    return [f"Delay against engine speed, taken off: spark {_ms(delays.si.spark)}{by_load}."]


def _ms(seconds: float) -> str:
    return f"{round(1e3 * seconds)} ms"


def taken_lines(taken: tuple[TakenAway, ...]) -> list[str]:
    """Return what a swing would lose, a line for each remedy, most first."""
    return ["  How much smaller the swing would be, with a band of 90 %:", *(f"  {_taken_words(one)}." for one in taken)] if taken else []


def _taken_words(taken: TakenAway) -> str:
    low, share, high = (100.0 * value for value in (taken.low, taken.share, taken.high))
    return f"{share:.0f} % ({low:.0f} to {high:.0f}) with {REMEDIES[taken.remedy]}" + (", so larger" if taken.high < 0.0 else "")


def apart_line(cause: SurgeCause) -> list[str]:
    """Return which causes a log does not tell apart, where that keeps it from naming one: those that may come first by its own scatter."""
    may = [one for one in cause.taken if one.first > 1.0 - SURE]
    if cause.cause is not Cause.NOT_TOLD or len(may) < 2:
        return []
    return [f"  Not told apart by this log: {', '.join(REMEDIES[one.remedy] for one in may)}. Each may take off most."]


def share_line(review: LogReview) -> list[str]:
    """Return how much smaller the swing would be on a level table, where a table was given and that is known."""
    share = review.table_share
    if review.table is None or not math.isfinite(share):
        return []
    if share <= -0.005:
        return [f"On a level table the swing would be {-100.0 * share:.0f} % larger: no cell is lowered."]
    least = f": no cell is lowered for less than {100.0 * OWNS:.0f} %" if share < OWNS else ""
    return [f"On a level table the swing would be {100.0 * max(share, 0.0):.0f} % smaller{least}."]

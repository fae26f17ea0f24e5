"""The review of a log in words: verdict and next step first, cautions, the cells to change; all the rest where it is asked for."""

from __future__ import annotations

from typing import Any

from ..cautions import OVER_SPARK_TABLE, Caution
from ..logs.causes import Cause
from ..logs.clean_cells import STEP_ON_WORD, GivingBack, HeldBack
from ..logs.knock_heard import Hearing, KnockSign
from ..logs.review import DRIVEN, AdviceReason, CellAdvice, LogReview, ReviewNote
from .cause_shares import delay_lines, to_tell_words
from .describing import describe
from .driving_log import log_words
from .phrases import counted, folded
from .review_glance import glance_lines
from .signal_swing import sheet_lines, swing_words
from .surge_in_log import cause_lines, cause_verdict, findings_lines, surge_headline

__all__ = [
    "advice_words", "giving_back_cautions", "held_back_words", "knock_found_words", "review_cautions", "review_data", "review_full",
    "review_full_rest", "review_glance", "review_headline", "review_next_step", "review_notes", "review_rest", "review_words",
]  # fmt: skip

# How many cells a short review lists.
SHOWN = 12
# How one says on the command line that somebody listened.
SAY_SO = "--no-knock-heard"
HEARD_NOTHING = {
    Hearing.NO_CHANNEL: "the log holds no knock channel",
    Hearing.NO_IDLE: "the log holds no idle with a closed pedal, with which a knock level is compared",
    Hearing.NEVER_MOVES: "the knock level never moves: check the sensor and its wire",
}


@describe.register
def review_words(review: LogReview) -> str:
    """Return a review on one screen: five lines of verdict, cautions, the cells to change, what to type into the sheet.

    Parameters
    ----------
    review : LogReview

    Returns
    -------
    str
    """
    return f"{review_glance(review)}\n{review_rest(review)}".rstrip()


def review_glance(review: LogReview) -> str:
    """Return the five lines that a review opens with."""
    return folded(glance_lines(review, review_next_step(review)))


def review_rest(review: LogReview) -> str:
    """Return what follows the five lines on one screen: cautions, the cells to change, notes, what to type into the sheet."""
    lines = [f"Caution: {caution}" for caution in review_cautions(review)]
    lines += _cell_lines(review, SHOWN)
    lines += [f"note: {note}" for note in review_notes(review)]
    return folded([*lines, *sheet_lines(review.swing)])


def review_full(review: LogReview) -> str:
    """Return all of a review: the short one's lines, the log, every episode with its cause, every cell, the swing of the signals."""
    return f"{review_glance(review)}\n{review_full_rest(review)}"


def review_full_rest(review: LogReview) -> str:
    """Return what follows the five lines in full."""
    lines = [f"Caution: {caution}" for caution in review_cautions(review)]
    lines += ["", log_words(review.log), *(delay_lines(review.delays) if review.delays else []), "", *findings_lines(review.findings)]
    for episode, cause in zip(review.findings.episodes, review.causes, strict=True):
        lines += ["", f"{episode.si.start:.1f} to {episode.si.end:.1f} s:", *cause_lines(cause)]
    lines += _cell_lines(review, None)
    lines += [f"note: {note}" for note in review_notes(review)]
    return "\n".join([folded(lines), "", swing_words(review.swing)])


def review_headline(review: LogReview) -> str:
    """Return the verdict on a log in one line."""
    return surge_headline(review.findings)


def review_next_step(review: LogReview) -> str:
    """Return what to do next, in one line."""
    if review.giving is not None and review.giving.knocking:
        return "Next: take spark out where the log holds knock."
    if review.lower:
        return f"Next: lower {counted(len(review.lower), 'cell')}, then drive the same road again."
    to_tell = _to_tell(review)
    if review.main_cause is Cause.NOT_TOLD and to_tell:
        return f"Next: {_after(to_tell)}"
    if review.main_cause is not None:
        return f"Next: {_after(cause_verdict(review.main_cause)[1])}"
    if review.findings.si.looked_at <= 0.0:
        return "Next: log a steady cruise at low speed and part throttle."
    return f"Next: add spark back in {counted(len(review.add_back), 'cell')}." if review.add_back else "Next: nothing to change."


def _to_tell(review: LogReview) -> str:
    """Return the drive that tells the cause of the longest episode of which it is not told."""
    pairs = zip(review.findings.episodes, review.causes, strict=True)
    asked = [(float(e.si.end - e.si.start), cause.to_tell) for e, cause in pairs if cause.to_tell is not None]
    drive = max(asked, key=lambda one: one[0], default=(0.0, None))[1]
    return "" if drive is None else to_tell_words(drive)


def _after(sentence: str) -> str:
    return sentence[0].lower() + sentence[1:]


def _cell_lines(review: LogReview, most: int | None) -> list[str]:
    if not (review.lower or review.add_back):
        return []
    lines = ["", "Cells of the table, deg BTDC (final spark = table plus every correction):"]
    for name, cells in (("lower", review.lower), ("add back", review.add_back)):
        shown = cells if most is None else cells[:most]
        lines += [f"  {name:<8} {advice_words(advice)}" for advice in shown]
        lines += [f"  {name:<8} {counted(len(cells) - len(shown), 'more cell')}: camcalc review --full"] if len(shown) < len(cells) else []
    return [*lines, Caution.LAW]


def advice_words(advice: CellAdvice) -> str:
    """Return what to do with one cell in one line.

    >>> advice_words(CellAdvice((1, 0), "1440 rpm, 30 kPa", 32.0, 29.0, AdviceReason.TOO_STEEP))
    '1440 rpm, 30 kPa: 29 (was 32), too steep beside its neighbours'
    """
    clean = f"driven {advice.driven:.0f} s without surge or knock, under its ceiling"
    why = clean if advice.why is AdviceReason.DRIVEN_CLEAN else str(advice.why)
    return f"{advice.place}: {advice.then:g} (was {advice.now:g}), {why}{' (not driven)' if advice.driven < DRIVEN else ''}"


def review_notes(review: LogReview) -> list[str]:
    """Return what else a review found, a sentence or two each."""
    out = []
    for note in review.notes:
        match note:
            case ReviewNote.OTHER_CAR:
                out.append(f"The log drives in gear {review.top_gear}, the build sheet has {review.gears} gears. Is it a log of this car?")
            case ReviewNote.OTHER_LOAD:
                out.append(f"The log has {review.log.load_kind}, the sheet's table another kind of load: no table was looked up. Log the table's load too.")
            case ReviewNote.NOTHING_TO_LOWER:
                out.append("No cell that the surge visits is worth lowering: neighbours are as close as the table's increment allows.")
            case ReviewNote.NOT_THE_TABLE:
                out.append("The table owns too little of this swing. No cell is lowered.")
            case ReviewNote.STEP_LEFT:
                left = f"The surge still crosses a step of {review.step_left:g} deg"
                out.append(f"One review lowers a cell by 3 deg at most. {left}: drive and review again until it is gone.")
            case ReviewNote.PART_ONLY:
                out.append("Cells are lowered for the table's part of the swing only. The rest stays.")
            case ReviewNote.HELD_BY_FLOOR:
                out.append(f"{counted(review.held_by_floor, 'cell')} stay at the latest useful spark: less burns too late there.")
            case ReviewNote.UNCURED:
                out.append(f"{counted(review.uncured, 'cell')} above the ceiling: spark does not cure them, so they are not lowered to it.")
            case ReviewNote.TOGETHER:
                out.append("Add back all these cells together, after lowering the others. One alone may lie too far above a neighbour.")
            case ReviewNote.NOT_DRIVEN:
                cells = counted(sum(advice.driven < DRIVEN for advice in review.lower), "cell")
                out.append(f"{cells} to lower, marked (not driven): this log says nothing of surge there. They are lowered to suit the cells beside them.")
            case ReviewNote.HELD_BY_NEIGHBOURS:
                stay = f"{counted(review.held_by_neighbours, 'cell')} driven without surge under the ceiling"
                out.append(f"No more spark in {stay}: more would lie too far above a neighbour.")
    return out


def review_cautions(review: LogReview) -> tuple[str, ...]:
    """Return the cautions of a review, those of every spark table first, knock in the log before anything that adds spark.

    Parameters
    ----------
    review : LogReview

    Returns
    -------
    tuple of str
    """
    lines: list[str] = []
    if review.lower or review.add_back:
        lines += [*OVER_SPARK_TABLE, *([Caution.ADDING_SPARK] if review.add_back else [])]
    if review.giving is not None:
        if review.wanted_back:
            lines += giving_back_cautions(review.giving)
        elif review.giving.knocking:
            lines.append(knock_found_words(review.giving))
    if review.above_knock:
        are = "is" if review.above_knock == 1 else "are"
        lines.append(
            f"{counted(review.above_knock, 'cell')} of this table {are} above camcalc's knock limit. Knock breaks pistons. Run camcalc shape: it lists and "
            "lowers them."
        )
    return tuple(lines)


def giving_back_cautions(giving: GivingBack) -> tuple[str, ...]:
    """Return what to know before any spark is given back: knock in the log first.

    Parameters
    ----------
    giving : GivingBack

    Returns
    -------
    tuple of str
    """
    lines = [knock_found_words(giving)] if giving.knocking else []
    if not giving.driven.any():
        lines.append("No spark back: no cell was driven for a few seconds without surge.")
    lines += [held_back_words(cell) for cell in giving.held]
    hearing = giving.knock.hearing
    if giving.on_word:
        lines.append(
            f"Spark back by {STEP_ON_WORD:g} deg at most, on the word of whoever listened ({SAY_SO}): {HEARD_NOTHING.get(hearing, str(hearing))}. "
            "An ear on the road misses light knock. Fit a knock sensor or listen at the block."
        )
    elif hearing is not Hearing.LISTENED:
        lines.append(
            f"No spark back: {HEARD_NOTHING[hearing]}. Log knock retard or the knock level. If somebody listened all the time and heard no knock, add {SAY_SO}."
        )
    return tuple(lines)


def knock_found_words(giving: GivingBack) -> str:
    """Return the knock that a log holds, worst cell first; an empty text where it holds none."""
    worst = giving.worst_knock
    if worst is None:
        return ""
    unit = f" {worst.unit}" if worst.unit else ""
    others = len(giving.knocking) - 1
    more = f" and in {counted(others, 'more cell')}" if others else ""
    return f"The log holds knock: {worst.why} of {worst.figure:.3g}{unit} at {worst.place}{more}. Take spark out there first."


def held_back_words(held: HeldBack) -> str:
    """Return why a cell gets no spark back, in one line."""
    if held.why is KnockSign.UNHEARD:
        return f"No spark back at {held.place}: the knock channel holds numbers for {held.figure:.1f} s there. {held.limit:g} s are needed."
    unit = f" {held.unit}" if held.unit else ""
    limit = "highest noise" if held.why is KnockSign.RETARD else "highest at idle, noise included"
    return f"No spark back at {held.place}: {held.why} {held.figure:.3g}{unit} ({limit}: {held.limit:.3g}{unit})."


def review_data(review: LogReview) -> dict[str, Any]:
    """Return a review as plain data for JSON, codes and figures with the words beside them."""
    words: dict[str, Any] = {"headline": review_headline(review), "next_step": review_next_step(review), "cautions": list(review_cautions(review))}
    words["glance"] = list(glance_lines(review, review_next_step(review)))
    return review.to_dict() | words | {"note_words": review_notes(review)}

"""Before against after in words: the verdict, what to do next, the figures."""

from __future__ import annotations

import math

from ..logs.comparison import ComparisonNote, ComparisonVerdict, LogComparison
from .describing import describe
from .phrases import folded

__all__ = [
    "comparison_figures", "comparison_next_step", "comparison_notes", "comparison_rows", "comparison_verdict", "comparison_words",
]  # fmt: skip

NEXT = {
    ComparisonVerdict.BETTER: "Go on in the same direction, one step at a time.",
    ComparisonVerdict.WORSE: "Go back to the table before.",
    ComparisonVerdict.CHANCE: "Drive the same road again, for longer.",
    ComparisonVerdict.NO_DIFFERENCE: "By itself this change does not matter. Go by the review of the later log.",
    ComparisonVerdict.TOO_LITTLE: "Drive the same cruise again.",
}


@describe.register
def comparison_words(found: LogComparison) -> str:
    """Return what came of the change between two logs: verdict, next step, figures.

    Parameters
    ----------
    found : LogComparison

    Returns
    -------
    str
    """
    lines = [comparison_verdict(found), NEXT[found.verdict], f"  {'':28}  before   after"]
    lines += [f"  {name:28} {a:>7} {b:>7}" for name, a, b in comparison_rows(found)]
    lines += [f"  {line}" for line in comparison_figures(found)]
    return folded([*lines, *(f"  note: {note}" for note in comparison_notes(found))])


def comparison_rows(found: LogComparison) -> list[tuple[str, str, str]]:
    """Return what was measured in both logs: name with its unit, before, after."""
    si = found.si
    rows = [
        ("spread of final spark, deg", si.spread_before, si.spread_after),
        ("swing of speed, rpm r.m.s.", 60.0 * si.swing_before, 60.0 * si.swing_after),
        ("surge in these cells, % time", 100.0 * si.surging_before, 100.0 * si.surging_after),
    ]
    return [(name, _text(a), _text(b)) for name, a, b in rows]


def comparison_next_step(found: LogComparison) -> str:
    """Return what to do after a comparison, in one line."""
    return NEXT[found.verdict]


def comparison_figures(found: LogComparison) -> list[str]:
    """Return the ratio of the swings' energies and how much of the cruise was alike, a line each."""
    lines = []
    if math.isfinite(found.energy_ratio):
        lines.append(f"Energy of the swing, after over before: {found.energy_ratio:.3g} (90 % between {found.energy_low:.3g} and {found.energy_high:.3g}).")
    lines.append(f"Cells of the cruise in both logs: {found.matched_cells} (before {found.cells_before}, after {found.cells_after}).")
    return lines


def comparison_notes(found: LogComparison) -> list[str]:
    """Return by what the logs could not be matched."""
    return [_note(note, found) for note in found.notes]


def comparison_verdict(found: LogComparison) -> str:
    """Return the verdict on a change in one line."""
    sure = f"(confidence {100.0 * found.confidence:.0f} %, {found.windows_before} and {found.windows_after} windows of 3 s)"
    match found.verdict:
        case ComparisonVerdict.BETTER:
            return f"Better: the swing is {_ratio(found.swing_ratio)} the swing before {sure}."
        case ComparisonVerdict.WORSE:
            return f"Worse: the swing is {_ratio(found.swing_ratio)} the swing before {sure}."
        case ComparisonVerdict.TOO_LITTLE:
            return f"Not known: only {found.windows_before} and {found.windows_after} windows of steady driving are in cells of both logs."
        case _:
            return f"{str(found.verdict).capitalize()} {sure}."


def _ratio(ratio: float) -> str:
    return f"{100.0 * ratio:.0f} % of" if ratio < 2.0 else f"{ratio:.2g} times"


def _note(note: ComparisonNote, found: LogComparison) -> str:
    if note is ComparisonNote.WITHOUT_LOAD:
        gear = "" if ComparisonNote.WITHOUT_GEAR in found.notes else " and gear"
        return f"Load was not logged. The logs are matched by speed{gear} alone."
    return "Gear was not logged in both. The same speed and load in another gear counts as the same cruise."


def _text(value: float) -> str:
    return f"{value:.3g}" if math.isfinite(value) else "none"

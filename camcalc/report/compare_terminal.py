"""A comparison of two builds on a terminal, readable at 100 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..compare.rows import GROUPS, NO_ANSWER, NO_DIFFERENCE, TASTE
from .compare_page import band_text, brakes_of, notes_of
from .figure_markup import words
from .terminal_parts import print_cautions, show, table

if TYPE_CHECKING:
    from rich.console import Console

    from ..compare import Comparison

__all__ = ["print_comparison"]

SHORT = {"a": "A", "b": "B", NO_DIFFERENCE: "no real\ndifference", TASTE: "taste", NO_ANSWER: "none"}


def print_comparison(both: Comparison, console: Console) -> None:
    """Print both cams side by side, then the verdicts."""
    console.rule("Two cams compared for the street")
    for letter, build in (("A", both.a), ("B", both.b)):
        label = f" ({build.label})" if build.label else ""
        console.print(f"{letter}: {build.cam.name} in {build.name}{label}", highlight=False, markup=False)
    console.print(f"Model: {both.model}.\n", highlight=False, markup=False)
    print_cautions(both.cautions, console)
    heads = ["figure", "unit", "A", "B", "B less A", *(["10 to 90 %"] if both.samples else []), "better"]
    for group in GROUPS:
        made = table(group, heads, left=2)
        items = [item for item in both.figures if item.group == group]
        for item in items:
            band = [band_text(item)] if both.samples else []
            made.add_row(item.what, words(item.unit), item.text("a"), item.text("b"), item.text("difference"), *band, SHORT[item.better])
        show(made, console, *(mark for item in items for mark in item.marks.values()))
        for note in notes_of(items):
            console.print(f"  {note}", highlight=False, markup=False)
        console.print()
    _verdicts(both, console)


def _verdicts(both: Comparison, console: Console) -> None:
    for letter, brakes in brakes_of(both):
        console.print(f"  {letter}: {brakes}", highlight=False, markup=False)
    for note in both.notes:
        console.print(f"  {note}", highlight=False, markup=False)
    sure = (
        f"no real difference: the 10 to 90 % band of the difference ({both.samples} samples, the same for both) contains zero, "
        "or it is below the figure's resolution"
        if both.samples
        else "no real difference: the difference is below the figure's resolution; no bands were sampled"
    )
    console.print(f"  {sure}; taste: neither way is better\n", highlight=False, markup=False)
    for verdict in both.verdicts:
        console.print(str(verdict), highlight=False, markup=False)

"""Builds compared on a terminal, readable at 100 columns: cautions, verdict, then the figures that differ."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from ..compare.findings import Group
from ..words.comparison import (
    better_words,
    brake_lines,
    builds_lines,
    figure_label,
    figure_notes,
    lineup_words,
    setting_lines,
    shown_unit,
    unit_words,
    verdict_words,
)
from ..words.phrases import capitalised
from .terminal_parts import print_cautions, show, table

if TYPE_CHECKING:
    from rich.console import Console

    from ..compare import ComparedFigure, Comparison, Lineup

__all__ = ["band_text", "print_comparison", "print_lineup"]


def band_text(figure: ComparedFigure, unit: str = "") -> str:
    """Return the band of a difference as text; empty where it was not sampled."""
    return f"{figure.text('low', unit)} to {figure.text('high', unit)}" if figure.has_band else ""


def print_comparison(both: Comparison, console: Console, *, full: bool = False) -> None:
    """Print which of two builds has the better street manners, and the figures that favour either; all of them in full."""
    console.rule("Street manners of two builds")
    print_cautions(both.cautions, console)
    _lines(console, builds_lines(both.builds))
    console.print()
    for verdict in both.verdicts:
        _lines(console, verdict_words(verdict, both))
    _lines(console, (f"  {text}" for text in brake_lines(both.builds)))
    console.print()
    _figures(both, [*both.differing, *(both.others if full else ())], console)
    left_out = "" if full or not both.others else f"{len(both.others)} more figures favour neither: --full shows them."
    _close(console, left_out, setting_lines(both), both.model)


def _figures(both: Comparison, figures: Sequence[ComparedFigure], console: Console) -> None:
    if not figures:
        _line(console, "No figure favours one of them beyond what is known.\n")
        return
    names = both.a.name, both.b.name
    heads = ["figure", "unit", *names, "second\nless first", *(["10 to\n90 %"] if both.samples else []), "better"]
    made = table("Side by side", heads, left=2)
    figures = sorted(figures, key=lambda figure: list(Group).index(figure.group))
    for k, item in enumerate(figures):
        unit = shown_unit(item, both.a.units)
        band = [band_text(item, unit).replace(" to ", "\nto ")] if both.samples else []
        texts = [item.text(which, unit) for which in ("a", "b", "difference")]
        ends = k + 1 < len(figures) and figures[k + 1].group is not item.group
        made.add_row(figure_label(item, both), unit_words(unit), *texts, *band, better_words(item.better, names), end_section=ends)
    show(made, console, *(mark for item in figures for mark in item.marks.values()))
    for item in figures:
        if notes := figure_notes(item, both):
            _line(console, f"  {capitalised(figure_label(item, both))}. {' '.join(notes)}")
    console.print()


def print_lineup(lineup: Lineup, console: Console, *, full: bool = False) -> None:
    """Print three builds or more, the best street manners first, and the figures that a verdict rests on; all of them in full."""
    console.rule("Street manners of several builds")
    print_cautions(lineup.cautions, console)
    _lines(console, builds_lines(lineup.builds))
    console.print()
    _lines(console, lineup_words(lineup))
    _lines(console, (f"  {text}" for text in brake_lines(lineup.builds[k] for k in lineup.order)))
    console.print()
    shown = (*lineup.headlines, *(lineup.others if full else ()))
    system, lead = lineup.builds[lineup.order[0]].units, lineup.pairs[0]
    heads = ["figure", "unit", *(f"{lineup.ranks[k]}. {lineup.builds[k].name}" for k in lineup.order)]
    made = table("Best street manners first", heads, left=2)
    for item in shown:
        unit = shown_unit(item, system)
        made.add_row(figure_label(item, lead), unit_words(unit), *(item.text(k, unit) for k in lineup.order))
    show(made, console, *(item.marks["values"] for item in shown))
    console.print()
    left_out = "" if full or not lineup.others else f"{len(lineup.others)} more figures: --full shows them."
    _close(console, left_out, setting_lines(lead, lineup.builds), lineup.model)


def _close(console: Console, left_out: str, lines: Iterable[str], model: str) -> None:
    if left_out:
        _line(console, left_out)
    _lines(console, lines)
    _line(console, f"Engine model: {model}.")


def _lines(console: Console, lines: Iterable[str]) -> None:
    for text in lines:
        _line(console, text)


def _line(console: Console, text: str) -> None:
    console.print(text, highlight=False, markup=False)

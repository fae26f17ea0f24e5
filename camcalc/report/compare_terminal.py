"""Builds compared on a terminal, readable at 100 columns: cautions, verdict, then the figures that differ."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from ..compare.findings import Group
from ..words.comparison import (
    better_words,
    brake_lines,
    figure_label,
    figure_notes,
    lineup_words,
    setting_lines,
    shown_unit,
    unit_words,
    verdict_words,
)
from .terminal_parts import print_cautions, show, table

if TYPE_CHECKING:
    from rich.console import Console

    from ..compare import ComparedFigure, Comparison, Lineup

__all__ = ["band_text", "print_comparison", "print_lineup"]


def band_text(figure: ComparedFigure, unit: str = "") -> str:
    """Return the band of a difference as text; empty where it was not sampled."""
    return f"{figure.text('low', unit)} to {figure.text('high', unit)}" if figure.has_band else ""


def print_comparison(both: Comparison, console: Console, *, full: bool = False) -> None:
    """Print which of two builds has the better street manners, and the figures that differ; all of them in full."""
    console.rule("Which has the better street manners")
    print_cautions(both.cautions, console)
    for build in both.builds:
        label = f" ({build.label})" if build.label else ""
        _line(console, f"{build.name}: {build.cam} in {build.build}{label}")
    console.print()
    for verdict in both.verdicts:
        _lines(console, verdict_words(verdict, both))
    _lines(console, (f"  {text}" for text in brake_lines(both.builds)))
    console.print()
    _figures(both, [*both.differing, *(both.alike if full else ())], console)
    _close(console, 0 if full else len(both.alike), setting_lines(both), both.model)


def _figures(both: Comparison, figures: Sequence[ComparedFigure], console: Console) -> None:
    names = both.a.name, both.b.name
    heads = ["figure", "unit", *names, "second less\nfirst", *(["10 to 90 %"] if both.samples else []), "better"]
    for group in Group:
        items = [figure for figure in figures if figure.group is group]
        if not items:
            continue
        made = table(group.meaning, heads, left=2)
        for item in items:
            unit = shown_unit(item, both.a.units)
            band = [band_text(item, unit)] if both.samples else []
            texts = [item.text(which, unit) for which in ("a", "b", "difference")]
            made.add_row(figure_label(item, both), unit_words(unit), *texts, *band, better_words(item.better, names))
        show(made, console, *(mark for item in items for mark in item.marks.values()))
        for item in items:
            _lines(console, (f"  {figure_label(item, both)}: {note}" for note in figure_notes(item, both)))
    if not figures:
        _line(console, "No figure differs beyond what is known.")
    console.print()


def print_lineup(lineup: Lineup, console: Console, *, full: bool = False) -> None:
    """Print three builds or more, the best street manners first, and the figures that a verdict rests on; all of them in full."""
    console.rule("Which has the best street manners")
    print_cautions(lineup.cautions, console)
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
    _close(console, 0 if full else len(lineup.others), setting_lines(lead, lineup.builds), lineup.model)


def _close(console: Console, left_out: int, lines: Iterable[str], model: str) -> None:
    if left_out:
        _line(console, f"{left_out} more figures: --full shows them.")
    _lines(console, lines)
    _line(console, f"Engine model: {model}.")


def _lines(console: Console, lines: Iterable[str]) -> None:
    for text in lines:
        _line(console, text)


def _line(console: Console, text: str) -> None:
    console.print(text, highlight=False, markup=False)

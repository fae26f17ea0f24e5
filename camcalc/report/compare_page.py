"""A comparison of two builds as one self-contained HTML file."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from ..compare.builds import SOURCE_KEYS
from ..compare.rows import GROUPS
from ..marks import marks_in
from ..pages.dress import rendered
from ..sources import cite
from ..words.brakes import brakes_words, no_idle_no_vacuum
from .figure_markup import words
from .figures import svg_text

if TYPE_CHECKING:
    from ..compare import ComparedFigure, Comparison

__all__ = ["BETTER", "band_text", "brakes_of", "compare_html", "notes_of"]

# The short word for what a row says.
BETTER = {"a": "A", "b": "B", "no real difference": "no real difference", "a matter of taste": "a matter of taste", "no answer": "no answer"}
CAPTIONS = {
    "lift": "Valve lift of both cams, the overlap of each shaded.",
    "burned_fraction": "Burned gas in the charge over engine speed at 60 kPa, spark 30 degrees before TDC; no mark where the engine does not run.",
    "vacuum": "Idle vacuum over idle speed, neutral, accessories off; no mark where torque does not balance.",
    "ceiling": "Lowest spark ceiling at loads up to 60 kPa over engine speed; no mark where none is needed. The search for spark ends at 60: 60 or more.",
}


def compare_html(both: Comparison) -> str:
    """Return a comparison as HTML with its plots inside."""
    groups = [(group, [item for item in both.figures if item.group == group]) for group in GROUPS]
    return rendered(
        "compare.html",
        both=both,
        groups=[(group, items) for group, items in groups if items],
        brakes=brakes_of(both),
        plots=_plots(both),
        captions=CAPTIONS,
        better=BETTER,
        band=band_text,
        words=words,
        notes_of=notes_of,
        legend=lambda items: [str(mark) for mark in marks_in(*(mark for item in items for mark in item.marks.values()))],
        reasons=reasons_of(both),
        sources=cite(*SOURCE_KEYS),
    )


def band_text(item: ComparedFigure) -> str:
    """Return the band of a difference as text; empty where it was not sampled."""
    return f"{item.text('low')} to {item.text('high')}" if item.has_band else ""


def notes_of(figures: Sequence[ComparedFigure]) -> list[str]:
    """Return the notes of some figures, each once, with the figures it is about."""
    return [f"{'; '.join(names)}: {note}" for note, names in _once((f.note, f.what) for f in figures) if note]


def brakes_of(both: Comparison) -> list[tuple[str, str]]:
    """Return what each cam leaves to the brakes, under its letter."""
    builds = zip("AB", (both.a, both.b), both.brakes, strict=True)
    return [(letter, no_idle_no_vacuum(build.idle.si.speed) if assist is None else brakes_words(assist)) for letter, build, assist in builds]


def reasons_of(both: Comparison) -> list[str]:
    """Return why a way is better, each reason once, with the figures it holds for."""
    return [f"{'; '.join(names)}: {why}" for why, names in _once((f.why, f.what) for f in both.figures)]


def _once(said: Iterable[tuple[str, str]]) -> list[tuple[str, list[str]]]:
    about: dict[str, list[str]] = {}
    for text, name in said:
        about.setdefault(text, []).append(name)
    return list(about.items())


def _plots(both: Comparison) -> dict[str, str]:
    from ..plot import plot_compared, plot_lifts

    names = (f"A: {both.a.cam.name}", f"B: {both.b.cam.name}")
    drawn = {"lift": plot_lifts(both.a.cam, both.b.cam)}
    drawn |= {which: plot_compared(both.curves, which, names) for which in ("burned_fraction", "vacuum", "ceiling")}
    return {key: svg_text(ax, f"compare-{key}") for key, ax in drawn.items()}

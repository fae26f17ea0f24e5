"""Builds compared, as one self-contained HTML file."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ..compare.comparison import SOURCE_KEYS
from ..compare.findings import Group
from ..compare.lineup import Lineup
from ..marks import marks_in
from ..pages.dress import rendered
from ..sources import cite
from ..words import comparison as words
from .compare_terminal import band_text
from .figures import svg_text

if TYPE_CHECKING:
    from ..compare import ComparedBuild, ComparedFigure, Comparison, Curves, LineupFigure

__all__ = ["compare_html"]

CAPTIONS = {
    "lift": "Valve lift of each cam, its overlap shaded.",
    "burned_fraction": "Residual over engine speed at 60 kPa, spark 30 deg BTDC. No mark: the engine does not run there.",
    "vacuum": "Idle vacuum over idle speed, neutral, accessories off. No mark: the engine does not idle there.",
    "ceiling": "Lowest spark ceiling at loads up to 60 kPa over engine speed. No mark: none is needed. The search for spark ends at 60: 60 or more.",
}


def compare_html(found: Comparison | Lineup) -> str:
    """Return a comparison of two builds or more as HTML with its plots inside."""
    return _lineup_html(found) if isinstance(found, Lineup) else _pair_html(found)


def _pair_html(both: Comparison) -> str:
    def grouped(figures: Sequence[ComparedFigure]) -> list[tuple[Group, list[ComparedFigure]]]:
        groups = ((group, [figure for figure in figures if figure.group is group]) for group in Group)
        return [(group, items) for group, items in groups if items]

    return rendered(
        "compare.html",
        both=both,
        differing=grouped(both.differing),
        others=grouped(both.others),
        band=band_text,
        why=words.why_lines((*both.differing, *both.others), both),
        **_shared(both.builds, both.curves),
    )


def _lineup_html(lineup: Lineup) -> str:
    return rendered("compare_lineup.html", lineup=lineup, lead=lineup.pairs[0], **_shared(lineup.builds, lineup.curves))


def _shared(builds: Sequence[ComparedBuild], curves: Curves | None) -> dict[str, Any]:
    """Return what both pages are made with."""

    def legend(figures: Sequence[ComparedFigure | LineupFigure]) -> list[str]:
        return [str(mark) for mark in marks_in(*(mark for figure in figures for mark in figure.marks.values()))]

    plots = {} if curves is None else _plots(curves, [build.name for build in builds])
    return {"words": words, "legend": legend, "captions": CAPTIONS, "plots": plots, "sources": cite(*SOURCE_KEYS)}


def _plots(curves: Curves, names: Sequence[str]) -> dict[str, str]:
    from ..plot import plot_compared, plot_lifts

    drawn = {"lift": plot_lifts(curves, names)}
    drawn |= {which: plot_compared(curves, which, names) for which in ("burned_fraction", "vacuum", "ceiling")}
    return {key: svg_text(ax, f"compare-{key}") for key, ax in drawn.items()}

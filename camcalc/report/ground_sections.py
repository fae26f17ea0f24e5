"""Sections of a brief on what it rests on: cam, bands, assumptions, notes, sources, cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..advice.assumption_rank import RankedAssumption, ranked_assumptions
from ..advice.bands import HEADLINES, Headline
from ..words.phrases import capitalised
from .blocks import Block, Cautions, Column, Figure, Fold, Lines, Records, Texts
from .events_terminal import facts_blocks

if TYPE_CHECKING:
    from ..brief import Brief

__all__ = ["assumed_blocks", "cam_blocks", "caution_blocks", "facts_blocks", "note_blocks", "source_blocks", "sure_blocks"]

# How a line of assumptions names the headline figures.
SHORT = {
    Headline.VACUUM: "idle vacuum", Headline.BURNED_FRACTION: "residual", Headline.VACUUM_PENALTY: "vacuum loss", Headline.UNSTABLE_BELOW: "rough below",
    Headline.BLOW_BACK_BELOW: "reversion below", Headline.SHUT_EARLIEST: "end of injection", Headline.SHUT_LATEST: "end of injection",
    Headline.CEILING: "spark ceilings",
}  # fmt: skip
# So many assumptions are shown before the fold.
FIRST = 10


def cam_blocks(brief: Brief) -> list[Block]:
    """Return valve events, overlap and compression of both cams."""
    both = (("new", brief.cam), ("replaced", brief.replaced_cam))
    blocks = [block for which, facts in both if facts is not None for block in facts_blocks(facts, f"events/{which}", brief.build.units)]
    return [*blocks, Figure("lift")]


def sure_blocks(brief: Brief) -> list[Block]:
    """Return the bands of the headline figures and what matters most to each."""
    sure = brief.sure
    assert sure is not None
    names = tuple(sure.bands)
    base = "about/bands/headlines"
    columns = (
        Column("", "figure", words=True, texts=tuple(capitalised(HEADLINES[name][2].meaning) for name in names)),
        Column("", "value", 1), Column("", "10 % below", 1, edge="low"), Column("", "90 % below", 1, edge="high"),
        Column("", "unit", words=True, texts=tuple(HEADLINES[name][1] for name in names)),
        Column("", "matters most", words=True, texts=tuple("; ".join(one.meaning for one in sure.matters[name]) for name in names), screen=False),
        Column("", "without an answer", words=True, texts=tuple(f"{100.0 * sure.no_answer[name]:.0f} %" for name in names), short="no\nanswer"),
    )  # fmt: skip
    matters = tuple(f"{capitalised(HEADLINES[name][2].meaning)}: {'; '.join(one.meaning for one in sure.matters[name])}." for name in names)
    return [
        Lines((f"The bands hold 10 to 90 % of {sure.samples} samples over the stated tolerances. A seed makes them repeat.",)),
        Records("Headline figures and their bands", tuple(f"{base}/{name}" for name in names), columns), Lines(("What matters most, first to third:",)),
        Lines(matters, listed=True),
    ]  # fmt: skip


def assumed_blocks(brief: Brief) -> list[Block]:
    """Return what the sheet leaves out, what moves the answers most first."""
    ranked = ranked_assumptions(brief.build, brief.sure, brief.sensitivity)
    first, others = ranked[:FIRST], ranked[FIRST:]
    heads = ("key", "assumed", "why", "moves")
    blocks: list[Block] = [Texts(f"The {len(first)} that move the answers most", heads, tuple(map(_assumption_row, first)))]
    if others:
        rows = tuple(_assumption_row(one)[:3] for one in others)
        blocks.append(Fold(f"The other {len(others)}", (Texts("The others, as the sheet's template lists them", heads[:3], rows),)))
    return blocks


def _assumption_row(one: RankedAssumption) -> tuple[str, ...]:
    return (one.assumption.key, one.assumption.value, one.assumption.why, ", ".join(dict.fromkeys(SHORT[headline] for headline in one.moves)))


def note_blocks(brief: Brief) -> list[Block]:
    """Return the notes on the cards."""
    return [Lines(tuple(map(str, brief.build.notes)), listed=True)]


def source_blocks(brief: Brief) -> list[Block]:
    """Return what the figures rest on, with how far each was read."""
    return [Lines(tuple(f"{source['text']} ({source['mark']})" for source in brief.sources.values()), listed=True)]


def caution_blocks(brief: Brief) -> list[Block]:
    """Return every caution."""
    return [Cautions(tuple(brief.cautions))]

"""A choice of a cam, and a ranking of cards, on the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..marks import marks_in
from ..words import choose as words
from .terminal_parts import print_cautions, show, table

if TYPE_CHECKING:
    from rich.console import Console

    from ..choose import ChosenCam, RankedCards

__all__ = ["EXCHANGE_HEADS", "RANKING_HEADS", "WANT_HEADS", "print_choice", "print_ranking", "ranking_rows"]

WANT_HEADS = ("want", "limit", "this cam", "kept", "cars that break it")
EXCHANGE_HEADS = ("one step more", "by duration", "or by lobe separation", "or by advance")
RANKING_HEADS = ("place", "card", "duration, deg", "LSA, cam deg", "verdict", "binds", "probability", "computed")


def print_choice(found: ChosenCam, console: Console) -> None:
    """Print a choice, the cautions before it."""
    print_cautions(found.cautions, console)
    for line in words.choice_words(found):
        console.print(line, highlight=False, markup=False)
    if found.chosen is not None:
        made = table("Wants at the largest cam; figures settled, shares by the surrogate", WANT_HEADS, left=len(WANT_HEADS))
        for row in words.want_rows(found.wants, found.chosen, found.units):
            made.add_row(*row)
        show(made, console)
        for mark in marks_in(*(found.chosen.marks.get(name) for name in ("duration", "lobe_separation", "advance", "intake_lift"))):
            console.print(f"  {mark}", highlight=False, markup=False)
    if found.exchange:
        made = table("What one step more costs there, each way alone, from settled cards beside it", EXCHANGE_HEADS, left=len(EXCHANGE_HEADS))
        for one in found.exchange:
            made.add_row(*words.exchange_cells(one, found.units))
        show(made, console)
    for line in (*words.NOT_KNOWN, *words.basis_words(found)):
        console.print(line, highlight=False, markup=False)


def ranking_rows(found: RankedCards) -> list[tuple[str, ...]]:
    """Return a row of text for each card, best first."""
    return [
        (
            str(card.place),
            card.name,
            f"{card.si.duration:.0f}",
            f"{card.si.lobe_separation / 2.0:.1f}",
            words.VERDICTS[card.verdict],
            words.want_name(card.binds) if card.binds is not None else "",
            f"{100.0 * card.si.probability:.0f} %",
            words.computed_text(card),
        )
        for card in found.cards
    ]


def print_ranking(found: RankedCards, console: Console, *, most: int = 20) -> None:
    """Print a ranking, the cautions before it.

    Parameters
    ----------
    found : RankedCards
    console : Console
    most : int
        Cards shown; the others are in JSON, page and file.
    """
    print_cautions(found.cautions, console)
    for line in words.ranking_words(found):
        console.print(line, highlight=False, markup=False)
    made = table(words.ranking_heading(found), RANKING_HEADS, left=len(RANKING_HEADS))
    rows = ranking_rows(found)
    for row in rows[:most]:
        made.add_row(*row)
    show(made, console)
    if len(rows) > most:
        console.print(f"{len(rows) - most} more cards: --out, --html and --json have all.", highlight=False, markup=False)
    for card in [card for card in found.cards if card.figures is not None][:3]:
        assert card.figures is not None
        made = table(card.name, WANT_HEADS, left=len(WANT_HEADS))
        for want in words.want_rows(card.wants, card.figures, found.units):
            made.add_row(*want)
        show(made, console)
    for line in (*map(words.left_out_words, found.left_out), *words.NOT_KNOWN, *words.ranking_basis(found)):
        console.print(line, highlight=False, markup=False)

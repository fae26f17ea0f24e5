"""A choice of a cam, or a ranking of cards, as one self-contained HTML file."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from ..marks import marks_in
from ..pages.dress import rendered
from ..words import choose as words
from .choose_terminal import EXCHANGE_HEADS, RANKING_HEADS, WANT_HEADS, ranking_rows
from .figures import described, svg_text

if TYPE_CHECKING:
    from ..choose import ChosenCam, RankedCards

__all__ = ["choose_html", "ranking_html"]

# A caption, heads, rows.
Table = tuple[str, Sequence[str], Sequence[Sequence[str]]]
CAPTION = (
    "Intake duration over lobe separation. A line is where a want is just kept by the middle figures; its band holds 10 to 90 % of cars. "
    "Shaded: every want kept as surely as is asked for. Lines and bands are the surrogate's. The points are cams."
)


def choose_html(found: ChosenCam) -> str:
    """Return the page of a choice.

    Parameters
    ----------
    found : ChosenCam
    """
    from ..plot import plot_choice

    plot = ""
    if found.region is not None:
        plot = described(svg_text(plot_choice(found), "choice"), "choice", "Allowed duration over lobe separation", CAPTION)
    tables: list[Table] = []
    if found.chosen is not None:
        caption = "Wants at the largest cam; figures settled, shares by the surrogate"
        tables.append((caption, WANT_HEADS, words.want_rows(found.wants, found.chosen, found.units)))
    if found.exchange:
        rows = [words.exchange_cells(one, found.units) for one in found.exchange]
        tables.append(("What one step more costs there, each way alone, from settled cards beside it", EXCHANGE_HEADS, rows))
    if found.largest is not None and found.largest != found.chosen:
        tables.append(("Wants at the largest cam by the middle figures alone", WANT_HEADS, words.want_rows(found.largest_wants, found.largest, found.units)))
    tables.append((f"Wants at the card on the sheet, {found.sheet.cam}", WANT_HEADS, words.want_rows(found.sheet_wants, found.sheet, found.units)))
    if found.present is not None:
        tables.append((f"Wants at the cam it has now, {found.present.cam}", WANT_HEADS, words.want_rows(found.present_wants, found.present, found.units)))
    marks = () if found.chosen is None else marks_in(*(found.chosen.marks.get(name) for name in ("duration", "lobe_separation", "advance", "intake_lift")))
    return rendered(
        "choose.html",
        title=f"How much cam: {found.name}",
        label="The largest cam whose manners you can live with.",
        cautions=[str(caution) for caution in found.cautions],
        answer=words.choice_words(found),
        plot=plot,
        caption=CAPTION,
        tables=tables,
        marks=[str(mark) for mark in marks],
        not_known=words.NOT_KNOWN,
        basis=words.basis_words(found),
        left_out=[],
    )


def ranking_html(found: RankedCards) -> str:
    """Return the page of a ranking.

    Parameters
    ----------
    found : RankedCards
    """
    tables: list[Table] = [(words.ranking_heading(found), RANKING_HEADS, ranking_rows(found))]
    for card in [card for card in found.cards if card.figures is not None][:3]:
        assert card.figures is not None
        tables.append((card.name, WANT_HEADS, words.want_rows(card.wants, card.figures, found.units)))
    return rendered(
        "choose.html",
        title=f"Cards ranked: {found.name}",
        label="Cards that keep every want come first, the longest before others.",
        cautions=[str(caution) for caution in found.cautions],
        answer=words.ranking_words(found),
        plot="",
        caption="",
        tables=tables,
        marks=[],
        not_known=words.NOT_KNOWN,
        basis=words.ranking_basis(found),
        left_out=[words.left_out_words(one) for one in found.left_out],
    )

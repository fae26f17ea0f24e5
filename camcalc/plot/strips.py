"""Strips one under the other over one spark axis: what plots of a spark sweep share."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from ..marks import Mark
from .curves import axes
from .hover import hover_points

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

__all__ = ["CROSSED", "Strip", "draw_strips", "tall_axes"]

GAP = 0.12  # of a strip's height
# How points of a mark are crossed out, and what a legend calls them.
CROSSED = (("x", Mark.KNOCKS, "knocks"), ("+", Mark.PAST_LIMIT, "past the sheet's limit"))


class Strip(NamedTuple):
    """One strip: its label with the unit in brackets, and its values over spark."""

    label: str
    values: Array


def tall_axes(ax: Axes | None, count: int) -> Axes:
    """Return the given axes, or new ones on a figure tall enough for so many strips."""
    if ax is not None:
        return ax
    made = axes(None)
    made.figure.set_size_inches(7.0, 1.5 * count)  # type: ignore[union-attr]
    return made


def draw_strips(ax: Axes, spark: Array, strips: Sequence[Strip], marks: Sequence[Mark | None]) -> list[Axes]:
    """Draw strips over spark [crank deg before top dead centre] inside axes whose limits are set; crossed points are those marked.

    Parameters
    ----------
    ax : Axes
    spark : array, shape (n,)
        Before top dead centre [crank deg].
    strips : sequence of Strip
        Top to bottom.
    marks : sequence of Mark or None, n of them
        Of the sparks.
    """
    ax.set_ylim(0.0, 1.0)
    ax.set_yticks([])
    ax.spines[["left", "right", "top"]].set_visible(False)
    drawn = []
    for k, (label, values) in enumerate(strips):
        strip = ax.inset_axes((0.0, 1.0 - (k + 1 - 0.5 * GAP) / len(strips), 1.0, (1.0 - GAP) / len(strips)))
        strip.patch.set_alpha(0.0)
        strip.plot(spark, values, color="0.1", marker="o", markersize=3.0)
        unit = label.partition("[")[2].rstrip("]")
        hover_points(strip, spark, values, (f"{value:.4g} {unit} at {at:.0f} deg BTDC" for at, value in zip(spark, values, strict=True)))
        for sign, mark, _ in CROSSED:
            at = [j for j, one in enumerate(marks) if one is mark]
            strip.plot(spark[at], values[at], color="0.1", marker=sign, markersize=9.0, linestyle="none")
        strip.set_xlim(ax.get_xlim())
        strip.set_ylabel(label, fontsize="small")
        strip.tick_params(labelsize="small", bottom=False, labelbottom=False)
        strip.margins(y=0.12)
        drawn.append(strip)
    for sign, mark, words in CROSSED:
        if mark in marks:
            ax.plot([], [], color="0.1", marker=sign, markersize=9.0, linestyle="none", label=words)
    return drawn

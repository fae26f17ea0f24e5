"""Numbers on hover: points that nobody sees and that say in a title what is there; SVG shows a title where the pointer is."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["add_titles", "hover_points"]

GROUP = "hover"


def hover_points(ax: Axes, across: Iterable[float], up: Iterable[float], texts: Iterable[str], *, size: float = 9.0) -> None:
    """Give points of a plot a text each that is shown on hover, where the picture is written as SVG.

    Parameters
    ----------
    ax : Axes
    across, up : iterable of float
        Where the points are, in the units of the axes.
    texts : iterable of str
    size : float
        Diameter that reacts [points].
    """
    # One figure may have several axes: each has its own place, and its points are counted.
    place = f"{GROUP}{1e3 * ax.get_position().y0:.0f}"
    for x, y, text in zip(across, up, texts, strict=True):
        if x == x and y == y:
            (point,) = ax.plot([x], [y], marker="o", markersize=size, alpha=0.0, label=f"_{text}", linestyle="")
            point.set_gid(f"{place}-{len(ax.lines)}")


def add_titles(svg: str, figure: Any) -> str:
    """Return a figure's SVG with the texts of its hover points as titles inside them."""
    from markupsafe import escape

    from ..plain_text import visible

    texts = {artist.get_gid(): str(artist.get_label())[1:] for artist in figure.findobj(lambda artist: str(artist.get_gid() or "").startswith(GROUP))}
    return re.sub(rf'<g id="({GROUP}-?\d+-\d+)">', lambda found: f"{found[0]}<title>{escape(visible(texts[found[1]]))}</title>", svg)

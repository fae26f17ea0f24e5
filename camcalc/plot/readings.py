"""A picture of what readings left: each headline figure's band before and after."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..unit_system import WRITTEN
from .curves import axes
from .labels import label_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..measured import Learning

__all__ = ["plot_learning"]


def plot_learning(found: Learning, ax: Axes | None = None) -> Axes:
    """Draw each headline figure's 80 % band before and after the readings, over the middle before.

    Parameters
    ----------
    found : Learning
    ax : Axes
        Where to draw; new axes when left out.
    """
    ax = axes(ax)
    names = []
    for k, one in enumerate(reversed(found.figures)):
        reach = max(one.before_high - one.before_low, 1e-12)
        for low, middle, high, at, colour, text in (
            (one.before_low, one.before, one.before_high, k + 0.17, "0.7", "before"),
            (one.after_low, one.after, one.after_high, k - 0.17, "tab:blue", "after"),
        ):
            start, width = (low - one.before) / reach, (high - low) / reach
            ax.barh(at, width, left=start, height=0.3, color=colour, label=text if k == 0 else None)
            ax.plot([(middle - one.before) / reach], [at], "|", color="black", markersize=8)
        what = one.headline.meaning.split(",")[0] if one.name != "ceiling" else "spark ceiling at 1400 rpm and 60 kPa"
        names.append(label_of(f"{what}: {np.format_float_positional(float(f'{one.after:.3g}'), trim='-')} {WRITTEN.get(one.unit, one.unit)}"))
    ax.set_yticks(range(len(names)), names)
    ax.use_sticky_edges = False
    ax.margins(x=0.04)
    ax.set_xlabel("from the middle before, over the whole band before")
    # Above the bars, which fill the axes from edge to edge.
    ax.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncol=2, frameon=False)
    return ax

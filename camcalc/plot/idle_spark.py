"""What an idle does over spark, as strips one under the other over one spark axis."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..marks import Mark
from .strips import Strip, draw_strips, tall_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..advice.idle_spark import IdleSpark

__all__ = ["plot_idle_spark"]

STRIPS = (
    ("manifold_vacuum", "vacuum\n[inHg]"),
    ("imep_variation", "COV of\nIMEP [%]"),
    ("missed", "missed\ncycles [%]"),
    ("partial", "partial\nburns [%]"),
    ("burned_fraction", "residual\n[%]"),
)
# Field, line and name of the sparks that are marked; the range of the misfire limit is shaded.
LINES = (("idle_spark", "-", "idle spark"), ("idle_misfire_limit", "--", "misfire limit"), ("idle_misfire_limit_cautious", ":", "misfire limit, cautious"))


def plot_idle_spark(result: IdleSpark, ax: Axes | None = None) -> Axes:
    """Plot vacuum, variation, missed cycles, partial burns and residual over spark at the idle speed.

    Each point carries the idle with its own manifold pressure. Lines through all mark the idle spark and the misfire limit, whose range from the
    cautious to the anchored constants of ignition is shaded; a cross is on every spark that knocks.
    """
    ax = tall_axes(ax, len(STRIPS))
    spark = result.si.swept_spark
    ax.set_xlim(spark.min() - 2.0, spark.max() + 2.0)
    for field, style, name in LINES:
        value, ends = getattr(result.si, field), result.mark(field) in (Mark.OR_MORE, Mark.OR_LESS)
        if np.isfinite(value):
            ax.axvline(value, color="0.35", linestyle=style, linewidth=1.2, label=f"{name}, or beyond: search ends" if ends else name)
    low, high = sorted((result.si.idle_misfire_limit_cautious, result.si.idle_misfire_limit))
    if np.isfinite([low, high]).all() and high > low:
        ax.axvspan(low, high, color="0.85", zorder=0)
    marks = [result.mark("swept_spark", k) for k in range(spark.size)]
    draw_strips(ax, spark, [Strip(label, getattr(result, name).magnitude) for name, label in STRIPS], marks)
    ax.set_xlabel("spark, each with the manifold pressure that carries the idle [deg BTDC]")
    ax.legend(fontsize="small", loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2, frameon=False)
    return ax

"""What one cell trades, as strips one under the other over one spark axis."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..marks import Mark
from .strips import Strip, draw_strips, tall_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..advice.trade_off import TradeOff

__all__ = ["plot_trade_off"]

# Field, and what is beside its strip.
STRIPS = (
    ("manifold_vacuum", "vacuum\n[inHg]"),
    ("imep_variation", "COV of\nIMEP [%]"),
    ("missed", "missed\ncycles [%]"),
    ("partial", "partial\nburns [%]"),
    ("burned_fraction", "residual\n[%]"),
    ("exhaust_temperature", "exhaust\n[degC]"),
    ("fuel_flow", "fuel\n[g/s]"),
    ("torque_per_degree", "torque per\ndegree [N m]"),
)


def plot_trade_off(result: TradeOff, ax: Axes | None = None) -> Axes:
    """Plot a strip for each thing that spark trades over one spark axis; lines through all mark MBT, knock and the ceiling.

    A cross stands on every spark that knocks or passes a limit of the sheet.
    """
    ax = tall_axes(ax, len(STRIPS))
    shown = [(name, label) for name, label in STRIPS if np.isfinite(getattr(result.si, name)).any()]
    spark = result.si.spark
    edges = np.append(spark, [v for v in (result.si.ceiling, result.si.knock_spark) if np.isfinite(v)])
    ax.set_xlim(edges.min() - 2.0, edges.max() + 2.0)
    for field, style, name in (("best_spark", "-", "MBT"), ("knock_spark", ":", "knock limit"), ("ceiling", "--", "ceiling")):
        value, ends = getattr(result.si, field), result.mark(field) in (Mark.OR_MORE, Mark.OR_LESS)
        if np.isfinite(value):
            ax.axvline(value, color="0.35", linestyle=style, linewidth=1.2, label=f"{name}, or beyond: search ends" if ends else name)
    marks = [result.mark("spark", k) for k in range(spark.size)]
    strips = draw_strips(ax, spark, [Strip(label, getattr(result, name).magnitude) for name, label in shown], marks)
    for strip, (name, _) in zip(strips, shown, strict=True):
        if name == "torque_per_degree":
            strip.axhline(0.0, color="0.6", linewidth=0.8)
    ax.set_xlabel("spark, each with the manifold pressure that holds the torque [deg BTDC]")
    title = f"{result.si.torque:.0f} N m at {result.si.speed * 60:.0f} rpm"
    ax.legend(fontsize="small", title=title, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, frameon=False)
    return ax

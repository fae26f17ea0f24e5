"""What one cell trades, as strips one under the other over one spark axis."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..marks import Mark, marks_in
from .curves import axes
from .hover import hover_points

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..advice.trade_off import TradeOff

__all__ = ["plot_trade_off"]

# Field, and what stands beside its strip.
STRIPS = (
    ("manifold_vacuum", "vacuum\n[inHg]"),
    ("imep_variation", "COV of\nIMEP [%]"),
    ("burned_fraction", "residual\n[%]"),
    ("exhaust_temperature", "exhaust\n[degC]"),
    ("fuel_flow", "fuel\n[g/s]"),
    ("torque_per_degree", "torque per\ndegree [N m]"),
)
GAP = 0.12  # of a strip's height
# How points of a mark are crossed out, and what the legend calls them.
CROSSED = (("x", Mark.KNOCKS), ("+", Mark.PAST_LIMIT))
WORDS = {Mark.KNOCKS: "knocks", Mark.PAST_LIMIT: "past the sheet's limit"}


def plot_trade_off(result: TradeOff, ax: Axes | None = None) -> Axes:
    """Plot a strip for each thing that spark trades over one spark axis; lines through all mark MBT, knock and the ceiling.

    A cross stands on every spark that knocks or passes a limit of the sheet.
    """
    ax = _tall() if ax is None else ax
    shown = [(name, label) for name, label in STRIPS if np.isfinite(getattr(result.si, name)).any()]
    spark = result.si.spark
    edges = np.append(spark, [v for v in (result.si.ceiling, result.si.knock_spark) if np.isfinite(v)])
    ax.set_xlim(edges.min() - 2.0, edges.max() + 2.0)
    ax.set_ylim(0.0, 1.0)
    ax.set_yticks([])
    ax.spines[["left", "right", "top"]].set_visible(False)
    for field, style, name in (("best_spark", "-", "MBT"), ("knock_spark", ":", "knock limit"), ("ceiling", "--", "ceiling")):
        value, ends = getattr(result.si, field), result.mark(field) in (Mark.OR_MORE, Mark.OR_LESS)
        if np.isfinite(value):
            ax.axvline(value, color="0.35", linestyle=style, linewidth=1.2, label=f"{name}, or beyond: search ends" if ends else name)
    for k, (name, label) in enumerate(shown):
        strip = ax.inset_axes((0.0, 1.0 - (k + 1 - 0.5 * GAP) / len(shown), 1.0, (1.0 - GAP) / len(shown)))
        strip.patch.set_alpha(0.0)
        values = getattr(result, name).magnitude
        strip.plot(spark, values, color="0.1", marker="o", markersize=3.0)
        unit = label.partition("[")[2].rstrip("]")
        hover_points(strip, spark, values, (f"{value:.4g} {unit} at {at:.0f} deg BTDC" for at, value in zip(spark, values, strict=True)))
        for sign, mark in CROSSED:
            at = [k for k in range(spark.size) if result.mark("spark", k) is mark]
            strip.plot(spark[at], getattr(result, name).magnitude[at], color="0.1", marker=sign, markersize=9.0, linestyle="none")
        strip.set_xlim(ax.get_xlim())
        strip.set_ylabel(label, fontsize="small")
        strip.tick_params(labelsize="small", bottom=False, labelbottom=False)
        strip.margins(y=0.12)
        if name == "torque_per_degree":
            strip.axhline(0.0, color="0.6", linewidth=0.8)
    for sign, mark in CROSSED:
        if mark in marks_in(result.marks.get("spark")):
            ax.plot([], [], color="0.1", marker=sign, markersize=9.0, linestyle="none", label=WORDS[mark])
    ax.set_xlabel("spark, each with the manifold pressure that holds the torque [deg BTDC]")
    title = f"{result.si.torque:.0f} N m at {result.si.speed * 60:.0f} rpm"
    ax.legend(fontsize="small", title=title, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, frameon=False)
    return ax


def _tall() -> Axes:
    made = axes(None)
    made.figure.set_size_inches(7.0, 9.0)  # type: ignore[union-attr]
    return made

"""Plots of a comparison: one figure each, all builds over one another, told apart by line and mark as well as by colour."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..cycle.best_torque import EARLIEST
from ..marks import marks_in
from .curves import EXHAUST, INTAKE, axes, frame_lifts
from .labels import labels_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..compare import Curves

__all__ = ["plot_compared", "plot_lifts"]

# Colours that differ in lightness as well (Okabe and Ito 2008, from memory, darkened), and lines and marks for black and white.
STYLES: tuple[dict[str, Any], ...] = tuple(
    {"color": colour, "linestyle": line, "marker": mark, "markersize": 4}
    for colour, line, mark in ((INTAKE, "-", "o"), (EXHAUST, "--", "s"), ("#1b7a5a", "-.", "^"), ("#8a3b6b", ":", "D"), ("0.35", (0, (6, 1, 1, 1)), "v"))
)
HATCHES = ("///", "...", "xxx", "+++", "---")
# Residual [%] above which flames have not been measured, as in ``plot_residual``.
BEYOND_DATA = 40.0
# What each plot draws: field of the speed, label of the y axis.
DRAWN = {
    "burned_fraction": ("burned_speed", "residual at 60 kPa [% of charge]"),
    "vacuum": ("idle_speed", "idle vacuum, neutral [inHg]"),
    "ceiling": ("ceiling_speed", "lowest ceiling up to 60 kPa [deg BTDC]"),
}


def plot_lifts(curves: Curves, names: Sequence[str], ax: Axes | None = None) -> Axes:
    """Plot the valve lift of all cams over crank angle, the overlap of each shaded."""
    ax = axes(ax)
    theta, lifts = curves.crank_angle.magnitude, {"exhaust": curves.exhaust_lift.magnitude, "intake": curves.intake_lift.magnitude}
    for k, name in enumerate(labels_of(names)):
        line, hatch, grey = STYLES[k % len(STYLES)]["linestyle"], HATCHES[k % len(HATCHES)], str(max(0.75 - 0.2 * k, 0.3))
        for kind, colour in (("exhaust", EXHAUST), ("intake", INTAKE)):
            ax.plot(theta, lifts[kind][k], color=colour, linestyle=line, label=f"{kind}, {name}")
        both = np.minimum(lifts["intake"][k], lifts["exhaust"][k])
        ax.fill_between(theta, both, facecolor=grey, edgecolor="0.2", linewidth=0.0, hatch=hatch, label=f"overlap, {name}")
    return frame_lifts(ax)


def plot_compared(curves: Curves, which: str, names: Sequence[str] = ("first", "second"), ax: Axes | None = None) -> Axes:
    """Plot ``"burned_fraction"``, ``"vacuum"`` or ``"ceiling"`` of all builds over engine speed; gaps where there is no answer.

    Parameters
    ----------
    curves : Curves
    which : str
        "burned_fraction", "vacuum" or "ceiling".
    names : sequence of str
        Of the builds, in their order.
    ax : Axes
        Where to draw; new axes when left out.
    """
    ax = axes(ax)
    along, label = DRAWN[which]
    speed, drawn = getattr(curves, along).magnitude, getattr(curves, which).magnitude
    for k, (found, name) in enumerate(zip(drawn, labels_of(names), strict=True)):
        some = bool(np.isfinite(found).any())
        ax.plot(speed, found, label=name if some else f"{name}: none", **STYLES[k % len(STYLES)])
    if which == "ceiling" and marks_in(curves.marks.get("ceiling")):
        ax.axhline(EARLIEST, color="0.6", linewidth=0.8, linestyle=":", label=f"search ends: {EARLIEST:.0f} or more")
    if which == "burned_fraction":
        ax.axhspan(BEYOND_DATA, 100.0, color="0.9", label="beyond any data")
    ax.set_xlim(speed[0], speed[-1])
    if np.isfinite(drawn).any():
        ax.set_ylim(0.0, 1.25 * float(np.nanmax(drawn)))  # room for the legend
    ax.set_xlabel("engine speed [rpm]")
    ax.set_ylabel(label)
    ax.legend(fontsize="small")
    return ax

"""Plots of a comparison: one figure each, both cams over one another; A is drawn solid, B dashed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..cycle.best_torque import EARLIEST
from ..marks import marks_in
from .curves import EXHAUST, INTAKE, axes, frame_lifts

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..cam.card import CamCard
    from ..compare import Curves

__all__ = ["plot_compared", "plot_lifts"]

# Colours that differ in lightness as well, and the lines and marks that tell them apart in black and white.
A_STYLE: dict[str, Any] = {"color": INTAKE, "linestyle": "-", "marker": "o", "markersize": 4}
B_STYLE: dict[str, Any] = {"color": EXHAUST, "linestyle": "--", "marker": "s", "markersize": 4}
# Burned gas [%] above which flames have not been measured, as in ``plot_residual``.
BEYOND_DATA = 40.0
# What each plot draws: field of the speed, fields of both cams, label of the y axis.
DRAWN = {
    "burned_fraction": ("burned_speed", "burned gas in the charge at 60 kPa [%]"),
    "vacuum": ("idle_speed", "idle vacuum, neutral [inHg]"),
    "ceiling": ("ceiling_speed", "lowest ceiling up to 60 kPa [crank deg before TDC]"),
}


def plot_lifts(a: CamCard, b: CamCard, ax: Axes | None = None) -> Axes:
    """Plot the valve lift of two cams over crank angle, the overlap of each shaded."""
    ax = axes(ax)
    theta = np.linspace(-290.0, 290.0, 1161)
    for cam, name, line, hatch, grey in ((a, "A", "-", "///", "0.75"), (b, "B", "--", "...", "0.55")):
        lifts = {kind: 1e3 * cam.lift_curve(kind).lift(theta) for kind in ("exhaust", "intake")}
        for kind, colour in (("exhaust", EXHAUST), ("intake", INTAKE)):
            ax.plot(theta, lifts[kind], color=colour, linestyle=line, label=f"{kind}, {name}")
        both = np.minimum(lifts["intake"], lifts["exhaust"])
        ax.fill_between(theta, both, facecolor=grey, edgecolor="0.2", linewidth=0.0, hatch=hatch, label=f"overlap, {name}")
    return frame_lifts(ax)


def plot_compared(curves: Curves, which: str, names: tuple[str, str] = ("A", "B"), ax: Axes | None = None) -> Axes:
    """Plot ``"burned_fraction"``, ``"vacuum"`` or ``"ceiling"`` of both cams over engine speed; gaps where there is no answer."""
    ax = axes(ax)
    along, label = DRAWN[which]
    speed = getattr(curves, along).magnitude
    drawn = [getattr(curves, f"{which}_{letter}").magnitude for letter in "ab"]
    for found, name, style in zip(drawn, names, (A_STYLE, B_STYLE), strict=True):
        some = bool(np.isfinite(found).any())
        ax.plot(speed, found, label=name if some else f"{name}: none", **style)
    if which == "ceiling" and marks_in(*(curves.marks.get(f"ceiling_{letter}") for letter in "ab")):
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

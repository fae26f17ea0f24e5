"""The choice of a cam as a picture: the allowed region over duration and lobe separation, a line with its band for each want, the cams as points."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..choose.wants import Want
from ..errors import InputError
from ..unit_system import length_text
from .curves import axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..choose.records import CamFigures, ChosenCam

__all__ = ["plot_choice"]

# About the outermost point or the range, as a share of what is shown, so that no mark of a cam is cut.
ROOM = 0.04
# Colours that differ in lightness as well (Okabe and Ito 2008, from memory, darkened), with a line of its own each for black and white.
STYLES: dict[Want, tuple[str, Any, str]] = {
    Want.IDLE_SPEED: ("0.35", (0, (1, 1)), "idles"),
    Want.IDLE_VACUUM: ("#0b5394", "-", "idle vacuum"),
    Want.MISSED_CYCLES_AT_IDLE: ("#8a3b6b", ":", "missed cycles"),
    Want.LOWEST_USABLE: ("#b3541e", "--", "lowest usable speed"),
    Want.EFFECTIVE_COMPRESSION_LEAST: ("#1b7a5a", "-.", "least compression"),
    Want.EFFECTIVE_COMPRESSION_MOST: ("#1b7a5a", (0, (6, 1, 1, 1)), "most compression"),
    Want.KEEP_FILLING: ("#7a6a00", (0, (4, 2)), "filling"),
}


def plot_choice(found: ChosenCam, ax: Axes | None = None) -> Axes:
    """Plot the allowed region at the chosen advance; each want is a line with the band that holds 10 to 90 % of cars, cams are points.

    Shaded: every want is kept as surely as is asked for. The lines are the surrogate's, the chosen point is settled.
    """
    region = found.region
    if region is None:
        raise InputError("plot", came="a choice over one of duration and lobe separation", expected="both varied", fix="give a range of each")
    ax = axes(ax)
    separation, duration = region.lobe_separation.magnitude, region.duration.magnitude
    probability = np.ma.masked_invalid(region.si.probability.T)
    ax.contourf(separation, duration, probability, levels=[found.si.sure, 1.0001], colors=["0.85"])
    ax.contourf(separation, duration, probability, levels=[0.5, found.si.sure], colors=["0.93"])
    handles: list[Any] = [ax.fill_between([], [], color="0.85", label=f"all wants kept, {100.0 * found.si.sure:.0f} % sure")]
    handles.append(ax.fill_between([], [], color="0.93", label="all wants kept, even odds"))
    for k, want in enumerate(region.wants):
        colour, line, label = STYLES[want]
        low, middle, high = (np.ma.masked_invalid(values[k].T) for values in (region.si.low, region.si.margin, region.si.high))
        crosses = bool(middle.min() < 0.0 < middle.max())
        if crosses:
            ax.contour(separation, duration, middle, levels=[0.0], colors=[colour], linestyles=[line], linewidths=1.8)
        if not np.array_equal(low, high):
            between = np.ma.minimum(high, -low)
            if bool(between.max() > 0.0):
                ax.contourf(separation, duration, between, levels=[0.0, np.inf], colors=[colour], alpha=0.15)
        handles += ax.plot([], [], color=colour, linestyle=line, linewidth=1.8, label=label if crosses else f"{label}: no line here")
    points = [
        (found.present, "s", "present cam"),
        (found.sheet, "D", "sheet's card"),
        (found.largest, "^", "by the middle figures"),
        (found.chosen, "*", "chosen"),
    ]
    for card, mark, name in points:
        if card is not None:
            handles += _point(ax, card, mark, name)
    cards = [card for card, *_ in points if card is not None]
    for set_limits, along, own in (
        (ax.set_xlim, separation, [card.si.lobe_separation / 2.0 for card in cards]),
        (ax.set_ylim, duration, [card.si.duration for card in cards]),
    ):
        # Cams outside the range searched stay in the picture; nothing is shaded there.
        least, most = float(min(along[0], *own)), float(max(along[-1], *own))
        set_limits(least - ROOM * (most - least), most + ROOM * (most - least))
    way = "advanced" if region.si.advance >= 0.0 else "retarded"
    ax.set_xlabel(f"lobe separation, {abs(region.si.advance):.1f} deg {way} [cam deg]")
    ax.set_ylabel(f"intake duration at {length_text(found.sheet.si.height, found.units)} [crank deg]")
    ax.legend(handles=handles, fontsize="small", loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False)
    return ax


def _point(ax: Axes, card: CamFigures, mark: str, name: str) -> list[Any]:
    """Draw a cam."""
    size, face, over = (15, "black", 3) if mark == "*" else (8, "white", 4)
    at = [card.si.lobe_separation / 2.0], [card.si.duration]
    return ax.plot(*at, linestyle="none", marker=mark, markersize=size, markeredgecolor="black", markerfacecolor=face, label=name, zorder=over)

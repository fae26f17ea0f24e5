"""What is heard as strips over one time axis: crank speed, the work of each burn, the car's acceleration."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .curves import axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..sound.hearing import HeardDrive, HeardIdle

__all__ = ["plot_heard"]

GAP = 0.12  # of a strip's height


def plot_heard(heard: HeardIdle | HeardDrive, ax: Axes | None = None) -> Axes:
    """Plot an idle or a drive that is heard; a dashed line is a missed cycle, and in neutral there is no acceleration."""
    ax = axes(ax)
    lines, firings = heard.lines.si, heard.firings
    ax.set_xlim(0.0, firings.duration)
    ax.set_ylim(0.0, 1.0)
    ax.set_yticks([])
    moving = np.isfinite(lines.acceleration).all()
    labels = ["crank\n[rpm]", "burn\n[J]", *(["acceleration\n[m/s²]"] if moving else [])]
    strips = [ax.inset_axes((0.0, 1.0 - (k + 1 - 0.5 * GAP) / len(labels), 1.0, (1.0 - GAP) / len(labels))) for k in range(len(labels))]
    strips[0].plot(lines.time, 60.0 * lines.speed, color="black", linewidth=0.9)
    strips[1].vlines(firings.si.time, 0.0, firings.si.burn, color="black", linewidth=0.7)
    ax.vlines(firings.si.time[firings.missed > 0.0], 0.0, 1.0, color="tab:orange", linestyle="--", linewidth=1.2)
    if moving:
        strips[2].plot(lines.time, lines.acceleration, color="black", linewidth=0.9)
    for strip, label in zip(strips, labels, strict=True):
        strip.set_xlim(ax.get_xlim())
        strip.patch.set_alpha(0.0)
        strip.set_ylabel(label, fontsize="small")
        strip.tick_params(labelsize="small", bottom=False, labelbottom=False)
        strip.grid(linewidth=0.3)
    ax.set_xlabel("time [s]")
    ax.set_ylabel("heard [each strip in its own unit]", labelpad=60.0)
    return ax

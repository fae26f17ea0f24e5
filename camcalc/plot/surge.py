"""Surge as pictures: acceleration over speed and load in a gear, with the level road drawn in."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..vehicle.acceleration_weighting import SurgeGrade
from .curves import axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..drive.risk import SurgeMap

__all__ = ["plot_surge"]

SHORT = {
    SurgeGrade.UNKNOWN: "?", SurgeGrade.SMOOTH: "-", SurgeGrade.TRACE: "t", SurgeGrade.NOTICEABLE: "n", SurgeGrade.DISTURBING: "D",
    SurgeGrade.SEVERE_BUCKING: "S", SurgeGrade.SELF_EXCITED_BUCKING: "B",
}  # fmt: skip


def plot_surge(found: SurgeMap, ax: Axes | None = None, *, road_speed_unit: str = "km/h") -> Axes:
    """Plot damping over speed and load; letters give the verdict, the line is the level road, blank cells do not run."""
    ax = axes(ax)
    speeds, loads = found.speed.magnitude, found.manifold_pressure.magnitude
    mesh = ax.pcolormesh(speeds, loads, np.ma.masked_invalid(found.si.damping), cmap="cividis", vmin=0.0, vmax=0.25, shading="nearest")
    for (row, column), damping in np.ndenumerate(found.si.damping):
        grade = found.verdict[row][column]
        if grade is not None:
            ax.text(speeds[column], loads[row], SHORT[grade], ha="center", va="center", fontsize=8, color="white" if damping < 0.13 else "black")
    ax.plot(speeds, found.road_pressure.magnitude, color="white", linewidth=3.0)
    ax.plot(speeds, found.road_pressure.magnitude, color="black", linewidth=1.5, label="level road")
    ax.set_xlabel(f"engine speed in gear {found.gear} [rpm]")
    ax.set_ylabel("manifold pressure [kPa]")
    scale = found.road_speed.to(road_speed_unit).magnitude[-1] / speeds[-1]
    top = ax.secondary_xaxis("top", functions=(lambda n: n * scale, lambda v: v / scale))
    top.set_xlabel(f"road speed [{road_speed_unit}]")
    ax.figure.colorbar(mesh, ax=ax, label="damping of the least damped mode [1]")
    ax.legend(fontsize="small", loc="upper right", title="D disturbing, S severe, B self-excited", title_fontsize="x-small")
    return ax

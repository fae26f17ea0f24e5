"""A drive over time as strips: engine and road speed, spark, manifold pressure with the pedal, acceleration."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..words.drive_run import drive_title
from .curves import axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from ..drive.drive_run import DriveRun

__all__ = ["plot_drive"]

GAP = 0.10  # of a strip's height


def plot_drive(run: DriveRun, ax: Axes | None = None, *, road_speed_unit: str = "km/h") -> Axes:
    """Plot a drive as strips over one time axis; dashed is the second of a strip's two, grey where fuel is cut."""
    if ax is None:
        ax = axes(None)
        ax.figure.set_size_inches(8.0, 8.0)  # type: ignore[union-attr]
    si = run.si
    ax.set_xlim(si.time[0], si.time[-1])
    ax.set_ylim(0.0, 1.0)
    ax.set_yticks([])
    cut = run.fuel_cut > 0.5
    ax.fill_between(si.time, 0.0, 1.0, where=cut, color="0.85", linewidth=0.0, label="fuel cut")
    strips: list[tuple[str, NDArray[np.float64], str, NDArray[np.float64]]] = [
        ("engine\n[rpm]", si.speed * 60.0, f"road\n[{road_speed_unit}]" if run.gear else "", run.road_speed.to(road_speed_unit).magnitude),
        ("spark\n[deg BTDC]", si.spark, "", si.spark),
        ("manifold\n[kPa]", si.manifold_pressure / 1e3, "pedal\n[%]", si.pedal * 100.0),
    ]
    if run.gear:
        strips.append(("acceleration\n[m/s²]", si.acceleration, "", si.acceleration))
    for k, (label, values, second, others) in enumerate(strips):
        strip = ax.inset_axes((0.0, 1.0 - (k + 1 - 0.5 * GAP) / len(strips), 1.0, (1.0 - GAP) / len(strips)))
        _line(strip, si.time, values, label, "-")
        strip.set_xlim(ax.get_xlim())
        strip.grid(linewidth=0.3)
        if second:
            _line(strip.twinx(), si.time, others, second, "--")
    ax.set_xlabel("time [s]")
    ax.set_ylabel("drive [each strip in its own unit]", labelpad=60.0)
    ax.set_title(drive_title(run, road_speed_unit), fontsize="medium")
    if cut.any():
        ax.legend(fontsize="small", loc="lower right", bbox_to_anchor=(1.0, 1.0), frameon=False)
    return ax


def _line(strip: Any, time: Any, values: Any, label: str, style: str) -> None:
    strip.patch.set_alpha(0.0)
    strip.plot(time, values, color="black" if style == "-" else "tab:orange", linestyle=style, linewidth=0.9)
    strip.set_ylabel(label, fontsize="small")
    strip.tick_params(labelsize="small", bottom=False, labelbottom=False)

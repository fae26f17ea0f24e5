"""Logs as pictures: a channel over time with the surge marked, and where in the table it drove."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .curves import axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..logs import DriveLog, SurgeFindings
    from ..tables import SparkTable

__all__ = ["plot_log", "plot_visited"]

# How a channel is shown: label, factor from its inner unit.
CHANNELS = {
    "speed": ("engine speed [rpm]", 60.0),
    "spark": ("final spark [deg BTDC]", 1.0),
    "road_speed": ("road speed [km/h]", 3.6),
    "acceleration": ("acceleration [m/s2]", 1.0),
    "pedal": ("pedal [%]", 100.0),
}


def plot_log(log: DriveLog, findings: SurgeFindings, channel: str = "speed", ax: Axes | None = None) -> Axes:
    """Plot a channel of a log over time; surge is hatched, with its frequency, and what the driver did is dotted.

    Parameters
    ----------
    log : DriveLog
    findings : SurgeFindings
        Of the same log.
    channel : str
        "speed", "spark", "road_speed", "acceleration" or "pedal".
    ax : Axes
        Where to draw; new axes when left out.
    """
    ax = axes(ax)
    label, scale = CHANNELS[channel]
    values = scale * log.values(channel)
    for piece in np.unique(log.piece):
        rows = log.piece == piece
        ax.plot(log.si.time[rows], values[rows], color="0.1", linewidth=0.8)
    for k, episode in enumerate(findings.episodes):
        ax.axvspan(episode.si.start, episode.si.end, facecolor="0.85", edgecolor="0.4", hatch="//", alpha=0.5, label="surge" if k == 0 else None)
        text = f" {episode.si.frequency:.1f} Hz" if np.isfinite(episode.si.frequency) else " ? Hz"
        ax.text(episode.si.start, 0.98, text, transform=ax.get_xaxis_transform(), va="top", fontsize=8)
    for k, manoeuvre in enumerate(findings.manoeuvres):
        ax.axvline(manoeuvre.si.start, color="0.5", linestyle=":", linewidth=0.9, label="driver's doing, not the table" if k == 0 else None)
    ax.set_xlabel("time [s]")
    ax.set_ylabel(label)
    if findings.episodes or findings.manoeuvres:
        ax.legend(fontsize="small", loc="lower right")
    return ax


def plot_visited(log: DriveLog, findings: SurgeFindings, table: SparkTable, ax: Axes | None = None) -> Axes:
    """Plot how many seconds each cell of a table took part in the lookup; cells that surge visited are framed.

    Parameters
    ----------
    log : DriveLog
    findings : SurgeFindings
        Of the same log.
    table : SparkTable
        In the log's kind of load.
    ax : Axes
        Where to draw; new axes when left out.
    """
    from matplotlib.patches import Rectangle

    from ..logs.causes import cell_weights

    ax = axes(ax)
    seconds = cell_weights(log, table, ((float(log.si.time[0]), float(log.si.time[-1])),))
    surging = cell_weights(log, table, [(e.si.start, e.si.end) for e in findings.episodes])
    rows, columns = table.shape
    mesh = ax.pcolormesh(np.arange(columns + 1), np.arange(rows + 1), np.ma.masked_less(seconds, 0.05), cmap="cividis_r", edgecolors="0.85", linewidth=0.4)
    for (row, column), spark in np.ndenumerate(table.si.cells):
        ax.text(
            column + 0.5,
            row + 0.5,
            f"{spark:g}",
            ha="center",
            va="center",
            fontsize=7,
            color="white" if seconds[row, column] > 0.6 * seconds.max() else "black",
        )
        if surging[row, column] > 0.2:
            ax.add_patch(Rectangle((column + 0.06, row + 0.06), 0.88, 0.88, fill=False, edgecolor="black", linewidth=1.8))
    down, along = table.axes
    ax.set_xticks(np.arange(columns) + 0.5, [f"{v / along.scale:.4g}" for v in table.loads], fontsize=7)
    ax.set_yticks(np.arange(rows) + 0.5, [f"{v / down.scale:.4g}" for v in table.si.speed], fontsize=7)
    ax.set_xlabel(f"{table.load_kind} [{along.unit}]")
    ax.set_ylabel(f"engine speed [{down.unit}]")
    ax.figure.colorbar(mesh, ax=ax, label="time in the lookup [s]; framed: surge")
    return ax

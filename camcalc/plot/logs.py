"""Logs as pictures: channels over time with the surge marked, where in the table it drove, the worst episode taken apart."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .curves import axes
from .hover import hover_points
from .strips import tall_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..logs import DriveLog, SurgeFindings
    from ..logs.drawn import DrivenTable, LogTrace, SurgeSpectrum, WorstEpisode
    from ..logs.surge_finder import SurgeEpisode
    from ..tables import SparkTable

__all__ = ["plot_driven", "plot_log", "plot_spark_path", "plot_spectrum", "plot_trace", "plot_visited"]

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


def plot_trace(trace: LogTrace, ax: Axes | None = None, *, speeds: tuple[float, float] | None = None, sparks: tuple[float, float] | None = None) -> Axes:
    """Plot engine speed and final spark of a log over time, surge hatched; a long log as the least and greatest of each pixel's rows.

    Parameters
    ----------
    trace : LogTrace
    ax : Axes
        Where to draw; new axes when left out.
    speeds, sparks : tuple of two floats [rpm], [deg BTDC]
        Ends of the axes, so that two logs compare; from the log itself when left out.
    """
    bands = [("engine speed\n[rpm]", trace.speed_low.magnitude, trace.speed_high.magnitude, speeds)]
    if trace.spark_low.magnitude.size:
        bands.append(("final spark\n[deg BTDC]", trace.spark_low.magnitude, trace.spark_high.magnitude, sparks))
    ax = tall_axes(ax, len(bands) + 1)
    time = trace.si.time
    ax.set_xlim(float(time.min()), float(time.max()) if time.max() > time.min() else float(time.min()) + 1.0)
    ax.set_ylim(0.0, 1.0)
    ax.set_yticks([])
    ax.spines[["left", "right", "top"]].set_visible(False)
    for k, (label, low, high, ends) in enumerate(bands):
        strip = ax.inset_axes((0.0, 1.0 - (k + 0.94) / len(bands), 1.0, 0.88 / len(bands)))
        # Up and down within each column, so that what swings faster than a pixel stays as high as it is.
        strip.plot(np.repeat(time, 2), np.column_stack([low, high]).ravel(), color="0.1", linewidth=0.7)
        strip.set_xlim(ax.get_xlim())
        if ends is not None:
            strip.set_ylim(*ends)
        strip.set_ylabel(label, fontsize="small")
        strip.tick_params(labelsize="small", bottom=False, labelbottom=False)
        for episode in trace.episodes:
            strip.axvspan(episode.si.start, episode.si.end, facecolor="0.85", edgecolor="0.4", hatch="//", alpha=0.5)
        if k == 0:
            middles = [0.5 * (e.si.start + e.si.end) for e in trace.episodes]
            hover_points(strip, middles, [60.0 * e.si.speed for e in trace.episodes], map(_episode_text, trace.episodes), size=14.0)
    if trace.episodes:
        ax.fill_between([], [], facecolor="0.85", edgecolor="0.4", hatch="//", alpha=0.5, label="surge")
        ax.legend(fontsize="small", loc="lower right", bbox_to_anchor=(1.0, 1.0), frameon=False)
    ax.set_xlabel("time [s]")
    return ax


def _episode_text(episode: SurgeEpisode) -> str:
    beat = f"{episode.si.frequency:.1f} Hz" if np.isfinite(episode.si.frequency) else "frequency not resolved"
    swing = f"speed swings by {120.0 * episode.si.speed_amplitude:.0f} rpm peak to peak"
    return f"{episode.si.start:.1f} to {episode.si.end:.1f} s: {beat} at {60.0 * episode.si.speed:.0f} rpm, {swing}, grade {episode.grade}"


def plot_driven(driven: DrivenTable, ax: Axes | None = None) -> Axes:
    """Plot a table as driven: darker cells were driven longer, framed ones surged; a cell to lower shows both numbers, old over new.

    Parameters
    ----------
    driven : DrivenTable
    ax : Axes
        Where to draw; new axes when left out.
    """
    from matplotlib.patches import Rectangle

    made = ax is None
    ax = axes(ax)
    load_unit, load_size = _load_unit(driven)
    cells, then, more, seconds, surging = (getattr(driven.si, name) for name in ("cells", "then", "more", "driven", "surging"))
    rows, columns = cells.shape
    if made:
        ax.figure.set_size_inches(max(7.0, 0.62 * columns + 1.8), max(3.0, 0.42 * rows + 1.2))  # type: ignore[union-attr]
    most = max(float(seconds.max()), 0.05)
    mesh = ax.pcolormesh(
        np.arange(columns + 1), np.arange(rows + 1), np.ma.masked_less(seconds, 0.05), cmap="cividis_r", vmin=0.0, vmax=most, edgecolors="0.85", linewidth=0.4
    )
    for (row, column), spark in np.ndenumerate(cells):
        lowered, raised = then[row, column] < spark - 1e-9, more[row, column] > spark + 1e-9
        new = f"\n→ {then[row, column]:g}" if lowered else f"\n(+ {more[row, column] - spark:g})" if raised else ""
        dark = seconds[row, column] > 0.55 * most
        ax.text(
            column + 0.5, row + 0.5, f"{spark:g}{new}", ha="center", va="center", fontsize=7, color="white" if dark else "black",
            fontweight="bold" if lowered else "normal", linespacing=0.95,
        )  # fmt: skip
        if surging[row, column] > 0.2:
            ax.add_patch(Rectangle((column + 0.06, row + 0.06), 0.88, 0.88, fill=False, edgecolor="white" if dark else "black", linewidth=1.8))
    places = [(i, j) for i in range(rows) for j in range(columns)]
    hover_points(ax, [j + 0.5 for _, j in places], [i + 0.5 for i, _ in places], (_cell_text(driven, i, j) for i, j in places), size=18.0)
    ax.set_xticks(np.arange(columns) + 0.5, [f"{v / load_size:.4g}" for v in driven.loads], fontsize=7)
    ax.set_yticks(np.arange(rows) + 0.5, [f"{60.0 * v:.4g}" for v in driven.si.speed], fontsize=7)
    ax.set_xlim(0, columns)
    ax.set_ylim(0, rows)
    ax.set_xlabel(f"{driven.load_kind} [{load_unit}]")
    ax.set_ylabel("engine speed [rpm]")
    ax.figure.colorbar(mesh, ax=ax, label="time in the lookup [s]; framed: surge")
    return ax


def _load_unit(driven: DrivenTable) -> tuple[str, float]:
    from ..tables.axes import axis_of

    return axis_of(driven.load_kind).unit, axis_of(driven.load_kind).scale


def _cell_text(driven: DrivenTable, row: int, column: int) -> str:
    si = driven.si
    unit, size = _load_unit(driven)
    place = f"{60.0 * si.speed[row]:.0f} rpm, {driven.loads[column] / size:.4g} {unit}"
    lower = f", lower to {si.then[row, column]:g}" if si.then[row, column] < si.cells[row, column] else ""
    return f"{place}: {si.cells[row, column]:g} deg{lower}; driven {si.driven[row, column]:.1f} s, in surge {si.surging[row, column]:.1f} s"


def plot_spectrum(spectrum: SurgeSpectrum, ax: Axes | None = None, *, before: SurgeSpectrum | None = None) -> Axes:
    """Plot amplitudes of engine speed over frequency in the worst episode; that of the log before a change dashed beside it.

    Parameters
    ----------
    spectrum : SurgeSpectrum
    ax : Axes
        Where to draw; new axes when left out.
    before : SurgeSpectrum
        Of the log before.
    """
    ax = axes(ax)
    frequency, size = spectrum.si.frequency, spectrum.amplitude.magnitude
    ax.plot(frequency, size, color="0.1", linewidth=1.2, label="this log" if before is not None else None)
    if before is not None:
        ax.plot(before.si.frequency, before.amplitude.magnitude, color="0.45", linestyle="--", linewidth=1.2, label="before")
        ax.legend(fontsize="small")
    peak = int(np.argmax(size))
    ax.annotate(f"{frequency[peak]:.1f} Hz", (frequency[peak], size[peak]), textcoords="offset points", xytext=(6, -2), fontsize="small")
    step = max(len(frequency) // 60, 1)
    hover_points(ax, frequency[::step], size[::step], (f"{f:.2f} Hz: {a:.3g} rpm" for f, a in zip(frequency[::step], size[::step], strict=True)))
    ax.set_xlabel("frequency [Hz]")
    ax.set_ylabel("amplitude of engine speed [rpm]")
    ax.set_ylim(bottom=0.0)
    return ax


def plot_spark_path(worst: WorstEpisode, ax: Axes | None = None) -> Axes:
    """Plot final spark over engine speed through some periods of the worst episode, and what the table has there.

    Parameters
    ----------
    worst : WorstEpisode
    ax : Axes
        Where to draw; new axes when left out.
    """
    ax = axes(ax)
    speed = worst.speed.magnitude
    ax.plot(speed, worst.si.spark, color="0.1", linewidth=1.0, marker="o", markersize=2.5, label="final spark, logged")
    if worst.si.table_spark.size:
        ax.plot(speed, worst.si.table_spark, color="0.5", linestyle="--", linewidth=1.0, label="the table there")
    step = max(len(speed) // 80, 1)
    texts = (f"{t:.2f} s: {n:.0f} rpm, {s:.1f} deg BTDC" for t, n, s in zip(worst.si.time[::step], speed[::step], worst.si.spark[::step], strict=True))
    hover_points(ax, speed[::step], worst.si.spark[::step], texts, size=7.0)
    ax.set_xlabel("engine speed [rpm]")
    ax.set_ylabel("spark [deg BTDC]")
    ax.legend(fontsize="small")
    return ax

"""The brief's four plots."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..cycle.operating import EngineModel
from ..marks import marked

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..advice.injection import InjectionWindows
    from ..advice.spark import SparkCeilings
    from ..cam.card import CamCard

__all__ = ["plot_ceilings", "plot_injection", "plot_lift", "plot_residual"]

INTAKE, EXHAUST = "#00457c", "#c26a00"


def axes(ax: Axes | None) -> Axes:
    """Return the given axes, or new ones on a figure of their own."""
    if ax is not None:
        return ax
    from matplotlib.figure import Figure

    made: Axes = Figure(figsize=(8.0, 4.2), layout="constrained").add_subplot()
    return made


def plot_lift(cam: CamCard, other: CamCard | None = None, ax: Axes | None = None) -> Axes:
    """Plot valve lift over crank angle with the overlap shaded; ``other`` is drawn thin for comparison."""
    ax = axes(ax)
    theta = np.linspace(-330.0, 330.0, 1321)
    for kind, colour in (("exhaust", EXHAUST), ("intake", INTAKE)):
        ax.plot(theta, 1e3 * cam.lift_curve(kind).lift(theta), color=colour, label=kind, linestyle="-" if kind == "intake" else "--")
        if other:
            ax.plot(
                theta,
                1e3 * other.lift_curve(kind).lift(theta),
                color=colour,
                linewidth=0.8,
                alpha=0.7,
                linestyle="-." if kind == "intake" else ":",
                label=f"{kind}, replaced cam",
            )
    both = 1e3 * np.minimum(cam.lift_curve("intake").lift(theta), cam.lift_curve("exhaust").lift(theta))
    ax.fill_between(theta, both, color="0.45", alpha=0.6, label="overlap", hatch="///", linewidth=0.0)
    return frame_lifts(ax)


def frame_lifts(ax: Axes) -> Axes:
    """Dress axes with valve lifts drawn in: ends, ticks, labels, legend, a line at the overlap's dead centre."""
    ax.axvline(0.0, color="0.6", linewidth=0.8)
    ax.set_xlim(-290, 290)
    ax.set_ylim(0.0, 1.25 * ax.get_ylim()[1])
    ax.set_xticks(range(-270, 271, 90))
    ax.set_xlabel("crank angle, 0 at the top dead centre of the overlap [crank deg]")
    ax.set_ylabel("valve lift [mm]")
    ax.legend(loc="upper center", fontsize="x-small", ncols=2)
    return ax


def plot_residual(models: dict[str, EngineModel], pressure: float = 60e3, spark: float = 30.0, ax: Axes | None = None) -> Axes:
    """Plot burned fraction over engine speed at one manifold pressure [Pa] and spark [crank deg], for each model by name."""
    ax = axes(ax)
    speeds = np.arange(600.0, 4001.0, 200.0)
    top = 50.0
    for style, (name, model) in zip(("-", "--", "-."), models.items(), strict=False):
        burned = np.array([model.state(s / 60.0, pressure, spark).burned_fraction for s in speeds])
        ax.plot(speeds, 100.0 * burned, style, color="0.15", label=name)
        top = max(top, 105.0 * float(burned.max()))
    ax.axhspan(40.0, 110.0, color="0.88", label="beyond any data")
    ax.set_ylim(0.0, min(top, 100.0))
    ax.set_xlim(speeds[0], speeds[-1])
    ax.set_xlabel("engine speed [rpm]")
    ax.set_ylabel(f"burned gas in the charge at {pressure / 1e3:.0f} kPa [%]")
    ax.legend(fontsize="small")
    return ax


def plot_ceilings(ceilings: SparkCeilings, ax: Axes | None = None) -> Axes:
    """Plot the ceilings as a numbered grid, each with its mark; cells without a ceiling stay blank, darker is lower."""
    ax = axes(ax)
    grid = ceilings.si.ceiling
    speeds, loads = ceilings.si.speed * 60.0, ceilings.si.manifold_pressure / 1e3
    mesh = ax.pcolormesh(
        np.arange(len(speeds) + 1), np.arange(len(loads) + 1), np.ma.masked_invalid(grid), cmap="cividis", vmin=5.0, vmax=60.0, edgecolors="0.8", linewidth=0.5
    )
    for (row, column), value in np.ndenumerate(grid):
        if np.isfinite(value):
            text = marked(f"{value:.0f}", ceilings.mark("ceiling", row, column)).replace(" or ", "\nor ")
            ax.text(column + 0.5, row + 0.5, text, ha="center", va="center", color="white" if value < 36.0 else "black", fontsize=9)
    ax.set_xticks(np.arange(len(speeds)) + 0.5, [f"{s:.0f}" for s in speeds])
    ax.set_yticks(np.arange(len(loads)) + 0.5, [f"{p:.0f}" for p in loads])
    ax.set_xlabel("engine speed [rpm]")
    ax.set_ylabel("manifold pressure [kPa]")
    ax.figure.colorbar(mesh, ax=ax, label="spark ceiling, FINAL spark [crank deg before TDC]")
    return ax


def plot_injection(windows: InjectionWindows, cam: CamCard, row: int = 0, ax: Axes | None = None) -> Axes:
    """Plot the injection windows along a crank-angle strip, one bar a speed, at one load row."""
    ax = axes(ax)
    intake, exhaust = cam.lift_curve("intake").seat_edges(), cam.lift_curve("exhaust").seat_edges()
    speeds = windows.si.speed * 60.0
    ax.axvspan(intake[0], intake[1], color=INTAKE, alpha=0.12, label="intake open")
    ax.axvspan(exhaust[0], exhaust[1], color=EXHAUST, alpha=0.12, hatch="//", label="exhaust open")
    runs = np.flatnonzero(np.isfinite(windows.si.end_of_injection[row]))
    for k in runs:
        _strip(ax, windows.si, row, int(k), named=k == runs[0])
    ax.axvline(0.0, color="0.5", linewidth=0.8)
    ax.set_yticks(range(len(speeds)), [f"{s:.0f}" for s in speeds])
    ax.set_ylabel("engine speed [rpm]")
    ax.set_xlim(-500.0, 300.0)
    ax.set_xlabel("end of injection: crank angle, 0 at the top dead centre of the overlap [crank deg]")
    ax.legend(fontsize="small", loc="upper right")
    return ax


def _strip(ax: Axes, si: Any, row: int, k: int, *, named: bool) -> None:
    for early, late, hatch, name in (
        (si.shut_earliest, si.shut_latest, "", "by events: shut valve"),
        (si.open_earliest, si.open_latest, "xx", "by events: open valve"),
    ):
        if np.isfinite(early[row, k]):
            ax.barh(k, early[row, k] - late[row, k], left=-early[row, k], height=0.5, color="0.75", edgecolor="0.3", hatch=hatch, label=name if named else None)
    if np.isfinite(si.earliest[row, k]):
        early, late = si.earliest[row, k], si.latest[row, k]
        ax.barh(k, early - late, left=-early, height=0.22, color="0.25", label="by the flows, recommended" if named else None)
    end = -si.end_of_injection[row, k]
    ax.plot([end - si.pulse_angle[row, k], end], [k, k], color="#b00000", linewidth=2.5, label="recommended pulse" if named else None)
    ax.plot([end], [k], marker="|", color="#b00000", markersize=12)

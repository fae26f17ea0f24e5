"""The brief's four plots."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..advice.curves import valve_lifts
from ..cam.card import CamCard
from ..marks import marked
from .hover import hover_points
from .labels import labels_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..advice.curves import ResidualCurve, ValveLifts
    from ..advice.injection import InjectionWindows
    from ..advice.spark import SparkCeilings
    from ..results import Floats

__all__ = ["plot_ceilings", "plot_injection", "plot_lift", "plot_residual"]

INTAKE, EXHAUST = "#00457c", "#c26a00"
# A number on hover for every twentieth point of a lift curve.
HOVER_EVERY = 20
# Residual [%] above which flames have not been measured; from the burn data of ``burn.flame``.
FLAME_DATA_END = 40.0


def axes(ax: Axes | None) -> Axes:
    """Return the given axes, or new ones on a figure of their own."""
    if ax is not None:
        return ax
    from matplotlib.figure import Figure

    made: Axes = Figure(figsize=(8.0, 4.2), layout="constrained").add_subplot()
    return made


def plot_lift(cam: CamCard | ValveLifts, other: CamCard | ValveLifts | None = None, ax: Axes | None = None) -> Axes:
    """Plot valve lift over crank angle with the overlap shaded; ``other`` is drawn thin for comparison."""
    ax = axes(ax)
    lifts, beside = (valve_lifts(one) if isinstance(one, CamCard) else one for one in (cam, other))
    assert lifts is not None
    for kind, colour in (("exhaust", EXHAUST), ("intake", INTAKE)):
        theta, lift = lifts.si.angle, 1e3 * getattr(lifts.si, kind)
        ax.plot(theta, lift, color=colour, label=kind, linestyle="-" if kind == "intake" else "--")
        if beside is not None:
            thin: dict[str, Any] = {"color": colour, "linewidth": 0.8, "alpha": 0.7, "linestyle": "-." if kind == "intake" else ":"}
            ax.plot(beside.si.angle, 1e3 * getattr(beside.si, kind), label=f"{kind}, replaced cam", **thin)
        shown = np.flatnonzero(lift > 0.0)[::HOVER_EVERY]
        hover_points(ax, theta[shown], lift[shown], (f"{kind}: {lift[k]:.1f} mm at {crank_words(theta[k])}" for k in shown))
    both = 1e3 * np.minimum(lifts.si.intake, lifts.si.exhaust)
    ax.fill_between(lifts.si.angle, both, color="0.45", alpha=0.6, label="overlap", hatch="///", linewidth=0.0)
    return frame_lifts(ax)


def crank_words(angle: float) -> str:
    """Write a crank angle [crank deg] with its zero.

    >>> crank_words(-24.0), crank_words(0.0)
    ('24 deg before overlap TDC', 'overlap TDC')
    """
    side = "before" if angle < 0.0 else "after"
    return f"{abs(angle):.0f} deg {side} overlap TDC" if round(angle) else "overlap TDC"


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


def plot_residual(curves: Sequence[ResidualCurve], ax: Axes | None = None) -> Axes:
    """Plot residual over engine speed, a line for each cam, all at the first one's manifold pressure and spark."""
    ax = axes(ax)
    top = 50.0
    labels = labels_of(curve.cam for curve in curves)
    for style, curve, label in zip(("-", "--", "-."), curves, labels, strict=False):
        speeds, share = 60.0 * curve.si.speed, 100.0 * curve.si.residual
        ax.plot(speeds, share, style, color="0.15", label=label)
        hover_points(ax, speeds, share, (f"{curve.cam}: {y:.0f} % at {x:.0f} rpm" for x, y in zip(speeds, share, strict=True)))
        top = max(top, 1.05 * float(np.nanmax(share)))
    ax.axhspan(FLAME_DATA_END, 110.0, color="0.88", label="beyond any data")
    ax.set_ylim(0.0, min(top, 100.0))
    ax.set_xlim(float(60.0 * curves[0].si.speed.min()), float(60.0 * curves[0].si.speed.max()))
    ax.set_xlabel("engine speed [rpm]")
    ax.set_ylabel(f"residual at {curves[0].si.manifold_pressure / 1e3:.0f} kPa, spark {curves[0].si.spark:.0f} deg BTDC [% of charge]")
    ax.legend(fontsize="small")
    return ax


def label_colour(ground: tuple[float, ...]) -> str:
    """Return the colour of a label on a colour (red, green, blue, 0 to 1): black or white, the one with more contrast (WCAG 2.1, from memory).

    >>> label_colour((0.0, 0.1, 0.3)), label_colour((1.0, 0.9, 0.3))
    ('white', 'black')
    """
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in ground[:3]]
    brightness = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return "white" if 1.05 / (brightness + 0.05) > (brightness + 0.05) / 0.05 else "black"


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
            shade = mesh.to_rgba(np.array([value]))[0]
            text = marked(f"{value:.0f}", ceilings.mark("ceiling", row, column)).replace(" or ", "\nor ")
            ax.text(column + 0.5, row + 0.5, text, ha="center", va="center", color=label_colour(tuple(shade)), fontsize=7 if "\n" in text else 9)
    ax.set_xticks(np.arange(len(speeds)) + 0.5, [f"{s:.0f}" for s in speeds])
    ax.set_yticks(np.arange(len(loads)) + 0.5, [f"{p:.0f}" for p in loads])
    ax.set_xlabel("engine speed [rpm]")
    ax.set_ylabel("manifold pressure [kPa]")
    ax.figure.colorbar(mesh, ax=ax, label="spark ceiling, final spark [deg BTDC]")
    cells = [(row, column) for (row, column), value in np.ndenumerate(grid) if np.isfinite(value)]
    texts = (f"{marked(f'{grid[k, j]:.0f} deg BTDC', ceilings.mark('ceiling', k, j))} at {speeds[j]:.0f} rpm, {loads[k]:.0f} kPa" for k, j in cells)
    hover_points(ax, [j + 0.5 for _, j in cells], [k + 0.5 for k, _ in cells], texts, size=20.0)
    return ax


def plot_injection(windows: InjectionWindows, cam: CamCard | ValveLifts | None = None, row: int = 0, ax: Axes | None = None) -> Axes:
    """Plot the injection windows along a crank-angle strip, one bar a speed, at one load row; angles before overlap top dead centre, time to the right.

    Parameters
    ----------
    windows : InjectionWindows
    cam : CamCard or ValveLifts, optional
        Whose valve openings are shaded.
    row : int
        Which manifold pressure of the windows, counted from 0.
    ax : Axes
        Where to draw; new axes when left out.
    """
    ax = axes(ax)
    speeds = windows.si.speed * 60.0
    if cam is not None:
        lifts = (valve_lifts(cam) if isinstance(cam, CamCard) else cam).si
        ax.axvspan(-lifts.intake_closes, -lifts.intake_opens, color=INTAKE, alpha=0.12, label="intake open")
        ax.axvspan(-lifts.exhaust_closes, -lifts.exhaust_opens, color=EXHAUST, alpha=0.12, hatch="//", label="exhaust open")
    runs = np.flatnonzero(np.isfinite(windows.si.end_of_injection[row]))
    for k in runs:
        _strip(ax, windows.si, row, int(k), named=k == runs[0])
    ax.axvline(0.0, color="0.5", linewidth=0.8)
    ax.set_yticks(range(len(speeds)), [f"{s:.0f}" for s in speeds])
    ax.set_ylabel("engine speed [rpm]")
    ax.set_xlim(500.0, -300.0)
    ax.set_xlabel("crank angle [crank deg before overlap TDC; negative: after]")
    ax.legend(fontsize="small", loc="upper right")
    return ax


def _strip(ax: Axes, si: Floats[InjectionWindows], row: int, k: int, *, named: bool) -> None:
    for early, late, hatch, name in (
        (si.shut_earliest, si.shut_latest, "", "by valve events: closed valve"),
        (si.open_earliest, si.open_latest, "xx", "by valve events: open valve"),
    ):
        if np.isfinite(early[row, k]):
            ax.barh(k, early[row, k] - late[row, k], left=late[row, k], height=0.5, color="0.75", edgecolor="0.3", hatch=hatch, label=name if named else None)
    if np.isfinite(si.earliest[row, k]):
        early, late = si.earliest[row, k], si.latest[row, k]
        ax.barh(k, early - late, left=late, height=0.22, color="0.25", label="window recommended" if named else None)
    end = si.end_of_injection[row, k]
    ax.plot([end + si.pulse_angle[row, k], end], [k, k], color="#b00000", linewidth=2.5, label="recommended pulse" if named else None)
    ax.plot([end], [k], marker="|", color="#b00000", markersize=12)
    window = f"window {si.earliest[row, k]:.0f} to {si.latest[row, k]:.0f}" if np.isfinite(si.earliest[row, k]) else "no window"
    text = f"{60.0 * si.speed[k]:.0f} rpm: injection ends {end:.0f} deg before overlap TDC; {window}"
    hover_points(ax, [end, end + 0.5 * si.pulse_angle[row, k]], [k, k], [text, text], size=16.0)

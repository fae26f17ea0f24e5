"""Plots of the crank-resolved cycle: traces, the indicator diagram, maps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from .curves import EXHAUST, INTAKE, axes
from .hover import hover_points

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..cycle.grid import CycleMap
    from ..cycle.simulate import CycleResult

__all__ = ["plot_flows", "plot_indicator", "plot_map", "plot_pressure"]


# How a map's colour bar names its quantity; the others by field and unit.
MAP_LABELS = {"burned_fraction": "residual [% of charge]", "blow_back": "reversion [% of charge]", "spark": "spark [deg BTDC]"}


def label_with_halo(labels: Any) -> None:
    """Draw labels black on white, readable on any colour."""
    from matplotlib.patheffects import withStroke

    for label in labels:
        label.set_color("black")
        label.set_path_effects([withStroke(linewidth=2.5, foreground="white")])


def plot_pressure(cycle: CycleResult, ax: Axes | None = None) -> Axes:
    """Plot cylinder and runner pressure over crank angle."""
    ax = axes(ax)
    t = cycle.traces.si
    ax.semilogy(t.angle, t.pressure / 1e3, color="0.1", label="cylinder")
    ax.semilogy(t.angle, t.runner_pressure / 1e3, color=INTAKE, linestyle="--", label="intake runner")
    ax.axhline(cycle.si.exhaust_pressure / 1e3, color=EXHAUST, linestyle=":", label="exhaust")
    ax.set_xlabel("crank angle, firing top dead centre at 360 [crank deg]")
    ax.set_ylabel("pressure [kPa]")
    ax.legend(fontsize="small")
    return ax


def plot_indicator(cycle: CycleResult, ax: Axes | None = None) -> Axes:
    """Plot pressure against volume on logarithmic axes."""
    ax = axes(ax)
    t = cycle.traces.si
    ax.loglog(t.volume * 1e6, t.pressure / 1e3, color="0.1")
    ax.set_xlabel("cylinder volume [cc]")
    ax.set_ylabel("cylinder pressure [kPa]")
    return ax


def plot_flows(cycle: CycleResult, ax: Axes | None = None) -> Axes:
    """Plot valve flows over crank angle; what lies below zero flows backwards."""
    ax = axes(ax)
    t = cycle.traces.si
    ax.plot(t.angle, t.intake_flow * 1e3, color=INTAKE, label="intake valve, into the cylinder")
    ax.plot(t.angle, t.exhaust_flow * 1e3, color=EXHAUST, linestyle="--", label="exhaust valve, out of the cylinder")
    ax.plot(t.angle, t.runner_flow * 1e3, color="0.5", linestyle=":", label="plenum to runner")
    ax.fill_between(t.angle, np.minimum(t.intake_flow, 0.0) * 1e3, 0.0, color=INTAKE, alpha=0.25, hatch="///", linewidth=0.0, label="blown back")
    ax.axhline(0.0, color="0.6", linewidth=0.8)
    ax.set_xlabel("crank angle, firing top dead centre at 360 [crank deg]")
    ax.set_ylabel("mass flow [g/s]")
    ax.legend(fontsize="small")
    return ax


def plot_map(
    found: CycleMap, name: Literal["burned_fraction", "blow_back", "fresh_air", "net_imep", "spark"] = "burned_fraction", ax: Axes | None = None,
    *, ends: tuple[float, float] | None = None,
) -> Axes:  # fmt: skip
    """Plot one quantity of a map as numbered contours over speed and load; blank where the engine does not run.

    ``ends`` are those of the colour scale in the unit shown, the same for maps that are compared; by default the map's own.

    Parameters
    ----------
    found : CycleMap
    name : str
        Which of its fields.
    ax : Axes
        Where to draw; new axes when left out.
    ends : tuple of two floats
        Ends of the colour scale, in the unit the field is shown in.
    """
    ax = axes(ax)
    field = type(found).measures()[name]
    values = np.ma.masked_invalid(getattr(found, name).magnitude)
    speeds, loads = found.speed.magnitude, found.manifold_pressure.magnitude
    from matplotlib.ticker import MaxNLocator

    levels = MaxNLocator(13).tick_values(*ends) if ends is not None else 12
    filled = ax.contourf(speeds, loads, values, levels=levels, cmap="cividis")
    lines = ax.contour(speeds, loads, values, levels=filled.levels, colors="black", linewidths=0.5)
    # White under the figure: it can be read on the darkest part of the map.
    label_with_halo(ax.clabel(lines, fontsize=8))
    grid = [(x, y, share) for y, row in zip(loads, values.filled(np.nan), strict=True) for x, share in zip(speeds, row, strict=True)]
    across, up, shares = zip(*(point for point in grid if np.isfinite(point[2])), strict=True) if np.isfinite(values.filled(np.nan)).any() else ((), (), ())
    hover_points(ax, across, up, (f"{v:.3g} {field.show} at {x:.0f} rpm, {y:.0f} kPa" for x, y, v in zip(across, up, shares, strict=True)), size=20.0)
    ax.figure.colorbar(filled, ax=ax, label=MAP_LABELS.get(name) or f"{name.replace('_', ' ')} [{field.show or '-'}]")
    ax.set_xlabel("engine speed [rpm]")
    ax.set_ylabel("manifold pressure [kPa]")
    return ax

"""Plots of the crank-resolved cycle: traces, the indicator diagram, maps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from .curves import EXHAUST, INTAKE, axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..cycle.grid import CycleMap
    from ..cycle.simulate import CycleResult

__all__ = ["plot_flows", "plot_indicator", "plot_map", "plot_pressure"]


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
    found: CycleMap, name: Literal["burned_fraction", "blow_back", "fresh_air", "net_imep", "spark"] = "burned_fraction", ax: Axes | None = None
) -> Axes:
    """Plot one quantity of a map as numbered contours over speed and load; blank where the engine does not run."""
    ax = axes(ax)
    field = type(found).measures()[name]
    values = np.ma.masked_invalid(getattr(found, name).magnitude)
    speeds, loads = found.speed.magnitude, found.manifold_pressure.magnitude
    filled = ax.contourf(speeds, loads, values, levels=12, cmap="cividis")
    lines = ax.contour(speeds, loads, values, levels=filled.levels, colors="black", linewidths=0.5)
    ax.clabel(lines, fontsize=8)
    ax.figure.colorbar(filled, ax=ax, label=f"{name.replace('_', ' ')} [{field.show or '-'}]")
    ax.set_xlabel("engine speed [rpm]")
    ax.set_ylabel("manifold pressure [kPa]")
    return ax

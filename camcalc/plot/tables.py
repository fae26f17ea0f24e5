"""Spark tables as pictures: a surface and a numbered grid, steep spots marked by line and number, not by colour."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from .curves import axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..tables import ShapedTable, SparkTable

__all__ = ["plot_table_grid", "plot_table_surface"]

# Differences between neighbours that are drawn as a bar on their common edge [crank deg]; thicker from twice that on.
STEEP = 3.0


def plot_table_grid(table: SparkTable, shaped: ShapedTable | None = None, ax: Axes | None = None) -> Axes:
    """Plot a table's numbers; a bar on the edge between neighbours more than three degrees apart, doubled from six on.

    With ``shaped`` the cells that shaping changed are framed.
    """
    ax = axes(ax)
    cells = table.si.cells
    rows, columns = cells.shape
    mesh = ax.pcolormesh(np.arange(columns + 1), np.arange(rows + 1), cells, cmap="cividis", edgecolors="0.85", linewidth=0.4)
    middle = 0.5 * (cells.min() + cells.max())
    for (row, column), value in np.ndenumerate(cells):
        ax.text(column + 0.5, row + 0.5, f"{value:g}", ha="center", va="center", fontsize=7, color="white" if value < middle else "black")
    _bars(ax, np.abs(np.diff(cells, axis=1)), upright=True)
    _bars(ax, np.abs(np.diff(cells, axis=0)), upright=False)
    for change in shaped.changes if shaped else ():
        ax.add_patch(_frame(change.row, change.column))
    down, along = table.axes
    ax.set_xticks(np.arange(columns) + 0.5, [f"{v / along.scale:.4g}" for v in table.loads], fontsize=7)
    ax.set_yticks(np.arange(rows) + 0.5, [f"{v / down.scale:.4g}" for v in table.si.speed], fontsize=7)
    ax.set_xlabel(f"{table.load_kind} [{along.unit}]")
    ax.set_ylabel(f"engine speed [{down.unit}]")
    ax.figure.colorbar(mesh, ax=ax, label="spark [crank deg before TDC]")
    return ax


def _bars(ax: Any, steps: Any, *, upright: bool) -> None:
    for (row, column), step in np.ndenumerate(steps):
        if step <= STEEP + 1e-9:
            continue
        width = 4.0 if step > 2.0 * STEEP else 2.0
        x, y = ([column + 1, column + 1], [row + 0.15, row + 0.85]) if upright else ([column + 0.15, column + 0.85], [row + 1, row + 1])
        ax.plot(x, y, color="white", linewidth=width + 1.6, solid_capstyle="butt")
        ax.plot(x, y, color="black", linewidth=width, solid_capstyle="butt")


def _frame(row: int, column: int) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle((column + 0.06, row + 0.06), 0.88, 0.88, fill=False, edgecolor="black", linewidth=1.2, linestyle=":")


def plot_table_surface(table: SparkTable, ax: Axes | None = None) -> Axes:
    """Plot a table as a surface over speed and load."""
    if ax is None:
        from matplotlib.figure import Figure

        ax = Figure(figsize=(8.0, 5.2), layout="constrained").add_subplot(projection="3d")
    assert ax is not None
    down, along = table.axes
    loads, speeds = np.meshgrid(table.loads / along.scale, table.si.speed / down.scale)
    solid: Any = ax
    solid.plot_surface(loads, speeds, table.si.cells, cmap="cividis", edgecolor="0.15", linewidth=0.5, rstride=1, cstride=1)
    solid.view_init(elev=28.0, azim=-128.0)
    solid.set_xlabel(f"{table.load_kind} [{along.unit}]")
    solid.set_ylabel(f"engine speed [{down.unit}]")
    solid.set_zlabel("spark [crank deg before TDC]")
    return ax

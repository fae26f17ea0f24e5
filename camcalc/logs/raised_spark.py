"""How far cells may rise: under their ceilings, a little at a time, and never too steep beside their neighbours."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..tables.axes import LOADS
from ..tables.programme import Limits, Whole, angles_of, largest, ticks_of
from ..tables.table import SparkTable
from ..units import Bounds, to_si

__all__ = ["raised"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


def raised(table: SparkTable, clean: Mask, top: Array, *, step: float, per_cell: float, along_speed: Any = None, along_load: Any = None) -> Array:
    """Return the largest cells [crank deg] that a clean log allows.

    Parameters
    ----------
    table : SparkTable
        With all that is lowered already lowered, since a neighbour that falls holds a cell down.
    clean : mask, on the table's cells
        Cells driven without surge; all others stay.
    top : array [crank deg], shape (speeds, loads)
        Ceilings of the table's own spark; a cell without one stays.
    step, per_cell : float [crank deg]
        Most that a cell may rise; most between neighbours.
    along_speed : quantity [crank angle per crank speed], optional
        Slope limit, as for ``shape_table``.
    along_load : quantity [crank angle per load], optional
        Slope limit, as for ``shape_table``.

    Notes
    -----
    The rule of ``add_back``, and its programme, but for one thing: neighbours that stand further apart than the limit already may stay
    so but not part further, where ``add_back`` asks for the table to be shaped first; and so may a fuller load that has more spark than the
    lighter one. The rise holds as a whole: a cell that rises alone may stand too far above one that was to rise with it.

    Examples
    --------
    >>> axes = {"load_kind": "relative charge", "speed": np.array([20.0, 25.0]), "loads": [0.2, 0.4]}
    >>> table = SparkTable(**axes, cells=np.array([[20.0, 20.0], [18.0, 20.0]]), increment=1.0)
    >>> raised(table, np.array([[True, False], [False, False]]), np.full((2, 2), 30.0), step=2.0, per_cell=3.0).tolist()
    [[21.0, 20.0], [18.0, 20.0]]
    """
    now, ceiling = ticks_of(table.si.cells), ticks_of(np.where(np.isfinite(top), top, -np.inf))
    upper = np.where(clean, np.maximum(now, np.minimum(now + ticks_of(step), ceiling)), now)
    new, _ = largest(upper, (now,), ~clean, _limits(table, now, per_cell, along_speed, along_load), int(ticks_of(table.si.increment)))
    return np.where(new == now, table.si.cells, angles_of(new))


def _limits(table: SparkTable, now: Whole, per_cell: float, along_speed: Any, along_load: Any) -> Limits:
    """Return how much neighbours may differ: as the slope limits say, or as much as they do."""
    load = LOADS[table.load_kind].bounds
    unit, show = (f"crank_deg/{u}" if u else "crank_deg" for u in (load.unit, load.show))
    by_speed = _steps(along_speed, "along_speed", table.si.speed, Bounds("crank_deg/crank_rps", 0.0, show="crank_deg/krpm"), per_cell)
    by_load = _steps(along_load, "along_load", table.loads, Bounds(unit, 0.0, show=show), per_cell)
    own = np.diff(now, axis=1)
    return Limits(np.maximum(by_speed[:, None], np.abs(np.diff(now, axis=0))), np.maximum(by_load, np.abs(own)), np.maximum(own, 0))


def _steps(slope: Any, name: str, axis: Array, bounds: Bounds, per_cell: float) -> Whole:
    """Return the limit between neighbours along an axis in ticks."""
    spacing = np.diff(axis)
    if slope is None:
        return ticks_of(np.full(len(spacing), per_cell))
    return ticks_of(np.minimum(per_cell, float(to_si(slope, name, bounds)) * spacing))

"""Ceilings on the cells of a spark table, whatever its load axis."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..cycle.operating import EngineModel, barometer
from .load_axis import grid_over
from .spark import spark_ceilings

__all__ = ["FASTEST", "TableCeilings", "ceilings_on_table"]

Array = NDArray[np.float64]

# The zone has ended by here in every engine tried; faster rows of a table get no ceiling and cost no time.
FASTEST = 3500.0 / 60.0
# Below this a warm engine only coasts.
LIGHTEST = 25e3
# Manifold pressures at which a table over air charge or relative charge is worked out.
PRESSURES = np.arange(30e3, 96e3, 5e3)


class TableCeilings(NamedTuple):
    """Angles before top dead centre on a table's cells, a row for each speed, a column for each load; NaN where there is none.

    ``ceiling`` is for FINAL spark: table plus every adder. ``cured`` are the cells whose ceiling stands on a limit of the
    charge, not on the late-burn floor; ``best`` is the least of best torque and knock; ``manifold_pressure`` [Pa] is that of the
    cell's load.
    """

    ceiling: Array
    limit: Array
    floor: Array
    best: Array
    manifold_pressure: Array
    cured: NDArray[np.bool_]


def ceilings_on_table(model: EngineModel, speeds: Array, loads: Array, kind: str) -> TableCeilings:
    """Return the ceilings at a table's speeds [rev/s] and loads of a kind [Pa, kg or ratio]."""
    shape = (len(speeds), len(loads))
    out = {name: np.full(shape, np.nan) for name in ("ceiling", "limit", "floor", "best", "manifold_pressure")}
    driven = speeds <= FASTEST
    pressures = loads[(loads >= LIGHTEST) & (loads < barometer(model))] if kind == "manifold pressure" else PRESSURES
    if driven.any() and pressures.size:
        found = spark_ceilings(model, speeds[driven], pressures)
        si = found.si
        pressure = si.manifold_pressure[:, None] + 0.0 * si.air_charge
        rows = {"manifold pressure": pressure, "air charge": si.air_charge, "relative charge": si.relative_charge}[kind]
        rows = np.where(np.isfinite(si.imep_variation), rows, np.nan)
        limit = np.where(np.isfinite(si.ceiling), si.least_limit, np.nan)
        grids = {"ceiling": si.ceiling, "limit": limit, "floor": si.floor, "best": np.fmin(si.best_spark, si.knock), "manifold_pressure": pressure}
        for name, grid in grids.items():
            out[name][driven] = grid_over(grid, rows, loads).T
    return TableCeilings(**out, cured=np.isfinite(out["ceiling"]) & (out["ceiling"] <= out["limit"] + 1e-9))

"""Ceilings on the cells of a spark table, whatever its load axis."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..cycle.load_axis import LOAD_KINDS, MANIFOLD_PRESSURE, grid_over
from ..cycle.operating import EngineModel, barometer
from .spark import WIDE_OPEN, spark_ceilings

__all__ = ["FASTEST", "TableCeilings", "ceilings_on_table"]

Array = NDArray[np.float64]

# Faster rows of a table are not computed: the zone has ended by here in every engine tried, and the cycle, whose exhaust pressure is steady
# and whose plenum is still, is held against references up to 3000 rpm only. Knock does not end here.
FASTEST = 3500.0 / 60.0
# Below this a warm engine only coasts.
LIGHTEST = 25e3
# Manifold pressures at which a table over air charge or relative charge is worked out.
PRESSURES = np.arange(30e3, 96e3, 5e3)


class TableCeilings(NamedTuple):
    """Angles before top dead centre on a table's cells, a row for each speed, a column for each load; NaN where there is none.

    All are for final spark: table plus every correction. ``cured`` are the cells whose ceiling stands on a limit of the
    charge, not on the late-burn floor; ``best`` is the least of best torque and knock; ``manifold_pressure`` [Pa] is that of the
    cell's load. ``knock`` is the knock limit of every cell that was computed, in the zone or out of it: infinite where no spark searched
    knocks, NaN where it was not computed, which is no permission. Loads that wide-open throttle does not reach have its knock limit,
    since the lookup at wide-open throttle reads them too.
    """

    ceiling: Array
    limit: Array
    floor: Array
    best: Array
    knock: Array
    manifold_pressure: Array
    cured: NDArray[np.bool_]


def ceilings_on_table(engine: EngineModel, speeds: Array, loads: Array, kind: str) -> TableCeilings:
    """Return the ceilings and the knock limit at a table's speeds [rev/s] and loads of a kind [Pa, kg or ratio].

    Parameters
    ----------
    engine : EngineModel
    speeds, loads : array, shape (n,) each
        The table's axes [rev/s], [Pa, kg or ratio].
    kind : str
        Of load: "manifold pressure", "air charge" or "relative charge".

    Raises
    ------
    InputError
        If the model is for teaching only: it knows no knock.
    """
    shape = (len(speeds), len(loads))
    out = {name: np.full(shape, np.nan) for name in ("ceiling", "limit", "floor", "best", "knock", "manifold_pressure")}
    driven = speeds <= FASTEST
    full = WIDE_OPEN * barometer(engine)
    pressures = _with_wide_open(loads[(loads >= LIGHTEST) & (loads < full)] if kind == MANIFOLD_PRESSURE else PRESSURES[full > PRESSURES], loads, kind, full)
    if driven.any() and pressures.size:
        found = spark_ceilings(engine, speeds[driven], pressures, cautious=False)
        si = found.si
        pressure = si.manifold_pressure[:, None] + 0.0 * si.air_charge
        rows = dict(zip(LOAD_KINDS, (pressure, si.air_charge, si.relative_charge), strict=True))[kind]
        rows = np.where(np.isfinite(si.imep_variation), rows, np.nan)
        limit = np.where(np.isfinite(si.ceiling), si.least_limit, np.nan)
        grids = {"ceiling": si.ceiling, "limit": limit, "floor": si.floor, "best": np.fmin(si.best_spark, si.knock), "manifold_pressure": pressure}
        for name, grid in grids.items():
            out[name][driven] = grid_over(grid, rows, loads).T
        out["knock"][driven] = _knock_over(np.where(np.isnan(si.knock), np.inf, si.knock), rows, loads).T
    return TableCeilings(**out, cured=np.isfinite(out["ceiling"]) & (out["ceiling"] <= out["limit"] + 1e-9))


def _with_wide_open(pressures: Array, loads: Array, kind: str, full: float) -> Array:
    """Return the pressures [Pa] with that of wide-open throttle, where a table reaches that far."""
    return pressures if kind == MANIFOLD_PRESSURE and not (loads >= full).any() else np.append(pressures, full)


def _knock_over(knock: Array, loads_of_rows: Array, loads: Array) -> Array:
    """Return knock over (load row, speed) moved to other loads: linear between neighbours; where one of them does not knock, the other's.

    Loads beyond the last row, which is wide-open throttle, have that row's; NaN at speeds where no cycle runs there.
    """
    out = np.full((loads.size, knock.shape[1]), np.nan)
    for k in range(knock.shape[1]):
        known = np.isfinite(loads_of_rows[:, k])
        at, values = loads_of_rows[known, k], knock[known, k]
        if at.size < 2:
            continue
        right = np.clip(np.searchsorted(at, loads), 1, at.size - 1)
        share = np.clip((loads - at[right - 1]) / (at[right] - at[right - 1]), 0.0, 1.0)
        below, above = values[right - 1], values[right]
        with np.errstate(invalid="ignore"):
            between = (1.0 - share) * below + share * above
        between = np.where(share == 0.0, below, np.where(share == 1.0, above, np.where(np.isnan(between) | np.isinf(between), np.fmin(below, above), between)))
        reached = (loads >= at[0]) & ((loads <= at[-1]) | bool(known[-1]))
        out[:, k] = np.where(reached, between, np.nan)
    return out

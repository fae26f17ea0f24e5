"""Spark ceilings, cell by cell: the least of several limits, each cell saying which one binds.

Ceilings apply to FINAL spark: the table plus every adder.
"""

from __future__ import annotations

import dataclasses
import math
import os
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..burn.stability import DILUTION_NOISE, imep_variation
from ..cycle.operating import EngineModel, barometer
from ..results import Measure, Record, measure

__all__ = ["CeilingCell", "SparkCeilings", "ceiling_cell", "spark_ceilings", "starting_table"]

Array = NDArray[np.float64]

SPEEDS = np.arange(800.0, 3001.0, 200.0) / 60.0
PRESSURES = np.arange(40e3, 90.1e3, 10e3)
# The strong end of the dilution spread that a flat table must not over-advance: 5th percentile.
STRONG_SIGMAS = 1.645
# A limit binds when it asks for at least this much less than best torque; ESTIMATE, twice a common table increment.
BINDS_BELOW = 2.0
RETARD_STEP = 2.0
# Along the equal-torque line the variation must change by this share for the level of spark to count; ESTIMATE.
LEVEL_DECIDES = 0.10
MARGIN = 2.0
LIMITS = {
    "steadiness": "steadiness at equal torque",
    "cleanest": "cleanest state in the swing",
    "best": "best torque of the mean cycle",
    "floor": "no spark serves: strong cycles want less than keeps the mean one from burning late; not cured by spark",
}


class CeilingCell(NamedTuple):
    """One cell: speed rev/s, pressure Pa, angles crank deg before top dead centre. ``ceiling`` is NaN outside the zone."""

    speed: float
    pressure: float
    air: float
    burned_fraction: float
    variation: float
    best: float
    steadiness: float
    cleanest: float
    floor: float
    ceiling: float
    binds: str
    remark: str


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SparkCeilings(Record):
    """Ceilings for FINAL spark (table plus every adder) over speed and manifold pressure; empty cells have none."""

    speed: Measure = measure("crank_rps", "rpm")
    manifold_pressure: Measure = measure("Pa", "kPa")
    ceiling: Measure = measure("crank_deg", doc="before top dead centre; rows manifold pressure, columns speed")
    best_spark: Measure = measure("crank_deg", doc="best torque of the mean cycle")
    starting_spark: Measure = measure("crank_deg", doc="starting table in the zone")
    air: Measure = measure("kg", "mg", doc="trapped air per cylinder and cycle")
    burned_fraction: Measure = measure("", "percent")
    imep_variation: Measure = measure("", "percent")
    binds: tuple[tuple[str, ...], ...]
    remarks: tuple[tuple[str, ...], ...]
    applies_to: str = "FINAL spark: table plus every adder"

    @property
    def has_zone(self) -> bool:
        """Whether any cell has a ceiling."""
        return bool(np.isfinite(self.si.ceiling).any())


def spark_ceilings(model: EngineModel, speeds: Array = SPEEDS, pressures: Array = PRESSURES) -> SparkCeilings:
    """Return the ceilings over a grid of speeds [rev/s] and manifold pressures [Pa] below the barometer."""
    pressures = pressures[pressures < barometer(model)]

    def row_of(pressure: float) -> list[CeilingCell]:
        own = model.fresh()
        # From high speed down: the easy end first, each cell the start of the next.
        return [ceiling_cell(own, float(s), pressure) for s in speeds[::-1]][::-1]

    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        cells = list(pool.map(row_of, map(float, pressures)))

    def field(name: str) -> Array:
        return np.array([[getattr(c, name) for c in row] for row in cells])

    ceiling = field("ceiling")
    return SparkCeilings(
        speed=speeds,
        manifold_pressure=pressures,
        ceiling=ceiling,
        best_spark=field("best"),
        starting_spark=starting_table(ceiling, field("floor")),
        air=field("air"),
        burned_fraction=field("burned_fraction"),
        imep_variation=field("variation"),
        binds=tuple(tuple(c.binds for c in row) for row in cells),
        remarks=tuple(tuple(c.remark for c in row) for row in cells),
    )


def ceiling_cell(model: EngineModel, speed: float, pressure: float) -> CeilingCell:
    """Return one cell's limits and the ceiling they leave."""
    best = model.best_spark(speed, pressure)
    state = model.state(speed, pressure, best)
    variation = imep_variation(model, speed, pressure, best)
    if not math.isfinite(variation):
        nan = math.nan
        return CeilingCell(
            speed, pressure, state.air, state.burned_fraction, variation, best, nan, nan, nan, nan, "", "no torque here: raise speed, load or gear"
        )
    steadiness, remark = _steadiness(model, speed, pressure, best, state.net, variation)
    cleanest = min(_strong_cycle(model, speed, pressure, state.burned_fraction, state.completeness), _fuller_cell(model, speed, pressure, state, variation))
    # Half burned moves nearly one for one with spark.
    floor = best - max(model.build.limits.si.latest_half_burned - state.half_burned, 0.0)
    limits = {"best": best, "cleanest": min(cleanest, best), "steadiness": steadiness}
    binds = min(limits, key=lambda k: limits[k])
    in_zone = limits[binds] <= best - BINDS_BELOW or (remark != "" and variation > model.build.limits.stability)
    ceiling = math.nan
    if in_zone:
        ceiling = limits[binds]
        if ceiling < floor:
            # No spark serves both: what protects the strong cycle burns the mean one too late. A number here would be
            # typed in; so none is given.
            ceiling, binds = math.nan, "floor"
    return CeilingCell(
        speed,
        pressure,
        state.air,
        state.burned_fraction,
        variation,
        best,
        steadiness,
        cleanest,
        floor,
        ceiling,
        LIMITS[binds] if in_zone else "",
        remark if in_zone else "",
    )


def _steadiness(model: EngineModel, speed: float, pressure: float, best: float, net: float, variation: float) -> tuple[float, str]:
    """Return the largest spark along the equal-torque line that keeps IMEP steady enough, and what to say if there is none."""
    limit = model.build.limits.stability
    if variation <= limit:
        return best, ""
    least, spark, at = variation, best, pressure
    while spark > best - 40.0:
        spark -= RETARD_STEP
        found = _pressure_at_equal_torque(model, speed, at, spark, net)
        if found is None:
            break
        at = found
        now = imep_variation(model, speed, at, spark)
        if now <= limit:
            # Crossing the limit by a hair's breadth is no cure.
            return (spark, "") if variation - now >= LEVEL_DECIDES * variation else (best, "level does not decide here: flatten")
        if now > 1.5 * least:
            break
        least = min(least, now)
    if variation - least < LEVEL_DECIDES * variation:
        return best, "level does not decide here: flatten"
    return best, "not cured by spark: raise speed, change gear or cam"


def _pressure_at_equal_torque(model: EngineModel, speed: float, start: float, spark: float, net: float) -> float | None:
    """Follow the equal-torque line up from a pressure [Pa]; None beyond the barometer."""
    top = barometer(model)
    p0, f0 = start, model.state(speed, start, spark).net - net
    p1 = min(start + 2e3, top)
    for _ in range(12):
        f1 = model.state(speed, p1, spark).net - net
        if abs(f1) < 200.0:
            return p1
        if f1 == f0:
            return None
        p0, p1, f0 = p1, float(np.clip(p1 - f1 * (p1 - p0) / (f1 - f0), start - 5e3, top)), f1
        if p1 == p0:
            return None
    return None


def _strong_cycle(model: EngineModel, speed: float, pressure: float, burned: float, completeness: float) -> float:
    """Return best torque for the strong cycle after a weak one: little burned gas, part of it left unburned."""
    strong = burned * (1.0 - STRONG_SIGMAS * DILUTION_NOISE) * completeness
    return model.best_spark(speed, pressure, burned_fraction=strong)


def _fuller_cell(model: EngineModel, speed: float, pressure: float, state: object, variation: float) -> float:
    """Return best torque one load swing up: blow-back share and cycle variation make filling and its measurement swing."""
    blown = state.blow_back / state.trapped  # type: ignore[attr-defined]
    swing = model.build.limits.swing_factor * min(blown + min(variation, 0.5), 0.5)
    return model.best_spark(speed, min(pressure * (1.0 + swing), barometer(model)))


def starting_table(ceiling: Array, floor: Array) -> Array:
    """Return a first table for the zone: a level shelf along load at each speed, the ceiling less a margin, never below the floor.

    Along speed each column is held to the least of its own and the faster ones, so that spark is flat or rises with speed.
    """
    table = np.full_like(ceiling, np.nan)
    columns = np.any(np.isfinite(ceiling), axis=0)
    if not columns.any():
        return table
    shelf = np.array([np.nanmin(ceiling[:, k]) if columns[k] else np.inf for k in range(ceiling.shape[1])]) - MARGIN
    shelf = np.minimum.accumulate(shelf[::-1])[::-1]
    for k in np.flatnonzero(columns):
        rows = np.isfinite(ceiling[:, k])
        table[rows, k] = np.maximum(np.floor(shelf[k]), np.minimum(np.ceil(floor[rows, k]), ceiling[rows, k]))
    return table

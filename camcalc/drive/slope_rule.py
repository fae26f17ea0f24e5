"""The slopes a spark table may have: those that every gear to be kept smooth stands, as limits for shaping."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from ..errors import NoSolutionError
from ..marks import Mark, Marks, marked
from ..results import Measure, Record, measure
from ..tables.axes import LOADS
from ..units import Quantity, quantity
from .engine_loop import PRESSURE_STEP, EngineSide, engine_side_of
from .risk import surge_risk

if TYPE_CHECKING:
    from ..cycle.engine_tables import EngineTables
    from ..sheet import Build
    from ..tables import SparkTable

__all__ = ["SlopeRule", "slope_rule"]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SlopeRule(Record):
    """The largest slopes, either way, under half the critical slope and under a trace of shaking, over all gears to be kept smooth."""

    load_kind: str
    along_speed: Measure = measure("crank_deg/crank_rps", "crank_deg/krpm")
    along_pressure: Measure = measure("crank_deg/Pa", "crank_deg/kPa")
    load: float = dataclasses.field(repr=False)
    speed_at: str
    load_at: str
    notes: tuple[str, ...] = ()
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)

    @property
    def along_load(self) -> Quantity:
        """The limit per unit of the table's own load."""
        bounds = LOADS[self.load_kind].bounds
        units = (f"crank_deg/{u}" if u else "crank_deg" for u in (bounds.unit, bounds.show))
        return quantity(self.load, *units)

    def words(self) -> str:
        """Return both limits in one line."""
        speed, load = self.along_speed, self.along_load
        along_speed = marked(f"{speed.magnitude:.0f} {speed.units:~P}", self.mark("along_speed"))
        along_load = marked(f"{load.magnitude:.2g} {load.units:~P}", self.mark("along_pressure"))
        return f"{along_speed} along speed ({self.speed_at}), {along_load} along load ({self.load_at})"


def slope_rule(build: Build, table: SparkTable, *, engine_tables: EngineTables) -> SlopeRule:
    """Return the slopes that every gear of ``[vehicle] smooth_gears`` stands on the level road with this table.

    Points that swing by themselves on a level table are left out and named: no slope mends them.

    Raises
    ------
    NoSolutionError
        If the engine holds the car in none of these gears.
    """
    engine_side = engine_side_of(build, engine_tables)
    best_speed, best_pressure, best_load = (math.inf, ""), (math.inf, ""), math.inf
    ends: dict[str, Mark | None] = {}
    notes = []
    for gear in build.vehicle.smooth_gears:
        try:
            found = surge_risk(build, table, gear=gear, engine_tables=engine_tables, over_time=False)
        except NoSolutionError as error:
            notes.append(str(error.args[0]))
            continue
        si = found.si
        for k, speed in enumerate(map(float, si.speed)):
            where = f"gear {gear}, {speed * 60:.0f} rpm"
            if min(si.limit_along_speed[k], si.limit_along_load[k]) <= 0.0:
                notes.append(f"{where}: swings by itself on a level table")
                continue
            ends |= {f"{along}, {where}": found.mark(f"limit_along_{along}", k) for along in ("speed", "load")}
            best_speed = min(best_speed, (float(si.limit_along_speed[k]), where))
            best_pressure = min(best_pressure, (float(si.limit_along_load[k]), where))
            per = _load_per_pressure(engine_side, speed, float(si.manifold_pressure[k]), float(si.spark[k]), table.load_kind)
            best_load = min(best_load, float(si.limit_along_load[k]) / per if per > 0.0 else math.inf)
    if not math.isfinite(best_speed[0]):
        raise NoSolutionError("no gear to be kept smooth has a point on the level road that slopes could be judged at: " + "; ".join(notes))
    return SlopeRule(
        load_kind=table.load_kind,
        along_speed=best_speed[0],
        along_pressure=best_pressure[0],
        load=best_load,
        speed_at=best_speed[1],
        load_at=best_pressure[1],
        notes=tuple(notes),
        marks={"along_speed": ends[f"speed, {best_speed[1]}"], "along_pressure": ends[f"load, {best_pressure[1]}"]},
    )


def _load_per_pressure(engine_side: EngineSide, speed: float, pressure: float, spark: float, kind: str) -> float:
    """Return how the table's load grows with manifold pressure [load per Pa]."""
    if kind == "manifold pressure":
        return 1.0
    above, below = (engine_side.load(speed, pressure + step, spark, kind) for step in (PRESSURE_STEP, -PRESSURE_STEP))
    return (above - below) / (2.0 * PRESSURE_STEP)

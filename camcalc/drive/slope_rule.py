"""The slopes a spark table may have: those that every gear to be kept smooth stands, as limits for shaping."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

from ..cycle.load_axis import MANIFOLD_PRESSURE
from ..errors import NoSolutionError
from ..marks import Mark, Marks
from ..results import Measure, Record, measure
from ..tables.axes import LOADS
from ..units import Quantity, quantity
from .engine_loop import PRESSURE_STEP, EngineSide, engine_side_of, tables_of
from .no_answer import NoAnswer, NoRoadError, SkippedPoint
from .risk import risks_in, surge_risk

if TYPE_CHECKING:
    from ..cycle.engine_tables import EngineTables
    from ..sheet import Build
    from ..tables import SparkTable

__all__ = ["SlopeRule", "slope_rule"]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SlopeRule(Record):
    """The largest slopes, either way, under half the critical slope and under a trace of shaking, over all gears to be kept smooth.

    Each limit has the gear and speed that decide it. ``skipped`` are the points that no slope could be judged at.
    """

    load_kind: str
    along_speed: Measure = measure("crank_deg/crank_rps", "crank_deg/krpm")
    along_pressure: Measure = measure("crank_deg/Pa", "crank_deg/kPa")
    load: float = dataclasses.field(repr=False)
    speed_gear: int
    speed_at: Measure = measure("crank_rps", "rpm", doc="crank speed that decides along speed")
    load_gear: int
    load_at: Measure = measure("crank_rps", "rpm", doc="crank speed that decides along load")
    skipped: tuple[SkippedPoint, ...] = ()
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)

    @property
    def along_load(self) -> Quantity:
        """The limit per unit of the table's own load."""
        bounds = LOADS[self.load_kind].bounds
        units = (f"crank_deg/{u}" if u else "crank_deg" for u in (bounds.unit, bounds.show))
        return quantity(self.load, *units)


class _Limit(NamedTuple):
    """A slope limit [crank deg per rev/s or per Pa], its gear and crank speed [rev/s], its mark."""

    slope: float = math.inf
    gear: int = 0
    speed: float = math.nan
    mark: Mark | None = None


def slope_rule(build: Build, table: SparkTable, *, engine_tables: EngineTables | None = None) -> SlopeRule:
    """Return the slopes that every gear of ``[vehicle] smooth_gears`` stands on the level road with this table.

    Points that are self-excited on a level table are left out and listed: no slope fixes them.

    Parameters
    ----------
    build : Build
    table : SparkTable
        Taken as final spark.
    engine_tables : EngineTables
        Of the build's engine; made when left out, which takes most of the time.

    Raises
    ------
    NoSolutionError
        If no gear to be kept smooth has a point to judge slopes at.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build, read_table
    >>> from camcalc.drive.engine_loop import surge_tables
    >>> build = load_build("examples/long-meadow/build.toml")
    >>> rule = slope_rule(build, read_table("examples/quarry-road/spark.csv"), engine_tables=surge_tables(QuickEngine(build)))
    >>> rule.load_kind, rule.speed_gear in build.vehicle.smooth_gears
    ('manifold pressure', True)
    """
    engine_tables = tables_of(build) if engine_tables is None else engine_tables
    engine_side = engine_side_of(build, engine_tables)
    by_speed, by_pressure, load = _Limit(), _Limit(), math.inf
    skipped: list[SkippedPoint] = []

    gears = build.vehicle.smooth_gears
    risks = risks_in(gears, lambda gear: surge_risk(build, table, gear=gear, engine_tables=engine_tables, over_time=False))
    for gear, found in zip(gears, risks, strict=True):
        if isinstance(found, NoRoadError):
            skipped += found.skipped
            continue
        si = found.si
        for k, speed in enumerate(map(float, si.speed)):
            along_speed, along_pressure = float(si.limit_along_speed[k]), float(si.limit_along_load[k])
            if min(along_speed, along_pressure) <= 0.0:
                skipped.append(SkippedPoint(gear=gear, speed=speed, why=NoAnswer.SELF_EXCITED_ON_LEVEL))
                continue
            if along_speed < by_speed.slope:
                by_speed = _Limit(along_speed, gear, speed, found.mark("limit_along_speed", k))
            if along_pressure < by_pressure.slope:
                by_pressure = _Limit(along_pressure, gear, speed, found.mark("limit_along_load", k))
            per = _load_per_pressure(engine_side, speed, float(si.manifold_pressure[k]), float(si.spark[k]), table.load_kind)
            load = min(load, along_pressure / per if per > 0.0 else math.inf)
    if not math.isfinite(by_speed.slope):
        raise NoSolutionError("no gear to be kept smooth has a point on the level road that slopes could be judged at")
    return SlopeRule(
        load_kind=table.load_kind,
        along_speed=by_speed.slope,
        along_pressure=by_pressure.slope,
        load=load,
        speed_gear=by_speed.gear,
        speed_at=by_speed.speed,
        load_gear=by_pressure.gear,
        load_at=by_pressure.speed,
        skipped=tuple(skipped),
        marks={"along_speed": by_speed.mark, "along_pressure": by_pressure.mark},
    )


def _load_per_pressure(engine_side: EngineSide, speed: float, pressure: float, spark: float, kind: str) -> float:
    """Return how the table's load grows with manifold pressure [load per Pa]."""
    if kind == MANIFOLD_PRESSURE:
        return 1.0
    above, below = (engine_side.load(speed, pressure + step, spark, kind) for step in (PRESSURE_STEP, -PRESSURE_STEP))
    return (above - below) / (2.0 * PRESSURE_STEP)

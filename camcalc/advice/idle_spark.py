"""Idle spark, flat or falling with speed: best torque less a reserve or the misfire limit; what vacuum, variation and misses do over spark.

A slow burn wants an early spark, and with the pedal closed nothing swings through a driveline. But early spark meets a charge that is cold,
thin and diluted, and kernels die: where they do, the misfire limit is the idle spark.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord, ScalarMeasure
from ..codes import Code
from ..cycle.best_torque import EARLIEST, LATEST, spark_ends
from ..cycle.operating import EngineModel, barometer
from ..cycle.work_variation import misfire_spark
from ..errors import NoSolutionError
from ..marks import Mark, Marks, marks_where
from ..results import Measure, Record, measure
from .idle import IDLE_REACH
from .idle_balance import IdleBalance, IdleSparkRule, idle_balance, standing_balance

__all__ = ["IdleSpark", "IdleSparkBesideTable", "TableMeetsIdle", "beside_table", "idle_spark_advice"]

Array = NDArray[np.float64]

AROUND = np.linspace(-IDLE_REACH, IDLE_REACH, 5)
SPARKS = np.arange(0.0, 61.0, 5.0)


class OnSpark(NamedTuple):
    """An idle on one spark: vacuum [Pa], COV of IMEP, share of cycles missed and partly burned, residual of the mean cycle, whether it knocks."""

    vacuum: float
    variation: float
    missed: float
    partial: float
    burned_fraction: float
    knocks: bool


class TableMeetsIdle(Code):
    """How the starting table meets the idle spark where the engine idles."""

    SAME = "one spark serves the idle, in an idle-spark table and in the starting table"
    APART = "the idle spark belongs in an idle-spark table; the starting table has another there"
    BLANK = "the starting table is blank where the engine idles: knock leaves no spark there"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class IdleSparkBesideTable(Record):
    """The idle spark and the starting table's where the engine idles, and the idle on either; a figure is missing where the engine does not
    carry itself on that spark. Angles before top dead centre."""

    meets: TableMeetsIdle
    idle_spark: Measure = measure("crank_deg", doc="for an idle-spark table")
    table_spark: Measure = measure("crank_deg", doc="of the starting table, for an open pedal")
    vacuum_on_idle_spark: Measure = measure("Pa", "inHg")
    vacuum_on_table_spark: Measure = measure("Pa", "inHg")
    variation_on_idle_spark: Measure = measure("", "percent", doc="COV of IMEP")
    variation_on_table_spark: Measure = measure("", "percent", doc="COV of IMEP")
    missed_on_idle_spark: Measure = measure("", "percent", doc="share of cycles")
    missed_on_table_spark: Measure = measure("", "percent", doc="share of cycles")
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class IdleSpark(ArrayRecord):
    """Spark around idle, and what the idle itself does over spark; neutral, accessories off. Angles before top dead centre."""

    AXES = ("speed",)
    ALONG = (
        ("spark", "speed"), ("best_spark", "speed"), ("reserve_spark", "speed"), ("misfire_limit", "speed"), ("manifold_vacuum", "swept_spark"),
        ("imep_variation", "swept_spark"), ("missed", "swept_spark"), ("partial", "swept_spark"), ("burned_fraction", "swept_spark"),
    )  # fmt: skip

    speed: Measure = measure("crank_rps", "rpm", doc="around the idle speed")
    spark: Measure = measure("crank_deg", doc="flat or falling with speed, through the idle's own; blank where the engine does not carry itself")
    best_spark: Measure = measure("crank_deg", doc="best torque at each speed's own balance")
    reserve_spark: Measure = measure("crank_deg", doc="best torque less the sheet's reserve")
    misfire_limit: Measure = measure("crank_deg", doc="earlier sparks miss more than 1 % of cycles")
    swept_spark: Measure = measure("crank_deg", doc="sparks tried at the idle speed, the idle spark among them")
    manifold_vacuum: Measure = measure("Pa", "inHg", doc="at each of them")
    imep_variation: Measure = measure("", "percent", doc="at each of them, missed cycles counted")
    missed: Measure = measure("", "percent", doc="share of cycles at each of them")
    partial: Measure = measure("", "percent", doc="cycles that burn over a fifth less fuel than the usual one there, at each of them")
    burned_fraction: Measure = measure("", "percent", doc="residual of the mean cycle at each of them")
    idle_spark: ScalarMeasure = measure("crank_deg", doc="at the idle speed itself: the one number for an idle-spark table")
    idle_reserve_spark: ScalarMeasure = measure("crank_deg", doc="best torque less the sheet's reserve, at the idle")
    idle_misfire_limit: ScalarMeasure = measure("crank_deg", doc="earlier sparks miss more than 1 % of cycles, at the idle")
    idle_misfire_limit_cautious: ScalarMeasure = measure("crank_deg", doc="the same with the pessimistic constants of ignition")
    rule: IdleSparkRule | None
    table: IdleSparkBesideTable | None = None
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


def idle_spark_advice(engine: EngineModel) -> IdleSpark:
    """Return the idle spark within 300 rpm of the idle speed, and what the idle itself does over spark."""
    target = engine.build.idle.si.speed
    speeds = target + AROUND
    at_target = _balanced(engine, target, math.nan)
    near = math.nan if at_target is None else at_target.pressure
    found = [at_target if speed == target else _balanced(engine, float(speed), near) for speed in speeds]
    own, best, reserve = (np.array([math.nan if one is None else getattr(one.sparks, name) for one in found]) for name in ("spark", "best", "reserve"))
    limit = np.array([_misfire_limit(engine, float(n), one) for n, one in zip(speeds, found, strict=True)])
    spark, middle = through_idle(own), speeds.size // 2
    cautious = _misfire_limit(engine, target, at_target, cautious=True)
    tried = np.unique(np.append(SPARKS, spark[middle])) if at_target else SPARKS
    swept = [_at(engine, target, float(one), near) for one in tried]
    marks = tuple(None if one is None or spark[k] != own[k] else one.sparks.mark for k, one in enumerate(found))
    return IdleSpark(
        speed=speeds,
        spark=spark,
        best_spark=best,
        reserve_spark=reserve,
        misfire_limit=limit,
        swept_spark=tried,
        manifold_vacuum=np.array([one.vacuum for one in swept]),
        imep_variation=np.array([one.variation for one in swept]),
        missed=np.array([one.missed for one in swept]),
        partial=np.array([one.partial for one in swept]),
        burned_fraction=np.array([one.burned_fraction for one in swept]),
        idle_spark=float(spark[middle]),
        idle_reserve_spark=float(reserve[middle]),
        idle_misfire_limit=float(limit[middle]),
        idle_misfire_limit_cautious=cautious,
        rule=None if at_target is None else at_target.sparks.rule,
        marks={
            "spark": marks,
            "idle_spark": marks[middle],
            "best_spark": spark_ends(best),
            "reserve_spark": spark_ends(best),
            "misfire_limit": spark_ends(limit),
            "idle_reserve_spark": spark_ends(float(best[middle])),
            "idle_misfire_limit": spark_ends(float(limit[middle])),
            "idle_misfire_limit_cautious": spark_ends(cautious),
            "swept_spark": marks_where([one.knocks for one in swept], Mark.KNOCKS),
        },
    )


def beside_table(idle: IdleSpark, there: float) -> IdleSparkBesideTable | None:
    """Return how the idle spark meets the starting table; None where the engine does not carry itself at the idle speed.

    Parameters
    ----------
    idle : IdleSpark
    there : float [crank deg before top dead centre]
        The starting table's spark where the engine idles; not-a-number where it is blank.
    """
    si = idle.si
    own = si.idle_spark
    if not math.isfinite(own):
        return None
    with np.errstate(invalid="ignore"):
        vacuum, varies, misses = (np.interp([own, there], si.swept_spark, values) for values in (si.manifold_vacuum, si.imep_variation, si.missed))
    return IdleSparkBesideTable(
        # Sparks that print as one whole degree are one.
        meets=TableMeetsIdle.BLANK if not math.isfinite(there) else TableMeetsIdle.SAME if round(own) == round(there) else TableMeetsIdle.APART,
        idle_spark=own,
        table_spark=there,
        vacuum_on_idle_spark=float(vacuum[0]),
        vacuum_on_table_spark=float(vacuum[1]),
        variation_on_idle_spark=float(varies[0]),
        variation_on_table_spark=float(varies[1]),
        missed_on_idle_spark=float(misses[0]),
        missed_on_table_spark=float(misses[1]),
        marks={"idle_spark": idle.mark("idle_spark")},
    )


def through_idle(own: Array) -> Array:
    """Return sparks around an idle, its own in the middle, that never rise along the row; NaN stays.

    Faster, none is above its own. Slower, where a charge with more burned gas asks for less, they stay level: a spark that falls as the engine
    sags lets it sag further.

    >>> through_idle(np.array([np.nan, 10.0, 18.0, 20.0, 16.0])).tolist()
    [nan, 18.0, 18.0, 18.0, 16.0]
    >>> through_idle(np.array([25.0, 22.0, 18.0])).tolist()
    [25.0, 22.0, 18.0]
    """
    middle = own.size // 2
    slower = np.arange(own.size) < middle
    least = np.where(slower & ~np.isnan(own), np.fmax(own, own[middle]), own)
    return np.where(np.isnan(own), np.nan, np.fmin.accumulate(least))


def _balanced(engine: EngineModel, speed: float, near: float) -> IdleBalance | None:
    """Return a speed's own balance; None where the engine does not carry itself."""
    try:
        return idle_balance(engine, speed, near=near)
    except NoSolutionError:
        return None


def _misfire_limit(engine: EngineModel, speed: float, found: IdleBalance | None, *, cautious: bool = False) -> float:
    """Return the misfire limit of an idle [crank deg before top dead centre], an end of the search where it is beyond it."""
    return math.nan if found is None else float(np.clip(misfire_spark(engine, speed, found.pressure, cautious=cautious), LATEST, EARLIEST))


def _at(engine: EngineModel, speed: float, spark: float, near: float) -> OnSpark:
    """Return the idle on a spark; not-a-number where it does not carry itself."""
    try:
        spread = standing_balance(engine, speed, spark, near=near)
    except NoSolutionError:
        return OnSpark(*(math.nan,) * 5, knocks=False)
    mean = spread.mean
    knocks = spark > engine.knock_spark(speed, mean.manifold_pressure)
    return OnSpark(barometer(engine) - mean.manifold_pressure, spread.variation, spread.missed, spread.partial, mean.burned_fraction, knocks)

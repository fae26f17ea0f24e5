"""Idle spark: best torque less a reserve, flat or falling with speed; what vacuum and variation do over spark.

Idle and the cruise zone want opposite moves. At idle the car stands: the charge is what it is, and a slow burn wants an early
spark, so long cams commonly idle on more of it than stock ones. In the zone the charge swings and the car answers: its cleanest
and fullest states must not be over-advanced.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord, ScalarMeasure
from ..codes import Code
from ..cycle.best_torque import spark_ends
from ..cycle.operating import EngineModel, barometer, pressure_for_net_imep
from ..cycle.work_variation import imep_variation
from ..errors import NoSolutionError
from ..marks import Mark, Marks, marks_where
from ..results import Measure, Record, measure
from .idle import IDLE_REACH, idle_spark, idle_spark_marks, load_terms

__all__ = ["IdleSpark", "IdleSparkBesideTable", "TableMeetsIdle", "beside_table", "idle_spark_advice"]

Array = NDArray[np.float64]

AROUND = np.linspace(-IDLE_REACH, IDLE_REACH, 7)
SPARKS = np.arange(0.0, 61.0, 5.0)
# Sparks that print as one whole degree are one [crank deg].
WHOLE = 1.0


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
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class IdleSpark(ArrayRecord):
    """Spark around idle, and what the idle itself does over spark; neutral, accessories off. Angles before top dead centre."""

    AXES = ("speed",)
    ALONG = (("spark", "speed"), ("best_spark", "speed"), ("manifold_vacuum", "swept_spark"), ("imep_variation", "swept_spark"))

    speed: Measure = measure("crank_rps", "rpm", doc="around the idle speed")
    spark: Measure = measure("crank_deg", doc="flat or falling with speed; blank where the engine does not carry itself")
    best_spark: Measure = measure("crank_deg", doc="best torque at each speed's own balance")
    swept_spark: Measure = measure("crank_deg", doc="sparks tried at the idle speed")
    manifold_vacuum: Measure = measure("Pa", "inHg", doc="at each of them")
    imep_variation: Measure = measure("", "percent", doc="at each of them")
    idle_spark: ScalarMeasure = measure("crank_deg", doc="at the idle speed itself: the one number for an idle-spark table")
    table: IdleSparkBesideTable | None = None
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


def idle_spark_advice(engine: EngineModel) -> IdleSpark:
    """Return the idle spark within 300 rpm of the idle speed, and vacuum and variation over spark at it."""
    target = engine.build.idle.si.speed
    speeds = target + AROUND
    own, best = np.full(speeds.size, math.nan), np.full(speeds.size, math.nan)
    for k, speed in enumerate(speeds):
        try:
            best[k] = engine.best_spark(float(speed), _balance(engine, float(speed), None))
            own[k] = idle_spark(engine.build, float(best[k]))
        except NoSolutionError:
            continue
    at_sparks = [_at(engine, target, float(spark)) for spark in SPARKS]
    spark = falling(own)
    marks = idle_spark_marks(engine.build, best=best, spark=spark)
    middle = speeds.size // 2
    return IdleSpark(
        speed=speeds,
        spark=spark,
        best_spark=best,
        swept_spark=SPARKS,
        manifold_vacuum=np.array([a[0] for a in at_sparks]),
        imep_variation=np.array([a[1] for a in at_sparks]),
        idle_spark=float(spark[middle]),
        marks={
            "spark": marks,
            "idle_spark": marks[middle] if isinstance(marks, tuple) else marks,
            "best_spark": spark_ends(best),
            "swept_spark": marks_where([a[2] for a in at_sparks], Mark.KNOCKS),
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
        vacuum, varies = (np.interp([own, there], si.swept_spark, values) for values in (si.manifold_vacuum, si.imep_variation))
    return IdleSparkBesideTable(
        meets=TableMeetsIdle.BLANK if not math.isfinite(there) else TableMeetsIdle.SAME if abs(own - there) < WHOLE else TableMeetsIdle.APART,
        idle_spark=own,
        table_spark=there,
        vacuum_on_idle_spark=float(vacuum[0]),
        vacuum_on_table_spark=float(vacuum[1]),
        variation_on_idle_spark=float(varies[0]),
        variation_on_table_spark=float(varies[1]),
        marks={"idle_spark": idle.mark("idle_spark")},
    )


def falling(own: Array) -> Array:
    """Return the largest sparks, none above its own, that never rise along the row; NaN stays.

    >>> falling(np.array([30.0, np.nan, 32.0, 28.0])).tolist()
    [30.0, nan, 30.0, 28.0]
    """
    lowest = np.fmin.accumulate(own)
    return np.where(np.isnan(own), np.nan, lowest)


def _balance(engine: EngineModel, speed: float, spark: float | None) -> float:
    load = load_terms(engine, speed, drive=False, accessories=False).total
    idle = engine.build.idle.si
    return pressure_for_net_imep(engine, speed, load, spark, offset=idle.spark_reserve, earliest=idle.earliest_spark)


def _at(engine: EngineModel, speed: float, spark: float) -> tuple[float, float, bool]:
    """Return vacuum [Pa], variation of IMEP and whether the idle knocks on a spark; not-a-number where it does not carry itself."""
    try:
        pressure = _balance(engine, speed, spark)
    except NoSolutionError:
        return math.nan, math.nan, False
    return barometer(engine) - pressure, imep_variation(engine, speed, pressure, spark), spark > engine.knock_spark(speed, pressure)

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

from ..array_record import ArrayRecord
from ..cycle.best_torque import spark_ends
from ..cycle.operating import EngineModel, barometer, pressure_for_net_imep
from ..cycle.work_variation import imep_variation
from ..errors import NoSolutionError
from ..marks import Mark, Marks, marked, marks_where
from ..results import Measure, measure
from ..units import quantity
from .idle import IDLE_REACH, idle_spark, idle_spark_marks, load_terms

__all__ = ["WHY_OPPOSITE", "IdleSpark", "idle_spark_advice", "meets_table"]

Array = NDArray[np.float64]

AROUND = np.linspace(-IDLE_REACH, IDLE_REACH, 7)
SPARKS = np.arange(0.0, 61.0, 5.0)
WHY_OPPOSITE = (
    "At idle the pedal is closed and the car stands: a slow burn wants an early spark, and spark that does not rise with speed. "
    "In the zone above idle the charge swings and the car answers: its cleanest and fullest states want less, so spark goes down and level there."
)
# Sparks that print as one whole degree are one [crank deg].
WHOLE = 1.0


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
    why: str = WHY_OPPOSITE
    meets_table: str = ""
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
    return IdleSpark(
        speed=speeds,
        spark=spark,
        best_spark=best,
        swept_spark=SPARKS,
        manifold_vacuum=np.array([a[0] for a in at_sparks]),
        imep_variation=np.array([a[1] for a in at_sparks]),
        marks={
            "spark": idle_spark_marks(engine.build, best=best, spark=spark),
            "best_spark": spark_ends(best),
            "swept_spark": marks_where([a[2] for a in at_sparks], Mark.KNOCKS),
        },
    )


def meets_table(idle: IdleSpark, there: float) -> str:
    """Return which of two tables gets which spark; ``there`` is the starting table's where the engine idles [crank deg before top dead centre].

    One number serves where both agree. Elsewhere the idle's own belongs to an idle-spark table, and the line says what it costs to idle
    without one.
    """
    si = idle.si
    middle = si.speed.size // 2
    own = float(si.spark[middle])
    if not math.isfinite(own):
        return ""
    told = marked(f"{own:.0f} deg BTDC", idle.mark("spark", middle))
    if not math.isfinite(there):
        return f"Idle-spark table: {told}. The starting table is blank where the engine idles: knock leaves no spark there."
    if abs(own - there) < WHOLE:
        return f"One spark serves the idle, in an idle-spark table and in the starting table: {told}."
    said = f"Idle-spark table: {told}. Starting table where the engine idles: {there:.0f} deg BTDC, for an open pedal."
    with np.errstate(invalid="ignore"):
        vacuum, varies = (np.interp([own, there], si.swept_spark, values) for values in (si.manifold_vacuum, si.imep_variation))
    if not np.isfinite([*vacuum, *varies]).all():
        return said
    inches = quantity(vacuum, "Pa").to("inHg").magnitude
    return (
        f"{said} Without an idle-spark table the engine idles on the starting table: {inches[1]:.1f} inHg and COV {100.0 * varies[1]:.0f} %, "
        f"not {inches[0]:.1f} inHg and {100.0 * varies[0]:.0f} %."
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

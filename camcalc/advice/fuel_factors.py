"""What the filling table of the replaced cam would do to the fuel: air of the new cam over air of the old at one speed and manifold pressure."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord, ScalarMeasure
from ..cycle.operating import EngineModel, barometer
from ..results import Measure, measure
from ..sheet.sections import CARBURETTOR, INDIVIDUAL_THROTTLES
from .idle import IdleState

__all__ = ["FuelFactors", "fuel_factors", "has_filling_table"]

Array = NDArray[np.float64]

# Where a filling table has cells in the low-speed zone [rev/s], [Pa]; the idle joins them.
SPEEDS = np.array([1000.0, 1250.0, 1500.0, 2000.0, 2500.0]) / 60.0
PRESSURES = np.array([40e3, 50e3, 60e3, 75e3, 90e3])
# The last row keeps clear of the barometer, where no throttle is left.
MOST_RESIDUAL = 0.60  # beyond it hardly a cycle lights, and no factor serves; ESTIMATE, where the computed flames end
FULLEST = 0.97


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class FuelFactors(ArrayRecord):
    """What to multiply the cells of the old filling table by, where fuel is reckoned from manifold pressure.

    ``factor[k, j]`` belongs to ``manifold_pressure[k]`` and ``speed[j]``; not-a-number where the new cam makes no cycle that carries itself.
    """

    AXES = ("manifold_pressure", "speed")

    speed: Measure = measure("crank_rps", "rpm", doc="columns; the first is the idle speed")
    manifold_pressure: Measure = measure("Pa", "kPa", doc="rows, absolute")
    spark: Measure = measure("crank_deg", doc="before top dead centre, that the new cam's air was found at")
    factor: Measure = measure("", "", doc="air with the new cam over air with the replaced one, per cylinder and cycle")
    idle_pressure: ScalarMeasure = measure("Pa", "kPa", doc="where the new cam idles in neutral")
    idle_factor: ScalarMeasure = measure("", "", doc="the same there")
    idle_excess: ScalarMeasure = measure("", "percent", doc="fuel too much at idle on the old table")


def has_filling_table(engine: EngineModel) -> bool:
    """Whether fuel may be reckoned from a filling table by speed and manifold pressure: not with a carburettor, not with a throttle for each
    cylinder, whose tables go by throttle opening, and not from a model for learning."""
    build = engine.build
    return not (engine.teaching_only or build.fuel.system == CARBURETTOR or build.engine.intake == INDIVIDUAL_THROTTLES)


def fuel_factors(engine: EngineModel, replaced: EngineModel, idle: IdleState, spark_at: Callable[[float, float], float]) -> FuelFactors:
    """Return the factors between two cams' filling tables.

    Parameters
    ----------
    engine, replaced : EngineModel
        With the new cam, and with the one that the table was made for.
    idle : IdleState
        Of the new cam, in neutral.
    spark_at : callable
        Spark [crank deg before top dead centre] that the new cam will run on at a speed [rev/s] and manifold pressure [Pa]; air depends on it
        where much burned gas is left in the charge.

    Returns
    -------
    FuelFactors

    Notes
    -----
    A table by speed and manifold pressure holds the air that the old cam drew there. With more overlap the same pressure holds more burned gas
    and less air, so the old table fuels too much: by ``1 / factor - 1``. Best torque of the old cam, whose air hardly depends on spark.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.idle import idle_state
    >>> build = load_build("examples/quarry-road/build.toml")
    >>> new, old = QuickEngine(build), QuickEngine(build.with_replaced_cam())
    >>> found = fuel_factors(new, old, idle_state(new), lambda speed, pressure: 20.0)
    >>> 0.2 < found.si.idle_factor < 0.9, found.si.factor.shape
    (True, (5, 6))
    """
    si = idle.si
    speeds = np.concatenate([[si.speed], SPEEDS[1.05 * si.speed < SPEEDS]])
    pressures = PRESSURES[FULLEST * barometer(engine) > PRESSURES]
    sparks = np.array([[si.spark if j == 0 else spark_at(float(speed), float(p)) for j, speed in enumerate(speeds)] for p in pressures])
    factors = [[_factor(engine, replaced, float(n), float(p), float(sparks[k, j])) for j, n in enumerate(speeds)] for k, p in enumerate(pressures)]
    at_idle = _factor(engine, replaced, si.speed, si.manifold_pressure, si.spark)
    return FuelFactors(
        speed=speeds,
        manifold_pressure=pressures,
        spark=sparks,
        factor=np.array(factors),
        idle_pressure=si.manifold_pressure,
        idle_factor=at_idle,
        idle_excess=1.0 / at_idle - 1.0,
    )


def _factor(engine: EngineModel, replaced: EngineModel, speed: float, pressure: float, spark: float) -> float:
    """Return air over air at one point; not-a-number where either engine does not run, or only sways what it has burned to and fro."""
    if not math.isfinite(spark):
        return math.nan
    new = engine.state(speed, pressure, spark)
    old = replaced.state(speed, pressure, replaced.best_spark(speed, pressure))
    lights = new.runs and old.runs and max(new.burned_fraction, old.burned_fraction) < MOST_RESIDUAL
    return new.air / old.air if lights else math.nan

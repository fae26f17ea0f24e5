"""How much the work of cycles varies, and how many of them miss: scatter of residual, turbulence and mixing through the whole torque curve."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..burn.cycle_map import cycle_outcomes
from ..burn.ignition import ANCHORED, CAUTIOUS, IgnitionLaw
from .best_torque import EARLIEST, LATEST

if TYPE_CHECKING:
    from .burn_map import BurnMap
    from .operating import EngineModel, OperatingState

__all__ = ["BASE_VARIATION", "MOST_MISSED", "RESIDUAL_SCATTER", "Spread", "best_counted", "ignition_law", "imep_variation", "misfire_spark", "work_spread"]

# Coefficient of variation that a clean charge keeps: 2 to 5 % is normal running (Heywood 1988, from memory), its low end.
BASE_VARIATION = 0.02
# Standard deviation over mean of the residual that a cycle keeps; ESTIMATE, 0.03 to 0.08.
RESIDUAL_SCATTER = 0.05
# A spark is too early where more than this share of cycles miss: one in a hundred; convention.
MOST_MISSED = 0.01
# Sparks about best torque are tried in steps of so much [crank deg].
COUNTED_STEP = 4.0
# Where the search for it begins, and its first step [crank deg]; shares below this cannot be told from none among the cycles counted.
NEAR, FIRST_STEP, LEAST_SHARE = 24, 8, 5e-5
# Shares from here on are of nine cycles or more, and good enough to draw a line through.
COUNTED_WELL = 1e-3
# Over so many degrees the measure of the share that misses is straight: the edge lies within 0.2 degrees of where steps of one would put it.
STRAIGHT_OVER = 4


class Spread(NamedTuple):
    """The mean cycle as settled, and what many cycles make: mean and standard deviation of gross IMEP [Pa], shares that miss and that burn in part, mean
    burned share of the fuel (missed ones counted), standard deviation over mean of the fresh charge."""

    mean: OperatingState
    gross: float
    deviation: float
    missed: float
    partial: float
    burned_share: float
    charge_deviation: float

    @property
    def variation(self) -> float:
        """Coefficient of variation of gross IMEP; infinite where the cycles make no work."""
        return self.deviation / self.gross if self.gross > 0.0 else math.inf

    @property
    def net(self) -> float:
        """Mean net IMEP [Pa] of all cycles, missed ones counted."""
        return self.mean.net + self.gross - self.mean.gross


def ignition_law(engine: EngineModel, *, cautious: bool = False) -> IgnitionLaw:
    """Return the constants of ignition and scatter for an engine; ``cautious`` takes the pessimistic set."""
    law, t = CAUTIOUS if cautious else ANCHORED, engine.tolerances
    return law._replace(
        kernel_turbulence=law.kernel_turbulence * t.kernel_turbulence,
        energy=float(engine.build.engine.si.spark_energy) * t.spark_energy,
        plug_scatter=law.plug_scatter * t.plug_scatter,
        turbulence_scatter=law.turbulence_scatter * t.turbulence_scatter,
    )


def work_spread(engine: EngineModel, speed: float, pressure: float, spark: float, *, cautious: bool = False) -> Spread:
    """Return the mean cycle and what cycles that follow one another make of its gas exchange.

    Speed rev/s, pressure Pa, spark crank deg before top dead centre.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    pressure : float
        Manifold pressure [Pa], absolute.
    spark : float
        Before top dead centre [crank deg].
    cautious : bool
        With the pessimistic constants of ignition.
    """
    known = engine.spreads
    key = speed, pressure, spark, cautious
    if key not in known:
        known[key] = _spread(engine, speed, pressure, spark, ignition_law(engine, cautious=cautious))
    return known[key]


def _spread(engine: EngineModel, speed: float, pressure: float, spark: float, law: IgnitionLaw) -> Spread:
    burn_map = _burn_map(engine, speed, pressure, spark)
    if burn_map is None:
        mean = engine.state(speed, pressure, spark)
        return Spread(mean, mean.gross, 0.0, 1.0, 0.0, 0.0, 0.0)
    mean = burn_map.mean
    found = cycle_outcomes(mean.burned_fraction, burn_map.own, RESIDUAL_SCATTER * engine.tolerances.residual_scatter, burn_map.table, burn_map.kernel, law)
    return Spread(
        mean=mean,
        gross=found.gross,
        deviation=math.hypot(found.deviation, BASE_VARIATION * mean.gross),
        missed=found.missed,
        partial=found.partial,
        burned_share=found.burned_share,
        charge_deviation=found.fresh_deviation / found.fresh,
    )


def _burn_map(engine: EngineModel, speed: float, pressure: float, spark: float) -> BurnMap | None:
    """Return an engine's burn map, remembered."""
    known, key = engine.burn_maps, (speed, pressure, spark)
    if key not in known:
        known[key] = engine.burn_map(speed, pressure, spark)
    return known[key]


def imep_variation(engine: EngineModel, speed: float, pressure: float, spark: float) -> float:
    """Return the coefficient of variation of gross IMEP, missed cycles counted (textbook limit 10 %, Heywood 1988, section 9.4).

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    pressure : float
        Manifold pressure [Pa], absolute.
    spark : float
        Before top dead centre [crank deg].
    """
    return work_spread(engine, speed, pressure, spark).variation


def misfire_spark(engine: EngineModel, speed: float, pressure: float, *, cautious: bool = False) -> float:
    """Return the spark [crank deg before top dead centre] above which more than one cycle in a hundred misses.

    Infinite if none searched does, minus infinity if all searched do, not-a-number where the engine does not run.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    pressure : float
        Manifold pressure [Pa], absolute.
    cautious : bool
        With the pessimistic constants of ignition.
    """
    from scipy.special import ndtri

    def over(spark: int) -> float:
        # Scatter is normal: in its own measure the share that misses is nearly straight over spark.
        share = work_spread(engine, speed, pressure, float(spark), cautious=cautious).missed
        return float(ndtri(min(max(share, LEAST_SHARE), 1.0 - LEAST_SHARE)) - ndtri(MOST_MISSED))

    if not engine.state(speed, pressure, float(NEAR)).runs:
        return math.nan
    # Whole degrees, so that other questions about the place find the same cycles.
    known = {NEAR: over(NEAR)}
    late = known[NEAR] > 0.0
    near, step, edge = NEAR, -FIRST_STEP if late else FIRST_STEP, int(LATEST if late else EARLIEST)
    while True:
        other = max(near + step, edge) if late else min(near + step, edge)
        known[other] = over(other)
        if (known[other] > 0.0) is not late:
            break
        if other == edge:
            return -math.inf if late else math.inf
        near, step = other, 2 * step
    low, high = sorted((near, other))
    straight = ndtri(COUNTED_WELL) - ndtri(MOST_MISSED)
    while high - low > (STRAIGHT_OVER if known[low] > straight else 1):
        aim = low - known[low] * (high - low) / (known[high] - known[low])
        middle = min(max(round(aim), low + 1), high - 1)
        known[middle] = over(middle)
        low, high = (low, middle) if known[middle] > 0.0 else (middle, high)
    return float(low - known[low] * (high - low) / (known[high] - known[low]))


def best_counted(engine: EngineModel, speed: float, pressure: float) -> float:
    """Return the spark [crank deg before top dead centre] of greatest mean net IMEP, missed cycles counted.

    Best torque of the mean cycle where none miss or none runs.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    pressure : float
        Manifold pressure [Pa], absolute.
    """
    best = engine.best_spark(speed, pressure)
    if work_spread(engine, speed, pressure, best).missed == 0.0:
        return best

    def net(spark: float) -> float:
        return work_spread(engine, speed, pressure, spark).net

    # Climbed from where hardly a cycle misses: further ahead, where all do, work over spark is as flat as at a top.
    edge = misfire_spark(engine, speed, pressure)
    if math.isnan(edge):  # nothing runs about there, so nothing is to be counted
        return best
    spark = float(math.floor(max(min(edge, best - 2.0 * COUNTED_STEP), LATEST)))
    while spark + COUNTED_STEP <= best and net(spark + COUNTED_STEP) > net(spark):
        spark += COUNTED_STEP
    sparks = [spark - COUNTED_STEP, spark, min(spark + COUNTED_STEP, best)]
    if sparks[2] - sparks[1] < 0.5:
        return best
    bend, slope, _ = np.polyfit(np.array(sparks) - spark, [net(s) for s in sparks], 2)
    if bend >= 0.0:
        return spark
    return float(min(max(spark - 0.5 * slope / bend, sparks[0]), sparks[2]))

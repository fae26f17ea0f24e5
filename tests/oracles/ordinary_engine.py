"""An ordinary engine with burned gas added to its charge, as an engine with recirculated exhaust has it: the sweep that anchors ignition.

The gas exchange is a mild cam's own; the residual of a single cycle is set, its own part alone remembers and scatters.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from camcalc import ResolvedEngine
from camcalc.burn.cycle_map import Outcomes, cycle_outcomes
from camcalc.burn.ignition import ANCHORED, IgnitionLaw
from camcalc.cycle.best_torque import EARLIEST, top_of
from camcalc.cycle.burn_map import burn_map_of, own_share
from camcalc.cycle.operating import OperatingState
from camcalc.cycle.work_variation import BASE_VARIATION, RESIDUAL_SCATTER

__all__ = ["Diluted", "diluted", "dilution_at_variation"]


class Diluted(NamedTuple):
    """A point of the sweep: spark [crank deg before top dead centre], the mean cycle, what its cycles do, COV of gross IMEP."""

    spark: float
    mean: OperatingState
    outcomes: Outcomes

    @property
    def variation(self) -> float:
        return math.hypot(self.outcomes.deviation, BASE_VARIATION * self.mean.gross) / self.outcomes.gross


def diluted(engine: ResolvedEngine, pressure: float, burned: float, *, speed: float = 25.0, spark: float | None = None, law: IgnitionLaw = ANCHORED) -> Diluted:
    """Return the engine with so much burned gas in its charge, at best torque unless a spark is given; pressure [Pa], speed [rev/s]."""
    if spark is None:
        still = engine.settled(speed, pressure, 30.0)
        spark = min(top_of(lambda s: engine.closed_work(still, s, burned)[0], 30.0), EARLIEST)
    settled = engine.settled(speed, pressure, float(round(spark)))
    own, mean = engine.describe(settled, spark), engine.describe(settled, spark, burned)
    share = min(own.burned_fraction / burned, 1.0)
    found = burn_map_of(settled, mean, engine.burning(spark), share * own_share(engine.marching(speed, pressure, spark), settled, own))
    return Diluted(spark, mean, cycle_outcomes(burned, found.own, RESIDUAL_SCATTER * share, found.table, found.kernel, law))


def dilution_at_variation(engine: ResolvedEngine, pressure: float, variation: float = 0.10) -> float:
    """Return the burned fraction at which the engine, at 1500 rpm and best torque, reaches a COV of gross IMEP."""
    from scipy.optimize import brentq

    return float(brentq(lambda x: diluted(engine, pressure, x).variation - variation, 0.20, 0.36, xtol=2e-3))

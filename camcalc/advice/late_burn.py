"""What the sheet calls too late a burn or too hot an exhaust, and the latest spark that is neither."""

from __future__ import annotations

import math

from ..cycle.best_torque import LATEST
from ..cycle.operating import EngineModel, OperatingState

__all__ = ["latest_useful_spark", "past_limit"]

# A spark at which the engine dies counts as so much too late [crank deg]; half a cycle, beyond any limit.
NEVER_BURNS = 360.0
# A degree of retard warms the exhaust by so much [K]; ESTIMATE, it only aims the search.
WARMS = 5.0
# Found within so much [crank deg].
CLOSE, TURNS = 0.5, 8


def past_limit(engine: EngineModel, state: OperatingState) -> bool:
    """Return whether a cycle burns later, or makes its exhaust hotter, than the sheet allows; one that does not run does.

    Parameters
    ----------
    engine : EngineModel
    state : OperatingState

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> engine = QuickEngine(load_build("examples/long-meadow/build.toml"))
    >>> [past_limit(engine, engine.state(25.0, 60e3, spark)) for spark in (30.0, -10.0)]
    [False, True]
    """
    limits = engine.build.limits.si
    return bool(not state.runs or state.half_burned > limits.latest_half_burned or state.exhaust_temperature > limits.hottest_exhaust)


def latest_useful_spark(engine: EngineModel, state: OperatingState, best: float) -> float:
    """Return the least spark whose burn is not too late and whose exhaust is not too hot; best torque if even that is not enough.

    Between a spark that serves and one that does not; the end of the sparks searched where even that serves.

    Parameters
    ----------
    engine : EngineModel
    state : OperatingState
        At best torque.
    best : float
        Best-torque spark, before top dead centre [crank deg].

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> engine = QuickEngine(load_build("examples/long-meadow/build.toml"))
    >>> best = engine.best_spark(25.0, 60e3)
    >>> latest = latest_useful_spark(engine, engine.state(25.0, 60e3, best), best)
    >>> abs(engine.state(25.0, 60e3, latest).half_burned - 35.0) < 0.6
    True
    """
    limits = engine.build.limits.si

    def spare(spark: float) -> float:
        now = state if spark == best else engine.state(state.speed, state.manifold_pressure, spark)
        if not now.runs:
            return -NEVER_BURNS
        # The two conditions in one currency.
        return float(min(limits.latest_half_burned - now.half_burned, (limits.hottest_exhaust - now.exhaust_temperature) / WARMS))

    good, room, bad, lack = best, spare(best), math.nan, math.nan
    if room <= 0.0:
        return best
    spark = best - room
    for _ in range(TURNS):
        spark = max(spark, LATEST)
        left = spare(spark)
        if abs(left) < CLOSE:
            return spark - left
        if left > 0.0:
            if spark == LATEST:
                return LATEST
            good, room = spark, left
        else:
            bad, lack = spark, left
        if math.isnan(bad):
            spark = good - room
        elif lack <= -NEVER_BURNS:  # says nothing of how far
            spark = 0.5 * (good + bad)
        else:
            spark = good - (good - bad) * room / (room - lack)
    return good

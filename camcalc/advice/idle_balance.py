"""The balance of an idle: what it must carry, the one spark it runs on, and the manifold pressure at which all cycles together carry the load."""

from __future__ import annotations

import math
from typing import NamedTuple

from ..codes import Code
from ..constants import mean_pressure_of_torque
from ..cycle.best_torque import LATEST, spark_ends
from ..cycle.operating import EngineModel, pressure_carrying
from ..cycle.work_variation import MOST_MISSED, Spread, best_counted, misfire_spark, work_spread
from ..engine.friction import rubbing_friction
from ..errors import NoSolutionError
from ..marks import Mark
from ..vehicle.road_load import converter_drag
from .late_burn import latest_useful_spark

__all__ = ["IdleBalance", "IdleSparkRule", "IdleSparks", "LoadTerms", "idle_balance", "idle_sparks", "load_terms", "standing_balance"]

# Where the search for an idle begins [crank deg before top dead centre]; the answer does not rest on it.
FIRST = 20.0
# The misfire limit is found in steps, so the spark of the rule is sought where it carries the load to this share; then it is held and balanced closely.
STEPPED = 0.004


class LoadTerms(NamedTuple):
    """What net indicated work must carry at idle, each as mean effective pressure [Pa]; pumping is in the net IMEP already."""

    friction: float
    accessories: float
    converter: float

    @property
    def total(self) -> float:
        """Sum of all terms [Pa]."""
        return self.friction + self.accessories + self.converter


class IdleSparkRule(Code):
    """What the idle spark rests on: the least of what may be asked."""

    RESERVE = "MBT spark less the spark reserve"
    MISFIRE = "misfire limit: earlier sparks miss more than 1 % of cycles"
    LATEST_USEFUL = "latest useful spark: more than 1 % of cycles miss even there"
    STATED = "earliest spark that the sheet allows"


class IdleSparks(NamedTuple):
    """The idle spark and what it rests on; best torque (missed cycles counted) and that less the reserve [crank deg before top dead centre]."""

    best: float
    reserve: float
    spark: float
    rule: IdleSparkRule

    @property
    def mark(self) -> Mark | None:
        """What mark the spark carries: the sheet's cap, or the end of the search that best torque is."""
        if self.rule is IdleSparkRule.STATED:
            return Mark.CAP
        ends = spark_ends(self.best) if self.rule is IdleSparkRule.RESERVE else None
        return ends if isinstance(ends, Mark) else None


class IdleBalance(NamedTuple):
    """A settled idle: manifold pressure [Pa], its spark and what that rests on, all of its cycles."""

    pressure: float
    sparks: IdleSparks
    spread: Spread

    @property
    def misses(self) -> bool:
        """Whether more cycles miss than may, on the latest spark that serves: a misfire limit is found to a step, so about as many as may miss there."""
        return self.sparks.rule not in (IdleSparkRule.RESERVE, IdleSparkRule.MISFIRE) and self.spread.missed > MOST_MISSED


def load_terms(engine: EngineModel, speed: float, *, drive: bool, accessories: bool) -> LoadTerms:
    """Return what the engine carries at idle at a speed [rev/s].

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    drive : bool
        Whether an automatic is in gear and its converter drags.
    accessories : bool
        Whether they are switched on.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> load_terms(QuickEngine(load_build("examples/quarry-road/build.toml")), 14.0, drive=False, accessories=False).converter
    0.0
    """
    build, displacement = engine.build, engine.geometry.displacement
    friction = engine.tolerances.friction * build.engine.friction_factor * rubbing_friction.kernel(speed)
    accessory = 2.0 * build.engine.si.accessory_power / (speed * displacement) if accessories else 0.0
    converter = mean_pressure_of_torque(converter_drag(build.vehicle, speed), displacement) if drive else 0.0
    return LoadTerms(friction, accessory, converter)


def idle_sparks(engine: EngineModel, speed: float, pressure: float) -> IdleSparks:
    """Return the one idle spark at a speed and manifold pressure, and what it rests on.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    pressure : float
        Manifold pressure [Pa], absolute.

    Returns
    -------
    IdleSparks

    Notes
    -----
    Best torque less the sheet's reserve keeps torque in hand for the idle control; the misfire limit keeps kernels alive. The later of both
    counts. Best torque is that of all cycles: beyond it the idle control gains nothing. Where cycles miss at every spark searched the latest
    useful spark takes the limit's place, and the idle misses. A cap that the sheet states comes last.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> found = idle_sparks(QuickEngine(load_build("examples/long-meadow/build.toml")), 15.0, 45e3)
    >>> found.spark <= found.reserve < found.best
    True
    """
    idle = engine.build.idle.si
    best = best_counted(engine, speed, pressure)
    reserve = best - idle.spark_reserve
    spark, rule = reserve, IdleSparkRule.RESERVE
    if work_spread(engine, speed, pressure, reserve).missed > MOST_MISSED:
        spark, rule = misfire_spark(engine, speed, pressure), IdleSparkRule.MISFIRE
        if not spark >= LATEST:
            useful = latest_useful_spark(engine, engine.state(speed, pressure, best), best)
            spark, rule = min(useful, reserve), IdleSparkRule.LATEST_USEFUL
    if idle.earliest_spark < spark:  # not-a-number where none is stated
        spark, rule = idle.earliest_spark, IdleSparkRule.STATED
    return IdleSparks(best, reserve, float(spark), rule)


def idle_balance(engine: EngineModel, speed: float, *, drive: bool = False, accessories: bool = False, near: float = math.nan) -> IdleBalance:
    """Return the balance of an idle on its own spark: the mean of all its cycles carries the load, missed ones counted.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    drive : bool
        Whether an automatic is in gear.
    accessories : bool
        Whether they are switched on.
    near : float
        A manifold pressure close by [Pa], to save time.

    Raises
    ------
    NoSolutionError
        If no manifold pressure carries the load.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> engine = QuickEngine(load_build("examples/long-meadow/build.toml"))
    >>> found = idle_balance(engine, 13.0)
    >>> load = load_terms(engine, 13.0, drive=False, accessories=False).total
    >>> abs(found.spread.net / load - 1.0) < 0.01
    True
    """
    load = load_terms(engine, speed, drive=drive, accessories=accessories).total

    def work(pressure: float) -> float:
        return work_spread(engine, speed, pressure, idle_sparks(engine, speed, pressure).spark).net

    first = _first(engine, speed, drive, accessories, near)
    pressure = pressure_carrying(engine, speed, load, work, near=first, close=STEPPED)
    sparks = idle_sparks(engine, speed, pressure)
    spread = standing_balance(engine, speed, sparks.spark, drive=drive, accessories=accessories, near=pressure)
    return IdleBalance(spread.mean.manifold_pressure, sparks, spread)


def _first(engine: EngineModel, speed: float, drive: bool, accessories: bool, near: float) -> float:
    """Return a pressure [Pa] to begin from, that of a spark that idles commonly have; not-a-number where that carries too little."""
    try:
        return standing_balance(engine, speed, FIRST, drive=drive, accessories=accessories, near=near).mean.manifold_pressure
    except NoSolutionError:
        return math.nan


def standing_balance(engine: EngineModel, speed: float, spark: float, *, drive: bool = False, accessories: bool = False, near: float = math.nan) -> Spread:
    """Return all cycles of an engine that carries itself at a speed on a spark that is set; missed ones carry nothing, so the rest work harder.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    spark : float
        Before top dead centre [crank deg].
    drive : bool
        Whether an automatic is in gear.
    accessories : bool
        Whether they are switched on.
    near : float
        A manifold pressure close by [Pa], to save time.

    Raises
    ------
    NoSolutionError
        If no manifold pressure carries the load on that spark.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> engine = QuickEngine(load_build("examples/long-meadow/build.toml"))
    >>> early, late = (standing_balance(engine, 13.0, spark).mean.manifold_pressure for spark in (25.0, 10.0))
    >>> early < late
    True
    """
    load = load_terms(engine, speed, drive=drive, accessories=accessories).total
    pressure = pressure_carrying(engine, speed, load, lambda p: work_spread(engine, speed, p, spark).net, near=near)
    return work_spread(engine, speed, pressure, spark)

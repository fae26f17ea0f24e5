"""Warm idle: manifold pressure, spark and cycle-to-cycle spread solved together, for every state an idle has."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping

import numpy as np

from ..codes import Code
from ..constants import AIR_GAMMA, AIR_GAS_CONSTANT
from ..cycle.best_torque import EARLIEST, LATEST, spark_ends
from ..cycle.operating import LEAST_PRESSURE, EngineModel, barometer
from ..cycle.work_variation import misfire_spark
from ..engine.valve_flow import orifice_flow_kernel
from ..errors import NoSolutionError
from ..marks import Marks, ends_of_search, marked
from ..results import Measure, Record, measure
from .idle_balance import IdleBalance, IdleSparkRule, LoadTerms, idle_balance, load_terms
from .idle_speeds import FASTEST, lowest_idle, lowest_mark

__all__ = ["BEYOND_DATA", "IDLE_REACH", "IdleState", "IdleVerdict", "LoadTerms", "idle_state", "load_terms"]

THROTTLE_DISCHARGE = 0.7  # textbook (Guzzella & Onder, appendix B, read)
# So far around the idle speed spark is idle spark, flat or falling with speed; derived from two published idle loops: a rising
# slope undamps them. The zone above begins beyond it.
IDLE_REACH = 300.0 / 60.0
# Above this residual nothing that a flame or a spark is computed from has been held against an engine: measured limits with ordinary ignition
# end at 0.27 to 0.31 (J. Eng. Gas Turbines Power 138(11) 112807, 2016, abstract read), flame factors at 0.25.
BEYOND_DATA = 0.35


class IdleVerdict(Code):
    """How an idle that carries itself runs."""

    STEADY = "steady: COV of IMEP is within its limit"
    ROUGH = "rough but alive: COV of IMEP is above its limit, and no more than 1 % of cycles miss"
    MISSES = "misses: more than 1 % of cycles do not burn, on the best spark there is"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class IdleState(Record):
    """One settled idle; all its cycles together carry the load, missed ones counted.

    ``beyond_data``: more residual than any engine data that ignition and scatter rest on has; a direction, not degrees.
    """

    cam: str
    gearbox: str
    accessories: str
    verdict: IdleVerdict
    speed: Measure = measure("crank_rps", "rpm")
    manifold_pressure: Measure = measure("Pa", "kPa")
    manifold_vacuum: Measure = measure("Pa", "inHg")
    burned_fraction: Measure = measure("", "percent", doc="burned gas over trapped charge by mass")
    blow_back: Measure = measure("", "percent", doc="overlap blow-back over trapped charge")
    best_spark: Measure = measure("crank_deg", doc="best torque of all cycles, missed ones counted; before top dead centre")
    reserve_spark: Measure = measure("crank_deg", doc="best torque less the sheet's reserve")
    misfire_limit: Measure = measure("crank_deg", doc="earlier sparks miss more than 1 % of cycles; anchored constants of ignition")
    cautious_misfire_limit: Measure = measure("crank_deg", doc="the same with the pessimistic constants")
    spark: Measure = measure("crank_deg", doc="the idle spark: the later of reserve spark and misfire limit, no earlier than the sheet allows")
    rule: IdleSparkRule
    imep_variation: Measure = measure("", "percent", doc="coefficient of variation of gross IMEP, missed cycles counted")
    missed: Measure = measure("", "percent", doc="cycles whose flame dies at the plug")
    missed_per_minute: Measure = measure("Hz", "1/minute", doc="the same, of all cylinders")
    partial: Measure = measure("", "percent", doc="cycles that burn over a fifth less fuel than the usual one there")
    air_flow: Measure = measure("kg/s", "g/s")
    throttle_area: Measure = measure("m**2", "mm**2", doc="opening, all throttles and bypasses together")
    fuel_flow: Measure = measure("m**3/s", "L/h")
    beyond_data: bool = False
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


def gearbox_of(drive: bool) -> str:
    """Return how records name the gearbox: in drive or in neutral."""
    return "drive" if drive else "neutral"


def switched(on: bool) -> str:
    """Return how records name accessories: on or off."""
    return "on" if on else "off"


def idle_state(engine: EngineModel, speed: float | None = None, *, drive: bool = False, accessories: bool = False) -> IdleState:
    """Solve an idle.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s]; the sheet's idle speed by default.
    drive : bool
        In gear against a stalled converter, else neutral.
    accessories : bool
        Whether they are switched on.

    Raises
    ------
    NoSolutionError
        If the engine cannot carry itself at that speed, with the lowest speed [rpm] found at which it can.
    """
    build = engine.build
    speed = build.idle.si.speed if speed is None else speed
    try:
        found = idle_balance(engine, speed, drive=drive, accessories=accessories)
    except NoSolutionError:
        lowest = lowest_idle(engine, drive=drive, accessories=accessories, steady=False)
        known = math.isfinite(lowest)
        reached = f"the lowest speed found is {marked(f'{lowest * 60:.0f} rpm', lowest_mark(lowest))}"
        raise NoSolutionError(
            f"[idle] speed: the engine cannot idle at {speed * 60:.0f} rpm on {build.cam.name}: burned gas, friction and load leave no balance of torque; "
            + (reached if known else f"nor at any speed up to {FASTEST * 60:.0f} rpm"),
            reachable=lowest * 60.0 if known else None,
            fix="raise the idle speed, take overlap out, or take load off",
        ) from None
    return _describe(engine, speed, found, drive, accessories)


def verdict_of(found: IdleBalance, limit: float) -> IdleVerdict:
    """Return how an idle runs; ``limit`` is the COV of IMEP up to which it is steady."""
    if found.misses:
        return IdleVerdict.MISSES
    return IdleVerdict.STEADY if found.spread.variation <= limit else IdleVerdict.ROUGH


def _describe(engine: EngineModel, speed: float, found: IdleBalance, drive: bool, accessories: bool) -> IdleState:
    build, ambient = engine.build, barometer(engine)
    pressure, sparks, spread = found
    state = spread.mean
    cycles = speed / 2.0 * engine.geometry.cylinders
    air = state.air * cycles
    flux = orifice_flow_kernel(THROTTLE_DISCHARGE, ambient, min(pressure, ambient), build.site.si.air_temperature, AIR_GAS_CONSTANT, AIR_GAMMA)
    # A limit beyond either end of the search is that end, marked.
    limit, cautious = np.clip([misfire_spark(engine, speed, pressure, cautious=c) for c in (False, True)], LATEST, EARLIEST)
    return IdleState(
        cam=build.cam.name,
        gearbox=gearbox_of(drive),
        accessories=switched(accessories),
        verdict=verdict_of(found, build.limits.stability),
        speed=speed,
        manifold_pressure=pressure,
        manifold_vacuum=ambient - pressure,
        burned_fraction=state.burned_fraction,
        blow_back=state.blow_back / state.trapped,
        best_spark=sparks.best,
        reserve_spark=sparks.reserve,
        misfire_limit=float(limit),
        cautious_misfire_limit=float(cautious),
        spark=sparks.spark,
        rule=sparks.rule,
        imep_variation=spread.variation,
        missed=spread.missed,
        missed_per_minute=spread.missed * cycles,
        partial=spread.partial,
        air_flow=air,
        throttle_area=air / flux if flux > 0.0 else math.nan,
        fuel_flow=state.fuel * cycles / engine.fuel.density,
        beyond_data=state.burned_fraction > BEYOND_DATA,
        marks={
            "best_spark": spark_ends(sparks.best),
            "reserve_spark": spark_ends(sparks.best),
            "misfire_limit": spark_ends(float(limit)),
            "cautious_misfire_limit": spark_ends(float(cautious)),
            "spark": sparks.mark,
            "manifold_pressure": ends_of_search(pressure, least=LEAST_PRESSURE),
            "manifold_vacuum": ends_of_search(ambient - pressure, most=ambient - LEAST_PRESSURE),
        },
    )

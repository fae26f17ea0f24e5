"""Warm idle: manifold pressure, burned fraction and torque balance solved together, for every state an idle has."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

from ..constants import AIR_GAMMA, AIR_GAS_CONSTANT, mean_pressure_of_torque
from ..cycle.best_torque import spark_ends
from ..cycle.operating import LEAST_PRESSURE, EngineModel, barometer, pressure_for_net_imep
from ..cycle.work_variation import imep_variation
from ..engine.friction import rubbing_friction
from ..engine.valve_flow import orifice_flow_kernel
from ..errors import NoSolutionError
from ..marks import Mark, Marks, ends_of_search, marked, marks_where, merged_marks
from ..results import Measure, Record, measure
from ..vehicle.road_load import converter_drag

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["IDLE_REACH", "IdleState", "LoadTerms", "idle_state", "load_terms", "lowest_idle"]

THROTTLE_DISCHARGE = 0.7  # textbook (Guzzella & Onder, appendix B, read)
# So far around the idle speed spark is idle spark, flat or falling with speed; derived from two published idle loops: a rising
# slope undamps them. The zone above begins beyond it.
IDLE_REACH = 300.0 / 60.0
SLOWEST, FASTEST = 350.0 / 60.0, 2000.0 / 60.0
# Burned gas in the charge beyond which the figures are a sign only: no data that the models rest on reach there; ESTIMATE.
MOST_RESIDUAL_OF_DATA = 0.40


class LoadTerms(NamedTuple):
    """What net indicated work must carry at idle, each as mean effective pressure [Pa]; pumping is in the net IMEP already."""

    friction: float
    accessories: float
    converter: float

    @property
    def total(self) -> float:
        """Sum of all terms [Pa]."""
        return self.friction + self.accessories + self.converter


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class IdleState(Record):
    """One settled idle. ``beyond_data``: more residual than any data that the model rests on has; a sign, not a figure."""

    cam: str
    gearbox: str
    accessories: str
    speed: Measure = measure("crank_rps", "rpm")
    manifold_pressure: Measure = measure("Pa", "kPa")
    manifold_vacuum: Measure = measure("Pa", "inHg")
    burned_fraction: Measure = measure("", "percent", doc="burned gas over trapped charge by mass")
    blow_back: Measure = measure("", "percent", doc="overlap blow-back over trapped charge")
    best_spark: Measure = measure("crank_deg", doc="before top dead centre")
    spark: Measure = measure("crank_deg", doc="best torque less the reserve, no earlier than the sheet allows")
    imep_variation: Measure = measure("", "percent", doc="coefficient of variation of gross IMEP")
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
    """
    build, displacement = engine.build, engine.geometry.displacement
    friction = engine.tolerances.friction * build.engine.friction_factor * rubbing_friction.kernel(speed)
    accessory = 2.0 * build.engine.si.accessory_power / (speed * displacement) if accessories else 0.0
    converter = mean_pressure_of_torque(converter_drag(build.vehicle, speed), displacement) if drive else 0.0
    return LoadTerms(friction, accessory, converter)


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
        pressure = _balance(engine, speed, drive, accessories)
    except NoSolutionError:
        lowest = lowest_idle(engine, drive=drive, accessories=accessories, steady=False)
        known = math.isfinite(lowest)
        found = f"the lowest speed found is {marked(f'{lowest * 60:.0f} rpm', lowest_mark(lowest))}"
        raise NoSolutionError(
            f"[idle] speed: the engine cannot idle at {speed * 60:.0f} rpm on {build.cam.name}: burned gas, friction and load leave no balance of torque; "
            + (found if known else f"nor at any speed up to {FASTEST * 60:.0f} rpm"),
            reachable=lowest * 60.0 if known else None,
            fix="raise the idle speed, take overlap out, or take load off",
        ) from None
    return _describe(engine, speed, pressure, drive, accessories)


def _balance(engine: EngineModel, speed: float, drive: bool, accessories: bool) -> float:
    load = load_terms(engine, speed, drive=drive, accessories=accessories).total
    return pressure_for_net_imep(engine, speed, load, None, offset=engine.build.idle.si.spark_reserve, earliest=engine.build.idle.si.earliest_spark)


def idle_spark(build: Build, best: float) -> float:
    """Return the spark an idle runs on [crank deg before top dead centre], from its best-torque spark."""
    return float(min(best - build.idle.si.spark_reserve, build.idle.si.earliest_spark))


def idle_spark_marks(build: Build, *, best: Any, spark: Any) -> Marks:
    """Return which idle sparks are the sheet's cap, and which rest on a best torque that is an end of the search; all [crank deg]."""
    return merged_marks(marks_where(spark >= build.idle.si.earliest_spark, Mark.CAP), spark_ends(best))


def lowest_mark(lowest: float) -> Mark | None:
    """Return what a lowest idle speed [rev/s] is, as ``lowest_idle`` found it, if it is an end of its search."""
    if math.isnan(lowest):
        return Mark.NONE_FOUND
    return Mark.OR_LESS if ends_of_search(lowest, least=SLOWEST) else None


def _describe(engine: EngineModel, speed: float, pressure: float, drive: bool, accessories: bool) -> IdleState:
    build, ambient = engine.build, barometer(engine)
    best = engine.best_spark(speed, pressure)
    spark = idle_spark(build, best)
    state = engine.state(speed, pressure, spark)
    cycles = speed / 2.0 * engine.geometry.cylinders
    air = state.air * cycles
    flux = orifice_flow_kernel(THROTTLE_DISCHARGE, ambient, min(pressure, ambient), build.site.si.air_temperature, AIR_GAS_CONSTANT, AIR_GAMMA)
    return IdleState(
        cam=build.cam.name,
        gearbox=gearbox_of(drive),
        accessories=switched(accessories),
        speed=speed,
        manifold_pressure=pressure,
        manifold_vacuum=ambient - pressure,
        burned_fraction=state.burned_fraction,
        blow_back=state.blow_back / state.trapped,
        best_spark=best,
        spark=spark,
        imep_variation=imep_variation(engine, speed, pressure, spark),
        air_flow=air,
        throttle_area=air / flux if flux > 0.0 else math.nan,
        fuel_flow=state.fuel * cycles / engine.fuel.density,
        beyond_data=state.burned_fraction > MOST_RESIDUAL_OF_DATA,
        marks={
            "best_spark": spark_ends(best),
            "spark": idle_spark_marks(build, best=best, spark=spark),
            "manifold_pressure": ends_of_search(pressure, least=LEAST_PRESSURE),
            "manifold_vacuum": ends_of_search(ambient - pressure, most=ambient - LEAST_PRESSURE),
        },
    )


def lowest_idle(engine: EngineModel, *, drive: bool = False, accessories: bool = False, steady: bool = True) -> float:
    """Return the lowest speed [rev/s] at which the engine carries itself, with IMEP steady to the sheet's limit if asked; NaN if none is found.

    Parameters
    ----------
    engine : EngineModel
    drive : bool
        Whether an automatic is in gear.
    accessories : bool
        Whether they are switched on.
    steady : bool
        Whether COV of IMEP must be under the sheet's limit as well.
    """
    limit = engine.build.limits.stability

    def good(speed: float) -> bool:
        try:
            pressure = _balance(engine, speed, drive, accessories)
        except NoSolutionError:
            return False
        if not steady:
            return True
        spark = idle_spark(engine.build, engine.best_spark(speed, pressure))
        return imep_variation(engine, speed, pressure, spark) <= limit

    middle = engine.build.idle.si.speed
    step = 150.0 / 60.0
    if good(middle):
        high, low = middle, middle - step
        while low > SLOWEST and good(low):
            high, low = low, low - step
        if low <= SLOWEST:
            if good(SLOWEST):
                return SLOWEST
            low = SLOWEST
    else:
        low, high = middle, middle + step
        while not good(high):
            low, high = high, high + step
            if high > FASTEST:
                return math.nan
    while high - low > 10.0 / 60.0:
        middle = (low + high) / 2.0
        low, high = (low, middle) if good(middle) else (middle, high)
    return high

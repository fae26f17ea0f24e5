"""The first-fire brief: everything a calibrator wants before the first start, from one build sheet."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from .advice.bands import HeadlineBands, sample_bands
from .advice.base_table import BaseTableCell, compare_with_base
from .advice.brakes import brake_remark
from .advice.cam_facts import CamFacts, cam_facts
from .advice.headlines import headline, headline_gear, with_bands, zone_of
from .advice.idle import IdleState, idle_state, lowest_idle, lowest_mark
from .advice.idle_spark import IdleSpark, idle_spark_advice, meets_table
from .advice.injection import InjectionWindows, injection_windows
from .advice.knock_edge import knock_edge, knock_grids, loads_that_knock, speeds_sampled
from .advice.reversion import GearReversion, reversion_in_gear
from .advice.sensing import IdleSensing, idle_sensing
from .advice.sensitivity import CeilingSensitivity, ceiling_sensitivity
from .advice.spark import SparkCeilings, spark_ceilings
from .advice.starting_table import Slopes, StartingTable, starting_table
from .advice.trade_off import TradeOff, trade_off
from .cautions import CAUTIONS
from .cures import CureRanking, rank_cures
from .cycle.models import engine_kind
from .cycle.operating import TEACHING_ONLY, EngineModel, Tolerances, barometer
from .drive.engine_loop import LevelSpark, surge_tables
from .drive.gear_advice import DriveAdvice, beside_level, drive_advice
from .drive.idle_swing import idle_swing
from .drive.slope_rule import slope_rule
from .errors import InputError, NoSolutionError
from .marks import Marks, marked
from .results import Measure, Record, measure, plain_data
from .road_test import RoadTest, plan_road_test
from .sources import cite
from .tables.proposed import level_table, proposed_table
from .tables.table import read_table
from .units import quantity

if TYPE_CHECKING:
    from .cycle.engine_tables import EngineTables
    from .sheet import Build
    from .tables.table import SparkTable

__all__ = ["Brief", "IdleAdvice", "make_brief"]

SOURCE_KEYS = (
    "geometry",
    "lawson1974",
    "fox1993",
    "guzzella",
    "sitthiracha2006",
    "metghalchi1982",
    "rhodes1985",
    "hires1978",
    "wiebe",
    "daw1996",
    "douaud1978",
    "livengood1955",
    "nasa4513",
    "us1976",
    "road",
    "heywood1988",
    "practice",
    "estimate",
)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class IdleAdvice(Record):
    """Idle with the new cam and with the one it replaces."""

    new: tuple[IdleState, ...]
    replaced: tuple[IdleState, ...]
    unreachable: tuple[str, ...]
    vacuum: Measure = measure("Pa", "inHg", doc="new cam, neutral, accessories off")
    vacuum_penalty: Measure = measure("Pa", "inHg", doc="each cam at its own idle speed")
    vacuum_penalty_at_equal_speed: Measure = measure("Pa", "inHg", doc="both at the new cam's idle speed")
    lowest_steady_speed: Measure = measure("crank_rps", "rpm", doc="IMEP varies less than the stability limit; missing if no idle does")
    lowest_speed: Measure = measure("crank_rps", "rpm", doc="torque balances at all")
    lowest_speeds: str
    # Blank with a model that is for teaching only.
    brakes: str
    air: str
    bands: Mapping[str, Any] = dataclasses.field(default_factory=dict)
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Brief(Record):
    """A first-fire brief. Without ceilings, starting table and sensitivity, and with words on what it is not for, where the engine model is
    for teaching only."""

    build: Build
    model: str
    engine: Callable[..., EngineModel] = dataclasses.field(repr=False)
    cam: CamFacts
    replaced_cam: CamFacts | None
    idle: IdleAdvice
    reversion: tuple[GearReversion, ...]
    replaced_reversion: tuple[GearReversion, ...]
    idle_spark: IdleSpark
    spark_ceilings: SparkCeilings | None
    starting_table: StartingTable | None
    sensitivity: CeilingSensitivity | None
    base_table: tuple[BaseTableCell, ...]
    surge: tuple[DriveAdvice, ...]
    injection: InjectionWindows
    sensing: IdleSensing
    cures: CureRanking | None
    trade_off: TradeOff | None
    road_test: RoadTest | None
    sure: HeadlineBands | None
    not_for: str
    cautions: tuple[str, ...] = CAUTIONS

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        replaced = self.replaced_cam
        return {
            "events": {"new": plain_data(self.cam.events), "replaced": plain_data(replaced.events) if replaced else None},
            "lift": {name: _lift_data(facts) if facts else None for name, facts in (("new", self.cam), ("replaced", replaced))},
            "idle": self.idle.to_dict(),
            "reversion": {"new": plain_data(self.reversion), "replaced": plain_data(self.replaced_reversion)},
            "idle_spark": self.idle_spark.to_dict(),
            "spark_ceilings": self.spark_ceilings.to_dict() if self.spark_ceilings else None,
            "starting_table": self.starting_table.to_dict() if self.starting_table else None,
            "sensitivity": self.sensitivity.to_dict() | {"remark": self.sensitivity.remark} if self.sensitivity else None,
            "base_table": plain_data(self.base_table),
            "surge": [advice.to_dict() | {"advice": list(advice.advice)} for advice in self.surge],
            "injection": self.injection.to_dict(),
            "cures": self.cures.to_dict() if self.cures else None,
            "trade_off": self.trade_off.to_dict() if self.trade_off else None,
            "road_test": self.road_test.to_dict() if self.road_test else None,
            "sensing": {"mixture": self.sensing.mixture.to_dict(), "load": self.sensing.load.to_dict() if self.sensing.load else None},
            "assumed": [a._asdict() for a in self.build.assumed],
            "cautions": list(self.cautions),
            "sources": cite(*SOURCE_KEYS),
            "about": {
                "name": self.build.name,
                "label": self.build.label,
                "model": self.model,
                "not_for": self.not_for,
                "notes": list(self.build.notes),
                "bands": self.sure.to_dict() if self.sure else None,
            },
        }


def _lift_data(facts: CamFacts) -> dict[str, Any]:
    data = facts.to_dict()
    del data["events"]
    return data


def make_brief(build: Build, *, model: str = "resolved", bands: bool = True, cures: bool = True, progress: Callable[[str, float], None] | None = None) -> Brief:
    """Make the first-fire brief of a build.

    Parameters
    ----------
    build : Build
    model : str
        ``"resolved"``: the crank-resolved cycle. ``"quick"``: published closed forms, for reading a cam and for learning: no knock, so no
        ceilings, no starting table and no verdict on the brakes.
    bands : bool
        Whether to sample 10 to 90 % bands, which the plan of a road test rests on; most of the time goes there.
    cures : bool
        Whether to try what else would cure its troubles, and what spark trades in one cell.
    progress : callable
        Told what is being worked on, and the share done.

    Raises
    ------
    NoSolutionError
        If the new cam cannot idle at the speed asked for.

    Examples
    --------
    >>> from camcalc.sheet import load_build
    >>> brief = make_brief(load_build("examples/long-meadow/build.toml"), model="quick", bands=False, cures=False)
    >>> brief.idle.vacuum > brief.idle.vacuum_penalty
    True
    """
    kind = engine_kind(model)
    say = progress or (lambda what, share: None)
    base = read_table(build.spark_table) if build.spark_table is not None else None
    engine = kind(build)
    before = kind(build.with_replaced_cam()) if build.replaced_cam else None
    gears = range(1, len(build.vehicle.gear_ratios) + 1)
    first = idle_state(engine)
    with ThreadPoolExecutor(2) as pool:
        # The two cams are two engines: nothing is shared between the threads.
        old = pool.submit(_replaced_part, before, build, gears) if before else None
        say("idle", 0.01)
        new = idle_set(engine, first.si.speed, search=True)
        around = idle_spark_advice(engine)
        say("reversion", 0.05)
        reversion = tuple(reversion_in_gear(engine, g) for g in gears)
        say("spark ceilings", 0.12)
        ceilings = None if engine.teaching_only else spark_ceilings(engine)
        say("sensitivity", 0.2)
        sensitivity = None if ceilings is None else ceiling_sensitivity(kind, build, headline_gear(build))
        say("injection", 0.28)
        windows = injection_windows(engine)
        sensing = idle_sensing(engine, before, first)
        say("the replaced cam", 0.3)
        replaced, replaced_reversion = old.result() if old else (None, ())
    advice = idle_advice(engine, new, replaced)
    sure, sampled = None, 0.5
    if bands:
        sampled = 0.75
        sure, ceilings = _banded(kind, engine, ceilings, lambda done: say("bands", 0.3 + (sampled - 0.3) * done))
        advice = advice.replace(bands={k: v for k, v in sure.bands.items() if k in IdleAdvice.measures()})
    # No spark table without the low edge of knock: it is sampled even where nothing else is.
    grids = sure.grids if sure else None if ceilings is None else knock_grids(kind, engine, ceilings, lambda done: say("knock", 0.3 + 0.2 * done))
    say("surge", sampled)
    cycles = None if ceilings is None and base is None else surge_tables(engine)
    starting = None
    if ceilings is not None and cycles is not None:
        starting = starting_table(ceilings, knock_edge(ceilings, grids), new.states, build, _slopes(build, cycles))
    proposed = None if starting is None else proposed_table(starting)
    surge = () if cycles is None else surge_advice(engine, starting, base, first, cycles)
    say("cures", 0.9)
    tried = rank_cures(build, engine_of=kind, table=base or proposed) if cures else None
    traded = _traded(engine, ceilings) if cures and ceilings is not None else None
    say("road test", 0.95)
    return Brief(
        build=build,
        model=engine.name,
        engine=kind,
        cam=cam_facts(build.cam, build.engine),
        replaced_cam=cam_facts(build.replaced_cam, build.engine) if build.replaced_cam else None,
        idle=advice,
        reversion=reversion,
        replaced_reversion=replaced_reversion,
        idle_spark=around.replace(meets_table=meets_table(around, starting.si.idle_spark)) if starting else around,
        spark_ceilings=ceilings,
        starting_table=starting,
        sensitivity=sensitivity,
        base_table=compare_with_base(engine, ceilings, base) if base is not None and ceilings is not None else (),
        surge=surge,
        injection=windows,
        sensing=sensing,
        cures=tried,
        trade_off=traded,
        road_test=plan_road_test(build, sure, engine_of=kind) if sure is not None and not engine.teaching_only else None,
        sure=sure,
        not_for=TEACHING_ONLY if engine.teaching_only else "",
    )


def _banded(
    engine_side_of: Callable[..., EngineModel], engine: EngineModel, ceilings: SparkCeilings | None, say: Callable[[float], None]
) -> tuple[HeadlineBands, SparkCeilings | None]:
    """Return the bands of the headline numbers, and the ceilings with theirs."""
    zone, knocking = None, None
    if ceilings is not None:
        zone, knocking = zone_of(ceilings), (speeds_sampled(ceilings), loads_that_knock(ceilings))
    sure = sample_bands(lambda t: headline(engine_side_of, engine.build, Tolerances(**t), zone, knocking), engine.uncertain, progress=say)
    return sure, None if ceilings is None else with_bands(ceilings, zone, sure.grids)


def _slopes(build: Build, cycles: EngineTables) -> Slopes | None:
    """Return the slopes that the gears to be kept smooth stand; none where the engine holds the car in none of them."""
    try:
        rule = slope_rule(build, level_table(LEVEL), engine_tables=cycles).si
    except NoSolutionError:
        return None
    return Slopes(rule.along_speed, rule.along_pressure)


def surge_advice(
    engine: EngineModel, starting: StartingTable | None, base: SparkTable | None, idle: IdleState, cycles: EngineTables
) -> tuple[DriveAdvice, ...]:
    """Return what gears do on the table that the brief proposes, where it does, and on the one that the sheet brings."""
    build, found = engine.build, []
    if starting is not None:
        proposed = proposed_table(starting)
        idle_spark = idle_swing(engine, idle, LevelSpark(idle.si.spark))
        advice = drive_advice(build, proposed, engine_tables=cycles, name="the table proposed here", idle=idle_spark)
        lowest = float(np.nanmin(starting.si.spark, where=starting.zone, initial=np.inf))
        if advice.advice and math.isfinite(lowest):
            level = drive_advice(build, proposed.with_spark(np.full(proposed.shape, lowest)), engine_tables=cycles)
            advice = advice.replace(remark=beside_level(advice, level, lowest))
        found.append(advice)
    if base is not None:
        found.append(drive_advice(build, base, engine_tables=cycles, name="the table as supplied", idle=idle_swing(engine, idle, base)))
    return tuple(found)


# The slopes that gears stand are asked on a level table [crank deg before top dead centre]; they hardly depend on it.
LEVEL = 20.0
# Where nothing needs a ceiling, a light cruise is taken apart: speed [rev/s], and pressure over the barometer. ESTIMATE.
LIGHT_CRUISE = 1400.0 / 60.0, 0.6
TRIED = 4


def _traded(engine: EngineModel, ceilings: SparkCeilings) -> TradeOff | None:
    """Return what spark trades in the cell with the lowest ceiling that spark cures; nothing where the engine carries itself in none of the lowest."""
    si = ceilings.si
    cells = [(float(si.ceiling[k, j]), float(si.speed[j]), float(si.manifold_pressure[k])) for k, j in np.argwhere(ceilings.cured)]
    speed, share = LIGHT_CRUISE
    for ceiling, at, pressure in [*sorted(cells)[:TRIED], (math.nan, speed, share * barometer(engine))]:
        try:
            top = None if math.isnan(ceiling) else quantity(ceiling, "crank_deg")
            return trade_off(engine, speed=quantity(at, "crank_rps"), manifold_pressure=quantity(pressure, "Pa"), ceiling=top)
        except (NoSolutionError, InputError):
            continue
    return None


class IdleSet(NamedTuple):
    """Idle states of one cam, and what could not be reached."""

    states: tuple[IdleState, ...]
    unreachable: tuple[str, ...]
    lowest_steady: float
    lowest: float


def idle_set(engine: EngineModel, speed: float, *, search: bool) -> IdleSet:
    """Return every idle state asked for at a speed [rev/s]; with ``search``, the lowest speeds too."""
    found, unreachable = [], []
    gearboxes = (False, True) if engine.build.vehicle.transmission == "converter" else (False,)
    for drive in gearboxes:
        for accessories in (False, True):
            try:
                found.append(idle_state(engine, speed, drive=drive, accessories=accessories))
            except NoSolutionError as error:
                unreachable.append(f"{'drive' if drive else 'neutral'}, accessories {'on' if accessories else 'off'}: {error.args[0]}")
    lowest = (lowest_idle(engine), lowest_idle(engine, steady=False)) if search else (math.nan, math.nan)
    return IdleSet(tuple(found), tuple(unreachable), *lowest)


def _replaced_part(before: EngineModel, build: Build, gears: range) -> tuple[tuple[IdleSet, IdleState | None], tuple[GearReversion, ...]]:
    own = idle_set(before, before.build.idle.si.speed, search=False)
    equal: IdleState | None = None
    try:
        equal = idle_state(before, build.idle.si.speed)
    except NoSolutionError as error:
        own = own._replace(unreachable=(*own.unreachable, f"at the new cam's idle speed: {error.args[0]}"))
    return (own, equal), tuple(reversion_in_gear(before, g) for g in gears)


def idle_advice(engine: EngineModel, new: IdleSet, replaced: tuple[IdleSet, IdleState | None] | None) -> IdleAdvice:
    """Put both cams' idle side by side."""
    first = new.states[0]
    own, equal = replaced if replaced else (None, None)
    was = own.states[0].si.manifold_vacuum if own and own.states else None
    return IdleAdvice(
        new=new.states,
        replaced=() if own is None else own.states if equal is None else (*own.states, equal),
        unreachable=new.unreachable + (own.unreachable if own else ()),
        vacuum=first.si.manifold_vacuum,
        vacuum_penalty=None if was is None else was - first.si.manifold_vacuum,
        vacuum_penalty_at_equal_speed=None if equal is None else equal.si.manifold_vacuum - first.si.manifold_vacuum,
        lowest_steady_speed=new.lowest_steady,
        lowest_speed=new.lowest,
        lowest_speeds=lowest_words(new.lowest, new.lowest_steady),
        brakes="" if engine.teaching_only else brake_remark(first.si.manifold_vacuum, barometer(engine), was),
        air=air_words(first, own.states[0] if own and own.states else None),
        marks={"lowest_steady_speed": lowest_mark(new.lowest_steady), "lowest_speed": lowest_mark(new.lowest)},
    )


def air_words(idle: IdleState, was: IdleState | None) -> str:
    """Word how far the throttle has to stand open for the first start, against where it stands with the cam that is replaced."""
    own = f"the idle passes {1e3 * idle.si.air_flow:.1f} g/s of air through {1e6 * idle.si.throttle_area:.0f} mm2 of throttle"
    if was is None:
        return f"{own}: set the throttle stop so that the idle control holds it near the middle of its travel"
    more = idle.si.throttle_area / was.si.throttle_area
    if abs(more - 1.0) < 0.05:
        return f"{own}, as with the cam it replaces: leave the throttle stop"
    how = f"{more:.1f} times the opening of the cam it replaces"
    turn = "open" if more > 1.0 else "close"
    return f"{own}, {how}: {turn} the throttle stop by as much before the first start, so that the idle control holds it near the middle of its travel"


def lowest_words(lowest: float, steady: float) -> str:
    """Word the lowest idle speeds [rev/s], NaN where none was found."""
    carries = "at no speed up to 2000 rpm" if math.isnan(lowest) else f"from {marked(f'{lowest * 60:.0f} rpm', lowest_mark(lowest))}"
    even = "at no idle up to 2000 rpm" if math.isnan(steady) else f"from {marked(f'{steady * 60:.0f} rpm', lowest_mark(steady))}"
    return f"torque balances {carries}; IMEP is steady within the limit {even}"

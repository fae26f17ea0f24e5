"""The first-fire brief: everything a calibrator wants before the first start, from one build sheet."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple

import numpy as np

from .advice.bands import HeadlineBands
from .advice.base_table import BaseTableCell, compare_with_base
from .advice.cam_facts import CamFacts, cam_facts
from .advice.curves import BriefCurves, brief_curves
from .advice.fuel_factors import FuelFactors, fuel_factors, has_filling_table
from .advice.idle import IdleState, idle_state
from .advice.idle_advice import IdleAdvice, idle_advice
from .advice.idle_spark import IdleSpark, beside_table
from .advice.injection import InjectionWindows
from .advice.knock_edge import knock_edge
from .advice.reversion import GearReversion
from .advice.sensing import IdleSensing
from .advice.sensitivity import CeilingSensitivity
from .advice.spark import SparkCeilings
from .advice.starting_table import StartingTable, starting_table
from .advice.trade_off import TradeOff, trade_off
from .brief_parts import SAMPLED_BY, of_the_engines, sampled_parts, side_by_side
from .cautions import CAUTIONS
from .cures import CureRanking, rank_cures
from .cycle.models import engine_kind
from .cycle.operating import EngineModel, ModelUse, barometer
from .drive.engine_loop import LevelSpark
from .drive.gear_advice import DriveAdvice, WhichTable, beside_level, drive_advice
from .drive.idle_swing import idle_swing
from .drive.usable_gears import GearUse, usable_gears
from .errors import InputError, NoSolutionError
from .measured import Learning
from .results import Record
from .road_test import RoadTest, plan_road_test
from .sheet import Build
from .sheet.sheet import Assumption
from .sources import cite
from .tables.proposed import proposed_table
from .tables.table import read_table
from .units import quantity

if TYPE_CHECKING:
    from .cycle.engine_tables import EngineTables
    from .tables.table import SparkTable

__all__ = ["Brief", "IdleAdvice", "make_brief"]

# Share of the work, told on the way, that learning from readings takes where there are some: about as much as all else. Measured.
LEARNING = 0.5
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
class CamsFacts(Record):
    """What geometry says of the new cam and of the one it replaces."""

    new: CamFacts
    replaced: CamFacts | None


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CamsReversion(Record):
    """Where the level road is rough and where it reverts, by gear, with the new cam and with the one it replaces."""

    new: tuple[GearReversion, ...]
    replaced: tuple[GearReversion, ...]


class BriefFormat(NamedTuple):
    """What saved data are, and in which version."""

    name: str = "camcalc brief"
    version: int = 3


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Brief(Record):
    """A first-fire brief. Without ceilings, starting table and sensitivity, and with what it is not for, where the engine model is
    for teaching only."""

    in_data: ClassVar[tuple[str, ...]] = ("format", "events", "assumed", "sources", "about")

    build: Build
    model: str
    lift: CamsFacts
    idle: IdleAdvice
    reversion: CamsReversion
    idle_spark: IdleSpark
    spark_ceilings: SparkCeilings | None
    starting_table: StartingTable | None
    sensitivity: CeilingSensitivity | None
    base_table: tuple[BaseTableCell, ...]
    surge: tuple[DriveAdvice, ...]
    usable_gears: tuple[GearUse, ...]
    injection: InjectionWindows
    sensing: IdleSensing
    cures: CureRanking | None
    trade_off: TradeOff | None
    road_test: RoadTest | None
    fuel_factors: FuelFactors | None
    curves: BriefCurves | None
    sure: HeadlineBands | None
    readings: Learning | None
    not_for: ModelUse | None
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def cam(self) -> CamFacts:
        """The new cam."""
        return self.lift.new

    @property
    def replaced_cam(self) -> CamFacts | None:
        """The cam it replaces, if any."""
        return self.lift.replaced

    @property
    def format(self) -> BriefFormat:
        """What a saved brief begins with."""
        return BriefFormat()

    @property
    def events(self) -> dict[str, Any]:
        """Valve events of both cams."""
        return {"new": self.cam.events, "replaced": self.replaced_cam.events if self.replaced_cam else None}

    @property
    def assumed(self) -> tuple[Assumption, ...]:
        """What the sheet leaves out."""
        return self.build.assumed

    @property
    def sources(self) -> dict[str, dict[str, str]]:
        """What the figures rest on, with how far each was read."""
        return cite(*SOURCE_KEYS)

    @property
    def about(self) -> dict[str, Any]:
        """Whose brief it is, by which model, and how sure."""
        own = self.build
        return {"name": own.name, "label": own.label, "model": self.model, "not_for": self.not_for, "notes": own.notes, "bands": self.sure}


def _learned(build: Build, model: str, told: Callable[[str, float], None]) -> Learning:
    """Return what the readings of a sheet say; the statistics behind it take a second to load."""
    from .measured import learn_build

    return learn_build(build, model=model, progress=lambda share: told("readings", LEARNING * share))


def make_brief(
    build: Build, *, model: str = "resolved", bands: bool = True, cures: bool = True, curves: bool = True, progress: Callable[[str, float], None] | None = None
) -> Brief:
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
    curves : bool
        Whether to compute what the page's plots of the cam and of residual show; a brief for a terminal needs none.
    progress : callable
        Gets what is being worked on, and the share done.

    Returns
    -------
    Brief
        All that was computed. What is drawn or printed from it later is made of these figures alone.

    Raises
    ------
    NoSolutionError
        If the new cam cannot idle at the speed asked for.

    Notes
    -----
    Where the sheet has rows of ``[[measured]]``, the brief learns from them first: its engine is the one that they leave as most likely, and its bands
    are drawn from what they leave. Readings that contradict change nothing and are shown.

    Examples
    --------
    >>> from camcalc.sheet import load_build
    >>> brief = make_brief(load_build("examples/long-meadow/build.toml"), model="quick", bands=False, cures=False)
    >>> brief.idle.vacuum > brief.idle.vacuum_penalty
    True
    """
    kind = engine_kind(model)
    told = progress or (lambda what, share: None)
    begun = LEARNING if build.measured else 0.0

    def say(what: str, share: float) -> None:
        told(what, begun + (1.0 - begun) * share)

    base = read_table(build.spark_table) if build.spark_table is not None else None
    readings = _learned(build, model, told) if build.measured else None
    if readings is not None and readings.learned is not None:
        build = build.replace(learned=readings.learned)
    engine = kind(build)
    before = kind(build.with_replaced_cam()) if build.replaced_cam else None
    say("starting", 0.0)
    first = idle_state(engine)
    found = of_the_engines(kind, engine, before, first, with_tables=not engine.teaching_only or base is not None, say=say)
    advice = idle_advice(engine, found.idle, found.replaced[0])
    sampled = sampled_parts(kind, engine, found, bands=bands, say=say, readings=readings)
    ceilings, sure = sampled.ceilings, sampled.sure
    if sure is not None:
        advice = advice.replace(bands={k: v for k, v in sure.bands.items() if k in IdleAdvice.measures()})
    starting = None if ceilings is None else starting_table(ceilings, knock_edge(ceilings, sampled.grids), found.idle.states, build, sampled.slopes)
    proposed = None if starting is None else proposed_table(starting)
    # What rests on the table.
    asked: dict[str, Callable[[], Any]] = {
        "surge in the gears": lambda: () if found.cycles is None else surge_advice(engine, starting, base, first, found.cycles),
        "cures": lambda: rank_cures(build, engine_of=kind, table=base or proposed) if cures else None,
        "trade-off": lambda: _traded(engine, ceilings) if cures and ceilings is not None else None,
        "fuel factors": lambda: fuel_factors(engine, before, first, _spark_of(engine, proposed)) if before and has_filling_table(engine) else None,
        "road test": lambda: plan_road_test(build, sure, engine_of=kind) if sure is not None and not engine.teaching_only else None,
        "curves": lambda: brief_curves(engine, before) if curves else None,
    }
    begun = SAMPLED_BY[bands]
    parts = side_by_side(asked, lambda what, done: say(what, begun + (1.0 - begun) * done))
    surge = parts["surge in the gears"]
    return Brief(
        build=build,
        model=engine.name,
        lift=CamsFacts(new=cam_facts(build.cam, build.engine), replaced=cam_facts(build.replaced_cam, build.engine) if build.replaced_cam else None),
        idle=advice,
        reversion=CamsReversion(new=found.reversion, replaced=found.replaced[1]),
        idle_spark=found.around.replace(table=beside_table(found.around, starting.si.idle_spark)) if starting else found.around,
        spark_ceilings=ceilings,
        starting_table=starting,
        sensitivity=found.sensitivity,
        base_table=compare_with_base(engine, ceilings, base) if base is not None and ceilings is not None else (),
        surge=surge,
        usable_gears=usable_gears(build, surge[0], found.reversion) if surge else (),
        injection=found.windows,
        sensing=found.sensing,
        cures=parts["cures"],
        trade_off=parts["trade-off"],
        road_test=parts["road test"],
        fuel_factors=parts["fuel factors"],
        curves=parts["curves"],
        sure=sure,
        readings=readings,
        not_for=ModelUse.TEACHING_ONLY if engine.teaching_only else None,
    )


def _spark_of(engine: EngineModel, table: SparkTable | None) -> Callable[[float, float], float]:
    """Return the spark that the engine will run on at a speed [rev/s] and manifold pressure [Pa]: the starting table's; without one best torque."""
    if table is None:
        return engine.best_spark
    kept = table

    def spark_at(speed: float, pressure: float) -> float:
        return float(kept.spark_at(speed, pressure))

    return spark_at


def surge_advice(
    engine: EngineModel, starting: StartingTable | None, base: SparkTable | None, idle: IdleState, cycles: EngineTables
) -> tuple[DriveAdvice, ...]:
    """Return what gears do on the table that the brief proposes, where it does, and on the one that the sheet brings.

    Parameters
    ----------
    engine : EngineModel
    starting : StartingTable
        What the brief proposes, if it does.
    base : SparkTable
        What the sheet brings, if it does.
    idle : IdleState
        In neutral, accessories off.
    cycles : EngineTables
        Settled cycles that the drive loop looks up.
    """
    build, found = engine.build, []
    if starting is not None:
        proposed = proposed_table(starting)
        idle_spark = idle_swing(engine, idle, LevelSpark(idle.si.spark))
        advice = drive_advice(build, proposed, engine_tables=cycles, which=WhichTable.STARTING, idle=idle_spark)
        lowest = float(np.nanmin(starting.si.spark, where=starting.zone, initial=np.inf))
        if advice.bad_gears and math.isfinite(lowest):
            bad = [(gear.gear, gear.coupling) for gear in advice.bad_gears]
            level = drive_advice(build, proposed.with_spark(np.full(proposed.shape, lowest)), engine_tables=cycles, only=bad, reasons=False)
            advice = advice.replace(beside_level=beside_level(advice, level, lowest))
        found.append(advice)
    if base is not None:
        found.append(drive_advice(build, base, engine_tables=cycles, idle=idle_swing(engine, idle, base)))
    return tuple(found)


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

"""The parts of a brief that engines are asked for, side by side: no answer depends on what was asked before, so none depends on which part is first."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, NamedTuple

from .advice.bands import HeadlineBands, sample_bands
from .advice.headlines import headline, headline_gear, with_bands, zone_of
from .advice.idle import IdleState
from .advice.idle_advice import IdleSet, idle_set, replaced_idle
from .advice.idle_spark import IdleSpark, idle_spark_advice
from .advice.injection import InjectionWindows, injection_windows
from .advice.knock_edge import knock_grids, loads_that_knock, speeds_sampled
from .advice.reversion import GearReversion, reversion_in_gear
from .advice.sensing import IdleSensing, idle_sensing
from .advice.sensitivity import CeilingSensitivity, ceiling_sensitivity
from .advice.spark import SparkCeilings, spark_ceilings
from .advice.starting_table import Slopes
from .cycle.operating import EngineModel, Tolerances
from .drive.engine_loop import surge_tables
from .drive.slope_rule import slope_rule
from .errors import NoSolutionError
from .sheet import Build
from .tables.proposed import level_table

if TYPE_CHECKING:
    from .cycle.engine_tables import EngineTables
    from .measured import Learning

__all__ = ["SAMPLED_BY", "OfTheEngines", "Sampled", "of_the_engines", "sampled_parts", "side_by_side"]

# The slopes that gears stand are asked on a level table [crank deg before top dead centre]; they hardly depend on it.
LEVEL = 20.0
# The share of a brief that is done when its first parts are, and when sampling is, without bands and with them; ESTIMATE, for the progress shown alone.
FIRST_PARTS, SAMPLED_BY = 0.5, (0.6, 0.75)


class OfTheEngines(NamedTuple):
    """What the engines alone are asked for."""

    idle: IdleSet
    around: IdleSpark
    ceilings: SparkCeilings | None
    sensitivity: CeilingSensitivity | None
    reversion: tuple[GearReversion, ...]
    replaced: tuple[Any, tuple[GearReversion, ...]]
    windows: InjectionWindows
    sensing: IdleSensing
    cycles: EngineTables | None


def of_the_engines(
    kind: Callable[..., EngineModel],
    engine: EngineModel,
    before: EngineModel | None,
    first: IdleState,
    *,
    with_tables: bool,
    say: Callable[[str, float], None],
) -> OfTheEngines:
    """Return what the engines alone are asked for, side by side.

    Parameters
    ----------
    kind : callable
        Makes an engine from a build and tolerances.
    engine : EngineModel
    before : EngineModel or None
        With the cam that was in it.
    first : IdleState
        In neutral, accessories off.
    with_tables : bool
        Whether gears are judged, which takes tables of settled cycles.
    say : callable
        Gets what is being worked on, and the share done.
    """
    build = engine.build
    gears = range(1, len(build.vehicle.gear_ratios) + 1)
    asked: dict[str, Callable[[], Any]] = {
        "idle": lambda: (idle_set(engine, first.si.speed, search=True), idle_spark_advice(engine)),
        "spark ceilings": lambda: (None, None) if engine.teaching_only else (spark_ceilings(engine), ceiling_sensitivity(kind, build, headline_gear(build))),
        "reversion": lambda: tuple(reversion_in_gear(engine, g) for g in gears),
        "the replaced cam": lambda: _replaced_part(before, build, gears) if before else (None, ()),
        "injection": lambda: (injection_windows(engine), idle_sensing(engine, before, first)),
        "surge": lambda: surge_tables(engine) if with_tables else None,
    }
    parts = side_by_side(asked, lambda what, done: say(what, 0.02 + (FIRST_PARTS - 0.02) * done))
    (idle, around), (ceilings, sensitivity), (windows, sensing) = parts["idle"], parts["spark ceilings"], parts["injection"]
    return OfTheEngines(idle, around, ceilings, sensitivity, parts["reversion"], parts["the replaced cam"], windows, sensing, parts["surge"])


class Sampled(NamedTuple):
    """What is sampled, and the slopes that gears stand; without bands of knock alone, since no spark table goes without its low edge."""

    ceilings: SparkCeilings | None
    sure: HeadlineBands | None
    grids: Any
    slopes: Slopes | None


def sampled_parts(
    kind: Callable[..., EngineModel],
    engine: EngineModel,
    found: OfTheEngines,
    *,
    bands: bool,
    say: Callable[[str, float], None],
    readings: Learning | None = None,
) -> Sampled:
    """Return what is sampled and, beside it, the slopes that the gears stand.

    Parameters
    ----------
    kind : callable
        Makes an engine from a build and tolerances.
    engine : EngineModel
    found : OfTheEngines
    bands : bool
        Whether all headline numbers are sampled.
    say : callable
        Gets what is being worked on, and the share done.
    readings : Learning, optional
        What the car's own readings left of the tolerances; bands are drawn from that.
    """
    ceilings, cycles, sampling = found.ceilings, found.cycles, "bands" if bands else "knock"

    def done(share: float) -> None:
        say(sampling, FIRST_PARTS + (SAMPLED_BY[bands] - FIRST_PARTS) * share)

    def sample() -> tuple[SparkCeilings | None, HeadlineBands | None, Any]:
        if bands:
            sure, banded = _banded(kind, engine, ceilings, done, readings)
            return banded, sure, sure.grids
        return ceilings, None, None if ceilings is None else knock_grids(kind, engine, ceilings, done)

    parts = side_by_side({sampling: sample, "slopes": lambda: None if ceilings is None or cycles is None else _slopes(engine.build, cycles)})
    banded, sure, grids = parts[sampling]
    return Sampled(banded, sure, grids, parts["slopes"])


def side_by_side(asked: Mapping[str, Callable[[], Any]], say: Callable[[str, float], None] = lambda what, done: None) -> dict[str, Any]:
    """Return the parts asked for, by name, computed side by side; ``say`` gets the first that is not done yet, and the share of parts done."""
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        futures = {name: pool.submit(part) for name, part in asked.items()}
        found: dict[str, Any] = {}
        try:
            for name, future in futures.items():
                say(name, len(found) / len(futures))
                found[name] = future.result()
        except BaseException:
            for future in futures.values():
                future.cancel()
            raise
        return found


def _banded(
    engine_side_of: Callable[..., EngineModel], engine: EngineModel, ceilings: SparkCeilings | None, say: Callable[[float], None], readings: Learning | None
) -> tuple[HeadlineBands, SparkCeilings | None]:
    """Return the bands of the headline numbers, and the ceilings with theirs."""
    zone, knocking = None, None
    if ceilings is not None:
        zone, knocking = zone_of(ceilings), (speeds_sampled(ceilings), loads_that_knock(ceilings))
    # Draws are about the sheet's own inputs, whatever was learned of them.
    own = engine.build.replace(learned=None)
    drawn = () if readings is None or readings.contradicts else readings.draws
    middle = {name: getattr(engine.tolerances, name) for name in engine.uncertain} if drawn else None
    build = own if drawn else engine.build
    sure = sample_bands(
        lambda t: headline(engine_side_of, build, Tolerances(**t), zone, knocking), engine.uncertain, draws=drawn, nominal=middle, progress=say
    )
    return sure, None if ceilings is None else with_bands(ceilings, zone, sure.grids)


def _slopes(build: Build, cycles: EngineTables) -> Slopes | None:
    """Return the slopes that the gears to be kept smooth stand; none where the engine holds the car in none of them."""
    try:
        rule = slope_rule(build, level_table(LEVEL), engine_tables=cycles).si
    except NoSolutionError:
        return None
    return Slopes(rule.along_speed, rule.along_pressure)


def _replaced_part(before: EngineModel, build: Build, gears: range) -> tuple[tuple[IdleSet, IdleState | None], tuple[GearReversion, ...]]:
    return replaced_idle(before, build.idle.si.speed), tuple(reversion_in_gear(before, g) for g in gears)

"""How far the ceilings move when what they rest on does: at the road load of the gear nearest to direct drive."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord, ScalarMeasure
from ..codes import Code
from ..cycle.best_torque import spark_ends
from ..cycle.operating import EngineModel, Tolerances, pressure_for_net_imep
from ..errors import NoSolutionError
from ..marks import Mark, Marks, marks_where, merged_marks
from ..results import Measure, Record, measure
from .bands import TOLERANCES, Uncertain
from .equal_torque import road_net_imep
from .spark_limits import ceiling_column

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["WIDE", "CeilingSensitivity", "ChangedInput", "Changes", "Variant", "ceiling_sensitivity", "deciding", "variants_of", "widest_of"]

Array = NDArray[np.float64]

# How far a pump's fuel, or the knock limit's own estimate, may lie from the sheet's research octane number; ESTIMATE.
OCTANE_STEP = 2.0
# What a sheet may say of the octane number; most of a load swing.
OCTANES, MOST_SWING = (80.0, 120.0), 0.25
SPEEDS = np.arange(1200.0, 1801.0, 200.0) / 60.0
# What of the uncertain inputs is tried, where the engine model knows it: what a flame, a kernel and the charge hang on.
TRIED = ("burn", "dilution", "kernel_turbulence", "spark_energy", "plug_scatter", "turbulence_scatter", "overlap", "lift_loss", "residual_kept")
# R.m.s. swings tried where the sheet has none from a log; the second is what the logs of cars that surge show at worst. ESTIMATE.
SWINGS = (0.0, 0.05)
# Where this much lies between the least and the greatest of the ceilings of one speed, the brief says so.
WIDE = 10.0
# So many inputs are named as those that decide.
NAMED = 3


class Changes(Code):
    """What a variant of the ceilings changes."""

    NOTHING = "the build as it is"
    UNCERTAIN = "an uncertain input, over the nominal"
    LOAD_SWING = "r.m.s. swing of the load over the load"
    OCTANE = "research octane number of the fuel"
    SMOOTH_GEARS = "the one gear to be kept smooth"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ChangedInput(Record):
    """One change of what the ceilings rest on: a share of 1 for an uncertain ``input``, a swing as a share, an octane number, a gear counted from 1."""

    what: Changes
    value: float = math.nan
    input: Uncertain | None = None

    @property
    def moved(self) -> Changes | Uncertain:
        """What it moves: the uncertain input, or what else is changed."""
        return self.what if self.input is None else self.input


class Variant(NamedTuple):
    """One change of what the ceilings rest on, and the build and tolerances with it."""

    changed: ChangedInput
    build: Build
    tolerances: Tolerances


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CeilingSensitivity(ArrayRecord):
    """Limits at light load over speed for each variant [crank deg before top dead centre]; the first row is the nominal.

    ``limit`` is the ceiling of final spark (table plus every correction) where the cell lies in the zone, blank elsewhere; ``least`` is the least
    of all limits everywhere, which is best torque or knock where no ceiling is needed. ``widest_span`` is how far the variants lie apart at most
    at a speed where one of them has a ceiling; ``WIDE`` or more is worth a word. ``decides`` are the inputs that move the limits most there.
    """

    AXES = ("variants", "speed")
    ALONG = (("manifold_pressure", "speed"), ("floor", "speed"))

    speed: Measure = measure("crank_rps", "rpm")
    manifold_pressure: Measure = measure("Pa", "kPa", doc="road load of the nominal at each speed")
    limit: Measure = measure("crank_deg", doc="rows variants, columns speeds: the ceiling, the floor apart; blank where none is needed")
    least: Measure = measure("crank_deg", doc="rows variants, columns speeds: least of all limits, everywhere")
    floor: Measure = measure("crank_deg", doc="the nominal's latest useful spark there")
    widest_span: ScalarMeasure = measure("crank_deg", doc="most that the variants lie apart at one speed")
    widest_at: ScalarMeasure = measure("crank_rps", "rpm")
    variants: tuple[ChangedInput, ...]
    decides: tuple[Changes | Uncertain, ...]
    gear: int
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


def variants_of(build: Build, uncertain: Collection[str]) -> list[Variant]:
    """Return the nominal and every variant that the table shows, one change each.

    Parameters
    ----------
    build : Build
    uncertain : collection of str
        Which tolerances the engine model knows.
    """
    limits, vehicle, fuel = build.limits, build.vehicle, build.fuel
    found = [Variant(ChangedInput(what=Changes.NOTHING), build, Tolerances())]
    for name in (name for name in TRIED if name in uncertain):
        width, which = TOLERANCES[name]
        for factor in (round(1.0 - width, 6), round(1.0 + width, 6)):
            changed = ChangedInput(what=Changes.UNCERTAIN, value=factor, input=which)
            found.append(Variant(changed, build, Tolerances()._replace(**{name: factor})))
    told = limits.load_swing
    swings = SWINGS if math.isnan(told) else (0.5 * told, min(2.0 * told, MOST_SWING))
    octanes = (min(max(fuel.si.octane + step, OCTANES[0]), OCTANES[1]) for step in (-OCTANE_STEP, OCTANE_STEP))
    sheets = [(Changes.LOAD_SWING, s, build.replace(limits=limits.replace(load_swing=s))) for s in swings if s != told]
    sheets += [(Changes.OCTANE, o, build.replace(fuel=fuel.replace(octane=f"{o!r} RON"))) for o in octanes if o != fuel.si.octane]
    sheets += [(Changes.SMOOTH_GEARS, float(g), build.replace(vehicle=vehicle.replace(smooth_gears=[g]))) for g in vehicle.smooth_gears]
    return found + [Variant(ChangedInput(what=what, value=value), sheet, Tolerances()) for what, value, sheet in sheets]


def widest_of(limit: Array, speeds: Array) -> tuple[float, float]:
    """Return how far the variants lie apart at most [crank deg], and at which speed [rev/s]; not-a-number where fewer than one has a limit."""
    spans = np.array([float(np.ptp(column[np.isfinite(column)])) if np.isfinite(column).any() else math.nan for column in limit.T])
    if not np.isfinite(spans).any():
        return math.nan, math.nan
    widest = int(np.nanargmax(spans))
    return float(spans[widest]), float(speeds[widest])


def deciding(least: Array, variants: Sequence[ChangedInput]) -> tuple[Changes | Uncertain, ...]:
    """Return what moves the limits most, most first; the choice of gear is no uncertainty and does not count.

    Parameters
    ----------
    least : array, shape (variants, speeds)
        Limits [crank deg], the nominal first.
    variants : sequence of ChangedInput

    Examples
    --------
    >>> rows = [ChangedInput(what=Changes.NOTHING), ChangedInput(what=Changes.OCTANE, value=93.0), ChangedInput(what=Changes.LOAD_SWING, value=0.0)]
    >>> [code.code for code in deciding(np.array([[30.0], [29.0], [34.0]]), rows)]
    ['load_swing', 'octane']
    """
    moves: dict[Changes | Uncertain, float] = {}
    for row, variant in zip(least, variants, strict=True):
        apart = np.abs(row - least[0])
        if variant.what not in (Changes.NOTHING, Changes.SMOOTH_GEARS) and np.isfinite(apart).any():
            moves[variant.moved] = max(moves.get(variant.moved, 0.0), float(np.nanmax(apart)))
    return tuple(sorted((code for code, move in moves.items() if move > 0.0), key=lambda code: -moves[code])[:NAMED])


def ceiling_sensitivity(engine_of: Callable[..., EngineModel], build: Build, gear: int) -> CeilingSensitivity:
    """Return the table for an engine model, at the road load of a gear counted from 1; a gear alone moves to its own road load."""
    nominal = engine_of(build)
    variants = variants_of(build, nominal.uncertain)
    engines = [nominal.asking(v.build) if v.tolerances == Tolerances() else engine_of(v.build, v.tolerances) for v in variants]

    def at_speed(speed: float) -> list[tuple[float, float, float, float, float]]:
        road = _road_pressure(nominal, speed, gear)
        found = []
        for variant, engine in zip(variants, engines, strict=True):
            alone = variant.changed.what is Changes.SMOOTH_GEARS and variant.changed.value != gear
            at = _road_pressure(engine, speed, int(variant.changed.value)) if alone else road
            if not math.isfinite(at):
                found.append((math.nan,) * 5)
                continue
            cell = ceiling_column(engine, speed, [at], cautious=False).cells[0]
            found.append((cell.limit if math.isfinite(cell.ceiling) else math.nan, cell.limit, cell.floor, at, cell.best))
        return found

    with ThreadPoolExecutor() as pool:
        columns = np.array(list(pool.map(at_speed, map(float, SPEEDS))))
    limit, least, floor, best = columns[:, :, 0].T, columns[:, :, 1].T, columns[:, 0, 2], columns[:, 0, 4]
    in_zone = np.where(np.isfinite(limit).any(axis=0), least, np.nan)
    changed = tuple(v.changed for v in variants)
    span, at = widest_of(in_zone, SPEEDS)
    return CeilingSensitivity(
        speed=SPEEDS,
        manifold_pressure=columns[:, 0, 3],
        limit=limit,
        least=least,
        floor=floor,
        widest_span=span,
        widest_at=at,
        variants=changed,
        decides=deciding(in_zone, changed),
        gear=gear,
        marks={"limit": spark_ends(limit), "least": spark_ends(least), "floor": merged_marks(marks_where(floor >= best, Mark.OR_MORE), spark_ends(floor))},
    )


def _road_pressure(engine: EngineModel, speed: float, gear: int) -> float:
    try:
        return pressure_for_net_imep(engine, speed, road_net_imep(engine, speed, engine.build.vehicle.gear_ratios[gear - 1]), None)
    except NoSolutionError:
        return math.nan

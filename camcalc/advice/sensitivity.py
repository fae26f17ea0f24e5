"""How far the ceilings move when what they rest on does: at the road load of the gear nearest to direct drive."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
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
from .equal_torque import road_net_imep
from .spark_limits import ceiling_column

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["WIDE", "CeilingSensitivity", "ChangedInput", "Changes", "Variant", "ceiling_sensitivity", "widest_of"]

Array = NDArray[np.float64]

# How far a pump's fuel, or the knock limit's own estimate, may lie from the sheet's research octane number; ESTIMATE.
OCTANE_STEP = 2.0
# What a sheet may say.
OCTANES = (80.0, 120.0)
SPEEDS = np.arange(1000.0, 2001.0, 200.0) / 60.0
# Most of a swing factor that a sheet may say.
MOST_SWING = 3.0
# Where this much lies between the least and the greatest of the ceilings of one speed, the brief says so.
WIDE = 10.0


class Changes(Code):
    """What a variant of the ceilings changes."""

    NOTHING = "the build as it is"
    STABILITY_LIMIT = "COV of IMEP up to which an engine counts as steady"
    BURN_ANGLES = "how long a burn lasts, over the nominal"
    SWING_FACTOR = "how wide the load swings, over the nominal"
    OCTANE = "research octane number of the fuel"
    SMOOTH_GEARS = "the one gear to be kept smooth"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ChangedInput(Record):
    """One change of what the ceilings rest on: a share of 1 for limit, burn angles and swing, an octane number, a gear counted from 1.

    ``capped``: the sheet's range leaves no more of the change.
    """

    what: Changes
    value: float = math.nan
    capped: bool = False


class Variant(NamedTuple):
    """One change of what the ceilings rest on, and the build and tolerances with it."""

    changed: ChangedInput
    build: Build
    tolerances: Tolerances


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CeilingSensitivity(ArrayRecord):
    """Limits at light load over speed for each variant [crank deg before top dead centre]; the first row is the nominal.

    ``limit`` is the ceiling of final spark (table plus every correction) where the cell lies in the zone, blank elsewhere. ``widest_span`` is how far
    the variants lie apart at most; ``WIDE`` or more is worth a word.
    """

    AXES = ("variants", "speed")
    ALONG = (("manifold_pressure", "speed"), ("floor", "speed"))

    speed: Measure = measure("crank_rps", "rpm")
    manifold_pressure: Measure = measure("Pa", "kPa", doc="road load of the nominal at each speed")
    limit: Measure = measure("crank_deg", doc="rows variants, columns speeds: what the swing and steadiness leave, the floor apart")
    floor: Measure = measure("crank_deg", doc="the nominal's latest useful spark there")
    widest_span: ScalarMeasure = measure("crank_deg", doc="most that the variants lie apart at one speed")
    widest_at: ScalarMeasure = measure("crank_rps", "rpm")
    variants: tuple[ChangedInput, ...]
    gear: int
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


def variants_of(build: Build) -> list[Variant]:
    """Return the nominal and every variant that the table shows."""
    plain, limits, vehicle = Tolerances(), build.limits, build.vehicle
    found = [_variant(Changes.NOTHING, math.nan, build)]
    found += [_variant(Changes.STABILITY_LIMIT, s, build.replace(limits=limits.replace(stability=s))) for s in (0.08, 0.12)]
    found += [_variant(Changes.BURN_ANGLES, scale, build, plain._replace(burn=scale)) for scale in (0.9, 1.1)]
    for factor in (0.5, 2.0):
        swing = min(factor * limits.swing_factor, MOST_SWING)
        reached = swing / limits.swing_factor
        capped = swing != factor * limits.swing_factor
        found.append(_variant(Changes.SWING_FACTOR, reached if capped else factor, build.replace(limits=limits.replace(swing_factor=swing)), capped=capped))
    for change in (-OCTANE_STEP, OCTANE_STEP):
        octane = min(max(build.fuel.si.octane + change, OCTANES[0]), OCTANES[1])
        if octane == build.fuel.si.octane:
            continue
        found.append(_variant(Changes.OCTANE, octane, build.replace(fuel=build.fuel.replace(octane=f"{octane!r} RON"))))
    return found + [_variant(Changes.SMOOTH_GEARS, float(g), build.replace(vehicle=vehicle.replace(smooth_gears=[g]))) for g in vehicle.smooth_gears]


def _variant(what: Changes, value: float, build: Build, tolerances: Tolerances | None = None, *, capped: bool = False) -> Variant:
    return Variant(ChangedInput(what=what, value=value, capped=capped), build, Tolerances() if tolerances is None else tolerances)


def widest_of(limit: Array, speeds: Array) -> tuple[float, float]:
    """Return how far the variants lie apart at most [crank deg], and at which speed [rev/s]; not-a-number where fewer than one has a limit."""
    spans = np.array([float(np.ptp(column[np.isfinite(column)])) if np.isfinite(column).any() else math.nan for column in limit.T])
    if not np.isfinite(spans).any():
        return math.nan, math.nan
    widest = int(np.nanargmax(spans))
    return float(spans[widest]), float(speeds[widest])


def ceiling_sensitivity(engine_of: Callable[..., EngineModel], build: Build, gear: int) -> CeilingSensitivity:
    """Return the table for an engine model, at the road load of a gear counted from 1; a gear alone moves to its own road load."""
    variants = variants_of(build)
    nominal = engine_of(build)
    engines = [nominal.asking(v.build) if v.tolerances == Tolerances() else engine_of(v.build, v.tolerances) for v in variants]

    def at_speed(speed: float) -> list[tuple[float, float, float, float]]:
        road = _road_pressure(nominal, speed, gear)
        found = []
        for variant, engine in zip(variants, engines, strict=True):
            alone = variant.build.vehicle.smooth_gears
            at = road if len(alone) > 1 or alone[0] == gear else _road_pressure(engine, speed, alone[0])
            cell = ceiling_column(engine, speed, [at]).cells[0] if math.isfinite(at) else None
            limit = cell.limit if cell is not None and math.isfinite(cell.ceiling) else math.nan
            found.append((limit, *((math.nan, at, math.nan) if cell is None else (cell.floor, at, cell.best))))
        return found

    with ThreadPoolExecutor() as pool:
        columns = np.array(list(pool.map(at_speed, map(float, SPEEDS))))
    limit, floor, best = columns[:, :, 0].T, columns[:, 0, 1], columns[:, 0, 3]
    span, at = widest_of(limit, SPEEDS)
    return CeilingSensitivity(
        speed=SPEEDS,
        manifold_pressure=columns[:, 0, 2],
        limit=limit,
        floor=floor,
        widest_span=span,
        widest_at=at,
        variants=tuple(v.changed for v in variants),
        gear=gear,
        marks={"limit": spark_ends(limit), "floor": merged_marks(marks_where(floor >= best, Mark.OR_MORE), spark_ends(floor))},
    )


def _road_pressure(engine: EngineModel, speed: float, gear: int) -> float:
    try:
        return pressure_for_net_imep(engine, speed, road_net_imep(engine, speed, engine.build.vehicle.gear_ratios[gear - 1]), None)
    except NoSolutionError:
        return math.nan

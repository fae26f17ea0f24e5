"""How far the ceilings move when what they rest on does: at the road load of the gear nearest to direct drive."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..cycle.best_torque import spark_ends
from ..cycle.operating import EngineModel, Tolerances, pressure_for_net_imep
from ..errors import NoSolutionError
from ..marks import Mark, Marks, marks_where, merged_marks
from ..results import Measure, Record, measure
from .equal_torque import road_net_imep
from .spark_limits import ceiling_column

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["COMMON_PRACTICE", "CeilingSensitivity", "Variant", "ceiling_sensitivity"]

# How far a pump's fuel, or the knock limit's own estimate, may lie from the sheet's research octane number; ESTIMATE.
OCTANE_STEP = 2.0
# What a sheet may say.
OCTANES = (80.0, 120.0)
SPEEDS = np.arange(1000.0, 2001.0, 200.0) / 60.0
# Most of a swing factor that a sheet may say.
MOST_SWING = 3.0
# Where this much lies between the least and the greatest of the ceilings of one speed, the brief says so.
WIDE = 10.0
COMMON_PRACTICE = (
    "Common practice, no source, shown beside and not tuned to: in a big V8 with a long cam about 20 degrees near 1400 rpm at light load, "
    "15 to 18 in some, 35 bucks; trouble below about 2000 rpm; 20, 25, 30, 35 eases out of the zone."
)


class Variant(NamedTuple):
    """One change of what the ceilings rest on."""

    what: str
    build: Build
    tolerances: Tolerances


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CeilingSensitivity(Record):
    """Limits at light load over speed for each variant [crank deg before top dead centre]; the first row is the nominal.

    ``limit`` is the ceiling of FINAL spark (table plus every adder) where the cell lies in the zone, blank elsewhere.
    """

    speed: Measure = measure("crank_rps", "rpm")
    manifold_pressure: Measure = measure("Pa", "kPa", doc="road load of the nominal at each speed")
    limit: Measure = measure("crank_deg", doc="rows variants, columns speeds: what the swing and steadiness leave, the floor apart")
    floor: Measure = measure("crank_deg", doc="the nominal's late-burn floor there")
    variants: tuple[str, ...]
    gear: int
    beside: str = COMMON_PRACTICE
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)

    @property
    def remark(self) -> str:
        """What to say when the variants lie far apart."""
        with np.errstate(all="ignore"):
            spans = [float(np.ptp(c[np.isfinite(c)])) if np.isfinite(c).any() else 0.0 for c in self.si.limit.T]
        widest = int(np.argmax(spans))
        if spans[widest] <= WIDE:
            return ""
        return f"the variants lie up to {spans[widest]:.0f} degrees apart (at {self.speed.magnitude[widest]:.0f} rpm): take the low side and work up"


def variants_of(build: Build) -> list[Variant]:
    """Return the nominal and every variant that the table shows."""
    plain, limits, vehicle = Tolerances(), build.limits, build.vehicle
    found = [Variant("nominal", build, plain)]
    found += [Variant(f"stability limit {s * 100:.0f} %", build.replace(limits=limits.replace(stability=s)), plain) for s in (0.08, 0.12)]
    found += [Variant(f"burn angles {(scale - 1.0) * 100:+.0f} %", build, plain._replace(burn=scale)) for scale in (0.9, 1.1)]
    for factor, word in ((0.5, "halved"), (2.0, "doubled")):
        swing = min(factor * limits.swing_factor, MOST_SWING)
        what = f"swing {word}" if swing == factor * limits.swing_factor else f"swing factor {MOST_SWING:g} (cap)"
        found.append(Variant(what, build.replace(limits=limits.replace(swing_factor=swing)), plain))
    for change in (-OCTANE_STEP, OCTANE_STEP):
        octane = min(max(build.fuel.si.octane + change, OCTANES[0]), OCTANES[1])
        if octane == build.fuel.si.octane:
            continue
        found.append(Variant(f"research octane {octane:g}", build.replace(fuel=build.fuel.replace(octane=f"{octane!r} RON")), plain))
    return found + [Variant(f"gear {g} alone", build.replace(vehicle=vehicle.replace(smooth_gears=[g])), plain) for g in vehicle.smooth_gears]


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
    return CeilingSensitivity(
        speed=SPEEDS,
        manifold_pressure=columns[:, 0, 2],
        limit=limit,
        floor=floor,
        variants=tuple(v.what for v in variants),
        gear=gear,
        marks={"limit": spark_ends(limit), "floor": merged_marks(marks_where(floor >= best, Mark.OR_MORE), spark_ends(floor))},
    )


def _road_pressure(engine: EngineModel, speed: float, gear: int) -> float:
    try:
        return pressure_for_net_imep(engine, speed, road_net_imep(engine, speed, engine.build.vehicle.gear_ratios[gear - 1]), None)
    except NoSolutionError:
        return math.nan

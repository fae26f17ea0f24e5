"""The rows of a comparison: what is compared, in which unit, which way is better and why."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from ..advice.idle_speeds import FASTEST
from ..advice.reversion import SLOWEST
from ..cycle.best_torque import EARLIEST
from ..marks import Mark
from .findings import Group, Why

__all__ = ["HIGHER", "LOWER", "Row", "rows_of"]

LOWER, HIGHER = -1, 1
# Smaller differences are called none: what a gauge, a logger or a driver would not tell apart, and more than the rounding of a
# printed card moves (a crank degree of duration: 0.4 inHg, 28 rpm of lowest idle, 1.2 % of air, 0.2 points of COV, computed here);
# ESTIMATE, each. Cards print whole crank degrees: half a degree of each of two cards may be rounding, twice for an overlap of two.
CARD, CARD_OVERLAP = 1.01, 2.01
IDLE_STEP, ROAD_STEP = 50.0 / 60.0, 50.0 / 60.0
PRESSURE_STEP, AIR_STEP = 1.7e3, 6e-6  # half an inHg; 2 % of 300 mg
AREA_STEP = 3e-3  # m crank deg, of some 70 of a long cam and 10 of a mild one
BURNED_STEP, VARIATION_STEP, CEILING_STEP, DAMPING_STEP, WINDOW_STEP, COMPRESSION_STEP = 0.01, 0.005, 1.0, 0.01, 10.0, 0.02
MISSED_STEP = 0.005  # half of what an idle may miss
EVENTS = ("intake_opens", "intake_closes", "exhaust_opens", "exhaust_closes")
# The heights that valve events are compared at, as figures are named: 0.050 in at the tappet, 0.15 mm at the valve.
HEIGHTS = ("0.050", "seat")


class Row(NamedTuple):
    """What is known of a figure before any cam: units, which way is better (0: neither), why, and what a missing figure stands for.

    ``resolution`` and ``missing`` (for the first, for the second) are in the inner unit; NaN ``missing`` stands for nothing. ``follows`` names
    the sampled row whose spread, scaled with the resolution, shows whether a row that is not sampled differs at all.
    ``runs``: a missing figure means that the engine does not run there, which favours the other cam; else it means nothing.
    ``beyond``: a missing figure is what it stands for or better, so it never favours the other cam.
    ``stands``: on which side of what it stands for the missing figure is.
    ``gear``, ``speed`` [rev/s] and ``pressure`` [Pa]: where the figure holds, zero where the name says it all.
    """

    name: str
    group: Group
    unit: str
    show: str
    better: int
    why: Why
    resolution: float = 0.0
    missing: tuple[float, float] = (math.nan, math.nan)
    follows: str = ""
    runs: bool = True
    beyond: bool = False
    stands: Mark | None = None
    gear: int = 0
    speed: float = 0.0
    pressure: float = 0.0


def rows_of(
    gears: Mapping[int, tuple[float, float]],
    *,
    sampled_gear: int,
    loads: Sequence[float],
    speeds: Sequence[float],
    road_unit: str,
    in_drive: bool = True,
) -> list[Row]:
    """Return every row, top to bottom.

    Parameters
    ----------
    gears : mapping
        By number, the road speed of both cars [m/s] at one crank rev/s.
    sampled_gear : int
        The gear with a band.
    loads : sequence of float
        Manifold pressures [Pa] at which air charge is compared.
    speeds : sequence of float
        Crank speeds [rev/s] at which air charge is compared.
    road_unit : str
        ``"km/h"`` or ``"mph"``.
    in_drive : bool
        Whether a car has a converter, so that idle in drive means something.

    Examples
    --------
    >>> from camcalc.compare.rows import rows_of
    >>> rows = rows_of({4: (1.2, 1.2)}, sampled_gear=4, loads=(60e3,), speeds=(33.3,), road_unit="mph", in_drive=False)
    >>> [row.name for row in rows if row.group is Group.ROAD], any("drive" in row.name for row in rows)
    (['unstable_below', 'unstable_road_speed_4'], False)
    """
    return [*_idle_rows(in_drive), *_road_rows(gears, sampled_gear, road_unit), *_spark_rows(), *_air_rows(loads, speeds), *_cam_rows()]


def _cam_rows() -> list[Row]:
    rows = []
    for at in HEIGHTS:
        rows += [Row(f"{name}_{at}", Group.CAM, "crank_deg", "crank_deg", 0, Why.EVENTS, CARD) for name in EVENTS]
        rows.append(Row(f"overlap_{at}", Group.CAM, "crank_deg", "crank_deg", LOWER, Why.LESS_OVERLAP, CARD_OVERLAP))
    return [
        *rows,
        Row("overlap_angle", Group.CAM, "crank_deg", "crank_deg", LOWER, Why.LESS_OVERLAP, CARD_OVERLAP),
        Row("overlap_area", Group.CAM, "m*crank_deg", "mm*crank_deg", LOWER, Why.LESS_AREA, AREA_STEP),
        Row("effective_compression", Group.CAM, "", "", 0, Why.COMPRESSION, COMPRESSION_STEP),
    ]


def _idle_rows(in_drive: bool) -> list[Row]:
    rows = [
        Row("vacuum", Group.IDLE, "Pa", "inHg", HIGHER, Why.MORE_VACUUM, PRESSURE_STEP),
        Row("vacuum_at_equal_speed", Group.IDLE, "Pa", "inHg", HIGHER, Why.MORE_VACUUM, PRESSURE_STEP),
        Row("burned_fraction", Group.IDLE, "", "percent", LOWER, Why.LESS_RESIDUAL, BURNED_STEP),
        Row("imep_variation", Group.IDLE, "", "percent", LOWER, Why.STEADIER, VARIATION_STEP),
        Row("idle_missed", Group.IDLE, "", "percent", LOWER, Why.FEWER_MISSES, MISSED_STEP),
    ]
    if in_drive:
        rows += [
            Row("vacuum_in_drive", Group.IDLE, "Pa", "inHg", HIGHER, Why.MORE_VACUUM_IN_DRIVE, PRESSURE_STEP),
            Row("variation_in_drive", Group.IDLE, "", "percent", LOWER, Why.STEADIER, VARIATION_STEP),
        ]
    ends = (FASTEST, FASTEST)
    return [*rows, Row("lowest_steady_speed", Group.IDLE, "crank_rps", "rpm", LOWER, Why.LOWER_IDLE, IDLE_STEP, ends, stands=Mark.OR_MORE)]


def _road_rows(gears: Mapping[int, tuple[float, float]], sampled: int, road_unit: str) -> list[Row]:
    why, ends = Why.LOWER_ROAD_SPEED, (SLOWEST, SLOWEST)
    rows = [Row("unstable_below", Group.ROAD, "crank_rps", "rpm", LOWER, why, ROAD_STEP, ends, beyond=True, stands=Mark.OR_LESS, gear=sampled)]
    for gear, (a, b) in gears.items():
        follows = "" if gear == sampled else f"unstable_road_speed_{sampled}"
        ends, step = (SLOWEST * a, SLOWEST * b), ROAD_STEP * max(a, b)
        name = f"unstable_road_speed_{gear}"
        rows.append(Row(name, Group.ROAD, "m/s", road_unit, LOWER, why, step, ends, follows, beyond=True, stands=Mark.OR_LESS, gear=gear))
    return rows


def _spark_rows() -> list[Row]:
    # The earliest spark searched stands for "no ceiling".
    level = (EARLIEST, EARLIEST)
    return [
        Row("worst_ceiling", Group.SPARK, "crank_deg", "crank_deg", HIGHER, Why.HIGHER_CEILING, CEILING_STEP, level, stands=Mark.OR_LESS),
        Row("cruise_shaking", Group.SURGE, "m/s**2", "m/s**2", LOWER, Why.LESS_SHAKING, runs=False),
        Row("slow_shaking", Group.SURGE, "m/s**2", "m/s**2", LOWER, Why.LESS_SHAKING, runs=False),
        # Shaking has damping in it, which decides nothing by itself: a mild cam may have less of it and shake less.
        Row("cruise_damping", Group.SURGE, "", "", 0, Why.MORE_DAMPING, DAMPING_STEP, runs=False),
        Row("slow_damping", Group.SURGE, "", "", 0, Why.MORE_DAMPING, DAMPING_STEP, runs=False),
        Row("window_width", Group.INJECTION, "crank_deg", "crank_deg", HIGHER, Why.WIDER_WINDOW, WINDOW_STEP, runs=False),
    ]


def _air_rows(loads: Sequence[float], speeds: Sequence[float]) -> list[Row]:
    full = max(loads)
    return [
        Row(
            f"air_{k}_{j}",
            Group.AIR,
            "kg",
            "mg",
            HIGHER if load == full else 0,
            Why.MORE_AIR_FULL if load == full else Why.MORE_AIR_PART,
            AIR_STEP,
            speed=speed,
            pressure=load,
        )
        for j, load in enumerate(loads)
        for k, speed in enumerate(speeds)
    ]

"""The headline numbers of a build under a set of tolerances: what the bands are drawn from."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..cycle.operating import EngineModel, Tolerances
from ..sheet.sections import SEQUENTIAL_PORT
from .idle import idle_state
from .injection import point_at
from .knock_edge import knock_grid
from .reversion import reversion_in_gear
from .spark import SparkCeilings, ceiling_marks
from .spark_limits import ceiling_column

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["Zone", "headline", "headline_gear", "with_bands", "zone_of"]

Array = NDArray[np.float64]

CRUISE = 1600.0 / 60.0, 60e3  # rev/s, Pa: where the edges of the injection window are banded


class Zone(NamedTuple):
    """The part of a grid that has ceilings: columns and rows, their speeds [rev/s] and pressures [Pa], and the worst cell in it."""

    columns: slice
    rows: slice
    speeds: Array
    pressures: Array
    worst: tuple[int, int] | None


def zone_of(ceilings: SparkCeilings) -> Zone | None:
    """Return the least rectangle that holds every ceiling; its worst cell is the cured one with the lowest; None without a zone."""
    known = np.isfinite(ceilings.si.ceiling)
    if not known.any():
        return None
    rows, columns = (np.flatnonzero(known.any(axis=axis)) for axis in (1, 0))
    row, column = slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
    part = ceilings.si.ceiling[row, column]
    cured = np.where(ceilings.cured[row, column], part, np.nan)
    worst = None
    if np.isfinite(cured).any():
        at = np.unravel_index(int(np.nanargmin(cured)), cured.shape)
        worst = (int(at[0]), int(at[1]))
    return Zone(column, row, ceilings.si.speed[column], ceilings.si.manifold_pressure[row], worst)


def headline_gear(build: Build) -> int:
    """Return the gear nearest to direct drive, counted from 1."""
    ratios = build.vehicle.gear_ratios
    return min(range(len(ratios)), key=lambda k: abs(ratios[k] - 1.0)) + 1


def headline(
    engine_of: Callable[..., EngineModel], build: Build, tolerances: Tolerances, zone: Zone | None, knocking: tuple[Array, Array] | None = None
) -> dict[str, Any]:
    """Return the headline numbers under a set of tolerances, in inner units; ``ceilings`` over the nominal's zone is an array, and so is
    ``knock`` over the speeds [rev/s] and pressures [Pa] of ``knocking``.

    Parameters
    ----------
    engine_of : callable
        Makes an engine from a build and tolerances.
    build : Build
    tolerances : Tolerances
        One sample of what is not known well.
    zone : Zone
        Cells of the nominal's ceilings; none where they are not asked for.
    knocking : tuple of two arrays
        Speeds [rev/s] and manifold pressures [Pa], each of shape (n,), over whose grid knock is asked for.
    """
    engine = engine_of(build, tolerances)
    idle = idle_state(engine)
    found: dict[str, Any] = {"vacuum": idle.si.manifold_vacuum, "burned_fraction": idle.si.burned_fraction}
    if build.replaced_cam:
        before = engine_of(build.with_replaced_cam(), tolerances)
        found["vacuum_penalty"] = idle_state(before).si.manifold_vacuum - found["vacuum"]
    gear = reversion_in_gear(engine, headline_gear(build))
    found["unstable_below"], found["blow_back_below"] = gear.si.unstable_below, gear.si.blow_back_below
    if build.fuel.system == SEQUENTIAL_PORT and build.injector is not None:
        point = point_at(engine, *CRUISE)
        if point.shut is not None:
            found["shut_earliest"], found["shut_latest"] = point.shut.earliest, point.shut.latest
    if zone is not None:
        columns = [ceiling_column(engine, float(speed), [float(p) for p in zone.pressures], cautious=False) for speed in zone.speeds]
        # Where a sample needs no ceiling, best torque or knock is what the cell may have.
        found["ceilings"] = np.array([[c.limit if math.isnan(c.ceiling) else c.ceiling for c in column.cells] for column in columns]).T
        if zone.worst is not None:
            found["ceiling"] = float(found["ceilings"][zone.worst])
    if knocking is not None and knocking[1].size:
        found["knock"] = knock_grid(engine, *knocking)
    return found


def with_bands(ceilings: SparkCeilings, zone: Zone | None, grids: Mapping[str, tuple[Array, Array]]) -> SparkCeilings:
    """Return the ceilings with their bands: 10 and 90 % of the samples, and never narrower than from cautious to anchored constants."""
    if zone is None or "ceilings" not in grids:
        return ceilings
    known = np.isfinite(ceilings.si.ceiling)
    edges = []
    for edge in grids["ceilings"]:
        whole = np.full_like(ceilings.si.ceiling, np.nan)
        whole[zone.rows, zone.columns] = edge
        edges.append(np.where(known, whole, np.nan))
    low = np.fmin(ceilings.si.ceiling_low, edges[0])
    high = np.where(np.isfinite(edges[1]), np.fmax(ceilings.si.ceiling, edges[1]), np.nan)
    marks = {**ceilings.marks, "ceiling_low": ceiling_marks(ceilings, low, ceilings.si.least_limit_low), "ceiling_high": ceiling_marks(ceilings, high)}
    return ceilings.replace(ceiling_low=low, ceiling_high=high, marks=marks)

"""A first spark table for the low-speed zone: under every ceiling, under the low edge of knock, level where the charge wanders, eased into the rest."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord, ScalarMeasure
from ..cycle.best_torque import LATEST
from ..marks import Mark, Marks, marks_where
from ..results import Measure, measure
from .idle import IDLE_REACH, IdleState
from .spark_limits import CellState

if TYPE_CHECKING:
    from ..sheet import Build
    from .knock_edge import KnockEdge
    from .spark import SparkCeilings

__all__ = ["STEEPEST", "Cells", "Slopes", "StartingTable", "largest_table", "starting_table"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Most degrees between neighbouring cells where the zone's charge or the idle wanders; common practice, no source. Up to twice as many only
# where so little would burn too late, and then no more than the gears stand; ESTIMATE.
STEEPEST, STEEPER = 3.0, 6.0


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class StartingTable(ArrayRecord):
    """A starting table for final spark (table plus every correction), whole crank degrees before top dead centre.

    Grids have a row for each manifold pressure and a column for each speed. A blank cell is no permission: there knock asks for less
    than ``least_spark``, and no spark serves.
    """

    AXES = ("manifold_pressure", "speed")

    speed: Measure = measure("crank_rps", "rpm")
    manifold_pressure: Measure = measure("Pa", "kPa")
    spark: Measure = measure("crank_deg", doc="blank where knock asks for less than the least spark")
    knock_low: Measure = measure("crank_deg", doc="low edge of the knock limit's band; blank where no spark searched knocks")
    asked: Measure = measure("crank_deg", doc="the least of every limit, best torque and knock's low edge, each less the margin")
    margin: ScalarMeasure = measure("crank_deg")
    least_spark: ScalarMeasure = measure("crank_deg")
    idle_spark: ScalarMeasure = measure("crank_deg", doc="of this table where the engine idles, neutral and accessories off")
    knock_sampled: bool
    avoid: Mask = dataclasses.field(repr=False)
    zone: Mask = dataclasses.field(repr=False)
    wanders: Mask = dataclasses.field(repr=False)
    below_floor: Mask = dataclasses.field(repr=False)
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


class Slopes(NamedTuple):
    """The slopes of a spark table that the gears to be kept smooth stand [crank deg per rev/s, crank deg per Pa]."""

    along_speed: float
    along_pressure: float


class Cells(NamedTuple):
    """What a table is made from, rows loads from light to full, columns speeds.

    The most each cell may have [deg]; where the charge wanders; where the engine idles; and how much neighbours along load and along speed may
    differ where the charge wanders [deg], a row or a column less than the table.
    """

    most: Array
    wanders: Mask
    idle: Mask
    along_load: Array
    along_speed: Array


def starting_table(ceilings: SparkCeilings, edge: KnockEdge, idles: tuple[IdleState, ...], build: Build, slopes: Slopes | None = None) -> StartingTable:
    """Return the starting table of a build.

    Parameters
    ----------
    ceilings : SparkCeilings
    edge : KnockEdge
        The low edge of the knock limit's band on the grid of the ceilings.
    idles : tuple of IdleState
        Every state the engine idles in; the first is neutral with accessories off.
    build : Build
        Gives the margin and the least spark.
    slopes : Slopes
        What the gears to be kept smooth stand; without it ``STEEPEST`` holds everywhere.

    Returns
    -------
    StartingTable

    Notes
    -----
    The largest table in whole degrees of which each cell has at most the least of all its limits, its best torque and the low edge of its
    knock limit, less the margin; where the engine idles, no more than the idle's own spark. What the cautious ignition constants ask for
    counts too, down to the late-burn floor: below it a burn is surely late, and missed cycles are in doubt. At one speed spark never rises
    with load. Where the charge wanders neighbours along load, and those one column to either side, differ by at most ``STEEPEST``; elsewhere
    by no more than that or than their own limits do. It wanders in the zone of either set of constants, in what its swings visit, where the
    engine idles, and where cycles vary more than in normal running on the level road of a gear to be kept smooth: there torque, so speed and
    load, is handed from cycle to cycle, and a steep table would hand it on as spark. A cell that
    so little leaves below its late-burn floor is raised towards it, as far as ``slopes`` allow and by steps of ``STEEPER`` at most. Where the
    engine idles spark does not rise with speed: a rising slope undamps an idle. Cells in which nothing runs, and those that spark does not cure,
    may have what the next fuller load may, and are not raised.
    Where knock asks for less than ``[limits] least_spark`` the cell is blank, and its neighbours keep to the least spark as if it were there.
    """
    limits = build.limits.si
    si = ceilings.si
    # Where cycles miss at every spark, or on any that burns in time, none helps: like a cell in which nothing runs it has the next fuller load's,
    # level across what the load visits.
    still = ceilings.where(CellState.NO_TORQUE)
    lost = (si.misfire <= si.least_limit) & (si.least_limit < si.floor)  # where the idle's own spark counts too
    dead = still | (si.least_limit <= LATEST) | (np.isfinite(si.ceiling) & ~ceilings.cured) | lost
    top = np.fmin(np.fmin(si.best_spark, edge.low), np.fmin(si.least_limit, si.ceiling)) - limits.spark_margin
    top = np.fmin(top, np.fmax(si.least_limit_low - limits.spark_margin, si.floor))
    zone = np.isfinite(si.ceiling_low)
    idle = _idle_cells(si.speed, si.manifold_pressure, idles)
    top = np.where(idle, np.minimum(top, min(state.si.spark for state in idles)), top)
    asked = np.where(dead, np.nan, top)
    # What nothing else limits still may not knock.
    top = np.fmin(_with_dead_cells(top, dead), edge.low - limits.spark_margin)
    # A cell that runs has a knock limit of its own, whatever else spark does not cure there.
    avoid = np.floor(_with_dead_cells(edge.low - limits.spark_margin, still)) < limits.least_spark
    wanders = zone | _visited(ceilings, zone) | ceilings.wanders | idle
    cells = Cells(np.maximum(np.floor(top), limits.least_spark), wanders, idle, *_steps(si.speed, si.manifold_pressure, None))
    table = largest_table(cells)
    if slopes is not None:
        # The level table keeps the wider limits too, so the largest table under the raised cells is nowhere below it. No cell is raised above
        # its faster neighbour: that would only saw.
        along_load, along_speed = _steps(si.speed, si.manifold_pressure, slopes)
        late = np.where(zone & ~dead, np.ceil(si.floor), -np.inf)
        raised = np.maximum(table, np.minimum(cells.most, late))
        wider = cells._replace(most=raised, along_load=along_load, along_speed=along_speed)
        table = largest_table(wider, np.maximum(-np.diff(table, axis=1), 0.0))
    table = np.where(avoid, np.nan, table)
    return StartingTable(
        speed=si.speed,
        manifold_pressure=si.manifold_pressure,
        spark=table,
        knock_low=np.where(np.isfinite(edge.low), edge.low, np.nan),
        asked=asked,
        margin=limits.spark_margin,
        least_spark=limits.least_spark,
        idle_spark=spark_in(table, si.speed, si.manifold_pressure, idles[0].si.speed, idles[0].si.manifold_pressure),
        knock_sampled=edge.sampled,
        avoid=avoid,
        zone=zone,
        wanders=wanders,
        below_floor=zone & (table < si.floor - 1e-9),
        marks={
            "spark": marks_where(avoid, Mark.AVOID),
            # Where nothing searched knocks the edge rests on the end of that search.
            "knock_low": marks_where(np.isfinite(edge.low) & np.isnan(si.knock), Mark.OR_MORE),
        },
    )


def largest_table(cells: Cells, falls: Array | None = None) -> Array:
    """Return the largest table under ``cells.most`` that keeps the slopes of ``starting_table``, and falls with speed by no more than ``falls``.

    Tables that keep differences of neighbours are closed under the cell-by-cell maximum, so there is a largest one, and lowering cells to
    what their neighbours allow ends there.

    >>> level = np.full((2, 3), 30.0)
    >>> level[1, 1] = 12.0
    >>> wanders = np.array([[False, True, False], [False, True, False]])
    >>> largest_table(Cells(level, wanders, np.zeros((2, 3), dtype=bool), np.full((1, 3), 3.0), np.full((2, 2), 3.0))).tolist()
    [[18.0, 15.0, 18.0], [15.0, 12.0, 15.0]]
    """
    fall, along_speed = _limits(cells)
    # Where both ends of a step idle, the faster may have no more than the slower.
    rise = np.where(cells.idle[:, 1:] & cells.idle[:, :-1], 0.0, along_speed)
    fall_with_speed = along_speed if falls is None else np.minimum(along_speed, falls)
    out = cells.most.copy()
    while True:
        before = out.copy()
        for k in range(1, len(out)):  # a fuller load never has more than a lighter one
            out[k] = np.minimum(out[k], out[k - 1])
        for k in range(len(out) - 1, 0, -1):
            out[k - 1] = np.minimum(out[k - 1], out[k] + fall[k - 1])
        for k in range(1, out.shape[1]):
            out[:, k] = np.minimum(out[:, k], out[:, k - 1] + rise[:, k - 1])
        for k in range(out.shape[1] - 1, 0, -1):
            out[:, k - 1] = np.minimum(out[:, k - 1], out[:, k] + fall_with_speed[:, k - 1])
        if (out == before).all():
            return out


def _limits(cells: Cells) -> tuple[Array, Array]:
    """Return how far spark may fall from one load to the next fuller one, and how far neighbours along speed may differ."""
    w, most = cells.wanders, cells.most
    with np.errstate(invalid="ignore"):  # where nothing runs at a whole speed and load there is no bound on either side
        own_load, own_speed = (np.nan_to_num(np.abs(np.diff(most, axis=axis)), nan=np.inf, posinf=np.inf) for axis in (0, 1))
    fall = np.where(w[1:] & w[:-1], cells.along_load, np.maximum(cells.along_load, own_load))
    return fall, np.where(w[:, 1:] | w[:, :-1], cells.along_speed, np.maximum(cells.along_speed, own_speed))


def _steps(speeds: Array, pressures: Array, slopes: Slopes | None) -> tuple[Array, Array]:
    """Return the steps allowed along load and along speed, in whole degrees: three, or up to six where the gears stand so much."""
    load, speed = np.full(pressures.size - 1, STEEPEST), np.full(speeds.size - 1, STEEPEST)
    if slopes is not None:
        load = np.clip(np.floor(slopes.along_pressure * np.diff(pressures)), STEEPEST, STEEPER)
        speed = np.clip(np.floor(slopes.along_speed * np.diff(speeds)), STEEPEST, STEEPER)
    return load[:, None] + np.zeros((1, speeds.size)), speed[None, :] + np.zeros((pressures.size, 1))


def _with_dead_cells(top: Array, dead: Mask) -> Array:
    """Give cells in which nothing runs what the next fuller load may have, or the next faster speed."""
    out = np.where(dead, np.nan, top)
    for view in (out[::-1], out.T[::-1]):
        for k in range(1, len(view)):
            view[k] = np.where(np.isnan(view[k]), view[k - 1], view[k])
    return np.where(np.isnan(out), np.inf, out)


def _idle_cells(speeds: Array, pressures: Array, idles: tuple[IdleState, ...]) -> Mask:
    """Return the cells that a lookup reads while the engine idles, within the reach of its speed and at all its loads."""
    found = np.zeros((pressures.size, speeds.size), dtype=bool)
    low, high = (edge(state.si.manifold_pressure for state in idles) for edge in (min, max))
    target = idles[0].si.speed
    found[np.ix_(_around(pressures, low, high), _around(speeds, target - IDLE_REACH, target + IDLE_REACH))] = True
    return found


def _around(axis: Array, low: float, high: float) -> Mask:
    """Return the points of an axis between which a lookup from ``low`` to ``high`` interpolates; at its ends the last one holds."""
    first = max(int(np.searchsorted(axis, low, side="right")) - 1, 0)
    last = min(int(np.searchsorted(axis, high, side="left")), axis.size - 1)
    index = np.arange(axis.size)
    return np.asarray((index >= first) & (index <= max(last, first)))


def _visited(ceilings: SparkCeilings, zone: Mask) -> Mask:
    """Return the cells that a lookup reads while the load swings about any cell of the zone."""
    si, found = ceilings.si, np.zeros_like(zone)
    for row, column in np.argwhere(zone):
        width, pressure = float(si.swing_fuller[row, column]), float(si.manifold_pressure[row])
        if math.isfinite(width):
            found[_around(si.manifold_pressure, pressure * (1.0 - width), pressure * (1.0 + width)), column] = True
    return found


def spark_in(table: Array, speeds: Array, pressures: Array, speed: float, pressure: float) -> float:
    """Return a table's spark at a speed [rev/s] and manifold pressure [Pa]: bilinear, edges held; not-a-number next to a blank cell.

    Parameters
    ----------
    table : array, shape (pressures, speeds)
        Spark before top dead centre [crank deg].
    speeds, pressures : array, shape (n,) each
        Axes [rev/s], [Pa].
    speed : float
        Crank speed [rev/s].
    pressure : float
        Manifold pressure [Pa].
    """
    rows = [float(np.interp(speed, speeds, row)) for row in table]
    return float(np.interp(pressure, pressures, rows))

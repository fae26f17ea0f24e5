"""Spark ceilings over speed and load: the least of several limits, each cell saying which one binds.

Ceilings apply to final spark: the table plus every correction.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord
from ..codes import AppliesTo
from ..cycle.best_torque import EARLIEST, spark_ends
from ..cycle.load_axis import LOAD_KINDS, air_charge_of, grid_over
from ..cycle.operating import EngineModel, barometer, refuse_teaching
from ..errors import InputError, did_you_mean
from ..marks import Mark, Marks, ends_of_search, marks_by, marks_in, marks_where, merged_marks
from ..results import Measure, measure
from .load_swing import WIDEST_SWING
from .spark_limits import BEYOND_DATA, NORMAL_RUNNING, OFFSETS, Binds, CeilingColumn, CellState, ceiling_column, least_road_pressure

__all__ = ["PRESSURES", "SPEEDS", "AppliesTo", "SparkCeilings", "spark_ceilings"]

Array = NDArray[np.float64]

SPEEDS = np.arange(800.0, 3001.0, 200.0) / 60.0
PRESSURES = np.arange(40e3, 90.1e3, 10e3)
# Wide-open throttle, as a share of the barometer [a throttle passes something], and how close to it another load may stand [Pa].
WIDE_OPEN, CLOSEST = 0.9999, 4e3


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SparkCeilings(ArrayRecord):
    """Ceilings for final spark (table plus every correction) over speed and manifold pressure; outside the zone camcalc gives none.

    Grids have a row for each manifold pressure and a column for each speed; angles are crank degrees before top dead centre. ``states`` says
    what may be asked of each cell, ``binds`` what its ceiling rests on (None without one). ``ceiling`` is from the anchored ignition constants,
    ``ceiling_low`` from the cautious ones: the range is what is not known. ``beyond_data`` are the cells whose residual is above any that a flame
    or a spark was measured at: there the figures say direction, not degrees. ``wanders`` are the cells read on the level road, in a gear to be
    kept smooth, whose cycles miss or vary more than in normal running.
    ``marks`` says which ceilings spark does not cure, which lie beyond the data, and which figures are an end of a search.
    """

    AXES = ("manifold_pressure", "speed")
    ALONG = (("restless_to", "speed"),)

    speed: Measure = measure("crank_rps", "rpm")
    manifold_pressure: Measure = measure("Pa", "kPa")
    ceiling: Measure = measure("crank_deg", doc="in the zone; blank outside it")
    ceiling_low: Measure = measure("crank_deg", doc="with the cautious ignition constants; with bands 10 % of samples lie below, if that is less")
    ceiling_high: Measure = measure("crank_deg", doc="90 % of samples lie below; blank without bands")
    least_limit: Measure = measure("crank_deg", doc="least of all limits, everywhere")
    least_limit_low: Measure = measure("crank_deg", doc="the same with the cautious ignition constants")
    misfire: Measure = measure("crank_deg", doc="above it more than 1 % of cycles miss at the light edge of the swing; blank where none do up to best torque")
    misfire_low: Measure = measure("crank_deg", doc="the same with the cautious ignition constants")
    counted: Measure = measure("crank_deg", doc="best torque with missed cycles counted; blank where no more than 1 % miss")
    fuller_best: Measure = measure("crank_deg", doc="best torque of the fullest charge of the swing; blank where the charge is steady")
    fuller_knock: Measure = measure("crank_deg", doc="knock limit of that charge; blank where no spark searched knocks")
    restless_to: Measure = measure("Pa", "kPa", doc="by speed: cycles vary more than in normal running up to this load, between cells")
    best_spark: Measure = measure("crank_deg", doc="best torque of the mean cycle")
    knock: Measure = measure("crank_deg", doc="earliest spark without knock; blank where none searched knocks")
    floor: Measure = measure("crank_deg", doc="least spark whose burn is not too late and exhaust not too hot")
    swing_lighter: Measure = measure("", "percent", doc="how far the swing reaches below the load signal, over the load")
    swing_fuller: Measure = measure("", "percent", doc="how far the fullest charge is above it")
    half_burned: Measure = measure("crank_deg", doc="50 % burned at best torque, after top dead centre")
    torque_curvature: Measure = measure("1/crank_deg**2", doc="k of torque = 1 - k offset^2; published 1.6e-4 to 5e-4 for charges with little burned gas")
    air_charge: Measure = measure("kg", "mg", doc="trapped air per cylinder and cycle, best torque")
    relative_charge: Measure = measure("", "percent", doc="air charge over swept volume times the reference density")
    burned_fraction: Measure = measure("", "percent")
    imep_variation: Measure = measure("", "percent", doc="coefficient of variation of gross IMEP at best torque")
    missed: Measure = measure("", "percent", doc="share of cycles that miss at best torque")
    spark_offset: Measure = measure("crank_deg", doc="of the torque curves")
    torque_curve: Measure = measure("", doc="gross torque over that at best torque; pressure, speed, offset")
    states: tuple[tuple[CellState, ...], ...]
    binds: tuple[tuple[Binds | None, ...], ...]
    beyond_data: NDArray[np.bool_]
    wanders: NDArray[np.bool_]
    gears: tuple[int, ...]
    applies_to: AppliesTo = AppliesTo.FINAL_SPARK
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)

    def over(self, kind: str, loads: Array | None = None) -> tuple[Array, Array]:
        """Return loads of a kind and the ceilings [crank deg] over them; rows loads, columns the speeds.

        Parameters
        ----------
        kind : str
            ``"manifold pressure"``, ``"air charge"`` or ``"relative charge"``.
        loads : array
            SI; by default evenly over what the grid reaches at every speed.
        """
        rows = self._reached(kind)
        if loads is None:
            loads = np.linspace(float(np.nanmax(np.nanmin(rows, axis=0))), float(np.nanmin(np.nanmax(rows, axis=0))), self.si.manifold_pressure.size)
        return loads, grid_over(self.si.ceiling, rows, loads)

    def marks_over(self, kind: str, loads: Array) -> Marks:
        """Return the marks of the ceilings over loads of a kind [SI]: between two cells, those of either."""
        rows, found = self._reached(kind), marks_where(np.zeros((loads.size, self.si.speed.size), dtype=bool), Mark.UNCURED)
        for mark in marks_in(self.marks.get("ceiling")):
            here = np.array([[float(self.mark("ceiling", k, j) is mark) for j in range(self.si.speed.size)] for k in range(self.si.manifold_pressure.size)])
            touched = grid_over(np.where(np.isfinite(self.si.ceiling), here, np.nan), rows, loads)
            found = merged_marks(found, marks_where(touched > 0.0, mark))
        return found

    def _reached(self, kind: str) -> Array:
        """Return the load of a kind that every cell has [SI]; not-a-number where nothing runs."""
        si = self.si
        reached = dict(zip(LOAD_KINDS, (si.manifold_pressure[:, None] + 0.0 * si.air_charge, si.air_charge, si.relative_charge), strict=True))
        if kind not in reached:
            raise InputError("load axis", came=kind, expected=" or ".join(reached), fix=did_you_mean(kind, list(reached)))
        return np.where(np.isfinite(si.imep_variation), reached[kind], np.nan)

    @property
    def cured(self) -> NDArray[np.bool_]:
        """Which ceilings stand on a limit of the charge; the others stand on the late-burn floor: not cured by spark."""
        return np.asarray(np.isfinite(self.si.ceiling) & (self.si.ceiling <= self.si.least_limit + 1e-9))

    def where(self, state: CellState) -> NDArray[np.bool_]:
        """Return the cells that are in a state."""
        return np.array([[one is state for one in row] for row in self.states], dtype=bool)

    @property
    def has_zone(self) -> bool:
        """Whether any cell has a ceiling."""
        return bool(np.isfinite(self.si.ceiling).any())


FIELDS = {
    "ceiling": "ceiling", "ceiling_low": "ceiling_low", "least_limit": "limit", "least_limit_low": "limit_low", "misfire": "misfire",
    "misfire_low": "misfire_low", "counted": "counted", "fuller_best": "fuller_best", "fuller_knock": "fuller_knock", "best_spark": "best", "knock": "knock",
    "floor": "floor", "swing_lighter": "lighter", "swing_fuller": "fuller", "half_burned": "half_burned", "torque_curvature": "curvature",
    "air_charge": "air", "burned_fraction": "burned_fraction", "imep_variation": "variation", "missed": "missed",
}  # fmt: skip


def ceiling_columns(engine: EngineModel, speeds: Array, pressures: Array, *, cautious: bool = True) -> list[CeilingColumn]:
    """Return the cells of each speed.

    Parameters
    ----------
    engine : EngineModel
    speeds : array, shape (n,)
        Crank speeds [rev/s].
    pressures : array, shape (m,)
        Manifold pressures [Pa], absolute.
    cautious : bool
        Whether the low ends are asked for, from the cautious ignition constants.
    """

    def column(speed: float) -> CeilingColumn:
        return ceiling_column(engine, speed, [float(p) for p in pressures], cautious=cautious)

    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        return list(pool.map(column, map(float, speeds)))


def usual_pressures(engine: EngineModel) -> Array:
    """Return the manifold pressures [Pa] of the usual grid: tens of kPa below the barometer, and wide-open throttle."""
    full = WIDE_OPEN * barometer(engine)
    return np.append(PRESSURES[full - CLOSEST > PRESSURES], full)


def spark_ceilings(engine: EngineModel, speeds: Array = SPEEDS, pressures: Array | None = None, *, cautious: bool = True) -> SparkCeilings:
    """Return the ceilings over a grid of speeds and manifold pressures below the barometer; by default the usual ones.

    Parameters
    ----------
    engine : EngineModel
    speeds : array, shape (n,)
        Crank speeds [rev/s].
    pressures : array, shape (m,)
        Manifold pressures [Pa], absolute.
    cautious : bool
        Whether the low ends of the ranges are asked for, from the cautious ignition constants; without them they equal the ceilings.

    Raises
    ------
    InputError
        If the model is for teaching only.
    """
    refuse_teaching(engine, "spark ceilings")
    pressures = usual_pressures(engine) if pressures is None else pressures[pressures < barometer(engine)]
    columns = ceiling_columns(engine, speeds, pressures, cautious=cautious)
    cells = [[column.cells[k] for column in columns] for k in range(len(pressures))]
    fields: dict[str, Any] = {own: np.array([[getattr(c, name) for c in row] for row in cells]) for own, name in FIELDS.items()}
    fields["knock"] = np.where(np.isfinite(fields["knock"]), fields["knock"], np.nan)
    found = SparkCeilings(
        speed=speeds,
        manifold_pressure=pressures,
        **fields,
        restless_to=np.array([column.restless_to for column in columns]),
        relative_charge=fields["air_charge"] / air_charge_of(engine.build, 1.0),
        ceiling_high=np.full_like(fields["ceiling"], np.nan),
        spark_offset=OFFSETS,
        torque_curve=np.array([[c.torque for c in row] for row in cells]),
        states=tuple(tuple(c.state for c in row) for row in cells),
        binds=tuple(tuple(c.binds for c in row) for row in cells),
        beyond_data=fields["burned_fraction"] > BEYOND_DATA,
        wanders=np.array(_wandering(engine, columns)).T,
        gears=engine.build.vehicle.smooth_gears,
    )
    return found.replace(marks=_marks(found))


def _wandering(engine: EngineModel, columns: list[CeilingColumn]) -> list[list[bool]]:
    """Return by column which cells are read on the level road, in a gear to be kept smooth, while cycles vary more than in normal running.

    Lighter loads than the least road load are passed through only; cells on either side of that load are both read there.
    """

    def one(column: CeilingColumn) -> list[bool]:
        restless = [c.state is not CellState.NO_TORQUE and not c.variation <= NORMAL_RUNNING for c in column.cells]
        if not any(restless):
            return restless
        top = max(c.pressure for c, here in zip(column.cells, restless, strict=True) if here)
        road = least_road_pressure(engine, column.cells[0].speed, near=top)
        below = max((c.pressure for c in column.cells if c.pressure <= road), default=0.0)
        return [here and c.pressure >= below for c, here in zip(column.cells, restless, strict=True)]

    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        return list(pool.map(one, columns))


# Sparks of the ceilings that an end of the search for spark may stand in for.
SEARCHED = (
    "ceiling", "ceiling_low", "ceiling_high", "least_limit", "least_limit_low", "misfire", "misfire_low", "counted", "fuller_best", "fuller_knock",
    "best_spark", "knock", "floor",
)  # fmt: skip


def uncured_mark(ceiling: float) -> Mark:
    """Return the mark of a ceiling [crank deg] that spark does not cure, which is the late-burn floor.

    >>> uncured_mark(37.0).code, uncured_mark(60.0).code
    ('uncured', 'uncured_or_more')
    """
    return Mark.UNCURED_OR_MORE if ceiling >= EARLIEST else Mark.UNCURED


def _marks(ceilings: SparkCeilings) -> dict[str, Marks]:
    """Return what the figures of the ceilings are that are no plain answer."""
    si = ceilings.si
    marks = {name: spark_ends(getattr(si, name)) for name in SEARCHED}
    return marks | {
        "ceiling": ceiling_marks(ceilings, si.ceiling, si.least_limit),
        "ceiling_low": ceiling_marks(ceilings, si.ceiling_low, si.least_limit_low),
        # Best torque itself stands in for the floor where even that burns too late.
        "floor": merged_marks(marks_where(si.floor >= si.best_spark, Mark.OR_MORE), marks["floor"]),
        "best_spark": merged_marks(marks_where(si.best_spark > si.knock, Mark.KNOCKS), marks["best_spark"]),
        "swing_lighter": ends_of_search(si.swing_lighter, most=WIDEST_SWING),
        "swing_fuller": ends_of_search(si.swing_fuller, most=WIDEST_SWING),
        "restless_to": ends_of_search(si.restless_to, most=float(si.manifold_pressure[-1])),
    }


def ceiling_marks(ceilings: SparkCeilings, grid: Array, limit: Array | None = None) -> Marks:
    """Return the marks of a grid of ceilings: not cured by spark, an end of the search, beyond the data; of several the first counts.

    Parameters
    ----------
    ceilings : SparkCeilings
        Whose cells they are.
    grid : array, shape (pressures, speeds)
        Ceilings [crank deg before top dead centre].
    limit : array, shape (pressures, speeds)
        What the limits ask for; a ceiling above it is the late-burn floor. Without it none counts as such.
    """
    uncured = np.isfinite(grid) & ~(grid <= limit + 1e-9) if limit is not None else np.zeros(grid.shape, dtype=bool)
    found = merged_marks(marks_by(np.where(uncured, grid, np.nan), uncured_mark), spark_ends(grid))
    return merged_marks(found, marks_where(np.isfinite(grid) & ceilings.beyond_data, Mark.DIRECTION))

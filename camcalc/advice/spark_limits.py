"""What limits spark in one cell: missed cycles at the light edge of the load swing, its fullest charge, best torque, knock; and the floor under all."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from ..codes import Code
from ..cycle.best_torque import FIRST_GUESS, LATEST
from ..cycle.operating import EngineModel, barometer, pressure_for_net_imep
from ..cycle.work_variation import MOST_MISSED, Spread, best_counted, misfire_spark, work_spread
from ..errors import NoSolutionError
from .equal_torque import road_net_imep
from .idle import BEYOND_DATA, IDLE_REACH
from .late_burn import latest_useful_spark
from .load_swing import STILL, LoadSwing, load_swing

__all__ = [
    "ASKED_BY", "BEYOND_DATA", "BINDS_BELOW", "NORMAL_RUNNING", "OFFSETS", "SETTLED_BY", "Binds", "CeilingCell", "CeilingColumn", "CellState",
    "Settles", "asked_of", "ceiling_column", "ceiling_under", "least_road_pressure",
]  # fmt: skip

# A limit binds when it asks for at least this much less than best torque or knock; ESTIMATE, twice a common table increment.
BINDS_BELOW = 2.0
# Shown, and level tables start there; no limit: 2 to 5 % is normal running (Heywood 1988, section 9.4, from memory).
NORMAL_RUNNING = 0.05
# Sparks against best torque [crank deg] of a cell's torque curve; the middle five give its curvature.
OFFSETS = np.array([-20.0, -15.0, -10.0, -5.0, 0.0, 5.0, 10.0])
NEAR = slice(2, 7)


class Binds(Code):
    """Which limit a spark ceiling rests on."""

    MISSED_CYCLES = "above it more than 1 % of cycles miss, at the light edge of the load swing"
    MISSES_COUNTED = "MBT spark with missed cycles counted"
    FULLEST_CHARGE = "MBT spark of the fullest charge of the load swing"
    KNOCK_OF_FULLEST = "knock limit of the fullest charge of the load swing"
    LATEST_USEFUL = "spark alone cannot fix this cell; the latest useful spark is shown, and a limit asks for less"


class Settles(Code):
    """What on the car would settle where a ceiling lies."""

    MISSES_OVER_SPARK = "sweep spark at that speed and load and count missed cycles; hydrocarbons and lambda rise where they begin"
    TORQUE_OVER_SPARK = "sweep spark at that speed and load at the same road speed; least manifold pressure is best torque"
    LOGGED_SWING = "log load in steady driving; camcalc review prints load_swing for the sheet"
    LISTENING = "listen for knock with the fuel that is in the tank"
    HALF_BURNED = "measure exhaust gas temperature over spark at that speed and load"


SETTLED_BY: Mapping[Binds, Settles] = {
    Binds.MISSED_CYCLES: Settles.MISSES_OVER_SPARK,
    Binds.MISSES_COUNTED: Settles.TORQUE_OVER_SPARK,
    Binds.FULLEST_CHARGE: Settles.LOGGED_SWING,
    Binds.KNOCK_OF_FULLEST: Settles.LISTENING,
    Binds.LATEST_USEFUL: Settles.HALF_BURNED,
}


class CellState(Code):
    """What may be asked of a cell."""

    RUNS = "the engine runs here"
    AT_IDLE = "the idle spark counts here, within 300 rpm of idle speed"
    NO_TORQUE = "no torque here; raise speed or load, or take a lower gear"


class CeilingCell(NamedTuple):
    """One cell: speed rev/s, pressure Pa, angles crank deg before top dead centre; NaN where a limit says nothing.

    ``variation`` and ``missed`` are at best torque, ``swing`` is the load swing under the ceiling.
    ``misfire`` is the spark above which more than 1 % of cycles miss at its light edge with the anchored ignition constants,
    ``misfire_low`` with the cautious ones; ``counted`` is best torque with missed cycles counted, ``fuller_best`` and ``fuller_knock`` belong to
    the fullest charge. ``limit`` and ``limit_low`` are the least of all that apply, everywhere; ``ceiling`` and ``ceiling_low`` are those in
    the zone, never under the floor. ``binds`` is what a ceiling rests on, None without one.
    """

    speed: float
    pressure: float
    air: float
    burned_fraction: float
    variation: float
    missed: float
    best: float
    half_burned: float
    curvature: float
    swing: LoadSwing
    misfire: float
    misfire_low: float
    counted: float
    fuller_best: float
    fuller_knock: float
    knock: float
    floor: float
    limit: float
    limit_low: float
    ceiling: float
    ceiling_low: float
    binds: Binds | None
    state: CellState
    torque: tuple[float, ...]

    @property
    def own(self) -> float:
        """The least of best torque and knock of the mean cycle [crank deg before top dead centre]."""
        return float(np.fmin(self.best, self.knock))

    @property
    def lighter(self) -> float:
        """How far the load swing reaches down, over the load."""
        return self.swing.lighter

    @property
    def fuller(self) -> float:
        """How far its fullest charge lies above the load, over it."""
        return self.swing.fuller


# The fields that hold what the zone's limits ask for, each with what it is called; of equal ones the first counts.
ASKED_BY: Mapping[Binds, str] = {
    Binds.MISSED_CYCLES: "misfire",
    Binds.MISSES_COUNTED: "counted",
    Binds.KNOCK_OF_FULLEST: "fuller_knock",
    Binds.FULLEST_CHARGE: "fuller_best",
}


class CeilingColumn(NamedTuple):
    """The cells of one speed, and the load up to which cycles vary more than in normal running [Pa]; NaN if they do at none of its loads."""

    cells: list[CeilingCell]
    restless_to: float


def least_road_pressure(engine: EngineModel, speed: float, *, near: float) -> float:
    """Return the least manifold pressure [Pa] that a gear to be kept smooth needs on the level road at best torque; 0 if none can be held."""
    vehicle = engine.build.vehicle
    for gear in vehicle.smooth_gears:  # the shortest that can be held: taller ones need more
        try:
            return pressure_for_net_imep(engine, speed, road_net_imep(engine, speed, vehicle.gear_ratios[gear - 1]), None, near=near)
        except NoSolutionError:
            continue
    return 0.0


def ceiling_column(engine: EngineModel, speed: float, pressures: list[float], *, cautious: bool = True) -> CeilingColumn:
    """Return the cells of one speed, with ceilings in the zone: where a limit asks for ``BINDS_BELOW`` less than best torque and knock.

    Within 300 rpm of idle the idle's own spark counts: those cells have limits and no ceiling.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    pressures : list of float
        Manifold pressures [Pa].
    cautious : bool
        Whether the low ends are asked for, from the cautious ignition constants; without them they equal the others.
    """
    cells = [_with_ceiling(_cell(engine, speed, p, cautious=cautious)) for p in sorted(pressures)]
    if speed <= engine.build.idle.si.speed + IDLE_REACH:
        nan = math.nan
        cells = [c._replace(state=CellState.AT_IDLE, ceiling=nan, ceiling_low=nan, binds=None) if c.state is CellState.RUNS else c for c in cells]
    return CeilingColumn(cells, _restless_to(cells))


def _restless_to(cells: list[CeilingCell]) -> float:
    """Return up to which load cycles vary more than in normal running: between two cells, straight in the logarithm of the variation."""
    restless = [k for k, c in enumerate(cells) if not c.variation <= NORMAL_RUNNING]
    if not restless:
        return math.nan
    here = cells[restless[-1]]
    if restless[-1] + 1 == len(cells) or not math.isfinite(here.variation):
        return here.pressure
    above = cells[restless[-1] + 1]
    share = math.log(here.variation / NORMAL_RUNNING) / math.log(here.variation / above.variation)
    return here.pressure + share * (above.pressure - here.pressure)


def asked_of(cell: CeilingCell) -> tuple[float, Binds | None]:
    """Return the least that the zone's limits ask for [crank deg], best torque and knock of the mean cycle apart, and which one; NaN without any."""
    asked = {binds: float(getattr(cell, name)) for binds, name in ASKED_BY.items()}
    said = {binds: spark for binds, spark in asked.items() if not math.isnan(spark)}
    if not said:
        return math.nan, None
    least = min(said, key=lambda binds: said[binds])
    return said[least], least


def ceiling_under(ask: float, own: float, floor: float) -> tuple[float, bool]:
    """Return the ceiling [crank deg] that a limit makes, and whether spark alone cures the cell.

    Parameters
    ----------
    ask : float
        What the limit asks for [crank deg before top dead centre].
    own : float
        The least of best torque and knock [crank deg].
    floor : float
        The latest useful spark [crank deg].

    Examples
    --------
    >>> ceiling_under(24.0, 40.0, 20.0), ceiling_under(24.0, 40.0, 30.0), ceiling_under(24.0, 28.0, 30.0), ceiling_under(39.0, 40.0, 20.0)[0]
    ((24.0, True), (30.0, False), (28.0, False), nan)
    """
    if not ask <= own - BINDS_BELOW:
        return math.nan, True
    # Knock stands above the floor: a burn that is late is not mended by one that detonates.
    return (ask, True) if ask >= floor else (min(floor, own), False)


def _with_ceiling(cell: CeilingCell) -> CeilingCell:
    if cell.state is CellState.NO_TORQUE:
        return cell
    asked, binds = asked_of(cell)
    low = float(np.fmin(asked, cell.misfire_low))
    ceiling, cured = ceiling_under(asked, cell.own, cell.floor)
    ceiling_low, _ = ceiling_under(low, cell.own, cell.floor)
    # The floor of an uncured cell is no range, and a ceiling that hardly binds bounds its own low end.
    ceiling_low = float(np.fmin(ceiling_low, ceiling))
    if math.isnan(ceiling):
        binds = None
    elif not cured:
        binds = Binds.LATEST_USEFUL
    limits = float(np.fmin(cell.own, asked)), float(np.fmin(cell.own, low))
    return cell._replace(limit=limits[0], limit_low=limits[1], ceiling=ceiling, ceiling_low=ceiling_low, binds=binds)


def _cell(engine: EngineModel, speed: float, pressure: float, *, cautious: bool) -> CeilingCell:
    """Return one cell with what each limit asks for; without torque where, on some spark asked about, no cycle repeats itself."""
    try:
        return _settling_cell(engine, speed, pressure, cautious=cautious)
    except NoSolutionError:  # a charge on the brink, or, with throttles of their own, cylinders that never see so little pressure
        nan = math.nan
        still = LoadSwing(nan, nan)
        return CeilingCell(speed, pressure, *(nan,) * 7, still, *(nan,) * 11, None, CellState.NO_TORQUE, (nan,) * OFFSETS.size)


def _settling_cell(engine: EngineModel, speed: float, pressure: float, *, cautious: bool) -> CeilingCell:
    nan = math.nan
    still = LoadSwing(nan, nan)
    dead = (None, CellState.NO_TORQUE, (nan,) * OFFSETS.size)
    best = engine.best_spark(speed, pressure)
    spread = work_spread(engine, speed, pressure, best)
    state = spread.mean
    if not state.runs or state.gross <= 0.0:
        return CeilingCell(speed, pressure, state.air, state.burned_fraction, spread.variation, spread.missed, best, nan, nan, still, *(nan,) * 11, *dead)
    torque = engine.torque_curve(speed, pressure, best + OFFSETS)
    torque = torque / torque[OFFSETS == 0.0]
    knock = engine.knock_spark(speed, pressure)
    own = float(np.fmin(best, knock))
    swing = _swing(engine, spread, own)
    light = pressure if swing.lighter < STILL else pressure * (1.0 - swing.lighter)
    misfire = _first_misses(engine, speed, light, own)
    fuller_best, fuller_knock = _fullest(engine, speed, pressure, swing)
    return CeilingCell(
        speed=speed,
        pressure=pressure,
        air=state.air,
        burned_fraction=state.burned_fraction,
        variation=spread.variation,
        missed=spread.missed,
        best=best,
        half_burned=state.half_burned,
        curvature=_curvature(torque),
        swing=swing,
        misfire=misfire,
        # More caution never gives more spark.
        misfire_low=float(np.fmin(_first_misses(engine, speed, light, own, cautious=True), misfire)) if cautious else misfire,
        counted=_counted(engine, spread),
        fuller_best=fuller_best,
        fuller_knock=fuller_knock,
        knock=knock,
        floor=latest_useful_spark(engine, state, best),
        limit=own,
        limit_low=own,
        ceiling=nan,
        ceiling_low=nan,
        binds=None,
        state=CellState.RUNS,
        torque=tuple(float(t) for t in torque),
    )


def _first_misses(engine: EngineModel, speed: float, pressure: float, below: float, *, cautious: bool = False) -> float:
    """Return the spark above which more than 1 % of cycles miss; NaN where no more miss at ``below``, which nothing passes anyway.

    The latest spark searched where the engine does not run there, or misses at every spark.
    """
    try:
        if work_spread(engine, speed, pressure, below, cautious=cautious).missed <= MOST_MISSED:
            return math.nan
        found = misfire_spark(engine, speed, pressure, cautious=cautious)
    except NoSolutionError:
        return LATEST
    return LATEST if math.isnan(found) else min(max(found, LATEST), below)


def _swing(engine: EngineModel, spread: Spread, own: float) -> LoadSwing:
    """Return the swing that the car makes under its ceiling, where few cycles miss: one that misses makes the next charge clean and full."""
    state = spread.mean
    calm = _first_misses(engine, state.speed, state.manifold_pressure, own) if spread.missed > MOST_MISSED else math.nan
    if calm > LATEST:
        with contextlib.suppress(NoSolutionError):  # where no cycle repeats itself those at best torque stand for it
            spread = work_spread(engine, state.speed, state.manifold_pressure, calm)
    return load_swing(engine, spread)


def _counted(engine: EngineModel, spread: Spread) -> float:
    """Return best torque with missed cycles counted [crank deg]; NaN where next to none miss, or where no cycle repeats itself."""
    if spread.missed <= MOST_MISSED:
        return math.nan
    try:
        return best_counted(engine, spread.mean.speed, spread.mean.manifold_pressure)
    except NoSolutionError:
        return math.nan


def _fullest(engine: EngineModel, speed: float, pressure: float, swing: LoadSwing) -> tuple[float, float]:
    """Return best torque and knock of the fullest charge of a swing [crank deg]; NaN where it holds still or does not knock.

    What the manifold's swing adds is pressure; what a cylinder's own scatter adds is fresh charge in place of residual, which burns faster.
    """
    if swing.fuller < STILL:
        return math.nan, math.nan
    full = min(pressure * (1.0 + swing.fuller_by_pressure), barometer(engine))
    clean = 1.0 - (1.0 - engine.state(speed, full, FIRST_GUESS).burned_fraction) * (1.0 + swing.fuller_by_charge)
    residual = max(clean, 0.0) if swing.fuller_by_charge > 0.0 else None
    knock = engine.knock_spark(speed, full, burned_fraction=residual)
    return engine.best_spark(speed, full, burned_fraction=residual), knock if math.isfinite(knock) else math.nan


def _curvature(torque: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
    """Return k of ``torque = 1 - k offset^2`` [1/deg^2], fitted within 10 degrees of best torque."""
    square = OFFSETS[NEAR] ** 2
    return float(np.sum((1.0 - torque[NEAR]) * square) / np.sum(square * square))

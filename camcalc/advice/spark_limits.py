"""What limits spark in one cell: steadiness, the cleanest state that the swing visits, best torque, knock; and the floor under all."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from ..burn.cycle_map import ChargeSpread, burned_fraction_spread
from ..codes import Code
from ..cycle.operating import EngineModel, OperatingState, barometer, pressure_for_net_imep
from ..cycle.work_variation import dilution_noise, work_spread
from ..errors import NoSolutionError
from .equal_torque import LevelOfSpark, SteadyLimit, road_line, road_net_imep, steady_limit
from .idle import IDLE_REACH
from .late_burn import latest_useful_spark

__all__ = ["CLEANEST", "OFFSETS", "Binds", "CeilingCell", "CeilingColumn", "CellState", "RoadLoad", "Swing", "ceiling_column", "road_loads"]

# A limit binds when it asks for at least this much less than best torque or knock; ESTIMATE, twice a common table increment.
BINDS_BELOW = 2.0
# Above this variation the charge is unsteady: 2 to 5 % is normal running (Heywood 1988, section 9.4, from memory).
NORMAL_RUNNING = 0.05
# Road loads are followed where the lightest of them varies more than this share of the stability limit; below, no line passes it.
WORTH_A_LINE = 0.9
# The edge of the restless region is sought down in steps to this share of the load, and found within so much [Pa].
LIGHTER, EDGE_WITHIN = 0.85, 200.0
# Swings wider than this share of the load are not followed; ESTIMATE.
WIDEST_SWING = 0.5
# Burned fractions, over the cell's own, at which the completeness of the burn is asked.
DILUTIONS = np.array([0.4, 0.7, 1.0, 1.15, 1.3, 1.5])
# Sparks against best torque [crank deg] of a cell's torque curve; the middle five give its curvature.
OFFSETS = np.array([-20.0, -15.0, -10.0, -5.0, 0.0, 5.0, 10.0])
NEAR = slice(2, 7)


class Binds(Code):
    """Which limit a spark ceiling rests on."""

    STEADINESS = "a later spark at equal torque is steady"
    STRONG_CYCLE = "MBT spark of the strong cycle that follows a weak one"
    FULLEST_CHARGE = "MBT spark of the fullest charge of the load swing"
    KNOCK_OF_FULLEST = "knock limit of the fullest charge of the load swing"
    LATEST_USEFUL = "spark alone cannot fix this cell; the latest useful spark is shown, and a limit asks for less"


# Which of them speak of the swing.
CLEANEST = (Binds.STRONG_CYCLE, Binds.FULLEST_CHARGE, Binds.KNOCK_OF_FULLEST)


class CellState(Code):
    """What may be asked of a cell."""

    RUNS = "the engine runs here"
    AT_IDLE = "the idle spark counts here, within 300 rpm of idle speed"
    NO_TORQUE = "no torque here; raise speed or load, or take a lower gear"


class RoadLoad(NamedTuple):
    """A gear's road load at one speed: what it needs at best torque, what limits its spark; pressures Pa, load a net IMEP [Pa]."""

    gear: int
    net: float
    pressure: float
    swing: float
    limit: SteadyLimit


class Swing(NamedTuple):
    """The states that an unsteady charge visits: half width over the load, and the least spark [crank deg] that all of them stand.

    ``strong`` is best torque of the strong cycle after a weak one, ``fuller`` the least of best torque and knock one swing up, and
    ``knocks`` says whether that is knock.
    """

    pressure: float
    half_width: float
    strong: float
    fuller: float
    knocks: bool = False

    @property
    def asked(self) -> float:
        """The least of both [crank deg before top dead centre]."""
        return min(self.strong, self.fuller)

    @property
    def binds(self) -> Binds:
        """Which of its states asks for that."""
        return Binds.STRONG_CYCLE if self.strong < self.fuller else Binds.KNOCK_OF_FULLEST if self.knocks else Binds.FULLEST_CHARGE

    def visits(self, pressure: float) -> bool:
        """Whether it reaches a pressure [Pa]."""
        return abs(pressure / self.pressure - 1.0) <= self.half_width + 1e-9


class CeilingCell(NamedTuple):
    """One cell: speed rev/s, pressure Pa, angles crank deg before top dead centre; NaN where a limit says nothing.

    ``limit`` is the least of the limits that apply, everywhere; ``ceiling`` is that in the zone, never under the floor.
    ``steady_net`` and ``steady_pressure`` are torque and load where steadiness was computed. ``cleanest`` is what the swings
    that visit the cell ask for, ``strong`` and ``fuller`` those of its own swing. ``binds`` is what a ceiling rests on, None without one;
    ``level`` what the level of spark does to steadiness on the road loads that reach up to the cell, None where none was followed.
    """

    speed: float
    pressure: float
    air: float
    burned_fraction: float
    variation: float
    best: float
    half_burned: float
    curvature: float
    swing: float
    steadiness: float
    steady_net: float
    steady_pressure: float
    strong: float
    fuller: float
    cleanest: float
    knock: float
    floor: float
    limit: float
    ceiling: float
    binds: Binds | None
    state: CellState
    level: LevelOfSpark | None
    torque: tuple[float, ...]
    fuller_knocks: bool = False

    @property
    def own_swing(self) -> Swing:
        """The swing about the cell's own load; not-a-number in it where its charge holds still."""
        return Swing(self.pressure, self.swing, self.strong, self.fuller, self.fuller_knocks)


class CeilingColumn(NamedTuple):
    """The cells of one speed, and the load up to which the charge is unsteady there [Pa]; NaN if it is steady at every load that counts."""

    cells: list[CeilingCell]
    restless_to: float


def road_loads(engine: EngineModel, speed: float) -> list[RoadLoad]:
    """Return the road loads of the gears to be kept smooth, at a speed [rev/s]; gears that the engine cannot hold are left out."""
    found = []
    for gear in engine.build.vehicle.smooth_gears:
        road = road_line(engine, speed, gear)
        if road is not None:
            net, line = road
            found.append(RoadLoad(gear, net, line[0].pressure, half_swing(engine, line[0].state, line[0].variation), steady_limit(engine, speed, net, line)))
    return found


def least_road_pressure(engine: EngineModel, speed: float, *, near: float) -> float:
    """Return the least manifold pressure [Pa] that a gear to be kept smooth needs on the level road at best torque; 0 if none can be held."""
    vehicle = engine.build.vehicle
    for gear in vehicle.smooth_gears:  # the shortest that can be held: taller ones need more
        try:
            return pressure_for_net_imep(engine, speed, road_net_imep(engine, speed, vehicle.gear_ratios[gear - 1]), None, near=near)
        except NoSolutionError:
            continue
    return 0.0


def half_swing(engine: EngineModel, state: OperatingState, variation: float) -> float:
    """Return half the swing of load over the load: blow-back share plus variation of IMEP, times the sheet's factor."""
    share = state.blow_back / state.trapped
    return float(min(engine.build.limits.swing_factor * (share + min(variation, WIDEST_SWING)), WIDEST_SWING))


def ceiling_column(engine: EngineModel, speed: float, pressures: list[float]) -> CeilingColumn:
    """Return the cells of one speed, with ceilings in the zone.

    The charge is unsteady where it varies more than normal running does. Where the level road leads there in a
    gear to be kept smooth, the zone is that region and the cells that its swings visit; all of those get nearly the same
    spark, so none may have more than the cleanest state of the swing stands. The swing that asks for least starts at the
    edge of the region, where the load is greatest. Within 300 rpm of idle another rule holds.
    """
    cells = [_cell(engine, speed, p) for p in sorted(pressures)]
    if speed <= engine.build.idle.si.speed + IDLE_REACH:
        return CeilingColumn([c._replace(state=CellState.AT_IDLE) if c.state is CellState.RUNS else c for c in cells], math.nan)
    edge = _edge(engine, cells)
    road = least_road_pressure(engine, speed, near=edge.pressure) if edge is not None else math.inf
    if edge is None or edge.pressure < road:
        return CeilingColumn(cells, math.nan if edge is None else edge.pressure)
    if road > 0.0 and work_spread(engine, speed, road, engine.best_spark(speed, road)).variation > WORTH_A_LINE * engine.build.limits.stability:
        roads = road_loads(engine, speed)
        cells = [_with_steadiness(c, roads) for c in cells]
    swings = [edge] + [c.own_swing for c in cells if not math.isnan(c.strong)]
    return CeilingColumn([_with_ceiling(c, swings, engine.build.limits.stability) for c in cells], edge.pressure)


def _edge(engine: EngineModel, cells: list[CeilingCell]) -> Swing | None:
    """Return the swing at the greatest load whose charge is unsteady; None if no swing from there reaches the cells."""
    from scipy.optimize import brentq

    speed, top = cells[0].speed, barometer(engine)

    def excess(pressure: float) -> float:
        try:
            variation = work_spread(engine, speed, pressure, engine.best_spark(speed, pressure)).variation
        except NoSolutionError:
            variation = math.inf
        # Dead cycles count as the most restless.
        return math.log(min(variation, 10.0) / NORMAL_RUNNING)

    restless = [k for k, c in enumerate(cells) if not c.variation <= NORMAL_RUNNING]
    if restless:
        low = cells[restless[-1]].pressure
        high = cells[restless[-1] + 1].pressure if restless[-1] + 1 < len(cells) else top
        if high == top and excess(top) > 0.0:
            low = high
    else:
        high, low = cells[0].pressure, LIGHTER * cells[0].pressure
        while excess(low) < 0.0:
            high, low = low, LIGHTER * low
            if low * (1.0 + WIDEST_SWING) < cells[0].pressure:
                return None
    edge = low if low >= high else float(brentq(excess, low, high, xtol=EDGE_WITHIN))
    try:
        spread = work_spread(engine, speed, edge, engine.best_spark(speed, edge))
    except NoSolutionError:  # the edge of what a throttle gives: the state just above it
        edge = min(edge + 2.0 * EDGE_WITHIN, high)
        spread = work_spread(engine, speed, edge, engine.best_spark(speed, edge))
    return _swing(engine, spread.mean, spread.variation)


def _swing(engine: EngineModel, state: OperatingState, variation: float) -> Swing:
    width = half_swing(engine, state, variation)
    full = min(state.manifold_pressure * (1.0 + width), barometer(engine))
    # The fuller cell must stand the spark too: the least of its best torque and its knock.
    best, knock = engine.best_spark(state.speed, full), engine.knock_spark(state.speed, full)
    return Swing(state.manifold_pressure, width, _strong_cycle(engine, state), float(np.fmin(best, knock)), knock < best)


def _with_ceiling(cell: CeilingCell, swings: list[Swing], stability: float) -> CeilingCell:
    visiting = [s for s in swings if s.visits(cell.pressure)]
    if not visiting:
        return cell._replace(level=None)
    decides = min(visiting, key=lambda s: s.asked)
    cleanest = decides.asked
    own_limit = float(np.fmin(cell.best, cell.knock))
    asked = float(np.fmin(cell.steadiness, cleanest))
    rough = cell.level in (LevelOfSpark.FLATTEN, LevelOfSpark.NOT_CURED) and stability < cell.variation < math.inf
    cell = cell._replace(cleanest=cleanest, limit=min(own_limit, asked))
    if cell.state is CellState.NO_TORQUE or not (asked <= own_limit - BINDS_BELOW or (rough and asked <= own_limit)):
        return cell
    binds = Binds.STEADINESS if asked == cell.steadiness else decides.binds
    ceiling = asked
    if asked < cell.floor:
        # Knock stands above the floor: a burn that is late is not mended by one that detonates.
        ceiling, binds = min(cell.floor, own_limit), Binds.LATEST_USEFUL
    return cell._replace(ceiling=ceiling, binds=binds)


def _cell(engine: EngineModel, speed: float, pressure: float) -> CeilingCell:
    """Return one cell's own limits, steadiness apart."""
    nan = math.nan
    try:
        best = engine.best_spark(speed, pressure)
        spread = work_spread(engine, speed, pressure, best)
    except NoSolutionError:  # with throttles of their own some cylinders never see so little pressure
        return CeilingCell(speed, pressure, nan, nan, nan, *(nan,) * 14, None, CellState.NO_TORQUE, None, (nan,) * OFFSETS.size)
    state, variation = spread.mean, spread.variation
    if not state.runs or state.gross <= 0.0:
        dead = (None, CellState.NO_TORQUE, None, (nan,) * OFFSETS.size)
        return CeilingCell(speed, pressure, state.air, state.burned_fraction, variation, best, *(nan,) * 13, *dead)
    torque = engine.torque_curve(speed, pressure, best + OFFSETS)
    torque = torque / torque[OFFSETS == 0.0]
    restless = variation > NORMAL_RUNNING
    swing = _swing(engine, state, variation) if restless else Swing(pressure, half_swing(engine, state, variation), nan, nan)
    knock = engine.knock_spark(speed, pressure)
    return CeilingCell(
        speed=speed,
        pressure=pressure,
        air=state.air,
        burned_fraction=state.burned_fraction,
        variation=variation,
        best=best,
        half_burned=state.half_burned,
        curvature=_curvature(torque),
        swing=swing.half_width,
        steadiness=nan,
        steady_net=nan,
        steady_pressure=nan,
        strong=swing.strong,
        fuller=swing.fuller,
        cleanest=nan,
        knock=knock,
        floor=latest_useful_spark(engine, state, best),
        limit=float(np.fmin(best, knock)),
        ceiling=nan,
        binds=None,
        state=CellState.RUNS,
        level=None,
        torque=tuple(float(t) for t in torque),
        fuller_knocks=swing.knocks,
    )


def _with_steadiness(cell: CeilingCell, roads: list[RoadLoad]) -> CeilingCell:
    """Return the cell with the least steady limit over the gears whose road load reaches up to it.

    A lookup on a gear's road load swings about it, and lighter loads than the road's are still less steady: the limit holds
    from the top of the swing down.
    """
    if cell.state is CellState.NO_TORQUE:
        return cell
    least = (math.nan, math.nan, math.nan)
    undecided: LevelOfSpark | None = None
    decided: LevelOfSpark | None = None
    for road in roads:
        top = road.pressure if math.isnan(road.limit.pressure) else road.limit.pressure
        if cell.pressure > top * (1.0 + road.swing):
            continue
        if math.isnan(road.limit.spark):
            undecided = road.limit.level if undecided in (None, LevelOfSpark.STEADY) else undecided
        elif not road.limit.spark >= least[0]:
            least, decided = (road.limit.spark, road.net, road.limit.pressure), road.limit.level
    limit = float(np.fmin(cell.limit, least[0]))
    level = undecided if math.isnan(least[0]) else decided
    return cell._replace(steadiness=least[0], steady_net=least[1], steady_pressure=least[2], limit=limit, level=level)


def charge_spread(engine: EngineModel, state: OperatingState) -> ChargeSpread:
    """Return how the charge of a cell spreads from cycle to cycle: noise, and what incomplete burns leave to the next."""
    x = state.burned_fraction
    fractions = np.minimum(DILUTIONS * x, 0.95)
    burnt = np.array([engine.state(state.speed, state.manifold_pressure, state.spark, burned_fraction=float(f)).completeness for f in fractions])
    return burned_fraction_spread(x, fractions, burnt, noise=dilution_noise(engine), percentile=engine.build.limits.cleanest_percentile)


def _strong_cycle(engine: EngineModel, state: OperatingState) -> float:
    """Return best torque for the cleanest cycle that noise and incomplete burns leave at the sheet's percentile."""
    spread = charge_spread(engine, state)
    return engine.best_spark(state.speed, state.manifold_pressure, burned_fraction=max(spread.cleanest, 0.0))


def _curvature(torque: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
    """Return k of ``torque = 1 - k offset^2`` [1/deg^2], fitted within 10 degrees of best torque."""
    square = OFFSETS[NEAR] ** 2
    return float(np.sum((1.0 - torque[NEAR]) * square) / np.sum(square * square))

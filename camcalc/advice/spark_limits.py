"""What limits spark in one cell: steadiness, the cleanest state that the swing visits, best torque, knock; and the floor under all."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from ..burn.cycle_map import burned_fraction_spread
from ..burn.stability import dilution_noise, work_spread
from ..cycle.operating import EngineModel, OperatingState, barometer
from .equal_torque import SteadyLimit, road_line, steady_limit

__all__ = ["LIMITS", "OFFSETS", "CeilingCell", "RoadLoad", "ceiling_cell", "road_loads"]

# A limit binds when it asks for at least this much less than best torque or knock; ESTIMATE, twice a common table increment.
BINDS_BELOW = 2.0
# Swings wider than this share of the load are not followed; ESTIMATE.
WIDEST_SWING = 0.5
LIMITS = {
    "steadiness": "steadiness at equal torque",
    "cleanest": "cleanest state in the swing",
    "best": "best torque of the mean cycle",
    "knock": "knock",
    "floor": "not cured by spark: a limit asks for less than the late-burn floor, which stands",
}
NO_TORQUE = "no torque here: raise speed, load or gear"
# Burned fractions, over the cell's own, at which the completeness of the burn is asked.
DILUTIONS = np.array([0.4, 0.7, 1.0, 1.15, 1.3, 1.5])
# Sparks against best torque [crank deg] of a cell's torque curve; the middle five give its curvature.
OFFSETS = np.array([-20.0, -15.0, -10.0, -5.0, 0.0, 5.0, 10.0])
NEAR = slice(2, 7)


class RoadLoad(NamedTuple):
    """A gear's road load at one speed: what it needs at best torque, what limits its spark; pressures Pa, load a net IMEP [Pa]."""

    gear: int
    net: float
    pressure: float
    swing: float
    limit: SteadyLimit


class CeilingCell(NamedTuple):
    """One cell: speed rev/s, pressure Pa, angles crank deg before top dead centre.

    ``limit`` is the least of all limits, everywhere; ``ceiling`` is NaN outside the zone. NaN stands for a limit that does
    not bind at all. ``steady_net`` and ``steady_pressure`` are torque and load where steadiness was computed.
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
    knock: float
    floor: float
    limit: float
    ceiling: float
    binds: str
    remark: str
    torque: tuple[float, ...]


def road_loads(model: EngineModel, speed: float) -> list[RoadLoad]:
    """Return the road loads of the gears to be kept smooth, at a speed [rev/s]; gears that the engine cannot hold are left out."""
    found = []
    for gear in model.build.vehicle.smooth_gears:
        road = road_line(model, speed, gear)
        if road is not None:
            net, line = road
            found.append(RoadLoad(gear, net, line[0].pressure, swing_of(model, line[0].state, line[0].variation), steady_limit(model, speed, net, line)))
    return found


def swing_of(model: EngineModel, state: OperatingState, variation: float) -> float:
    """Return half the swing of load over the load: blow-back share plus variation of IMEP, times the sheet's factor."""
    share = state.blow_back / max(state.trapped, 1e-12)
    return float(min(model.build.limits.swing_factor * (share + min(variation, WIDEST_SWING)), WIDEST_SWING))


def ceiling_cell(model: EngineModel, speed: float, pressure: float, roads: list[RoadLoad]) -> CeilingCell:
    """Return one cell's limits and the ceiling they leave; ``roads`` are the road loads at its speed."""
    nan = math.nan
    best = model.best_spark(speed, pressure)
    spread = work_spread(model, speed, pressure, best)
    state, variation = spread.mean, spread.variation
    if not math.isfinite(variation):
        return CeilingCell(speed, pressure, state.air, state.burned_fraction, variation, best, *(nan,) * 12, "", NO_TORQUE, (nan,) * OFFSETS.size)
    torque = model.torque_curve(speed, pressure, best + OFFSETS)
    torque = torque / torque[OFFSETS == 0.0]
    swing = swing_of(model, state, variation)
    steady, net, at, remark = _steadiness(pressure, roads)
    strong = _strong_cycle(model, state, best)
    fuller = model.best_spark(speed, min(pressure * (1.0 + swing), barometer(model)))
    knock = model.knock_spark(speed, pressure)
    floor = _floor(model, state, best)
    limits = {"best": best, "knock": knock, "cleanest": min(strong, fuller), "steadiness": steady}
    limits = {name: value for name, value in limits.items() if not math.isnan(value)}
    binds = min(limits, key=lambda name: limits[name])
    safe = min(best, limits.get("knock", math.inf))
    uneven = bool(remark) and variation > model.build.limits.stability
    ceiling, least = nan, limits[binds]
    if binds in ("cleanest", "steadiness") and (least <= safe - BINDS_BELOW or uneven):
        ceiling = least
        if least < floor:
            # Knock stands above the floor: a burn that is late is not mended by one that detonates.
            ceiling, binds = min(floor, safe), "floor"
    in_zone = math.isfinite(ceiling)
    return CeilingCell(
        speed,
        pressure,
        state.air,
        state.burned_fraction,
        variation,
        best,
        state.half_burned,
        _curvature(torque),
        swing,
        steady,
        net,
        at,
        strong,
        fuller,
        knock,
        floor,
        least,
        ceiling,
        LIMITS[binds] if in_zone else "",
        remark if in_zone else "",
        tuple(float(t) for t in torque),
    )


def _steadiness(pressure: float, roads: list[RoadLoad]) -> tuple[float, float, float, str]:
    """Return the least steady limit over the gears whose road load reaches up to this load, with its torque, load and remark.

    A lookup on a gear's road load swings about it, and lighter loads than the road's are still less steady: the limit holds
    from the top of the swing down.
    """
    least, remark = (math.nan, math.nan, math.nan), ""
    for road in roads:
        top = road.pressure if math.isnan(road.limit.pressure) else road.limit.pressure
        if pressure > top * (1.0 + road.swing):
            continue
        remark = remark or road.limit.remark
        if not math.isnan(road.limit.spark) and not road.limit.spark >= least[0]:
            least, remark = (road.limit.spark, road.net, road.limit.pressure), road.limit.remark
    return *least, remark


def _strong_cycle(model: EngineModel, state: OperatingState, best: float) -> float:
    """Return best torque for the cleanest cycle that noise and incomplete burns leave at the sheet's percentile."""
    x = state.burned_fraction
    fractions = np.minimum(DILUTIONS * x, 0.95)
    burnt = np.array([model.state(state.speed, state.manifold_pressure, best, burned_fraction=float(f)).completeness for f in fractions])
    spread = burned_fraction_spread(x, fractions, burnt, noise=dilution_noise(model), percentile=model.build.limits.cleanest_percentile)
    return model.best_spark(state.speed, state.manifold_pressure, burned_fraction=max(spread.cleanest, 0.0))


def _floor(model: EngineModel, state: OperatingState, best: float) -> float:
    """Return the least spark whose burn is not too late and whose exhaust is not too hot; best torque if even that is not enough."""
    limits = model.build.limits.si

    def spare(spark: float) -> float:
        now = state if spark == best else model.state(state.speed, state.manifold_pressure, spark)
        # A degree of retard warms the exhaust by some 5 K: the two conditions in one currency.
        return float(min(limits.latest_half_burned - now.half_burned, (limits.hottest_exhaust - now.exhaust_temperature) / 5.0))

    high, room = best, spare(best)
    if room <= 0.0:
        return best
    low = best - room
    for _ in range(4):
        left = spare(low)
        if abs(left) < 0.5:
            return low - left
        if left > 0.0:
            high, room, low = low, left, low - left
        else:
            low, high = high - (high - low) * room / (room - left), high
    return low


def _curvature(torque: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
    """Return k of ``torque = 1 - k offset^2`` [1/deg^2], fitted within 10 degrees of best torque."""
    square = OFFSETS[NEAR] ** 2
    return float(np.sum((1.0 - torque[NEAR]) * square) / np.sum(square * square))

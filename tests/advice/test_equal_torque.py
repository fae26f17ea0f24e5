"""The line of equal torque."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from camcalc.advice.equal_torque import (
    MOST_RETARD,
    SECANT_POINTS,
    cycles_holding,
    equal_torque_line,
    pressure_at_equal_torque,
    road_net_imep,
)
from camcalc.advice.spark_limits import ceiling_column
from camcalc.cycle.models import MODELS
from camcalc.cycle.resolved import ResolvedEngine
from camcalc.cycle.work_variation import work_spread
from camcalc.errors import NoSolutionError
from camcalc.vehicle.road_load import engine_torque_on_road

Make = Callable[..., Any]
AMBIENT, BEST, PUMPING = 101325.0, 40.0, 5e4


class Parabola:
    """An engine whose net IMEP is straight in pressure and a parabola in spark."""

    def __init__(self, build: Any, stability: float = 0.10) -> None:
        self.build = build.replace(limits=build.limits.replace(stability=stability), site=build.site.replace(altitude="0 m"))

    def state(self, speed: float, pressure: float, spark: float, **other: Any) -> Any:
        net = (12.0 * pressure - 1.5e5) * (1.0 - 3e-4 * (spark - BEST) ** 2)
        return SimpleNamespace(net=net, gross=net + PUMPING)


class Leaping(Parabola):
    """The same engine with one leap in torque [Pa], upward at a pressure; every call is counted."""

    def __init__(self, build: Any, leap: float, at: float) -> None:
        super().__init__(build)
        self.leap, self.at, self.asked = leap, at, 0

    def state(self, speed: float, pressure: float, spark: float, **other: Any) -> Any:
        self.asked += 1
        smooth = super().state(speed, pressure, spark)
        by = 0.5 * math.copysign(self.leap, pressure - self.at)
        return SimpleNamespace(net=smooth.net + by, gross=smooth.gross + by)


def pressure_of(net: float, spark: float = BEST) -> float:
    """The pressure at which the parabola makes a net IMEP."""
    return (net / (1.0 - 3e-4 * (spark - BEST) ** 2) + 1.5e5) / 12.0


@pytest.fixture(scope="module")
def parabola(build_of: Make) -> Any:
    return Parabola(build_of("quarry-road"))


# The pressure that holds a torque.


@given(net=st.floats(1e5, 8e5), spark=st.floats(10.0, 55.0), start=st.floats(25e3, 101e3))
def test_the_pressure_found_gives_the_torque_asked_for(build_of: Make, net: float, spark: float, start: float) -> None:
    model: Any = Parabola(build_of("quarry-road"))
    exact = pressure_of(net, spark)
    found = pressure_at_equal_torque(model, 25.0, net, spark, start=start)
    if exact > AMBIENT + 50.0:
        assert found is None
    elif exact < AMBIENT - 50.0:
        assert found is not None
    if found is not None:
        assert model.state(25.0, found, spark).net == pytest.approx(net, rel=1e-3)


@given(net=st.floats(1e5, 8e5), away=st.floats(-4e3, 4e3))
def test_a_smooth_torque_needs_no_more_points_than_a_secant(build_of: Make, net: float, away: float) -> None:
    model: Any = Leaping(build_of("quarry-road"), 0.0, 0.0)
    assert pressure_at_equal_torque(model, 25.0, net, BEST, start=pressure_of(net) + away) is not None
    assert model.asked <= SECANT_POINTS


@pytest.mark.parametrize("away", [-9e3, -500.0, 500.0, 9e3])
def test_the_leap_of_a_dying_cycle_is_no_torque_found(build_of: Make, away: float) -> None:
    at = pressure_of(1.2e5)
    model: Any = Leaping(build_of("quarry-road"), 8e4, at)
    assert pressure_at_equal_torque(model, 25.0, 1.2e5, BEST, start=at + away) is None
    assert model.asked < 60


# Lines of the resolved engine.


@pytest.mark.parametrize(("name", "rpm", "gear"), [("quarry-road", 1400.0, 3), ("dockside", 1400.0, 4), ("long-meadow", 1200.0, 3)])
def test_every_point_of_a_line_makes_the_torque_asked_for(build_of: Make, name: str, rpm: float, gear: int) -> None:
    model, speed = ResolvedEngine(build_of(name)), rpm / 60.0
    net = road_net_imep(model, speed, model.build.vehicle.gear_ratios[gear - 1])
    line = equal_torque_line(model, speed, net)
    assert len(line) >= 3
    twin = ResolvedEngine(build_of(name))  # remembers nothing that the line was found with
    for point in line:
        spread = work_spread(twin, speed, point.spread.mean.manifold_pressure, point.spark)
        assert spread.net == pytest.approx(net, rel=1e-3)
        assert point.spread == spread
    # Retard opens the throttle, and the charge grows cleaner.
    for early, late in itertools.pairwise(line):
        assert late.spark == early.spark - 4.0
        assert late.spread.mean.manifold_pressure > early.spread.mean.manifold_pressure
        assert late.spread.mean.burned_fraction < early.spread.mean.burned_fraction
        assert late.spread.mean.half_burned > early.spread.mean.half_burned


@pytest.mark.parametrize("gear", [3, 4])
def test_what_was_asked_before_does_not_move_a_line(build_of: Make, gear: int) -> None:
    warm, cold = (MODELS["resolved"](build_of("quarry-road")) for _ in range(2))
    speed = 1400.0 / 60.0
    ceiling_column(warm, speed, [35e3, 45e3, 55e3, 65e3, 75e3, 85e3, 95e3])
    net = road_net_imep(warm, speed, warm.build.vehicle.gear_ratios[gear - 1])
    line = equal_torque_line(warm, speed, net)
    assert line == equal_torque_line(cold, speed, net)
    assert line[-1].spread.mean.half_burned > warm.build.limits.si.latest_half_burned
    assert all(abs(p.spread.net - net) < 1e-3 * net for p in line)


def test_no_gear_is_lost_to_what_other_gears_left_remembered(build_of: Make, resolved_of: Make) -> None:
    model, speed = resolved_of("quarry-road"), 1800.0 / 60.0
    lines = [equal_torque_line(model, speed, road_net_imep(model, speed, ratio)) for ratio in model.build.vehicle.gear_ratios]
    latest = model.build.limits.si.latest_half_burned
    for line in lines:
        # Followed to the latest burn, or as far as any line is.
        assert line
        assert line[-1].spread.mean.half_burned > latest or line[-1].spark - 4.0 < line[0].spark - MOST_RETARD


def test_a_line_ends_at_the_latest_burn_that_the_sheet_allows(resolved_of: Make) -> None:
    model = resolved_of("dockside")
    net = road_net_imep(model, 1400.0 / 60.0, model.build.vehicle.gear_ratios[3])
    line = equal_torque_line(model, 1400.0 / 60.0, net)
    limits = model.build.limits.si
    late = [p.spread.mean.half_burned > limits.latest_half_burned or p.spread.mean.exhaust_temperature > limits.hottest_exhaust for p in line]
    assert late[-1]
    assert not any(late[:-1])


def test_below_the_misfire_limit_variation_is_flat_or_rises_with_retard(resolved_of: Make) -> None:
    """Scatter of phasing through the torque curve: Russ, Lavoie & Dai 1999 (abstract read). A point of COV is what the map's own draws leave."""
    model = resolved_of("quarry-road")
    line = equal_torque_line(model, 1400.0 / 60.0, road_net_imep(model, 1400.0 / 60.0, model.build.vehicle.gear_ratios[2]))
    alive = [p.spread for p in line if p.spread.missed == 0.0]
    assert len(alive) >= 3
    assert all(late.variation > early.variation - 0.01 for early, late in itertools.pairwise(alive))


def test_misses_grow_with_earlier_spark_at_equal_torque(resolved_of: Make) -> None:
    model, speed = resolved_of("quarry-road"), 1100.0 / 60.0
    net = road_net_imep(model, speed, model.build.vehicle.gear_ratios[2])
    line = equal_torque_line(model, speed, net)
    assert line[0].spread.missed > 0.0
    missed = [point.spread.missed for point in line]
    assert missed == sorted(missed, reverse=True)
    earlier = cycles_holding(model, speed, net, line[0].spark + 6.0)
    assert earlier is None or earlier.missed > missed[0]


def test_a_torque_out_of_reach_is_refused_with_the_most_there_is(resolved_of: Make) -> None:
    with pytest.raises(NoSolutionError, match="beyond reach") as told:
        equal_torque_line(resolved_of("dockside", old=True), 1400.0 / 60.0, 3e6)
    assert 5e5 < told.value.reachable < 3e6


def test_road_load_is_the_road_s_torque_and_the_engine_s_rubbing(resolved_of: Make, example: str) -> None:
    model = resolved_of(example)
    ratios = model.build.vehicle.gear_ratios
    low, high = (road_net_imep(model, 25.0, r) for r in (ratios[0], ratios[-1]))
    assert high > low
    # Rubbing drops out of the difference: 4 pi torque over displacement is left.
    torque = engine_torque_on_road(model.build, 25.0, ratios[-1]) - engine_torque_on_road(model.build, 25.0, ratios[0])
    assert high - low == pytest.approx(4.0 * math.pi * torque / model.geometry.displacement, rel=1e-9)

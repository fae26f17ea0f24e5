"""What one cell trades along the line of equal torque."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.figure import Figure

from camcalc.advice.equal_torque import equal_torque_line
from camcalc.advice.idle import load_terms
from camcalc.advice.trade_off import LineEnd, to_ceiling, trade_off
from camcalc.cycle.operating import barometer
from camcalc.cycle.work_variation import work_spread
from camcalc.errors import InputError, NoSolutionError
from camcalc.plot.trade_off import plot_trade_off

Make = Callable[..., Any]


@pytest.fixture(scope="module")
def strip(resolved_of: Make) -> Any:
    """A cell of the truck, whose best torque lies within the sparks searched."""
    return trade_off(resolved_of("long-meadow"), speed="1400 rpm", manifold_pressure="50 kPa", ceiling="24 crank_deg")


def test_retard_opens_the_throttle_cleans_the_charge_heats_the_exhaust_and_takes_fuel(strip: Any) -> None:
    si = strip.si
    late = si.spark <= si.best_spark - 3.0  # the top is flat: cycles settle within a few parts in ten thousand there
    assert late.sum() >= 5
    for rising in (si.manifold_pressure, si.fuel_flow, si.fuel_per_work, si.exhaust_temperature, si.half_burned, si.torque_per_degree):
        assert (np.diff(rising[late]) > 0.0).all()
    assert (np.diff(si.burned_fraction[late]) < 0.0).all()
    assert (np.diff(si.exhaust_temperature) > 0.0).all()


def test_best_torque_is_the_top_of_a_curve_and_torque_per_degree_changes_its_sign_there(strip: Any) -> None:
    si = strip.si
    assert si.spark[0] > si.best_spark > si.spark[-1]
    # Points are four degrees apart; the lowest is one of the two next to best torque.
    least = si.spark[int(np.argmin(si.manifold_pressure))]
    assert least == pytest.approx(si.best_spark, abs=4.0)
    assert si.torque_per_degree[0] < 0.0 < si.torque_per_degree[-1]
    nought = float(np.interp(0.0, si.torque_per_degree, si.spark))
    # Cycles repeat to two parts in ten thousand: on a top as flat as this, a degree or two.
    assert nought == pytest.approx(si.best_spark, abs=2.0)


def test_every_point_holds_the_torque(strip: Any, resolved_of: Make) -> None:
    model, si = resolved_of("long-meadow"), strip.si
    net = 4.0 * math.pi * si.torque / model.geometry.displacement + load_terms(model, si.speed, drive=False, accessories=False).friction
    for spark, pressure, burned in zip(si.spark, si.manifold_pressure, si.burned_fraction, strict=True):
        spread = work_spread(model, si.speed, float(pressure), float(spark))
        assert spread.net == pytest.approx(net, rel=2e-3)
        assert spread.mean.burned_fraction == pytest.approx(burned, rel=2e-3)
    assert (si.manifold_vacuum == barometer(model) - si.manifold_pressure).all()


def test_the_strip_is_the_line_of_equal_torque(engine_of: Make) -> None:
    model = engine_of("quarry-road")
    found = trade_off(model, speed="1400 rpm", torque="60 N m").si
    net = 4.0 * math.pi * 60.0 / model.geometry.displacement + load_terms(model, found.speed, drive=False, accessories=False).friction
    line = equal_torque_line(model, found.speed, net)
    own = found.spark <= found.best_spark + 1e-9
    assert found.spark[own].tolist() == [p.spark for p in line]
    assert found.manifold_pressure[own].tolist() == [p.spread.mean.manifold_pressure for p in line]
    for name, of in (("imep_variation", "variation"), ("missed", "missed"), ("partial", "partial")):
        assert getattr(found, name)[own].tolist() == [getattr(p.spread, of) for p in line]


def test_fuel_per_work_is_fuel_over_power_and_torque_per_degree_a_difference_of_torque(engine_of: Make) -> None:
    model = engine_of("dockside")
    found = trade_off(model, speed="1600 rpm", torque="40 N m").si
    power = 2.0 * math.pi * 1600.0 / 60.0 * 40.0
    assert found.fuel_per_work * power == pytest.approx(found.fuel_flow, rel=1e-12)
    k = len(found.spark) // 2
    late, early = (work_spread(model, found.speed, found.manifold_pressure[k], found.spark[k] + by).net for by in (-0.5, 0.5))
    slope = (early - late) / 1.0 * model.geometry.displacement / (4.0 * math.pi)
    assert found.torque_per_degree[k] == pytest.approx(slope, rel=0.05)


@settings(max_examples=8)
@given(rpm=st.sampled_from([1200.0, 1500.0, 1900.0, 2400.0]), torque=st.floats(20.0, 150.0))
def test_a_torque_asked_for_by_the_pressure_that_makes_it_gives_the_same_strip(engine_of: Make, rpm: float, torque: float) -> None:
    model = engine_of("quarry-road")
    first = trade_off(model, speed=f"{rpm} rpm", torque=f"{torque} N m")
    pressure = float(first.si.manifold_pressure[int(np.argmin(np.abs(first.si.spark - first.si.best_spark)))])
    again = trade_off(model, speed=f"{rpm} rpm", manifold_pressure=f"{pressure} Pa")
    assert again.si.torque == pytest.approx(torque, rel=5e-3)


def test_what_going_down_to_the_ceiling_does_is_read_off_the_strip(strip: Any) -> None:
    si = strip.si
    top = min(si.best_spark, si.knock_spark) if math.isfinite(si.knock_spark) else si.best_spark
    assert si.ceiling < top
    found = strip.to_ceiling.si
    fuel = np.interp([top, si.ceiling], si.spark[::-1], si.fuel_flow[::-1])
    assert (found.from_spark, found.to_spark) == (top, si.ceiling)
    assert found.fuel_change == pytest.approx(fuel[1] / fuel[0] - 1.0, rel=1e-9)
    assert found.torque_per_degree_to > found.torque_per_degree_from
    misses = np.interp([top, si.ceiling], si.spark[::-1], si.missed[::-1])
    assert found.missed_change == pytest.approx(misses[1] - misses[0], rel=1e-9)
    assert to_ceiling(strip.replace(ceiling=None)) is to_ceiling(strip.replace(ceiling=f"{top} crank_deg")) is None
    assert strip.ends in (LineEnd.LATEST_BURN, LineEnd.HOTTEST_EXHAUST)


def test_a_model_whose_exhaust_does_not_answer_to_spark_shows_none(engine_of: Make) -> None:
    found = trade_off(engine_of("quarry-road"), speed="1400 rpm", torque="60 N m")
    assert np.isnan(found.si.exhaust_temperature).all()
    assert math.isnan(found.si.knock_spark)
    assert len(plot_trade_off(found).child_axes) == 7


def test_what_cannot_be_asked_is_refused(engine_of: Make) -> None:
    model = engine_of("quarry-road")
    with pytest.raises(InputError, match="one of them"):
        trade_off(model, speed="1400 rpm")
    with pytest.raises(InputError, match="one of them"):
        trade_off(model, speed="1400 rpm", torque="60 N m", manifold_pressure="50 kPa")
    with pytest.raises(InputError, match="barometer"):
        trade_off(model, speed="1400 rpm", manifold_pressure="105 kPa")
    with pytest.raises(InputError, match="carry itself"):
        trade_off(model, speed="1400 rpm", manifold_pressure="15 kPa")
    with pytest.raises(NoSolutionError, match="beyond reach"):
        trade_off(model, speed="1400 rpm", torque="2900 N m")


def test_the_plot_stacks_its_strips_over_one_axis_and_marks_best_torque_and_ceiling(strip: Any) -> None:
    given_axes = Figure().add_subplot()
    ax = plot_trade_off(strip, ax=given_axes)
    assert ax is given_axes
    assert ax.get_xlabel().endswith("]")
    assert len(ax.child_axes) == 8
    assert all(s.get_ylabel().endswith("]") for s in ax.child_axes)
    assert {tuple(s.get_xlim()) for s in ax.child_axes} == {tuple(ax.get_xlim())}
    heights = [s.get_ylabel() for s in ax.child_axes]
    assert heights[0].startswith("vacuum")
    for upper, lower in itertools.pairwise(ax.child_axes):
        assert upper.get_position().y0 > lower.get_position().y0
    names = [text.get_text() for text in ax.get_legend().get_texts()]
    assert names == ["MBT", "ceiling", "past the sheet's limit"]
    vacuum = ax.child_axes[0].get_lines()[0]
    crossed = [line for line in ax.child_axes[0].get_lines() if line.get_marker() in ("x", "+")]
    assert [len(line.get_xdata()) for line in crossed] == [0, 1]
    assert vacuum.get_ydata() == pytest.approx(strip.manifold_vacuum.magnitude)


def test_it_goes_to_json_with_its_units(strip: Any) -> None:
    data = strip.to_dict()
    assert data["torque_per_degree"]["unit"] == "N*m/crank_deg"
    assert len(data["spark"]["value"]) == len(data["exhaust_temperature"]["value"])
    assert data["knock_spark"]["value"] is None

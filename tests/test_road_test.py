"""A short test that settles the inputs that matter most."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from camcalc import QuickEngine, describe
from camcalc.advice.bands import TOLERANCES, HeadlineBands
from camcalc.advice.headlines import headline_gear
from camcalc.advice.idle import idle_state
from camcalc.cycle.models import MODELS
from camcalc.cycle.operating import Tolerances, barometer
from camcalc.logs.columns import CHANNELS
from camcalc.marks import Mark
from camcalc.road_test import Basis, Ground, NotTestedBecause, ReadingKind, Settling, plan_road_test, readings
from camcalc.road_test.plan import _Table, _why_not, most_important
from camcalc.road_test.readings import COAST, CYCLE_MEANS, MOTORED, READINGS, SHUT, place_of, readings_of
from camcalc.vehicle.road_load import DRIVELINE_EFFICIENCY, resistance, road_speed
from camcalc.words.road_test import DIRECT, DO, basis_words, do_words, input_words, not_tested_words, road_test_words, settling_words, where_words

Make = Callable[..., Any]


def sure_of(*names: str) -> HeadlineBands:
    """Bands in which these inputs matter most, in this order."""
    return HeadlineBands(nominal={}, bands={}, no_answer={}, matters={"vacuum": tuple(TOLERANCES[n][1] for n in names)}, samples=16)


@pytest.fixture(scope="module")
def plan(build_of: Make) -> Any:
    return plan_road_test(build_of("quarry-road"), sure_of("overlap", "friction", "residual_scatter"), engine_of=QuickEngine)


def test_means_over_a_cycle_change_by_two_thirds_of_the_variance_of_a_random_walk() -> None:
    rng = np.random.default_rng(7)
    steps, cycles = 64, 20000
    walk = np.cumsum(rng.normal(size=steps * cycles)).reshape(cycles, steps)
    ratio = np.std(np.diff(walk.mean(axis=1))) / np.std(np.diff(walk[:, 0]))
    assert ratio == pytest.approx(CYCLE_MEANS, rel=0.02)


def test_ten_minutes_standing_first_cautions_before_all(plan: Any) -> None:
    assert 60.0 < plan.seconds <= 600.0
    places = [s.place for s in plan.steps]
    assert places == sorted(places, key=lambda p: p is Ground.ROAD)
    assert [s.step for s in plan.steps] == list(range(1, len(plan.steps) + 1))
    assert list(plan.to_dict()).index("cautions") < list(plan.to_dict()).index("steps")
    for text in (str(plan), describe(plan)):
        assert text.index("closed course") < text.index("1. ")
    for word in ("closed course", "second person", "brakes"):
        assert any(word in c for c in plan.cautions)


def test_no_plan_of_three_can_take_longer_than_ten_minutes() -> None:
    longest = sorted((r.seconds + (0.0 if r.ground is Ground.STANDING else 45.0) for r in READINGS), reverse=True)[:3]
    assert sum(longest) <= 600.0


def test_the_inputs_named_by_the_bands_are_the_ones_tested(plan: Any) -> None:
    assert {s.input for s in plan.steps} == {"overlap", "friction", "residual_scatter"}
    assert all(input_words(n)[1:] in describe(plan) for n in ("overlap", "friction", "residual_scatter"))
    assert len({s.read for s in plan.steps}) == len(plan.steps)


def test_a_brief_brings_its_bands_and_model(banded_brief: Any) -> None:
    found = plan_road_test(banded_brief.build, banded_brief.sure, engine_of=MODELS["coarse"])
    assert found.model == banded_brief.model
    assert (found.basis, found.samples) == (Basis.SAMPLES, 16)
    assert "16 samples" in basis_words(found)
    by_words = {text: name for name, (_, text) in TOLERANCES.items()}
    matters = {key: tuple(by_words[w] for w in words) for key, words in banded_brief.sure.matters.items()}
    wanted = most_important(matters, MODELS["coarse"].uncertain)
    told = {s.input for s in found.steps} | {one.input for one in found.not_tested}
    assert told == set(wanted)


def test_without_bands_each_input_is_moved_in_turn(build_of: Make) -> None:
    shares: list[float] = []
    found = plan_road_test(build_of("dockside"), engine_of=QuickEngine, progress=shares.append)
    assert (found.basis, found.samples) == (Basis.IN_TURN, 0)
    assert found.steps
    assert all(a <= b for a, b in itertools.pairwise(shares))
    assert shares[-1] == pytest.approx(1.0)


def test_points_over_the_headlines_rank_the_inputs_and_the_wider_tolerance_breaks_ties() -> None:
    matters = {"a": ("burn", "overlap"), "b": ("friction", "burn"), "c": ("overlap",)}
    # burn 3 + 2, overlap 2 + 3, friction 3: overlap's tolerance is the wider of the first two.
    assert most_important(matters, ("burn", "friction", "overlap")) == ["overlap", "burn", "friction"]
    assert most_important(matters, ("burn",)) == ["burn"]
    assert most_important({}, ("burn",)) == []


def test_predictions_are_the_model_s_at_both_ends_of_the_tolerance(plan: Any, build_of: Make) -> None:
    build = build_of("quarry-road")
    place = place_of(QuickEngine(build))
    readings = {r.kind: r for r in READINGS}
    for step in plan.steps:
        reading = readings[step.read]
        for factor, told in ((step.input_low, step.low), (1.0, step.expected), (step.input_high, step.high)):
            value = reading.value(QuickEngine(build, Tolerances()._replace(**{step.input: factor})), place)
            shown = {"kPa": 1e3, "mg": 1e-6, "rpm": 1.0 / 60.0, "m/s**2": 1.0}[step.unit]
            assert told == pytest.approx(value / shown, rel=1e-9)
        assert min(step.low, step.high) <= step.expected <= max(step.low, step.high)
        assert step.low != step.high


def test_signs_are_those_of_an_engine(build_of: Make) -> None:
    build = build_of("quarry-road")
    plain, place = QuickEngine(build), place_of(QuickEngine(build))
    readings = {r.kind.code: r.value for r in READINGS}
    stiff, overlapped, noisy = (QuickEngine(build, Tolerances()._replace(**{n: 1.1})) for n in ("friction", "overlap", "residual_scatter"))
    assert readings["coasting"](stiff, place) > readings["coasting"](plain, place)
    assert readings["coasting"](overlapped, place) == readings["coasting"](plain, place)
    assert readings["idle_pressure"](overlapped, place) > readings["idle_pressure"](plain, place)
    assert readings["idle_air"](stiff, place) > readings["idle_air"](plain, place)
    assert readings["idle_speed_change"](noisy, place) > readings["idle_speed_change"](plain, place)
    assert readings["idle_spark_step"](plain, place) > 0.0
    assert readings["road_spark_step"](plain, place) > 0.0


def test_the_idle_read_is_the_idle_of_the_library(build_of: Make) -> None:
    model = QuickEngine(build_of("quarry-road"))
    place, idle = place_of(model), idle_state(model).si
    pressure = READINGS[0].value(model, place)
    # Held at whole degrees; the idle's own spark is within half of one.
    assert place.idle_spark == pytest.approx(idle.spark, abs=0.5)
    assert pressure == pytest.approx(idle.manifold_pressure, rel=0.01)


def test_coasting_loses_what_rubbing_and_pumping_take(build_of: Make) -> None:
    build = build_of("dockside")
    model = QuickEngine(build)
    coast = {r.kind: r.value for r in READINGS}[ReadingKind.COASTING]
    stiff = QuickEngine(build, Tolerances()._replace(friction=2.0))
    from camcalc.engine.friction import rubbing_friction

    vehicle = build.vehicle
    total, radius = vehicle.gear_ratios[1] * vehicle.final_drive, vehicle.si.tyre_radius
    mass = vehicle.si.mass + (build.engine.si.rotating_inertia * total**2 + vehicle.si.wheel_inertia) / radius**2
    extra = rubbing_friction.kernel(COAST) * model.geometry.displacement / (4.0 * math.pi) * total / radius / DRIVELINE_EFFICIENCY
    place = place_of(model)
    assert (coast(stiff, place) - coast(model, place)) * mass == pytest.approx(extra, rel=1e-9)
    # Pumping and motoring by the same way, and the road on top: nothing else slows the car.
    torque = (rubbing_friction.kernel(COAST) + barometer(model) - SHUT + MOTORED) * model.geometry.displacement / (4.0 * math.pi)
    road = resistance(build, road_speed(vehicle, COAST, vehicle.gear_ratios[1]))
    assert coast(model, place) * mass == pytest.approx(torque * total / radius / DRIVELINE_EFFICIENCY + road, rel=1e-9)


def test_an_automatic_does_not_coast(build_of: Make) -> None:
    assert ReadingKind.COASTING not in {r.kind for r in readings_of(QuickEngine(build_of("long-meadow")))}
    assert ReadingKind.COASTING in {r.kind for r in readings_of(QuickEngine(build_of("quarry-road")))}


def test_channels_are_those_a_log_is_read_by(plan: Any) -> None:
    for reading in READINGS:
        assert set(reading.channels) <= set(CHANNELS)
        assert {"time", "speed"} <= set(reading.channels)


def test_speeds_and_gears_belong_together(plan: Any, build_of: Make) -> None:
    vehicle = build_of("quarry-road").vehicle
    for step in plan.steps:
        if step.gear:
            assert step.si.road_speed == pytest.approx(road_speed(vehicle, step.si.speed, vehicle.gear_ratios[step.gear - 1]))
            assert step.gear in (2, headline_gear(build_of("quarry-road")))
        else:
            assert step.si.road_speed == 0.0
        assert 0.0 <= step.si.pedal < 1.0


def test_a_reading_that_tells_little_says_so(build_of: Make) -> None:
    found = plan_road_test(build_of("quarry-road"), sure_of("back_pressure", "overlap", "burn"), engine_of=QuickEngine)
    weak = [s for s in found.steps if s.tells_apart < 2.0]
    assert weak
    assert all(s.settling is not Settling.SETTLES and settling_words(s) for s in weak)
    assert all(input_words(s.moved_most_by) in settling_words(s) and s.moved_most_by != s.input for s in weak)
    assert all(s.settling is Settling.SETTLES and not settling_words(s) for s in found.steps if s.tells_apart >= 2.0)
    named = {s.input for s in found.steps}
    for name in {"back_pressure", "overlap", "burn"} - named:
        assert any(DIRECT[name][1:] in not_tested_words(one) for one in found.not_tested)


def test_every_input_can_be_found_out_some_other_way() -> None:
    assert set(DIRECT) == set(TOLERANCES) == set(Tolerances._fields)


@pytest.mark.parametrize(
    ("knock", "ceiling", "held"),
    [(31.4, math.nan, 26.0), (math.inf, math.nan, 30.0), (math.nan, math.nan, 30.0), (40.0, 24.3, 24.0), (28.0, 24.3, 23.0)],
)
def test_the_spark_held_on_the_road_stays_under_knock_and_ceiling(monkeypatch: pytest.MonkeyPatch, knock: float, ceiling: float, held: float) -> None:
    monkeypatch.setattr(readings, "_driving", lambda *_: 50e3)
    monkeypatch.setattr(readings, "ceiling_column", lambda *_: SimpleNamespace(cells=[SimpleNamespace(ceiling_low=ceiling)]))
    model: Any = SimpleNamespace(knock_spark=lambda speed, pressure: knock)
    assert readings._cautious_road_spark(model, readings.Place(14.0, 30.0, 4, 1.0, 30.0)) == held


def test_a_converter_is_locked_for_readings_on_the_road(build_of: Make, plan: Any) -> None:
    found = plan_road_test(build_of("long-meadow"), sure_of("overlap", "friction", "residual_scatter"), engine_of=QuickEngine)
    for step in found.steps:
        assert step.converter_locked == (step.place is Ground.ROAD)
        assert ("Lock the converter" in do_words(step)) == step.converter_locked
    assert not any(step.converter_locked for step in plan.steps)


def test_an_end_at_which_the_engine_does_not_run_blurs_and_is_told() -> None:
    table = _Table(("overlap", "friction"), np.array([50.0]), np.array([[45.0], [49.0]]), np.array([[np.nan], [51.0]]), np.array([0.4]))
    assert table.tells("friction")[0] == pytest.approx(1.0 / np.hypot(0.4, 50.0 / np.sqrt(12.0)))
    assert table.tells("overlap")[0] == 0.0
    assert _why_not(table, "overlap") is NotTestedBecause.STOPS_AT_HIGH
    assert _why_not(table, "friction") is NotTestedBecause.NOTHING_MOVES
    both = table._replace(low=np.array([[np.nan], [49.0]]))
    assert _why_not(both, "overlap") is NotTestedBecause.STOPS_AT_BOTH


def test_an_idle_spark_is_computed_where_the_sheet_states_no_cap(plan: Any) -> None:
    standing = [step for step in plan.steps if step.place is Ground.STANDING]
    assert standing
    for step in standing:
        assert step.mark("spark") is None
        assert "(cap)" not in where_words(step, "mph")
        assert "(cap)" in where_words(step.replace(marks={"spark": Mark.CAP}), "mph")


def test_every_reading_has_its_words_and_none_is_kept_on_the_record(plan: Any) -> None:
    assert set(DO) == set(ReadingKind) == {r.kind for r in READINGS}
    data = plan.to_dict()
    for step in data["steps"]:
        assert set(step["read"]) == set(step["settling"]) == set(step["place"]) == {"code", "text"}
        assert {name for name, value in step.items() if isinstance(value, str)} == {"input", "unit", "moved_most_by"}
    text = describe(plan)
    assert all(DO[step.read] in text for step in plan.steps)
    assert "\n".join(road_test_words(plan)) == text

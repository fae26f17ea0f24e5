"""What else would cure it: each change against none, and their order."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc import NoSolutionError, QuickEngine, describe, read_table
from camcalc.advice.idle import idle_state
from camcalc.advice.reversion import road_point
from camcalc.cures import ChangeKind, CureFigures, CureRanking, NoFigure, Trouble, changes_of, cycle_speed_change, rank_cures
from camcalc.cures.ranking import _order
from camcalc.cycle.engine_tables import engine_tables
from camcalc.cycle.models import MODELS
from camcalc.cycle.work_variation import work_spread
from camcalc.drive.risk import surge_risk
from camcalc.errors import InputError
from camcalc.vehicle.road_load import road_speed
from camcalc.words.cures import change_words, cost_words, note_words, ranking_words, share_words, trouble_words

Make = Callable[..., Any]
FIGURES = tuple(CureFigures.measures())


@pytest.fixture(scope="module")
def resolved(build_of: Make) -> Any:
    """The V8 by the resolved cycle, without its table: idle and road only."""
    build = build_of("quarry-road").replace(spark_table=None)
    return rank_cures(build, engine_of=MODELS["resolved"])


@pytest.fixture(scope="module")
def quick(build_of: Make, root: Any) -> Any:
    return rank_cures(build_of("quarry-road"), engine_of=QuickEngine, table=read_table(root / "examples/quarry-road/spark.csv"))


@pytest.fixture(scope="module")
def truck(build_of: Make, root: Any) -> Any:
    return rank_cures(build_of("long-meadow"), engine_of=QuickEngine, table=read_table(root / "examples/long-meadow/spark.csv"))


def cure(ranking: Any, code: str) -> Any:
    return next(c for c in ranking.cures if c.name is ChangeKind.of(code))


# Signs.


def test_a_faster_idle_is_steadier_and_has_more_vacuum_and_takes_more_fuel(resolved: Any) -> None:
    moved = cure(resolved, "faster_idle").moved.si
    assert moved.idle_variation < 0.0
    assert moved.idle_vacuum > 0.0
    assert moved.idle_speed_change < 0.0
    assert moved.idle_fuel > 0.0


def test_advance_and_retard_of_the_cam_go_opposite_ways_at_idle(resolved: Any) -> None:
    early, late = cure(resolved, "cam_advanced").moved.si, cure(resolved, "cam_retarded").moved.si
    assert early.idle_vacuum > 0.0 > late.idle_vacuum
    assert early.idle_variation < 0.0 < late.idle_variation


def test_a_lower_gear_turns_the_engine_faster_and_steadier_and_takes_more_fuel(resolved: Any, quick: Any) -> None:
    for ranking in (resolved, quick):
        moved = cure(ranking, "lower_gear").moved.si
        assert moved.speed > 0.0
        assert moved.cruise_fuel > 0.0
    # Not by the closed forms: on their residual the lighter load of a lower gear costs as much as its higher speed gains.
    assert cure(resolved, "lower_gear").moved.si.cruise_variation < 0.0


def test_a_heavier_flywheel_swings_more_slowly_and_evens_the_idle_s_speed(quick: Any) -> None:
    found = cure(quick, "heavier_flywheel")
    assert found.moved.si.frequency < 0.0
    assert found.moved.si.acceleration < 0.0
    inertia = 0.26
    # The same uneven work on more inertia.
    assert found.figures.si.idle_speed_change == pytest.approx(quick.none.figures.si.idle_speed_change * inertia / (inertia + 0.05), rel=1e-9)


def test_a_looser_converter_takes_load_off_and_an_open_one_damps(truck: Any) -> None:
    looser = cure(truck, "looser_converter").moved.si
    assert looser.idle_vacuum > 0.0
    assert looser.idle_fuel < 0.0
    opened = cure(truck, "open_converter")
    assert opened.moved.si.damping > 0.3
    assert opened.moved.si.acceleration < 0.0
    assert opened.moved.si.speed > 0.0
    assert opened.moved.si.cruise_fuel > 0.0


# Nothing changed, nothing moved.


@pytest.mark.parametrize("name", ["resolved", "quick", "truck"])
def test_no_change_moves_nothing(request: pytest.FixtureRequest, name: str) -> None:
    ranking = request.getfixturevalue(name)
    for figure in FIGURES:
        moved = getattr(ranking.none.moved.si, figure)
        assert moved == 0.0 or math.isnan(getattr(ranking.none.figures.si, figure))
    assert ranking.none.si.removes == 0.0
    assert ranking.none.makes_worse == ()


@pytest.mark.parametrize("name", ["resolved", "quick"])
def test_what_a_change_does_not_touch_stays_exactly(request: pytest.FixtureRequest, name: str) -> None:
    ranking = request.getfixturevalue(name)
    for figure in ("cruise_variation", "cruise_fuel", "speed"):
        assert getattr(cure(ranking, "faster_idle").moved.si, figure) == 0.0
    for figure in ("idle_variation", "idle_vacuum", "idle_fuel"):
        assert getattr(cure(ranking, "lower_gear").moved.si, figure) == 0.0
        assert getattr(cure(ranking, "heavier_flywheel").moved.si, figure) == 0.0


# The library's own numbers.


def test_figures_are_those_of_idle_road_and_surge(quick: Any, build_of: Make, root: Any) -> None:
    build = build_of("quarry-road")
    model, none = QuickEngine(build), quick.none.figures.si
    idle = idle_state(model).si
    assert none.idle_variation == idle.imep_variation
    assert none.idle_vacuum == idle.manifold_vacuum
    assert none.cruise_variation == road_point(model, quick.si.speed, build.vehicle.gear_ratios[quick.gear - 1]).variation
    table = read_table(root / "examples/quarry-road/spark.csv")
    # Whole tables, not the few nodes around the point: the same cells are looked up.
    whole = surge_risk(build, table, gear=quick.gear, engine_tables=engine_tables(model), speeds=np.array([quick.si.speed]), over_time=False).si
    for figure in ("frequency", "damping", "acceleration"):
        assert getattr(none, figure) == pytest.approx(getattr(whole, figure)[0], rel=1e-9)


def test_gears_are_compared_at_one_road_speed(quick: Any, build_of: Make) -> None:
    vehicle = build_of("quarry-road").vehicle
    for c in (quick.none, cure(quick, "lower_gear")):
        assert road_speed(vehicle, c.figures.si.speed, vehicle.gear_ratios[c.gear - 1]) == pytest.approx(quick.si.road_speed, rel=1e-12)
    assert quick.swings
    assert quick.si.speed == pytest.approx((850.0 + 300.0) / 60.0)


def test_the_change_of_speed_is_that_of_work_given_to_a_free_flywheel(engine_of: Make) -> None:
    model = engine_of("quarry-road")
    speed, pressure, spark = 850.0 / 60.0, 50e3, 30.0
    work = work_spread(model, speed, pressure, spark).deviation * model.geometry.swept
    rng = np.random.default_rng(3)
    omega = 2.0 * math.pi * speed
    # Energy, not its linear form: firing after firing from the same speed.
    after = np.sqrt(omega**2 + 2.0 * rng.normal(0.0, work, (20000, model.geometry.cylinders)).sum(axis=1) / model.build.engine.si.rotating_inertia)
    sampled = float(np.std(after - omega)) / (2.0 * math.pi)
    # 20000 samples know a standard deviation to half a per cent.
    assert cycle_speed_change(model, speed, pressure, spark) == pytest.approx(sampled, rel=0.02)


# Order, and what has no answer.


@pytest.mark.parametrize("name", ["resolved", "quick", "truck"])
def test_cures_stand_in_the_order_of_the_rule(request: pytest.FixtureRequest, name: str) -> None:
    ranking = request.getfixturevalue(name)
    shares = [c.si.removes for c in ranking.cures]
    answered = [s for s in shares if not math.isnan(s)]
    assert shares[: len(answered)] == answered  # without an answer: last
    assert all(a >= b - 1e-4 for a, b in itertools.pairwise(answered))
    assert ranking.against.code == max(ranking.troubles, key=lambda t: ranking.troubles[t])
    assert all(c.notes for c in ranking.cures[len(answered) :])


def test_another_trouble_can_be_ranked_by(build_of: Make, quick: Any, root: Any) -> None:
    table = read_table(root / "examples/quarry-road/spark.csv")
    by_idle = rank_cures(build_of("quarry-road"), engine_of=QuickEngine, table=table, against="idle")
    assert by_idle.against is Trouble.IDLE
    assert {c.name for c in by_idle.cures} == {c.name for c in quick.cures}
    best = min((c for c in by_idle.cures if not math.isnan(c.si.removes)), key=lambda c: c.figures.si.idle_variation)
    assert by_idle.cures[0].name == best.name
    with pytest.raises(InputError, match="shaking"):
        rank_cures(build_of("quarry-road"), engine_of=QuickEngine, against="shake")


def test_what_cannot_be_tried_is_listed_with_the_reason(quick: Any, truck: Any, build_of: Make) -> None:
    assert cure(quick, "looser_converter").notes == (NoFigure.NO_CONVERTER,)
    assert cure(truck, "heavier_flywheel").notes == (NoFigure.CONVERTER_INSTEAD_OF_FLYWHEEL,)
    first = rank_cures(build_of("quarry-road").replace(spark_table=None), engine_of=QuickEngine, gear=1)
    assert cure(first, "lower_gear").notes == (NoFigure.NO_LOWER_GEAR,)
    assert math.isnan(cure(first, "lower_gear").si.removes)
    assert not first.has_table
    assert any("no spark table" in text for text in ranking_words(first))
    assert math.isnan(first.none.figures.si.damping)


def test_a_cam_that_cannot_idle_is_told_and_a_cure_that_makes_it_idle_removes_all(build_of: Make) -> None:
    class Stubborn(QuickEngine):
        """Makes nothing at the sheet's idle speed."""

        def state(self, speed: float, *args: Any, **more: Any) -> Any:
            found = super().state(speed, *args, **more)
            return found._replace(gross=-1e6, net=-1e6) if speed < 860.0 / 60.0 else found

    found = rank_cures(build_of("quarry-road").replace(spark_table=None), engine_of=Stubborn)
    assert math.isinf(found.troubles["idle"])
    assert found.none.notes == (NoFigure.CANNOT_IDLE,)
    assert found.cures[0].name is ChangeKind.FASTER_IDLE
    assert found.cures[0].si.removes == 1.0
    assert cure(found, "cam_advanced").notes == (NoFigure.CANNOT_IDLE,)
    assert "cannot idle" in note_words(cure(found, "cam_advanced"))[0]
    assert math.isnan(cure(found, "cam_advanced").si.removes)
    answers = [not math.isnan(c.si.removes) for c in found.cures]
    assert answers == sorted(answers, reverse=True)  # those without an answer come last


def test_an_engine_that_does_nothing_is_refused(build_of: Make) -> None:
    class Dead(QuickEngine):
        """Makes nothing anywhere."""

        def state(self, *args: Any, **more: Any) -> Any:
            return super().state(*args, **more)._replace(gross=-1e6, net=-1e6)

    with pytest.raises(NoSolutionError, match="cannot idle"):
        rank_cures(build_of("quarry-road").replace(spark_table=None), engine_of=Dead)


def test_a_gear_that_is_not_there_is_refused(build_of: Make) -> None:
    with pytest.raises(InputError, match="1 to 6"):
        rank_cures(build_of("quarry-road"), engine_of=QuickEngine, gear=7)


def test_costs_are_told_and_the_intake_closes_as_far_off_as_the_cam_was_turned(build_of: Make, quick: Any) -> None:
    build = build_of("quarry-road")
    assert all(cost_words(c, "clutch") for c in quick.cures)
    early = cure(quick, "cam_advanced")
    turned = {c.kind: c.build.cam for c in changes_of(build, 4)}
    closes = [cam.events(at="0.15 mm", measured_at="valve").si.intake_closes for cam in (build.cam, turned[ChangeKind.CAM_ADVANCED])]
    assert closes[0] - closes[1] == pytest.approx(4.0, abs=1e-6)
    assert (early.change.si.intake_closed, early.change.si.intake_closes) == (closes[0], closes[1])
    assert f"{closes[1]:.0f} deg ABDC (was {closes[0]:.0f})" in cost_words(early, "clutch")
    assert turned[ChangeKind.CAM_RETARDED].overlap.si.angle == pytest.approx(build.cam.overlap.si.angle, abs=1e-6)
    assert "creeps" in cost_words(cure(quick, "faster_idle"), "converter")
    assert "creeps" not in cost_words(cure(quick, "faster_idle"), "clutch")


def test_a_cure_without_an_answer_never_comes_before_one_that_has_one(quick: Any) -> None:
    """Not tried, tried without an answer, and an answer that makes all worse: the last of them comes first."""
    nan = math.nan
    given = quick.cures[0]
    worse = given.replace(removes=nan, mean_removed=-0.3)
    unknown = given.replace(removes=nan, mean_removed=nan, notes=(NoFigure.CANNOT_IDLE,))
    untried = given.replace(removes=nan, mean_removed=nan, tried=False, notes=(NoFigure.NO_CONVERTER,))
    adds = given.replace(removes=-0.5, mean_removed=-0.5)
    for order in itertools.permutations((worse, unknown, untried, adds)):
        assert sorted(order, key=_order) == [adds, worse, unknown, untried]


def test_every_change_and_reason_has_its_words(quick: Any, truck: Any) -> None:
    for ranking in (quick, truck):
        for c in ranking.cures:
            assert change_words(c)
            assert note_words(c) or cost_words(c, ranking.transmission)
            assert all(text.endswith(".") for text in note_words(c))
        text = describe(ranking)
        assert text.index(ranking.cautions[0]) < text.index("Ranked against")
    assert {t: trouble_words(t) for t in Trouble}
    for note in NoFigure:
        assert note_words(quick.cures[0].replace(notes=(note,)))


def test_the_verdict_names_the_trouble_and_the_change_that_helps_most(quick: Any) -> None:
    best = quick.cures[0]
    said = ranking_words(quick)
    assert change_words(best) in said[-1]
    assert f"{100.0 * best.si.removes:.0f} %" in said[-1]
    calm = quick.replace(troubles=dict.fromkeys(quick.troubles, 0.5))
    assert "nothing needs curing" in ranking_words(calm)[0]
    helpless = quick.replace(cures=tuple(c.replace(removes=-0.1) for c in quick.cures))
    assert "No change tried here helps" in ranking_words(helpless)[-1]


def test_no_sentence_is_kept_on_the_record(quick: Any) -> None:
    """What is found is a code or a number; words are made from them elsewhere."""
    texts = {f.name for f in dataclasses.fields(CureRanking) if f.type == "str"}
    assert texts == {"model", "transmission"}
    assert all(isinstance(note, NoFigure) for c in quick.cures for note in c.notes)
    data = quick.to_dict()
    assert data["cures"][0]["name"] == {"code": quick.cures[0].name.code, "text": quick.cures[0].name.meaning}


def test_it_goes_to_json_and_to_text(quick: Any) -> None:
    data = quick.to_dict()
    assert data["cures"][0]["figures"]["idle_vacuum"]["unit"] == "inHg"
    assert data["none"]["moved"]["damping"]["value"] == 0.0
    text = str(quick)
    assert all(c.name.meaning in text for c in quick.cures)
    shares = [share_words(quick.none.replace(removes=r)) for r in (0.12, -0.12, 0.001, math.nan)]
    assert shares == ["Removes 12 %.", "Adds 12 %.", "No effect on this trouble.", ""]

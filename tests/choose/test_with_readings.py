"""Choosing for a car that was measured: odds over the cars that its readings leave, said so; nothing changes without readings, or with bad ones."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from rich.console import Console

from camcalc import Build, choose_cam, learn_build, rank_cards
from camcalc.advice.bands import TOLERANCES
from camcalc.choose.asking import Asked
from camcalc.choose.cards import CardFamily
from camcalc.choose.cars import SEED, CarsFrom, cars_of, sobol
from camcalc.choose.figures import build_with
from camcalc.choose.runs import Runs
from camcalc.choose.wants import wants_of
from camcalc.cycle.operating import Tolerances, with_learned
from camcalc.report.choose_page import choose_html, ranking_html
from camcalc.report.choose_terminal import print_choice, print_ranking
from camcalc.sheet.measured_reading import read_measured
from camcalc.sheet.section_reading import Problems
from camcalc.words import describe
from tests.choose.test_ranking import many
from tests.measured.make_cars import stored_design
from tests.plain_words import banned_in, long_sentences

Make = Callable[..., Any]


@pytest.fixture
def plain(build_of: Make) -> Build:
    return build_of("quarry-road")


@pytest.fixture
def read(plain: Build, monkeypatch: pytest.MonkeyPatch) -> Callable[[float], Build]:
    """Give the first example with a compression test and an idle at a manifold pressure [kPa]; its cars are the stored ones."""
    design = stored_design()
    monkeypatch.setattr("camcalc.measured.learning.design_of", lambda *args, **options: design)

    def made(pressure: float) -> Build:
        idle = {"what": "idle", "speed": "850 rpm", "spark": "22 crank_deg", "manifold_pressure": f"{pressure} kPa +- 0.5 kPa", "air_flow": "6.8 g/s"}
        return plain.replace(measured=read_measured([{"what": "cranking", "cranking_pressure": "1310 kPa"}, idle], Problems()))

    return made


@pytest.fixture
def wanted(plain: Build) -> Any:
    """Two wants that tolerances move."""
    return plain.wanted.replace(idle_vacuum="12 inHg", lowest_usable_gear=4, lowest_usable_speed="1400 rpm")


def shown(found: Any, prints: Callable[[Any, Console], None]) -> str:
    console = Console(width=250, file=io.StringIO())
    prints(found, console)
    return str(console.file.getvalue())  # type: ignore[attr-defined]


def test_without_readings_cars_are_those_of_the_tolerances_to_the_last_bit(plain: Build) -> None:
    cars = cars_of(plain, "resolved")
    assert cars.source is CarsFrom.SHEET
    assert cars.nominal is plain
    assert cars.around is plain
    assert (cars.over() == 2.0 * sobol(len(cars.names), 256, seed=SEED + 2) - 1.0).all()
    row = cars.over()[3]
    assert cars.multipliers(row) == {name: 1.0 + TOLERANCES[name][0] * float(t) for name, t in zip(cars.names, row, strict=True)}
    points = sobol(len(cars.names), 5)
    assert (cars.to_run(points) == 2.0 * points - 1.0).all()


def test_what_a_sheet_says_was_learned_moves_the_middle_and_leaves_the_tolerances(plain: Build, read: Any) -> None:
    learned = learn_build(read(58.0)).learned
    build = plain.replace(learned=learned)
    cars = cars_of(build, "resolved")
    assert cars.source is CarsFrom.LEARNED
    assert cars.draws is None
    assert cars.nominal is build
    assert cars.around is build


def test_cars_are_what_the_readings_leave(read: Any) -> None:
    build = read(58.0)
    found, cars = learn_build(build), cars_of(build, "resolved")
    assert cars.source is CarsFrom.READINGS
    assert cars.readings == 3
    assert cars.nominal.learned == found.learned
    assert cars.around.learned is None
    # The middle figures' own engine is the car without tolerances.
    middle = with_learned(cars.nominal, Tolerances())
    assert cars.multipliers(np.zeros(len(cars.names))) == pytest.approx({name: getattr(middle, name) for name in cars.names})
    # As far from one another as the readings leave each input: bands of the learning itself, within what 256 draws scatter.
    factors = np.array([[cars.multipliers(row)[name] for name in cars.names] for row in cars.over()])
    assert factors.shape[0] == 256
    for one in found.inputs:
        if one.name not in cars.names:
            continue
        width = TOLERANCES[one.name][0]
        low, high = np.percentile(factors[:, cars.names.index(one.name)], [10.0, 90.0])
        assert (low - one.low) / width == pytest.approx(0.0, abs=0.2)
        assert (high - one.high) / width == pytest.approx(0.0, abs=0.2)
    assert min(one.narrowed for one in found.inputs) < 0.8


def test_cars_are_run_about_the_sheets_own_inputs_and_the_middle_about_the_likely_ones(read: Any, wanted: Any) -> None:
    build = read(58.0)
    cars = cars_of(build, "resolved")
    family = CardFamily(build.cam)
    runs = Runs(cars, wants_of(build, wanted), card_of=lambda k: build.cam, units=np.zeros((1, 1)), present=None, model="resolved", executor=None)  # type: ignore[arg-type]
    nominal, car = runs.asked(family.cam), runs.asked(family.cam, cars.over()[0])
    assert nominal.tolerances == {}
    assert nominal.build.learned is not None
    assert car.build.learned is None
    assert set(car.tolerances) == set(cars.names)


def test_odds_are_those_of_cars_that_the_readings_leave(read: Any, wanted: Any, made_up_manners: Callable[[Asked], Any]) -> None:
    build = read(58.0)
    found = choose_cam(build, wanted)
    assert found.cars_from is CarsFrom.READINGS
    assert found.chosen is not None
    family, wants, si = CardFamily(build.cam), wants_of(build, wanted), found.chosen.si
    card = family.card(family.own._replace(duration=si.duration, lobe_separation=si.lobe_separation, advance=si.advance))
    kept = []
    for draw in learn_build(build, draws=3000).draws:
        settled = made_up_manners(Asked(build, card, build.replaced_cam, wants, draw, "resolved"))
        kept.append(all(demand.margin(settled.figures[demand.figure]) >= 0.0 for demand in wants.demands))
    # Four standard deviations of 256 cars are 0.1 at most; the surrogate's error comes beside it.
    assert abs(np.mean(kept) - found.si.probability) < 0.1


def test_readings_move_the_answer_and_pages_say_so(plain: Build, read: Any, wanted: Any, made_up_manners: Any) -> None:
    build = read(58.0)
    without, found = choose_cam(plain, wanted), choose_cam(build, wanted)
    line = "Odds are over the cars that 3 readings of this car leave. Middle figures are those of the most likely car."
    assert found.si.probability != without.si.probability
    for said in (shown(found, print_choice), choose_html(found), describe(found)):
        assert line in said
    assert "readings" not in describe(without)
    ranked = rank_cards(build, many(build, 20), wanted)
    for said in (shown(ranked, print_ranking), ranking_html(ranked), describe(ranked)):
        assert line in said
    assert long_sentences(describe(found)) == []
    assert banned_in(describe(ranked)) == []


def test_readings_that_contradict_change_nothing_and_are_shown(plain: Build, read: Any, wanted: Any, made_up_manners: Any) -> None:
    without, found = choose_cam(plain, wanted), choose_cam(read(92.0), wanted)
    assert found.cars_from is CarsFrom.CONTRADICTED
    assert found.learned is None
    assert found.si.probability == without.si.probability
    assert found.chosen == without.chosen
    assert "The 3 readings contradict the sheet or one another: nothing here rests on them." in shown(found, print_choice)


def test_a_brief_of_a_chosen_card_rests_on_the_same_engine_and_not_on_readings_of_another_cam(read: Any, wanted: Any, made_up_manners: Any) -> None:
    build = read(58.0)
    found = choose_cam(build, wanted)
    assert found.point is not None
    made = build_with(build, CardFamily(build.cam).card(found.point.of_family), wanted, found=found)
    assert made.measured == ()
    assert made.learned == cars_of(build, "resolved").nominal.learned

"""The choice: held against every card of the range, on made-up manners; what cannot be is said with the nearest; words, page, picture, data."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from typing import Any

import html5lib
import numpy as np
import pytest
from matplotlib.axes import Axes
from rich.console import Console

from camcalc import choose_cam
from camcalc.cautions import AT_CHOICE
from camcalc.choose.asking import Asked
from camcalc.choose.cards import CardFamily
from camcalc.choose.records import ChosenCam, Outcome
from camcalc.choose.wants import Figure, Want, wants_of
from camcalc.report.choose_page import choose_html
from camcalc.report.choose_terminal import print_choice
from camcalc.words import describe
from camcalc.words.choose import choice_words, value_text, want_rows
from tests.plain_words import banned_in, long_sentences

Make = Callable[..., Any]
THREES = (
    ("idle_vacuum", "keep_filling", "lowest_usable"),
    ("idle_vacuum", "keep_filling", "effective_compression_least"),
    ("idle_vacuum", "lowest_usable", "effective_compression_most"),
    ("keep_filling", "lowest_usable", "effective_compression_least"),
)
FIGURES = {
    "idle_vacuum": {"idle_vacuum": "11 inHg"}, "keep_filling": {"keep_filling_speed": "2500 rpm", "keep_filling_share": 0.94},
    "lowest_usable": {"lowest_usable_gear": 4, "lowest_usable_speed": "1400 rpm"},
    "effective_compression_least": {"effective_compression_least": 7.3}, "effective_compression_most": {"effective_compression_most": 8.2},
}  # fmt: skip


@pytest.fixture
def build(build_of: Make) -> Any:
    return build_of("quarry-road")


def longest(build: Any, wanted: Any, manners: Callable[[Asked], Any]) -> float:
    """The longest duration of all cards of the whole range that keeps every want, each card asked."""
    wants, family = wants_of(build, wanted), CardFamily(build.cam)
    best = -np.inf
    for point in sorted(family.points(), key=lambda one: -one.duration):
        if point.duration < best:
            break
        found = manners(Asked(build, family.card(point), build.replaced_cam, wants, {}, "resolved"))
        if all(demand.margin(found.figures[demand.figure]) >= 0.0 for demand in wants.demands):
            best = point.duration
    return best


@pytest.mark.parametrize("three", THREES, ids=lambda three: "+".join(three))
def test_the_largest_is_that_of_trying_every_card_within_a_degree(build: Any, made_up_manners: Any, three: tuple[str, ...]) -> None:
    wanted = build.wanted.replace(**{key: value for want in three for key, value in FIGURES[want].items()})
    found = choose_cam(build, wanted)
    assert found.largest is not None
    assert all(kept.kept for kept in found.largest_wants)
    assert abs(found.largest.si.duration - longest(build, wanted, made_up_manners)) <= 1.0


@pytest.fixture
def found(build: Any, made_up_manners: Any, wanted: Any) -> ChosenCam:
    return choose_cam(build, wanted)


def test_the_chosen_cam_is_as_sure_as_asked_and_shorter_than_the_middle_figures_allow(found: ChosenCam) -> None:
    assert found.outcome is Outcome.CHOSEN
    assert found.chosen is not None
    assert found.largest is not None
    assert found.si.probability >= found.si.sure > found.si.probability_of_largest
    assert found.chosen.si.duration < found.largest.si.duration
    assert all(kept.kept for kept in found.wants)


def test_a_probability_is_that_of_cars_drawn_from_the_tolerances(found: ChosenCam, build: Any, wanted: Any, made_up_manners: Any) -> None:
    from camcalc.advice.bands import TOLERANCES

    wants, family = wants_of(build, wanted), CardFamily(build.cam)
    assert found.chosen is not None
    si = found.chosen.si
    card = family.card(family.own._replace(duration=si.duration, lobe_separation=si.lobe_separation, advance=si.advance))
    rng = np.random.default_rng(7)
    kept = 0
    for _ in range(1500):
        car = {name: 1.0 + width * rng.uniform(-1.0, 1.0) for name, (width, _) in TOLERANCES.items()}
        settled = made_up_manners(Asked(build, card, build.replaced_cam, wants, car, "resolved"))
        kept += all(demand.margin(settled.figures[demand.figure]) >= 0.0 for demand in wants.demands)
    # Four standard deviations of the draw itself are 0.04.
    assert abs(kept / 1500 - found.si.probability) < 0.05


def test_exchange_rates_are_the_slopes_of_the_manners(found: ChosenCam, build: Any, wanted: Any, made_up_manners: Any) -> None:
    wants, family = wants_of(build, wanted), CardFamily(build.cam)
    assert found.chosen is not None
    si = found.chosen.si
    own = family.own._replace(duration=si.duration, lobe_separation=si.lobe_separation, advance=si.advance)

    def vacuum(point: Any) -> float:
        return float(made_up_manners(Asked(build, family.card(point), None, wants, {}, "resolved")).figures[Figure.VACUUM])

    rate = next(one for one in found.exchange if one.want is Want.IDLE_VACUUM)
    shorter = own._replace(duration=own.duration - rate.si.duration)
    gained = (vacuum(shorter) - vacuum(own)) / 3386.39
    assert rate.si.duration > 0.0
    assert gained == pytest.approx(2.0, rel=0.15)
    wider = own._replace(lobe_separation=own.lobe_separation + rate.si.lobe_separation)
    assert (vacuum(wider) - vacuum(own)) / 3386.39 == pytest.approx(2.0, rel=0.15)


def test_more_sure_is_no_longer_and_a_harder_want_is_shorter(build: Any, made_up_manners: Any, wanted: Any) -> None:
    durations = [choose_cam(build, wanted.replace(sure=f"{sure} percent")).chosen.si.duration for sure in (60, 80, 95)]  # type: ignore[union-attr]
    assert durations == sorted(durations, reverse=True)
    assert durations[-1] < durations[0]
    harder = choose_cam(build, wanted.replace(idle_vacuum="14 inHg"))
    assert harder.chosen is not None
    assert harder.chosen.si.duration < durations[1]


def test_a_want_out_of_reach_is_said_with_the_nearest(build: Any, made_up_manners: Any, wanted: Any) -> None:
    found = choose_cam(build, wanted.replace(idle_vacuum="25 inHg"))
    assert found.outcome is Outcome.UNREACHABLE
    assert found.clash == (Want.IDLE_VACUUM,)
    assert found.chosen is None
    reach = found.reaches[0]
    family, wants = CardFamily(build.cam), wants_of(build, wanted)
    most = max(
        made_up_manners(Asked(build, family.card(point), None, wants, {}, "resolved")).vacuum
        for point in family.points()
        if point.duration == family.ends["duration"][0]
    )
    assert reach.nearest == pytest.approx(most / 3386.39, abs=0.05)
    said = " ".join(choice_words(found))
    assert "25.0 inHg or more is wanted" in said
    assert value_text(Want.IDLE_VACUUM, reach.nearest, "inHg", build.units) in said


def test_wants_that_contradict_are_named_with_what_each_could_have(build: Any, made_up_manners: Any, wanted: Any) -> None:
    asked = build.wanted.replace(idle_vacuum="18 inHg", effective_compression_most=7.0)
    found = choose_cam(build, asked)
    assert found.outcome is Outcome.CONTRADICT
    assert set(found.clash) == {Want.IDLE_VACUUM, Want.EFFECTIVE_COMPRESSION_MOST}
    assert all(reach.others_kept for reach in found.reaches)
    # What is called kept beside it is kept on the engine itself, at the card named.
    wants, family = wants_of(build, asked), CardFamily(build.cam)
    by_name = {family.card(point).name: point for point in family.points()}
    for reach in found.reaches:
        settled = made_up_manners(Asked(build, family.card(by_name[reach.cam]), build.replaced_cam, wants, {}, "resolved"))
        assert all(one.margin(settled.figures[one.figure]) >= 0.0 for one in wants.demands if one.want is not reach.want)
    nearest = {reach.want: reach.nearest for reach in found.reaches}
    assert nearest[Want.IDLE_VACUUM] < 18.0
    assert nearest[Want.EFFECTIVE_COMPRESSION_MOST] > 7.0


def test_a_gear_that_surges_shortens_the_cam(build: Any, made_up_manners: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from camcalc.choose import search
    from camcalc.choose.asking import Road
    from camcalc.vehicle.acceleration_weighting import SurgeGrade

    wanted = build.wanted.replace(lowest_usable_gear=4, lowest_usable_speed="1400 rpm")
    free = choose_cam(build, wanted)

    def surges(asked: Asked) -> Road:
        rough = made_up_manners(asked)
        bad = rough.figures[Figure.ROUGHNESS] > -0.3
        return Road(True, rough.road_variation, SurgeGrade.DISTURBING if bad else SurgeGrade.NOTICEABLE, 0.5 if bad else 0.3)

    monkeypatch.setattr(search, "settle_road", surges)
    held = choose_cam(build, wanted)
    assert held.largest is not None
    assert free.largest is not None
    assert held.largest.surge is SurgeGrade.NOTICEABLE
    assert held.largest.si.duration < free.largest.si.duration


def test_a_gear_that_surges_with_every_card_is_out_of_reach_with_the_speed_that_serves(build: Any, made_up_manners: Any, monkeypatch: Any) -> None:
    from camcalc.choose import search, unmet
    from camcalc.choose.asking import Road
    from camcalc.vehicle.acceleration_weighting import SurgeGrade

    def surges(asked: Asked) -> Road:
        bad = 60.0 * asked.wants.road_speed < 1650.0
        return Road(True, 0.05, SurgeGrade.DISTURBING if bad else SurgeGrade.NOTICEABLE, 0.5)

    for module in (search, unmet):
        monkeypatch.setattr(module, "settle_road", surges)
    still = {"advance": ("4 crank_deg", "4 crank_deg"), "lobe_separation": ("110 cam_deg", "114 cam_deg"), "duration": ("205 crank_deg", "215 crank_deg")}
    wanted = build.wanted.replace(lowest_usable_gear=4, lowest_usable_speed="1400 rpm", effective_compression_least=6.5)
    found = choose_cam(build, wanted, ranges=still)
    assert found.outcome is Outcome.UNREACHABLE
    assert found.clash == (Want.LOWEST_USABLE,)
    assert found.reaches[0].nearest == pytest.approx(1700.0)
    assert "The nearest is 1700 rpm" in " ".join(choice_words(found))


def test_a_nearest_speed_that_roughness_asks_for_is_looked_at_for_surge(build: Any, monkeypatch: Any) -> None:
    from types import SimpleNamespace

    from camcalc.choose import unmet
    from camcalc.choose.asking import Road
    from camcalc.vehicle.acceleration_weighting import SurgeGrade

    seen: list[float] = []

    def surges(asked: Asked) -> Road:
        seen.append(60.0 * asked.wants.road_speed)
        return Road(True, 0.05, SurgeGrade.DISTURBING if seen[-1] < 1750.0 else SurgeGrade.NOTICEABLE, 0.5)

    monkeypatch.setattr(unmet, "settle_road", surges)
    wants = wants_of(build, build.wanted.replace(lowest_usable_gear=4, lowest_usable_speed="1400 rpm"))
    asked: Any = SimpleNamespace(build=build, wants=wants, _replace=lambda wants: SimpleNamespace(wants=wants))
    # Smooth enough from 1580 rpm; it surges up to 1750.
    assert 60.0 * unmet.lowest_usable_from(asked, 1580.0 / 60.0) == pytest.approx(1780.0)
    assert seen == pytest.approx([1580.0, 1680.0, 1780.0])
    assert np.isnan(unmet.lowest_usable_from(asked, float("nan")))
    assert np.isnan(unmet.lowest_usable_from(asked, 300.0 / 60.0))


# --- how it is shown


def test_data_frame_page_and_words_show_the_settled_figures(found: ChosenCam, build: Any) -> None:
    assert found.chosen is not None
    assert ChosenCam.from_dict(json.loads(json.dumps(found.to_dict()))).to_dict() == found.to_dict()
    assert found.to_frame()["duration [crank_deg]"][0] == found.chosen.si.duration
    page = "".join(html5lib.parse(choose_html(found), namespaceHTMLElements=False).itertext())
    console = Console(width=140, file=io.StringIO())
    print_choice(found, console)
    screen = console.file.getvalue()  # type: ignore[attr-defined]
    for row in want_rows(found.wants, found.chosen, build.units):
        assert all(cell in screen for cell in row)
        assert all(cell in page for cell in row)
    for caution in AT_CHOICE:
        assert page.index(caution) < page.index("Largest cam")
        assert screen.index(caution[:40]) < screen.index("Largest cam")
    assert "power at high speed" in page
    assert "<svg" in choose_html(found)


def test_words_are_plain(found: ChosenCam) -> None:
    said = describe(found)
    assert long_sentences(said) == []
    assert banned_in(said) == []


def test_the_picture_has_a_line_for_each_want_and_a_point_for_each_cam(found: ChosenCam) -> None:
    ax = found.plot()
    assert isinstance(ax, Axes)
    labels = [text.get_text() for text in ax.get_legend().get_texts()]
    assert {"chosen", "present cam", "sheet's card"} <= set(labels)
    assert any("idle vacuum" in label for label in labels)
    assert "cam deg" in ax.get_xlabel()


def test_the_region_agrees_with_the_chosen_point(found: ChosenCam) -> None:
    region = found.region
    assert region is not None
    assert found.chosen is not None
    at = [
        int(np.argmin(np.abs(axis - value)))
        for axis, value in ((region.si.lobe_separation, found.chosen.si.lobe_separation), (region.si.duration, found.chosen.si.duration))
    ]
    assert region.si.probability[at[0], at[1]] == pytest.approx(found.si.probability, abs=1e-9)
    assert (region.si.low <= region.si.high + 1e-12)[np.isfinite(region.si.low)].all()

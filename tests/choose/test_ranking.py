"""Cards of a list ranked: the best few settled, the others only screened and said so; effort that does not grow with the list."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from rich.console import Console

from camcalc import InputError, rank_cards, read_cards
from camcalc.choose.asking import Asked, Road
from camcalc.choose.candidates import CandidateCards
from camcalc.choose.cards import CardFamily
from camcalc.choose.ranking import STANDING, Screening, spread_out
from camcalc.choose.records import CardVerdict, RankedCards
from camcalc.choose.wants import Figure, Want, wants_of
from camcalc.report.choose_page import ranking_html
from camcalc.report.choose_terminal import print_ranking
from camcalc.unit_system import UnitSystem
from camcalc.vehicle.acceleration_weighting import SurgeGrade
from camcalc.words import describe
from camcalc.words.choose import computed_text
from tests.plain_words import banned_in, long_sentences

Make = Callable[..., Any]


@pytest.fixture
def build(build_of: Make) -> Any:
    return build_of("quarry-road")


def many(build: Any, count: int) -> CandidateCards:
    """So many invented cards, drawn from the family about the sheet's own."""
    family = CardFamily(build.cam)
    rng = np.random.default_rng(3)
    points = [family.at(unit) for unit in rng.random((count, len(family.varied)))]
    cards = tuple(family.card(point).replace(name=f"card {k + 1}") for k, point in enumerate(points))
    return CandidateCards(cards, tuple(range(2, count + 2)), ())


@pytest.fixture
def ranked(build: Any, made_up_manners: Any, wanted: Any) -> RankedCards:
    return rank_cards(build, many(build, 60), wanted)


def test_cards_that_keep_every_want_come_first_the_longest_before_others(ranked: RankedCards) -> None:
    order = [STANDING[card.verdict] for card in ranked.cards]
    assert order == sorted(order)
    durations = [card.si.duration for card in ranked.cards if STANDING[card.verdict] == 0]
    assert durations == sorted(durations, reverse=True)
    assert len(durations) > 2


def test_the_best_are_settled_and_what_was_only_screened_has_no_figures(ranked: RankedCards) -> None:
    screening = Screening()
    assert all(card.settled for card in ranked.cards[: screening.best])
    assert 0 < ranked.settled < len(ranked.cards)
    for card in ranked.cards:
        assert (card.figures is None) is (not card.settled)
        assert all(kept.kept is None for kept in card.wants) is not card.settled
    frame = ranked.to_frame()
    assert frame.filter(~frame["settled"])["idle_vacuum [inHg]"].null_count() == len(ranked.cards) - ranked.settled


def test_verdicts_are_those_of_asking_every_card(ranked: RankedCards, build: Any, wanted: Any, made_up_manners: Any) -> None:
    wants = wants_of(build, wanted)
    by_name = {cam.name: cam for cam in many(build, 60).cards}
    wrong = 0
    for card in ranked.cards:
        found = made_up_manners(Asked(build, by_name[card.name], build.replaced_cam, wants, {}, "resolved"))
        keeps = all(demand.margin(found.figures[demand.figure]) >= 0.0 for demand in wants.demands)
        if card.settled:
            assert (card.verdict is not CardVerdict.FAILS) is keeps
        wrong += (STANDING[card.verdict] < 2) is not keeps
    assert wrong <= 1


def test_a_list_as_a_file_is_ranked_and_what_is_left_out_is_shown(build: Any, root: Any, made_up_manners: Any, wanted: Any) -> None:
    found = rank_cards(build, read_cards(root / "examples/quarry-road/cards.csv", build), wanted)
    assert [one.name for one in found.left_out] == ["QC too square (invented)"]
    console = Console(width=160, file=io.StringIO())
    print_ranking(found, console)
    said = console.file.getvalue()  # type: ignore[attr-defined]
    assert "Left out, row" in said
    assert said.index("Measure valve-to-piston clearance") < said.index("Best of")
    page = ranking_html(found)
    assert "QC too square (invented)" in page
    assert all(card.name in page for card in found.cards)
    assert long_sentences(describe(found.replace(left_out=()))) == []
    assert banned_in(describe(found)) == []


def test_no_want_counts_as_kept_that_was_not_computed(ranked: RankedCards, wanted: Any, build: Any) -> None:
    names = [demand.want for demand in wants_of(build, wanted).demands]
    looked = [card for card in ranked.cards if card.figures is not None and card.figures.surge is not None]
    assert 0 < len(looked) == ranked.on_road < ranked.settled
    assert any(card.settled for card in ranked.cards if card not in looked)
    for card in ranked.cards:
        assert [kept.want for kept in card.wants] == names
        gear = next(kept for kept in card.wants if kept.want is Want.LOWEST_USABLE)
        if card not in looked:
            assert gear.kept is not True
        if card.verdict in (CardVerdict.KEEPS, CardVerdict.NOT_SURE):
            assert all(kept.kept for kept in card.wants)
        if not card.settled:
            assert [kept for kept in card.wants if kept.kept is not None] == []
            assert card.verdict in (CardVerdict.LIKELY, CardVerdict.OPEN, CardVerdict.UNLIKELY)
    assert ranked.cards[0] in looked


def test_what_was_not_computed_is_shown_as_such_everywhere(ranked: RankedCards) -> None:
    console = Console(width=240, file=io.StringIO())
    print_ranking(ranked, console, most=100)
    said = console.file.getvalue()  # type: ignore[attr-defined]
    page = ranking_html(ranked)
    frame = ranked.to_frame()
    for card in ranked.cards:
        line = next(line for line in said.splitlines() if f" {card.name} " in line)
        row = frame.filter(frame["name"] == card.name).row(0, named=True)
        gear = next(kept for kept in card.wants if kept.want is Want.LOWEST_USABLE)
        assert row["lowest_usable kept"] == {True: "yes", False: "no", None: "not computed"}[gear.kept]
        assert computed_text(card) in line
        if not card.settled:
            assert computed_text(card) == "none"
            assert "keeps every want" not in line.replace("likely keeps every want", "")
        elif gear.kept is None:
            assert computed_text(card) == "all but lowest usable speed"
    assert page.count("<td>none</td>") >= len(ranked.cards) - ranked.settled
    assert "looked at for surge" in said


def test_geometry_is_computed_of_every_card(build: Any, made_up_manners: Any, wanted: Any) -> None:
    found = rank_cards(build, many(build, 60), wanted.replace(effective_compression_least=7.7))
    screened = [card for card in found.cards if not card.settled]
    assert screened
    for card in screened:
        kept = next(one for one in card.wants if one.want is Want.EFFECTIVE_COMPRESSION_LEAST)
        assert kept.kept is (kept.figure >= 7.7)
        assert computed_text(card) == "least effective compression alone"
        assert (card.verdict is CardVerdict.FAILS) is not kept.kept


def test_cards_that_surge_are_not_first_and_their_likes_are_held_back(build: Any, made_up_manners: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from camcalc.choose import ranking

    def surges(asked: Asked) -> Road:
        rough = made_up_manners(asked)
        bad = rough.figures[Figure.ROUGHNESS] > -0.2
        return Road(True, rough.road_variation, SurgeGrade.DISTURBING if bad else SurgeGrade.NOTICEABLE, 0.5)

    monkeypatch.setattr(ranking, "settle_road", surges)
    found = rank_cards(build, many(build, 120), build.wanted.replace(lowest_usable_gear=4, lowest_usable_speed="1400 rpm", sure="50 percent"))
    bad = [card for card in found.cards if card.figures is not None and card.figures.surge is SurgeGrade.DISTURBING]
    assert bad
    assert all(card.verdict is CardVerdict.FAILS and card.binds is Want.LOWEST_USABLE for card in bad)
    assert [card.figures.surge for card in found.cards[:3] if card.figures is not None] == [SurgeGrade.NOTICEABLE] * 3
    assert found.on_road < 12


def test_a_gear_whose_surge_has_no_answer_is_not_counted_as_kept(build: Any, made_up_manners: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from camcalc.choose import ranking

    monkeypatch.setattr(ranking, "settle_road", lambda asked: Road(True, 0.5 * build.limits.stability, SurgeGrade.UNKNOWN, 0.0))
    found = rank_cards(build, many(build, 40), build.wanted.replace(lowest_usable_gear=4, lowest_usable_speed="1400 rpm", sure="50 percent"))
    assert found.on_road
    kept = [one.kept for card in found.cards for one in card.wants if one.want is Want.LOWEST_USABLE]
    assert None in kept
    assert True not in kept
    assert not any(card.verdict in (CardVerdict.KEEPS, CardVerdict.NOT_SURE) for card in found.cards)


def test_json_has_lobe_separation_in_cam_degrees_with_its_unit(ranked: RankedCards, build: Any) -> None:
    by_name = {cam.name: cam for cam in many(build, 60).cards}
    data = json.loads(json.dumps(ranked.to_dict()))
    for card in data["cards"]:
        assert card["lobe_separation"] == {"value": pytest.approx(by_name[card["name"]].lobe_separation.magnitude), "unit": "cam_deg"}
        assert card["duration"]["unit"] == "crank_deg"
        assert card["probability"]["unit"] == "percent"
    assert RankedCards.from_dict(data).to_dict() == data


@pytest.mark.parametrize(("system", "said"), [(UnitSystem.IMPERIAL, "0.050 in (1.27 mm)"), (UnitSystem.METRIC, "1.27 mm (0.050 in)")])
def test_headings_are_in_the_sheets_units(build: Any, made_up_manners: Any, wanted: Any, system: UnitSystem, said: str) -> None:
    found = rank_cards(build.replace(units=system), many(build, 8), wanted)
    console = Console(width=200, file=io.StringIO())
    print_ranking(found, console)
    assert f"Intake duration at {said}" in console.file.getvalue()  # type: ignore[attr-defined]
    assert f"Intake duration at {said}" in ranking_html(found)


def test_no_cards_are_refused(build: Any, wanted: Any) -> None:
    with pytest.raises(InputError, match="one or more"):
        rank_cards(build, [], wanted)


def test_cards_to_begin_with_are_far_apart() -> None:
    units = np.random.default_rng(0).random((200, 3))
    some = units[spread_out(units, 12)]
    apart = np.sqrt(((some[:, None] - some[None]) ** 2).sum(axis=2)) + 9.0 * np.eye(12)
    drawn = np.sqrt(((units[:12, None] - units[None, :12]) ** 2).sum(axis=2)) + 9.0 * np.eye(12)
    assert apart.min() > 2.0 * drawn.min()

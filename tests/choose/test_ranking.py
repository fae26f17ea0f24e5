"""Cards of a list ranked: the best few settled, the others only screened and said so; effort that does not grow with the list."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from rich.console import Console

from camcalc import InputError, rank_cards, read_cards
from camcalc.choose.asking import Asked
from camcalc.choose.candidates import CandidateCards
from camcalc.choose.cards import CardFamily
from camcalc.choose.ranking import Screening, spread_out
from camcalc.choose.records import CardVerdict, RankedCards
from camcalc.choose.wants import wants_of
from camcalc.report.choose_page import ranking_html
from camcalc.report.choose_terminal import print_ranking
from camcalc.words import describe
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
    order = [(CardVerdict.KEEPS, CardVerdict.NOT_SURE, CardVerdict.FAILS).index(card.verdict) for card in ranked.cards]
    assert order == sorted(order)
    durations = [card.duration for card in ranked.cards if card.verdict is CardVerdict.KEEPS]
    assert durations == sorted(durations, reverse=True)
    assert len(durations) > 2


def test_the_best_are_settled_and_what_was_only_screened_has_no_figures(ranked: RankedCards) -> None:
    screening = Screening()
    assert all(card.settled for card in ranked.cards[: screening.best])
    assert 0 < ranked.settled < len(ranked.cards)
    for card in ranked.cards:
        assert (card.figures is None) is (not card.settled)
        assert bool(card.wants) is card.settled
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
        wrong += (card.verdict is not CardVerdict.FAILS) is not keeps
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


def test_no_cards_are_refused(build: Any, wanted: Any) -> None:
    with pytest.raises(InputError, match="one or more"):
        rank_cards(build, [], wanted)


def test_cards_to_begin_with_are_far_apart() -> None:
    units = np.random.default_rng(0).random((200, 3))
    some = units[spread_out(units, 12)]
    apart = np.sqrt(((some[:, None] - some[None]) ** 2).sum(axis=2)) + 9.0 * np.eye(12)
    drawn = np.sqrt(((units[:12, None] - units[None, :12]) ** 2).sum(axis=2)) + 9.0 * np.eye(12)
    assert apart.min() > 2.0 * drawn.min()

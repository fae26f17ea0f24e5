"""What ranking a list costs: engine runs that do not grow with the list, so that time beside them is linear in cards; counts, never seconds."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from camcalc import rank_cards
from camcalc.choose import ranking, runs
from camcalc.choose.ranking import Screening
from tests.choose.conftest import made_up, no_surge
from tests.choose.test_ranking import many

Make = Callable[..., Any]
# A run of the engine costs 1.3 s of one processor (measured: idle 1.1, road 0.2 to 0.4), looking at a gear with surge 3.5: a minute on two. Measured
# of the command on 500 generated cards with six wants, processors shared with others: 106 s of processor, 58 s once the design is kept.
RUN, ROAD, MINUTE = 1.3, 3.5, 120.0
SIZES = (50, 200, 500)


def test_runs_do_not_grow_with_the_list_and_fit_a_minute_on_two_cores(build_of: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: dict[str, int] = {"runs": 0, "roads": 0, "shapes": 0, "verdicts": 0}

    def counted(name: str, ask: Callable[[Any], Any]) -> Callable[[Any], Any]:
        def one(question: Any) -> Any:
            asked[name] += 1
            return ask(question)

        return one

    features = ranking.card_features
    monkeypatch.setattr(runs, "settle", counted("runs", made_up))
    monkeypatch.setattr(ranking, "settle_road", counted("roads", no_surge))
    monkeypatch.setattr(ranking, "card_features", counted("shapes", features))
    wants_held = ranking.kept_wants

    def held(*args: Any, **options: Any) -> Any:
        asked["verdicts"] += 1
        return wants_held(*args, **options)

    monkeypatch.setattr(ranking, "kept_wants", held)
    build = build_of("quarry-road")
    wanted = build.wanted.replace(idle_vacuum="12 inHg", lowest_usable_gear=4, lowest_usable_speed="1400 rpm")
    counts = {}
    for size in SIZES:
        asked.update(dict.fromkeys(asked, 0))
        rank_cards(build, many(build, size), wanted)
        counts[size] = dict(asked)
        # Work for each card: its shape once, its verdict in each round of settling and once for the row. Rounds do not grow with the list.
        assert asked["shapes"] == size
        assert asked["verdicts"] <= (Screening().settled + 3) * size
    print(f"\nruns of the engine by cards: {counts}")
    assert counts[500]["runs"] <= sum(Screening()) + 2 * Screening().best
    assert abs(counts[500]["runs"] - counts[SIZES[0]]["runs"]) <= 2 * Screening().best
    assert RUN * counts[500]["runs"] + ROAD * counts[500]["roads"] < MINUTE

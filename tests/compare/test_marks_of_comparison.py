"""A figure that is an end of a search, and a difference that rests on one, say so side by side."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any

import pytest

from camcalc import compare_builds
from camcalc.advice.idle_speeds import FASTEST, SLOWEST
from camcalc.compare.findings import Group, Why
from camcalc.compare.judging import compared
from camcalc.compare.rows import Row
from camcalc.marks import Mark

Make = Callable[..., Any]
LOWEST = Row("lowest", Group.IDLE, "crank_rps", "rpm", -1, Why.LOWER_IDLE, 0.5, (FASTEST, FASTEST), stands=Mark.OR_MORE)


def figure(a: float, b: float, mark_a: Mark | None = None, mark_b: Mark | None = None) -> Any:
    (found,) = compared([LOWEST], ({"lowest": a}, {"lowest": b}), {}, marks=({"lowest": mark_a}, {"lowest": mark_b}))
    return found


def test_a_figure_at_the_end_of_its_search_shows_it_and_so_does_the_difference() -> None:
    found = figure(SLOWEST, 20.0, Mark.OR_LESS)
    assert [found.text(which) for which in ("a", "b", "difference")] == ["350 or less", "1200", "+850 or more"]
    turned = figure(20.0, SLOWEST, None, Mark.OR_LESS)
    assert [turned.text(which) for which in ("a", "b", "difference")] == ["1200", "350 or less", "-850 or less"]
    assert turned.to_dict()["marks"] == {"a": None, "b": "or_less", "difference": "or_less"}


def test_two_figures_at_the_same_end_have_no_difference_to_show() -> None:
    found = figure(SLOWEST, SLOWEST, Mark.OR_LESS, Mark.OR_LESS)
    assert [found.text(which) for which in ("a", "b", "difference")] == ["350 or less", "350 or less", "none"]


def test_a_figure_that_stands_in_for_none_found_makes_the_difference_a_bound() -> None:
    found = figure(math.nan, 20.0, Mark.NONE_FOUND)
    assert [found.text(which) for which in ("a", "b", "difference")] == ["none", "1200", "-800 or less"]


def test_plain_figures_carry_no_mark() -> None:
    assert figure(15.0, 20.0).marks == {"a": None, "b": None, "difference": None}


def test_a_bracket_stays_a_bracket_side_by_side() -> None:
    row = Row("worst", Group.SPARK, "crank_deg", "crank_deg", 1, Why.HIGHER_CEILING)
    (found,) = compared([row], ({"worst": 37.0}, {"worst": 24.0}), {}, marks=({"worst": Mark.UNCURED}, {}))
    assert (found.text("a"), found.text("b"), found.text("difference")) == ("(37.0)", "24.0", "-13.0")


@pytest.fixture(scope="module")
def both(build_of: Make) -> Any:
    return compare_builds(build_of("quarry-road"), model="coarse", bands=False)


def test_what_the_searches_of_two_cams_end_at_is_marked(both: Any) -> None:
    lowest = both.figure("lowest_steady_speed")
    for which in ("a", "b"):
        assert (lowest.marks[which] is Mark.OR_LESS) == math.isclose(getattr(lowest, which), 350.0)
    assert Mark.OR_LESS in (lowest.marks["a"], lowest.marks["b"])
    for name in ("unstable_below", "worst_ceiling"):
        found = both.figure(name)
        for which in ("a", "b"):
            assert (found.marks[which] is Mark.NONE_FOUND) == math.isnan(getattr(found, which))
    data = json.loads(json.dumps(both.to_dict(), allow_nan=False))
    assert all(set(figure["marks"]) == {"a", "b", "difference"} for figure in data["figures"])
    ceiling = data["curves"]["ceiling"]
    assert [len(marks) for marks in ceiling["mark"]] == [len(values) for values in ceiling["value"]]

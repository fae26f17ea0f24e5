"""A value that is an end of a search or a cap is shown as that in every form of an explanation."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
import sympy

from camcalc.advice.idle import idle_state
from camcalc.explain import explain_topic
from camcalc.explain.as_page import explanation_html
from camcalc.explain.printing import mathml_of_value
from camcalc.explain.worksheet import Worksheet
from camcalc.marks import Mark
from camcalc.units import quantity

Make = Callable[..., Any]


@pytest.fixture(scope="module")
def told(build_of: Make, resolved_of: Make) -> Any:
    """A cell of the zone whose best torque ends the search and whose ceiling spark does not cure."""
    return explain_topic(build_of("quarry-road"), "ceiling", speed="1200 rpm", manifold_pressure="50 kPa", engine=resolved_of("quarry-road"))


def value_of(told: Any, name: str) -> Any:
    return next(v for step in told.steps for v in (*step.values, step.result) if v.symbol.name == name)


def test_best_torque_at_the_end_of_the_search_is_or_more(told: Any) -> None:
    best = value_of(told, "a_best")
    assert best.mark is Mark.OR_MORE
    assert best.text == "60 crank deg or more"
    assert best.to_dict()["mark"] == "or_more"
    # Where its number is put into a formula, too.
    first = told.steps[0]
    assert "or more" in first.lines()[1]
    assert first.result.text == "60 crank deg or more"


def test_a_ceiling_that_spark_does_not_cure_is_in_brackets_everywhere(told: Any) -> None:
    ceiling = value_of(told, "a_ceil")
    assert ceiling.mark in (Mark.UNCURED, Mark.UNCURED_OR_MORE)
    assert ceiling.text.startswith("(")
    assert ceiling.text in str(told)
    assert ceiling.text in explanation_html(told)
    data = json.loads(json.dumps(told.to_dict(), allow_nan=False))
    assert data["answers"][0]["mark"] in ("uncured", "uncured_or_more")
    assert "do not enter it" in told.reading


def test_a_capped_idle_spark_says_so(build_of: Make, engine_of: Make) -> None:
    build, model = build_of("quarry-road"), engine_of("quarry-road")
    capped = build.replace(idle=build.idle.replace(earliest_spark="9 crank_deg"))
    told = explain_topic(capped, "idle-vacuum", engine=model.asking(capped))
    assert "spark 9.0 deg (cap) BTDC" in value_of(told, "p_g").meaning
    assert value_of(told, "s").quantity.magnitude == 9.0


def test_both_candidates_of_an_idle_spark_are_told_and_the_later_is_the_idle_s_own(build_of: Make, engine_of: Make) -> None:
    model = engine_of("long-meadow", old=True)
    told, idle = explain_topic(build_of("long-meadow", old=True), "idle-vacuum", engine=model), idle_state(model)
    reserve, limit, spark = (value_of(told, name).quantity.magnitude for name in ("s_i", "s_m", "s"))
    assert (reserve, limit) == (idle.reserve_spark.magnitude, idle.misfire_limit.magnitude)
    assert spark == min(reserve, limit) == pytest.approx(idle.spark.magnitude, abs=0.5)


def test_a_mark_is_part_of_the_mathml() -> None:
    made = mathml_of_value(sympy.Symbol("a"), quantity(60.0, "crank_deg"), Mark.OR_MORE)
    assert "crank deg or more" in made.replace("\N{NO-BREAK SPACE}", "")


def test_a_step_is_marked_by_its_own_number() -> None:
    sheet = Worksheet()
    a = sheet.given("a", "spark", quantity(30.0, "crank_deg"), "asked for")
    rule = {60.0: Mark.OR_MORE}.get
    doubled = sheet.step("Twice.", "b", "twice", 2 * a, "crank_deg", lambda v: rule(round(v, 6)))
    assert sheet.values[doubled].mark is Mark.OR_MORE
    assert sheet.values[a].mark is None

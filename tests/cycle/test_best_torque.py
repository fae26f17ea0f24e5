"""The top of work over spark, and how far the gas exchange's answer moves it: exact for parabolas."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from camcalc.cycle.best_torque import EARLIEST, LATEST, MOST_SHIFT, clipped, shift_of, spark_ends, top_of
from camcalc.marks import Mark

Make = Callable[..., Any]
tops = st.floats(LATEST - 20.0, EARLIEST + 20.0)
bends = st.floats(0.01, 10.0)


@given(top=tops, bend=bends, guess=st.floats(-30.0, 90.0))
def test_the_top_of_a_parabola_is_found_from_anywhere_and_kept_within_the_search(top: float, bend: float, guess: float) -> None:
    found = top_of(lambda spark: -bend * (spark - top) ** 2, guess)
    assert LATEST <= found <= EARLIEST
    assert found == pytest.approx(clipped(top), abs=1e-6 if LATEST + 4.0 <= top <= EARLIEST - 4.0 else 2.0)


@given(top=st.floats(0.0, 50.0), bend=bends, per_degree=st.floats(-5.0, 5.0))
def test_work_that_grows_with_spark_moves_the_top_by_the_slope_over_the_bend(top: float, bend: float, per_degree: float) -> None:
    moved = shift_of(lambda spark: -bend * (spark - top) ** 2, top, per_degree)
    assert moved == pytest.approx(math.copysign(min(abs(per_degree) / (2.0 * bend), MOST_SHIFT), per_degree) if per_degree else 0.0, abs=1e-6)


def test_where_work_does_not_bend_down_nothing_is_moved() -> None:
    assert shift_of(lambda spark: spark**2, 20.0, 1.0) == 0.0
    assert shift_of(lambda spark: 1.0, 20.0, 1.0) == 0.0


@pytest.mark.parametrize(("way", "end"), [(1.0, EARLIEST), (-1.0, LATEST)])
@pytest.mark.parametrize("bend", [0.0, 1e-3])
def test_work_that_rises_to_an_end_of_the_search_gives_that_end_which_is_marked(way: float, end: float, bend: float) -> None:
    """Straight, or bending upwards: no parabola has a top there."""
    found = top_of(lambda spark: way * spark + bend * (spark - 25.0) ** 2, 30.0)
    assert found == end
    assert isinstance(spark_ends(found), Mark)


def test_no_spark_is_worked_out_twice() -> None:
    asked: list[float] = []

    def work(spark: float) -> float:
        asked.append(spark)
        return -((spark - 33.0) ** 2)

    top_of(work, 20.0)
    assert len(asked) == len(set(asked))


def test_only_what_the_search_clipped_is_an_end_of_it() -> None:
    assert spark_ends(clipped(75.0)) is Mark.OR_MORE
    assert spark_ends(clipped(-30.0)) is Mark.OR_LESS
    assert spark_ends(top_of(lambda spark: -((spark - 90.0) ** 2), 30.0)) is Mark.OR_MORE
    assert spark_ends(top_of(lambda spark: -((spark - 59.0) ** 2), 30.0)) is None


def test_where_the_gas_exchange_has_the_say_best_torque_is_that_of_settled_cycles(resolved_of: Make) -> None:
    """A long cam at a light load near idle: on a held exchange work rises to the earliest spark searched, settled cycles say otherwise."""
    engine = resolved_of("quarry-road")
    speed, pressure = 1000.0 / 60.0, 44e3
    best = engine.best_spark(speed, pressure)
    nets = {spark: engine.state(speed, pressure, spark).net for spark in (*np.arange(20.0, 61.0, 8.0), best)}
    assert nets[best] >= max(nets.values()) - 100.0
    assert abs(best - max(nets, key=lambda spark: nets[spark])) <= 8.0

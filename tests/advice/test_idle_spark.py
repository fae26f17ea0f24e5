"""Idle spark: flat or falling with speed, and what the idle does over spark."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from camcalc.advice.idle import IDLE_REACH, idle_state
from camcalc.advice.idle_spark import SPARKS, IdleSpark, beside_table, idle_spark_advice, through_idle
from camcalc.plot import plot_idle_spark

Make = Callable[..., Any]
CASES = [("quarry-road", False), ("quarry-road", True)]


@pytest.fixture(scope="module")
def advice_of(resolved_of: Make) -> Callable[..., IdleSpark]:
    @functools.cache
    def advice(name: str, old: bool) -> IdleSpark:
        return idle_spark_advice(resolved_of(name, old=old))

    return advice


@given(own=arrays.arrays(float, st.sampled_from([1, 3, 5, 7]), elements=st.floats(-10.0, 60.0) | st.just(np.nan)))
def test_spark_around_an_idle_never_rises_goes_through_the_idle_s_own_and_passes_no_faster_one_s(own: Any) -> None:
    out, middle = through_idle(own), own.size // 2
    assert (np.isnan(out) == np.isnan(own)).all()
    known = ~np.isnan(own)
    assert (np.diff(out[known]) <= 0.0).all()
    if known[middle]:
        assert out[middle] == own[middle]
        slower = known & (np.arange(own.size) < middle)
        assert (out[slower] <= np.maximum(own[slower], own[middle])).all()
    faster = known & (np.arange(own.size) > middle)
    assert (out[faster] <= own[faster]).all()
    assert np.array_equal(through_idle(out), out, equal_nan=True)


@pytest.mark.parametrize(("name", "old"), CASES)
def test_idle_spark_never_rises_with_speed_within_300_rpm(advice_of: Make, resolved_of: Make, name: str, old: bool) -> None:
    found = advice_of(name, old)
    target = resolved_of(name, old=old).build.idle.si.speed
    assert found.si.speed.min() == pytest.approx(target - IDLE_REACH)
    assert found.si.speed.max() == pytest.approx(target + IDLE_REACH)
    runs = np.isfinite(found.si.spark)
    assert runs.sum() >= 4
    assert (np.diff(found.si.spark[runs]) <= 0.0).all()
    faster = runs & (found.si.speed >= target)
    assert (found.si.spark[faster] <= np.minimum(found.si.reserve_spark, found.si.misfire_limit)[faster] + 0.5).all()


@pytest.mark.parametrize(("name", "old"), CASES)
def test_a_far_retarded_spark_costs_vacuum(advice_of: Make, name: str, old: bool) -> None:
    si = advice_of(name, old).si
    late = si.swept_spark <= min(15.0, float(si.best_spark[si.speed.size // 2]))
    assert late.sum() >= 3
    assert (np.diff(si.manifold_vacuum[late]) > 0.0).all()


def test_over_spark_a_long_cam_misses_more_with_earlier_spark_burns_in_part_more_with_later_and_is_cleaner(advice_of: Make) -> None:
    si = advice_of("quarry-road", False).si
    runs = np.isfinite(si.missed)
    assert (np.diff(si.missed[runs]) > -1e-3).all()
    assert si.missed[runs][-1] > 0.1 > si.missed[runs][0]
    early = runs & (si.swept_spark >= 20.0) & (si.missed < 0.3)
    assert (np.diff(si.partial[early]) < 1e-3).all()
    late = si.swept_spark <= 15.0
    assert (np.diff(si.burned_fraction[late]) > 0.0).all()


def test_the_mild_cam_s_vacuum_passes_a_top_and_falls_again_beyond_best_torque(advice_of: Make) -> None:
    found = advice_of("quarry-road", True)
    vacuum = found.si.manifold_vacuum
    top = int(np.nanargmax(vacuum))
    assert 0 < top < vacuum.size - 1
    best = float(found.si.best_spark[found.si.speed.size // 2])
    assert abs(float(found.si.swept_spark[top]) - best) <= 5.0


@pytest.mark.parametrize(("name", "old"), CASES)
def test_there_is_one_idle_spark(advice_of: Make, resolved_of: Make, name: str, old: bool) -> None:
    found, idle = advice_of(name, old), idle_state(resolved_of(name, old=old))
    middle = found.si.speed.size // 2
    assert found.si.speed[middle] == idle.si.speed
    assert found.si.idle_spark == found.si.spark[middle] == idle.si.spark
    assert found.rule is idle.rule
    assert (found.si.idle_reserve_spark, found.si.idle_misfire_limit) == (idle.si.reserve_spark, idle.si.misfire_limit)
    assert found.si.idle_misfire_limit_cautious == idle.si.cautious_misfire_limit
    beside = beside_table(found, 10.0)
    assert beside is not None
    assert beside.si.idle_spark == idle.si.spark
    assert beside.si.vacuum_on_idle_spark == pytest.approx(idle.si.manifold_vacuum, rel=1e-3)
    assert beside.si.missed_on_idle_spark == pytest.approx(idle.si.missed, abs=1e-3)
    assert set(SPARKS) <= set(found.si.swept_spark)


def test_the_vacuum_swept_meets_the_idle_s_own(advice_of: Make, resolved_of: Make) -> None:
    found, idle = advice_of("quarry-road", True), idle_state(resolved_of("quarry-road", old=True))
    between = float(np.interp(idle.si.spark, found.si.swept_spark, found.si.manifold_vacuum))
    assert between == pytest.approx(idle.si.manifold_vacuum, rel=5e-3)


def test_the_plot_shows_misses_over_spark_and_marks_the_idle_spark_and_both_misfire_limits(advice_of: Make) -> None:
    found = advice_of("quarry-road", False)
    ax = plot_idle_spark(found)
    heads = [strip.get_ylabel().replace("\n", " ") for strip in ax.child_axes]
    assert heads == ["vacuum [inHg]", "COV of IMEP [%]", "missed cycles [%]", "partial burns [%]", "residual [%]"]
    missed = ax.child_axes[2].get_lines()[0]
    assert missed.get_ydata() == pytest.approx(found.missed.magnitude, nan_ok=True)
    lines = {line.get_label(): line.get_xdata()[0] for line in ax.get_lines() if line.get_linestyle() != "None"}
    si = found.si
    assert lines == {"idle spark": si.idle_spark, "misfire limit": si.idle_misfire_limit, "misfire limit, cautious": si.idle_misfire_limit_cautious}
    (shaded,) = ax.patches
    assert shaded.get_x() == si.idle_misfire_limit_cautious
    assert shaded.get_width() == pytest.approx(si.idle_misfire_limit - si.idle_misfire_limit_cautious)

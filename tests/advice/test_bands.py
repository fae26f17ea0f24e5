"""How sure the headline numbers are."""

from __future__ import annotations

import math
from collections.abc import Mapping

import pytest

from camcalc import NoSolutionError, QuickEngine
from camcalc.advice.bands import TOLERANCES, sample_bands
from camcalc.cycle.operating import Tolerances

ALL = tuple(TOLERANCES)


def only_friction(t: Mapping[str, float]) -> dict[str, float]:
    return {"figure": 100.0 * t["friction"]}


def test_a_figure_moved_by_one_tolerance_gets_that_band() -> None:
    half_width = TOLERANCES["friction"][0]
    found = sample_bands(only_friction, ALL, power=8)
    # 10 to 90 % of a uniform spread is 0.8 of it; two samples' spacing of 256.
    assert found.bands["figure"].low == pytest.approx(100.0 * (1.0 - 0.8 * half_width), abs=200.0 * half_width / 128.0)
    assert found.bands["figure"].high == pytest.approx(100.0 * (1.0 + 0.8 * half_width), abs=200.0 * half_width / 128.0)
    assert found.matters["figure"][0] == TOLERANCES["friction"][1]
    assert found.no_answer["figure"] == 0.0


def test_what_moves_a_figure_most_is_named_first() -> None:
    found = sample_bands(lambda t: {"figure": 5.0 * t["overlap"] - 1.0 * t["burn"] + 0.1 * t["efficiency"]}, ALL, power=6)
    assert found.matters["figure"][:2] == (TOLERANCES["overlap"][1], TOLERANCES["burn"][1])


def test_the_same_seed_gives_the_same_bands() -> None:
    assert sample_bands(only_friction, ALL, power=4) == sample_bands(only_friction, ALL, power=4)
    assert sample_bands(only_friction, ALL, power=4).bands != sample_bands(only_friction, ALL, power=4, seed=1).bands


def test_samples_without_an_answer_are_counted_and_left_out() -> None:
    def half_missing(t: Mapping[str, float]) -> dict[str, float]:
        if t["overlap"] > 1.0:
            raise NoSolutionError("no idle")
        return {"figure": t["overlap"], "never": math.nan}

    found = sample_bands(half_missing, ALL, power=6)
    assert found.samples == 64
    assert found.no_answer["figure"] == 0.5
    assert found.bands["figure"].high <= 1.0
    assert found.no_answer["never"] == 1.0
    assert "never" not in found.bands


def test_the_progress_told_rises_to_one() -> None:
    shares: list[float] = []
    sample_bands(only_friction, ALL, power=3, progress=shares.append)
    assert shares == [k / 8 for k in range(1, 9)]


def test_only_what_a_model_is_unsure_of_is_sampled() -> None:
    seen: list[set[str]] = []

    def note(t: Mapping[str, float]) -> dict[str, float]:
        seen.append(set(t))
        return {}

    sample_bands(note, ("burn", "friction"), power=2)
    assert seen == [{"burn", "friction"}] * (4 + 1)  # and once at the nominal
    assert set(QuickEngine.uncertain) <= set(ALL) <= set(Tolerances._fields)

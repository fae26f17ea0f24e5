"""ISO 2631-1: factors against the printed table and independent evaluation, and what a weighted sine comes to."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import scipy.signal

from camcalc.drive.surge import PEAK_TO_PEAK, grade
from camcalc.errors import InputError
from camcalc.vehicle.acceleration_weighting import (
    GRADES,
    ComfortReaction,
    SurgeGrade,
    comfort_reactions,
    grade_of,
    vibration_dose,
    weighted,
    weighting_factor,
)


@pytest.mark.reference("logs_weighting.csv")
def test_factors_are_those_of_the_filter_and_of_the_printed_table(row: Any) -> None:
    """To the last digit. 10 Hz of Wd stands in the table as 212, a misprint: it is tested against the filter alone."""
    row.check(float(abs(weighting_factor(row.frequency, row.weighting))))


def test_a_sine_through_the_weighting_has_the_weighted_size() -> None:
    t = np.arange(0.0, 60.0, 0.01)
    steady = weighted(0.3 * np.sin(2.0 * np.pi * 3.0 * t), 0.01)[1000:5000]
    assert np.sqrt(np.mean(steady**2)) == pytest.approx(0.14219, abs=1e-5)
    assert 0.315 * np.sqrt(2.0) / abs(weighting_factor(3.0)) == pytest.approx(0.66461, abs=1e-5)


def test_weighting_in_time_is_that_of_an_analogue_filter() -> None:
    """A pulse, against scipy's simulation from polynomials; that draws straight lines between samples, so that its error goes as the step squared."""
    step = 0.0005
    t = np.arange(0.0, 8.0, step)
    pulse = np.exp(-((t - 2.0) ** 2) / 0.02)
    one, two, three = 2 * np.pi * 0.4, 2 * np.pi * 100.0, 2 * np.pi * 2.0
    above = np.polymul([1.0, 0.0, 0.0], np.polymul([two**2], [1.0 / three, 1.0]))
    below = np.polymul(np.polymul([1.0, np.sqrt(2) * one, one**2], [1.0, np.sqrt(2) * two, two**2]), [1.0 / three**2, 1.0 / (0.63 * three), 1.0])
    _, expected, _ = scipy.signal.lsim((above, below), pulse, t)
    assert np.abs(weighted(pulse, step) - expected).max() < 2.5e-6


def test_dose_of_a_sine() -> None:
    t = np.arange(0.0, 60.0, 0.001)
    assert vibration_dose(0.3 * np.sqrt(2.0) * np.sin(2.0 * np.pi * 3.0 * t), 0.001) == pytest.approx(0.92402, abs=1e-5)


def test_the_standards_bands_overlap_and_ours_do_not() -> None:
    assert comfort_reactions(0.9) == (ComfortReaction.FAIRLY_UNCOMFORTABLE, ComfortReaction.UNCOMFORTABLE)
    assert comfort_reactions(0.1422) == (ComfortReaction.NOT_UNCOMFORTABLE,)
    assert [grade_of(a).code for a in (0.04, 0.051, 0.151, 0.41, 0.81, float("inf"), float("nan"))] == [
        "smooth", "trace", "noticeable", "disturbing", "severe_bucking", "severe_bucking", "unknown",
    ]  # fmt: skip


def test_the_scale_of_surge_is_the_one_that_outputs_use() -> None:
    """From the style of outputs: smooth, trace, noticeable, disturbing, severe bucking, self-excited bucking, stalls; not known is a verdict too."""
    scale = ["not known", "smooth", "trace", "noticeable", "disturbing", "severe bucking", "self-excited bucking", "stalls"]
    assert [str(grade) for grade in SurgeGrade] == scale
    assert [grade.bad for grade in SurgeGrade] == [False] * 4 + [True] * 4
    assert SurgeGrade.worst(SurgeGrade.UNKNOWN, SurgeGrade.SMOOTH) is SurgeGrade.SMOOTH


@pytest.mark.parametrize(("top", "word"), GRADES[:-1])
def test_a_limit_belongs_to_the_milder_grade(top: float, word: str) -> None:
    assert grade_of(top) == word
    assert grade_of(np.nextafter(top, 1.0)) != word


@pytest.mark.parametrize("acceleration", [*(top for top, _ in GRADES), *np.geomspace(1e-3, 10.0, 23).tolist()])
def test_a_prediction_and_a_log_are_graded_by_one_rule(acceleration: float) -> None:
    """The prediction hands in r.m.s., a quarter of its peak to peak; dividing by four is exact."""
    assert grade(acceleration / PEAK_TO_PEAK, 0.1) == grade_of(acceleration)


def test_an_unknown_weighting_is_refused() -> None:
    with pytest.raises(InputError, match="Wd"):
        weighting_factor(1.0, "Wx")

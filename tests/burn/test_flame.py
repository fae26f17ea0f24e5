"""Flame speed and what burned gas does to it."""

from __future__ import annotations

import itertools
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from camcalc.burn.flame import DILUTION_DATA_END, dilution_factor, dilution_factor_by_mole, dilution_factor_kernel, flame_speed, flame_speed_kernel
from camcalc.errors import InputError

ATM = 101325.0
temperatures = st.floats(400.0, 1000.0)
pressures = st.floats(1e5, 4e6)
shares = st.floats(0.0, 1.0)


def speed(temperature: float, pressure: float, phi: float = 1.0, burned: float = 0.0, ethanol: float = 0.0) -> float:
    return flame_speed_kernel(temperature, pressure, phi, burned, ethanol)


@pytest.mark.reference("burn_flame_speed.csv")
def test_flame_speed_is_as_published(row: Any) -> None:
    row.check(flame_speed(f"{row.temperature} K", f"{row.pressure_atm} atm", burned=row.burned).to("cm/s").magnitude)


@pytest.mark.reference("burn_dilution.csv")
def test_burned_gas_slows_the_flame_as_published(row: Any) -> None:
    row.check((dilution_factor if row.by == "mass" else dilution_factor_by_mole)(row.fraction).magnitude)


def test_ethanol_burns_as_much_faster_than_iso_octane_as_published() -> None:
    # Gulder 1984 at 600 K and 10 atm: 1.0204 m/s for ethanol (from memory), 0.8070 for iso-octane (read).
    assert speed(600.0, 10 * ATM, ethanol=1.0) / speed(600.0, 10 * ATM) == pytest.approx(1.0204 / 0.8070, abs=2e-3)


@given(temperature=temperatures, atmospheres=st.floats(3.0, 40.0), share=st.floats(0.02, 0.25))
def test_ethanol_in_gasoline_speeds_the_flame(temperature: float, atmospheres: float, share: float) -> None:
    # Up to 25 % by volume: Bayraktar 2007 (read).
    assert speed(temperature, atmospheres * ATM, ethanol=share) > speed(temperature, atmospheres * ATM)


@given(temperature=temperatures, pressure=pressures, burned=shares, ethanol=shares)
def test_heat_speeds_the_flame_and_pressure_slows_it(temperature: float, pressure: float, burned: float, ethanol: float) -> None:
    here = speed(temperature, pressure, 1.0, burned, ethanol)
    assert here > 0.0
    assert speed(temperature + 10.0, pressure, 1.0, burned, ethanol) > here
    assert speed(temperature, pressure * 1.1, 1.0, burned, ethanol) < here


@given(temperature=temperatures, pressure=pressures, burned=shares)
def test_burned_gas_enters_as_a_factor_that_no_state_changes(temperature: float, pressure: float, burned: float) -> None:
    assert speed(temperature, pressure, 1.0, burned) == pytest.approx(speed(temperature, pressure) * dilution_factor_kernel(burned), rel=1e-12)


@given(less=shares, more=shares)
def test_the_dilution_factor_falls_and_never_reaches_zero(less: float, more: float) -> None:
    less, more = sorted((less, more))
    assert dilution_factor_kernel(0.0) == 1.0
    assert 0.0 < dilution_factor_kernel(more) <= dilution_factor_kernel(less)
    if more - less > 1e-9:
        assert dilution_factor_kernel(more) < dilution_factor_kernel(less)


def test_the_tail_meets_the_data_with_equal_value_and_slope() -> None:
    step = 1e-6
    edge = dilution_factor_kernel(DILUTION_DATA_END)
    assert dilution_factor_kernel(math.nextafter(DILUTION_DATA_END, 1.0)) == pytest.approx(edge, rel=1e-12)
    before = (edge - dilution_factor_kernel(DILUTION_DATA_END - step)) / step
    after = (dilution_factor_kernel(DILUTION_DATA_END + step) - edge) / step
    assert before == pytest.approx(-2.1, rel=1e-8)
    # One step along a tail whose curvature is 2.1^2/0.58 leaves half of it times the step.
    assert after == pytest.approx(before + 0.5 * 2.1**2 / 0.58 * step, rel=1e-8)


def test_the_tail_is_an_exponential() -> None:
    logs = [math.log(dilution_factor_kernel(f)) for f in (0.3, 0.5, 0.7, 0.9)]
    falls = [b - a for a, b in itertools.pairwise(logs)]
    assert falls == pytest.approx([falls[0]] * 3, rel=1e-12)


@given(diluent=st.floats(0.30, 1.0))
def test_the_factor_by_mole_falls_below_the_one_by_mass_where_long_cams_idle(diluent: float) -> None:
    assert dilution_factor_by_mole.kernel(diluent) < dilution_factor_kernel(diluent)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("650 K", 8.0), 'write the unit: "8.0'),
        ((650.0, "8 atm"), "a temperature"),
        (("650 K", "8 inch"), "a pressure"),
        (("100 K", "8 atm"), "temperature"),
    ],
)
def test_a_state_that_cannot_be_is_refused(arguments: tuple[Any, Any], words: str) -> None:
    with pytest.raises(InputError, match=words):
        flame_speed(*arguments)


@pytest.mark.parametrize("burned", [-0.1, 1.2, "20 kPa"])
def test_a_burned_fraction_that_cannot_be_is_refused(burned: Any) -> None:
    with pytest.raises(InputError, match="burned"):
        flame_speed("650 K", "8 atm", burned=burned)
    with pytest.raises(InputError, match="burned"):
        dilution_factor(burned)

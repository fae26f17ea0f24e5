"""The air around the engine against the standard's table and an independent library."""

from __future__ import annotations

from typing import Any

import fluids
import pytest
import sympy as sp
from hypothesis import given
from hypothesis import strategies as st

from camcalc.constants import STANDARD_PRESSURE
from camcalc.engine.atmosphere import EARTH_RADIUS, barometer_of, standard_pressure
from camcalc.errors import InputError
from camcalc.sheet import read_build


@pytest.mark.reference("atmosphere.csv")
def test_pressure_at_altitude(row: Any) -> None:
    row.check(standard_pressure(f"{row.altitude} m").to(row.unit).magnitude)


@given(st.floats(-500.0, 11000.0))
def test_pressure_agrees_with_an_independent_library(altitude: float) -> None:
    # The library's gas constant differs in the seventh digit.
    assert standard_pressure.kernel(altitude) == pytest.approx(fluids.ATMOSPHERE_1976(altitude).P, rel=1e-6)


@given(st.floats(0.0, 10000.0))
def test_pressure_is_in_balance_with_the_weight_of_the_air(altitude: float) -> None:
    """dp/dZ = -g rho, with gravity falling with the square of the distance and the standard's temperature and gas constant."""
    step = 0.5
    slope = (standard_pressure.kernel(altitude + step) - standard_pressure.kernel(altitude - step)) / (2.0 * step)
    gravity = 9.80665 * (EARTH_RADIUS / (EARTH_RADIUS + altitude)) ** 2
    temperature = 288.15 - 0.0065 * EARTH_RADIUS * altitude / (EARTH_RADIUS + altitude)
    density = standard_pressure.kernel(altitude) * 0.0289644 / (8.31432 * temperature)
    assert slope == pytest.approx(-gravity * density, rel=1e-6)


def test_the_formula_follows_from_the_balance() -> None:
    height, lapse, start, weight = sp.symbols("H L T0 k", positive=True)
    formula = (1 - lapse * height / start) ** (weight / lapse)
    assert sp.simplify(sp.diff(formula, height) + weight * formula / (start - lapse * height)) == 0
    assert formula.subs(height, 0) == 1


def test_a_site_with_a_barometer_uses_it(sheet: dict[str, Any]) -> None:
    sheet["site"] = {"barometer": "97.3 kPa"}
    assert barometer_of(read_build(sheet).site) == pytest.approx(97.3e3, rel=1e-12)


def test_a_site_without_one_uses_its_altitude_and_sea_level_when_it_says_nothing(sheet: dict[str, Any]) -> None:
    sheet["site"] = {"altitude": "1000 m"}
    assert barometer_of(read_build(sheet).site) == standard_pressure.kernel(1000.0)
    del sheet["site"]
    assert barometer_of(read_build(sheet).site) == STANDARD_PRESSURE


@pytest.mark.parametrize("altitude", ["12 km", "-1000 m", 300, "300 mbar"])
def test_an_altitude_beyond_the_layer_or_without_unit_is_refused(altitude: Any) -> None:
    with pytest.raises(InputError):
        standard_pressure(altitude)

"""Outputs in the user's units, and no more digits than the band carries."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from camcalc.unit_system import UnitSystem, band_text, decimals_of, figure_text, length_text, shown, shown_text, vacuum_text

METRIC, IMPERIAL = UnitSystem.METRIC, UnitSystem.IMPERIAL


@pytest.mark.parametrize(
    ("value", "unit", "show", "metric", "imperial"),
    [
        (0.1, "m", "", (100.0, "mm"), (100.0 / 25.4, "in")),
        (91.44, "m", "m", (91.44, "m"), (300.0, "ft")),
        (5.9e-3, "m**3", "", (5.9, "L"), (5.9e6 / 25.4**3 * 1e0, "cu in")),
        (4.3e-4, "m**3", "cc", (430.0, "cc"), (430.0, "cc")),
        (60e3, "Pa", "", (60.0, "kPa"), (60.0, "kPa")),
        (26.8224, "m/s", "", (96.56064, "km/h"), (60.0, "mph")),
        (135.58179483314004, "N*m", "", (135.58179483314004, "N m"), (100.0, "lb-ft")),
        (45.359237, "kg", "", (45.359237, "kg"), (100.0, "lb")),
        (293.15, "K", "", (20.0, "degC"), (68.0, "degF")),
        (1131.0 / 60.0, "crank_rps", "", (1131.0, "rpm"), (1131.0, "rpm")),
        (24.0, "crank_deg", "", (24.0, "deg"), (24.0, "deg")),
    ],
)
def test_a_figure_is_shown_in_the_users_unit(value: float, unit: str, show: str, metric: tuple[float, str], imperial: tuple[float, str]) -> None:
    for system, (expected, name) in ((METRIC, metric), (IMPERIAL, imperial)):
        found = shown(value, unit, system, show=show)
        assert found.value == pytest.approx(expected, rel=1e-9)
        assert found.unit == name


def test_an_array_is_shown_too() -> None:
    assert shown(np.array([0.0254, 0.0508]), "m", IMPERIAL).value == pytest.approx([1.0, 2.0])


def test_a_length_stands_in_both_units_the_users_own_first() -> None:
    assert length_text(0.050 * 0.0254, IMPERIAL) == "0.050 in (1.27 mm)"
    assert length_text(0.050 * 0.0254, METRIC) == "1.27 mm (0.050 in)"
    assert length_text(0.103, METRIC) == "103.00 mm (4.055 in)"


def test_vacuum_goes_by_the_system_and_brakes_get_both() -> None:
    pressures = {"low": 10.0 * 3386.389, "high": 11.6 * 3386.389}
    assert vacuum_text(10.9 * 3386.389, IMPERIAL, **pressures) == "10.9 inHg (10.0 to 11.6)"
    assert vacuum_text(10.9 * 3386.389, IMPERIAL, **pressures, brakes=True) == "10.9 inHg (10.0 to 11.6)"
    assert vacuum_text(10.9 * 3386.389, METRIC, **pressures) == "36.9 kPa (33.9 to 39.3)"
    assert vacuum_text(10.9 * 3386.389, METRIC, **pressures, brakes=True) == "36.9 kPa (33.9 to 39.3) [10.9 inHg (10.0 to 11.6)]"


@pytest.mark.parametrize(
    ("value", "low", "high", "text"),
    [
        (1131.0, 900.0, 1350.0, "1130 rpm (900 to 1350)"),
        (10.934, 10.04, 11.61, "10.9 rpm (10.0 to 11.6)"),
        (36.24, 27.1, 48.8, "36 rpm (27 to 49)"),
        # Half widths 0.354 and 0.355, either side of the rule's first edge; 9.49 and 9.50 of its second.
        (5.0, 4.646, 5.354, "5.00 rpm (4.65 to 5.35)"),
        (5.0, 4.645, 5.355, "5.0 rpm (4.6 to 5.4)"),
        (100.0, 90.51, 109.49, "100 rpm (91 to 109)"),
        (100.0, 90.5, 109.5, "100 rpm (90 to 110)"),
        (-0.02, -1.0, 1.0, "0.0 rpm (-1.0 to 1.0)"),
    ],
)
def test_no_more_digits_than_the_band_carries(value: float, low: float, high: float, text: str) -> None:
    assert band_text(value, low, high, "rpm") == text


def test_without_a_band_a_figure_has_three_digits_and_all_before_the_point() -> None:
    assert [figure_text(v) for v in (1131.4, 112.25, 9.8765, 0.012345, 0.0, math.nan)] == ["1131", "112", "9.88", "0.0123", "0.00"[:1], "none"]
    assert figure_text(12.3456, 12.0, 12.0) == "12.3"
    assert band_text(112.25, math.nan, math.nan, "deg") == "112 deg"


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6))
def test_rounding_moves_a_figure_by_less_than_a_fifth_of_half_its_band(value: float, half: float) -> None:
    low, high = value - half, value + half
    places = decimals_of(low, high)
    assert places is not None
    # The coarsest case is a half width of 3.55 rounded at 1, or 0.95 at 0.1: half a step is at most a seventh of the half width.
    moved = abs(float(figure_text(value, low, high)) - value)
    assert moved <= half / 7.0 + 1e-9 * abs(value)
    assert 10.0**-places <= 0.29 * 0.5 * (high - low) * (1.0 + 1e-9)


def test_a_speed_with_its_band() -> None:
    assert shown_text(11.2, "m/s", METRIC, low=10.0, high=12.4) == "40 km/h (36 to 45)"

"""Flame speed and what burned gas does to it."""

from __future__ import annotations

import csv
import functools
import itertools
import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from camcalc.burn import flame
from camcalc.burn.flame import (
    COLDEST,
    DENSEST,
    DILUTION_DATA_END,
    HOTTEST,
    TABLE,
    THINNEST,
    dilution_factor,
    dilution_factor_by_mole,
    dilution_ratio,
    dilution_ratio_kernel,
    flame_speed,
    flame_speed_kernel,
    log_dilution_kernel,
    read_dilution_table,
    undiluted_speed_kernel,
)
from camcalc.errors import InputError
from tests.oracles import diluted_flame

ATM = 101325.0
DATA = Path(flame.__file__).with_name("dilution.csv").read_text(encoding="utf-8")
POINTS = list(itertools.product(range(TABLE.temperature.size), range(TABLE.pressure.size), range(TABLE.burned.size)))
temperatures = st.floats(400.0, 1000.0)
pressures = st.floats(1e5, 4e6)
shares = st.floats(0.0, 1.0)


def speed(temperature: float, pressure: float, phi: float = 1.0, burned: float = 0.0, ethanol: float = 0.0) -> float:
    return flame_speed_kernel(temperature, pressure, phi, burned, ethanol)


@pytest.mark.reference("burn_flame_speed.csv")
def test_flame_speed_is_as_published(row: Any) -> None:
    row.check(flame_speed(f"{row.temperature} K", f"{row.pressure_atm} atm", burned=row.burned).to("cm/s").magnitude)


def test_ethanol_burns_as_much_faster_than_iso_octane_as_published() -> None:
    # Gulder 1984 at 600 K and 10 atm: 1.0204 m/s for ethanol (from memory), 0.8070 for iso-octane (read).
    assert speed(600.0, 10 * ATM, ethanol=1.0) / speed(600.0, 10 * ATM) == pytest.approx(1.0204 / 0.8070, abs=2e-3)


@given(temperature=temperatures, atmospheres=st.floats(3.0, 40.0), share=st.floats(0.02, 0.25))
def test_ethanol_in_gasoline_speeds_the_flame(temperature: float, atmospheres: float, share: float) -> None:
    # Up to 25 % by volume: Bayraktar 2007 (read).
    assert speed(temperature, atmospheres * ATM, ethanol=share) > speed(temperature, atmospheres * ATM)


@given(temperature=temperatures, pressure=pressures, burned=shares, ethanol=shares)
def test_heat_speeds_the_flame(temperature: float, pressure: float, burned: float, ethanol: float) -> None:
    here = speed(temperature, pressure, 1.0, burned, ethanol)
    assert here > 0.0
    assert speed(temperature + 10.0, pressure, 1.0, burned, ethanol) > here


@given(temperature=temperatures, pressure=pressures, burned=st.floats(0.0, 0.4), ethanol=shares)
def test_pressure_slows_the_flame_as_far_as_flames_in_engines_were_measured(temperature: float, pressure: float, burned: float, ethanol: float) -> None:
    assert speed(temperature, pressure * 1.1, 1.0, burned, ethanol) < speed(temperature, pressure, 1.0, burned, ethanol)


@given(temperature=temperatures, pressure=pressures, burned=shares, ethanol=shares, exponent=st.floats(0.8, 1.1))
def test_burned_gas_enters_as_the_ratio_at_the_state_under_its_exponent(
    temperature: float, pressure: float, burned: float, ethanol: float, exponent: float
) -> None:
    undiluted = undiluted_speed_kernel(temperature, pressure, 1.0, ethanol)
    assert speed(temperature, pressure, 1.0, burned, ethanol) == pytest.approx(undiluted * dilution_ratio_kernel(burned, temperature, pressure), rel=1e-12)
    expected = undiluted * dilution_ratio_kernel(burned, temperature, pressure) ** exponent
    assert flame_speed_kernel(temperature, pressure, 1.0, burned, ethanol, exponent) == pytest.approx(expected, rel=1e-12)


# The table of flames from chemistry.


def test_the_table_says_how_it_was_made_and_holds_the_generator_s_points() -> None:
    lines = [line for line in DATA.splitlines() if not line.startswith("#")]
    rows = list(csv.reader(lines))
    states = [(row[0], *map(float, row[1:4])) for row in rows[1:]]
    assert tuple(rows[0]) == diluted_flame.COLUMNS
    assert states == diluted_flame.states()
    head = "".join(line for line in DATA.splitlines(keepends=True) if line.startswith("#"))
    day, version = head.split("Computed on ")[1].split()[0], head.split("Cantera ")[1].split()[0]
    # Whatever else is said there comes after it.
    assert head.startswith(diluted_flame.header(day, version))


def test_the_table_travels_with_the_package(root: Path) -> None:
    declared = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]["package-data"]
    tables = sorted(path.relative_to(root / "camcalc") for path in (root / "camcalc").rglob("*.csv"))
    assert tables
    assert [path.name in declared[f"camcalc.{path.parent.as_posix().replace('/', '.')}"] for path in tables] == [True] * len(tables)


@pytest.mark.parametrize(("i", "j", "k"), POINTS)
def test_at_its_points_the_ratio_is_that_of_the_flames(i: int, j: int, k: int) -> None:
    state = f"C3H8,{TABLE.pressure[j] / 1e5:g},{TABLE.temperature[i]:g},"
    diluted, plain = (next(float(line.split(",")[4]) for line in DATA.splitlines() if line.startswith(f"{state}{x:g},")) for x in (TABLE.burned[k], 0.0))
    ratio = dilution_ratio(float(TABLE.burned[k]), temperature=f"{TABLE.temperature[i]} K", pressure=f"{TABLE.pressure[j]} Pa").magnitude
    assert ratio == pytest.approx(diluted / plain, rel=1e-9)


@functools.cache
def live_ratio(fuel: str, pressure: float, temperature: float, burned: float) -> float:
    """The ratio computed now, pressure in bar."""
    return diluted_flame.free_flame(fuel, pressure, temperature, burned).speed / diluted_flame.free_flame(fuel, pressure, temperature, 0.0).speed


@pytest.mark.slow
@pytest.mark.parametrize(("pressure", "temperature", "burned"), [(8.0, 700.0, 0.3), (4.0, 600.0, 0.5)])
def test_flames_computed_now_give_the_table(pressure: float, temperature: float, burned: float) -> None:
    # 1 %: what another start of the grid's refinement may leave.
    assert live_ratio("C3H8", pressure, temperature, burned) == pytest.approx(dilution_ratio_kernel(burned, temperature, pressure * 1e5), rel=0.01)


@pytest.mark.slow
def test_between_its_points_the_table_is_right_too() -> None:
    # The farthest from all points: the middle of a cell in temperature, pressure and burned gas.
    assert live_ratio("C3H8", 5.66, 650.0, 0.35) == pytest.approx(dilution_ratio_kernel(0.35, 650.0, 5.66e5), rel=0.03)


@pytest.mark.reference("burn_dilution.csv")
def test_the_published_factors_are_as_published(row: Any) -> None:
    row.check((dilution_factor if row.by == "mass" else dilution_factor_by_mole)(row.fraction).magnitude)


@pytest.mark.parametrize("burned", [0.1, 0.2])
@pytest.mark.parametrize("pressure", [4e5, 8e5])
@pytest.mark.parametrize("temperature", [700.0, 800.0, 900.0])
def test_in_a_compressed_charge_the_ratio_is_as_measured(temperature: float, pressure: float, burned: float) -> None:
    # Between the two published slopes, 2.1 (Metghalchi & Keck 1982) and 2.3 (Gulder 1984), each with the 10 % given for such fits.
    low, high = 1.0 - 2.3 * burned, dilution_factor(burned).magnitude
    assert 0.9 * low < dilution_ratio_kernel(burned, temperature, pressure) < 1.1 * high


def test_the_published_factor_is_met_closely_where_the_charge_is_hot_and_missed_where_it_is_cold() -> None:
    # Chemistry has one ratio for each state, the published factor one for all. 2 %: twice what the flames' own grid leaves.
    for temperature, pressure in ((800.0, 4e5), (900.0, 8e5)):
        assert dilution_ratio_kernel(0.2, temperature, pressure) == pytest.approx(1.0 - 2.1 * 0.2, rel=0.02)
    assert dilution_ratio_kernel(0.2, 500.0, 8e5) < 0.9 * (1.0 - 2.3 * 0.2)


@given(temperature=temperatures, pressure=pressures)
def test_the_ratio_lies_above_the_factor_by_mole_where_that_was_measured_and_in_a_charge_worth_igniting(temperature: float, pressure: float) -> None:
    # Products are lighter than the fresh charge by 4 % (propane), so 0.30 by mass is 0.31 by mole.
    assume(temperature > 600.0)
    assert dilution_ratio_kernel(0.30, temperature, pressure) > dilution_factor_by_mole.kernel(0.31)


def test_a_cold_charge_with_more_than_a_third_of_burned_gas_hardly_burns() -> None:
    # Inert limits at 25 degC and 1 atm (Coward & Jones 1952, from memory) in nitrogen equivalents: 0.37 of burned gas by volume.
    assert speed(298.0, 1e5, burned=0.40) < 0.05


# How it behaves between and beyond its points.


@given(temperature=temperatures, pressure=pressures, less=shares, more=shares)
def test_more_burned_gas_always_slows_the_flame(temperature: float, pressure: float, less: float, more: float) -> None:
    less, more = sorted((less, more))
    assert dilution_ratio_kernel(0.0, temperature, pressure) == 1.0
    assert 0.0 < dilution_ratio_kernel(more, temperature, pressure) <= dilution_ratio_kernel(less, temperature, pressure)
    if more - less > 1e-9:
        assert dilution_ratio_kernel(more, temperature, pressure) < dilution_ratio_kernel(less, temperature, pressure)


@given(temperature=st.floats(COLDEST, HOTTEST - 20.0), pressure=pressures, burned=st.floats(0.02, 0.6))
def test_a_hotter_charge_suffers_less(temperature: float, pressure: float, burned: float) -> None:
    assert dilution_ratio_kernel(burned, temperature + 20.0, pressure) > dilution_ratio_kernel(burned, temperature, pressure)


@given(temperature=temperatures, pressure=pressures, burned=st.floats(0.0, 0.99))
def test_the_ratio_has_no_jump(temperature: float, pressure: float, burned: float) -> None:
    here = log_dilution_kernel(burned, temperature, pressure)
    assert log_dilution_kernel(burned + 1e-7, temperature, pressure) == pytest.approx(here, abs=1e-5)
    assert log_dilution_kernel(burned, temperature + 1e-4, pressure) == pytest.approx(here, abs=1e-5)
    assert log_dilution_kernel(burned, temperature, pressure * (1.0 + 1e-6)) == pytest.approx(here, abs=1e-5)


@pytest.mark.parametrize("burned", [0.1, 0.2, 0.3, 0.4, 0.5, 0.6])
@given(temperature=temperatures, pressure=pressures)
def test_over_burned_gas_the_ratio_has_no_kink(burned: float, temperature: float, pressure: float) -> None:
    step = 1e-5
    below, here, above = (log_dilution_kernel(burned + d, temperature, pressure) for d in (-step, 0.0, step))
    assert (above - here) / step == pytest.approx((here - below) / step, abs=1e-2)


@given(temperature=temperatures, pressure=pressures, burned=st.floats(0.61, 1.0))
def test_beyond_the_table_the_ratio_falls_at_least_as_fast_as_on_its_last_step(temperature: float, pressure: float, burned: float) -> None:
    last = log_dilution_kernel(0.6, temperature, pressure)
    chord = (last - log_dilution_kernel(0.5, temperature, pressure)) / 0.1
    assert (log_dilution_kernel(burned, temperature, pressure) - last) / (burned - 0.6) <= chord + 1e-9


@pytest.mark.parametrize(
    ("inside", "outside"),
    [((COLDEST, 8e5), (300.0, 8e5)), ((HOTTEST, 8e5), (1100.0, 8e5)), ((700.0, THINNEST), (700.0, 5e4)), ((700.0, DENSEST), (700.0, 6e6))],
)
def test_far_beyond_the_table_state_no_longer_counts(inside: tuple[float, float], outside: tuple[float, float]) -> None:
    assert dilution_ratio_kernel(0.35, *outside) == dilution_ratio_kernel(0.35, *inside)


@pytest.mark.parametrize("fuel", diluted_flame.OTHER_FUELS)
def test_other_fuels_fall_alike_and_give_the_exponent_its_band(fuel: str) -> None:
    other, propane = (read_dilution_table(name) for name in (fuel, diluted_flame.FUEL))
    i, j = list(propane.temperature).index(700.0), list(propane.pressure).index(8e5)
    exponents = other.logarithm[0, 0, 1:] / propane.logarithm[i, j, 1:]
    # Methane is the outsider among paraffins; gasoline has none of it.
    assert np.all((exponents > 0.85) & (exponents < (1.05 if fuel == "C2H6" else 1.35)))


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
    with pytest.raises(InputError, match=words):
        dilution_ratio(0.2, temperature=arguments[0], pressure=arguments[1])


@pytest.mark.parametrize("burned", [-0.1, 1.2, "20 kPa"])
def test_a_burned_fraction_that_cannot_be_is_refused(burned: Any) -> None:
    with pytest.raises(InputError, match="burned"):
        flame_speed("650 K", "8 atm", burned=burned)
    with pytest.raises(InputError, match="burned"):
        dilution_ratio(burned, temperature="650 K", pressure="8 atm")


def test_the_published_factor_is_not_carried_beyond_its_data() -> None:
    with pytest.raises(InputError, match="burned"):
        dilution_factor(math.nextafter(DILUTION_DATA_END, 1.0))

"""Gases and fuels against published tables and an independent library."""

from __future__ import annotations

import itertools
from typing import Any

import cantera as ct
import numpy as np
import pytest

from camcalc.engine import gas
from camcalc.engine.gas import AIR, FUELS, SPECIES, FuelData, GasData, fuel_data, mixture
from camcalc.errors import InputError

NAMES = {"C8H18": "C8H18,isooctane"}
TEMPERATURES = (300.0, 600.0, 900.0, 1200.0, 2000.0)


@pytest.fixture(scope="module")
def library() -> ct.Solution:
    """An ideal gas of the same species, on the polynomials that ship with the library."""
    wanted = {NAMES.get(name, name) for name in SPECIES}
    species = [s for s in ct.Species.list_from_file("nasa_gas.yaml") if s.name in wanted]
    assert {s.name for s in species} == wanted
    return ct.Solution(thermo="ideal-gas", kinetics="gas", species=species, reactions=[])


def at(library: ct.Solution, moles: dict[str, float], temperature: float) -> ct.Solution:
    library.TPX = temperature, 101325.0, {NAMES.get(s, s): n for s, n in moles.items()}
    return library


def fresh_moles(fuel: FuelData) -> dict[str, float]:
    """The fuel with its stoichiometric air, counted from the atoms here."""
    atoms = {"C8H18": (8, 18, 0), "C7H8": (7, 8, 0), "C2H5OH": (2, 6, 1)}
    oxygen = sum(n * (atoms[s][0] + atoms[s][1] / 4 - atoms[s][2] / 2) for s, n in fuel.moles.items())
    return fuel.moles | {s: n * oxygen / AIR["O2"] for s, n in AIR.items()}


def burned_moles(fuel: FuelData) -> dict[str, float]:
    atoms = {"C8H18": (8, 18), "C7H8": (7, 8), "C2H5OH": (2, 6)}
    fresh = fresh_moles(fuel)
    return {
        "CO2": sum(n * atoms[s][0] for s, n in fuel.moles.items()),
        "H2O": sum(n * atoms[s][1] / 2 for s, n in fuel.moles.items()),
        "N2": fresh["N2"],
        "Ar": fresh["Ar"],
    }


@pytest.mark.parametrize("temperature", TEMPERATURES)
@pytest.mark.parametrize("kind", FUELS)
def test_fresh_and_burned_gas_agree_with_an_independent_library(library: ct.Solution, kind: str, temperature: float) -> None:
    # Same polynomials, so that what is checked is their copy, the mixing and the evaluation; the gas constant differs in the eighth digit.
    fuel = fuel_data(kind)
    for own, moles in ((fuel.fresh, fresh_moles(fuel)), (fuel.burned, burned_moles(fuel))):
        other = at(library, moles, temperature)
        assert own.cp(temperature) == pytest.approx(other.cp_mass, rel=1e-6)
        assert own.gamma(temperature) == pytest.approx(other.cp_mass / other.cv_mass, rel=1e-6)
        assert own.enthalpy(temperature) == pytest.approx(other.enthalpy_mass, rel=1e-6, abs=1.0)
        assert own.gas_constant == pytest.approx(ct.gas_constant / other.mean_molecular_weight, rel=1e-6)


@pytest.mark.parametrize("name", SPECIES)
def test_the_data_of_a_species_are_the_library_s(library: ct.Solution, name: str) -> None:
    # NASA TM-4513 in both: all seven coefficients, molar mass to a unit of the sixth digit.
    other = library.species(NAMES.get(name, name))
    molar, cold, hot = SPECIES[name]
    # The first is where hot and cold meet; argon has one range.
    assert other.thermo.coeffs[0] in (1000.0, 6000.0)
    assert [*hot, *cold] == pytest.approx(list(other.thermo.coeffs[1:]), rel=1e-6)
    assert molar == pytest.approx(library.molecular_weights[library.species_index(other.name)] / 1e3, rel=2e-4)


def products_by_hand(fuel: FuelData, mixture_ratio: float) -> dict[str, float]:
    """Burned gas of a mixture: atoms counted here, the water-gas balance CO H2O = 3.5 CO2 H2 (Heywood 1988, ch. 4, from memory) found by bisection."""
    atoms = {"C8H18": (8, 18, 0), "C7H8": (7, 8, 0), "C2H5OH": (2, 6, 1)}
    carbon, hydrogen, own = (sum(n * atoms[s][k] for s, n in fuel.moles.items()) for k in range(3))
    oxygen = own + 2.0 * mixture_ratio * (carbon + hydrogen / 4.0 - own / 2.0)
    air = {s: n * (oxygen - own) / 2.0 / AIR["O2"] for s, n in AIR.items() if s != "O2"}
    spare = oxygen - 2.0 * carbon - hydrogen / 2.0
    if spare >= 0.0:
        return air | {"CO2": carbon, "H2O": hydrogen / 2.0, "O2": spare / 2.0}
    low, high = 0.0, min(-spare, carbon)
    for _ in range(200):
        monoxide = (low + high) / 2.0
        free = -spare - monoxide
        low, high = (monoxide, high) if monoxide * (hydrogen / 2.0 - free) < 3.5 * (carbon - monoxide) * free else (low, monoxide)
    return air | {"CO2": carbon - monoxide, "CO": monoxide, "H2O": hydrogen / 2.0 - free, "H2": free}


@pytest.mark.parametrize("mixture_ratio", [0.75, 0.85, 0.95, 1.15])
@pytest.mark.parametrize("kind", FUELS)
def test_gas_burned_rich_or_lean_agrees_with_an_independent_library(library: ct.Solution, kind: str, mixture_ratio: float) -> None:
    fuel = fuel_data(kind, mixture_ratio)
    moles = products_by_hand(fuel, mixture_ratio)
    assert ("CO" in moles) == (mixture_ratio < 1.0)
    for temperature in TEMPERATURES:
        other = at(library, moles, temperature)
        assert fuel.burned.cp(temperature) == pytest.approx(other.cp_mass, rel=1e-6)
        assert fuel.burned.gamma(temperature) == pytest.approx(other.cp_mass / other.cv_mass, rel=1e-6)
        assert fuel.burned.enthalpy(temperature) == pytest.approx(other.enthalpy_mass, rel=1e-6, abs=1.0)
    # Six digits of each molar mass; the fuel's air is the same air, more or less of it.
    assert fuel.burned.gas_constant == pytest.approx(ct.gas_constant / other.mean_molecular_weight, rel=1e-5)
    assert fuel.burned_molar_mass == pytest.approx(other.mean_molecular_weight / 1e3, rel=1e-5)
    assert fuel.stoichiometric == pytest.approx(fuel_data(kind).stoichiometric, rel=1e-12)
    charge = fuel.moles | {s: n * mixture_ratio for s, n in fresh_moles(fuel).items() if s in AIR}
    assert fuel.fresh.cp(400.0) == pytest.approx(at(library, charge, 400.0).cp_mass, rel=1e-6)
    released = at(library, charge, 298.15).enthalpy_mass - at(library, moles, 298.15).enthalpy_mass
    assert fuel.heating_value == pytest.approx(released * (1.0 + mixture_ratio * fuel.stoichiometric), rel=1e-4)


@pytest.mark.parametrize("temperature", TEMPERATURES)
def test_burned_gas_agrees_with_another_set_of_polynomials(temperature: float) -> None:
    # The library's combustion mechanism has fits of its own; 0.5 % on the hot side, where the data of water differ.
    other = ct.Solution("gri30.yaml")
    fuel = fuel_data("gasoline")
    other.TPX = temperature, 101325.0, {("AR" if s == "Ar" else s): n for s, n in burned_moles(fuel).items()}
    assert fuel.burned.cp(temperature) == pytest.approx(other.cp_mass, rel=5e-3)
    assert fuel.burned.gamma(temperature) == pytest.approx(other.cp_mass / other.cv_mass, rel=5e-3)


@pytest.mark.reference("species_cp.csv")
def test_heat_capacity_of_a_species(row: Any) -> None:
    row.check(mixture({row.species: 1.0}).cp(row.temperature) * SPECIES[row.species][0])


@pytest.mark.reference("species_enthalpy_rise.csv")
def test_enthalpy_rise_of_a_species(row: Any) -> None:
    one = mixture({row.species: 1.0})
    row.check((one.enthalpy(row.temperature) - one.enthalpy(298.15)) * SPECIES[row.species][0] / 1e3)


# Air as the library rounds it, dry air as here, and the products of iso-octane.
MIXTURES = {"air": {"O2": 0.21, "N2": 0.78, "Ar": 0.01}, "dry-air": AIR, "burned": {"CO2": 8.0, "H2O": 9.0, "N2": 47.0}}


@pytest.mark.reference("mixture_properties.csv")
def test_properties_of_a_mixture(row: Any) -> None:
    made = mixture(MIXTURES[row.mixture])
    row.check(made.gas_constant if row.figure == "gas_constant" else getattr(made, row.figure)(row.temperature))


# Fuels.


@pytest.fixture
def pure(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Fuel data of a pure fuel: ethanol by its share, iso-octane as a gasoline with iso-octane's hydrogen."""

    def make(name: str) -> FuelData:
        if name == "gasoline":
            return fuel_data(name)
        if name == "ethanol":
            monkeypatch.setitem(gas.ETHANOL_SHARE, name, 1.0)
        else:
            monkeypatch.setitem(gas.ETHANOL_SHARE, name, 0.0)
            monkeypatch.setattr(gas, "GASOLINE_HYDROGEN_PER_CARBON", 18.0 / 8.0)
        return fuel_data.__wrapped__(name)

    return make


@pytest.mark.reference("pure_fuels.csv")
def test_a_pure_fuel(row: Any, pure: Any) -> None:
    row.check(getattr(pure(row.fuel), row.figure))


def test_the_pure_fuels_are_pure(pure: Any) -> None:
    assert set(pure("ethanol").moles) == {"C2H5OH"}
    assert set(pure("iso-octane").moles) == {"C8H18"}


def test_gasoline_has_the_hydrogen_of_gasoline() -> None:
    moles = fuel_data("gasoline").moles
    hydrogen, carbon = 18 * moles["C8H18"] + 8 * moles["C7H8"], 8 * moles["C8H18"] + 7 * moles["C7H8"]
    # CH 1.87: common practice, no source.
    assert hydrogen / carbon == pytest.approx(1.87, rel=1e-12)


@pytest.mark.parametrize(("kind", "volume"), [("gasoline", 0.0), ("E10", 0.10), ("E85", 0.85)])
def test_a_blend_is_mixed_by_mass(kind: str, volume: float, pure: Any) -> None:
    # Densities of 0.789 and 0.745 kg/L are the middle of the US DOE fuel property table, read; blend by volume, derived.
    blend, gasoline, ethanol = fuel_data(kind), fuel_data("gasoline"), pure("ethanol")
    density = volume * 789.0 + (1.0 - volume) * 745.0
    share = volume * 789.0 / density
    assert blend.density == pytest.approx(density, rel=1e-12)
    for figure in ("stoichiometric", "heating_value", "latent"):
        mixed = share * getattr(ethanol, figure) + (1.0 - share) * getattr(gasoline, figure)
        assert getattr(blend, figure) == pytest.approx(mixed, rel=1e-9), figure


@pytest.mark.parametrize("kind", FUELS)
def test_burning_makes_and_loses_no_mass_and_no_atoms(kind: str) -> None:
    fuel = fuel_data(kind)
    fresh, burned = fresh_moles(fuel), burned_moles(fuel)
    atoms = {
        "N2": "NN",
        "O2": "OO",
        "Ar": "A",
        "CO2": "COO",
        "H2O": "HHO",
        "C8H18": "C" * 8 + "H" * 18,
        "C7H8": "C" * 7 + "H" * 8,
        "C2H5OH": "CC" + "H" * 6 + "O",
    }
    for atom in "CHONA":
        before, after = (sum(n * atoms[s].count(atom) for s, n in moles.items()) for moles in (fresh, burned))
        assert before == pytest.approx(after, rel=1e-12)
    mass = [sum(n * SPECIES[s][0] for s, n in moles.items()) for moles in (fresh, burned)]
    assert mass[0] == pytest.approx(mass[1], rel=2e-5)  # molar masses are rounded to six digits
    assert fuel.fresh_molar_mass == pytest.approx(mass[0] / sum(fresh.values()), rel=1e-12)
    assert fuel.burned_molar_mass == pytest.approx(mass[0] / sum(burned.values()), rel=1e-12)
    assert fuel.fresh.gas_constant == pytest.approx(8.314462618 / fuel.fresh_molar_mass, rel=1e-9)


@pytest.mark.parametrize("kind", FUELS)
def test_heating_value_is_the_fall_of_enthalpy_in_burning(library: ct.Solution, kind: str) -> None:
    fuel = fuel_data(kind)
    fresh, burned = fresh_moles(fuel), burned_moles(fuel)
    before = at(library, fresh, 298.15).enthalpy_mole * sum(fresh.values())
    after = at(library, burned, 298.15).enthalpy_mole * sum(burned.values())
    mass = sum(n * SPECIES[s][0] for s, n in fuel.moles.items())
    assert fuel.heating_value == pytest.approx((before - after) / 1e3 / mass, rel=1e-4)


def each_gas() -> list[tuple[str, GasData]]:
    return [(f"{kind} {name}", getattr(fuel_data(kind), name)) for kind in FUELS for name in ("fresh", "burned")]


@pytest.mark.parametrize(("name", "one"), each_gas(), ids=[name for name, _ in each_gas()])
def test_properties_are_continuous_where_the_polynomials_meet(name: str, one: GasData) -> None:
    below = np.nextafter(1000.0, 0.0)
    assert one.cp(float(below)) == pytest.approx(one.cp(1000.0), rel=1e-4)
    assert one.enthalpy(float(below)) == pytest.approx(one.enthalpy(1000.0), abs=20.0)


@pytest.mark.parametrize(("name", "one"), each_gas(), ids=[name for name, _ in each_gas()])
def test_heat_capacity_is_the_slope_of_enthalpy_and_rises(name: str, one: GasData) -> None:
    for temperature in (250.0, 500.0, 900.0, 1100.0, 2500.0):
        slope = (one.enthalpy(temperature + 0.01) - one.enthalpy(temperature - 0.01)) / 0.02
        assert slope == pytest.approx(one.cp(temperature), rel=1e-6)
    values = [one.cp(float(t)) for t in np.linspace(250.0, 2800.0, 52)]
    assert all(a < b for a, b in itertools.pairwise(values))


def test_an_unknown_fuel_is_refused_with_the_nearest_known() -> None:
    with pytest.raises(InputError, match='did you mean "E85"'):
        fuel_data("E86")


def test_heat_of_vaporisation_and_density_of_a_blend_go_by_mass_and_by_volume() -> None:
    # Gasoline 745 kg/m3 and 350 kJ/kg, ethanol 789 and 900 (US DOE fuel property table, middle of its ranges, read).
    assert fuel_data("gasoline", 1.0).latent == pytest.approx(350e3, rel=1e-12)
    for kind, share in (("E10", 0.10), ("E85", 0.85)):
        found, masses = fuel_data(kind, 1.0), (share * 789.0, (1.0 - share) * 745.0)
        assert found.density == pytest.approx(sum(masses), rel=1e-12)
        assert found.latent == pytest.approx((masses[0] * 900e3 + masses[1] * 350e3) / sum(masses), rel=1e-12)

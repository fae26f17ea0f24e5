"""Gases and fuels: composition, properties that change with temperature, and what a fuel needs and gives.

Species data are NASA seven-coefficient polynomials. Fresh charge is air and fuel vapour, burned gas the complete
products. Gasoline is represented by iso-octane and toluene mixed to the hydrogen-to-carbon ratio 1.87 of gasoline.
"""

from __future__ import annotations

import functools
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..constants import UNIVERSAL_GAS_CONSTANT
from ..errors import InputError, did_you_mean

__all__ = ["FUELS", "FuelData", "GasData", "fuel_data", "mixture"]

Array = NDArray[np.float64]

MIDDLE = 1000.0

# Molar mass [kg/mol]; coefficients 200-1000 K, then 1000-6000 K. NASA TM-4513 (1993).
SPECIES: dict[str, tuple[float, tuple[float, ...], tuple[float, ...]]] = {
    "N2": (
        0.028014,
        (3.53100528, -0.000123660987, -5.02999437e-07, 2.43530612e-09, -1.40881235e-12, -1046.97628, 2.96747468),
        (2.95257626, 0.00139690057, -4.92631691e-07, 7.86010367e-11, -4.60755321e-15, -923.948645, 5.87189252),
    ),
    "O2": (
        0.031998,
        (3.78245636, -0.00299673415, 9.847302e-06, -9.68129508e-09, 3.24372836e-12, -1063.94356, 3.65767573),
        (3.66096083, 0.000656365523, -1.41149485e-07, 2.05797658e-11, -1.29913248e-15, -1215.97725, 3.41536184),
    ),
    "Ar": (0.03995, (2.5, 0.0, 0.0, 0.0, 0.0, -745.375, 4.37967491), (2.5, 0.0, 0.0, 0.0, 0.0, -745.375, 4.37967491)),
    "CO2": (
        0.044009,
        (2.35677352, 0.00898459677, -7.12356269e-06, 2.45919022e-09, -1.43699548e-13, -48371.9697, 9.90105222),
        (4.63659493, 0.00274131991, -9.95828531e-07, 1.60373011e-10, -9.16103468e-15, -49024.9341, -1.93534855),
    ),
    "H2O": (
        0.018015,
        (4.19864056, -0.0020364341, 6.52040211e-06, -5.48797062e-09, 1.77197817e-12, -30293.7267, -0.849032208),
        (2.67703787, 0.00297318329, -7.7376969e-07, 9.44336689e-11, -4.26900959e-15, -29885.8938, 6.88255571),
    ),
    "CO": (
        0.02801,
        (3.57953347, -0.00061035368, 1.01681433e-06, 9.07005884e-10, -9.04424499e-13, -14344.086, 3.50840928),
        (3.04848583, 0.00135172818, -4.85794075e-07, 7.88536486e-11, -4.69807489e-15, -14266.1171, 6.0170979),
    ),
    "H2": (
        0.002016,
        (2.34433112, 0.00798052075, -1.9478151e-05, 2.01572094e-08, -7.37611761e-12, -917.935173, 0.683010238),
        (2.93286579, 0.000826607967, -1.46402335e-07, 1.54100359e-11, -6.88804432e-16, -813.065597, -1.02432887),
    ),
    "C8H18": (
        0.114232,
        (0.815737338, 0.0732643959, 1.78300688e-05, -6.9358962e-08, 3.21629382e-11, -30477.2862, 24.1509994),
        (15.9899273, 0.055318479, -1.95267072e-05, 3.11779172e-09, -1.85312577e-13, -35875.7973, -60.1161414),
    ),
    "C7H8": (
        0.092141,
        (1.611914, 0.0211188902, 8.53221453e-05, -1.32566876e-07, 5.59406109e-11, 4096.51976, 20.2973614),
        (12.939475, 0.0266921558, -9.68420108e-06, 1.5739214e-09, -9.46670482e-14, -677.035769, -46.7255302),
    ),
    "C2H5OH": (
        0.046069,
        (4.85868178, -0.0037400674, 6.95550267e-05, -8.86541147e-08, 3.5168443e-11, -29996.1309, 4.80192294),
        (6.5628977, 0.0152034264, -5.38922247e-06, 8.62150224e-10, -5.12824683e-14, -31525.7984, -9.47557644),
    ),
}
ATOMS = {"C8H18": (8, 18, 0), "C7H8": (7, 8, 0), "C2H5OH": (2, 6, 1)}
# Dry air by mole: oxygen, argon, the rest taken for nitrogen (US Standard Atmosphere 1976, table 3, rounded).
AIR = {"O2": 0.2095, "Ar": 0.0093, "N2": 0.7812}
# Liquid density [kg/m3] for blending by volume, and heat of vaporisation [J/kg]: middle of the ranges of the US DOE fuel
# property table (read).
GASOLINE_DENSITY, ETHANOL_DENSITY = 745.0, 789.0
GASOLINE_LATENT, ETHANOL_LATENT = 350e3, 900e3
ETHANOL_SHARE = {"gasoline": 0.0, "E10": 0.10, "E85": 0.85}
FUELS = tuple(ETHANOL_SHARE)
GASOLINE_HYDROGEN_PER_CARBON = 1.87
WATER_GAS = 3.5


class GasData(NamedTuple):
    """A gas mixture: specific gas constant [J/kg/K] and enthalpy polynomials per kg, ``cp = sum c[k] T^k``.

    ``low`` and ``high`` hold c[0..4] and the constant of integration c[5] of the enthalpy (formation included).
    """

    gas_constant: float
    low: Array
    high: Array

    def cp(self, temperature: float) -> float:
        """Return specific heat at constant pressure [J/kg/K]."""
        c = self.low if temperature < MIDDLE else self.high
        return float((((c[4] * temperature + c[3]) * temperature + c[2]) * temperature + c[1]) * temperature + c[0])

    def enthalpy(self, temperature: float) -> float:
        """Return specific enthalpy, formation included [J/kg]."""
        c = self.low if temperature < MIDDLE else self.high
        t = temperature
        return float(((((c[4] / 5 * t + c[3] / 4) * t + c[2] / 3) * t + c[1] / 2) * t + c[0]) * t + c[5])

    def gamma(self, temperature: float) -> float:
        """Return the ratio of specific heats."""
        cp = self.cp(temperature)
        return cp / (cp - self.gas_constant)


class FuelData(NamedTuple):
    """A fuel with the gases it makes.

    ``stoichiometric`` is the stoichiometric air-fuel ratio by mass; ``heating_value`` what its vapour gives in this mixture
    [J/kg], the lower heating value unless rich.
    """

    name: str
    ethanol: float
    stoichiometric: float
    heating_value: float
    density: float
    latent: float
    moles: dict[str, float]
    fresh: GasData
    burned: GasData
    fresh_molar_mass: float
    burned_molar_mass: float

    @property
    def carbon(self) -> float:
        """Carbon atoms in a kilogram of fuel [mol]."""
        return float(sum(n * ATOMS[s][0] for s, n in self.moles.items()) / sum(n * SPECIES[s][0] for s, n in self.moles.items()))


def mixture(moles: dict[str, float]) -> GasData:
    """Return the properties of an ideal-gas mixture given by mole."""
    mass = sum(n * SPECIES[s][0] for s, n in moles.items())
    low, high = np.zeros(6), np.zeros(6)
    for s, n in moles.items():
        _, cold, hot = SPECIES[s]
        low += n * np.array(cold[:6]) * UNIVERSAL_GAS_CONSTANT / mass
        high += n * np.array(hot[:6]) * UNIVERSAL_GAS_CONSTANT / mass
    return GasData(sum(moles.values()) * UNIVERSAL_GAS_CONSTANT / mass, low, high)


def _fuel_moles(ethanol: float) -> dict[str, float]:
    """Return moles of surrogate species for so much ethanol by volume."""
    hc = GASOLINE_HYDROGEN_PER_CARBON
    toluene = (18.0 - 8.0 * hc) / (7.0 * hc - 8.0)
    molar = SPECIES["C8H18"][0] + toluene * SPECIES["C7H8"][0]
    gasoline = (1.0 - ethanol) * GASOLINE_DENSITY / molar
    moles = {"C8H18": gasoline, "C7H8": gasoline * toluene, "C2H5OH": ethanol * ETHANOL_DENSITY / SPECIES["C2H5OH"][0]}
    return {s: n for s, n in moles.items() if n > 0.0}


def products(carbon: float, hydrogen: float, need: float, mixture_ratio: float) -> dict[str, float]:
    """Return moles of burned gas, nitrogen and argon apart, from atoms of fuel and its oxygen need [mol O2].

    Lean of stoichiometric oxygen is left over; rich of it carbon monoxide and hydrogen share the lack of oxygen in the
    water-gas ratio 3.5 (Heywood 1988, ch. 4, from memory).

    Parameters
    ----------
    carbon, hydrogen : float
        Atoms of the fuel [mol].
    need : float
        Oxygen that burns it wholly [mol O2].
    mixture_ratio : float
        Lambda: air over stoichiometric air; below 1 rich.

    References
    ----------
    Heywood 1988, ch. 4, water-gas constant (from memory).
    """
    if mixture_ratio >= 1.0:
        left = {"O2": need * (mixture_ratio - 1.0)} if mixture_ratio > 1.0 else {}
        return {"CO2": carbon, "H2O": hydrogen / 2.0} | left
    lack = 2.0 * need * (1.0 - mixture_ratio)
    a = 1.0 - WATER_GAS
    b = hydrogen / 2.0 - lack + WATER_GAS * (carbon + lack)
    c = -WATER_GAS * carbon * lack
    monoxide = (-b + np.sqrt(b * b - 4.0 * a * c)) / (2.0 * a)
    return {"CO2": carbon - monoxide, "H2O": hydrogen / 2.0 - (lack - monoxide), "CO": float(monoxide), "H2": float(lack - monoxide)}


@functools.cache
def fuel_data(kind: str, mixture_ratio: float = 1.0) -> FuelData:
    """Return a fuel by name: ``"gasoline"``, ``"E10"`` or ``"E85"``, with the charge and burned gas of a mixture (lambda).

    Examples
    --------
    >>> round(fuel_data("gasoline").stoichiometric, 1)
    14.6
    """
    if kind not in ETHANOL_SHARE:
        raise InputError("fuel", came=kind, expected=" or ".join(FUELS), fix=did_you_mean(kind, FUELS))
    ethanol = ETHANOL_SHARE[kind]
    fuel = _fuel_moles(ethanol)
    carbon, hydrogen, oxygen = (sum(n * ATOMS[s][k] for s, n in fuel.items()) for k in range(3))
    need = carbon + hydrogen / 4.0 - oxygen / 2.0
    air = {s: n * mixture_ratio * need / AIR["O2"] for s, n in AIR.items()}
    burned = products(carbon, hydrogen, need, mixture_ratio) | {"N2": air["N2"], "Ar": air["Ar"]}
    mass_fuel = sum(n * SPECIES[s][0] for s, n in fuel.items())
    mass_air = sum(n * SPECIES[s][0] for s, n in air.items())
    fresh_moles = fuel | air
    fresh, made = mixture(fresh_moles), mixture(burned)
    reference = 298.15
    released = (fresh.enthalpy(reference) - made.enthalpy(reference)) * (mass_fuel + mass_air)
    by_volume = ethanol * ETHANOL_DENSITY, (1.0 - ethanol) * GASOLINE_DENSITY
    density = sum(by_volume)
    return FuelData(
        kind,
        ethanol,
        mass_air / mass_fuel / mixture_ratio,
        released / mass_fuel,
        density,
        (by_volume[0] * ETHANOL_LATENT + by_volume[1] * GASOLINE_LATENT) / density,
        fuel,
        fresh,
        made,
        (mass_fuel + mass_air) / sum(fresh_moles.values()),
        (mass_fuel + mass_air) / sum(burned.values()),
    )

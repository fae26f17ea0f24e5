"""Whether a spark's kernel becomes a flame: the energy that a diluted, turbulent charge asks for, and how far stretch lets it grow."""

from __future__ import annotations

import math
from typing import NamedTuple

from ..compiling import compiled
from .stretch import GAS_CONSTANT, KARLOVITZ_IGNITION, TURBULENCE, stretch_rate, viscosity

__all__ = ["ANCHORED", "CAUTIOUS", "IgnitionLaw", "Surroundings", "flame_temperature", "ignition_energy", "ignition_margin", "kernel_surroundings", "margin_in"]

# Least energy of a sphere that lights: its diameter of quenching over the flame's own thickness, and the share of the turbulent velocity that
# takes flame speed from it (Ballal & Lefebvre 1975 to 1981, from memory).
QUENCHING, TURBULENT_LOSS = 10.0, 0.16
# Heat capacity of the charge [J/(kg K)] and Prandtl number: air at 300 to 900 K, from memory.
HEAT_CAPACITY, PRANDTL = 1100.0, 0.7
# At 1 atm and 298 K the law with gasoline's flame speed gives 0.60 mJ, measured in a closed vessel 1.35 mJ for iso-octane, 1.15 for heptane
# (Calcote et al. 1952; Lewis & von Elbe; from memory, medium): heavy fuels diffuse slowly, their Lewis number is above one.
FUEL_FACTOR = 2.0


class IgnitionLaw(NamedTuple):
    """What a kernel meets and has: share of the turbulence that acts on a kernel a millisecond old; energy that reaches the gas [J]; scatter from
    cycle to cycle (standard deviation): of residual at the plug over its mean, of the logarithm of the turbulent velocity; largest stretch."""

    kernel_turbulence: float
    energy: float
    plug_scatter: float
    turbulence_scatter: float
    most_stretch: float = KARLOVITZ_IGNITION


# One constant is anchored on ordinary engines, the others are the centres of published ranges: 3 to 30 mJ reach the gas (coils of 30 to 100 mJ, 10 to
# 30 % of it; Maly & Vogel 1979, from memory), residual at the plug differs by 5 to 15 % from its mean (ESTIMATE), the cyclic turbulence at the plug by
# 15 to 35 % (from memory). The anchor: a coil-ignited engine at 1500 rpm and 5.6 bar took 22.7 % of recirculated gas at its limit (J. Eng. Gas Turbines
# Power 138, 112807, 2016, abstract read), 27 % with what stays in the cylinder. The mild cams of the three examples reach a COV of 10 % at 27 % with
# 0.23, 0.24 and 0.34 of the turbulence acting on a kernel; 0.27 is their mean, at the low end of 0.3 to 0.7, what is published of kernels a millisecond
# old (Abdel-Gayed, Bradley & Lawes 1987, from memory). No figure of a long cam decided any of them.
ANCHORED = IgnitionLaw(kernel_turbulence=0.27, energy=10e-3, plug_scatter=0.10, turbulence_scatter=0.25)
# The pessimistic set: the centre of that published range. With it ordinary engines reach a COV of 10 % at 0.20 to 0.24 of burned gas there.
CAUTIOUS = ANCHORED._replace(kernel_turbulence=0.5)


@compiled
def flame_temperature(temperature: float, burned: float) -> float:
    """Return the adiabatic flame temperature [K] of a stoichiometric charge with burned gas in it.

    Parameters
    ----------
    temperature : float
        Of the unburned charge, 500 to 900 [K].
    burned : float
        Burned gas, fraction by mass, 0 to 0.6.

    References
    ----------
    A polynomial through the flames of ``dilution.csv`` (computed): 14 K root mean square, 61 K at worst, at 16 bar without residual.
    """
    u = temperature - 500.0
    return 2409.8 + 0.454 * u - 1300.0 * burned + 0.863 * burned * u - 703.0 * burned**2 - 0.313 * burned**2 * u


@compiled
def ignition_energy(temperature: float, pressure: float, flame: float, burned: float, turbulent_velocity: float) -> float:
    """Return the least energy [J] that lights a charge; infinite where turbulence takes more than the flame has.

    Parameters
    ----------
    temperature : float
        Of the unburned charge [K].
    pressure : float
        [Pa].
    flame : float
        Laminar flame speed [m/s].
    burned : float
        Burned gas, fraction by mass.
    turbulent_velocity : float
        That the kernel feels [m/s].

    References
    ----------
    Ballal & Lefebvre 1975 to 1981 (from memory): ``d = 10 a / (S - 0.16 u')``, ``E = pi/6 d^3 rho cp (T_flame - T)``.

    Examples
    --------
    Gasoline in still air, stoichiometric, 298 K and 1 atm; twice the law for propane-like fuels:

    >>> round(1.0e3 * ignition_energy(298.0, 101325.0, 0.281, 0.0, 0.0), 2)
    1.29
    """
    speed = flame - TURBULENT_LOSS * turbulent_velocity
    if speed <= 0.0:
        return math.inf
    density = pressure / (GAS_CONSTANT * temperature)
    diameter = QUENCHING * viscosity(temperature) / (density * PRANDTL * speed)
    return FUEL_FACTOR * math.pi / 6.0 * diameter**3 * density * HEAT_CAPACITY * (flame_temperature(temperature, burned) - temperature)


@compiled
def ignition_margin(
    temperature: float, pressure: float, flame: float, burned: float, piston_speed: float, height: float, law: IgnitionLaw, gust: float
) -> float:
    """Return by how much a kernel lives: the lesser of energy that it has over energy asked for, and stretch allowed over stretch; below 1 it dies.

    Parameters
    ----------
    temperature : float
        Of the unburned charge about the plug [K].
    pressure : float
        [Pa].
    flame : float
        Laminar flame speed [m/s].
    burned : float
        Burned gas at the plug, fraction by mass.
    piston_speed : float
        Mean [m/s].
    height : float
        Of the chamber, volume over piston area [m].
    law : IgnitionLaw
    gust : float
        Turbulent velocity of this cycle over the mean cycle's.
    """
    return margin_in(kernel_surroundings(temperature, pressure, piston_speed, height), flame, burned, law, gust)


class Surroundings(NamedTuple):
    """What of a kernel's energy and stretch does not hang on flame, residual and gust, SI."""

    temperature: float
    velocity: float  # turbulent, of the mean cycle
    quench: float  # quenching diameter times flame speed
    heat: float  # energy over diameter cubed and temperature rise
    stretch: float  # times flame speed squared, at the mean cycle's turbulence


@compiled
def kernel_surroundings(temperature: float, pressure: float, piston_speed: float, height: float) -> Surroundings:
    """Return what a kernel meets whatever its flame; arguments as for ``ignition_margin``.

    Parameters
    ----------
    temperature : float
        Of the unburned charge about the plug [K].
    pressure : float
        [Pa].
    piston_speed : float
        Mean [m/s].
    height : float
        Of the chamber [m].
    """
    density = pressure / (GAS_CONSTANT * temperature)
    quench = QUENCHING * viscosity(temperature) / (density * PRANDTL)
    heat = FUEL_FACTOR * math.pi / 6.0 * density * HEAT_CAPACITY
    return Surroundings(temperature, TURBULENCE * piston_speed, quench, heat, stretch_rate(temperature, pressure, 1.0, piston_speed, height))


@compiled
def margin_in(at: Surroundings, flame: float, burned: float, law: IgnitionLaw, gust: float) -> float:
    """Return what ``ignition_margin`` does, in surroundings that are known.

    Parameters
    ----------
    at : Surroundings
    flame : float
        Laminar flame speed [m/s].
    burned : float
        Burned gas at the plug, fraction by mass.
    law : IgnitionLaw
    gust : float
        Turbulent velocity of this cycle over the mean cycle's.

    References
    ----------
    As ``ignition_energy`` and ``stretch_rate``.
    """
    speed = flame - TURBULENT_LOSS * law.kernel_turbulence * gust * at.velocity
    if speed <= 0.0:
        return 0.0
    diameter = at.quench / speed
    asked = at.heat * diameter * diameter * diameter * (flame_temperature(at.temperature, burned) - at.temperature)
    return min(law.energy / asked, law.most_stretch * flame * flame / (at.stretch * gust * math.sqrt(gust)))

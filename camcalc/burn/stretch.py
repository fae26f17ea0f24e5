"""How turbulence stretches a flame: viscosity, turbulent velocity and length in a cylinder, and the Karlovitz stretch factor."""

from __future__ import annotations

import math

from ..compiling import compiled

__all__ = ["GAS_CONSTANT", "KARLOVITZ_IGNITION", "KARLOVITZ_QUENCH", "TURBULENCE", "log_kinematic_viscosity", "log_stretch", "stretch_rate", "viscosity"]

# Turbulent velocity near top dead centre over mean piston speed: about a half (Heywood 1988, ch. 8, from memory; 0.35 to 0.7).
TURBULENCE = 0.5
# Integral length over the height of the chamber (Heywood 1988, ch. 8, from memory; 0.1 to 0.3).
LENGTH_OVER_HEIGHT = 0.2
# Stretch times Lewis number at which a whole flame is quenched (Abdel-Gayed & Bradley 1985, from memory; 3 to 12), with the Lewis number of
# gasoline in air (1 to 1.5, from memory).
LEWIS = 1.2
KARLOVITZ_QUENCH = 6.0 / LEWIS
# The energy that lights a mixture rises abruptly beyond Ka = (u'/S)^2 Re^-0.5 = 8 (Huang, Shy, Liu & Yan 2007, abstract read): in the form used
# here 0.157 times as much. Lean methane, Lewis number about 1; 1 to 3.
KARLOVITZ_FACTOR = 0.157
KARLOVITZ_IGNITION = KARLOVITZ_FACTOR * 8.0
# Of air with gasoline vapour [J/(kg K)], rounded (287 of air, 72 of the vapour: textbook).
GAS_CONSTANT = 280.0
# Dynamic viscosity of air [Pa s], power law through 300 K; its exponent 0.7 is common practice, no source.
VISCOSITY, VISCOSITY_AT, VISCOSITY_POWER = 1.85e-5, 300.0, 0.7
LOG_OF_KINEMATIC = math.log(VISCOSITY * GAS_CONSTANT) - VISCOSITY_POWER * math.log(VISCOSITY_AT)


@compiled
def viscosity(temperature: float) -> float:
    """Return dynamic viscosity of air [Pa s]."""
    return float(VISCOSITY * (temperature / VISCOSITY_AT) ** VISCOSITY_POWER)


@compiled(error_model="numpy")
def log_kinematic_viscosity(log_temperature: float, log_pressure: float) -> float:
    """Return the logarithm of kinematic viscosity [m2/s] of air, from those of temperature [K] and pressure [Pa]."""
    return LOG_OF_KINEMATIC + (1.0 + VISCOSITY_POWER) * log_temperature - log_pressure


@compiled(error_model="numpy")
def log_stretch(log_nu: float, log_flame: float, log_velocity: float, height: float) -> float:
    """Return the logarithm of ``stretch_rate``.

    Parameters
    ----------
    log_nu, log_flame, log_velocity : float
        Logarithms of kinematic viscosity [m2/s], of laminar flame speed and of turbulent velocity [m/s].
    height : float
        Of the chamber, volume over piston area [m].

    References
    ----------
    As ``stretch_rate``.
    """
    return math.log(KARLOVITZ_FACTOR) + 2.0 * (log_velocity - log_flame) - 0.5 * (log_velocity + math.log(LENGTH_OVER_HEIGHT * height) - log_nu)


@compiled
def stretch_rate(temperature: float, pressure: float, flame: float, piston_speed: float, height: float, turbulence: float = TURBULENCE) -> float:
    """Return the Karlovitz stretch factor ``0.157 (u'/S)^2 (u' L / nu)^-0.5``.

    Parameters
    ----------
    temperature : float
        Of the unburned charge [K].
    pressure : float
        [Pa].
    flame : float
        Laminar flame speed [m/s].
    piston_speed : float
        Mean [m/s].
    height : float
        Of the chamber, volume over piston area [m].
    turbulence : float
        Turbulent velocity over mean piston speed.

    References
    ----------
    Abdel-Gayed & Bradley 1985 (from memory).
    """
    velocity = turbulence * piston_speed
    nu = viscosity(temperature) * GAS_CONSTANT * temperature / pressure
    return float(KARLOVITZ_FACTOR * (velocity / flame) ** 2 / math.sqrt(velocity * LENGTH_OVER_HEIGHT * height / nu))

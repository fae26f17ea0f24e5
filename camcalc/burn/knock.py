"""Knock of the end gas: an induction time, summed over the pressure that the unburned charge sees."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from ..constants import STANDARD_PRESSURE
from ..units import checked

__all__ = ["KNOCK_BY", "OCTANE_DATA", "end_gas_temperature", "induction_time", "knock_progress"]

Array = NDArray[np.float64]

# Douaud & Eyzat 1978 (SAE 780080), from memory with high confidence: milliseconds, atmospheres, kelvin.
FACTOR, OCTANE_POWER, PRESSURE_POWER, ACTIVATION = 17.68e-3, 3.402, -1.7, 3800.0
OCTANE_DATA = (80.0, 100.0)
# End gas that ignites after so much has burned does no harm; common practice, no source.
KNOCK_BY = 0.90


@compiled
def _induction_time(pressure: float, temperature: float, octane: float) -> float:
    return float(FACTOR * (octane / 100.0) ** OCTANE_POWER * (pressure / STANDARD_PRESSURE) ** PRESSURE_POWER * math.exp(ACTIVATION / temperature))


@checked("s", pressure=("Pa", 1e4, 3e7), temperature=("K", 250.0, 2000.0), octane=("", 60.0, 130.0))
def induction_time(pressure: float, temperature: float, *, octane: float) -> float:
    """Return how long an end gas takes to ignite by itself.

    Parameters
    ----------
    pressure : quantity [pressure]
    temperature : quantity [temperature]
        Of the unburned charge.
    octane : float
        Octane number; research octane number here. Fitted to 80 to 100.

    Notes
    -----
    ``tau = 17.68 ms (ON/100)^3.402 (p/atm)^-1.7 exp(3800 K / T)``. It knows nothing of burned gas in the charge, which
    dilutes, and warms only through the temperature given.

    References
    ----------
    Douaud & Eyzat 1978, SAE 780080 (from memory).

    Examples
    --------
    >>> round(induction_time("40 atm", "800 K", octane=95.0).to("ms").magnitude, 3)
    3.244
    """
    return float(_induction_time(pressure, temperature, octane))


@compiled
def knock_progress(time: Array, pressure: Array, temperature: Array, octane: float) -> Array:
    """Return the induction used up (Livengood & Wu 1955) at each instant; it ignites at 1. Time [s] rising, pressure [Pa], temperature [K].

    Parameters
    ----------
    time : array, shape (n,)
        Rising [s].
    pressure : array, shape (n,)
        Of the unburned charge at each instant [Pa].
    temperature : array, shape (n,)
        Of the unburned charge at each instant [K].
    octane : float
        Research octane number [RON].

    References
    ----------
    Livengood & Wu 1955; induction time of Douaud & Eyzat 1978 (from memory).
    """
    done = np.zeros(time.size)
    before = 1.0 / _induction_time(pressure[0], temperature[0], octane)
    for k in range(1, time.size):
        now = 1.0 / _induction_time(pressure[k], temperature[k], octane)
        done[k] = done[k - 1] + 0.5 * (before + now) * (time[k] - time[k - 1])
        before = now
    return done


@compiled
def end_gas_temperature(pressure: Array, temperature: float, gas_constant: float, cp_low: float, cp_slope: float) -> Array:
    """Return the temperature [K] of gas compressed without heat loss from its first pressure [Pa]; cp = low + slope T [J/kg/K].

    The core of the unburned charge, hotter than its mean: cautious.

    Parameters
    ----------
    pressure : array, shape (n,)
        Rising from the first state on [Pa].
    temperature : float
        At the first pressure [K].
    gas_constant : float
        Of the charge [J/(kg K)].
    cp_low, cp_slope : float
        Heat capacity as a line in temperature [J/(kg K)], [J/(kg K2)].

    References
    ----------
    Exact for an ideal gas on that line, by the midpoint of each step.
    """
    t = np.empty(pressure.size)
    t[0] = temperature
    for k in range(1, pressure.size):
        rise = gas_constant * math.log(pressure[k] / pressure[k - 1])
        middle = t[k - 1] * math.exp(0.5 * rise / (cp_low + cp_slope * t[k - 1]))
        t[k] = t[k - 1] * math.exp(rise / (cp_low + cp_slope * middle))
    return t

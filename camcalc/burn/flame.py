"""Laminar flame speed of a diluted charge: how burned gas slows the flame comes from chemistry, tabulated in ``dilution.csv``."""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from ..constants import STANDARD_PRESSURE
from ..units import checked

__all__ = [
    "DILUTION_DATA_END",
    "FlameLaw",
    "dilution_factor",
    "dilution_factor_by_mole",
    "dilution_ratio",
    "dilution_ratio_kernel",
    "flame_law",
    "flame_speed",
    "flame_speed_kernel",
    "log_dilution_kernel",
    "log_flame_speed",
    "undiluted_speed_kernel",
]

Array = NDArray[np.float64]

# Metghalchi & Keck 1982: 1 - 2.1 f in MASS fraction of burned gas, data to 0.2 (form, factor and range read).
DILUTION_SLOPE, DILUTION_DATA_END = 2.1, 0.20
# Rhodes & Keck 1985: 1 - 2.06 x^0.77 in MOLE fraction, data to about 0.30 (from memory).
RHODES_KECK = 2.06, 0.77
# Gasoline flame speed at equivalence ratio phi: cm/s at 298 K and 1 atm (Rhodes & Keck 1985, from memory).
T_REFERENCE = 298.0
# How far the table is carried on along its edges before state stops counting [K, Pa]: half a step of its grid, more towards pressure. ESTIMATE.
COLDEST, HOTTEST = 480.0, 950.0
THINNEST, DENSEST = 1.5e5, 25e5
TABLE_FUEL = "C3H8"


class DilutionTable(NamedTuple):
    """Logarithm of the dilution ratio, over temperature [K], pressure [Pa] and burned gas by mass, and its slope over burned gas."""

    temperature: Array
    pressure: Array
    burned: Array
    logarithm: Array
    slope: Array


def read_dilution_table(fuel: str = TABLE_FUEL) -> DilutionTable:
    """Return the table of one fuel. Its slopes make a curve over burned gas that has no kink and falls wherever the flames do.

    References
    ----------
    Slopes: Fritsch & Butland 1984, harmonic means of the neighbours' (from memory). At the last point: the steeper of the curve's and the chord's.
    """
    lines = Path(__file__).with_name("dilution.csv").read_text(encoding="utf-8").splitlines()
    rows = [row for row in csv.DictReader(line for line in lines if not line.startswith("#")) if row["fuel"] == fuel]
    speeds = {(float(row["unburned_K"]), float(row["pressure_bar"]), float(row["burned_mass_fraction"])): float(row["flame_speed_m_s"]) for row in rows}
    temperature, pressure, burned = (sorted({state[k] for state in speeds}) for k in range(3))
    logarithm = np.array([[[math.log(speeds[t, p, x] / speeds[t, p, 0.0]) for x in burned] for p in pressure] for t in temperature])
    chord = np.diff(logarithm) / np.diff(burned)
    slope = np.empty_like(logarithm)
    slope[..., 1:-1] = 2.0 * chord[..., 1:] * chord[..., :-1] / (chord[..., 1:] + chord[..., :-1])
    slope[..., 0] = np.minimum(1.5 * chord[..., 0] - 0.5 * chord[..., 1], 0.0)
    slope[..., -1] = np.minimum(1.5 * chord[..., -1] - 0.5 * chord[..., -2], chord[..., -1])
    return DilutionTable(np.array(temperature), 1e5 * np.array(pressure), np.array(burned), logarithm, slope)


# Compiled kernels hold these as they are now, so the key of their code counts the data file too.
TABLE = read_dilution_table()
LOGARITHM, SLOPE, BURNED = TABLE.logarithm, TABLE.slope, TABLE.burned
INVERSE_TEMPERATURE, LOG_PRESSURE = 1.0 / TABLE.temperature, np.log(TABLE.pressure)
LOG_THINNEST, LOG_DENSEST = math.log(THINNEST), math.log(DENSEST)


@compiled
def _cell(nodes: Array, value: float) -> int:
    """Return the number of the step of rising or falling nodes that a value lies in, the first or last step where it lies outside."""
    rising = nodes[1] > nodes[0]
    step = 0
    while step < nodes.size - 2 and (value > nodes[step + 1]) == rising:
        step += 1
    return step


@compiled
def log_dilution_kernel(burned: float, temperature: float, pressure: float) -> float:
    """Return the natural logarithm of the dilution ratio; burned gas by mass, temperature K, pressure Pa. As ``dilution_ratio``."""
    return _log_dilution(burned, temperature, math.log(pressure))


@compiled(error_model="numpy")
def _log_dilution(burned: float, temperature: float, log_pressure: float) -> float:
    """Do what ``log_dilution_kernel`` does for the logarithm of a pressure [Pa]."""
    if burned <= 0.0:
        return 0.0
    inverse = 1.0 / min(max(temperature, COLDEST), HOTTEST)
    log_p = min(max(log_pressure, LOG_THINNEST), LOG_DENSEST)
    i, j, k = _cell(INVERSE_TEMPERATURE, inverse), _cell(LOG_PRESSURE, log_p), _cell(BURNED, burned)
    hot = (inverse - INVERSE_TEMPERATURE[i]) / (INVERSE_TEMPERATURE[i + 1] - INVERSE_TEMPERATURE[i])
    dense = (log_p - LOG_PRESSURE[j]) / (LOG_PRESSURE[j + 1] - LOG_PRESSURE[j])
    a, b, c, d = (1.0 - hot) * (1.0 - dense), (1.0 - hot) * dense, hot * (1.0 - dense), hot * dense
    right = a * LOGARITHM[i, j, k + 1] + b * LOGARITHM[i, j + 1, k + 1] + c * LOGARITHM[i + 1, j, k + 1] + d * LOGARITHM[i + 1, j + 1, k + 1]
    right_slope = a * SLOPE[i, j, k + 1] + b * SLOPE[i, j + 1, k + 1] + c * SLOPE[i + 1, j, k + 1] + d * SLOPE[i + 1, j + 1, k + 1]
    left = a * LOGARITHM[i, j, k] + b * LOGARITHM[i, j + 1, k] + c * LOGARITHM[i + 1, j, k] + d * LOGARITHM[i + 1, j + 1, k]
    width = BURNED[k + 1] - BURNED[k]
    if k == BURNED.size - 2:
        # At the end at least as steep as the last step, beyond the table's edges of state too; then straight on.
        right_slope = min(right_slope, (right - left) / width)
        if burned >= BURNED[-1]:
            return float(right + right_slope * (burned - BURNED[-1]))
    left_slope = a * SLOPE[i, j, k] + b * SLOPE[i, j + 1, k] + c * SLOPE[i + 1, j, k] + d * SLOPE[i + 1, j + 1, k]
    s = (burned - BURNED[k]) / width
    # Cubic through both values with both slopes.
    value = (1.0 + 2.0 * s) * (1.0 - s) ** 2 * left + s**2 * (3.0 - 2.0 * s) * right
    return float(value + width * s * (1.0 - s) * ((1.0 - s) * left_slope - s * right_slope))


@compiled
def dilution_ratio_kernel(burned: float, temperature: float, pressure: float) -> float:
    """Return flame speed over that of the undiluted charge; burned gas by mass, temperature K, pressure Pa. As ``dilution_ratio``."""
    return float(math.exp(log_dilution_kernel(burned, temperature, pressure)))


@checked("", burned=("", 0.0, 1.0), temperature=("K", 250.0, 1200.0), pressure=("Pa", 1e4, 1e7))
def dilution_ratio(burned: float, *, temperature: float, pressure: float) -> float:
    """Return how much burned gas slows the flame: its speed over that of the undiluted charge at the same state.

    Parameters
    ----------
    burned : float, 0 to 1
        MASS fraction of burned gas in the charge.
    temperature : quantity [temperature]
        Of the unburned charge.
    pressure : quantity [pressure]

    Notes
    -----
    Free flames of propane, computed from chemistry for ``dilution.csv``, whose head says how. Between its points the logarithm of the ratio goes
    linearly over 1/T and ln p, and along a smooth falling curve over burned gas. The hotter the charge, the less burned gas slows it.

    Beyond 0.6 of burned gas the logarithm goes straight on, at least as steep as the last step. State counts from 480 to 950 K and from 1.5 to
    25 bar. No flame in an engine was measured with more than 0.4 of burned gas. Gasoline itself is heavier than any fuel of the mechanism.

    References
    ----------
    GRI-Mech 3.0 (Smith et al.), by Cantera. Against 1 - 2.1 f (Metghalchi & Keck 1982) at f = 0.20: equal at 800 K and 4 bar or 900 K and 8 bar,
    10 % less at 700 K and 8 bar, 22 % less at 500 K and 8 bar.

    Examples
    --------
    >>> round(dilution_ratio(0.20, temperature="700 K", pressure="8 bar").magnitude, 3)
    0.521
    """
    return float(dilution_ratio_kernel(burned, temperature, pressure))


@checked("", burned=("", 0.0, DILUTION_DATA_END))
def dilution_factor(burned: float) -> float:
    """Return how much burned gas slows the flame as measured: what the table from chemistry is compared with.

    Parameters
    ----------
    burned : float, 0 to 0.20
        MASS fraction of burned gas in the charge; nothing was measured beyond.

    References
    ----------
    ``1 - 2.1 f``, Metghalchi & Keck 1982 (read); Gulder 1984 gives 2.3 (read).

    Examples
    --------
    >>> round(dilution_factor(0.10).magnitude, 3)
    0.79
    """
    return 1.0 - DILUTION_SLOPE * burned


@checked("", diluent=("", 0.0, 1.0))
def dilution_factor_by_mole(diluent: float) -> float:
    """Return the faster-falling published dilution factor, zero from 0.39 on; for comparison, not used by the model.

    Parameters
    ----------
    diluent : float, 0 to 1
        MOLE fraction of burned gas in the charge.

    Notes
    -----
    ``1 - 2.06 x^0.77``, data to about 0.30. With it a production engine with a fifth of burned gas would need a quarter
    more burn angle than with the other two published factors, and would idle roughly, which it does not.

    References
    ----------
    Rhodes & Keck 1985, SAE 850047 (from memory).

    Examples
    --------
    >>> round(dilution_factor_by_mole(0.20).magnitude, 4)
    0.4034
    """
    return max(1.0 - RHODES_KECK[0] * diluent ** RHODES_KECK[1], 0.0)


class FlameLaw(NamedTuple):
    """Logarithm of the undiluted flame speed [m/s]: a constant, and what it gains with the logarithms of temperature [K] and pressure [Pa]."""

    constant: float
    by_temperature: float
    by_pressure: float


@compiled(error_model="numpy")
def flame_law(phi: float, ethanol: float) -> FlameLaw:
    """Return the flame speed of a mixture as a law of temperature and pressure: of the mixture alone, so that a burn asks for it once.

    Parameters
    ----------
    phi : float
        Equivalence ratio: fuel over stoichiometric fuel.
    ethanol : float
        Share of the fuel by volume.

    References
    ----------
    As ``flame_speed``; ethanol after Gulder 1984, blended by volume (ESTIMATE).
    """
    alpha = 2.4 - 0.271 * phi**3.51
    beta = -0.357 + 0.14 * phi**2.77
    constant = math.log(0.305 - 0.549 * (phi - 1.21) ** 2) - alpha * math.log(T_REFERENCE) - beta * math.log(STANDARD_PRESSURE)
    if ethanol > 0.0:
        # Gulder 1984: ethanol over iso-octane at the same state, carried over by volume share (blending: ESTIMATE).
        iso = math.log(0.4658) - 0.326 * math.log(phi) - 4.48 * (phi - 1.075) ** 2
        eth = math.log(0.465) + 0.25 * math.log(phi) - 6.34 * (phi - 1.075) ** 2
        hotter, denser = 1.75 - 1.56, (-0.17 / math.sqrt(phi) if phi <= 1.0 else -0.17 * math.sqrt(phi)) + 0.22
        constant += ethanol * (eth - iso - hotter * math.log(300.0) - denser * math.log(1.013e5))
        alpha += ethanol * hotter
        beta += ethanol * denser
    return FlameLaw(constant, alpha, beta)


@compiled(error_model="numpy")
def log_flame_speed(law: FlameLaw, temperature: float, log_temperature: float, log_pressure: float, burned: float, dilution: float) -> float:
    """Return the natural logarithm of the laminar flame speed [m/s].

    Parameters
    ----------
    law : FlameLaw
    temperature : float
        Of the unburned charge [K].
    log_temperature, log_pressure : float
        Natural logarithms of it and of the pressure [Pa].
    burned : float
        Burned gas in the charge, fraction by mass.
    dilution : float
        Exponent on the dilution ratio.

    References
    ----------
    As ``flame_speed``.
    """
    undiluted = law.constant + law.by_temperature * log_temperature + law.by_pressure * log_pressure
    return undiluted + dilution * _log_dilution(burned, temperature, log_pressure)


@compiled
def undiluted_speed_kernel(temperature: float, pressure: float, phi: float, ethanol: float) -> float:
    """Return laminar flame speed [m/s] without burned gas.

    Parameters
    ----------
    temperature : float
        Of the unburned charge [K].
    pressure : float
        [Pa].
    phi : float
        Equivalence ratio: fuel over stoichiometric fuel.
    ethanol : float
        Share of the fuel by volume.

    References
    ----------
    As ``flame_law``.
    """
    return float(math.exp(log_flame_speed(flame_law(phi, ethanol), temperature, math.log(temperature), math.log(pressure), 0.0, 0.0)))


@compiled
def flame_speed_kernel(temperature: float, pressure: float, phi: float, burned: float, ethanol: float, dilution: float = 1.0) -> float:
    """Return laminar flame speed [m/s].

    Parameters
    ----------
    temperature : float
        Of the unburned charge [K].
    pressure : float
        [Pa].
    phi : float
        Equivalence ratio: fuel over stoichiometric fuel.
    burned : float
        Burned gas in the charge, fraction by mass.
    ethanol : float
        Share of the fuel by volume.
    dilution : float
        Exponent on the dilution ratio, 0.7 to 1.1. Ethane in place of propane has the effect of 0.90 to 0.99, methane of 1.2 to 1.3. With 0.8 the
        ratio at 700 K and 8 bar is the measured 1 - 2.1 f; and speeds drawn back from engine pressures fall less with 5 to 25 % of burned gas than
        published factors do (Smith et al. 2019, abstract read).

    References
    ----------
    As ``flame_speed``.
    """
    return float(math.exp(log_flame_speed(flame_law(phi, ethanol), temperature, math.log(temperature), math.log(pressure), burned, dilution)))


@checked("m/s", temperature=("K", 250.0, 1200.0), pressure=("Pa", 1e4, 1e7), phi=("", 0.6, 1.5), burned=("", 0.0, 1.0), ethanol=("", 0.0, 1.0))
def flame_speed(temperature: float, pressure: float, *, phi: float = 1.0, burned: float = 0.0, ethanol: float = 0.0) -> float:
    """Return laminar flame speed of gasoline, with ethanol and burned gas in it.

    Parameters
    ----------
    temperature : quantity [temperature]
        Of the unburned charge.
    pressure : quantity [pressure]
    phi : float
        Equivalence ratio.
    burned : float
        MASS fraction of burned gas.
    ethanol : float
        Share of the fuel by volume.

    Notes
    -----
    Use ratios at engine-like states, never absolute values at room temperature: published fits differ by half there. Burned gas enters by the ratio
    from chemistry as it is; burn angles take a power of it (``burn.phasing``).

    References
    ----------
    Rhodes & Keck 1985 (from memory); ``dilution_ratio`` for burned gas; Gulder 1984 for ethanol.

    Examples
    --------
    >>> round(flame_speed("650 K", "8 atm").to("cm/s").magnitude, 2)
    94.08
    """
    return float(flame_speed_kernel(temperature, pressure, phi, burned, ethanol))

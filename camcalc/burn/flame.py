"""Laminar flame speed of a diluted charge, and the dilution factor beyond the range of its data."""

from __future__ import annotations

import math

from ..compiling import compiled
from ..constants import STANDARD_PRESSURE
from ..units import checked

__all__ = ["DILUTION_DATA_END", "dilution_factor", "dilution_factor_by_mole", "dilution_factor_kernel", "flame_speed", "flame_speed_kernel"]

# Metghalchi & Keck 1982: 1 - 2.1 f in MASS fraction of burned gas, data to 0.2 (form, factor and range read).
DILUTION_SLOPE, DILUTION_DATA_END = 2.1, 0.20
# Rhodes & Keck 1985: 1 - 2.06 x^0.77 in MOLE fraction, data to about 0.30 (from memory).
RHODES_KECK = 2.06, 0.77
# Gasoline flame speed at equivalence ratio phi: cm/s at 298 K and 1 atm (Rhodes & Keck 1985, from memory).
T_REFERENCE = 298.0


@compiled
def dilution_factor_kernel(burned: float, tail: float = 1.0) -> float:
    """Return flame speed over that of the undiluted charge, for a burned mass fraction; ``tail`` multiplies the steepness beyond the data."""
    if burned <= DILUTION_DATA_END:
        return float(1.0 - DILUTION_SLOPE * max(burned, 0.0))
    edge = 1.0 - DILUTION_SLOPE * DILUTION_DATA_END
    return float(edge * math.exp(-tail * DILUTION_SLOPE / edge * (burned - DILUTION_DATA_END)))


@checked("", burned=("", 0.0, 1.0))
def dilution_factor(burned: float) -> float:
    """Return how much burned gas slows the flame.

    Parameters
    ----------
    burned : float, 0 to 1
        MASS fraction of burned gas in the charge.

    Notes
    -----
    ``1 - 2.1 f`` to f = 0.20, where the data end; it would reach zero at 0.48. Beyond, camcalc goes on with the
    *exponential tail*: same value and slope at 0.20, never zero. Results that rest on it say so. See
    ``dilution_factor_by_mole`` for a published factor that falls faster. Bands take the tail a third steeper and flatter:
    at 0.40 that is 0.22 to 0.36 around 0.28, where the straight line would give 0.16.

    References
    ----------
    Metghalchi & Keck 1982 (read); Gulder 1984 gives 2.3 (read). The tail is an ESTIMATE.

    Examples
    --------
    >>> round(dilution_factor(0.10).magnitude, 3)
    0.79
    """
    return float(dilution_factor_kernel(burned))


@checked("", diluent=("", 0.0, 1.0))
def dilution_factor_by_mole(diluent: float) -> float:
    """Return the faster-falling published dilution factor, zero from 0.39 on; used for bands, not by the model.

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


@compiled
def flame_speed_kernel(temperature: float, pressure: float, phi: float, burned: float, ethanol: float, tail: float = 1.0) -> float:
    """Return laminar flame speed [m/s]; temperature K, pressure Pa, burned gas by mass, ethanol by volume of fuel; ``tail`` as for the dilution factor.

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
    tail : float
        Factor on the length of the dilution factor's tail.

    References
    ----------
    As ``flame_speed``: Metghalchi & Keck 1982; ethanol after Gulder 1984, blended by volume (ESTIMATE).
    """
    at_reference = 0.305 - 0.549 * (phi - 1.21) ** 2
    alpha = 2.4 - 0.271 * phi**3.51
    beta = -0.357 + 0.14 * phi**2.77
    speed = at_reference * (temperature / T_REFERENCE) ** alpha * (pressure / STANDARD_PRESSURE) ** beta
    if ethanol > 0.0:
        # Gulder 1984: ethanol over iso-octane at the same state, carried over by volume share (blending: ESTIMATE).
        iso = 0.4658 * phi**-0.326 * math.exp(-4.48 * (phi - 1.075) ** 2) * (temperature / 300.0) ** 1.56 * (pressure / 1.013e5) ** -0.22
        eth_beta = -0.17 / math.sqrt(phi) if phi <= 1.0 else -0.17 * math.sqrt(phi)
        eth = 0.465 * phi**0.25 * math.exp(-6.34 * (phi - 1.075) ** 2) * (temperature / 300.0) ** 1.75 * (pressure / 1.013e5) ** eth_beta
        speed *= (eth / iso) ** ethanol
    return float(speed * dilution_factor_kernel(burned, tail))


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
    Use ratios at engine-like states, never absolute values at room temperature: published fits differ by half there.

    References
    ----------
    Rhodes & Keck 1985 (from memory); Metghalchi & Keck 1982 for burned gas (read); Gulder 1984 for ethanol.

    Examples
    --------
    >>> round(flame_speed("650 K", "8 atm").to("cm/s").magnitude, 2)
    94.08
    """
    return float(flame_speed_kernel(temperature, pressure, phi, burned, ethanol))

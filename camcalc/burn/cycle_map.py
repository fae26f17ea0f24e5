"""From one cycle to the next: what a cycle leaves unburned makes the following charge cleaner.

The map of Daw, Finney, Green, Kennel, Thomas & Connolly 1996 (SAE 962086; its form from memory), and the same map at
constant mixture, where burned gas and not the mixture decides how well a charge burns.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["ChargeSpread", "burned_fraction_spread", "combustion_efficiency", "kept_share", "next_burned_fraction", "next_charge"]

Array = NDArray[np.float64]

CHAINS, SETTLING, KEPT = 256, 24, 24
SEED = 962086
WORST = 0.98  # burned fraction beyond which nothing burns anyway


def combustion_efficiency(phi: float, *, low: float, high: float, greatest: float = 1.0) -> float:
    """Return the burned share of the fuel over equivalence ratio: a tenth at ``low``, nine tenths at ``high``, nearly.

    ``greatest / (1 + 100^(-(phi - middle) / (high - low)))``

    Parameters
    ----------
    phi : float
        Equivalence ratio: fuel over stoichiometric fuel.
    low, high : float
        Equivalence ratios at which about a tenth and nine tenths burn.
    greatest : float
        Most that ever burns, as a share.

    References
    ----------
    Daw et al. 1996, SAE 962086 (form from memory).

    Examples
    --------
    >>> round(combustion_efficiency(0.655, low=0.645, high=0.665), 3)
    0.5
    """
    middle = 0.5 * (low + high)
    return float(greatest / (1.0 + 100.0 ** (-(phi - middle) / (high - low))))


def next_charge(fuel: float, air: float, *, efficiency: float, kept: float, stoichiometric: float, new_fuel: float, new_air: float) -> tuple[float, float]:
    """Return fuel and air of the next cycle in the published map; masses in any one unit.

    ``kept`` is the share of the cylinder's contents that stays, ``stoichiometric`` the air-fuel ratio by mass.

    Parameters
    ----------
    fuel, air : float
        In the cylinder now [any unit of mass].
    efficiency : float
        Share of the fuel that burns, 0 to 1.
    kept : float
        Share of the contents that stays, 0 to 1.
    stoichiometric : float
        Air-fuel ratio by mass.
    new_fuel, new_air : float
        What comes in for the next cycle [the same unit].

    References
    ----------
    Daw et al. 1996, SAE 962086 (form from memory).
    """
    burned = efficiency * fuel
    return kept * (fuel - burned) + new_fuel, kept * (air - stoichiometric * burned) + new_air


def next_burned_fraction(burned: Array, kept: Array | float, completeness: Array | float) -> Array:
    """Return the burned fraction of the next charge, at constant mixture and constant trapped mass.

    Of the charge a share ``kept`` stays or comes back; of that, what was burned before and what has burned now is burned
    gas, the rest is fresh: ``kept (1 - (1 - completeness) (1 - burned))``. With complete burning it is ``kept``.
    """
    return np.asarray(kept * (1.0 - (1.0 - completeness) * (1.0 - burned)))


def kept_share(burned: float, completeness: float) -> float:
    """Return the share that must be kept for a burned fraction to come back each cycle.

    >>> round(float(next_burned_fraction(0.4, kept_share(0.4, 0.8), 0.8)), 12)
    0.4
    """
    return burned / (1.0 - (1.0 - completeness) * (1.0 - burned))


class ChargeSpread(NamedTuple):
    """What cycle-to-cycle noise makes of a charge: the burned fraction at a clean percentile and its mean, the mean burned share of the fuel."""

    cleanest: float
    mean: float
    completeness: float


def burned_fraction_spread(burned: float, fractions: Array, completeness: Array, *, noise: float, percentile: float) -> ChargeSpread:
    """Return how burned fraction spreads when each cycle keeps a share with noise and leaves unburned what its dilution leaves.

    Parameters
    ----------
    burned : float
        Burned fraction of the mean cycle, by mass.
    fractions, completeness : array, shape (n,)
        Burned share of the fuel over burned fraction, rising fractions; ends held.
    noise : float
        Standard deviation over mean of the share kept.
    percentile : float, 0 to 1
        Share of cycles that may be cleaner than the one returned.

    Notes
    -----
    The same random numbers each time, so that a result can be repeated and two builds compared.
    """
    kept = kept_share(burned, float(np.interp(burned, fractions, completeness)))
    draws = np.random.default_rng(SEED).standard_normal((SETTLING + KEPT, CHAINS))
    x = np.full(CHAINS, burned)
    seen, burnt = [], []
    for k, draw in enumerate(draws):
        share = np.interp(x, fractions, completeness)
        x = np.clip(next_burned_fraction(x, kept * (1.0 + noise * draw), share), 0.0, WORST)
        if k >= SETTLING:
            seen.append(x)
            burnt.append(np.interp(x, fractions, completeness))
    return ChargeSpread(float(np.quantile(seen, percentile)), float(np.mean(seen)), float(np.mean(burnt)))

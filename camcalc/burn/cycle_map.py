"""From one cycle to the next: kernels that die, burns that scatter, and residual that remembers what the cycle before left unburned.

The map of Daw, Finney, Green, Kennel, Thomas & Connolly 1996 (SAE 962086; its form from memory), and the same map at
constant mixture, where burned gas and not the mixture decides how well a charge burns.
"""

from __future__ import annotations

import functools
import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from .ignition import IgnitionLaw, kernel_surroundings, margin_in

__all__ = ["BurnTable", "Kernel", "Outcomes", "combustion_efficiency", "cycle_outcomes", "next_burned_fraction", "next_charge"]

Array = NDArray[np.float64]
# Faster arithmetic that still knows infinities.
FAST = {"contract", "reassoc", "arcp", "nsz"}

# Chains of cycles run side by side, cycles of each that are not counted, and cycles counted.
CHAINS, SETTLING, COUNTED = 300, 10, 30
SEED = 962086
WORST = 0.98  # residual beyond which nothing burns anyway
# By how much turbulence shortens a burn at a held crank speed: ESTIMATE. A scatter of a quarter then gives 8 % of development, published 6 to 12 %; the law by
# which burn angles follow piston speed (Hires, Tabaczynski & Novak 1978, from memory) would give two thirds.
BURN_POWER = 1.0 / 3.0
# Development begins at the plug, and ends in the charge at large: half of it is of the plug's residual; ESTIMATE.
OF_PLUG = 0.5
# Where all cylinders burn less, settled residual falls by so much of what conservation alone would make it fall: 0.78 to 0.92, read off settled cycles of
# two long cams at idle and light load with a tenth less burned. Colder exhaust is denser, and more of it stays.
FOLLOWS = 0.85
# A cycle burned in part where it burned less than this share of what a cycle on the mean residual burns, or of this share where that burns still less;
# convention.
WELL_BURNED = 0.8


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


@compiled(fastmath=FAST)
def next_burned_fraction(burned: float, kept: float, completeness: float) -> float:
    """Return the burned fraction of the next charge, at constant mixture and constant trapped mass.

    Of the charge a share ``kept`` stays or comes back; of that, what was burned before and what has burned now is burned
    gas, the rest is fresh: ``kept (1 - (1 - completeness) (1 - burned))``. With complete burning it is ``kept``.
    """
    return kept * (1.0 - (1.0 - completeness) * (1.0 - burned))


class Kernel(NamedTuple):
    """What a spark's kernel meets in the mean cycle: temperature [K] and pressure [Pa] about the plug, mean piston speed [m/s], height of the chamber [m]."""

    temperature: float
    pressure: float
    piston_speed: float
    height: float


class BurnTable(NamedTuple):
    """Gross IMEP [Pa] and burned share of the fuel on one gas exchange, over residual and over how slowly a cycle burns.

    ``residual`` (n,) rising; ``clock`` (m,) and ``delay`` (k,): logarithm of the factor on both burn angles, and on development alone.
    ``work`` and ``share`` (n, m); ``delayed_work`` and ``delayed_share`` (n, k) are what a delay adds. ``missed`` (n,) is the gross IMEP without
    a burn; ``flame`` (n,) the laminar flame speed [m/s] where the kernel is, ``development`` (n,) [crank deg].
    """

    residual: Array
    clock: Array
    delay: Array
    work: Array
    share: Array
    delayed_work: Array
    delayed_share: Array
    missed: Array
    flame: Array
    development: Array


class Outcomes(NamedTuple):
    """Of many cycles: mean and standard deviation of gross IMEP [Pa]; shares that miss and that burn in part; mean burned share of the fuel; mean
    and standard deviation of the fresh share of the charge; residual of each cycle counted."""

    gross: float
    deviation: float
    missed: float
    partial: float
    burned_share: float
    fresh: float
    fresh_deviation: float
    residual: Array


@functools.cache
def normal_draws() -> Array:
    """Return the same normal draws each time: chain, cycle, and three for each cycle. A result repeats, and two builds compare."""
    return np.random.default_rng(SEED).standard_normal((CHAINS, SETTLING + COUNTED, 3))


@compiled(inline="always", fastmath=FAST)
def _between(axis: Array, at: float) -> tuple[int, float]:
    """Return the interval of an axis that holds a value, and how far along; ends held."""
    k = 0
    while k < axis.size - 2 and at > axis[k + 1]:
        k += 1
    return k, min(max((at - axis[k]) / (axis[k + 1] - axis[k]), 0.0), 1.0)


@compiled(inline="always", fastmath=FAST)
def _along(values: Array, k: int, f: float) -> float:
    return (1.0 - f) * values[k] + f * values[k + 1]


@compiled(inline="always", fastmath=FAST)
def _over(values: Array, i: int, f: float, j: int, g: float) -> float:
    return (1.0 - f) * ((1.0 - g) * values[i, j] + g * values[i, j + 1]) + f * ((1.0 - g) * values[i + 1, j] + g * values[i + 1, j + 1])


@compiled(nogil=True, fastmath=FAST)
def _run_chains(mean: float, own: float, scatter: float, table: BurnTable, kernel: Kernel, law: IgnitionLaw, draws: Array, settling: int) -> Array:
    """Return gross IMEP [Pa], burned share, whether missed, and residual of each cycle counted, one row each."""
    chains, cycles = draws.shape[:2]
    log_flame, log_development = np.log(table.flame), np.log(table.development)
    surroundings = kernel_surroundings(kernel.temperature, kernel.pressure, kernel.piston_speed, kernel.height)
    i, f = _between(table.residual, mean)
    j, g = _between(table.clock, 0.0)
    returned = next_burned_fraction(mean, 1.0, _over(table.share, i, f, j, g))
    out = np.empty((4, chains * (cycles - settling)))
    x = np.full(chains, mean)
    # Burned gas that comes through the plenum is what all cylinders returned the cycle before: the chains are as many cylinders.
    shared, others, count = returned, max(FOLLOWS - own, 0.0), 0
    for cycle in range(cycles):
        everyone = 0.0
        for chain in range(chains):
            draw = draws[chain, cycle]
            plug = min(max(x[chain] * (1.0 + law.plug_scatter * draw[2]), 0.0), WORST)
            i, f = _between(table.residual, x[chain])
            k, h = _between(table.residual, plug)
            flame, gust = math.exp(_along(log_flame, k, h)), math.exp(law.turbulence_scatter * draw[1])
            lives = margin_in(surroundings, flame, plug, law, gust) >= 1.0
            work, share = _along(table.missed, i, f), 0.0
            if lives:
                j, g = _between(table.clock, -BURN_POWER * law.turbulence_scatter * draw[1])
                d, e = _between(table.delay, OF_PLUG * (_along(log_development, k, h) - _along(log_development, i, f)))
                work = _over(table.work, i, f, j, g) + _over(table.delayed_work, i, f, d, e)
                share = min(max(_over(table.share, i, f, j, g) + _over(table.delayed_share, i, f, d, e), 0.0), 1.0)
            if cycle >= settling:
                out[0, count], out[1, count], out[2, count], out[3, count] = work, share, 0.0 if lives else 1.0, x[chain]
                count += 1
            back = next_burned_fraction(x[chain], 1.0, share)
            everyone += back / chains
            # Of the residual a part remembers what this cylinder burned, the rest what all of them did.
            memory = (own * back + others * shared) / returned + 1.0 - own - others
            x[chain] = min(max((1.0 + scatter * draw[0]) * mean * memory, 0.0), WORST)
        shared = everyone
    return out


def cycle_outcomes(mean: float, own: float, scatter: float, table: BurnTable, kernel: Kernel, law: IgnitionLaw) -> Outcomes:
    """Return what becomes of many cycles that follow one another, each with its own draw of residual kept, turbulence and mixing at the plug.

    Burned gas is conserved: what missed and late burns do not make is missing in the charges that follow, in the cylinder's own and, through the plenum,
    in all; ``FOLLOWS`` says how nearly. Masses of the exchange stay those of the settled cycle.

    Parameters
    ----------
    mean : float
        Residual of the mean cycle [fraction by mass].
    own : float
        Share of the residual that the cylinder itself left behind: it remembers; 0 to 1.
    scatter : float
        Standard deviation over mean of the residual kept.
    table : BurnTable
    kernel : Kernel
    law : IgnitionLaw

    Returns
    -------
    Outcomes

    References
    ----------
    Daw et al. 1996, SAE 962086 (form from memory).
    """
    gross, share, missed, residual = _run_chains(mean, own, scatter, table, kernel, law, normal_draws(), SETTLING)
    lit = missed == 0.0
    usual = float(np.interp(mean, table.residual, table.share[:, int(np.argmin(np.abs(table.clock)))]))
    partial = lit & (share < WELL_BURNED * max(usual, WELL_BURNED))
    fresh = 1.0 - residual
    return Outcomes(
        gross=float(np.mean(gross)),
        deviation=float(np.std(gross)),
        missed=float(np.mean(missed)),
        partial=float(np.mean(partial)),
        burned_share=float(np.mean(share)),
        fresh=float(np.mean(fresh)),
        fresh_deviation=float(np.std(fresh)),
        residual=residual,
    )

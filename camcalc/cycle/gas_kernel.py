"""Mixture properties inside the cycle kernel: two gases, fresh and burned, each with two polynomial ranges.

``gas`` is an array of shape (4, 7): fresh below and above 1000 K, burned below and above; columns are the five
coefficients of cp, the constant of the enthalpy [J/kg], and the specific gas constant [J/kg/K].
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from ..engine.gas import MIDDLE

if TYPE_CHECKING:
    from ..engine.gas import FuelData

# Flow is made linear below this relative pressure difference; trapped mass moves by less than 0.02 %.
SMOOTH = 2e-3
# The critical pressure ratio of any gas with gamma above 1.02 lies below this; saves computing it.
NEVER_CHOKED_ABOVE = 0.61

__all__ = ["SMOOTH", "flow", "gas_table", "nozzle", "properties"]

Array = NDArray[np.float64]
# Faster arithmetic that still knows infinities and not-a-number, which the step control relies on.
FAST = {"contract", "reassoc", "arcp", "nsz"}


def gas_table(fuel: FuelData) -> Array:
    """Pack a fuel's fresh charge and burned gas for the kernel."""
    rows = [np.append(half, data.gas_constant) for data in (fuel.fresh, fuel.burned) for half in (data.low, data.high)]
    return np.array(rows)


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _cp(c: Array, t: float) -> float:
    return (((c[4] * t + c[3]) * t + c[2]) * t + c[1]) * t + c[0]


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _enthalpy(c: Array, t: float) -> float:
    return ((((c[4] * 0.2 * t + c[3] * 0.25) * t + c[2] / 3.0) * t + c[1] * 0.5) * t + c[0]) * t + c[5]


@compiled(error_model="numpy", fastmath=FAST)
def properties(gas: Array, t: float, y: float) -> tuple[float, float, float, float, float]:
    """Return R, cp, h, burned less fresh enthalpy, burned less fresh gas constant, at temperature [K] and burned fraction."""
    k = 0 if t < MIDDLE else 1
    fresh, burned = gas[k], gas[2 + k]
    hf, hb = _enthalpy(fresh, t), _enthalpy(burned, t)
    difference = burned[6] - fresh[6]
    return fresh[6] + y * difference, (1.0 - y) * _cp(fresh, t) + y * _cp(burned, t), hf + y * (hb - hf), hb - hf, difference


@compiled(error_model="numpy", fastmath=FAST)
def flow(area: float, p_up: float, p_down: float, t: float, r: float, gamma: float, smooth: float) -> float:
    """Return nozzle mass flow [kg/s] through an effective area [m2], ``p_up >= p_down``.

    Below a relative pressure difference ``smooth`` the square root is replaced by a cubic that is zero and straight at
    equal pressures and meets the nozzle in value and slope.

    Parameters
    ----------
    area : float
        Effective [m2].
    p_up, p_down : float
        Pressures before and behind [Pa].
    t : float
        Temperature before the nozzle [K].
    r : float
        Gas constant [J/(kg K)].
    gamma : float
        Ratio of specific heats.
    smooth : float
        Relative pressure difference below which the flow is regularised.

    References
    ----------
    Heywood 1988, equations C.8 and C.9; the cubic is ours, see ``notebooks/decisions.md``.
    """
    return nozzle(area, p_up, p_down, t, r, gamma, smooth)[0]


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def nozzle(area: float, p_up: float, p_down: float, t: float, r: float, gamma: float, smooth: float) -> tuple[float, float]:
    """Return what ``flow`` returns, and how fast it falls as the pressure behind rises [kg/(s Pa)]; not below none.

    Parameters
    ----------
    area : float
        Effective [m2].
    p_up, p_down : float
        Pressures before and behind [Pa].
    t : float
        Temperature before the nozzle [K].
    r : float
        Gas constant [J/(kg K)].
    gamma : float
        Ratio of specific heats.
    smooth : float
        Relative pressure difference below which the flow is regularised.
    """
    pr = p_down / p_up
    g1 = (gamma - 1.0) / gamma
    if pr < NEVER_CHOKED_ABOVE:
        # Choked: the flow function stays at its greatest value, that of the critical ratio.
        pr = max(pr, (2.0 / (gamma + 1.0)) ** (1.0 / g1))
    if pr < 1.0 - smooth:
        a = pr ** (1.0 / gamma)
        root = 1.0 - pr / a
        psi = a * math.sqrt(2.0 / g1 * root)
        falls = max(psi * (0.5 * g1 / a / root - 1.0 / (gamma * pr)), 0.0)
    else:
        edge = 1.0 - smooth
        a = edge ** (1.0 / gamma)
        root = 1.0 - edge / a
        at = a * math.sqrt(2.0 / g1 * root)
        slope = -at * (1.0 / (gamma * edge) - 0.5 * g1 / a / root) * smooth
        s = (1.0 - pr) / smooth
        psi = s * (1.5 * at - 0.5 * slope) + s**3 * (0.5 * slope - 0.5 * at)
        falls = (1.5 * at - 0.5 * slope + 3.0 * s * s * (0.5 * slope - 0.5 * at)) / smooth
    sonic = area / math.sqrt(r * t)
    return sonic * p_up * psi, sonic * falls

"""Knock in a settled cycle: the induction that the end gas uses up while the rest burns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..burn.knock import KNOCK_BY, end_gas_temperature, knock_progress
from .gas_kernel import properties
from .layout import INDEX, State, Unknown
from .steady import Settled, cylinder_volume

__all__ = ["induction_used"]

Array = NDArray[np.float64]


def induction_used(settled: Settled, angle: Array, states: Array, octane: float) -> float:
    """Return the induction used up by the time nine tenths have burned; the end gas knocks from 1 on.

    ``states`` are those of the closed part of the cycle at rising crank angles [deg].

    Parameters
    ----------
    settled : Settled
        Whose setup gives gas and geometry.
    angle : array, shape (n,)
        Rising, over the closed part of the cycle [crank deg].
    states : array, shape (n, states)
        At these angles, in the order and units of ``rates``.
    octane : float
        Research octane number [RON].

    References
    ----------
    As ``knock_progress``.
    """
    s, z = settled.setup, settled.unknowns
    made = states[:, INDEX["made_burned"]]
    # Wiebe's burn never ends: nine tenths of what burns by the time the exhaust valve opens.
    last = int(np.searchsorted(made, KNOCK_BY * made[-1])) if made[-1] > 0.0 else len(made) - 1
    m, t = states[:, State.CYLINDER_MASS], states[:, State.CYLINDER_TEMPERATURE]
    y = states[:, State.CYLINDER_BURNED] / m
    fresh_r, burned_r = properties(s.gas, 500.0, 0.0)[0], properties(s.gas, 500.0, 1.0)[0]
    r = fresh_r + y * (burned_r - fresh_r)
    p = m * r * t / cylinder_volume(s, angle)
    start, low, high = float(t[0]), *(properties(s.gas, k, float(z[Unknown.CYLINDER_FRACTION]))[1] for k in (500.0, 900.0))
    slope = (high - low) / 400.0
    end_gas = end_gas_temperature(p, start, float(r[0]), low - 500.0 * slope, slope)
    time = angle / (360.0 * s.speed)
    return float(knock_progress(time, p, end_gas, octane)[min(last, len(time) - 1)])

"""What a settled cycle amounts to, and the small sums around finding one."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from .gas_kernel import flow, properties
from .layout import State, Unknown
from .operating import OperatingState
from .steady import Settled

__all__ = ["dead_state", "next_area", "overlap_blow_back", "plenum_mean", "throttle_flux"]


def overlap_blow_back(c: Settled) -> float:
    """Return the mass blown back through the intake valve between its opening and the exhaust valve's closing [kg]."""
    if c.course.exhaust_closes <= c.course.intake_opens:
        return 0.0
    return c.total("intake_back", c.course.intake_opens, c.course.exhaust_closes)


def plenum_mean(c: Settled) -> float:
    """Return the mean plenum pressure of a rippling cycle [Pa]."""
    states = c.at_marks
    columns = State.PLENUM_MASS, State.PLENUM_TEMPERATURE, State.PLENUM_BURNED
    values = [m * properties(c.setup.gas, t, burned / m)[0] * t / c.setup.plenum_volume for m, t, burned in states[:, columns]]
    return float(np.mean(values))


def throttle_flux(p_up: float, p_down: float, t: float, r: float, gamma: float) -> float:
    """Return mass flow per effective area [kg/s/m2] from one pressure [Pa] down to another; temperature [K], gas constant [J/kg/K].

    Parameters
    ----------
    p_up, p_down : float
        Pressures before and behind [Pa].
    t : float
        Temperature before the throttle [K].
    r : float
        Gas constant [J/(kg K)].
    gamma : float
        Ratio of specific heats.
    """
    return float(flow(1.0, p_up, min(p_down, 0.999 * p_up), t, r, gamma, 1e-4))


def next_area(tried: list[tuple[float, float]], target: float) -> float:
    """Return the throttle area [m2] to try next for a mean plenum pressure [Pa], from areas tried and the pressures they gave."""
    area, mean = tried[-1]
    if len(tried) < 2 or abs(tried[-2][1] - mean) < 1.0:
        return area * (target / mean) ** 1.0
    before, was = tried[-2]
    slope = (mean - was) / (area - before)
    return float(min(max(area + (target - mean) / slope, 0.3 * area), 3.0 * area))


def dead_state(speed: float, pressure: float, spark: float, c: Settled) -> OperatingState:
    """Return what a dying cycle amounts to: nothing burns, nothing is made.

    Parameters
    ----------
    speed : float
        Crank speed [rev/s].
    pressure : float
        Mean of the plenum [Pa], absolute.
    spark : float
        Before top dead centre [crank deg].
    c : Settled
        The dying cycle.
    """
    z: Any = c.unknowns
    pump = c.setup.exhaust_pressure - pressure
    return OperatingState(
        speed,
        pressure,
        c.setup.exhaust_pressure,
        spark,
        float(z[Unknown.CYLINDER_FRACTION]),
        float(z[Unknown.CYLINDER_FRACTION]),
        float(z[Unknown.CYLINDER_MASS]),
        0.0,
        0.0,
        overlap_blow_back(c),
        0.0,
        pump,
        -pump,
        math.nan,
        math.nan,
        math.nan,
        0.0,
        float(z[Unknown.COLLECTOR_TEMPERATURE]),
        outcome=c.outcome,
        repeats_within=c.residual,
    )

"""Which units make sense of a channel's numbers, by what an engine and a car can do; and which numbers no unit as written makes sense of."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..cycle.load_axis import AIR_CHARGE, MANIFOLD_PRESSURE
from ..tables.likely_unit import LEAST_MIDDLE, LEAST_TOP, MOST_MIDDLE
from .channels import CHANNELS, bounds_of, scale_of

__all__ = ["fitting_units", "is_impossible"]

Array = NDArray[np.float64]

# What a driven engine reaches, wide on purpose; ESTIMATE. Rows a second; highest engine speed [rev/s]; middle and top of manifold pressure [Pa],
# naturally aspirated; highest share of a pedal; middle of lambda; highest air charge [kg]; highest road speed [m/s].
ROWS_A_SECOND = (1.0, 600.0)
TOP_SPEED = (8.0, 200.0)
TOP_PRESSURE = (LEAST_TOP, 112e3)
TOP_PEDAL = (0.002, 1.1)
MIDDLE_LAMBDA = (0.6, 2.0)
TOP_CHARGE = (5e-5, 2.5e-3)
LOADS_TRIED = {MANIFOLD_PRESSURE: ("kPa", "inHg", "psi", "bar", "hPa"), AIR_CHARGE: ("mg", "g")}
# An engine that never gets over so much [rev/s], 300 rpm, does not run; ESTIMATE.
RUNS_ABOVE = 300.0 / 60.0


def fitting_units(channel: str, kind: str, written: Array, *, besides: str = "") -> list[str]:
    """Return the trade's units that make sense of numbers as they are written.

    Parameters
    ----------
    channel : str
    kind : str
        Of load.
    written : array, shape (n,) [any unit]
        Numbers as they are in the file.
    besides : str
        A unit that is not among the answers.

    Examples
    --------
    >>> fitting_units("load", "manifold pressure", np.array([35.0, 60.0, 99.0])), fitting_units("lambda", "", np.array([14.7, 13.0]))
    (['kPa'], ['afr'])
    """
    known = written[np.isfinite(written)]
    tried = LOADS_TRIED.get(kind, ("%", "1")) if channel == "load" else CHANNELS[channel].trade
    return [unit for unit in tried if unit != besides and known.size and _fits(channel, kind, known, scale_of(channel, unit, kind) or 1.0)]


def is_impossible(channel: str, kind: str, numbers: Array) -> bool:
    """Whether numbers in the unit kept cannot be those of their channel, most of them; ranges alone, and what an engine does.

    >>> is_impossible("load", "manifold pressure", np.full(9, 9e3)), is_impossible("lambda", "", np.full(9, 14.7))
    (True, True)
    """
    there = np.isfinite(numbers)
    known = numbers if there.all() else numbers[there]
    if not known.size:
        return False
    bounds = bounds_of(channel, kind)
    within = bounds.low <= known.min() and known.max() <= bounds.high
    if not within and np.count_nonzero((known < bounds.low) | (known > bounds.high)) > 0.5 * known.size:
        return True
    if channel == "speed":
        return bool(known.max() < RUNS_ABOVE)
    return kind == MANIFOLD_PRESSURE and not LEAST_MIDDLE <= float(np.median(known)) <= MOST_MIDDLE


def _fits(channel: str, kind: str, known: Array, scale: float) -> bool:
    inside = known * scale
    bounds = bounds_of(channel, kind)
    top, middle = float(inside.max()), float(np.median(inside))
    if channel == "time":
        steps = np.diff(inside)
        steps = steps[steps > 0.0]
        return bool(steps.size) and ROWS_A_SECOND[0] <= 1.0 / float(np.median(steps)) <= ROWS_A_SECOND[1]
    if np.count_nonzero((inside < bounds.low) | (inside > bounds.high)) > 0.05 * known.size:
        return False
    if channel == "speed":
        return TOP_SPEED[0] <= top <= TOP_SPEED[1]
    if channel == "pedal":
        return TOP_PEDAL[0] <= top <= TOP_PEDAL[1]
    if channel == "lambda":
        return MIDDLE_LAMBDA[0] <= middle <= MIDDLE_LAMBDA[1]
    if kind == MANIFOLD_PRESSURE:
        return middle >= LEAST_MIDDLE and TOP_PRESSURE[0] <= top <= TOP_PRESSURE[1]
    return kind != AIR_CHARGE or TOP_CHARGE[0] <= top <= TOP_CHARGE[1]

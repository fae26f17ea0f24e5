"""Adaptive integration of one cycle: Dormand and Prince's embedded pair of order 5(4), restarted at every valve event."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from .gas_kernel import FAST
from .layout import STATES, TOTAL, IntakeKind, State
from .rates import Boundary, Setup, rates

__all__ = ["run_cycle"]

Array = NDArray[np.float64]

A21 = 1 / 5
A31, A32 = 3 / 40, 9 / 40
A41, A42, A43 = 44 / 45, -56 / 15, 32 / 9
A51, A52, A53, A54 = 19372 / 6561, -25360 / 2187, 64448 / 6561, -212 / 729
A61, A62, A63, A64, A65 = 9017 / 3168, -355 / 33, 46732 / 5247, 49 / 176, -5103 / 18656
B1, B3, B4, B5, B6 = 35 / 384, 500 / 1113, 125 / 192, -2187 / 6784, 11 / 84
E1, E3, E4, E5, E6, E7 = 71 / 57600, -71 / 16695, 71 / 1920, -17253 / 339200, 22 / 525, -1 / 40
C2, C3, C4, C5 = 1 / 5, 3 / 10, 4 / 5, 8 / 9
MOST_STEPS = 200_000


class Scratch(NamedTuple):
    """Room to work in: seven slopes, a state between, and below which size of each state its error no longer shrinks with it."""

    slopes: Array
    trial: Array
    least: Array


@compiled(error_model="numpy", fastmath=FAST)
def _attempt(theta: float, h: float, y: Array, new: Array, room: Scratch, s: Setup, b: Boundary, rtol: float) -> float:
    """Try one step from ``y`` with the first slope into ``new`` and the last slope; return its error over what is allowed."""
    k, trial, least = room.slopes, room.trial, room.least
    for i in range(TOTAL):
        trial[i] = y[i] + h * A21 * k[0, i]
    rates(theta + C2 * h, trial, k[1], s, b)
    for i in range(TOTAL):
        trial[i] = y[i] + h * (A31 * k[0, i] + A32 * k[1, i])
    rates(theta + C3 * h, trial, k[2], s, b)
    for i in range(TOTAL):
        trial[i] = y[i] + h * (A41 * k[0, i] + A42 * k[1, i] + A43 * k[2, i])
    rates(theta + C4 * h, trial, k[3], s, b)
    for i in range(TOTAL):
        trial[i] = y[i] + h * (A51 * k[0, i] + A52 * k[1, i] + A53 * k[2, i] + A54 * k[3, i])
    rates(theta + C5 * h, trial, k[4], s, b)
    for i in range(TOTAL):
        trial[i] = y[i] + h * (A61 * k[0, i] + A62 * k[1, i] + A63 * k[2, i] + A64 * k[3, i] + A65 * k[4, i])
    rates(theta + h, trial, k[5], s, b)
    for i in range(TOTAL):
        new[i] = y[i] + h * (B1 * k[0, i] + B3 * k[2, i] + B4 * k[3, i] + B5 * k[4, i] + B6 * k[5, i])
    rates(theta + h, new, k[6], s, b)
    error = 0.0
    for i in range(STATES):
        e = h * (E1 * k[0, i] + E3 * k[2, i] + E4 * k[3, i] + E5 * k[4, i] + E6 * k[5, i] + E7 * k[6, i])
        e = abs(e) / (rtol * (least[i] + abs(y[i])))
        if not np.isfinite(e):
            # Told at once: a later state's finite error would hide it, and the step would be taken.
            return np.inf
        error = max(error, e)
    return error


@compiled(nogil=True, error_model="numpy", fastmath=FAST)
def run_cycle(y0: Array, stops: Array, s: Setup, b: Boundary, rtol: float, marks: Array) -> tuple[Array, Array, int]:
    """Integrate from the first stop to the last.

    Parameters
    ----------
    y0 : array, shape (states,)
        State at the first stop, in the units of ``rates``.
    stops : array, shape (n,)
        Rising crank angles at which to restart [crank deg].
    s : Setup
        Engine and gas.
    b : Boundary
        What this cycle is given.
    rtol : float
        Relative tolerance of a step.
    marks : array, shape (m,)
        Rising crank angles at which to keep the state [crank deg]; may be empty.

    Returns
    -------
    State at every stop, state at every mark, number of steps taken (-1 if a step could not be made small enough).
    """
    y = y0.copy()
    at_stops = np.zeros((stops.size, TOTAL))
    at_marks = np.zeros((marks.size, TOTAL))
    at_stops[0] = y
    slopes = np.zeros((7, TOTAL))
    k1, k7 = slopes[0], slopes[6]
    new, trial = np.zeros(TOTAL), np.zeros(TOTAL)
    least = np.zeros(STATES)
    for i in range(STATES):
        least[i] = 1e-3 * abs(y[i]) + 1e-12
    least[State.CYLINDER_BURNED] = y[State.CYLINDER_MASS]
    least[State.RUNNER_BURNED] = y[State.RUNNER_MASS] + 1e-12
    least[State.PLENUM_BURNED] = y[State.PLENUM_MASS] + 1e-6
    least[State.RUNNER_FLOW] = 0.02
    least[State.PORT_FRACTION] = 1.0
    held = s.intake == IntakeKind.HELD
    if held:
        least[State.PLENUM_MASS] = least[State.PLENUM_BURNED] = 0.1 * y[State.CYLINDER_MASS]
    room = Scratch(slopes, trial, least)
    h = 0.25
    steps = 0
    mark = 0
    for j in range(stops.size - 1):
        theta, end = stops[j], stops[j + 1]
        h = min(h, 0.1)
        rates(theta, y, k1, s, b)
        while end - theta > 1e-9:
            h = min(h, end - theta)
            if mark < marks.size and marks[mark] - theta > 1e-9:
                h = min(h, marks[mark] - theta)
            error = _attempt(theta, h, y, new, room, s, b, rtol)
            steps += 1
            if steps > MOST_STEPS:
                return at_stops, at_marks, -1
            if not np.isfinite(error) or new[State.CYLINDER_MASS] <= 0.0 or new[State.CYLINDER_TEMPERATURE] <= 0.0:
                h *= 0.2
                if h < 1e-8:
                    return at_stops, at_marks, -1
                continue
            if held and y[State.PLENUM_MASS] > 0.0 and new[State.PLENUM_MASS] < 0.0:
                # The slug runs out inside this step: come up to it, then go on with fresh charge.
                if h > 1e-7:
                    h *= min(max(0.98 * y[State.PLENUM_MASS] / (y[State.PLENUM_MASS] - new[State.PLENUM_MASS]), 0.02), 0.95)
                    continue
                new[State.PLENUM_MASS], new[State.PLENUM_BURNED] = 0.0, 0.0
            if error > 1.0:
                h *= max(0.2, 0.9 * error**-0.2)
                continue
            theta += h
            for i in range(TOTAL):
                y[i] = new[i]
                k1[i] = k7[i]
            if held and y[State.PLENUM_MASS] <= 0.0:
                rates(theta, y, k1, s, b)
            while mark < marks.size and marks[mark] - theta <= 1e-9:
                at_marks[mark] = y
                mark += 1
            h *= min(5.0, 0.9 * max(error, 1e-8) ** -0.2)
        at_stops[j + 1] = y
    return at_stops, at_marks, steps

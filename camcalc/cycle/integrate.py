"""Adaptive integration of one cycle: Dormand and Prince's embedded pair of order 5(4), restarted at every valve event."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from .gas_kernel import FAST
from .layout import STATES, TOTAL, IntakeKind, State
from .rates import rates
from .volumes import Boundary, Setup

__all__ = ["run_cycle"]

Array = NDArray[np.float64]

# Dormand and Prince's stages: where each stands within the step, and what it takes of the slopes before it; the last is the step itself.
NODES = np.array([0.0, 1 / 5, 3 / 10, 4 / 5, 8 / 9, 1.0, 1.0])
STAGES = np.array(
    [
        [0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
        [1 / 5, 0.0, 0.0, 0.0, 0.0, 0.0],
        [3 / 40, 9 / 40, 0.0, 0.0, 0.0, 0.0],
        [44 / 45, -56 / 15, 32 / 9, 0.0, 0.0, 0.0],
        [19372 / 6561, -25360 / 2187, 64448 / 6561, -212 / 729, 0.0, 0.0],
        [9017 / 3168, -355 / 33, 46732 / 5247, 49 / 176, -5103 / 18656, 0.0],
        [35 / 384, 0.0, 500 / 1113, 125 / 192, -2187 / 6784, 11 / 84],
    ]
)
# The step of order 5 less that of order 4.
ERRORS = np.array([71 / 57600, 0.0, -71 / 16695, 71 / 1920, -17253 / 339200, 22 / 525, -1 / 40])
MOST_STEPS = 200_000


class Scratch(NamedTuple):
    """Room to work in: seven slopes, a state between, and below which size of each state its error no longer shrinks with it."""

    slopes: Array
    trial: Array
    least: Array


# Within the step, so that what does not change from stage to stage is worked out once.
_rates_here = compiled(inline="always", error_model="numpy", fastmath=FAST)(rates.py_func)  # type: ignore[attr-defined]


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _attempt(theta: float, h: float, y: Array, new: Array, room: Scratch, s: Setup, b: Boundary, rtol: float, first: int) -> float:
    """Try one step from ``y`` into ``new`` and the last slope, from the stage that is not known yet; return its error over what is allowed."""
    k, trial, least = room.slopes, room.trial, room.least
    for stage in range(first, STAGES.shape[0]):
        # Rates ask for the state alone; its sums are added up once, at the end.
        for i in range(STATES):
            change = 0.0
            for j in range(stage):
                change += STAGES[stage, j] * k[j, i]
            trial[i] = y[i] + h * change
        _rates_here(theta + NODES[stage] * h, trial, k[stage], s, b)
    for i in range(STATES):
        new[i] = trial[i]
    for i in range(STATES, TOTAL):
        change = 0.0
        for j in range(STAGES.shape[1]):
            change += STAGES[-1, j] * k[j, i]
        new[i] = y[i] + h * change
    error = 0.0
    for i in range(STATES):
        e = 0.0
        for stage in range(STAGES.shape[0]):
            e += ERRORS[stage] * k[stage, i]
        e = abs(h * e) / (rtol * (least[i] + abs(y[i])))
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
        first = 0
        while end - theta > 1e-9:
            h = min(h, end - theta)
            if mark < marks.size and marks[mark] - theta > 1e-9:
                h = min(h, marks[mark] - theta)
            error = _attempt(theta, h, y, new, room, s, b, rtol, first)
            first = 1
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
                first = 0
            while mark < marks.size and marks[mark] - theta <= 1e-9:
                at_marks[mark] = y
                mark += 1
            h *= min(5.0, 0.9 * max(error, 1e-8) ** -0.2)
        at_stops[j + 1] = y
    return at_stops, at_marks, steps

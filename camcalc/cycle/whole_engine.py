"""The whole engine on one breathing plenum: every cylinder integrated at once, each a firing interval behind the last.

All cylinders do the same in the settled state, so burn and collector are those of the first one's cycle before. This is
the rippling form; where its ripple is small the constant-pressure form gives the same answer at a fraction of the cost.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from ..errors import NoSolutionError
from .gas_kernel import FAST, properties
from .integrate import ERRORS, MOST_STEPS, NODES, STAGES
from .layout import PLENUM, STATES, TOTAL, State, Unknown
from .operating import Ending
from .plain_cycle import at_closing, boundary_of, burn_layout, burned_out, closed_volume, cycle_stops, outside_of
from .rates import rates
from .steady import IN_CYLINDER_TO_PORT, Marching, Settled, every_degree
from .volumes import Boundary, Setup

__all__ = ["WholeEngine", "run_engine"]

Array = NDArray[np.float64]

BEHIND_THE_PORT = [Unknown.COLLECTOR_TEMPERATURE, Unknown.COLLECTOR_FRACTION, Unknown.EXHAUST_PRESSURE]


@compiled(error_model="numpy", fastmath=FAST)
def _engine_rates(theta: float, y: Array, dy: Array, s: Setup, boundaries: Array, shifts: Array) -> None:
    """Write every cylinder's rates; their shares of the plenum add up and are written to all."""
    count = shifts.size
    for k in range(count):
        r = boundaries[k]
        b = Boundary(r[0], r[1], r[2], r[3], r[4], r[5], r[6], r[7], r[8], r[9], r[10], r[11], r[12], r[13], r[14])
        phase = b.closed_angle + (theta + shifts[k] - b.closed_angle) % 720.0
        rates(phase, y[k], dy[k], s, b)
    for i in (State.PLENUM_MASS, State.PLENUM_TEMPERATURE, State.PLENUM_BURNED):
        total = 0.0
        for k in range(count):
            total += dy[k, i]
        for k in range(count):
            dy[k, i] = total


@compiled(nogil=True, error_model="numpy", fastmath=FAST)
def run_engine(y0: Array, stops: Array, s: Setup, boundaries: Array, shifts: Array, rtol: float, marks: Array) -> tuple[Array, Array, Array, int]:
    """Integrate all cylinders from the first stop to the last; as ``run_cycle``, for an array of cylinders.

    Returns the first cylinder's state at stops and at marks, every cylinder's state at the end, and the steps taken.

    Parameters
    ----------
    y0 : array, shape (cylinders, states)
        States at the first stop, in the units of ``rates``.
    stops : array, shape (n,)
        Rising crank angles at which to restart [crank deg].
    s : Setup
        Engine and gas.
    boundaries : array, shape (cylinders, 15) [SI]
        What each cylinder's cycle is given, as ``Boundary``; angles in crank degrees.
    shifts : array, shape (cylinders,)
        How far each cylinder is ahead of the first [crank deg].
    rtol : float
        Relative tolerance of a step.
    marks : array, shape (m,)
        Rising crank angles at which to keep the first cylinder's state [crank deg].
    """
    y = y0.copy()
    shape = y.shape
    at_stops = np.zeros((stops.size, TOTAL))
    at_marks = np.zeros((marks.size, TOTAL))
    at_stops[0] = y[0]
    slopes = np.zeros((7, shape[0], shape[1]))
    k1, k7 = slopes[0], slopes[6]
    new = np.zeros(shape)
    least = np.zeros(STATES)
    for i in range(STATES):
        least[i] = 1e-3 * abs(y[0, i]) + 1e-12
    least[State.CYLINDER_BURNED] = y[0, State.CYLINDER_MASS]
    least[State.RUNNER_BURNED] = y[0, State.RUNNER_MASS]
    least[State.RUNNER_FLOW], least[State.PORT_FRACTION] = 0.02, 1.0
    least[State.PLENUM_BURNED] = y[0, State.PLENUM_MASS]
    h, steps, mark = 0.1, 0, 0
    for j in range(stops.size - 1):
        theta, end = stops[j], stops[j + 1]
        h = min(h, 0.1)
        _engine_rates(theta, y, k1, s, boundaries, shifts)
        while end - theta > 1e-9:
            h = min(h, end - theta)
            if mark < marks.size and marks[mark] - theta > 1e-9:
                h = min(h, marks[mark] - theta)
            for stage in range(1, STAGES.shape[0]):
                new[:] = y
                for earlier in range(stage):
                    new += (h * STAGES[stage, earlier]) * slopes[earlier]
                _engine_rates(theta + NODES[stage] * h, new, slopes[stage], s, boundaries, shifts)
            error = 0.0
            for k in range(shape[0]):
                for i in range(STATES):
                    e = 0.0
                    for stage in range(STAGES.shape[0]):
                        e += ERRORS[stage] * slopes[stage, k, i]
                    e = abs(h * e) / (rtol * (least[i] + abs(y[k, i])))
                    if not e <= error:
                        error = e
            steps += 1
            if steps > MOST_STEPS:
                return at_stops, at_marks, y, -1
            if not np.isfinite(error):
                h *= 0.2
                if h < 1e-8:
                    return at_stops, at_marks, y, -1
                continue
            if error > 1.0:
                h *= max(0.2, 0.9 * error**-0.2)
                continue
            theta += h
            y[:] = new
            k1[:] = k7
            while mark < marks.size and marks[mark] - theta <= 1e-9:
                at_marks[mark] = y[0]
                mark += 1
            h *= min(5.0, 0.9 * max(error, 1e-8) ** -0.2)
        at_stops[j + 1] = y[0]
    return at_stops, at_marks, y, steps


class WholeEngine:
    """All cylinders on one plenum, started from a settled constant-pressure cycle."""

    def __init__(self, marching: Marching, cylinders: int, calm: Settled) -> None:
        self.marching, self.cylinders = marching, cylinders
        self.shifts = np.arange(cylinders) * 720.0 / cylinders
        self.boundary_unknowns = calm.unknowns.copy()
        self.state = self._start(calm)

    def _start(self, calm: Settled) -> Array:
        """Return every cylinder at its own phase of the calm cycle."""
        from .integrate import run_cycle

        course, s = calm.course, calm.setup
        phases = course.closes + np.sort(self.shifts[1:])
        _, kept, _ = run_cycle(calm.at_stops[0], calm.stops, s, calm.boundary, self.marching.rtol, phases)
        y = np.vstack([calm.at_stops[:1], kept])
        z = calm.unknowns
        temperature, burned = z[Unknown.PLENUM_TEMPERATURE], z[Unknown.PLENUM_FRACTION]
        mass = s.intake_pressure * s.plenum_volume / (properties(s.gas, temperature, burned)[0] * temperature)
        y[:, PLENUM] = mass, temperature, mass * burned
        y[:, STATES:] = 0.0
        return y

    def settle(self, throttle_area: float, *, tolerance: float, most: int = 300) -> Settled:
        """Return the settled cycle of the first cylinder at a throttle area [m2].

        Raises
        ------
        NoSolutionError
            If it does not settle, with the last residuals.
        """
        m = self.marching
        history = []
        for count in range(1, most + 1):
            before = self.state
            z, cycle = self._cycle(throttle_area)
            gap = np.abs(self.state[:, :STATES] - before[:, :STATES]) / (np.abs(before[:, :STATES]) + 1e-3 * np.max(np.abs(before[:, :STATES]), axis=0))
            gap[:, State.RUNNER_FLOW] = np.abs(self.state[:, State.RUNNER_FLOW] - before[:, State.RUNNER_FLOW]) / 0.05
            scale = np.array([z[Unknown.COLLECTOR_TEMPERATURE], 1.0, z[Unknown.EXHAUST_PRESSURE]])
            shift = np.max(np.abs(z - self.boundary_unknowns)[BEHIND_THE_PORT] / scale)
            self.boundary_unknowns = z
            history.append(float(max(gap.max(), shift)))
            if history[-1] < tolerance:
                return cycle._replace(cycles=count, residual=history[-1], history=tuple(history), outcome=Ending.SETTLED)
        shown = ", ".join(f"{r:.1e}" for r in history[-6:])
        raise NoSolutionError(f"the rippling plenum does not settle at {m.setup.speed * 60:.0f} rpm after {most} cycles; last residuals {shown}")

    def _cycle(self, throttle_area: float) -> tuple[Array, Settled]:
        m, course = self.marching, self.marching.course
        z = self.boundary_unknowns
        s = m.setup._replace(exhaust_pressure=z[Unknown.EXHAUST_PRESSURE], throttle_area=throttle_area / self.cylinders)
        y0 = self.state[0]
        mass, t = y0[State.CYLINDER_MASS], y0[State.CYLINDER_TEMPERATURE]
        burned = y0[State.CYLINDER_BURNED] / mass
        closed = closed_volume(s, course.closes)
        burn = burn_layout(s, m.burning, (mass, t, burned), course, m.outer.scales)
        b = boundary_of(s, m.burning, burn, course, outside_of(z, s), (mass, t, burned), closed)
        own = cycle_stops(course, b.burn_start, min(burned_out(burn), course.exhaust_opens))
        first, last = course.closes, course.closes + 720.0
        everyone = {first + (a - shift - first) % 720.0 for a in own for shift in self.shifts}
        stops = np.array(sorted({a for a in everyone | set(own) if first < a < last} | {first, last}))
        stops = stops[np.concatenate([[True], np.diff(stops) > 1e-6])]
        marks = every_degree(course)
        at_stops, at_marks, end, steps = run_engine(self.state, stops, s, np.tile(b, (self.cylinders, 1)), self.shifts, m.rtol, marks)
        if steps < 0:
            raise NoSolutionError(f"the rippling plenum cannot be integrated at {s.speed * 60:.0f} rpm: a step became too small")
        unknowns = z.copy()
        unknowns[IN_CYLINDER_TO_PORT] = at_closing(y0)
        unknowns[Unknown.PLENUM_TEMPERATURE] = y0[State.PLENUM_TEMPERATURE]
        unknowns[Unknown.PLENUM_FRACTION] = y0[State.PLENUM_BURNED] / y0[State.PLENUM_MASS]
        cycle = Settled(s, b, course, unknowns, stops, at_stops, at_marks, burn, 1, np.inf, (), Ending.NOT_SETTLED)
        self.state = end
        self.state[:, STATES:] = 0.0
        following = m._next(unknowns, cycle)
        following[IN_CYLINDER_TO_PORT] = unknowns[IN_CYLINDER_TO_PORT]
        return following, cycle

"""The flows at the valves of one cylinder over a settled cycle, as any engine model may tell them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import NoSolutionError
from .integrate import run_cycle
from .layout import INDEX, IntakeKind, State, Unknown
from .plain_cycle import Course
from .steady import Settled

__all__ = ["PortFlow", "flow_of"]

Array = NDArray[np.float64]


class PortFlow(NamedTuple):
    """Masses moved at the valves of one cylinder over a settled cycle, from intake closing to the next.

    ``angle`` [crank deg] and the masses standing in runner and cylinder [kg] are those at the ends of steps of a degree; masses
    moved [kg] those in each step: ``inward`` through the intake valve into the cylinder and ``drawn`` from plenum into runner,
    both negative when flow reverses, ``exhausted`` out through the exhaust valve. Speed rev/s, length m, temperature in the plenum K.
    """

    angle: Array
    inward: Array
    drawn: Array
    exhausted: Array
    runner_mass: Array
    cylinder_mass: Array
    course: Course
    speed: float
    runner_length: float
    plenum_temperature: float

    @property
    def opening(self) -> int:
        """Index of the step in which the intake valve opens."""
        return int(np.searchsorted(self.angle, self.course.intake_opens, side="right")) - 1

    def swallowed(self) -> float:
        """Return the angle [crank deg] by which all that was blown back into the runner has been drawn in again; intake opening if nothing was."""
        k = self.opening
        net = np.concatenate([[0.0], np.cumsum(self.inward[k:])])
        owed = np.flatnonzero(net < 0.0)
        if owed.size == 0:
            return self.course.intake_opens
        last = int(owed[-1])
        if last + 1 == net.size:
            return float(self.angle[-1])
        return float(self.angle[k + last] + net[last] / (net[last] - net[last + 1]))


def flow_of(c: Settled, rtol: float) -> PortFlow:
    """Return the flows of a settled cycle that has a runner.

    Parameters
    ----------
    c : Settled
        With a plenum, calm or rippling.
    rtol : float
        Relative tolerance of the integration that keeps every degree.

    Raises
    ------
    NoSolutionError
        If the engine does not run there.

    Examples
    --------
    >>> from camcalc import ResolvedEngine, load_build
    >>> engine = ResolvedEngine(load_build("examples/quarry-road/build.toml"))
    >>> flow = flow_of(engine.settled(2000 / 60, 60e3, 35.0), engine.rtol)
    >>> len(flow.inward), bool(abs(flow.inward.sum() - flow.drawn.sum()) < 1e-4 * flow.cylinder_mass[0])
    (720, True)
    """
    if not c.runs:
        raise NoSolutionError(f"the engine does not run at {c.setup.speed * 60:.0f} rpm and {c.setup.intake_pressure / 1e3:.1f} kPa: {c.outcome}")
    y = _every_degree(c, rtol).T
    moved = {name: np.diff(y[INDEX[name]]) for name in ("intake_in", "intake_back", "runner_in", "runner_back", "exhaust_out")}
    return PortFlow(
        angle=np.linspace(c.course.closes, c.course.closes + 720.0, y.shape[1]),
        inward=moved["intake_in"] - moved["intake_back"],
        drawn=moved["runner_in"] - moved["runner_back"],
        exhausted=moved["exhaust_out"],
        runner_mass=y[State.RUNNER_MASS],
        cylinder_mass=y[State.CYLINDER_MASS],
        course=c.course,
        speed=c.setup.speed,
        runner_length=c.setup.runner_length,
        plenum_temperature=float(c.unknowns[Unknown.PLENUM_TEMPERATURE]),
    )


def _every_degree(c: Settled, rtol: float) -> Array:
    """Return the state at every degree, ends included."""
    if c.setup.intake == IntakeKind.RIPPLING:
        # One cylinder run alone would not see the others' ripple; the settled cycle kept its own states.
        return np.vstack([c.at_stops[:1], c.at_marks, c.at_stops[-1:]])
    marks = np.arange(c.course.closes, c.course.closes + 720.0, 1.0)[1:720]
    ran, kept, _ = run_cycle(c.at_stops[0], c.stops, c.setup, c.boundary, rtol, marks)
    return np.vstack([c.at_stops[:1], kept, ran[-1:]])

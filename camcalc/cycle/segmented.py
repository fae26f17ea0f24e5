"""A cylinder's real cycle cut into segments, as the engine integrates it: alone, or all cylinders on the plenum they share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..errors import NoSolutionError
from .integrate import run_cycle
from .layout import INDEX, PLENUM, TOTAL, IntakeKind, State, Unknown
from .memory import SIZE, Carried, Given, segments_of
from .plain_cycle import boundary_of, burn_layout, burned_out, cycle_stops, temperature_of
from .steady import Settled
from .whole_engine import run_engine

if TYPE_CHECKING:
    from .resolved import ResolvedEngine
    from .steady import Marching
    from .volumes import Boundary

__all__ = ["CHARGE", "COUNTED", "LATCHED", "Segmented"]

Array = NDArray[np.float64]

# Of every integration from which a difference is taken.
RTOL = 1e-7
# Of all cylinders at once.
ENGINE_RTOL = 1e-6
CHARGE = slice(Carried.CHARGE_MASS, Carried.CHARGE_FRACTION + 1)
LATCHED = slice(Carried.CHARGE_MASS, Carried.SPEED + 1)
COUNTED = slice(Carried.LEFT, Carried.LEFT_HEAT + 1)
SUMMED = [INDEX[name] for name in ("collector_out", "collector_back", "collector_out_burned", "collector_out_heat")]


class Segmented:
    """A cylinder's real cycle in segments, as the engine integrates it."""

    def __init__(self, engine: ResolvedEngine, speed: float, pressure: float, spark: float) -> None:
        self.engine = engine
        self.marching: Marching = engine.marching(speed, pressure, spark)
        self.segments = segments_of(engine.geometry.cylinders)
        self.ends = self.marching.course.closes + 720.0 / self.segments * np.arange(self.segments + 1)

    def begin(self, settled: Settled) -> Array:
        """Return what is carried into the first segment of a settled cycle."""
        z, state = settled.unknowns, np.zeros(SIZE)
        state[: Carried.PORT_FRACTION + 1] = z[: Unknown.PORT_FRACTION + 1]
        state[Carried.COLLECTOR_TEMPERATURE : Carried.EXHAUST_PRESSURE + 1] = z[Unknown.COLLECTOR_TEMPERATURE : Unknown.EXHAUST_PRESSURE + 1]
        return state

    def step(self, k: int, state: Array, given: Array, *, misses: bool = False) -> tuple[Array, Array]:
        """Run a segment; return what is carried on and what was made.

        Parameters
        ----------
        k : int
            Which segment; the first begins at intake closing.
        state : array, shape (carried,) [SI]
        given : array, shape (inputs,) [SI]
        misses : bool
            Whether nothing burns in this cycle.
        """
        new, made, sums = self.flow(k, state, given, misses=misses)
        return self.book(k, new, sums, state, float(given[Given.SPEED])), made

    def latched(self, k: int, state: Array, given: Array) -> Array:
        """Return what is carried, with the charge, its spark and its speed taken anew where intake closes."""
        if k > 0:
            return state
        state = state.copy()
        state[CHARGE] = state[: Carried.CYLINDER_FRACTION + 1]
        state[Carried.SPARK], state[Carried.SPEED] = given[Given.SPARK], given[Given.SPEED] / (2.0 * math.pi)
        return state

    def boundary(self, state: Array, given: Array, *, misses: bool) -> tuple[Boundary, Array]:
        """Return what a cylinder's cycle is given, latched, and the angles [crank deg] at which its integration must restart."""
        m, course = self.marching, self.marching.course
        burning = m.burning._replace(spark=float(state[Carried.SPARK]))
        charge = float(state[Carried.CHARGE_MASS]), float(state[Carried.CHARGE_TEMPERATURE]), float(state[Carried.CHARGE_FRACTION])
        burn = burn_layout(m.setup._replace(speed=float(state[Carried.SPEED])), burning, charge, course, m.outer.scales)
        behind = float(state[Carried.COLLECTOR_TEMPERATURE]), float(state[Carried.COLLECTOR_FRACTION]), float(state[Carried.EXHAUST_PRESSURE])
        outside = float(given[Given.TEMPERATURE]), float(given[Given.FRACTION]), *behind
        b = boundary_of(m.setup, burning, burn, course, outside, charge, m.outer.closed)
        return (b._replace(burn_mass=0.0) if misses else b), cycle_stops(course, b.burn_start, min(burned_out(burn), course.exhaust_opens))

    def flow(self, k: int, state: Array, given: Array, *, misses: bool = False) -> tuple[Array, Array, Array]:
        """Integrate a segment; return what is carried without what is counted, what was made, and what left for the collector.

        Parameters
        ----------
        k : int
            Which segment.
        state : array, shape (carried,) [SI]
        given : array, shape (inputs,) [SI]
        misses : bool
            Whether nothing burns in this cycle.
        """
        state = self.latched(k, state, given)
        s = self.marching.setup._replace(
            speed=float(given[Given.SPEED]) / (2.0 * math.pi),
            intake=int(IntakeKind.PLENUM),
            intake_pressure=float(given[Given.PRESSURE]),
        )
        b, stops = self.boundary(state, given, misses=misses)
        first, last = self.ends[k], self.ends[k + 1]
        stops = np.array([first, *stops[(stops > first + 1e-6) & (stops < last - 1e-6)], last])
        ran, _, steps = run_cycle(begun(state), stops, s, b, RTOL, np.zeros(0))
        if steps < 0:
            raise NoSolutionError(f"a cycle cannot be integrated at {s.speed * 60:.0f} rpm and {s.intake_pressure / 1e3:.1f} kPa: a step became too small")
        return self.ended(k, state, ran[-1])

    def ended(self, k: int, state: Array, end: Array) -> tuple[Array, Array, Array]:
        """Return, of an integrated state at a segment's end, what ``flow`` does; ``state`` is what it began with."""
        new = state.copy()
        new[: Carried.PORT_FRACTION + 1] = end[: State.PORT_FRACTION + 1]
        new[Carried.CYLINDER_FRACTION] = end[State.CYLINDER_BURNED] / end[State.CYLINDER_MASS]
        new[Carried.RUNNER_FRACTION] = end[State.RUNNER_BURNED] / end[State.RUNNER_MASS]
        fresh = state[Carried.CYLINDER_MASS] * (1.0 - state[Carried.CYLINDER_FRACTION]) if k == 0 else 0.0
        return new, _made(end, float(fresh)), end[SUMMED]

    def together(self, k: int, states: Sequence[Array], given: Array, missed: Sequence[bool], plenum: tuple[float, float, float], opening: float) -> Array:
        """Integrate all cylinders on the plenum they share over a segment; return each one's state at its end, the plenum's in all.

        Parameters
        ----------
        k : int
            Which segment of its cycle the first cylinder is in; the others are evenly ahead of it.
        states : sequence of array, shape (carried,) [SI]
            Of each cylinder, latched.
        given : array, shape (inputs,) [SI]
            Of it the speed counts, and what was given when intakes closed.
        missed : sequence of bool
            In which cylinders nothing burns.
        plenum : tuple of float
            Mass [kg], temperature [K] and burned fraction at the beginning.
        opening : float [m2]
            Of the throttle.
        """
        count = len(states)
        shifts = np.arange(count) * 720.0 / count
        found = [self.boundary(state, given, misses=misses) for state, misses in zip(states, missed, strict=True)]
        y = np.stack([begun(state) for state in states])
        y[:, PLENUM] = plenum[0], plenum[1], plenum[2] * plenum[0]
        setup = self.marching.setup._replace(
            speed=given[Given.SPEED] / (2.0 * math.pi),
            intake=int(IntakeKind.RIPPLING),
            throttle_area=opening / count,
        )
        behind = float(np.mean([state[Carried.EXHAUST_PRESSURE] for state in states]))
        begins, first, last = self.ends[0], self.ends[k], self.ends[k + 1]
        inner = {begins + (a - shift - begins) % 720.0 for (_, own), shift in zip(found, shifts, strict=True) for a in own}
        stops = np.array([first, *sorted(a for a in inner if first + 1e-6 < a < last - 1e-6), last])
        stops = stops[np.concatenate([[True], np.diff(stops) > 1e-6])]
        _, _, end, steps = run_engine(y, stops, setup, np.array([b._replace(exhaust_pressure=behind) for b, _ in found]), shifts, ENGINE_RTOL, np.zeros(0))
        if steps < 0:
            raise NoSolutionError(f"the engine cannot be integrated at {setup.speed * 60:.0f} rpm: a step became too small")
        return end

    def book(self, k: int, new: Array, sums: Array, before: Array, speed: float) -> Array:
        """Count what left for the collector; at the end of a cycle settle what stands there.

        Parameters
        ----------
        k : int
            Which segment.
        new : array, shape (carried,) [SI]
            At the end of the segment.
        sums : array, shape (4,)
            What left for the collector and came back in it [kg], [kg], burned [kg], with its heat [J].
        before : array, shape (carried,) [SI]
            At its beginning.
        speed : float [rad/s]
            Of the crank.
        """
        new = new.copy()
        new[COUNTED] = sums if k == 0 else before[COUNTED] + sums
        if k < self.segments - 1:
            return new
        m = self.marching
        out, back, burned, heat = new[COUNTED]
        left = burned / out
        new[Carried.COLLECTOR_FRACTION] = left
        new[Carried.COLLECTOR_TEMPERATURE] = temperature_of(m.setup.gas, heat / out, left, before[Carried.COLLECTOR_TEMPERATURE])
        flow = (out - back) * speed / (4.0 * math.pi)
        new[Carried.EXHAUST_PRESSURE] = m.outer.ambient + m.outer.rated_rise * (flow / m.outer.rated_flow) ** 2
        return new

    def cycle(self, state: Array, given: Array, *, misses: bool = False) -> tuple[Array, Array]:
        """Run a whole cycle with inputs that stay; return what is carried at the ends of the segments, and what each made."""
        states, made = [state], []
        for k in range(self.segments):
            state, out = self.step(k, state, given, misses=misses)
            states.append(state)
            made.append(out)
        return np.array(states), np.array(made)


def begun(state: Array) -> Array:
    """Return the state that an integration begins with: burned gas of cylinder and runner as mass."""
    y = np.zeros(TOTAL)
    y[: State.PORT_FRACTION + 1] = state[: Carried.PORT_FRACTION + 1]
    y[State.CYLINDER_BURNED] = state[Carried.CYLINDER_FRACTION] * state[Carried.CYLINDER_MASS]
    y[State.RUNNER_BURNED] = state[Carried.RUNNER_FRACTION] * state[Carried.RUNNER_MASS]
    return y


def _made(end: Array, fresh: float) -> Array:
    def of(name: str) -> float:
        return float(end[INDEX[name]])

    energy = of("runner_in_heat") - of("runner_back_heat") + of("plenum_heat")
    return np.array([of("work"), of("runner_in") - of("runner_back"), of("runner_in_burned") - of("runner_back_burned"), energy, fresh])

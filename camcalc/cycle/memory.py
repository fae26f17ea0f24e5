"""What a cycle leaves to those after it: one cylinder's cycle cut into segments, each a linear map about the settled one.

Burned gas goes from the cylinder into the runner, from there into the plenum, and back over several cycles, so that torque answers a change
of speed or pressure over some six cycles. The plenum is not in the map: pressure, temperature and burned gas in it are inputs.
"""

from __future__ import annotations

import dataclasses
import enum
import functools
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import NoSolutionError
from .integrate import run_cycle
from .layout import INDEX, TOTAL, IntakeKind, State, Unknown
from .steady import Settled, boundary_of, burn_layout, burned_out, cycle_stops, temperature_of
from .whole_engine import run_engine

if TYPE_CHECKING:
    from .rates import Boundary
    from .resolved import ResolvedEngine
    from .steady import Marching

__all__ = ["PLENUM", "Carried", "CycleMemory", "Given", "Made", "Segmented", "begun", "cycle_memory", "segments_of"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# A cycle has so many segments at least, and as many times the cylinders as it takes.
LEAST_SEGMENTS = 8
# Of every integration from which a difference is taken.
RTOL = 1e-7
# Of all cylinders at once.
ENGINE_RTOL = 1e-6
PLENUM = slice(State.PLENUM_MASS, State.PLENUM_BURNED + 1)


class Carried(enum.IntEnum):
    """What a cylinder carries from segment to segment, SI: gas of cylinder, runner and exhaust port; what stands behind the port;
    what has left for the collector since intake closing; the charge at intake closing, its spark and its speed [rev/s]."""

    CYLINDER_MASS = 0
    CYLINDER_TEMPERATURE = 1
    CYLINDER_FRACTION = 2
    RUNNER_MASS = 3
    RUNNER_TEMPERATURE = 4
    RUNNER_FRACTION = 5
    RUNNER_FLOW = 6
    PORT_TEMPERATURE = 7
    PORT_FRACTION = 8
    COLLECTOR_TEMPERATURE = 9
    COLLECTOR_FRACTION = 10
    EXHAUST_PRESSURE = 11
    LEFT = 12
    CAME_BACK = 13
    LEFT_BURNED = 14
    LEFT_HEAT = 15
    CHARGE_MASS = 16
    CHARGE_TEMPERATURE = 17
    CHARGE_FRACTION = 18
    SPARK = 19
    SPEED = 20


class Given(enum.IntEnum):
    """What a segment is given: crank speed [rad/s], plenum pressure [Pa], spark [crank deg before top dead centre], plenum temperature [K] and
    burned fraction. The spark counts where it is taken: at intake closing."""

    SPEED = 0
    PRESSURE = 1
    SPARK = 2
    TEMPERATURE = 3
    FRACTION = 4


class Made(enum.IntEnum):
    """What a segment makes: work [J]; mass [kg], burned mass [kg] and energy [J] that leave the plenum for runner and walls; the first segment,
    the fresh charge that it was given [kg]."""

    WORK = 0
    MASS = 1
    BURNED = 2
    ENERGY = 3
    FRESH = 4


SIZE, INPUTS, OUTPUTS = len(Carried), len(Given), len(Made)
LOSSES = slice(Made.MASS, Made.ENERGY + 1)
CHARGE = slice(Carried.CHARGE_MASS, Carried.CHARGE_FRACTION + 1)
LATCHED = slice(Carried.CHARGE_MASS, Carried.SPEED + 1)
COUNTED = slice(Carried.LEFT, Carried.LEFT_HEAT + 1)
SUMMED = [INDEX[name] for name in ("collector_out", "collector_back", "collector_out_burned", "collector_out_heat")]
# Steps that differences are taken over: of the size of a swing, since the gas exchange has kinks that tiny ones would fall into. Masses by share.
BY_SHARE = 5e-3
STEPS = {
    Carried.CYLINDER_TEMPERATURE: 5.0, Carried.CYLINDER_FRACTION: 0.01, Carried.RUNNER_TEMPERATURE: 2.0, Carried.RUNNER_FRACTION: 0.01,
    Carried.RUNNER_FLOW: 1e-3, Carried.PORT_TEMPERATURE: 5.0, Carried.PORT_FRACTION: 0.01, Carried.COLLECTOR_TEMPERATURE: 5.0,
    Carried.COLLECTOR_FRACTION: 0.01, Carried.EXHAUST_PRESSURE: 100.0, Carried.CHARGE_TEMPERATURE: 2.0, Carried.CHARGE_FRACTION: 0.01,
    Carried.SPARK: 1.0, Carried.SPEED: 0.25,
}  # fmt: skip
PLENUM_STEPS = {Given.TEMPERATURE: 2.0, Given.FRACTION: 0.01}
# A fraction above this is moved downwards.
NEARLY_ALL = 0.9
# Half the distance of the settled cycles that slopes are taken between: crank speed [rev/s], pressure [Pa], spark [crank deg].
APART = (40.0 / 60.0, 1e3, 2.0)


def segments_of(cylinders: int) -> int:
    """Return how many segments a cycle is cut into: a multiple of the cylinders, so that one ends with every firing interval.

    >>> [segments_of(n) for n in (1, 3, 4, 5, 6, 8, 12)]
    [8, 9, 8, 10, 12, 8, 12]
    """
    return cylinders * math.ceil(LEAST_SEGMENTS / cylinders)


class _Lifted(NamedTuple):
    """A cycle as one step."""

    whole: Array
    reaches: Array
    leaves: Array
    within: Array


@dataclasses.dataclass(frozen=True, eq=False)
class CycleMemory:
    """One cylinder's cycle about a settled one, segment by segment from intake closing: next = a state + b given, made = c state + d given.

    Attributes
    ----------
    speed, pressure, spark : float
        Where [rev/s], [Pa], [crank deg before top dead centre].
    cylinders : int
    closes : float
        Intake closing, firing top dead centre at 360 [crank deg].
    settled : array, shape (segments + 1, carried)
        Of the settled cycle, at the ends of the segments.
    made : array, shape (segments, outputs)
        Of the settled cycle.
    plenum : array, shape (2,)
        Temperature [K] and burned fraction in the plenum.
    a, b, c, d : array, shape (segments, ...)
        Of deviations from the settled cycle.
    follows : array, shape (2, 3)
        How the plenum's temperature and burned fraction, settled, follow speed [rad/s], pressure and spark.
    missed_carried, missed_made : array
        What a missed cycle adds to the next state and to what is made, by segment.
    """

    speed: float
    pressure: float
    spark: float
    cylinders: int
    closes: float
    settled: Array
    made: Array
    plenum: Array
    a: Array
    b: Array
    c: Array
    d: Array
    follows: Array
    missed_carried: Array
    missed_made: Array

    @property
    def segments(self) -> int:
        """How many segments a cycle has."""
        return len(self.a)

    @functools.cached_property
    def cycle(self) -> Array:
        """The map of a whole cycle without inputs, from intake closing to the next."""
        return self._lifted.whole

    @functools.cached_property
    def _lifted(self) -> _Lifted:
        """The cycle as one step: how what is given in each segment reaches the next cycle, how what is carried comes out, and what comes out in between."""
        count, up_to = self.segments, [np.eye(SIZE)]
        for a in self.a:
            up_to.append(a @ up_to[-1])
        leaves, reaches, after = np.stack([c @ m for c, m in zip(self.c, up_to, strict=False)]), np.empty_like(self.b), np.eye(SIZE)
        within = np.zeros((count, OUTPUTS, INPUTS))
        within[0] = self.d.sum(axis=0)
        for k in range(count - 1, -1, -1):
            reaches[k], after = after @ self.b[k], after @ self.a[k]
            gone = self.b[k]
            for j in range(k + 1, count):
                within[j - k] += self.c[j] @ gone
                gone = self.a[j] @ gone
        return _Lifted(up_to[-1], reaches, leaves, within)

    def answer(self, s: Complex) -> Complex:
        """Return how crank torque [N m], the plenum's losses [kg/s, kg/s, W] of all cylinders and the fresh charge of one [kg] answer what is given.

        Parameters
        ----------
        s : array, shape (n,)
            Complex frequencies [1/s].

        Returns
        -------
        array, shape (n, outputs, inputs)
            Mean over the firing interval. Inputs change so slowly that a segment sees one value.
        """
        lifted, count = self._lifted, self.segments
        lasts = 2.0 / self.speed / count
        k = np.arange(count)
        middle = np.exp(np.multiply.outer(s, (k + 0.5) * lasts))
        given = np.tensordot(middle, lifted.reaches, 1)
        taken = np.tensordot(1.0 / middle, lifted.leaves, 1)
        turn = np.exp(s * 2.0 / self.speed)
        state = np.linalg.solve(turn[:, None, None] * np.eye(SIZE) - lifted.whole, given)
        out = taken @ state + np.tensordot(np.exp(-np.multiply.outer(s, k * lasts)), lifted.within, 1)
        # The spark counts as it is at the beginning of its segment.
        out[:, :, Given.SPARK] *= np.exp(-0.5 * s * lasts)[:, None]
        return self._of_all(out)

    @functools.cached_property
    def static(self) -> Array:
        """``answer`` to what no longer changes, shape (outputs, inputs)."""
        return np.real(self.answer(np.zeros(1, dtype=complex))[0])

    @functools.cached_property
    def settled_slopes(self) -> Array:
        """``static`` with the plenum's gas following, shape (outputs, 3): the slopes of settled cycles."""
        return self.static[:, : Given.TEMPERATURE] + self.static[:, Given.TEMPERATURE :] @ self.follows

    @functools.cached_property
    def mean(self) -> Array:
        """Torque [N m], the plenum's losses [kg/s, kg/s, W] of all cylinders and the fresh charge of one [kg], settled."""
        return self.made.sum(axis=0) * self._scales()

    @functools.cached_property
    def cycle_slopes(self) -> Array:
        """What one cylinder makes in a cycle by speed, pressure and spark, settled, shape (outputs, 3): work [J], masses [kg], energy [J], charge [kg]."""
        slopes = self.settled_slopes.copy()
        slopes[LOSSES, Given.SPEED] -= self.mean[LOSSES] / (2.0 * math.pi * self.speed)
        return np.asarray(slopes / self._scales()[:, None])

    @functools.cached_property
    def state_slopes(self) -> Array:
        """What is carried into the first segment by speed, pressure and spark, settled, shape (carried, 3)."""
        by = np.linalg.solve(np.eye(SIZE) - self.cycle, self._lifted.reaches.sum(axis=0))
        return np.asarray(by[:, : Given.TEMPERATURE] + by[:, Given.TEMPERATURE :] @ self.follows)

    def shares(self, count: int, given: Given = Given.SPEED) -> Array:
        """Return what the first ``count`` cycles after a step of an input add to their work, as shares of all they add in the end.

        Parameters
        ----------
        count : int
            Cycles.
        given : Given
            Which input steps at an intake closing.
        """
        state, work = np.zeros(SIZE), []
        for _ in range(count):
            done = 0.0
            for a, b, c, d in zip(self.a, self.b, self.c, self.d, strict=True):
                done += c[Made.WORK] @ state + d[Made.WORK, given]
                state = a @ state + b[:, given]
            work.append(done)
        return np.diff(work, prepend=0.0) / (self.static[Made.WORK, given] * 4.0 * math.pi / self.cylinders)

    def _of_all(self, out: Complex) -> Complex:
        """Turn sums over one cylinder's cycle into torque and flows of all; at a higher speed each sum comes sooner."""
        out *= self._scales()[:, None]
        out[:, LOSSES, Given.SPEED] += self.mean[LOSSES] / (2.0 * math.pi * self.speed)
        return out

    def _scales(self) -> Array:
        rate = 0.5 * self.speed * self.cylinders
        return np.array([0.25 / math.pi * self.cylinders, rate, rate, rate, 1.0])


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
        burn = burn_layout(m.setup._replace(speed=float(state[Carried.SPEED])), burning, charge, course)
        behind = float(state[Carried.COLLECTOR_TEMPERATURE]), float(state[Carried.COLLECTOR_FRACTION])
        outside = float(given[Given.TEMPERATURE]), float(given[Given.FRACTION]), *behind
        b = boundary_of(m.setup, burning, burn, course, outside, charge, m.closed)
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
            exhaust_pressure=float(state[Carried.EXHAUST_PRESSURE]),
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

    def together(
        self, k: int, states: Sequence[Array], given: Array, missed: Sequence[bool], plenum: tuple[float, float, float], opening: float
    ) -> Array:
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
            exhaust_pressure=float(np.mean([state[Carried.EXHAUST_PRESSURE] for state in states])),
            throttle_area=opening / count,
        )
        begins, first, last = self.ends[0], self.ends[k], self.ends[k + 1]
        inner = {begins + (a - shift - begins) % 720.0 for (_, own), shift in zip(found, shifts, strict=True) for a in own}
        stops = np.array([first, *sorted(a for a in inner if first + 1e-6 < a < last - 1e-6), last])
        stops = stops[np.concatenate([[True], np.diff(stops) > 1e-6])]
        _, _, end, steps = run_engine(y, stops, setup, np.array([b for b, _ in found]), shifts, ENGINE_RTOL, np.zeros(0))
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
        new[Carried.EXHAUST_PRESSURE] = m.ambient + m.rated_rise * (flow / m.rated_flow) ** 2
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


class _Run(NamedTuple):
    """A settled cycle in segments, and what its plenum holds."""

    states: Array
    made: Array
    plenum: Array


def cycle_memory(engine: ResolvedEngine, speed: float, pressure: float, spark: float) -> CycleMemory | None:
    """Return what a cycle leaves to those after it; None where the engine does not run, or each cylinder has a plenum of its own.

    Parameters
    ----------
    engine : ResolvedEngine
    speed : float
        Crank speed [rev/s].
    pressure : float
        Mean of the plenum [Pa], absolute.
    spark : float
        Before top dead centre [crank deg].

    Notes
    -----
    Each column of ``a`` and ``c``, and of ``b`` and ``d`` for the plenum's gas, is a difference of one segment of the cycle as the engine integrates it,
    over a step of the size of a swing. Speed, pressure and spark need none: ``b`` and ``d`` follow from the settled cycles close by, so that
    the answer to what no longer changes is that of settled cycles whatever ``a`` is.

    Examples
    --------
    >>> from camcalc import ResolvedEngine, load_build
    >>> engine = ResolvedEngine(load_build("examples/quarry-road/build.toml"))
    >>> found = cycle_memory(engine, 1100 / 60, 55e3, 20.0)
    >>> bool(0.3 < max(abs(np.linalg.eigvals(found.cycle))) < 0.6)  # of a swing of its gas, so much is left after a cycle, the plenum's apart
    True
    """
    if engine.setup.intake not in (IntakeKind.PLENUM, IntakeKind.RIPPLING) or engine.plenum_cylinders == 1 or engine.instantaneous:
        return None
    speed, pressure, spark = float(speed), float(pressure), float(spark)
    try:
        at = _settled(engine, speed, pressure, spark)
    except NoSolutionError:
        return None
    if at is None:
        return None
    segmented = Segmented(engine, speed, pressure, spark)
    slopes = _slopes(engine, (speed, pressure, spark), at)
    if slopes is None:
        return None
    given = np.array([2.0 * math.pi * speed, pressure, spark, *at.plenum])
    count = segmented.segments
    a, c = np.zeros((count, SIZE, SIZE)), np.zeros((count, OUTPUTS, SIZE))
    b, d = np.zeros((count, SIZE, INPUTS)), np.zeros((count, OUTPUTS, INPUTS))
    extra, lost = np.zeros((count, SIZE)), np.zeros((count, OUTPUTS))
    missed, missed_made = segmented.cycle(at.states[0], given, misses=True)
    by = [Given.SPEED, Given.PRESSURE, Given.SPARK]
    gas = [Given.TEMPERATURE, Given.FRACTION]
    for k in range(count):
        a[k], c[k], b[k][:, gas], d[k][:, gas] = _differences(segmented, k, at.states[k], given)
        # What the settled cycles close by have at the segment's ends, less what the map makes of it: the inputs' own part.
        next_slope = slopes.states[(k + 1) % count]
        b[k][:, by] = next_slope - a[k] @ slopes.states[k] - b[k][:, gas] @ slopes.plenum
        d[k][:, by] = slopes.made[k] - c[k] @ slopes.states[k] - d[k][:, gas] @ slopes.plenum
        if k:
            # A spark acts as the one that was latched: what its own steps do otherwise than settled cycles belongs to that.
            a[k][:, Carried.SPARK] += b[k][:, Given.SPARK]
            c[k][:, Carried.SPARK] += d[k][:, Given.SPARK]
            b[k][:, Given.SPARK] = d[k][:, Given.SPARK] = 0.0
        off = missed[k] - at.states[k]
        extra[k] = missed[k + 1] - at.states[k + 1] - a[k] @ off
        lost[k] = missed_made[k] - at.made[k] - c[k] @ off
    where = speed, pressure, spark, engine.geometry.cylinders, engine.course.closes
    return CycleMemory(*where, at.states, at.made, at.plenum, a, b, c, d, slopes.plenum, missed_carried=extra, missed_made=lost)


def _settled(engine: ResolvedEngine, speed: float, pressure: float, spark: float) -> _Run | None:
    """Return a settled cycle in segments; None where the engine does not run."""
    found = engine.settled(speed, pressure, spark)
    if not found.runs:
        return None
    plenum = found.unknowns[Unknown.PLENUM_TEMPERATURE : Unknown.PLENUM_FRACTION + 1]
    segmented = Segmented(engine, speed, pressure, spark)
    states, made = segmented.cycle(segmented.begin(found), np.array([2.0 * math.pi * speed, pressure, spark, *plenum]))
    # The state before the first segment is not yet latched: it is that after the last, as in the settled cycle.
    states[0] = states[-1]
    return _Run(states, made, plenum)


def _slopes(engine: ResolvedEngine, where: tuple[float, float, float], at: _Run) -> _Run | None:
    """Return how the settled cycle changes with speed [rad/s], pressure and spark, a column each; None if it runs on no side."""
    columns = []
    for k, apart in enumerate(APART):
        sides: list[tuple[float, _Run]] = []
        for way in (1.0, -1.0):
            there = [*where]
            there[k] += way * apart
            try:
                found = _settled(engine, *there)
            except NoSolutionError:
                found = None
            if found is not None:
                sides.append((way * apart, found))
        if not sides:
            return None
        (first, high), (last, low) = sides[0], (sides[1] if len(sides) == 2 else (0.0, at))
        over = (first - last) * (2.0 * math.pi if k == 0 else 1.0)
        columns.append(_Run(*((x - y) / over for x, y in zip(high, low, strict=True))))
    return _Run(*(np.stack(parts, axis=-1) for parts in zip(*columns, strict=True)))


def _differences(segmented: Segmented, k: int, state: Array, given: Array) -> tuple[Array, Array, Array, Array]:
    """Return a segment's differences by state and by the plenum's gas: of what is carried and made."""
    speed = float(given[Given.SPEED])
    new, made, sums = segmented.flow(k, state, given)
    base = segmented.book(k, new, sums, state, speed)
    a, c = np.zeros((SIZE, SIZE)), np.zeros((OUTPUTS, SIZE))
    b, d = np.zeros((SIZE, len(PLENUM_STEPS))), np.zeros((OUTPUTS, len(PLENUM_STEPS)))
    burns = segmented.ends[k] < segmented.marching.course.exhaust_opens
    for j in Carried:
        moved = state.copy()
        h = _step_of(j, state)
        moved[j] += h
        if Carried.LEFT <= j <= Carried.LEFT_HEAT:
            # What was counted does not flow again.
            a[:, j] = (segmented.book(k, new, sums, moved, speed) - base) / h if k else 0.0
            continue
        if j >= Carried.CHARGE_MASS and (k == 0 or not burns):
            a[j, j] = 0.0 if k == 0 else 1.0  # taken anew there, or of no more account
            continue
        other, out, left = segmented.flow(k, moved, given)
        a[:, j] = (segmented.book(k, other, left, moved, speed) - base) / h
        c[:, j] = (out - made) / h
    for column, (name, h) in enumerate(PLENUM_STEPS.items()):
        h = -h if name is Given.FRACTION and given[name] > NEARLY_ALL else h
        there = given.copy()
        there[name] += h
        other, out, left = segmented.flow(k, state, there)
        b[:, column] = (segmented.book(k, other, left, state, speed) - base) / h
        d[:, column] = (out - made) / h
    return a, c, b, d


def _step_of(j: Carried, state: Array) -> float:
    if j not in STEPS:
        return BY_SHARE * max(abs(float(state[j])), 1e-6)
    h = STEPS[j]
    return -h if j.name.endswith("FRACTION") and state[j] > NEARLY_ALL else h

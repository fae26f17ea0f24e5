"""The settled cycle: the state that comes back after 720 degrees, found fast and proved.

One unknown vector holds the state at intake closing and what passes from cycle to cycle through plenum and collector.
Plain iteration (run a cycle, start the next where it ended) always stands behind; mixing (``mixing.py``) only shortens
the way. What is returned has repeated itself in one plain cycle to the tolerance asked for.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..burn.phasing import NINETY, POLYTROPIC, TEN, Compression, Mixture, burn_angles
from ..errors import NoSolutionError
from .gas_kernel import properties
from .integrate import run_cycle
from .mixing import NO_SECANTS, Mixing, Secants, scaled
from .operating import Ending
from .rates import LOST, PLENUM, RIPPLING, STATES, SUMS, TOTAL, Boundary, Setup

__all__ = ["Burning", "Course", "Settled", "cycle_stops", "every_degree", "settle", "temperature_of"]

Array = NDArray[np.float64]

INDEX = {name: STATES + k for k, name in enumerate(SUMS)}
# Unknowns: cylinder m T y, runner m T y and flow, port T y, plenum T y, collector T y, exhaust pressure, plenum pressure.
UNKNOWNS = 15
# A cycle whose residual stays within so many times the tolerance over so many cycles repeats itself as closely as it can.
HOVERING, HOVERS = 8.0, 30
# A charge as diluted as the first dies; one as diluted as the second that has not settled by now is on its way.
DYING, NEARLY_DYING, PATIENCE = 0.985, 0.90, 60
# A secant must be longer than the steps of the integration make by chance, so many times its relative tolerance; ESTIMATE.
LEAST_STEP = 3.0
NO_MARKS = np.zeros(0)
ANGLES = np.arange(-65.0, 116.0, 1.0)


class Course(NamedTuple):
    """Valve events in the frame of the cycle [crank deg, firing top dead centre 360]: the cycle runs from intake closing to the next."""

    closes: float
    exhaust_opens: float
    intake_opens: float
    exhaust_closes: float


class Burning(NamedTuple):
    """How the charge burns: spark before top dead centre [crank deg], or at once at top dead centre; share that burns."""

    spark: float
    completeness: float
    scale: float
    phi: float
    ethanol: float
    dilution_tail: float
    instantaneous: bool


class Settled(NamedTuple):
    """A settled cycle with its evidence."""

    setup: Setup
    boundary: Boundary
    course: Course
    unknowns: Array
    stops: Array
    at_stops: Array
    at_marks: Array
    development: float
    rapid_burn: float
    cycles: int
    residual: float
    history: tuple[float, ...]
    outcome: Ending

    @property
    def runs(self) -> bool:
        """Whether the cycle repeats itself."""
        return self.outcome is Ending.SETTLED

    def total(self, name: str, start: float | None = None, end: float | None = None) -> float:
        """Return a sum over the cycle, or between two stops [crank deg]."""
        k = INDEX[name]
        first = 0 if start is None else self.stop(start)
        last = -1 if end is None else self.stop(end)
        return float(self.at_stops[last, k] - self.at_stops[first, k])

    def stop(self, angle: float) -> int:
        """Return the index of a stop."""
        return int(np.argmin(np.abs(self.stops - angle)))


def cycle_stops(course: Course, burn_start: float, burn_end: float) -> Array:
    """Return every angle at which the integration must restart, from intake closing to the next."""
    start, end = course.closes, course.closes + 720.0
    inner = (360.0, burn_start, burn_end, course.exhaust_opens, 540.0, course.intake_opens, course.exhaust_closes, 900.0)
    kept = sorted({a for a in inner if start + 1e-6 < a < end - 1e-6})
    return np.array([start, *kept, end])


def temperature_of(gas: Array, enthalpy: float, burned: float, guess: float = 800.0) -> float:
    """Return the temperature [K] at which a mixture has a specific enthalpy [J/kg].

    Parameters
    ----------
    gas : array, shape (coefficients,)
        As ``properties`` takes it, in its units.
    enthalpy : float
        [J/kg].
    burned : float
        Burned gas, fraction by mass.
    guess : float
        Where Newton's steps begin [K].
    """
    t = guess
    for _ in range(50):
        _, cp, h, _, _ = properties(gas, t, burned)
        step = (h - enthalpy) / cp
        t = min(max(t - step, 150.0), 4500.0)
        if abs(step) < 1e-8 * t:
            break
    return t


def burn_layout(setup: Setup, burning: Burning, closed: float, mass: float, temperature: float, burned: float) -> tuple[float, float, float, float]:
    """Return Wiebe start, duration, flame-development and rapid-burn angle for the charge that fills ``closed`` [m3] at intake closing.

    Parameters
    ----------
    setup : Setup
    burning : Burning
    closed : float
        Volume at intake closing [m3].
    mass : float
        Of the charge [kg].
    temperature : float
        At intake closing [K].
    burned : float
        Residual, fraction by mass.

    References
    ----------
    As ``burn_angles``; Wiebe function with a = 5, m = 2 (Heywood 1988, ch. 9, from memory).
    """
    if burning.instantaneous:
        return 360.0, 0.0, 0.0, 0.0
    volume = cylinder_volume(setup, ANGLES)
    r = properties(setup.gas, temperature, burned)[0]
    squeeze = closed / volume
    pressure = mass * r * temperature / closed
    height = 4.0 * setup.clearance / (np.pi * setup.bore**2)
    history = Compression(ANGLES, temperature * squeeze ** (POLYTROPIC - 1.0), pressure * squeeze**POLYTROPIC, height)
    develop, rapid = burn_angles(
        history,
        Mixture(burning.phi, burned, burning.ethanol, burning.dilution_tail),
        2.0 * setup.stroke * setup.speed,
        np.array([burning.spark]),
        scale=burning.scale,
    )
    duration = float(rapid[0]) / (NINETY - TEN)
    start = 360.0 - burning.spark + float(develop[0]) - TEN * duration
    return start, duration, float(develop[0]), float(rapid[0])


def closed_volume(setup: Setup, angle: float) -> float:
    """Return cylinder volume [m3] at a crank angle [deg]."""
    return float(cylinder_volume(setup, np.asarray(angle)))


def cylinder_volume(setup: Setup, angles: Array) -> Array:
    """Return cylinder volume [m3] at crank angles [deg]."""
    theta, lam = np.radians(angles), setup.rod_over_crank
    return np.asarray(setup.clearance + 0.5 * setup.swept * (1.0 - np.cos(theta) + lam - np.sqrt(lam**2 - np.sin(theta) ** 2)))


def every_degree(course: Course) -> Array:
    """Return each degree of a cycle, ends apart."""
    return np.arange(course.closes, course.closes + 720.0, 1.0)[1:]


class Marching:
    """One plain cycle as a map from unknowns to unknowns."""

    def __init__(self, setup: Setup, course: Course, burning: Burning, rtol: float, back_pressure: tuple[float, float, float]) -> None:
        self.setup, self.course, self.burning, self.rtol = setup, course, burning, rtol
        self.ambient, self.rated_rise, self.rated_flow = back_pressure
        self.closed = closed_volume(setup, course.closes)
        self.marks = every_degree(course) if setup.model == RIPPLING else NO_MARKS
        self.extra, self.slug_change = np.zeros(3), 0.0

    def cycle(self, z: Array) -> tuple[Array, Settled]:
        """Run one cycle from unknowns; return the next unknowns and the cycle as it ran."""
        burning, course = self.burning, self.course
        s = self.setup._replace(exhaust_pressure=z[13]) if self.setup.model <= RIPPLING else self.setup
        start, duration, develop, rapid = burn_layout(s, burning, self.closed, z[0], z[1], z[2])
        r = properties(s.gas, z[1], z[2])[0]
        burn_mass = burning.completeness * z[0] * (1.0 - z[2]) if duration > 0.0 else 0.0
        b = Boundary(
            z[9], z[10], z[11], z[12], start, duration, burn_mass, z[0] * r * z[1] / self.closed, self.closed, z[1], course.closes, course.exhaust_opens
        )
        y = np.zeros(TOTAL)
        y[:9] = z[0], z[1], z[2] * z[0], z[3], z[4], z[5] * z[3], z[6], z[7], z[8]
        if s.model >= LOST:
            y[3] = 1.0
            y[9], y[10], y[11] = self.extra
        elif s.model == RIPPLING:
            mass = z[14] * s.plenum_volume / (properties(s.gas, z[9], z[10])[0] * z[9])
            y[9:12] = mass, z[9], mass * z[10]
        # The burn is cut short where the exhaust valve opens: what has not burned by then leaves unburned.
        stops = cycle_stops(course, start, min(start + 1.6 * max(duration, 1.0), course.exhaust_opens))
        if burning.instantaneous:
            at_stops, at_marks, steps = self._instantaneous(y, stops, s, b)
        else:
            at_stops, at_marks, steps = run_cycle(y, stops, s, b, self.rtol, self.marks)
        if steps < 0:
            raise NoSolutionError(f"the cycle cannot be integrated at {s.speed * 60:.0f} rpm and {s.intake_pressure / 1e3:.1f} kPa: a step became too small")
        settled = Settled(s, b, course, z, stops, at_stops, at_marks, develop, rapid, 1, np.inf, (), Ending.NOT_SETTLED)
        return self._next(z, settled), settled

    def _instantaneous(self, y: Array, stops: Array, s: Setup, b: Boundary) -> tuple[Array, Array, int]:
        """Burn everything at once at firing top dead centre, at constant volume and internal energy."""
        top = int(np.argmin(np.abs(stops - 360.0)))
        before, _, n1 = run_cycle(y, stops[: top + 1], s, b, self.rtol, NO_MARKS)
        y = before[-1].copy()
        burned = y[2] / y[0]
        r, _, h, _, _ = properties(s.gas, y[1], burned)
        target, t = h - r * y[1], 2500.0
        after = burned + self.burning.completeness * (1.0 - burned)
        for _ in range(60):
            r, cp, h, _, _ = properties(s.gas, t, after)
            t -= (h - r * t - target) / (cp - r)
        y[INDEX["made_burned"]] += (after - burned) * y[0]
        y[1], y[2] = t, after * y[0]
        rest, marks, n2 = run_cycle(y, stops[top:], s, b, self.rtol, self.marks)
        return np.vstack([before[:-1], rest]), marks, n1 + n2 if min(n1, n2) >= 0 else -1

    def _next(self, z: Array, c: Settled) -> Array:
        s, end = c.setup, c.at_stops[-1]
        new = z.copy()
        new[0:3] = end[0], end[1], end[2] / end[0]
        if s.model >= LOST:
            self.slug_change = float(np.max(np.abs(end[[9, 11]] - self.extra[[0, 2]]))) / z[0]
            self.extra = end[9:12].copy()
            return new
        new[3:6] = end[3], end[4], end[5] / end[3]
        new[6:9] = end[6:9]
        drawn, back = c.total("runner_in"), c.total("runner_back")
        ambient = properties(s.gas, s.ambient_temperature, 0.0)[2]
        if s.model == PLENUM:
            new[10] = c.total("runner_back_burned") / drawn
            enthalpy = ((drawn - back) * ambient + c.total("runner_back_heat")) / drawn
            new[9] = temperature_of(s.gas, enthalpy, new[10], z[9])
        else:
            mass, new[9], burned = end[9:12]
            new[10] = burned / mass
            new[14] = mass * properties(s.gas, new[9], new[10])[0] * new[9] / s.plenum_volume
        out = c.total("collector_out")
        new[12] = c.total("collector_out_burned") / out
        new[11] = temperature_of(s.gas, c.total("collector_out_heat") / out, new[12], z[11])
        flow = (out - c.total("collector_back")) * s.speed / 2.0
        new[13] = self.ambient + self.rated_rise * (flow / self.rated_flow) ** 2
        return new


def settle(marching: Marching, start: Array, *, tolerance: float = 2e-5, accelerate: bool = True, most: int = 150, known: Secants = NO_SECANTS) -> Settled:
    """Return the settled cycle.

    Parameters
    ----------
    marching : Marching
        The plain cycle.
    start : array, shape (unknowns,)
        First guess, in the units of the unknowns.
    tolerance : float
        Largest relative change over one plain cycle.
    accelerate : bool
        Whether to mix; the answer is the same within the tolerance.
    most : int
        Most cycles run.
    known : Secants
        What a cycle nearby has told.

    Raises
    ------
    NoSolutionError
        If it does not settle, with the history of residuals.
    """
    mixing = Mixing(known, least=LEAST_STEP * marching.rtol) if accelerate and marching.setup.model <= RIPPLING else None
    return march(marching, start, mixing, tolerance=tolerance, most=most)


def march(marching: Marching, start: Array, mixing: Mixing | None, *, tolerance: float, most: int = 150) -> Settled:
    """Do what ``settle`` does with a mixing of the caller's, which knows more afterwards; plain cycles without one."""
    z, history = start.copy(), []
    for count in range(1, most + 1):
        new, cycle = marching.cycle(z)
        residual = max(float(np.max(np.abs(scaled(new - z, new)))), marching.slug_change)
        history.append(residual)
        if not np.isfinite(residual):
            break
        cycle = cycle._replace(cycles=count, residual=residual, history=tuple(history))
        if new[2] > DYING or (new[2] > NEARLY_DYING and count > PATIENCE):
            return cycle._replace(outcome=Ending.NO_FRESH_CHARGE)
        if residual < tolerance:
            return cycle._replace(outcome=Ending.SETTLED)
        z = new if mixing is None else mixing.next(z, new)
    if len(history) == most and max(history[-HOVERS:]) < HOVERING * tolerance:
        # The steps of the integration, not the physics, keep it from repeating more closely; its residual says how closely it does.
        return cycle._replace(outcome=Ending.SETTLED)
    shown = ", ".join(f"{r:.1e}" for r in history[-6:])
    where = f"{marching.setup.speed * 60:.0f} rpm and {marching.setup.intake_pressure / 1e3:.1f} kPa"
    raise NoSolutionError(f"no settled cycle at {where} after {len(history)} cycles; last residuals {shown}")

"""The settled cycle: the state that comes back after 720 degrees, found fast and proved.

One unknown vector holds the state at intake closing and what passes from cycle to cycle through plenum and collector.
Plain iteration (run a cycle, start the next where it ended) always stands behind; mixing (``mixing.py``) only shortens
the way. What is returned has repeated itself in one plain cycle to the tolerance asked for.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..burn.phasing import Burn, reference_scales
from ..errors import NoSolutionError
from .gas_kernel import properties
from .integrate import run_cycle
from .layout import INDEX, PLENUM, ExhaustKind, IntakeKind, State, Unknown
from .mixing import NO_SECANTS, Mixing, Secants, scaled
from .operating import Ending
from .plain_cycle import (
    DIES,
    DYING,
    LOST,
    NEARLY_DYING,
    NEITHER,
    PATIENCE,
    REPEATS,
    Burning,
    Course,
    Outer,
    Plain,
    at_closing,
    begun,
    behind_the_port,
    boundary_of,
    burn_layout,
    burned_out,
    closed_volume,
    cycle_stops,
    march_plain,
    mixed_plenum,
    outside_of,
)
from .volumes import Boundary, Setup

__all__ = ["Marching", "Settled", "every_degree", "settle"]

Array = NDArray[np.float64]

# What an integration begins with and ends with, from cylinder to exhaust port.
IN_CYLINDER_TO_PORT = slice(Unknown.CYLINDER_MASS, Unknown.PORT_FRACTION + 1)
# A cycle whose residual stays within so many times the tolerance over so many cycles repeats itself as closely as it can.
HOVERING, HOVERS = 8.0, 30
# A secant must be longer than the steps of the integration make by chance, so many times its relative tolerance; ESTIMATE.
LEAST_STEP = 3.0
NO_MARKS = np.zeros(0)
NO_BOOK = NO_SECANTS.book(least=np.inf)  # for cycles that are not mixed: nothing is written to it


class Settled(NamedTuple):
    """A settled cycle with its evidence."""

    setup: Setup
    boundary: Boundary
    course: Course
    unknowns: Array
    stops: Array
    at_stops: Array
    at_marks: Array
    burn: Burn
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
        self.outer = Outer(closed_volume(setup, course.closes), *back_pressure, reference_scales())
        self.marks = every_degree(course) if setup.intake == IntakeKind.RIPPLING else NO_MARKS
        self.extra, self.slug_change = np.zeros(3), 0.0

    @property
    def plain(self) -> bool:
        """Whether cycles are run by the compiled march: behind a plenum at constant pressure, burning in time."""
        return self.setup.intake == IntakeKind.PLENUM and not self.burning.instantaneous

    def as_plain(self) -> Plain:
        """Return what the compiled march takes."""
        return Plain(self.setup, self.course, self.burning, self.outer, self.rtol)

    def cycle(self, z: Array) -> tuple[Array, Settled]:
        """Run one cycle from unknowns; return the next unknowns and the cycle as it ran."""
        if self.plain:
            _, new, stops, at_stops, burn, b, _, ending = march_plain(z, self.as_plain(), NO_BOOK, False, 0.0, 1)
            if ending < 0:
                raise self.lost()
            return new, self.ran(z, stops, at_stops, burn, b)
        burning, course, s = self.burning, self.course, self.setup
        charge = (float(z[Unknown.CYLINDER_MASS]), float(z[Unknown.CYLINDER_TEMPERATURE]), float(z[Unknown.CYLINDER_FRACTION]))
        burn = burn_layout(s, burning, charge, course, self.outer.scales)
        b = boundary_of(s, burning, burn, course, outside_of(z, s), charge, self.outer.closed)
        y = self._begun(z, s)
        stops = cycle_stops(course, b.burn_start, min(burned_out(burn), course.exhaust_opens))
        if burning.instantaneous:
            at_stops, at_marks, steps = self._instantaneous(y, stops, s, b)
        else:
            at_stops, at_marks, steps = run_cycle(y, stops, s, b, self.rtol, self.marks)
        if steps < 0:
            raise self.lost()
        settled = self.ran(z, stops, at_stops, burn, b)._replace(at_marks=at_marks)
        return self._next(z, settled), settled

    def ran(self, z: Array, stops: Array, at_stops: Array, burn: Burn, b: Boundary) -> Settled:
        """Return a cycle as it ran, not yet judged.

        Parameters
        ----------
        z : array, shape (unknowns,)
            What it began with, in the order and units of ``layout.Unknown``.
        stops : array, shape (n,)
            Where it was restarted [crank deg].
        at_stops : array, shape (n, states)
            In the units of ``rates``.
        burn : Burn
        b : Boundary
        """
        s = self.setup._replace(exhaust_pressure=b.exhaust_pressure) if self.setup.exhaust == ExhaustKind.PORT else self.setup
        return Settled(s, b, self.course, z, stops, at_stops, NO_MARKS, burn, 1, np.inf, (), Ending.NOT_SETTLED)

    def lost(self) -> NoSolutionError:
        """Return the error of a cycle that cannot be integrated."""
        where = f"{self.setup.speed * 60:.0f} rpm and {self.setup.intake_pressure / 1e3:.1f} kPa"
        return NoSolutionError(f"the cycle cannot be integrated at {where}: a step became too small")

    def _begun(self, z: Array, s: Setup) -> Array:
        """Return the state that the unknowns begin a cycle with."""
        y = begun(z)
        if not s.has_runner:
            y[State.RUNNER_MASS] = 1.0
            y[PLENUM] = self.extra
        elif s.intake == IntakeKind.RIPPLING:
            temperature, burned = z[Unknown.PLENUM_TEMPERATURE], z[Unknown.PLENUM_FRACTION]
            mass = z[Unknown.PLENUM_PRESSURE] * s.plenum_volume / (properties(s.gas, temperature, burned)[0] * temperature)
            y[PLENUM] = mass, temperature, mass * burned
        return np.asarray(y)

    def _instantaneous(self, y: Array, stops: Array, s: Setup, b: Boundary) -> tuple[Array, Array, int]:
        """Burn everything at once at firing top dead centre, at constant volume and internal energy."""
        top = int(np.argmin(np.abs(stops - 360.0)))
        before, _, n1 = run_cycle(y, stops[: top + 1], s, b, self.rtol, NO_MARKS)
        y = before[-1].copy()
        mass, t = y[State.CYLINDER_MASS], y[State.CYLINDER_TEMPERATURE]
        burned = y[State.CYLINDER_BURNED] / mass
        r, _, h, _, _ = properties(s.gas, t, burned)
        target, t = h - r * t, 2500.0
        after = burned + self.burning.completeness * (1.0 - burned)
        for _ in range(60):
            r, cp, h, _, _ = properties(s.gas, t, after)
            t -= (h - r * t - target) / (cp - r)
        y[INDEX["made_burned"]] += (after - burned) * mass
        y[State.CYLINDER_TEMPERATURE], y[State.CYLINDER_BURNED] = t, after * mass
        rest, marks, n2 = run_cycle(y, stops[top:], s, b, self.rtol, self.marks)
        return np.vstack([before[:-1], rest]), marks, n1 + n2 if min(n1, n2) >= 0 else -1

    def _next(self, z: Array, c: Settled) -> Array:
        s, end = c.setup, c.at_stops[-1]
        new = z.copy()
        if not s.has_runner:
            new[: Unknown.CYLINDER_FRACTION + 1] = at_closing(end)[: Unknown.CYLINDER_FRACTION + 1]
            change = np.abs(end[PLENUM] - self.extra)
            # The slug's temperature is held: its mass and its burned mass are what may change.
            self.slug_change = float(max(change[0], change[-1])) / z[Unknown.CYLINDER_MASS]
            self.extra = end[PLENUM].copy()
            return new
        new[IN_CYLINDER_TO_PORT] = at_closing(end)
        sums = end - c.at_stops[0]
        if s.intake == IntakeKind.PLENUM:
            temperature, burned = mixed_plenum(s, sums, z[Unknown.PLENUM_TEMPERATURE])
        else:
            mass, temperature, burned_mass = end[PLENUM]
            burned = burned_mass / mass
            new[Unknown.PLENUM_PRESSURE] = mass * properties(s.gas, temperature, burned)[0] * temperature / s.plenum_volume
        new[Unknown.PLENUM_TEMPERATURE], new[Unknown.PLENUM_FRACTION] = temperature, burned
        found = behind_the_port(s, sums, z[Unknown.COLLECTOR_TEMPERATURE], self.outer)
        new[Unknown.COLLECTOR_TEMPERATURE], new[Unknown.COLLECTOR_FRACTION], new[Unknown.EXHAUST_PRESSURE] = found
        return new


def settle(marching: Marching, start: Array, *, tolerance: float = 2e-5, accelerate: bool = True, most: int = 150, known: Secants = NO_SECANTS) -> Settled:
    """Return the settled cycle.

    Parameters
    ----------
    marching : Marching
        The plain cycle.
    start : array, shape (unknowns,)
        First guess, in the order and units of ``layout.Unknown``.
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
    mixing = Mixing(known, least=LEAST_STEP * marching.rtol) if accelerate and marching.setup.has_runner else None
    return march(marching, start, mixing, tolerance=tolerance, most=most)


def march(marching: Marching, start: Array, mixing: Mixing | None, *, tolerance: float, most: int = 150) -> Settled:
    """Do what ``settle`` does with a mixing of the caller's, which knows more afterwards; plain cycles without one.

    Parameters
    ----------
    marching : Marching
        The plain cycle.
    start : array, shape (unknowns,)
        First guess, in the order and units of ``layout.Unknown``.
    mixing : Mixing
        What cycles are mixed by; none for plain cycles.
    tolerance : float
        Largest relative change over one plain cycle.
    most : int
        Most cycles run.
    """
    if marching.plain:
        book = NO_BOOK if mixing is None else mixing.book
        z, _, stops, at_stops, burn, b, residuals, ending = march_plain(start, marching.as_plain(), book, mixing is not None, tolerance, most)
        history = list(map(float, residuals))
        if ending < 0:
            raise marching.lost()
        cycle = marching.ran(z, stops, at_stops, burn, b)
    else:
        cycle, history, ending = _march_slowly(marching, start, mixing, tolerance, most)
    cycle = cycle._replace(cycles=len(history), residual=history[-1], history=tuple(history))
    if ending in (REPEATS, DIES):
        return cycle._replace(outcome=Ending.SETTLED if ending == REPEATS else Ending.NO_FRESH_CHARGE)
    if len(history) == most and max(history[-HOVERS:]) < HOVERING * tolerance:
        # The steps of the integration, not the physics, keep it from repeating more closely; its residual says how closely it does.
        return cycle._replace(outcome=Ending.SETTLED)
    shown = ", ".join(f"{r:.1e}" for r in history[-6:])
    where = f"{marching.setup.speed * 60:.0f} rpm and {marching.setup.intake_pressure / 1e3:.1f} kPa"
    raise NoSolutionError(f"no settled cycle at {where} after {len(history)} cycles; last residuals {shown}")


def _march_slowly(marching: Marching, start: Array, mixing: Mixing | None, tolerance: float, most: int) -> tuple[Settled, list[float], int]:
    """Do what ``march_plain`` does, cycle by cycle, for the forms that are rarely run."""
    z, history = start.copy(), []
    while True:
        new, cycle = marching.cycle(z)
        residual = max(float(np.max(np.abs(scaled(new - z, new)))), marching.slug_change)
        history.append(residual)
        diluted, count = new[Unknown.CYLINDER_FRACTION], len(history)
        if not np.isfinite(residual):
            return cycle, history, LOST
        if diluted > DYING or (diluted > NEARLY_DYING and count > PATIENCE):
            return cycle, history, DIES
        if residual < tolerance:
            return cycle, history, REPEATS
        if count == most:
            return cycle, history, NEITHER
        z = new if mixing is None else mixing.next(z, new)

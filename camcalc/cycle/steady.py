"""The settled cycle: the state that comes back after 720 degrees, found fast and proved.

One unknown vector holds the state at intake closing and what passes from cycle to cycle through plenum and collector.
Plain iteration (run a cycle, start the next where it ended) always stands behind; mixing (``mixing.py``) only shortens
the way. What is returned has repeated itself in one plain cycle to the tolerance asked for.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..burn.phasing import Burn, Closed, Cylinder, Mixture, laid_out, march_burn, reference_scales
from ..errors import NoSolutionError
from .gas_kernel import properties
from .integrate import run_cycle
from .layout import INDEX, TOTAL, ExhaustKind, IntakeKind, State, Unknown
from .mixing import NO_SECANTS, Mixing, Secants, scaled
from .operating import Ending
from .rates import Boundary, Setup

__all__ = ["Burning", "Course", "Settled", "cycle_stops", "every_degree", "settle", "temperature_of"]

Array = NDArray[np.float64]

# What an integration begins with and ends with, from cylinder to exhaust port; the plenum's, or the slug's, own state.
IN_CYLINDER_TO_PORT = slice(Unknown.CYLINDER_MASS, Unknown.PORT_FRACTION + 1)
PLENUM = slice(State.PLENUM_MASS, State.PLENUM_BURNED + 1)
# A cycle whose residual stays within so many times the tolerance over so many cycles repeats itself as closely as it can.
HOVERING, HOVERS = 8.0, 30
# A charge as diluted as the first dies; one as diluted as the second that has not settled by now is on its way.
DYING, NEARLY_DYING, PATIENCE = 0.985, 0.90, 60
# A secant must be longer than the steps of the integration make by chance, so many times its relative tolerance; ESTIMATE.
LEAST_STEP = 3.0
NO_MARKS = np.zeros(0)
FIRING = 360.0  # top dead centre of firing in the frame of the cycle
# Where a Wiebe function's exponent is over 20 nothing is left to burn: its progress to the power at which the integration may stop watching it.
BURNED_OUT = 4.1
REFERENCE_STATE = 298.15  # K, of the heat that a charge gives


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
    dilution: float
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


def cycle_stops(course: Course, burn_start: float, burn_end: float) -> Array:
    """Return every angle at which the integration must restart, from intake closing to the next."""
    start, end = course.closes, course.closes + 720.0
    inner = (360.0, burn_start, burn_end, course.exhaust_opens, 540.0, course.intake_opens, course.exhaust_closes, 900.0)
    kept = sorted({a for a in inner if start + 1e-6 < a < end - 1e-6})
    return np.array([start, *kept, end])


def temperature_of(gas: Array, enthalpy: float, burned: float, guess: float = 800.0, *, conductance: float = 0.0, wall: float = 0.0) -> float:
    """Return the temperature [K] at which a mixture has a specific enthalpy [J/kg], less what it has given a wall.

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
    conductance, wall : float
        Heat that each kilogram gives a wall for each kelvin that it is hotter than the wall [J/(kg K)], and the wall's temperature [K].
    """
    t = guess
    for _ in range(50):
        _, cp, h, _, _ = properties(gas, t, burned)
        step = (h + conductance * (t - wall) - enthalpy) / (cp + conductance)
        t = min(max(t - step, 150.0), 4500.0)
        if abs(step) < 1e-8 * t:
            break
    return t


def burn_layout(setup: Setup, burning: Burning, charge: tuple[float, float, float], course: Course) -> Burn:
    """Return the burn of a charge that fills the cylinder at intake closing: mass [kg], temperature [K], residual by mass.

    Parameters
    ----------
    setup : Setup
    burning : Burning
    charge : tuple of float
        Mass [kg], temperature [K] and residual [fraction by mass] at intake closing.
    course : Course
        Valve events.

    References
    ----------
    As ``march_burn``; Wiebe function with a = 5 (Heywood 1988, ch. 9, from memory).
    """
    if burning.instantaneous:
        return Burn(0.0, 0.0, 3.0, np.inf, 0.0, 0.0)
    cylinder, closed, mixture = closed_charge(setup, burning, charge, closed_volume(setup, course.closes))
    develop, rapid, end = march_burn(
        cylinder,
        closed,
        mixture,
        2.0 * setup.stroke * setup.speed,
        float(burning.spark),
        course.exhaust_opens - FIRING,
        (burning.scale, burning.scale),
        reference_scales(),
    )
    return laid_out(float(burning.spark), develop, rapid, end)


def closed_charge(setup: Setup, burning: Burning, charge: tuple[float, float, float], closed: float) -> tuple[Cylinder, Closed, Mixture]:
    """Return what the laws of the burn ask of a charge.

    Parameters
    ----------
    setup : Setup
    burning : Burning
    charge : tuple of float
        Mass [kg], temperature [K] and residual [fraction by mass] at intake closing.
    closed : float
        Volume at intake closing [m3].
    """
    mass, temperature, burned = map(float, charge)
    r = properties(setup.gas, temperature, burned)[0]
    heat = -properties(setup.gas, REFERENCE_STATE, burned)[3] * burning.completeness * mass * (1.0 - burned)
    area = np.pi / 4.0 * setup.bore**2
    return (
        Cylinder(setup.clearance, setup.swept, setup.rod_over_crank, setup.clearance / area),
        Closed(closed, mass * r * temperature / closed, temperature, heat),
        Mixture(burning.phi, burned, burning.ethanol, burning.dilution),
    )


def burned_out(burn: Burn) -> float:
    """Return the crank angle [deg in the frame of the cycle] at which a burn is over, the exhaust valve apart."""
    return FIRING + min(burn.end, burn.start + max(burn.duration, 1.0) * BURNED_OUT ** (1.0 / burn.power))


def boundary_of(
    s: Setup, burning: Burning, burn: Burn, course: Course, outside: tuple[float, float, float, float], charge: tuple[float, float, float], closed: float
) -> Boundary:
    """Return what a cycle is given.

    Parameters
    ----------
    s : Setup
    burning : Burning
    burn : Burn
        Laid out for the charge.
    course : Course
        Valve events.
    outside : tuple of float
        Temperature [K] and burned fraction of plenum and of collector, as ``outside_of``.
    charge : tuple of float
        Mass [kg], temperature [K] and residual [fraction by mass] at intake closing.
    closed : float
        Volume at intake closing [m3].
    """
    mass, temperature, burned = charge
    burns = burning.completeness * mass * (1.0 - burned) if burn.duration > 0.0 else 0.0
    pressure = mass * properties(s.gas, temperature, burned)[0] * temperature / closed
    return Boundary(*outside, *burn_boundary(burn), burns, pressure, closed, temperature, course.closes, course.exhaust_opens)


def burn_boundary(burn: Burn) -> tuple[float, float, float, float]:
    """Return what the rates take of a burn: start [deg in the frame of the cycle], duration [deg], power, where the flame goes out [deg]."""
    return FIRING + burn.start, burn.duration, burn.power, FIRING + burn.end


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


def outside_of(z: Array) -> tuple[float, float, float, float]:
    """Return what is settled outside the integration: temperature [K] and burned fraction of plenum and of collector."""
    return z[Unknown.PLENUM_TEMPERATURE], z[Unknown.PLENUM_FRACTION], z[Unknown.COLLECTOR_TEMPERATURE], z[Unknown.COLLECTOR_FRACTION]


def at_closing(y: Array) -> Array:
    """Return the unknowns from cylinder to exhaust port that a state makes: burned gas as fraction of its volume's mass."""
    z = y[: State.PORT_FRACTION + 1].copy()
    z[Unknown.CYLINDER_FRACTION] = y[State.CYLINDER_BURNED] / y[State.CYLINDER_MASS]
    z[Unknown.RUNNER_FRACTION] = y[State.RUNNER_BURNED] / y[State.RUNNER_MASS]
    return z


class Marching:
    """One plain cycle as a map from unknowns to unknowns."""

    def __init__(self, setup: Setup, course: Course, burning: Burning, rtol: float, back_pressure: tuple[float, float, float]) -> None:
        self.setup, self.course, self.burning, self.rtol = setup, course, burning, rtol
        self.ambient, self.rated_rise, self.rated_flow = back_pressure
        self.closed = closed_volume(setup, course.closes)
        self.marks = every_degree(course) if setup.intake == IntakeKind.RIPPLING else NO_MARKS
        self.extra, self.slug_change = np.zeros(3), 0.0

    def cycle(self, z: Array) -> tuple[Array, Settled]:
        """Run one cycle from unknowns; return the next unknowns and the cycle as it ran."""
        burning, course = self.burning, self.course
        s = self.setup
        if s.exhaust == ExhaustKind.PORT:
            s = s._replace(exhaust_pressure=z[Unknown.EXHAUST_PRESSURE])
        mass, temperature, burned = z[: Unknown.CYLINDER_FRACTION + 1]
        burn = burn_layout(s, burning, (mass, temperature, burned), course)
        b = boundary_of(s, burning, burn, course, outside_of(z), (mass, temperature, burned), self.closed)
        y = self._begun(z, s)
        # The burn is cut short where the exhaust valve opens: what has not burned by then leaves unburned.
        stops = cycle_stops(course, b.burn_start, min(burned_out(burn), course.exhaust_opens))
        if burning.instantaneous:
            at_stops, at_marks, steps = self._instantaneous(y, stops, s, b)
        else:
            at_stops, at_marks, steps = run_cycle(y, stops, s, b, self.rtol, self.marks)
        if steps < 0:
            raise NoSolutionError(f"the cycle cannot be integrated at {s.speed * 60:.0f} rpm and {s.intake_pressure / 1e3:.1f} kPa: a step became too small")
        settled = Settled(s, b, course, z, stops, at_stops, at_marks, burn, 1, np.inf, (), Ending.NOT_SETTLED)
        return self._next(z, settled), settled

    def _begun(self, z: Array, s: Setup) -> Array:
        """Return the state that the unknowns begin a cycle with."""
        y = np.zeros(TOTAL)
        y[: State.PORT_FRACTION + 1] = z[IN_CYLINDER_TO_PORT]
        y[State.CYLINDER_BURNED] = z[Unknown.CYLINDER_FRACTION] * z[Unknown.CYLINDER_MASS]
        y[State.RUNNER_BURNED] = z[Unknown.RUNNER_FRACTION] * z[Unknown.RUNNER_MASS]
        if not s.has_runner:
            y[State.RUNNER_MASS] = 1.0
            y[PLENUM] = self.extra
        elif s.intake == IntakeKind.RIPPLING:
            temperature, burned = z[Unknown.PLENUM_TEMPERATURE], z[Unknown.PLENUM_FRACTION]
            mass = z[Unknown.PLENUM_PRESSURE] * s.plenum_volume / (properties(s.gas, temperature, burned)[0] * temperature)
            y[PLENUM] = mass, temperature, mass * burned
        return y

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
        drawn, back = c.total("runner_in"), c.total("runner_back")
        ambient = properties(s.gas, s.ambient_temperature, 0.0)[2]
        if s.intake == IntakeKind.PLENUM:
            burned = c.total("runner_back_burned") / drawn
            enthalpy = ((drawn - back) * ambient + c.total("runner_back_heat")) / drawn
            # Well mixed, at constant pressure: what came in, less what the gas at its new temperature gives the walls.
            given = c.total("plenum_conductance") / drawn
            temperature = temperature_of(s.gas, enthalpy, burned, z[Unknown.PLENUM_TEMPERATURE], conductance=given, wall=s.plenum_wall)
        else:
            mass, temperature, burned_mass = end[PLENUM]
            burned = burned_mass / mass
            new[Unknown.PLENUM_PRESSURE] = mass * properties(s.gas, temperature, burned)[0] * temperature / s.plenum_volume
        new[Unknown.PLENUM_TEMPERATURE], new[Unknown.PLENUM_FRACTION] = temperature, burned
        out = c.total("collector_out")
        left = c.total("collector_out_burned") / out
        new[Unknown.COLLECTOR_FRACTION] = left
        new[Unknown.COLLECTOR_TEMPERATURE] = temperature_of(s.gas, c.total("collector_out_heat") / out, left, z[Unknown.COLLECTOR_TEMPERATURE])
        flow = (out - c.total("collector_back")) * s.speed / 2.0
        new[Unknown.EXHAUST_PRESSURE] = self.ambient + self.rated_rise * (flow / self.rated_flow) ** 2
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
    z, history = start.copy(), []
    for count in range(1, most + 1):
        new, cycle = marching.cycle(z)
        residual = max(float(np.max(np.abs(scaled(new - z, new)))), marching.slug_change)
        history.append(residual)
        if not np.isfinite(residual):
            break
        cycle = cycle._replace(cycles=count, residual=residual, history=tuple(history))
        diluted = new[Unknown.CYLINDER_FRACTION]
        if diluted > DYING or (diluted > NEARLY_DYING and count > PATIENCE):
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

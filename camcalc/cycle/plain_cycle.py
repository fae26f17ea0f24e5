"""One plain cycle, and plain cycles with mixing until one repeats itself: compiled whole, so that threads settle points side by side.

The pieces stand by themselves: ``steady.py`` puts the same ones together for the forms that are rarely run.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..burn.phasing import Burn, Closed, Cylinder, Mixture, laid_out, march_burn
from ..compiling import compiled
from .gas_kernel import FAST, properties
from .integrate import run_cycle
from .layout import TOTAL, ExhaustKind, State, Sum, Unknown
from .mixing import Book, next_start, scale_at
from .volumes import Boundary, Setup, volume_at

__all__ = [
    "Burning", "Course", "Outer", "Plain", "at_closing", "boundary_of", "burn_layout", "burned_out", "closed_volume", "cycle_stops", "march_plain",
    "temperature_of",
]  # fmt: skip

Array = NDArray[np.float64]

FIRING = 360.0  # top dead centre of firing in the frame of the cycle
# Where a Wiebe function's exponent is over 20 nothing is left to burn: its progress to the power at which the integration may stop watching it.
BURNED_OUT = 4.1
REFERENCE_STATE = 298.15  # K, of the heat that a charge gives
# A charge as diluted as the first dies; one as diluted as the second that has not settled by now is on its way.
DYING, NEARLY_DYING, PATIENCE = 0.985, 0.90, 60
# How a march ends; what ``steady.march`` makes an ending of.
REPEATS, DIES, LOST, NEITHER = range(4)


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


class Outer(NamedTuple):
    """What else a plain cycle asks for: cylinder volume at intake closing [m3]; barometer [Pa], rise of back pressure [Pa] at a flow [kg/s]; what turns
    the burn's angles into crank degrees, as ``reference_scales()``."""

    closed: float
    ambient: float
    rated_rise: float
    rated_flow: float
    scales: tuple[float, float]


class Plain(NamedTuple):
    """A plain cycle at an operating point, and the relative tolerance of its integration."""

    setup: Setup
    course: Course
    burning: Burning
    outer: Outer
    rtol: float


@compiled(error_model="numpy", fastmath=FAST)
def cycle_stops(course: Course, burn_start: float, burn_end: float) -> Array:
    """Return every angle [crank deg] at which the integration must restart, from intake closing to the next."""
    start, end = course.closes, course.closes + 720.0
    stops = np.empty(10)
    stops[0], stops[1], count = start, end, 2
    for angle in (360.0, burn_start, burn_end, course.exhaust_opens, 540.0, course.intake_opens, course.exhaust_closes, 900.0):
        place = count
        while place > 0 and stops[place - 1] > angle:
            place -= 1
        # In order, each once; sorted in by hand, which compiles in no time.
        if start + 1e-6 < angle < end - 1e-6 and angle != stops[place - 1]:
            for k in range(count, place, -1):
                stops[k] = stops[k - 1]
            stops[place] = angle
            count += 1
    return stops[:count].copy()


@compiled(error_model="numpy", fastmath=FAST)
def temperature_of(gas: Array, enthalpy: float, burned: float, guess: float = 800.0, conductance: float = 0.0, wall: float = 0.0) -> float:
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


@compiled(error_model="numpy", fastmath=FAST)
def burn_layout(setup: Setup, burning: Burning, charge: tuple[float, float, float], course: Course, scales: tuple[float, float]) -> Burn:
    """Return the burn of a charge that fills the cylinder at intake closing: mass [kg], temperature [K], residual by mass.

    Parameters
    ----------
    setup : Setup
    burning : Burning
    charge : tuple of float
        Mass [kg], temperature [K] and residual [fraction by mass] at intake closing.
    course : Course
        Valve events.
    scales : tuple of float
        As ``reference_scales()`` [-].

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
        burning.spark,
        course.exhaust_opens - FIRING,
        (burning.scale, burning.scale),
        scales,
    )
    return laid_out(burning.spark, develop, rapid, end)


@compiled(error_model="numpy", fastmath=FAST)
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
    mass, temperature, burned = charge
    r = properties(setup.gas, temperature, burned)[0]
    heat = -properties(setup.gas, REFERENCE_STATE, burned)[3] * burning.completeness * mass * (1.0 - burned)
    area = np.pi / 4.0 * setup.bore**2
    return (
        Cylinder(setup.clearance, setup.swept, setup.rod_over_crank, setup.clearance / area),
        Closed(closed, mass * r * temperature / closed, temperature, heat),
        Mixture(burning.phi, burned, burning.ethanol, burning.dilution),
    )


@compiled(error_model="numpy", fastmath=FAST)
def burned_out(burn: Burn) -> float:
    """Return the crank angle [deg in the frame of the cycle] at which a burn is over, the exhaust valve apart."""
    return FIRING + min(burn.end, burn.start + max(burn.duration, 1.0) * BURNED_OUT ** (1.0 / burn.power))


@compiled(error_model="numpy", fastmath=FAST)
def boundary_of(
    s: Setup, burning: Burning, burn: Burn, course: Course, outside: tuple[float, float, float, float, float], charge: tuple[float, float, float], closed: float
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
        Temperature [K] and burned fraction of plenum and of collector, pressure in the exhaust port [Pa], as ``outside_of``.
    charge : tuple of float
        Mass [kg], temperature [K] and residual [fraction by mass] at intake closing.
    closed : float
        Volume at intake closing [m3].
    """
    mass, temperature, burned = charge
    burns = burning.completeness * mass * (1.0 - burned) if burn.duration > 0.0 else 0.0
    pressure = mass * properties(s.gas, temperature, burned)[0] * temperature / closed
    plenum_temperature, plenum_burned, collector_temperature, collector_burned, exhaust_pressure = outside
    start, duration, power, end = burn_boundary(burn)
    return Boundary(
        plenum_temperature, plenum_burned, collector_temperature, collector_burned, exhaust_pressure, start, duration, power, end, burns,
        pressure, closed, temperature, course.closes, course.exhaust_opens,
    )  # fmt: skip


@compiled(error_model="numpy", fastmath=FAST)
def burn_boundary(burn: Burn) -> tuple[float, float, float, float]:
    """Return what the rates take of a burn: start [deg in the frame of the cycle], duration [deg], power, where the flame goes out [deg]."""
    return FIRING + burn.start, burn.duration, burn.power, FIRING + burn.end


@compiled(error_model="numpy", fastmath=FAST)
def closed_volume(setup: Setup, angle: float) -> float:
    """Return cylinder volume [m3] at a crank angle [deg]."""
    return volume_at(setup, angle)[0]


@compiled(error_model="numpy", fastmath=FAST)
def outside_of(z: Array, s: Setup) -> tuple[float, float, float, float, float]:
    """Return what is settled outside the integration: temperature [K] and burned fraction of plenum and of collector, pressure in the port [Pa].

    Parameters
    ----------
    z : array, shape (unknowns,)
        In the order and units of ``layout.Unknown``.
    s : Setup
    """
    pressure = z[Unknown.EXHAUST_PRESSURE] if s.exhaust == ExhaustKind.PORT else s.exhaust_pressure
    return z[Unknown.PLENUM_TEMPERATURE], z[Unknown.PLENUM_FRACTION], z[Unknown.COLLECTOR_TEMPERATURE], z[Unknown.COLLECTOR_FRACTION], pressure


@compiled(error_model="numpy", fastmath=FAST)
def begun(z: Array) -> Array:
    """Return the state that unknowns begin a cycle with, cylinder to exhaust port."""
    y = np.zeros(TOTAL)
    for k in range(State.PORT_FRACTION + 1):
        y[k] = z[k]
    y[State.CYLINDER_BURNED] = z[Unknown.CYLINDER_FRACTION] * z[Unknown.CYLINDER_MASS]
    y[State.RUNNER_BURNED] = z[Unknown.RUNNER_FRACTION] * z[Unknown.RUNNER_MASS]
    return y


@compiled(error_model="numpy", fastmath=FAST)
def at_closing(y: Array) -> Array:
    """Return the unknowns from cylinder to exhaust port that a state makes: burned gas as fraction of its volume's mass."""
    z = np.empty(State.PORT_FRACTION + 1)
    for k in range(z.size):
        z[k] = y[k]
    z[Unknown.CYLINDER_FRACTION] = y[State.CYLINDER_BURNED] / y[State.CYLINDER_MASS]
    z[Unknown.RUNNER_FRACTION] = y[State.RUNNER_BURNED] / y[State.RUNNER_MASS]
    return z


@compiled(error_model="numpy", fastmath=FAST)
def mixed_plenum(s: Setup, sums: Array, guess: float) -> tuple[float, float]:
    """Return temperature [K] and burned fraction of a plenum at constant pressure that a cycle leaves.

    Well mixed: what came in, less what the gas at its new temperature gives the walls.

    Parameters
    ----------
    s : Setup
    sums : array, shape (states,)
        Of a cycle, in the order and units of ``layout.Sum``.
    guess : float
        Temperature [K] near the one wanted.
    """
    drawn, back = sums[Sum.RUNNER_IN], sums[Sum.RUNNER_BACK]
    burned = sums[Sum.RUNNER_BACK_BURNED] / drawn
    ambient = properties(s.gas, s.ambient_temperature, 0.0)[2]
    enthalpy = ((drawn - back) * ambient + sums[Sum.RUNNER_BACK_HEAT]) / drawn
    return temperature_of(s.gas, enthalpy, burned, guess, sums[Sum.PLENUM_CONDUCTANCE] / drawn, s.plenum_wall), burned


@compiled(error_model="numpy", fastmath=FAST)
def behind_the_port(s: Setup, sums: Array, guess: float, outer: Outer) -> tuple[float, float, float]:
    """Return temperature [K] and burned fraction of the collector, and the pressure in the port [Pa], that a cycle leaves.

    Parameters
    ----------
    s : Setup
    sums : array, shape (states,)
        Of a cycle, in the order and units of ``layout.Sum``.
    guess : float
        Temperature [K] near the one wanted.
    outer : Outer
    """
    out = sums[Sum.COLLECTOR_OUT]
    left = sums[Sum.COLLECTOR_OUT_BURNED] / out
    temperature = temperature_of(s.gas, sums[Sum.COLLECTOR_OUT_HEAT] / out, left, guess)
    flow = (out - sums[Sum.COLLECTOR_BACK]) * s.speed / 2.0
    return temperature, left, outer.ambient + outer.rated_rise * (flow / outer.rated_flow) ** 2


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def plain_cycle(z: Array, plain: Plain) -> tuple[Array, Array, Array, Burn, Boundary, int]:
    """Run one cycle from unknowns behind a plenum at constant pressure.

    Parameters
    ----------
    z : array, shape (unknowns,)
        In the order and units of ``layout.Unknown``.
    plain : Plain
        With ``IntakeKind.PLENUM``, not burning at once.

    Returns
    -------
    The next unknowns, stops [crank deg], the state at each, the burn, what the cycle was given, steps taken (-1 if one could not be made small enough).
    """
    s, course, burning, outer = plain.setup, plain.course, plain.burning, plain.outer
    charge = z[Unknown.CYLINDER_MASS], z[Unknown.CYLINDER_TEMPERATURE], z[Unknown.CYLINDER_FRACTION]
    burn = burn_layout(s, burning, charge, course, outer.scales)
    b = boundary_of(s, burning, burn, course, outside_of(z, s), charge, outer.closed)
    # The burn is cut short where the exhaust valve opens: what has not burned by then leaves unburned.
    stops = cycle_stops(course, b.burn_start, min(burned_out(burn), course.exhaust_opens))
    at_stops, _, steps = run_cycle(begun(z), stops, s, b, plain.rtol, np.zeros(0))
    new = z.copy()
    if steps >= 0:
        sums = at_stops[-1] - at_stops[0]
        closing = at_closing(at_stops[-1])
        for k in range(closing.size):
            new[k] = closing[k]
        new[Unknown.PLENUM_TEMPERATURE], new[Unknown.PLENUM_FRACTION] = mixed_plenum(s, sums, z[Unknown.PLENUM_TEMPERATURE])
        found = behind_the_port(s, sums, z[Unknown.COLLECTOR_TEMPERATURE], outer)
        new[Unknown.COLLECTOR_TEMPERATURE], new[Unknown.COLLECTOR_FRACTION], new[Unknown.EXHAUST_PRESSURE] = found
    return new, stops, at_stops, burn, b, steps


@compiled(nogil=True, error_model="numpy", fastmath=FAST)
def march_plain(
    start: Array, plain: Plain, book: Book, mixes: bool, tolerance: float, most: int
) -> tuple[Array, Array, Array, Array, Burn, Boundary, Array, int]:
    """Run cycles, each begun where mixing says, until one repeats itself.

    Parameters
    ----------
    start : array, shape (unknowns,)
        First guess, in the order and units of ``layout.Unknown``.
    plain : Plain
    book : Book
        What is known of how cycles answer to their start; knows more afterwards.
    mixes : bool
        Whether cycles are mixed.
    tolerance : float
        Largest relative change over one plain cycle.
    most : int
        Most cycles run.

    Returns
    -------
    What the last cycle began and ended with, its stops [crank deg], the state at each, the burn, what it was given; residuals of all cycles; how it ended.
    """
    z = start.copy()
    history = np.zeros(most)
    count = 0
    while True:
        new, stops, at_stops, burn, b, steps = plain_cycle(z, plain)
        residual = np.inf
        if steps >= 0:
            scale = scale_at(new)
            residual = 0.0
            for k in range(z.size):
                change = abs(new[k] - z[k]) / scale[k]
                if not change <= residual:
                    residual = change
        history[count] = residual
        count += 1
        ending = NEITHER
        diluted = new[Unknown.CYLINDER_FRACTION]
        if not np.isfinite(residual):
            ending = LOST
        elif diluted > DYING or (diluted > NEARLY_DYING and count > PATIENCE):
            ending = DIES
        elif residual < tolerance:
            ending = REPEATS
        if ending != NEITHER or count == most:
            return z, new, stops, at_stops, burn, b, history[:count].copy(), ending if steps >= 0 else -1
        z = next_start(book, z, new) if mixes else new

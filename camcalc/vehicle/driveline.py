"""The linear driveline: engine, shafts, driven wheels, tyre slip and car in a gear, and the modes in which they swing."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from ..errors import InputError
from .modes import Mode, oscillating_modes

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = [
    "Driveline", "StateSpace", "acceleration_per_torque", "chain", "critical_feedback", "critical_feedback_small_loss", "damping_with_feedback",
    "driveline_modes", "driveline_of", "effective_stiffness", "first_mode", "lagged_feedback", "lash_torque", "natural_frequencies", "road_speed_at",
    "state_space",
]  # fmt: skip

Floats = NDArray[np.float64]
# Share of all wheels' inertia that sits between shafts and tyre slip; ESTIMATE: two of four like wheels are driven.
DRIVEN_SHARE = 0.5


class Driveline(NamedTuple):
    """What swings in one gear, SI, everything as seen at the driven wheels.

    Attributes
    ----------
    ratio, tyre_radius : float
        Gear ratio times final drive, and rolling radius [m].
    engine_inertia, wheel_inertia, vehicle_inertia : float
        Crank, flywheel, clutch and gearbox times ratio squared; the driven wheels; mass times radius squared with the wheels that only
        roll along [kg m2].
    shaft_stiffness, tyre_stiffness : float
        Clutch and shafts in series, and the tyres in torsion where they are to swing on their own [N m/rad]; with the latter infinite
        they are part of the former.
    loss_factor : float
        Share of the shafts' torque that lags by a quarter of a swing.
    tyre_slip_stiffness : float
        Driving force per unit of slip [N].
    lash : float
        Whole free play [rad]; no part of the linear model, see ``effective_stiffness``.

    Notes
    -----
    The loss is taken as a factor, turned into a dashpot ``c = loss_factor k / w`` at the first mode, so that the shafts give half the
    factor as damping in every gear. The stiffness differs by gear: the clutch's damper counts with the ratio squared and makes tall gears
    the softer. One dashpot for all gears, set to a published car's first gear (65 N m s/rad, damping 0.09), gives
    0.4 in sixth: its damping grows with the frequency, which rubber, splines and seals do not show. What grows with speed is tyre slip,
    and that stands here on its own.
    """

    ratio: float
    tyre_radius: float
    engine_inertia: float
    wheel_inertia: float
    vehicle_inertia: float
    shaft_stiffness: float
    loss_factor: float = 0.0
    tyre_slip_stiffness: float = math.inf
    tyre_stiffness: float = math.inf
    lash: float = 0.0

    @property
    def load_inertia(self) -> float:
        """Driven wheels and car as one [kg m2]."""
        return self.wheel_inertia + self.vehicle_inertia

    @property
    def series_stiffness(self) -> float:
        """Shafts and tyres in series [N m/rad]."""
        return 1.0 / (1.0 / self.shaft_stiffness + 1.0 / self.tyre_stiffness)

    @property
    def angular_frequency(self) -> float:
        """First mode's undamped angular frequency with engine and car as two inertias [rad/s]."""
        return math.sqrt(self.series_stiffness * (1.0 / self.engine_inertia + 1.0 / self.load_inertia))

    @property
    def dashpot(self) -> float:
        """Damping of the shafts that loses as much at the first mode as the loss factor says [N m s/rad]."""
        return self.loss_factor * self.shaft_stiffness / self.angular_frequency

    def check(self) -> None:
        """Refuse a driveline that cannot be.

        Raises
        ------
        InputError
            On an inertia, stiffness, ratio or radius that is not positive, or a loss below zero.
        """
        for name in ("ratio", "tyre_radius", "engine_inertia", "wheel_inertia", "vehicle_inertia", "shaft_stiffness", "tyre_slip_stiffness", "tyre_stiffness"):
            value = getattr(self, name)
            if not value > 0.0:
                raise InputError(
                    f"driveline {name}", came=f"{value}", expected="more than zero", fix="check mass, inertias and gearing in [vehicle] and [engine]"
                )
        if not self.loss_factor >= 0.0:
            raise InputError("driveline loss_factor", came=f"{self.loss_factor}", expected="zero or more")

    def slip_dashpot(self, road_speed: float) -> float:
        """Return the damping of tyre slip [N m s/rad] at a road speed [m/s], in series with the shafts.

        Raises
        ------
        InputError
            At no speed, where slip is not defined.
        """
        if not road_speed > 0.0:
            fix = "tyre slip needs a rolling tyre; leave road_speed out for one that grips"
            raise InputError("road_speed", came=f"{road_speed} m/s", expected="more than 0 m/s", fix=fix)
        return self.tyre_slip_stiffness * self.tyre_radius**2 / road_speed


class StateSpace(NamedTuple):
    """dx/dt = state x + crank_torque T; crank speed [rad/s] and car's acceleration [m/s2] are rows on x.

    The states are the twists of the springs [rad] and then the speeds of the inertias [rad/s], all at the wheels, engine first.
    """

    state: Floats
    crank_torque: Floats
    crank_speed: Floats
    acceleration: Floats

    def with_feedback(self, feedback: float) -> Floats:
        """Return the matrix with engine torque rising by ``feedback`` with crank speed [N m s/rad]."""
        return self.state + feedback * np.outer(self.crank_torque, self.crank_speed)


def driveline_of(build: Build, gear: int, *, locked: bool = True) -> Driveline:
    """Return the driveline of a build in a gear, counted from 1; not ``locked``, without the clutch's springs, as behind an open converter.

    The gearbox's own inertia counts as part of the engine's: under a hundredth of it in the published set of the tests.

    Raises
    ------
    InputError
        If the gearbox has no such gear.

    Examples
    --------
    >>> from camcalc import load_build
    >>> build = load_build("examples/quarry-road/build.toml")
    >>> 2.0 < first_mode(driveline_of(build, 1)).frequency < 4.0
    True
    """
    vehicle = build.vehicle
    if gear not in range(1, len(vehicle.gear_ratios) + 1):
        raise InputError("gear", came=str(gear), expected=f"1 to {len(vehicle.gear_ratios)}", fix="count gears from 1 as in [vehicle] gear_ratios")
    ratio = vehicle.gear_ratios[gear - 1] * vehicle.final_drive
    driven = DRIVEN_SHARE * vehicle.si.wheel_inertia
    clutch = vehicle.si.clutch_stiffness * ratio**2 if locked else math.inf
    return Driveline(
        ratio=ratio,
        tyre_radius=vehicle.si.tyre_radius,
        engine_inertia=build.engine.si.rotating_inertia * ratio**2,
        wheel_inertia=driven,
        vehicle_inertia=vehicle.si.mass * vehicle.si.tyre_radius**2 + vehicle.si.wheel_inertia - driven,
        shaft_stiffness=1.0 / (1.0 / vehicle.si.shaft_stiffness + 1.0 / clutch),
        loss_factor=vehicle.loss_factor,
        tyre_slip_stiffness=vehicle.si.tyre_slip_stiffness,
        lash=vehicle.si.driveline_lash,
    )


def first_mode(driveline: Driveline) -> Mode:
    """Return the first mode with the tyre gripping, engine and car as two inertias: closed form.

    Raises
    ------
    InputError
        On an inertia or stiffness that is not positive.

    Notes
    -----
    A textbook closed form: ``w = sqrt(k (1/J1 + 1/J2))``, damping ``c w / 2k``: half the loss factor.

    Examples
    --------
    >>> car = Driveline(ratio=12.95, tyre_radius=0.32, engine_inertia=28.7321, wheel_inertia=1.0, vehicle_inertia=143.36, shaft_stiffness=5000.0)
    >>> round(first_mode(car).frequency, 4)
    2.299
    """
    driveline.check()
    w = driveline.angular_frequency
    damping = driveline.dashpot * (w / driveline.shaft_stiffness) * driveline.series_stiffness / driveline.shaft_stiffness / 2.0
    return Mode(w * complex(-damping, math.sqrt(max(1.0 - damping**2, 0.0))))


def natural_frequencies(driveline: Driveline) -> tuple[float, float]:
    """Return the first and second undamped frequency [Hz] of engine, driven wheels and car with a springy tyre that grips.

    Raises
    ------
    InputError
        On an inertia or stiffness that is not positive, or a tyre without stiffness of its own.
    """
    driveline.check()
    j1, j2, j3 = driveline.engine_inertia, driveline.wheel_inertia, driveline.vehicle_inertia
    k1, k2 = driveline.shaft_stiffness, driveline.tyre_stiffness
    if math.isinf(k2):
        raise InputError("tyre_stiffness", came="inf", expected="a stiffness in N m/rad", fix="with the tyres in the shafts' stiffness use first_mode")
    b = k1 * (1.0 / j1 + 1.0 / j2) + k2 * (1.0 / j2 + 1.0 / j3)
    product = k1 * k2 * (j1 + j2 + j3) / (j1 * j2 * j3)
    upper = 0.5 * (b + math.sqrt(b * b - 4.0 * product))
    return math.sqrt(product / upper) / (2.0 * math.pi), math.sqrt(upper) / (2.0 * math.pi)  # the product, since b minus the root cancels


def chain(inertias: Floats, twists: Floats, *, stiffness: Floats, leak: Floats, damping: Floats) -> Floats:
    """Return the matrix of inertias joined by springs: twists first, then speeds.

    Parameters
    ----------
    inertias : ndarray, shape (n,) [kg m2]
    twists : ndarray, shape (m, n) [1]
        A row for each spring: which speeds wind it up (1) and unwind it (-1).
    stiffness : ndarray, shape (m,) [N m/rad]
        Of each spring.
    leak : ndarray, shape (m,) [1/s]
        The rate at which slip in series with each spring lets its twist go.
    damping : ndarray, shape (n, n) [N m s/rad]
        Between the speeds.
    """
    push = -(twists.T * stiffness) / inertias[:, None]
    return np.block([[-np.diag(leak), twists], [push, -damping / inertias[:, None]]])


def state_space(driveline: Driveline, road_speed: float | None = None) -> StateSpace:
    """Return engine, shafts, driven wheels, tyre slip and car as matrices.

    Parameters
    ----------
    driveline : Driveline
    road_speed : float, optional
        [m/s]. Left out, the tyre grips.

    Raises
    ------
    InputError
        On an inertia or stiffness that is not positive, or a road speed of zero.

    Notes
    -----
    As derived from the forces: tyre slip is a dashpot ``C r^2 / v`` in series with the shafts: it damps the more the faster the car rolls. A tyre
    with a stiffness of its own behind it is the same as a tyre with a relaxation length ``C r^2 / stiffness``. Small slip, no backlash, clutch locked.

    Examples
    --------
    >>> car = Driveline(ratio=10.16, tyre_radius=0.33, engine_inertia=25.8, wheel_inertia=2.0, vehicle_inertia=176.0, shaft_stiffness=6000.0)
    >>> space = state_space(car._replace(tyre_slip_stiffness=120e3), road_speed=10.0)
    >>> mode, = oscillating_modes(space.state)
    >>> round(mode.damping, 2)
    0.14
    """
    driveline.check()
    slip = math.inf if road_speed is None else driveline.slip_dashpot(road_speed)
    inertias = [driveline.engine_inertia, driveline.wheel_inertia, driveline.vehicle_inertia]
    shaft, tyre = np.array([1.0, -1.0, 0.0]), np.array([0.0, 1.0, -1.0])
    springs, leak = [(shaft, driveline.shaft_stiffness)], [0.0]
    damping = driveline.dashpot * np.outer(shaft, shaft)
    if math.isfinite(driveline.tyre_stiffness):
        springs.append((tyre, driveline.tyre_stiffness))
        leak.append(driveline.tyre_stiffness / slip)
    elif math.isfinite(slip):
        damping = damping + slip * np.outer(tyre, tyre)
    else:
        inertias = [driveline.engine_inertia, driveline.load_inertia]
        springs, damping = [(shaft[:2], driveline.shaft_stiffness)], damping[:2, :2]
    twists, stiffness = np.array([row for row, _ in springs]), np.array([k for _, k in springs])
    state = chain(np.array(inertias), twists, stiffness=stiffness, leak=np.array(leak), damping=damping)
    engine = np.zeros(len(state))
    engine[len(springs)] = driveline.ratio
    return StateSpace(state, engine / driveline.engine_inertia, engine, driveline.tyre_radius * state[-1])


def driveline_modes(driveline: Driveline, road_speed: float | None = None, *, feedback: float = 0.0) -> tuple[Mode, ...]:
    """Return the swinging modes by rising frequency, with engine torque rising by ``feedback`` with crank speed [N m s/rad]."""
    return oscillating_modes(state_space(driveline, road_speed).with_feedback(feedback))


def critical_feedback(driveline: Driveline, road_speed: float | None = None) -> float:
    """Return how fast engine torque may rise with crank speed [N m s/rad] before a swing keeps itself going.

    Infinite where loss and slip are so large that no feedback does it: the pair of roots stops swinging first, or feedback merely runs
    the engine away from a swing of wheels and car that stays damped.

    Raises
    ------
    InputError
        As for ``state_space``.

    Notes
    -----
    As derived from the characteristic polynomial: with a tyre that grips it is the smaller root of
    ``J2 c K^2 - (c^2 M + k J2^2) K + c k M^2 = 0``, ``M = J1 + J2``, ``K`` the feedback times ratio squared, from Hurwitz's condition on
    the swinging pair; with slip, where the least damping of the eigenvalue pairs is
    zero. Besides, any positive feedback lets the speed of the whole car creep, which the road load and the driver hold.

    Examples
    --------
    >>> car = Driveline(ratio=10.16, tyre_radius=0.33, engine_inertia=25.8, wheel_inertia=2.0, vehicle_inertia=176.0, shaft_stiffness=6000.0, loss_factor=0.12)
    >>> slipping = car._replace(tyre_slip_stiffness=120e3)
    >>> critical_feedback(car) < critical_feedback(slipping, 2.0) < critical_feedback(slipping, 5.0)
    True
    """
    driveline.check()
    if road_speed is None and math.isinf(driveline.tyre_stiffness):
        k, c, j2 = driveline.shaft_stiffness, driveline.dashpot, driveline.load_inertia
        whole = driveline.engine_inertia + j2
        middle = c * c * whole + k * j2 * j2
        inside = middle * middle - 4.0 * j2 * c * c * k * whole * whole
        return 2.0 * c * k * whole * whole / (middle + math.sqrt(inside)) / driveline.ratio**2 if inside >= 0.0 else math.inf
    space = state_space(driveline, road_speed)

    def least_damping(feedback: float) -> float:
        return min((mode.damping for mode in oscillating_modes(space.with_feedback(feedback))), default=1.0)

    # First order in the loss, from below: the search widens in steps small enough not to pass over the edge.
    at_rest = least_damping(0.0)
    share = 1.0 + driveline.engine_inertia / driveline.load_inertia
    low, high = 0.0, driveline.angular_frequency * driveline.engine_inertia * share * at_rest / driveline.ratio**2
    while at_rest > 0.0 and least_damping(high) > 0.0:
        low, high = high, 1.1 * high
        if high > 100.0 * driveline.angular_frequency * driveline.engine_inertia / driveline.ratio**2:
            return math.inf
    return float(brentq(least_damping, low, high, xtol=1e-14, rtol=1e-12)) if at_rest > 0.0 else 0.0


def critical_feedback_small_loss(driveline: Driveline) -> float:
    """Return the critical feedback [N m s/rad] to first order in the loss, tyre gripping: ``(c / i^2) (1 + J1/J2)^2``."""
    driveline.check()
    return driveline.dashpot / driveline.ratio**2 * (1.0 + driveline.engine_inertia / driveline.load_inertia) ** 2


def damping_with_feedback(driveline: Driveline, feedback: float) -> float:
    """Return the first mode's damping to first order in loss and feedback [N m s/rad], tyre gripping."""
    w, j1 = first_mode(driveline).frequency * 2.0 * math.pi, driveline.engine_inertia
    return first_mode(driveline).damping - feedback * driveline.ratio**2 / (2.0 * w * j1 * (1.0 + j1 / driveline.load_inertia))


def lagged_feedback(angular_frequency: float, *, gain: float, lag: float, delay: float) -> float:
    """Return the feedback [N m s/rad] that torque falling with speed through a lag and a delay amounts to at a frequency [rad/s].

    Parameters
    ----------
    angular_frequency : float [rad/s]
    gain : float [N m s/rad]
        How much torque falls per crank speed when all has settled.
    lag, delay : float [s]
        Filling of the plenum, and intake to torque.

    Notes
    -----
    By the textbook: the part in phase with speed of ``-gain exp(-s delay) / (1 + s lag)``: it steadies while phase is under a quarter of a turn, and
    feeds the swing beyond.

    Examples
    --------
    >>> lagged_feedback(14.445, gain=0.30, lag=0.15, delay=0.06) > 0.0
    True
    """
    phase = angular_frequency * delay + math.atan(angular_frequency * lag)
    return -gain * math.cos(phase) / math.hypot(1.0, angular_frequency * lag)


def lash_torque(twist: float, *, stiffness: float, lash: float) -> float:
    """Return the torque [N m] of shafts with free play: none while the twist [rad] is within half the lash."""
    return stiffness * math.copysign(max(abs(twist) - 0.5 * lash, 0.0), twist)


def effective_stiffness(stiffness: float, *, lash: float, amplitude: float) -> float:
    """Return the stiffness [N m/rad] that shafts with free play show to a swing of twist of an amplitude [rad] about the middle.

    The describing function: the first harmonic of the torque over the twist. Under load the play is taken up and this does not apply.

    Raises
    ------
    InputError
        If the amplitude is not positive or the lash negative.

    Examples
    --------
    >>> effective_stiffness(6000.0, lash=0.0, amplitude=0.05)
    6000.0
    """
    if not (amplitude > 0.0 and lash >= 0.0):
        raise InputError("amplitude, lash", came=f"{amplitude} rad, {lash} rad", expected="an amplitude above zero and a lash of zero or more")
    share = 0.5 * lash / amplitude
    if share >= 1.0:
        return 0.0
    return stiffness * (1.0 - (2.0 / math.pi) * (math.asin(share) + share * math.sqrt(1.0 - share * share)))


def acceleration_per_torque(driveline: Driveline) -> float:
    """Return the car's acceleration per engine torque [m/s2 per N m] when nothing swings and nothing is lost."""
    driveline.check()
    return driveline.ratio * driveline.tyre_radius / (driveline.engine_inertia + driveline.load_inertia)


def road_speed_at(driveline: Driveline, speed: float) -> float:
    """Return the road speed [m/s] at a crank speed [rev/s], clutch locked."""
    return 2.0 * math.pi * speed * driveline.tyre_radius / driveline.ratio

"""Will it buck: the loop of engine, table and driveline about one operating point, taken apart into what moves it and what damps it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..codes import Code
from ..errors import NoSolutionError
from ..marks import Mark, Marks, marks_where
from ..vehicle.acceleration_weighting import GRADES, SurgeGrade, grade_of, weighting_factor
from ..vehicle.delayed_modes import Mode, delayed_modes, nearest_root
from ..vehicle.driveline import StateSpace
from .engine_loop import EngineSide, LoopPoint

__all__ = ["BAND", "PARTS", "LoopPart", "Surge", "grade", "loop_matrices", "slope_limits", "surge_at", "swing_marks"]

Array = NDArray[np.float64]

BAND = 0.5, 16.0  # Hz, in which a car's surge is felt
FREQUENCIES = np.geomspace(*BAND, 140)
# About the mode so many points more, denser towards its peak, out to two hundred times half its width.
PEAK_POINTS, PEAK_SPAN = 61, 6.0
# Stands for the mode where nothing swings in the band: damping one, frequency zero.
NO_SWING = Mode(complex(-2.0 * math.pi * BAND[1], 0.0))
# A load signal without a filter is taken with one too fast to matter [s].
LEAST_FILTER = 1e-3


class LoopPart(Code):
    """What in the loop of engine and table adds damping to the driveline or takes it."""

    SPARK_ALONG_SPEED = "the table's slope along speed"
    SPARK_ALONG_LOAD = "the table's slope along load"
    DILUTION = "residual that changes with speed"
    MANIFOLD = "manifold filling"


PARTS = tuple(LoopPart)
# A swing taken as random lies within so many times its r.m.s. from peak to peak: two standard deviations either way.
PEAK_TO_PEAK = 4.0
# Above this a slope is looked no further for: 200 degrees per 1000 rpm, 60 per 10 kPa.
MOST_BY_SPEED, MOST_BY_PRESSURE = 200.0 / (1000.0 / 60.0 * 2.0 * math.pi), 60.0 / 10e3
# The level of acceleration, peak to peak, that a slope may bring the car to: the top of "trace" [m/s2].
LEVEL = GRADES[1][0]


class Loop(NamedTuple):
    """A linear loop with delays: at once, late, where torque enters, how load and speed signals enter, the car's acceleration."""

    state: Array
    delayed: list[tuple[Array, float]]
    torque: Array
    acceleration: Array


class Surge(NamedTuple):
    """What one operating point does; angular speeds in rad/s, accelerations r.m.s. within 0.5 to 16 Hz [m/s2], root of the mode [1/s].

    Without damping a swing, once moved, grows without end: accelerations are infinite then, or zero where nothing moves it.
    ``takes`` says by how much each part changes the damping: less without it, more with it.
    """

    frequency: float
    damping: float
    takes: tuple[float, ...]
    from_jitter: float
    from_burn: float
    total: float
    weighted: float
    critical_by_speed: float
    critical_by_pressure: float
    root: complex

    @property
    def verdict(self) -> SurgeGrade:
        """The grade of the whole, ours; a loop without damping is self-excited."""
        return grade(self.total, self.damping)


def grade(rms: float, damping: float) -> SurgeGrade:
    """Return the grade of an acceleration [m/s2 r.m.s.] by its peak to peak, or that the loop is self-excited.

    >>> grade(0.02, 0.1).code, grade(0.02, -0.01).code
    ('trace', 'self_excited_bucking')
    """
    if damping <= 0.0:
        return SurgeGrade.SELF_EXCITED_BUCKING
    return grade_of(PEAK_TO_PEAK * rms)


def swing_marks(frequency: Any) -> dict[str, Marks]:
    """Return the marks of damping and frequency [Hz], one or an array: with nothing that swings in the band, damping is one or more.

    >>> swing_marks(2.5)["damping"] is None, swing_marks(0.0)["damping"] is Mark.OR_MORE
    (True, True)
    """
    still = np.asarray(frequency) == 0.0
    return {"damping": marks_where(still, Mark.OR_MORE), "frequency": marks_where(still, Mark.NONE_FOUND)}


def loop_matrices(space: StateSpace, engine_side: EngineSide, point: LoopPoint, parts: Iterable[LoopPart] = PARTS) -> Loop:
    """Return the loop at a point with some of its parts; states are the driveline's, plenum pressure [Pa], filtered pressure [Pa].

    Parameters
    ----------
    space : StateSpace
        Of the driveline.
    engine_side : EngineSide
    point : LoopPoint
    parts : iterable of LoopPart
        Those that are in the loop; all when left out.
    """
    parts = set(parts)
    n = len(space.state)
    p, measured = n, n + 1
    a = np.zeros((n + 2, n + 2))
    torque = np.append(space.crank_torque, [0.0, 0.0])
    crank = np.append(space.crank_speed, [0.0, 0.0])
    a[:n, :n] = space.state
    a += np.outer(torque, crank) * point.friction_by_speed
    a[p] = -point.filling_rate * point.flow_by_speed * crank
    a[p, p] = point.filling_rate * (point.throttle_by_pressure - point.flow_by_pressure)
    lag = max(engine_side.load_filter, LEAST_FILTER)
    a[measured, p], a[measured, measured] = 1.0 / lag, -1.0 / lag
    unit = np.eye(n + 2)
    late = np.zeros(n + 2)
    if LoopPart.DILUTION in parts:
        late = late + (point.torque_by_speed - point.friction_by_speed) * crank
    if LoopPart.MANIFOLD in parts:
        late = late + point.torque_by_pressure * unit[p]
    d = point.delays
    delayed = [(np.outer(torque, late), d.induction)]
    if LoopPart.SPARK_ALONG_SPEED in parts:
        delayed.append((point.torque_by_spark * point.spark_by_speed * np.outer(torque, crank), d.spark + d.speed))
    if LoopPart.SPARK_ALONG_LOAD in parts:
        delayed.append((point.torque_by_spark * point.spark_by_pressure * np.outer(torque, unit[measured]), d.spark + d.load))
    return Loop(a, [(m, t) for m, t in delayed if m.any()], torque, np.append(space.acceleration, [0.0, 0.0]))


def surge_at(
    space: StateSpace, engine_side: EngineSide, point: LoopPoint, *, jitter: float, speed_jitter: float, start: complex | None = None, slopes: bool = True
) -> Surge:
    """Return what an operating point does.

    ``jitter`` is the r.m.s. swing of the load signal [Pa], ``speed_jitter`` that of the speed signal [rad/s], both anew each cycle.
    ``start`` is a root close by, for speed; without ``slopes`` neither the parts nor the critical slopes are looked for.

    Parameters
    ----------
    space : StateSpace
        Of the driveline.
    engine_side : EngineSide
    point : LoopPoint
    jitter : float [Pa]
        R.m.s. swing of the load signal, drawn anew each cycle.
    speed_jitter : float [rad/s]
        R.m.s. swing of the speed signal, drawn anew each cycle.
    start : complex [1/s]
        A root close by, which saves time.
    slopes : bool
        Whether the damping of each part and the critical slopes are looked for.

    References
    ----------
    Textbook: linear systems with delays; spectrum of independent draws, each held for an interval. ISO 2631-1:1997 for ``weighted``.
    """
    loop = loop_matrices(space, engine_side, point)
    mode = _driveline_mode(space, loop, start)
    parts = PARTS if slopes else ()
    without = [_driveline_mode(space, loop_matrices(space, engine_side, point, [q for q in PARTS if q != part]), mode.root) for part in parts]
    band = _band(mode)
    gain = _gain(loop, band)
    by_load, by_speed = (point.torque_by_spark * s for s in (point.spark_by_pressure * jitter, point.spark_by_speed * speed_jitter))
    shaken = gain * _hold(band, 2.0 / point.speed)
    signals = shaken * np.hypot(_filtered(band, engine_side) * by_load, by_speed)
    burn = gain * _hold(band, 2.0 / (point.speed * engine_side.cylinders)) * point.deviation
    whole = np.hypot(signals, burn)
    feel = np.abs(weighting_factor(band))
    return Surge(
        frequency=mode.frequency if mode.root.imag > 0.0 else 0.0,
        damping=mode.damping,
        takes=tuple(mode.damping - other.damping for other in without),
        from_jitter=_rms(signals, band, mode),
        from_burn=_rms(burn, band, mode),
        total=_rms(whole, band, mode),
        weighted=_rms(whole * feel, band, mode),
        critical_by_speed=_critical(space, engine_side, point, "spark_by_speed", MOST_BY_SPEED, mode) if slopes else math.nan,
        critical_by_pressure=_critical(space, engine_side, point, "spark_by_pressure", MOST_BY_PRESSURE, mode) if slopes else math.nan,
        root=mode.root,
    )


def slope_limits(space: StateSpace, engine_side: EngineSide, point: LoopPoint, surge: Surge, *, jitter: float, level: float = LEVEL) -> tuple[float, float]:
    """Return the largest slopes along speed [deg per rad/s] and load [deg/Pa], either way: under half the critical, and under a level [m/s2 peak to peak].

    The level counts for the jitter through the slope along load alone; what burn noise does no slope mends.

    Parameters
    ----------
    space : StateSpace
        Of the driveline.
    engine_side : EngineSide
    point : LoopPoint
    surge : Surge
        What the point does.
    jitter : float [Pa]
        R.m.s. swing of the load signal.
    level : float [m/s2]
        Acceleration that a slope may bring the car to, peak to peak.
    """
    steady = point._replace(spark_by_pressure=0.0, spark_by_speed=0.0)
    loop = loop_matrices(space, engine_side, steady)
    mode = _driveline_mode(space, loop, surge.root)
    band = _band(mode)
    shaken = _gain(loop, band) * _hold(band, 2.0 / point.speed) * _filtered(band, engine_side) * point.torque_by_spark * jitter
    each = PEAK_TO_PEAK * _rms(shaken, band, mode)
    by_level = level / each if each > 0.0 else math.inf
    return 0.5 * surge.critical_by_speed, min(0.5 * surge.critical_by_pressure, by_level)


def _driveline_mode(space: StateSpace, loop: Loop, start: complex | None) -> Mode:
    """Return the least damped mode in the band: by Newton from a root close by, else from all; where nothing swings, one that only decays."""
    if start is not None:
        try:
            found = nearest_root(loop.state, loop.delayed, start)
        except NoSolutionError:
            found = None
        if found is not None and BAND[0] <= found.frequency <= BAND[1] and found.root.imag > 0.0:
            return found
    least = delayed_modes(loop.state, loop.delayed, fastest=BAND[1]).least_damped(*BAND)
    return least if least is not None else NO_SWING


def _band(mode: Mode) -> Array:
    """Return the frequencies [Hz] to integrate over, close enough about a mode to follow its peak however little it is damped."""
    width = max(abs(mode.root.real), 1e-6 * abs(mode.root)) / (2.0 * math.pi)
    peak = mode.root.imag / (2.0 * math.pi)
    near = peak + width * np.sinh(np.linspace(-PEAK_SPAN, PEAK_SPAN, PEAK_POINTS))
    return np.union1d(FREQUENCIES, near[(near > BAND[0]) & (near < BAND[1])])


def _gain(loop: Loop, band: Array) -> Array:
    """Return the car's acceleration per crank torque over the band [m/s2 per N m]."""
    s = 2j * np.pi * band[:, None, None]
    matrix = s * np.eye(len(loop.state)) - loop.state
    for late, delay in loop.delayed:
        matrix = matrix - late * np.exp(-s * delay)
    answer = np.linalg.solve(matrix, np.broadcast_to(loop.torque[:, None], (band.size, len(loop.torque), 1)))
    return np.abs(answer[:, :, 0] @ loop.acceleration)


def _hold(band: Array, interval: float) -> Array:
    """Return the square root of the spectrum of a signal drawn anew each interval [s] and held, for an r.m.s. of one."""
    return np.sqrt(2.0 * interval) * np.abs(np.sinc(band * interval))


def _filtered(band: Array, engine_side: EngineSide) -> Array:
    """Return what the filter of the load signal lets through over the band."""
    return 1.0 / np.abs(1.0 + 2j * np.pi * band * max(engine_side.load_filter, LEAST_FILTER))


def _rms(spectrum: Array, band: Array, mode: Mode) -> float:
    """Return the r.m.s. of a spectrum's square root; of a swing that no damping holds, infinity unless nothing moves it."""
    if not spectrum.any():
        return 0.0
    return math.sqrt(np.trapezoid(spectrum**2, band)) if mode.damping > 0.0 else math.inf


def _critical(space: StateSpace, engine_side: EngineSide, point: LoopPoint, name: str, most: float, mode: Mode) -> float:
    """Return the smallest slope, either way, at which the mode loses its damping: zero if it has none without slope, ``most`` if it never does."""
    found = most
    level = _driveline_mode(space, loop_matrices(space, engine_side, _with_slope(point, name, 0.0)), mode.root)
    if level.damping <= 0.0:
        return 0.0
    for way in (1.0, -1.0):
        low, root = 0.0, level.root
        for share in np.geomspace(0.02, 1.0, 9):
            slope = min(float(share * most), found)
            now = _driveline_mode(space, loop_matrices(space, engine_side, _with_slope(point, name, way * slope)), root)
            if now.damping <= 0.0:
                found = _bisected(space, engine_side, point, name, way, low, slope, root)
                break
            if slope == found:
                break  # the other way, or the end of the search
            low, root = slope, now.root
    return found


def _with_slope(point: LoopPoint, name: str, slope: float) -> LoopPoint:
    return point._replace(spark_by_speed=slope) if name == "spark_by_speed" else point._replace(spark_by_pressure=slope)


def _bisected(space: StateSpace, engine_side: EngineSide, point: LoopPoint, name: str, way: float, low: float, high: float, root: complex) -> float:
    for _ in range(12):
        middle = 0.5 * (low + high)
        now = _driveline_mode(space, loop_matrices(space, engine_side, _with_slope(point, name, way * middle)), root)
        if now.damping > 0.0:
            low, root = middle, now.root
        else:
            high = middle
    return 0.5 * (low + high)

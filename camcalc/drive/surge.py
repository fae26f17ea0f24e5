"""Will it buck: the loop of engine, table and driveline about one operating point, taken apart into what moves it and what damps it."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..marks import Mark, Marks, marks_where
from ..vehicle.acceleration_weighting import GRADES, SurgeGrade, grade_of, weighting_factor
from ..vehicle.driveline import StateSpace
from ..vehicle.modes import Mode
from .closed_loop import LEAST_FILTER, PARTS, ClosedLoop, LoopPart
from .engine_loop import EngineSide, LoopPoint

__all__ = ["BAND", "Surge", "grade", "slope_limits", "surge_at", "swing_marks"]

Array = NDArray[np.float64]

BAND = 0.5, 16.0  # Hz, in which a car's surge is felt
FREQUENCIES = np.geomspace(*BAND, 140)
# About the mode so many points more, denser towards its peak, out to two hundred times half its width.
PEAK_POINTS, PEAK_SPAN = 61, 6.0
# Stands for the mode where nothing swings in the band: damping one, frequency zero.
NO_SWING = Mode(complex(-2.0 * math.pi * BAND[1], 0.0))

# A swing taken as random lies within so many times its r.m.s. from peak to peak: two standard deviations either way.
PEAK_TO_PEAK = 4.0
# Above this a slope is looked no further for: 200 degrees per 1000 rpm, 60 per 10 kPa.
MOST_BY_SPEED, MOST_BY_PRESSURE = 200.0 / (1000.0 / 60.0 * 2.0 * math.pi), 60.0 / 10e3
# The level of acceleration, peak to peak, that a slope may bring the car to: the top of "trace" [m/s2].
LEVEL = GRADES[1][0]


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
    loop = ClosedLoop.of(space, engine_side, point)
    mode = _mode(loop, start)
    parts = PARTS if slopes else ()
    without = [_mode(loop.without(part), mode.root) for part in parts]
    band = _band(mode)
    gain = np.abs(loop.acceleration(band))
    by_load, by_speed = (point.torque_by_spark * s for s in (point.spark_by_pressure * jitter, point.spark_by_speed * speed_jitter))
    shaken = gain * _hold(band, 2.0 / point.speed)
    signals = shaken * np.hypot(_filtered(band, engine_side) * by_load, by_speed)
    burn = gain * _hold(band, 2.0 / (point.speed * engine_side.cylinders)) * point.deviation
    whole = np.hypot(signals, burn)
    feel = np.abs(weighting_factor(band))
    nothing = math.nan, math.nan
    by_speed_alone = loop.critical(MOST_BY_SPEED, BAND, along=LoopPart.SPARK_ALONG_SPEED, start=mode.root) if slopes else nothing
    by_load_alone = loop.critical(MOST_BY_PRESSURE, BAND, along=LoopPart.SPARK_ALONG_LOAD, start=mode.root) if slopes else nothing
    return Surge(
        frequency=mode.frequency if mode.root.imag > 0.0 else 0.0,
        damping=mode.damping,
        takes=tuple(mode.damping - other.damping for other in without),
        from_jitter=_rms(signals, band, mode),
        from_burn=_rms(burn, band, mode),
        total=_rms(whole, band, mode),
        weighted=_rms(whole * feel, band, mode),
        critical_by_speed=min(map(abs, by_speed_alone)),
        critical_by_pressure=min(map(abs, by_load_alone)),
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
    loop = ClosedLoop.of(space, engine_side, steady)
    mode = _mode(loop, surge.root)
    band = _band(mode)
    shaken = np.abs(loop.acceleration(band)) * _hold(band, 2.0 / point.speed) * _filtered(band, engine_side) * point.torque_by_spark * jitter
    each = PEAK_TO_PEAK * _rms(shaken, band, mode)
    by_level = level / each if each > 0.0 else math.inf
    return 0.5 * surge.critical_by_speed, min(0.5 * surge.critical_by_pressure, by_level)


def _mode(loop: ClosedLoop, start: complex | None) -> Mode:
    """Return the least damped mode in the band; where nothing swings, one that only decays."""
    found = loop.mode(BAND, start)
    return NO_SWING if found is None else found


def _band(mode: Mode) -> Array:
    """Return the frequencies [Hz] to integrate over, close enough about a mode to follow its peak however little it is damped."""
    width = max(abs(mode.root.real), 1e-6 * abs(mode.root)) / (2.0 * math.pi)
    peak = mode.root.imag / (2.0 * math.pi)
    near = peak + width * np.sinh(np.linspace(-PEAK_SPAN, PEAK_SPAN, PEAK_POINTS))
    return np.union1d(FREQUENCIES, near[(near > BAND[0]) & (near < BAND[1])])


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

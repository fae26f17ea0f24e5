"""Where one cylinder's fuel goes by when its injection ends: on the closed intake valve, or past the open one.

Inside, angles are those of the cycle: firing top dead centre 360, the one between exhaust and intake stroke 720; ends of
injection come out before the latter.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..codes import Code
from ..cycle.port_flow import PortFlow
from ..cycle.tracer import Fates

__all__ = ["InjectionReason", "Placement", "Spray", "Strategy", "choose_placement", "place"]

Array = NDArray[np.float64]

OVERLAP_TOP = 720.0
AS_GOOD = 1e-3  # misplaced shares this near count as equal


class Strategy(Code):
    """Where the fuel is meant to arrive."""

    CLOSED_VALVE = "closed-valve injection: all fuel arrives before the intake valve opens"
    OPEN_VALVE = "open-valve injection: all fuel arrives after reversion, while the intake valve is open"


class InjectionReason(Code):
    """Why an end of injection is recommended, or why there is none."""

    FITS_CLOSED_VALVE = "it fits the closed valve, where fuel has the most time to evaporate"
    TOO_LONG_FOR_CLOSED_VALVE = "the pulse is too long for the closed valve and fits the open one"
    BLOWN_OFF_CLOSED_VALVE = "reversion blows too much fuel off the closed valve; the open one keeps it"
    TOO_LONG_FOR_BOTH = "the pulse is too long for the closed valve and for the open one"
    MISPLACED_ON_BOTH = "too much fuel is misplaced on the closed valve and on the open one"
    INJECTOR_TOO_SMALL = "the injector is too small: the pulse is longer than the cycle"
    NOT_RUNNING = "the engine does not run here"


class Spray(NamedTuple):
    """A pulse in time and angle: open time [s], the same [crank deg], its part in which fuel flows, and the way to the valve."""

    width: float
    pulse_angle: float
    spray_angle: float
    transit_angle: float


class Placement(NamedTuple):
    """One strategy at its best end of injection [crank deg before top dead centre], shares of the fuel.

    ``earliest`` and ``latest`` bound the ends at which little enough is misplaced, NaN where there are none. ``past_injector``
    is what has stood upstream of it at some time; it may have come back. ``too_long`` means that the spray lasts longer than
    the valve leaves.
    """

    earliest: float
    latest: float
    start: float
    end: float
    misplaced: float
    past_injector: float
    to_plenum: float
    in_cylinder: float
    to_exhaust: float
    too_long: bool

    @property
    def fits(self) -> bool:
        """Whether there is a window."""
        return math.isfinite(self.earliest)


def place(flow: PortFlow, fates: Fates, spray: Spray, *, strategy: Strategy, limit: float, margin: float) -> Placement:
    """Return one strategy's window and best end.

    Parameters
    ----------
    flow : PortFlow
    fates : Fates
        Traced in ``flow``.
    spray : Spray
    strategy : Strategy
    limit : float
        Largest misplaced share allowed.
    margin : float [crank deg]
        How far before intake opening closed-valve fuel should have arrived.

    Notes
    -----
    Misplaced is fuel that arrives outside what the strategy wants, or ends in plenum or exhaust; on the open valve also fuel
    that is not in the cylinder by intake closing, beyond what a late closing pushes back of any mixed charge.
    """
    first, last = wanted(flow, strategy)
    bad = _misplaced_in_steps(flow, fates, strategy, first, last)
    arrival, mean = flow.angle, _over_pulse(bad, spray.spray_angle)
    low, high = _longest_run(mean < limit)
    if strategy is Strategy.CLOSED_VALVE:
        at = last - margin if low < 0 else max(min(last - margin, float(arrival[high])), float(arrival[low]))
    else:
        among = np.arange(low, high + 1) if low >= 0 else np.arange(len(mean))
        good = among[mean[among] <= mean[among].min() + AS_GOOD]
        at = float(arrival[good[len(good) // 2]])
    shares = [
        _pulse_mean(flow.angle, values, at - spray.spray_angle, at) for values in (fates.past_injector, fates.to_plenum, fates.in_cylinder, fates.to_exhaust)
    ]
    end = OVERLAP_TOP - at + spray.transit_angle
    return Placement(
        earliest=OVERLAP_TOP - float(arrival[low]) + spray.transit_angle if low >= 0 else math.nan,
        latest=OVERLAP_TOP - float(arrival[high]) + spray.transit_angle if low >= 0 else math.nan,
        start=end + spray.pulse_angle,
        end=end,
        misplaced=float(np.interp(at, arrival, mean)),
        past_injector=shares[0],
        to_plenum=shares[1],
        in_cylinder=shares[2],
        to_exhaust=shares[3],
        too_long=spray.spray_angle > last - first,
    )


def wanted(flow: PortFlow, strategy: Strategy) -> tuple[float, float]:
    """Return between which angles [crank deg] a strategy wants fuel to arrive."""
    course = flow.course
    if strategy is Strategy.CLOSED_VALVE:
        return course.closes, course.intake_opens
    return max(course.intake_opens, course.exhaust_closes, flow.swallowed()), course.closes + 720.0


def _misplaced_in_steps(flow: PortFlow, fates: Fates, strategy: Strategy, first: float, last: float) -> Array:
    """Return the misplaced share of fuel arriving in each degree."""
    left, right = flow.angle[:-1], flow.angle[1:]
    inside = np.clip(np.minimum(right, last) - np.maximum(left, first), 0.0, None) / (right - left)
    lost = fates.to_plenum + fates.to_exhaust if strategy is Strategy.CLOSED_VALVE else fates.in_cylinder.max() - fates.in_cylinder
    return np.asarray(1.0 - inside + inside * 0.5 * (lost[:-1] + lost[1:]))


def _over_pulse(bad: Array, length: float) -> Array:
    """Return the misplaced share of a pulse so long [steps] by the step at which it has all arrived; what arrives in the cycle before is misplaced."""
    steps = len(bad)
    length = min(max(length, 1e-6), float(steps))
    sums = np.concatenate([np.arange(steps, dtype=float), steps + np.concatenate([[0.0], np.cumsum(bad)])])
    ends = np.arange(steps, 2 * steps + 1)
    before = np.interp(ends - length, np.arange(2 * steps + 1), sums)
    return np.asarray((sums[ends] - before) / length)


def _longest_run(good: NDArray[np.bool_]) -> tuple[int, int]:
    """Return first and last index of the longest run of true; -1 where there is none."""
    change = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
    if change.size == 0:
        return -1, -1
    starts, ends = change[::2], change[1::2] - 1
    longest = int(np.argmax(ends - starts))
    return int(starts[longest]), int(ends[longest])


def _pulse_mean(angle: Array, values: Array, start: float, end: float) -> float:
    """Return the mean of a share over arrivals between two angles; the cycle repeats."""
    if end - start < 1e-6:
        return float(np.interp(angle[0] + (end - angle[0]) % 720.0, angle, values))
    sums = np.concatenate([[0.0], np.cumsum(0.5 * (values[:-1] + values[1:]) * np.diff(angle))])

    def before(at: float) -> float:
        turns, rest = divmod(at - float(angle[0]), 720.0)
        return turns * float(sums[-1]) + float(np.interp(rest, angle - angle[0], sums))

    return (before(end) - before(start)) / (end - start)


def choose_placement(closed: Placement, opened: Placement) -> tuple[Strategy, InjectionReason]:
    """Return the strategy to follow and why: the closed valve where it fits, then the open one, else the one that misplaces less."""
    if closed.fits:
        return Strategy.CLOSED_VALVE, InjectionReason.FITS_CLOSED_VALVE
    if opened.fits:
        return Strategy.OPEN_VALVE, InjectionReason.TOO_LONG_FOR_CLOSED_VALVE if closed.too_long else InjectionReason.BLOWN_OFF_CLOSED_VALVE
    better = Strategy.CLOSED_VALVE if closed.misplaced <= opened.misplaced else Strategy.OPEN_VALVE
    return better, InjectionReason.TOO_LONG_FOR_BOTH if closed.too_long and opened.too_long else InjectionReason.MISPLACED_ON_BOTH

"""Where one cylinder's fuel goes by when its injection ends: on the shut intake valve, or past the open one.

Inside, angles are those of the cycle: firing top dead centre 360, the one between exhaust and intake stroke 720; ends of
injection come out before the latter.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..cycle.tracer import Fates, PortFlow

__all__ = ["OPEN", "SHUT", "Placement", "Spray", "choose_placement", "place"]

Array = NDArray[np.float64]

SHUT, OPEN = "shut valve", "open valve"
OVERLAP_TOP = 720.0
AS_GOOD = 1e-3  # misplaced shares this near count as equal


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


def place(flow: PortFlow, fates: Fates, spray: Spray, *, strategy: str, limit: float, margin: float) -> Placement:
    """Return one strategy's window and best end.

    Parameters
    ----------
    flow : PortFlow
    fates : Fates
        Traced in ``flow``.
    spray : Spray
    strategy : str
        ``"shut valve"`` or ``"open valve"``.
    limit : float
        Largest misplaced share allowed.
    margin : float [crank deg]
        How far before intake opening shut-valve fuel should have arrived.

    Notes
    -----
    Misplaced is fuel that arrives outside what the strategy wants, or ends in plenum or exhaust; on the open valve also fuel
    that is not in the cylinder by intake closing, beyond what a late closing pushes back of any mixed charge.
    """
    first, last = wanted(flow, strategy)
    bad = _misplaced_in_steps(flow, fates, strategy, first, last)
    arrival, mean = flow.angle, _over_pulse(bad, spray.spray_angle)
    low, high = _longest_run(mean < limit)
    if strategy == SHUT:
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


def wanted(flow: PortFlow, strategy: str) -> tuple[float, float]:
    """Return between which angles [crank deg] a strategy wants fuel to arrive."""
    course = flow.course
    if strategy == SHUT:
        return course.closes, course.intake_opens
    return max(course.intake_opens, course.exhaust_closes, flow.swallowed()), course.closes + 720.0


def _misplaced_in_steps(flow: PortFlow, fates: Fates, strategy: str, first: float, last: float) -> Array:
    """Return the misplaced share of fuel arriving in each degree."""
    left, right = flow.angle[:-1], flow.angle[1:]
    inside = np.clip(np.minimum(right, last) - np.maximum(left, first), 0.0, None) / (right - left)
    lost = fates.to_plenum + fates.to_exhaust if strategy == SHUT else fates.in_cylinder.max() - fates.in_cylinder
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


def choose_placement(shut: Placement, opened: Placement) -> tuple[str, str]:
    """Return the strategy to follow and why, in words."""
    blown = f"{shut.past_injector:.0%} would be blown past the injector and {shut.to_plenum:.0%} into the plenum"
    if shut.fits:
        kept = f"{shut.past_injector:.0%} goes up past the injector for a while, {shut.to_plenum:.0%} into the plenum"
        return SHUT, f"{SHUT}: there the fuel has most time to evaporate; {kept}"
    if opened.fits:
        return OPEN, f"{OPEN}: " + ("the pulse is too long for the shut valve" if shut.too_long else f"on the shut valve {blown}")
    better, least = (SHUT, shut) if shut.misplaced <= opened.misplaced else (OPEN, opened)
    missed = f"{shut.misplaced:.0%} misplaced on the shut valve, {opened.misplaced:.0%} on the open one"
    if shut.too_long and opened.too_long:
        return f"too long for either: ends for the {better}", f"too long for either: {missed}"
    return f"neither is clean: ends for the {better}", f"neither is clean: {missed}; of that {least.to_plenum:.0%} goes into the plenum at the end given"

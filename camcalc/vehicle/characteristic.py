"""Roots of a loop given as a function of complex frequency: followed from roots known, and counted, so that none is missed."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import NoSolutionError

__all__ = ["Region", "count_zeros", "followed", "newton", "roots_in"]

Complex = NDArray[np.complex128]
Function = Callable[[Complex], Complex]

# Newton's method: relative step of the slope, relative stop, most steps.
STEP, STOP, MOST = 1e-6, 1e-12, 30
# A contour is refined until no piece turns the function by more than this [rad], and no further than so many pieces.
MOST_TURN, MOST_PIECES = 1.0, 20_000
# Nor into pieces shorter than this, relative to the region.
SHORTEST = 1e-12
FIRST_PIECES = 40
# A root followed lies no further from where its way points than this, relative; else smaller steps.
NEAR = 0.1
# Two roots nearer than this, relative, are one found twice.
SAME = 1e-6
# With poles among them roots are sought from a net of so many starts each way.
NET = 8
# Where zeros are counted a region is halved this often before Newton's method starts from its middle; halves are cut here, or, where a zero lies, there.
HALVINGS, CUTS = 14, (0.5, 0.47, 0.54)


class Region(NamedTuple):
    """A rectangle in the plane of complex frequency [1/s]."""

    left: float
    right: float
    low: float
    high: float

    def holds(self, s: complex) -> bool:
        """Whether a frequency lies within."""
        return self.left <= s.real <= self.right and self.low <= s.imag <= self.high

    @property
    def corners(self) -> list[complex]:
        """Corners against the clock, the first once more at the end."""
        a, b = complex(self.left, self.low), complex(self.right, self.low)
        c, d = complex(self.right, self.high), complex(self.left, self.high)
        return [a, b, c, d, a]


def newton(function: Function, start: complex, *, leash: float = math.inf) -> complex | None:
    """Return the root that Newton's method reaches from a start; None if it reaches none, or goes further than ``leash`` [1/s].

    >>> abs(newton(lambda s: s * s + 4.0, 0.1 + 1.5j) - 2j) < 1e-12
    True
    """
    s = start
    for _ in range(MOST):
        h = STEP * max(abs(s), 1e-3)
        value, ahead, behind = (complex(v) for v in function(np.array([s, s + h, s - h])))
        slope = (ahead - behind) / (2.0 * h)
        if not (np.isfinite(value) and np.isfinite(slope)) or slope == 0.0:
            return None
        step = value / slope
        s -= step
        if abs(s - start) > leash:
            return None
        if abs(step) <= STOP * abs(s):
            return s
    return s if abs(step) <= 1e3 * STOP * abs(s) else None


def followed(family: Callable[[float], Function], start: complex, *, steps: int = 6) -> complex | None:
    """Return where a root of ``family(0)`` goes as its argument goes to one.

    Parameters
    ----------
    family : callable
        The function for a strength from 0 to 1.
    start : complex
        Root at zero [1/s].
    steps : int
        From zero to one; halved, down to a hundredth of one, where a root moves far.
    """
    root, before, strength, step = start, start, 0.0, 1.0 / steps
    while strength < 1.0:
        to = min(strength + step, 1.0)
        guess = root + (root - before) * (1.0 if strength else 0.0)
        found = newton(family(to), guess, leash=NEAR * abs(root))
        if found is None:
            if step < 1e-2 / steps:
                return None
            step *= 0.5
            before = root
            continue
        before, root, strength = root, found, to
    return root


def count_zeros(function: Function, region: Region) -> int:
    """Return how many zeros of an analytic function lie in a region: how often its value turns about zero along the border.

    Parameters
    ----------
    function : callable
        Of an array of complex frequencies [1/s]; without poles in the region.
    region : Region

    Raises
    ------
    NoSolutionError
        If a zero or a pole lies on the border.

    References
    ----------
    Textbook: the argument principle.

    Examples
    --------
    >>> count_zeros(lambda s: (s - 1j) * (s - 2j) * (s + 9.0), Region(-1.0, 1.0, 0.5, 3.0))
    2
    """
    corners = region.corners
    along = np.linspace(0.0, 1.0, FIRST_PIECES, endpoint=False)
    points = np.concatenate([*(a + (b - a) * along for a, b in itertools.pairwise(corners)), corners[-1:]])
    values = function(points)
    before: int | None = None
    while True:
        size = np.abs(values)
        if not np.all(np.isfinite(values)) or np.any(size < np.finfo(float).tiny):
            raise NoSolutionError("a zero or a pole lies on the border of the region", fix="take another region")
        ways = values / size
        turns = np.angle(ways[1:] * ways[:-1].conj())
        wide = np.flatnonzero(np.abs(turns) > MOST_TURN)
        if not wide.size:
            # A piece that turns by nearly a whole turn looks like one that hardly turns: halved once more, all must say the same.
            total = round(float(turns.sum()) / (2.0 * math.pi))
            if total == before:
                return total
            before, wide = total, np.arange(len(turns))
        if len(points) > MOST_PIECES or np.any(np.abs(np.diff(points)[wide]) < SHORTEST * max(abs(corners[0]), abs(corners[2]))):
            raise NoSolutionError("a zero or a pole lies on the border of the region", fix="take another region")
        between = 0.5 * (points[wide] + points[wide + 1])
        points, values = np.insert(points, wide + 1, between), np.insert(values, wide + 1, function(between))


def roots_in(function: Function, region: Region, known: Sequence[complex], *, poles: int = 0) -> list[complex]:
    """Return every root in a region by rising frequency: those known that lie in it, and, if the count says there are more, others.

    Parameters
    ----------
    function : callable
        Of an array of complex frequencies [1/s].
    region : Region
    known : sequence of complex
        Roots [1/s], wherever they lie.
    poles : int
        How many poles of the function lie in the region.

    Raises
    ------
    NoSolutionError
        If fewer are found than there are.
    """
    wanted = count_zeros(function, region) + poles
    found: list[complex] = []

    def add(root: complex | None) -> None:
        if root is not None and region.holds(root) and all(abs(root - other) > SAME * abs(root) for other in found):
            found.append(root)

    for root in known:
        add(root)
    if len(found) < wanted:
        net = [complex(x, y) for x in np.linspace(region.left, region.right, NET) for y in np.linspace(region.low, region.high, NET)]
        for start in [*_where(function, region), *(net if poles else [])]:
            add(newton(function, start, leash=max(region.right - region.left, region.high - region.low)))
    if len(found) != wanted:
        raise NoSolutionError(f"of {wanted} roots of a loop {len(found)} are found")
    return sorted(found, key=abs)


def _where(function: Function, region: Region) -> list[complex]:
    """Return a point close to each zero in a region, by counting in halves of halves."""
    regions = [region]
    for _ in range(HALVINGS):
        halves: list[Region] = []
        for whole in regions:
            for cut in CUTS:
                parts = _halved(whole, cut)
                try:
                    halves += [part for part in parts if count_zeros(function, part) > 0]
                except NoSolutionError:
                    continue
                break
            else:
                halves.append(whole)
        regions = halves
    return [complex(0.5 * (r.left + r.right), 0.5 * (r.low + r.high)) for r in regions]


def _halved(region: Region, cut: float) -> tuple[Region, Region]:
    if region.right - region.left > region.high - region.low:
        middle = region.left + cut * (region.right - region.left)
        return region._replace(right=middle), region._replace(left=middle)
    middle = region.low + cut * (region.high - region.low)
    return region._replace(high=middle), region._replace(low=middle)

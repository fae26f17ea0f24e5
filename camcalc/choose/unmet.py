"""Why no card keeps every want: which is out of reach, or which contradict, and the nearest that can be had of each."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .asking import Asked, settle_road
from .figures import UNITS, limit_of, nearest_value, usable
from .records import Outcome, Reach
from .search import Search
from .wants import Want

__all__ = ["Unmet", "why_none"]

Array = NDArray[np.float64]

# A card that the surrogate lets keep the other wants is settled; where it does not keep them, the next is, so many times.
TRIES = 8
# Where a gear surges at the wanted speed, speeds above it are tried by so many steps of so much [rev/s]: each takes seconds.
SURGE_STEP, SURGE_STEPS = 100.0 / 60.0, 12


class Unmet(NamedTuple):
    """Why no card keeps every want: what came of it, the nearest of each want named, and which wants these are."""

    outcome: Outcome
    reaches: tuple[Reach, ...]
    clash: tuple[Want, ...]


def why_none(search: Search) -> Unmet:
    """Return what came of a search that found no card: the outcome, the nearest values with the cards they are had at, settled, and what contradicts.

    A want is out of reach where even the card that serves it best, settled, breaks it. Otherwise the first two that no card keeps together contradict,
    or all of them where every two can be kept.
    """
    demands = search.wants.demands
    alone: list[Reach] = []
    for k, _ in enumerate(demands):
        reach, kept = _alone(search, k)
        if not kept:
            alone.append(reach)
    if alone:
        return Unmet(Outcome.UNREACHABLE, tuple(alone), tuple(reach.want for reach in alone))
    good = _good(search)
    clash = _clash(good)
    found = []
    for k in clash:
        others = [j for j in range(len(demands)) if j != k]
        found.append(_nearest_beside(search, k, others, True) or _nearest_beside(search, k, [j for j in clash if j != k], False) or _alone(search, k)[0])
    return Unmet(Outcome.CONTRADICT, tuple(found), tuple(demands[k].want for k in clash))


def _alone(search: Search, k: int) -> tuple[Reach, bool]:
    """Return the nearest that can be had of a want whatever becomes of the others, and whether it is kept there."""
    return _reach(search, k, _best(search, k, np.ones(len(search.points), dtype=bool)), others_kept=False)


def _nearest_beside(search: Search, k: int, others: Sequence[int], whole: bool) -> Reach | None:
    """Return the nearest that can be had of a want at a card that keeps some others, settled; nothing where no card looked at does.

    Parameters
    ----------
    search : Search
    k : int
        The want, by its place among the demands.
    others : sequence of int
        The wants that must be kept, likewise.
    whole : bool
        Whether these are all the others.
    """
    for _ in range(TRIES):
        allowed: NDArray[np.bool_] = np.all(_good(search)[:, list(others)], axis=1)
        if not allowed.any():
            return None
        place = _best(search, k, allowed)
        search.runs.settled(place)
        if _good(search)[place, list(others)].all():
            return _reach(search, k, place, others_kept=whole)[0]
        search.refresh()
    return None


def _good(search: Search) -> NDArray[np.bool_]:
    """Return which cards keep each want, a column a want: by the engine itself where it was asked, else by the surrogate."""
    good: NDArray[np.bool_] = search.odds.margins >= 0.0
    for place, settled in search.runs.settled_cards().items():
        for k, demand in enumerate(search.wants.demands):
            surges = demand.want is Want.LOWEST_USABLE and search.surges(place)
            good[place, k] = demand.margin(settled.figures[demand.figure]) >= 0.0 and not surges
    return good


def _clash(good: NDArray[np.bool_]) -> tuple[int, ...]:
    """Return the least set of wants that no card keeps together, by their columns."""
    count = good.shape[1]
    for size in range(2, count):
        for some in itertools.combinations(range(count), size):
            if not good[:, some].all(axis=1).any():
                return some
    return tuple(range(count))


def _best(search: Search, k: int, allowed: NDArray[np.bool_]) -> int:
    """Return the allowed card that serves a want best; of equal ones the longest."""
    places = np.flatnonzero(allowed)
    margins = search.odds.margins[places, k]
    top = places[margins >= margins.max() - 1e-9 * max(abs(float(margins.max())), 1.0)]
    return int(top[int(np.argmax(search.durations[top]))])


def _reach(search: Search, k: int, place: int, *, others_kept: bool) -> tuple[Reach, bool]:
    """Return what a card reaches of a want, settled, and whether it keeps it."""
    demand, runs = search.wants.demands[k], search.runs
    settled = runs.settled(place)
    kept = demand.margin(settled.figures[demand.figure]) >= 0.0
    asked = runs.asked(search.card(place))
    if kept and demand.want is Want.LOWEST_USABLE and search.on_road(place) is not None and search.surges(place):
        kept, nearest, unit = False, 60.0 * lowest_usable_from(asked, asked.wants.road_speed + SURGE_STEP), "rpm"
    else:
        nearest, unit = nearest_value(asked, demand, settled)
        if demand.want is Want.LOWEST_USABLE and not kept:
            # Smooth enough from there up; surge is looked at from there up.
            nearest = 60.0 * lowest_usable_from(asked, nearest / 60.0)
    limit = 60.0 * search.wants.road_speed if demand.want is Want.LOWEST_USABLE else limit_of(search.build, demand, search.wants)
    return Reach(demand.want, limit, nearest, unit or UNITS[demand.want], asked.cam.name, others_kept), kept


def lowest_usable_from(asked: Asked, speed: float) -> float:
    """Return the lowest speed from which a gear is usable, surge looked at, from a speed up by whole steps [rev/s]; not-a-number where there is none."""
    for k in range(SURGE_STEPS if math.isfinite(speed) else 0):
        tried = speed + k * SURGE_STEP
        if usable(asked.build, settle_road(asked._replace(wants=asked.wants._replace(road_speed=tried)))):
            return tried
    return math.nan

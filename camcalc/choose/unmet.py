"""Why no card keeps every want: which is out of reach, or which contradict, and the nearest that can be had of each."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from .figures import UNITS, limit_of, nearest_value
from .records import Outcome, Reach
from .search import Search
from .wants import Want

__all__ = ["why_none"]

Array = NDArray[np.float64]


def why_none(search: Search) -> tuple[Outcome, tuple[Reach, ...], tuple[Want, ...]]:
    """Return what came of a search that found no card: the outcome, the nearest values with the cards they are had at, settled, and what contradicts.

    A want is out of reach where even the card that serves it best, settled, breaks it. Otherwise the first two that no card keeps together contradict,
    or all of them where every two can be kept.
    """
    demands = search.wants.demands
    alone: list[Reach] = []
    for k, _ in enumerate(demands):
        place = _best(search, k, np.ones(len(search.points), dtype=bool))
        reach, kept = _reach(search, k, place, others_kept=False)
        if not kept:
            alone.append(reach)
    if alone:
        return Outcome.UNREACHABLE, tuple(alone), tuple(reach.want for reach in alone)
    good = search.odds.margins >= 0.0
    clash = _clash(good)
    found = []
    for k in clash:
        others = [j for j in range(len(demands)) if j != k]
        allowed: NDArray[np.bool_] = np.all(good[:, others], axis=1)
        whole = bool(allowed.any())
        if not whole:
            allowed = np.all(good[:, [j for j in clash if j != k]], axis=1)
        found.append(_reach(search, k, _best(search, k, allowed if allowed.any() else np.ones(len(good), dtype=bool)), others_kept=whole)[0])
    return Outcome.CONTRADICT, tuple(found), tuple(demands[k].want for k in clash)


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
    nearest, unit = nearest_value(asked, demand, settled)
    limit = 60.0 * search.wants.road_speed if demand.want is Want.LOWEST_USABLE else limit_of(search.build, demand, search.wants)
    return Reach(demand.want, limit, nearest, unit or UNITS[demand.want], asked.cam.name, others_kept), kept

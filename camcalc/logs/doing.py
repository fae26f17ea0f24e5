"""Whose doing the surge of a log is, in shares: the one place where the causes of its episodes are weighed against one another."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from ..tables.table import SparkTable
from .cause_shares import cause_of
from .causes import Cause, CauseNote, SurgeCause
from .surge_finder import SurgeEpisode
from .taken_away import Remedy

__all__ = ["UNTOLD", "Doing", "owns", "step_left", "table_share", "whose_doing"]

# With these the log does not tell whose doing it is: their share goes to nobody.
UNTOLD = frozenset({Cause.UNKNOWN, Cause.NO_SPARK, Cause.NO_TABLE, Cause.NOT_TOLD})
# A share below this is not listed; ESTIMATE.
LEAST_SHARE = 0.005


class Doing(NamedTuple):
    """A cause and its share of the surge, from 0 to 1; no cause is the share of which the log does not tell."""

    cause: Cause | None
    share: float


def whose_doing(episodes: Sequence[SurgeEpisode], causes: Sequence[SurgeCause]) -> tuple[Doing, ...]:
    """Return the causes of surge by their shares, largest first, what no cause accounts for last; nothing without surge.

    Each episode weighs as its energy: the square of the speed's amplitude by the time it lasts. Each cause has the share of the swing that
    would be gone without it. Where that is not known, the cause has the share of the spark's swing that it accounts for, all of it where it is
    none of the spark's, and the table its own share where the cause is another.

    Parameters
    ----------
    episodes : sequence of SurgeEpisode
    causes : sequence of SurgeCause
        One for each episode.
    """
    shares: defaultdict[Cause | None, float] = defaultdict(float)
    for episode, cause in zip(episodes, causes, strict=True):
        weight = float(episode.si.speed_amplitude**2 * (episode.si.end - episode.si.start))
        for who, share in _parts(cause):
            shares[who] += weight * share
    whole = sum(shares.values())
    told = [Doing(who, share / whole) for who, share in shares.items() if share >= LEAST_SHARE * whole > 0.0]
    return tuple(sorted(told, key=lambda one: (one.cause is None, -one.share)))


def _parts(found: SurgeCause) -> list[tuple[Cause | None, float]]:
    """Return who has which share of one episode; they sum to one."""
    if found.cause in UNTOLD:
        return [(None, 1.0)]
    if found.cause is Cause.BURN and CauseNote.SHARE_NOT_TOLD in found.notes:
        # Spark is flat, so it is not the spark. Whether burns or what the driver did before is not known of so short a swing.
        return [(None, 1.0)]
    if found.taken:
        return _one_after_another(found)
    own = min(max(found.explained, 0.0), 1.0) if math.isfinite(found.explained) else 1.0
    if found.cause is Cause.TABLE or not math.isfinite(found.table_explained):
        return [(found.cause, own), (None, 1.0 - own)]
    table = min(max(found.table_explained, 0.0), 1.0 - own)
    return [(found.cause, own), (Cause.TABLE, table), (None, 1.0 - own - table)]


def _one_after_another(found: SurgeCause) -> list[tuple[Cause | None, float]]:
    """Return who has which share of the swing's amplitude, each by what it takes of what those before it leave.

    What spark and pedal do comes first, most first: they make more of what burns begin. Burns and fuel have the rest, as far as they shake at all;
    what damps the swing has none.
    """
    has: defaultdict[Cause | None, float] = defaultdict(float)
    left = 1.0
    for one in sorted(found.taken, key=lambda one: (one.remedy is Remedy.BURN_HALVED, -one.share)):
        # Burns half as rough take half of what burns alone do; by then no slope feeds the swing.
        share = one.share if math.isnan(one.on_level) else one.on_level
        takes = left * min(max(share, 0.0) * (2.0 if one.remedy is Remedy.BURN_HALVED else 1.0), 1.0)
        cause = cause_of(one.remedy, found.follows or found.cause)
        has[None if cause in UNTOLD else cause] += takes
        left -= takes
    return [*has.items(), (None, left)]


def owns(cause: SurgeCause) -> bool:
    """Return whether the table decides enough of an episode to be lowered for it; by what spark follows where shares are not told."""
    return cause.table_owns if math.isfinite(cause.table_share) else cause.cause is Cause.TABLE


def table_share(episodes: Sequence[SurgeEpisode], causes: Sequence[SurgeCause]) -> float:
    """Return what a level table would take off the swing, episodes by their time; not-a-number where none tells."""
    told = [(c.table_share, float(e.si.end - e.si.start)) for e, c in zip(episodes, causes, strict=True) if math.isfinite(c.table_share)]
    return float(np.average([share for share, _ in told], weights=[lasts for _, lasts in told])) if told else math.nan


def step_left(causes: Sequence[SurgeCause], lowered: SparkTable) -> float:
    """Return the largest step [crank deg] between cells of a lowered table that surge of the table crosses."""
    cells = lowered.si.cells
    return max((abs(float(cells[s.other] - cells[s.one])) for cause in causes if owns(cause) for s in cause.steps), default=0.0)

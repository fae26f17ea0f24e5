"""Which of two builds has the better street manners: the figures that count for its transmission, and what no figure outweighs."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from ..advice.brakes import too_little
from ..results import Record
from .findings import Better, DecidedBy

if TYPE_CHECKING:
    from .judging import ComparedFigure

__all__ = ["MUST", "Verdict", "counted_figures", "verdict_on"]

# What counts, in the order shown; each figure has one vote. A clutch car pulls away and cruises near reversion with nothing to soften
# it; a converter loads the idle at every halt and softens the rest until it locks. Common practice, no source.
CLUTCH = ("unstable_road_speed_{gear}", "slow_shaking", "cruise_shaking", "lowest_steady_speed", "vacuum", "air_0_1")
CONVERTER = ("vacuum_in_drive", "variation_in_drive", "lowest_steady_speed", "cruise_shaking")
# The idle vacuum that counts: without any the engine stalls at a halt, without enough the car does not stop. No vote outweighs that.
MUST = {"clutch": "vacuum", "locked automatic": "vacuum", "converter": "vacuum_in_drive"}


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Verdict(Record):
    """Which of two builds suits a transmission, what that rests on, and the names of the figures that favour either or neither.

    ``idles`` and ``has_brakes`` say of each build whether it idles at its own speed there and leaves a common booster enough vacuum.
    """

    transmission: str
    choice: Better
    decided_by: DecidedBy
    for_a: tuple[str, ...]
    for_b: tuple[str, ...]
    alike: tuple[str, ...]
    idles: tuple[bool, bool]
    has_brakes: tuple[bool, bool]


def counted_figures(transmission: str, gear: int) -> tuple[str, ...]:
    """Return the names of the figures that count for a transmission, as a sheet names it; ``gear`` is the sampled one.

    >>> counted_figures("clutch", 3)[0]
    'unstable_road_speed_3'
    """
    return tuple(name.format(gear=gear) for name in (CONVERTER if transmission == "converter" else CLUTCH))


def verdict_on(items: Mapping[str, ComparedFigure], transmission: str, gear: int) -> Verdict:
    """Return the verdict for a transmission, as a sheet names it: a locked automatic counts as a clutch."""
    rows = [items[name] for name in counted_figures(transmission, gear)]
    for_a, for_b, alike = (tuple(r.name for r in rows if r.better is which) for which in (Better.A, Better.B, Better.NO_DIFFERENCE))
    must = items[MUST[transmission]]
    idles = math.isfinite(must.a), math.isfinite(must.b)
    left = [must.quantity(which).to("Pa").magnitude for which in ("a", "b")]
    brakes = idles[0] and not too_little(left[0]), idles[1] and not too_little(left[1])
    if idles[0] != idles[1]:
        choice, decided = (Better.A if idles[0] else Better.B), DecidedBy.IDLE
    elif brakes[0] != brakes[1] and must.better is (Better.A if brakes[0] else Better.B):
        choice, decided = must.better, DecidedBy.BRAKES  # where the difference of vacuum is a real one
    elif len(for_a) == len(for_b):
        choice, decided = (Better.TASTE, DecidedBy.BALANCE) if for_a else (Better.NO_DIFFERENCE, DecidedBy.NO_FIGURE)
    else:
        choice, decided = (Better.A if len(for_a) > len(for_b) else Better.B), DecidedBy.FIGURES
    return Verdict(transmission=transmission, choice=choice, decided_by=decided, for_a=for_a, for_b=for_b, alike=alike, idles=idles, has_brakes=brakes)

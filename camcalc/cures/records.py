"""What is found of cures: the troubles, each change with its figures, and the ranking."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping

from ..cautions import AT_CURES
from ..codes import Code
from ..marks import Marks
from ..results import Measure, Record, measure
from ..vehicle.coupling import Coupling
from .changes import ChangeFigures, ChangeKind, NoFigure

__all__ = ["Cure", "CureFigures", "CureRanking", "Trouble"]


class Trouble(Code):
    """What a cure is put against; each is a figure over the level where it begins."""

    IDLE = "COV of IMEP at idle"
    BRAKES = "too little vacuum for the brakes"
    CRUISE = "COV of IMEP on the road"
    SHAKING = "shaking along the road"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CureFigures(Record):
    """What a build does at idle and on the road, or how that moves; missing where there is no answer. Idle is in drive with a converter."""

    speed: Measure = measure("crank_rps", "rpm", doc="of the crank on the road")
    idle_variation: Measure = measure("", "percent", doc="coefficient of variation of gross IMEP")
    idle_vacuum: Measure = measure("Pa", "inHg")
    idle_speed_change: Measure = measure("crank_rps", "rpm", doc="r.m.s. from one cycle to the next, by unequal work alone")
    idle_fuel: Measure = measure("kg/s", "g/s")
    cruise_variation: Measure = measure("", "percent", doc="at best-torque spark")
    cruise_fuel: Measure = measure("kg/m", "g/km", doc="at best-torque spark")
    frequency: Measure = measure("Hz", doc="of the least damped mode, on the table's spark as all that follow")
    damping: Measure = measure("", doc="over critical; below zero the car bucks by itself")
    acceleration: Measure = measure("m/s**2", doc="r.m.s. along the road; infinite without damping")
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Cure(Record):
    """A change, how far it goes, the figures with it, and how they moved against no change; notes say why it or a figure has no answer.

    ``removes`` is the share of the trouble ranked by that it takes away, below zero where it adds; ``mean_removed`` that of all troubles.
    """

    name: ChangeKind
    change: ChangeFigures
    gear: int
    coupling: Coupling
    tried: bool
    removes: Measure = measure("", "percent")
    mean_removed: Measure = measure("", "percent")
    makes_worse: tuple[Trouble, ...]
    notes: tuple[NoFigure, ...]
    figures: CureFigures
    moved: CureFigures


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CureRanking(Record):
    """What was tried against a build's troubles, best first; ``none`` is the build as it is, ``against`` the trouble ranked by.

    ``troubles`` has, by the code of each trouble, its figure over the level where it begins. ``swings``: whether work varies more than in
    normal running at the road speed looked at. ``has_table``: whether there was a spark table to damp and shake on.
    """

    model: str
    transmission: str
    gear: int
    speed: Measure = measure("crank_rps", "rpm")
    road_speed: Measure = measure("m/s", "km/h")
    swings: bool
    has_table: bool
    against: Trouble
    troubles: Mapping[str, float]
    none: Cure
    cures: tuple[Cure, ...]
    cautions: tuple[str, ...] = AT_CURES

    @property
    def in_trouble(self) -> bool:
        """Whether any trouble is past the level where it begins."""
        return max(self.troubles.values()) >= 1.0

    def __str__(self) -> str:
        lines = [*self.cautions, *(f"{name:<14}{value}" for name, value in self.rows())]
        lines.append(f"{'cure':<22}{'removes':>10}  no answer")
        for c in self.cures:
            share = "" if math.isnan(c.si.removes) else f"{100.0 * c.si.removes + 0.0:.1f} %"
            lines.append(f"{c.name.meaning:<22}{share:>10}  {'; '.join(note.meaning for note in c.notes)}".rstrip())
        return "\n".join(lines)

"""What was learned from a car, as records."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any, ClassVar

from ..advice.bands import Headline, Uncertain
from ..cautions import AT_IDLE_SPARK, ON_THE_ROAD
from ..codes import Code
from ..marks import Marks
from ..results import Record
from ..sheet.learned import Learned
from .observed import Quantity
from .prior import Fault

__all__ = ["FaultFound", "LearnedFigure", "LearnedInput", "Learning", "LearningOutcome", "NextReading", "ReadingFound"]


class LearningOutcome(Code):
    """What the readings say of the sheet as a whole."""

    AGREES = "the readings agree with the sheet"
    CONTRADICTS = "the readings contradict the sheet, or one another"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ReadingFound(Record):
    """A reading in ``unit``: what was read and how closely, the 80 % that the sheet allowed before, what all other readings expect and within what,
    and how many of these deviations it is off. ``used`` is false where the model has no answer for too many cars."""

    row: int
    name: str
    quantity: Quantity
    unit: str
    value: float
    closeness: float
    allowed_low: float
    allowed_high: float
    expected: float
    within: float
    off: float
    used: bool


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class LearnedFigure(Record):
    """A headline figure before and after, in ``unit``: middle and 80 % band; ``narrowed`` is the band after over the band before, ``promised`` what
    readings of that kind and closeness were to be expected to leave of it."""

    headline: Headline
    name: str
    unit: str
    before: float
    before_low: float
    before_high: float
    after: float
    after_low: float
    after_high: float
    narrowed: float
    promised: float


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class LearnedInput(Record):
    """An input of the model, as a multiplier on what the sheet gives: middle and 80 % band after; ``moved`` in deviations of what it was before,
    ``narrowed`` its deviation after over that before."""

    input: Uncertain
    name: str
    factor: float
    low: float
    high: float
    moved: float
    narrowed: float


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class FaultFound(Record):
    """What may be wrong with the car: how many times better the readings are explained with it than without, and its size with its 80 % band, in ``unit``.

    ``by_chance`` is how often readings would lie so far off even so: a fault that leaves next to nothing to chance explains nothing.
    """

    fault: Fault
    times_better: float
    by_chance: float
    unit: str
    size: float
    low: float
    high: float
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class NextReading(Record):
    """What could be measured next: its row for the sheet, how long it takes, and what it should leave of the headline figures' bands, on average."""

    row: str
    what: str
    seconds: float
    leaves: float
    helps: Headline


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Learning(Record):
    """What a car's readings say. ``by_chance`` is how often readings of a car that the sheet allows lie so far off, all together.

    ``cars`` were run through the model, ``effective`` draws carry the answer. ``learned`` is what a sheet then says, none where the readings contradict,
    or where a fault of the car explains them ten times as well.
    """

    in_data: ClassVar[tuple[str, ...]] = ("cautions",)

    name: str
    model: str
    outcome: LearningOutcome
    by_chance: float
    readings: tuple[ReadingFound, ...]
    figures: tuple[LearnedFigure, ...]
    inputs: tuple[LearnedInput, ...]
    faults: tuple[FaultFound, ...]
    next: tuple[NextReading, ...]
    learned: Learned | None
    cars: int
    effective: float
    draws: tuple[dict[str, float], ...] = dataclasses.field(default=(), repr=False)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What stands before the figures."""
        return tuple(dict.fromkeys((*AT_IDLE_SPARK, *ON_THE_ROAD)))

    @property
    def contradicts(self) -> bool:
        """Whether nothing should rest on these readings before the reason is found."""
        return self.outcome is LearningOutcome.CONTRADICTS

    def figure(self, name: str) -> LearnedFigure:
        """Return a headline figure by its name."""
        found: Any = next((one for one in self.figures if one.name == name), None)
        if found is None:
            raise KeyError(name)
        return found

"""Points of the level road without an answer, and why: they are left out and listed, never passed over."""

from __future__ import annotations

import dataclasses

from ..codes import Code
from ..errors import NoSolutionError
from ..results import Measure, Record, measure

__all__ = ["NoAnswer", "NoRoadError", "SkippedPoint"]


class NoAnswer(Code):
    """Why a point of the level road has no answer."""

    TOO_LITTLE_TORQUE = "the engine makes too little torque there to hold the car"
    TOO_LIGHT = "the road asks for less load than the engine's tables hold"
    NOT_SETTLED = "cycles do not settle at the load that the road asks for"
    BEYOND_SPEEDS = "the engine's tables do not reach that speed"
    CONVERTER_DOES_NOT_HOLD = "the converter holds the car at no turbine speed below the engine's"
    NO_SLOPES = "cycles do not settle close by, so that no slopes can be taken"
    SWINGS_NOT_FOUND = "not every swing of engine and car is found there"
    SELF_EXCITED_ON_LEVEL = "self-excited bucking on a level table: no slope of the table fixes it"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SkippedPoint(Record):
    """A point of the level road without an answer."""

    gear: int
    speed: Measure = measure("crank_rps", "rpm")
    why: NoAnswer


class NoRoadError(NoSolutionError):
    """A gear that has no answer at any of the speeds asked for; ``skipped`` has each of them with its reason."""

    def __init__(self, gear: int, skipped: tuple[SkippedPoint, ...]) -> None:
        last = f" (at {60.0 * skipped[-1].si.speed:.0f} rpm: {skipped[-1].why})" if skipped else ""
        super().__init__(f"gear {gear} has no answer on the level at any of the speeds{last}", fix="take a lower gear, or other speeds")
        self.gear = gear
        self.skipped = skipped

"""What was measured on the car goes into the sheet, and every answer rests on it: readings, what they leave of the bands, what they contradict."""

from typing import TYPE_CHECKING, Any

from .records import FaultFound, LearnedFigure, LearnedInput, Learning, LearningOutcome, NextReading, ReadingFound

if TYPE_CHECKING:
    from .learning import learn_build

__all__ = ["FaultFound", "LearnedFigure", "LearnedInput", "Learning", "LearningOutcome", "NextReading", "ReadingFound", "learn_build"]


def __getattr__(name: str) -> Any:
    # A brief holds what was learned whether or not anything was; the statistics behind it take a second to load.
    if name == "learn_build":
        from .learning import learn_build

        return learn_build
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")

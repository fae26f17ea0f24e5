"""What was measured on the car goes into the sheet, and every answer rests on it: readings, what they leave of the bands, what they contradict."""

from .learning import learn_build
from .records import FaultFound, LearnedFigure, LearnedInput, Learning, LearningOutcome, NextReading, ReadingFound

__all__ = ["FaultFound", "LearnedFigure", "LearnedInput", "Learning", "LearningOutcome", "NextReading", "ReadingFound", "learn_build"]

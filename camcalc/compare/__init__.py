"""Builds side by side: which has the better street manners, in figures, with what is no real difference called so."""

from .builds import compare_builds
from .comparison import ComparedBuild, Comparison, Curves
from .findings import Better, ConverterFrom, DecidedBy, Group, NoFigure, TablesUsed, Why
from .judging import ComparedFigure, Spot
from .lineup import Lineup, LineupFigure
from .verdict import Verdict

__all__ = [
    "Better", "ComparedBuild", "ComparedFigure", "Comparison", "ConverterFrom", "Curves", "DecidedBy", "Group", "Lineup", "LineupFigure", "NoFigure", "Spot",
    "TablesUsed", "Verdict", "Why", "compare_builds",
]  # fmt: skip

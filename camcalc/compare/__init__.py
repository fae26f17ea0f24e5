"""Two cams side by side: which has the better street manners, in figures, with what is no real difference called so."""

from .builds import Comparison, Curves, compare_builds
from .rows import ComparedFigure
from .verdict import Verdict

__all__ = ["ComparedFigure", "Comparison", "Curves", "Verdict", "compare_builds"]

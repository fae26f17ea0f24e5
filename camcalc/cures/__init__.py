"""What else would cure it besides spark: each thing tried, put against no change, and ranked."""

from .changes import Change, ChangeFigures, ChangeKind, NoFigure, changes_of
from .ranking import cycle_speed_change, rank_cures
from .records import Cure, CureFigures, CureRanking, Trouble

__all__ = [
    "Change", "ChangeFigures", "ChangeKind", "Cure", "CureFigures", "CureRanking", "NoFigure", "Trouble", "changes_of", "cycle_speed_change", "rank_cures",
]  # fmt: skip

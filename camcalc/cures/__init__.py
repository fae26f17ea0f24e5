"""What else would cure it besides spark: each thing tried, put against no change, and ranked."""

from .changes import Change, changes_of
from .ranking import RULE, Cure, CureFigures, CureRanking, cycle_speed_change, rank_cures

__all__ = ["RULE", "Change", "Cure", "CureFigures", "CureRanking", "changes_of", "cycle_speed_change", "rank_cures"]

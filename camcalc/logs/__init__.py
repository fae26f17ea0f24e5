"""Driving logs: read, searched for surge, explained, compared."""

from .comparison import LogComparison, compare_logs
from .reading import DriveLog, read_log
from .review import LogReview, review_log
from .review_for_build import review_for_build
from .surge_finder import SurgeFindings, find_surge
from .swing import SignalSwing, measure_swing

__all__ = [
    "DriveLog",
    "LogComparison",
    "LogReview",
    "SignalSwing",
    "SurgeFindings",
    "compare_logs",
    "find_surge",
    "measure_swing",
    "read_log",
    "review_for_build",
    "review_log",
]

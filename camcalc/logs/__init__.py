"""Driving logs: read, searched for surge, explained, compared."""

from .comparison import LogComparison, compare_logs
from .reading import DriveLog, read_log
from .review import LogReview, review_log
from .surge_finder import SurgeFindings, find_surge

__all__ = ["DriveLog", "LogComparison", "LogReview", "SurgeFindings", "compare_logs", "find_surge", "read_log", "review_log"]

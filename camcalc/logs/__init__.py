"""Driving logs: read, searched for surge, explained, compared."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .comparison import LogComparison, compare_logs
    from .drawn import ReviewCurves, review_curves
    from .reading import DriveLog, read_log
    from .review import LogReview, review_log
    from .reviewed_for_build import review_for_build
    from .surge_finder import SurgeFindings, find_surge
    from .swing import SignalSwing, measure_swing

# Loaded when first asked for: what words need of a log loads no reader of files.
_HOME = {
    "LogComparison": ".comparison", "compare_logs": ".comparison", "DriveLog": ".reading", "read_log": ".reading", "LogReview": ".review",
    "review_log": ".review", "ReviewCurves": ".drawn", "review_curves": ".drawn", "review_for_build": ".reviewed_for_build",
    "SurgeFindings": ".surge_finder", "find_surge": ".surge_finder", "SignalSwing": ".swing", "measure_swing": ".swing",
}  # fmt: skip

__all__ = [
    "DriveLog",
    "LogComparison",
    "LogReview",
    "ReviewCurves",
    "SignalSwing",
    "SurgeFindings",
    "compare_logs",
    "find_surge",
    "measure_swing",
    "read_log",
    "review_curves",
    "review_for_build",
    "review_log",
]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(importlib.import_module(_HOME[name], __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")

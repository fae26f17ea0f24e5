"""Records in words: one module a subject, the only home of advice prose. What computes never imports it; what prints asks it."""

from . import (  # each registers its records
    drive_run,
    driving_log,
    gears,
    idle_swing,
    log_comparison,
    review,
    shaping,
    signal_swing,
    slopes,
    surge,
    surge_in_log,
)
from .describing import describe

__all__ = [
    "describe", "drive_run", "driving_log", "gears", "idle_swing", "log_comparison", "review", "shaping", "signal_swing", "slopes", "surge", "surge_in_log",
]  # fmt: skip

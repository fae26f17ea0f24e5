"""Records in words: one module a subject, the only home of advice prose. What computes never imports it; what prints asks it."""

from . import cures, drive_run, gears, idle_swing, road_test, slopes  # each registers what it words
from .describing import describe

__all__ = ["cures", "describe", "drive_run", "gears", "idle_swing", "road_test", "slopes"]

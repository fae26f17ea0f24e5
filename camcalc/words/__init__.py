"""Records in words: one module a subject, the only home of advice prose. What computes never imports it; what prints asks it."""

from . import (  # each registers what it words
    brakes,
    ceilings,
    cures,
    drive_run,
    engine_model,
    first_screen,
    fuel,
    gears,
    idle,
    idle_swing,
    injection,
    reversion,
    road_test,
    sensing,
    slopes,
    starting_table,
    trade_off,
)
from .describing import describe

__all__ = [
    "brakes",
    "ceilings",
    "cures",
    "describe",
    "drive_run",
    "engine_model",
    "first_screen",
    "fuel",
    "gears",
    "idle",
    "idle_swing",
    "injection",
    "reversion",
    "road_test",
    "sensing",
    "slopes",
    "starting_table",
    "trade_off",
]

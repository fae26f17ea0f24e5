"""Records in words: one module a subject, the only home of advice prose. What computes never imports it; what prints asks it."""

from . import brakes, ceilings, engine_model, idle, injection, reversion, sensing, starting_table, trade_off
from .describing import describe

__all__ = ["brakes", "ceilings", "describe", "engine_model", "idle", "injection", "reversion", "sensing", "starting_table", "trade_off"]

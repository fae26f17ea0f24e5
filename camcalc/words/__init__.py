"""Records in words: one module a subject, the only home of advice prose. What computes never imports it; what prints asks it."""

from . import cures, road_test
from .describing import describe

__all__ = ["cures", "describe", "road_test"]

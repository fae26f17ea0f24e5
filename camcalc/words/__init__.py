"""Records in words: one module a subject, the only home of advice prose. What computes never imports it; what prints asks it."""

from .describing import describe

__all__ = ["describe"]

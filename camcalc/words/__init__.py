"""Records in words: one module a subject, the only home of advice prose. What computes never imports it; what prints asks it.

The modules are loaded when ``describe`` is first asked for, so that a command which prints one subject does not load them all.
"""

from __future__ import annotations

import importlib
import pkgutil
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .describing import describe

__all__ = ["describe"]


def __getattr__(name: str) -> Any:
    if name != "describe":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    for module in pkgutil.iter_modules(__path__):
        importlib.import_module(f"{__name__}.{module.name}")  # each registers what it words
    found = importlib.import_module(f"{__name__}.describing").describe
    globals()["describe"] = found
    return found

"""The models of an engine, by name."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

from ..errors import InputError, did_you_mean
from .quick import QuickEngine
from .resolved import ResolvedEngine

__all__ = ["MODELS", "engine_kind"]

# Advice is solved to a tenth of a degree and of a kilopascal: these tolerances are well inside, and a third of the cost of the default ones.
MODELS: dict[str, Callable[..., Any]] = {"resolved": functools.partial(ResolvedEngine, rtol=1e-5, tolerance=1e-4), "quick": QuickEngine}


def engine_kind(model: str) -> Callable[..., Any]:
    """Return what makes an engine of a build: ``"resolved"`` (crank-resolved cycles) or ``"quick"`` (published closed forms).

    Raises
    ------
    InputError
        If there is no such model.
    """
    if model not in MODELS:
        raise InputError("model", came=model, expected=" or ".join(MODELS), fix=did_you_mean(model, MODELS))
    return MODELS[model]

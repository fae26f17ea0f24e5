"""The models of an engine, by name."""

from __future__ import annotations

import functools
from collections.abc import Callable

from ..errors import InputError, did_you_mean
from .operating import EngineModel
from .quick import QuickEngine
from .resolved import ResolvedEngine

__all__ = ["MODELS", "engine_kind", "sampled_kind"]

# Advice is solved to a tenth of a degree and of a kilopascal: these tolerances are well inside, and a third of the cost of the default ones.
MODELS: dict[str, Callable[..., EngineModel]] = {"resolved": functools.partial(ResolvedEngine, rtol=1e-5, tolerance=1e-4), "quick": QuickEngine}
# Sampled cycles are settled less closely, a sixth sooner: figures move by less than 0.3 %, bands are tens of times wider. Measured.
SAMPLED: dict[str, Callable[..., EngineModel]] = {"resolved": functools.partial(ResolvedEngine, rtol=3e-5, tolerance=5e-4)}


def engine_kind(model: str) -> Callable[..., EngineModel]:
    """Return what makes an engine of a build: ``"resolved"`` (crank-resolved cycles) or ``"quick"`` (published closed forms).

    Raises
    ------
    InputError
        If there is no such model.
    """
    if model not in MODELS:
        raise InputError("model", came=model, expected=" or ".join(MODELS), fix=did_you_mean(model, MODELS))
    return MODELS[model]


def sampled_kind(model: str) -> Callable[..., EngineModel]:
    """Return what makes an engine whose figures are sampled over the tolerances: as ``engine_kind``, settled less closely where that saves time."""
    return SAMPLED.get(model) or engine_kind(model)

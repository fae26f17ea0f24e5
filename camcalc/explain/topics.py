"""The topics that can be explained, and the way in."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from ..errors import InputError, did_you_mean
from .cam_topics import explain_effective_compression, explain_events, explain_overlap
from .ceiling_topic import explain_ceiling
from .idle_topics import explain_idle_vacuum, explain_residual
from .injection_topic import explain_injection
from .less_spark_topic import explain_less_spark
from .road_topics import explain_reversion
from .surge_topic import explain_surge

if TYPE_CHECKING:
    from ..sheet import Build
    from .worksheet import Explanation

__all__ = ["TOPICS", "explain_topic"]

TOPICS: dict[str, Callable[..., Explanation]] = {
    "overlap": explain_overlap,
    "events": explain_events,
    "effective compression": explain_effective_compression,
    "residual": explain_residual,
    "idle vacuum": explain_idle_vacuum,
    "reversion": explain_reversion,
    "ceiling": explain_ceiling,
    "less spark": explain_less_spark,
    "injection": explain_injection,
    "surge": explain_surge,
}


def explain_topic(build: Build, topic: str, **options: Any) -> Explanation:
    """Explain a topic on a build: formulas, the build's numbers in them, and where they stop being true.

    Parameters
    ----------
    build : Build
    topic : str
        One of ``TOPICS``; hyphens and underscores do for spaces.
    **options
        What the topic takes: ``at``, ``measured_at`` (cam); ``speed``, ``manifold_pressure``, ``gear`` (engine and road);
        ``drive``, ``accessories`` (idle vacuum); ``table`` (surge).

    Returns
    -------
    Explanation

    Raises
    ------
    InputError
        On a topic not known, or an option that it does not take.
    NoSolutionError
        If the engine does not run where it was asked about.

    Examples
    --------
    >>> from camcalc import load_build
    >>> told = explain_topic(load_build("examples/quarry-road/build.toml"), "overlap", at="0.050 inch")
    >>> round(told.answer("O").magnitude, 9)
    9.0
    """
    name = " ".join(topic.replace("-", " ").replace("_", " ").lower().split())
    if name not in TOPICS:
        raise InputError("topic", came=topic, expected="one of " + ", ".join(TOPICS), fix=did_you_mean(name, TOPICS))
    takes = [p.name for p in inspect.signature(TOPICS[name]).parameters.values() if p.kind is p.KEYWORD_ONLY]
    for option in options:
        if option not in takes:
            raise InputError(f"{name}: {option}", came=option, expected="an option of this topic", fix=did_you_mean(option, takes))
    return TOPICS[name](build, **options)

"""Explanations of the examples' topics, each worked out once, and the engines they rest on."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from camcalc import Build
    from camcalc.cycle.engine_tables import EngineTables
    from camcalc.cycle.operating import EngineModel
    from camcalc.explain import Explanation
    from camcalc.tables import SparkTable

SURGE_SPEED, SURGE_GEAR = 1400.0 / 60.0, 4


@pytest.fixture(scope="session")
def base(root: Path) -> SparkTable:
    """The spark table of the quarry-road example."""
    from camcalc.tables import read_table

    return read_table(root / "examples" / "quarry-road" / "spark.csv")


@pytest.fixture(scope="session")
def surge_tables_of(resolved_of: Callable[[str], EngineModel]) -> Callable[[str], EngineTables]:
    """Give an example's cycles about the point that surge is explained at."""

    @functools.cache
    def tables(name: str) -> EngineTables:
        from camcalc.explain.surge_topic import nearby_tables

        return nearby_tables(resolved_of(name), speed=SURGE_SPEED, gear=SURGE_GEAR)

    return tables


@pytest.fixture(scope="session")
def told(
    build_of: Callable[..., Build], resolved_of: Callable[[str], EngineModel], surge_tables_of: Callable[[str], EngineTables], base: SparkTable
) -> Callable[..., Explanation]:
    """Give an example's explanation of a topic."""

    @functools.cache
    def explain(name: str, topic: str) -> Explanation:
        from camcalc import explain_topic

        options: dict[str, Any] = {} if topic in ("overlap", "events", "effective compression") else {"engine": resolved_of(name)}
        if topic == "surge":
            options = {"engine_tables": surge_tables_of(name), "table": base, "gear": SURGE_GEAR}
        return explain_topic(build_of(name), topic, **options)

    return explain

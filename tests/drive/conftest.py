"""Tables of the examples' settled cycles, coarse for speed, each worked out once."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

if TYPE_CHECKING:
    from camcalc import Build, ResolvedEngine
    from camcalc.cycle.engine_tables import EngineTables
    from camcalc.tables import SparkTable

# Closest where a long cam's cycles cease to repeat, since next to there the tables do not answer.
TABLE_SPEEDS = np.array([800.0, 1000.0, 1200.0, 1400.0, 1700.0, 2000.0, 2350.0, 2700.0]) / 60.0
TABLE_PRESSURES = np.array([15e3, 20e3, 25e3, 32e3, 40e3, 45e3, 50e3, 55e3, 60e3, 65e3, 75e3])
TABLE_SPARKS = np.array([10.0, 18.0, 26.0, 34.0, 44.0])


@pytest.fixture(scope="session")
def tables_of(resolved_of: Callable[..., ResolvedEngine]) -> Callable[..., EngineTables]:
    """Give an example's coarse tables; arguments as for ``resolved_of``."""

    @functools.cache
    def tables(name: str, *, old: bool = False) -> EngineTables:
        from camcalc.cycle.engine_tables import engine_tables

        return engine_tables(resolved_of(name, old=old), TABLE_SPEEDS, TABLE_PRESSURES, TABLE_SPARKS)

    return tables


@pytest.fixture(scope="session")
def base(root: Path) -> SparkTable:
    """The spark table of the quarry-road example."""
    from camcalc.tables import read_table

    return read_table(root / "examples" / "quarry-road" / "spark.csv")


@pytest.fixture(scope="session")
def whole_tables_of(build_of: Callable[..., Build]) -> Callable[..., EngineTables]:
    """Give an example's tables in full, as surge makes them; arguments as for ``resolved_of``. Some ten seconds each."""

    @functools.cache
    def tables(name: str, *, old: bool = False) -> EngineTables:
        from camcalc.drive.engine_loop import tables_of

        return tables_of(build_of(name, old=old))

    return tables

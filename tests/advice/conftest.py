"""Resolved engines of the examples and their spark ceilings, each worked out once."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import pytest

if TYPE_CHECKING:
    from camcalc import ResolvedEngine
    from camcalc.advice.spark import SparkCeilings

# Speeds [rpm]: the long cams' zone lies between the idle's reach and 2000 rpm; mild cams are asked over the whole range.
LONG_SPEEDS = {
    "quarry-road": (1000.0, 1200.0, 1400.0, 1600.0, 1800.0, 2000.0, 2800.0),
    "dockside": (1000.0, 1400.0, 1600.0, 2000.0, 2800.0),
    "long-meadow": (1000.0, 1400.0, 2000.0),
}
MILD_SPEEDS = (800.0, 1000.0, 1200.0, 1500.0, 2000.0, 2500.0, 3000.0, 3500.0)
LONG_PRESSURES = np.array([40e3, 50e3, 60e3, 70e3, 80e3, 90e3])
MILD_PRESSURES = np.array([40e3, 60e3, 85e3])


@pytest.fixture(scope="session")
def ceilings_of(resolved_of: Callable[..., ResolvedEngine]) -> Callable[..., SparkCeilings]:
    """Give the ceilings of an example's resolved engine over a coarse grid."""

    @functools.cache
    def ceilings(name: str, *, old: bool = False) -> SparkCeilings:
        from camcalc.advice.spark import spark_ceilings

        speeds = MILD_SPEEDS if old else LONG_SPEEDS[name]
        return spark_ceilings(resolved_of(name, old=old), np.array(speeds) / 60.0, MILD_PRESSURES if old else LONG_PRESSURES)

    return ceilings

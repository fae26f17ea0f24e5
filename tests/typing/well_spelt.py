"""What mypy must accept: every way that the package reaches measured fields as floats."""

from __future__ import annotations

from typing import NamedTuple, assert_type

import numpy as np
from numpy.typing import NDArray

from camcalc import Build, CycleMap, SparkTable, load_build
from camcalc.array_record import ArrayRecord, ScalarMeasure
from camcalc.results import Measure, Record, measure
from camcalc.units import Quantity


class Own(Record):
    """A record of one number."""

    width: Measure = measure("m", "mm")

    def double(self) -> float:
        """Return twice the width."""
        return 2.0 * self.si.width


class Derived(Own):
    """A record with a field of its base's."""

    height: Measure = measure("m", "mm")


class Strip(ArrayRecord):
    """Arrays, and one number."""

    AXES = ("speed",)

    speed: Measure = measure("crank_rps", "rpm")
    step: ScalarMeasure = measure("crank_deg")


class Pair(NamedTuple):
    """Two records."""

    build: Build
    table: SparkTable


def made() -> Derived:
    """Return a record."""
    return Derived()


def area(build: Build, found: CycleMap, pair: Pair, strip: Strip) -> float:
    """Reach measured fields in every way there is."""
    assert_type(build.engine.si.bore, float)
    assert_type(build.engine.bore, Quantity)
    assert_type(load_build("build.toml").vehicle.si.mass, float)
    assert_type(found.si.burned_fraction, NDArray[np.float64])
    assert_type(pair.table.si.cells, NDArray[np.float64])
    assert_type(pair.table.si.increment, float)
    assert_type(strip.si.step, float)
    si = build.injector.si if build.injector else None
    return (si.flow if si else 0.0) + made().si.width + made().si.height + made().double() + float(strip.si.speed[0])

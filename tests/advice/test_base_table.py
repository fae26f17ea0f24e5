"""From a supplied table's spark to the ceiling, at equal torque."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc.advice.base_table import BaseTableCell, compare_with_base, spark_of_table
from camcalc.advice.spark import AppliesTo
from camcalc.cycle.load_axis import load_of

Make = Callable[..., Any]


class Flat:
    """One spark everywhere."""

    load_kind = "manifold pressure"

    def __init__(self, spark: float) -> None:
        self.spark = spark

    def spark_at(self, speed: float, load: float) -> float:
        return self.spark


class Falling:
    """Spark that falls with load, by any of its names."""

    def __init__(self, kind: str, per_load: float) -> None:
        self.load_kind, self.per_load = kind, per_load

    def spark_at(self, speed: float, load: float) -> float:
        return 45.0 - self.per_load * load


TABLE_SPARK = 34.0


@pytest.fixture(scope="module")
def compared(resolved_of: Make, ceilings_of: Make) -> tuple[BaseTableCell, ...]:
    return compare_with_base(resolved_of("quarry-road"), ceilings_of("quarry-road"), Flat(TABLE_SPARK))


def test_only_cells_of_the_zone_that_the_table_passes_are_listed(ceilings_of: Make, compared: tuple[BaseTableCell, ...]) -> None:
    grid = ceilings_of("quarry-road")
    zone = np.isfinite(grid.si.ceiling)
    expected = {
        (float(grid.si.speed[c]), float(grid.si.manifold_pressure[r])) for r, c in zip(*np.nonzero(zone & (grid.si.ceiling < TABLE_SPARK)), strict=True)
    }
    assert expected
    assert {(c.si.speed, c.si.manifold_pressure) for c in compared} == expected
    # Some cells of the zone the table does not pass.
    assert len(expected) < zone.sum()


def test_a_table_under_every_ceiling_has_nothing_to_list(resolved_of: Make, ceilings_of: Make) -> None:
    assert compare_with_base(resolved_of("quarry-road"), ceilings_of("quarry-road"), Flat(5.0)) == ()


def test_a_cam_without_a_zone_has_nothing_to_list(resolved_of: Make, ceilings_of: Make) -> None:
    assert compare_with_base(resolved_of("quarry-road", old=True), ceilings_of("quarry-road", old=True), Flat(60.0)) == ()


def test_the_car_does_the_same_at_both_ends(resolved_of: Make, compared: tuple[BaseTableCell, ...]) -> None:
    twin = resolved_of("quarry-road")
    moved = [c for c in compared if math.isfinite(c.si.pressure_change)]
    assert moved
    for cell in moved:
        was = twin.state(cell.si.speed, cell.si.manifold_pressure, cell.si.table_spark)
        now = twin.state(cell.si.speed, cell.si.manifold_pressure + cell.si.pressure_change, cell.si.ceiling)
        assert now.net == pytest.approx(was.net, rel=0.01)
        assert cell.si.burned_fraction == pytest.approx(was.burned_fraction, rel=5e-3)
        assert cell.si.burned_fraction_change == pytest.approx(now.burned_fraction - was.burned_fraction, abs=2e-3)
        assert cell.si.fuel_change == pytest.approx(now.fuel / was.fuel - 1.0, abs=5e-3)
        assert cell.si.exhaust_temperature_change == pytest.approx(now.exhaust_temperature - was.exhaust_temperature, abs=5.0)
        heat = was.fuel * twin.fuel.heating_value
        assert cell.si.efficiency == pytest.approx(was.net * twin.geometry.swept / heat, rel=5e-3)


def test_retard_at_equal_torque_opens_the_throttle_cleans_the_charge_and_costs_fuel_and_heat(compared: tuple[BaseTableCell, ...]) -> None:
    moved = [c for c in compared if math.isfinite(c.si.pressure_change)]
    for cell in moved:
        assert cell.si.ceiling < cell.si.table_spark
        assert cell.si.pressure_change > 0.0
        assert cell.si.burned_fraction_change < 0.0
        assert cell.si.fuel_change > 0.0
        assert cell.si.exhaust_temperature_change > 0.0
        assert -0.1 < cell.si.efficiency_change < 0.0
        # Equal work from so much more fuel is so much less efficient.
        assert (cell.si.efficiency + cell.si.efficiency_change) * (1.0 + cell.si.fuel_change) == pytest.approx(cell.si.efficiency, rel=3e-3)


def test_each_cell_says_that_its_ceiling_is_for_final_spark(compared: tuple[BaseTableCell, ...]) -> None:
    for cell in compared:
        assert cell.applies_to is AppliesTo.FINAL_SPARK
        assert AppliesTo.FINAL_SPARK.meaning in str(cell)


@pytest.mark.parametrize(("kind", "per_load"), [("manifold pressure", 3e-4), ("relative charge", 40.0), ("air charge", 4e4)])
def test_a_table_is_asked_at_its_own_kind_of_load(resolved_of: Make, kind: str, per_load: float) -> None:
    model, table = resolved_of("dockside", old=True), Falling(kind, per_load)
    spark = spark_of_table(model, table, 25.0, 60e3)
    load = load_of(model, 25.0, 60e3, spark, kind)
    assert spark == pytest.approx(table.spark_at(25.0, load), abs=0.05)
    assert 10.0 < spark < 44.0

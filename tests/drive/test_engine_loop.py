"""The engine's side of the loop: slopes against exact surfaces, orifice algebra and settled cycles; delays by hand."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc.constants import AIR_GAS_CONSTANT
from camcalc.cycle.engine_tables import FIELDS, EngineTables, engine_tables
from camcalc.drive.engine_loop import EngineSide, LoopPoint, delays_at, engine_side_of, loop_point, table_spark
from camcalc.engine.friction import rubbing_friction
from camcalc.tables import SparkTable

Make = Callable[..., Any]
TURN = 2.0 * math.pi
SPEEDS, PRESSURES, SPARKS = np.array([15.0, 20.0, 25.0, 30.0]), np.array([30e3, 45e3, 60e3, 75e3]), np.array([10.0, 25.0, 40.0])
# Invented slopes of net IMEP [Pa] and of air [kg] about 22 rev/s, 50 kPa and 25 degrees; straight along each axis.
NET = {"speed": 1.5e3, "pressure": 11.0, "spark": 2.5e3, "speed and spark": 40.0}
AIR_PER_PRESSURE, AIR_PER_SPEED = 8e-9, 1e-6


def straight_tables(*, air_by_speed: float = AIR_PER_SPEED) -> EngineTables:
    n, p, s = np.meshgrid(SPEEDS - 22.0, PRESSURES - 50e3, SPARKS - 25.0, indexing="ij")
    net = 250e3 + NET["speed"] * n + NET["pressure"] * p + NET["spark"] * s + NET["speed and spark"] * n * s
    air = AIR_PER_PRESSURE * (p + 50e3) + air_by_speed * n
    same = np.ones_like(n)
    values = np.array([net, net + 30e3, 12e3 * same, air, 0.3 * same, 0.1 * same, 0.02 * same])
    return EngineTables(SPEEDS, PRESSURES, SPARKS, values, np.isfinite(net))


def invented_engine(**changes: Any) -> EngineSide:
    plain = EngineSide(
        tables=straight_tables(),
        cylinders=8,
        swept=7e-4,
        plenum_volume=8e-3,
        plenum_temperature=313.0,
        ambient=100e3,
        friction_factor=1.0,
        load_filter=0.02,
        reference_air=8.4e-4,
        plenum=None,  # type: ignore[arg-type]
    )
    return plain._replace(**changes)


def table_on(loads: Any, kind: str = "manifold pressure") -> SparkTable:
    """A plane: 0.4 degrees per rev/s, minus 0.3 per kPa of the pressures behind the loads; below 40 degrees, above 10."""
    speed = np.array([15.0, 22.0, 30.0])
    cells = 25.0 + 0.4 * (speed[:, None] - 22.0) - 0.3 * (np.array([30.0, 50.0, 70.0]) - 50.0)
    return SparkTable(load_kind=kind, speed=speed, loads=np.asarray(loads), cells=cells, increment=0.1)


BY_PRESSURE = table_on([30e3, 50e3, 70e3])


def point_at(engine: EngineSide, table: SparkTable, speed: float, pressure: float, spark: float | None = None) -> LoopPoint:
    found = loop_point(engine, table, speed, pressure, spark)
    assert found is not None
    return found


def test_slopes_of_a_straight_surface_are_its_own() -> None:
    engine = invented_engine()
    found = point_at(engine, BY_PRESSURE, 23.0, 52e3)
    per_imep = 8 * 7e-4 / (4.0 * math.pi)
    spark = 25.0 + 0.4 - 0.6
    assert found.spark == pytest.approx(spark, rel=1e-12)
    net = 250e3 + NET["speed"] + NET["pressure"] * 2e3 + NET["spark"] * (spark - 25.0) + NET["speed and spark"] * (spark - 25.0)
    assert found.torque == pytest.approx((net - rubbing_friction.kernel(23.0)) * per_imep, rel=1e-12)
    rubbing = (rubbing_friction.kernel(24.0) - rubbing_friction.kernel(22.0)) / 2.0
    assert found.friction_by_speed == pytest.approx(-rubbing * per_imep / TURN, rel=1e-9)
    # The cycles' part of the slope is what is left without friction; over the wider step friction bends a little.
    cycles = (NET["speed"] + NET["speed and spark"] * (spark - 25.0)) * per_imep / TURN
    assert found.torque_by_speed - found.friction_by_speed == pytest.approx(cycles, rel=1e-3)
    assert point_at(invented_engine(friction_factor=0.0), BY_PRESSURE, 23.0, 52e3).torque_by_speed == pytest.approx(cycles, rel=1e-9)
    assert found.torque_by_pressure == pytest.approx(NET["pressure"] * per_imep, rel=1e-9)
    assert found.torque_by_spark == pytest.approx((NET["spark"] + NET["speed and spark"]) * per_imep, rel=1e-9)
    air = AIR_PER_PRESSURE * 52e3 + AIR_PER_SPEED
    assert found.flow_by_speed == pytest.approx(8 / 2 * (air + 23.0 * AIR_PER_SPEED) / TURN, rel=1e-9)
    assert found.flow_by_pressure == pytest.approx(8 * 23.0 / 2.0 * AIR_PER_PRESSURE, rel=1e-9)
    assert found.filling_rate == pytest.approx(AIR_GAS_CONSTANT * 313.0 / 8e-3, rel=1e-12)
    assert found.deviation == pytest.approx(12e3 * per_imep, rel=1e-12)  # one firing's work over its own share of the turn
    assert found.blow_back == pytest.approx(0.1, rel=1e-12)


def test_the_table_enters_with_its_own_slopes() -> None:
    found = point_at(invented_engine(), BY_PRESSURE, 23.0, 52e3)
    assert found.spark_by_speed == pytest.approx(0.4 / TURN, rel=1e-9)
    assert found.spark_by_pressure == pytest.approx(-0.3e-3, rel=1e-9)


@pytest.mark.parametrize("kind", ["air charge", "relative charge"])
def test_a_table_on_air_acts_as_the_same_table_on_pressure_where_air_follows_pressure(kind: str) -> None:
    engine = invented_engine(tables=straight_tables(air_by_speed=0.0))
    per_pressure = AIR_PER_PRESSURE / (1.0 if kind == "air charge" else engine.reference_air)
    found = point_at(engine, table_on(np.array([30e3, 50e3, 70e3]) * per_pressure, kind), 23.0, 52e3)
    same = point_at(engine, BY_PRESSURE, 23.0, 52e3)
    numbers = [k for k, value in enumerate(same) if isinstance(value, float)]
    assert len(numbers) == len(same) - 3  # delays, memory and its plenum
    assert [found[k] for k in numbers] == pytest.approx([same[k] for k in numbers], rel=1e-9, abs=1e-12)
    assert found[-3:] == same[-3:]


def test_on_a_table_of_air_speed_moves_spark_through_the_charge_too() -> None:
    found = point_at(invented_engine(), table_on(np.array([30e3, 50e3, 70e3]) * AIR_PER_PRESSURE, "air charge"), 23.0, 52e3)
    through_air = -0.3e-3 / AIR_PER_PRESSURE * AIR_PER_SPEED
    assert found.spark_by_speed == pytest.approx((0.4 + through_air) / TURN, rel=1e-9)


@pytest.mark.parametrize("spark", [5.0, 10.0, 12.0, 25.0, 38.0, 40.0, 48.0])
def test_torque_over_spark_keeps_its_slope_at_the_ends_of_the_tables(spark: float) -> None:
    found = point_at(invented_engine(), BY_PRESSURE, 22.0, 50e3, spark)
    assert found.torque_by_spark == pytest.approx(NET["spark"] * 8 * 7e-4 / (4.0 * math.pi), rel=1e-9)


@pytest.mark.parametrize("pressure", [54e3, 60e3, 70e3])
def test_throttle_flow_falls_with_plenum_pressure_as_the_orifice_formula_says(pressure: float) -> None:
    engine = invented_engine()
    found = point_at(engine, BY_PRESSURE, 22.0, pressure)
    ratio = pressure / engine.ambient
    # ln of r^(1/g) sqrt(1 - r^((g-1)/g)), by r.
    falling = 1.0 / (1.4 * ratio) - (0.4 / 1.4) * ratio ** (0.4 / 1.4 - 1.0) / (2.0 * (1.0 - ratio ** (0.4 / 1.4)))
    air = engine.air_flow(22.0, pressure, found.spark)
    # A difference over 100 Pa; nearest to the choking edge the curve bends most.
    assert found.throttle_by_pressure == pytest.approx(air * falling / engine.ambient, rel=2e-3)
    assert found.throttle_by_pressure < 0.0


@pytest.mark.parametrize("pressure", [35e3, 45e3, 52.5e3])
def test_a_choked_throttle_does_not_see_the_plenum(pressure: float) -> None:
    assert point_at(invented_engine(), BY_PRESSURE, 22.0, pressure).throttle_by_pressure == 0.0


def test_delays_by_hand() -> None:
    # 1500 rpm: 9 degrees a millisecond; half of a V8's firing interval is 45 degrees, 5 ms.
    found = delays_at(25.0, 8)
    assert found == pytest.approx((310.0 / 9e3, 75.0 / 9e3 + 5e-3, 5e-3, 5e-3), rel=1e-12)
    assert delays_at(50.0, 4) == pytest.approx((155.0 / 9e3, 37.5 / 9e3 + 5e-3, 5e-3, 5e-3), rel=1e-12)


@pytest.mark.parametrize(("speed", "pressure"), [(15.1, 50e3), (22.0, 30.2e3), (31.0, 50e3), (22.0, 80e3)])
def test_where_the_slopes_would_leave_the_tables_there_is_no_point(speed: float, pressure: float) -> None:
    assert loop_point(invented_engine(), BY_PRESSURE, speed, pressure) is None


@pytest.mark.parametrize(("speed", "pressure"), [(15.5, 50e3), (22.0, 31e3)])
def test_next_to_the_edge_a_shorter_step_finds_the_slopes(speed: float, pressure: float) -> None:
    # The tables are straight, so that the shorter step must find what the longer one finds away from the edge.
    near, away = (point_at(invented_engine(), BY_PRESSURE, n, p, 30.0) for n, p in ((speed, pressure), (22.0, 50e3)))
    assert near.torque_by_pressure == pytest.approx(away.torque_by_pressure, rel=1e-9)
    assert near.torque_by_speed - near.friction_by_speed == pytest.approx(away.torque_by_speed - away.friction_by_speed, rel=1e-6)


def test_no_spark_can_be_looked_up_where_no_air_is_known() -> None:
    by_air = table_on(np.array([30e3, 50e3, 70e3]) * AIR_PER_PRESSURE, "air charge")
    assert math.isnan(table_spark(invented_engine(), by_air, 22.0, 20e3))
    assert loop_point(invented_engine(), by_air, 22.0, 20e3) is None


@pytest.mark.parametrize(("rpm", "pressure"), [(1500.0, 52.5e3), (1900.0, 47.5e3)])
def test_slopes_are_those_of_settled_cycles(build_of: Make, resolved_of: Make, rpm: float, pressure: float) -> None:
    # The spacing of the tables in use and a little more, so that its steps stay inside; the point in the middle of a cell.
    model, spark = resolved_of("quarry-road"), 30.0
    axes = (np.array([rpm - 101.0, rpm + 101.0]) / 60.0, np.array([pressure - 2.6e3, pressure + 2.6e3]), np.array([spark - 4.0, spark + 4.0]))
    engine_side = engine_side_of(build_of("quarry-road"), engine_tables(model, *axes))
    found = point_at(engine_side, BY_PRESSURE, rpm / 60.0, pressure, spark)

    def slope(which: int, step: float) -> tuple[float, float]:
        low, high = np.array([rpm / 60.0, pressure, spark]), np.array([rpm / 60.0, pressure, spark])
        low[which], high[which] = low[which] - step, high[which] + step
        below, above = model.state(*low), model.state(*high)
        work = (above.net - below.net) * engine_side.cylinders * engine_side.swept / (4.0 * math.pi)
        return work / (2.0 * step), (above.air * high[0] - below.air * low[0]) * engine_side.cylinders / 2.0 / (2.0 * step)

    by_speed, flow_by_speed = slope(0, 100.0 / 60.0)
    by_pressure, flow_by_pressure = slope(1, 2.5e3)
    by_spark, _ = slope(2, 4.0)
    # The same steps about the same point: what differs is the mean over a cell's corners against its middle, and how far cycles have
    # settled. Nearer to where cycles die the corners make more: 7.5 % of torque over spark at 1300 rpm.
    assert found.torque_by_pressure == pytest.approx(by_pressure, rel=0.03)
    assert found.torque_by_spark == pytest.approx(by_spark, rel=0.06)
    assert found.torque_by_speed - found.friction_by_speed == pytest.approx(by_speed / TURN, rel=0.03)
    assert found.flow_by_speed == pytest.approx(flow_by_speed / TURN, rel=0.025)
    assert found.flow_by_pressure == pytest.approx(flow_by_pressure, rel=0.025)


def test_a_slower_engine_loses_more_torque_with_a_long_cam(build_of: Make, tables_of: Make, base: SparkTable) -> None:
    def dilution(*, old: bool) -> float:
        engine_side = engine_side_of(build_of("quarry-road", old=old), tables_of("quarry-road", old=old))
        found = point_at(engine_side, base, 1250.0 / 60.0, 55e3)
        return found.torque_by_speed - found.friction_by_speed

    assert dilution(old=False) > dilution(old=True) > 0.0


def test_a_field_of_the_tables_is_known_by_name() -> None:
    assert set(invented_engine().tables.at(22.0, 50e3, 25.0)) == set(FIELDS)

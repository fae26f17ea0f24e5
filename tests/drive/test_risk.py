"""Surge on the level road: what is refused, both couplings, map against road, a long cam against the mild one it replaces."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm

from camcalc import Build
from camcalc.advice.idle import IdleState, idle_state
from camcalc.cycle.engine_tables import FIELDS
from camcalc.drive import risk
from camcalc.drive.drive_run import simulate_drive
from camcalc.drive.driven import DRIVEN, SETTLED
from camcalc.drive.engine_loop import LoopPoint, engine_side_of
from camcalc.drive.idle_swing import IdleHunting, IdleSwing, idle_swing, idle_swing_in_neutral
from camcalc.drive.no_answer import NoAnswer, NoRoadError
from camcalc.drive.risk import surge_map, surge_risk
from camcalc.drive.road_surge import RoadSurge
from camcalc.drive.run_setup import Shaker
from camcalc.drive.surge import surge_at
from camcalc.errors import InputError, NoSolutionError
from camcalc.tables import SparkTable
from camcalc.units import quantity
from camcalc.vehicle.acceleration_weighting import SurgeGrade
from camcalc.vehicle.coupling import Coupling
from camcalc.vehicle.driveline import driveline_of, road_speed_at
from camcalc.vehicle.road_load import engine_torque_on_road, road_speed

Make = Callable[..., Any]
LOW = np.array([1000.0, 1200.0, 1400.0]) / 60.0
HIGH = np.array([2050.0, 2300.0, 2500.0]) / 60.0
TOP = 6


@pytest.fixture(scope="module")
def quarry(build_of: Make, tables_of: Make, base: SparkTable) -> Callable[..., RoadSurge]:
    """Surge of the quarry-road example in a gear, with its new or (old) its replaced cam, on a table (its own when left out)."""

    def made(gear: int, speeds: Any, *, old: bool = False, table: SparkTable = base, **limits: Any) -> RoadSurge:
        build: Build = build_of("quarry-road", old=old)
        build = build.replace(limits=build.limits.replace(**limits)) if limits else build
        return surge_risk(build, table, gear=gear, engine_tables=tables_of("quarry-road", old=old), speeds=np.asarray(speeds))

    return made


@pytest.mark.parametrize("gear", [0, 7])
def test_a_gear_that_is_not_on_the_sheet_is_refused(quarry: Make, build_of: Make, tables_of: Make, base: SparkTable, gear: int) -> None:
    with pytest.raises(InputError, match="1 to 6"):
        quarry(gear, LOW)
    with pytest.raises(InputError, match="1 to 6"):
        surge_map(build_of("quarry-road"), base, gear=gear, engine_tables=tables_of("quarry-road"))


def test_a_coupling_is_one_of_two_words(build_of: Make, tables_of: Make, base: SparkTable) -> None:
    with pytest.raises(InputError, match="locked or converter") as caught:
        surge_risk(build_of("quarry-road"), base, gear=1, engine_tables=tables_of("quarry-road"), coupling="clutch")
    assert "clutch" in str(caught.value)


def test_a_car_with_a_clutch_has_no_open_converter(build_of: Make, tables_of: Make, base: SparkTable) -> None:
    with pytest.raises(InputError, match="transmission"):
        surge_risk(build_of("quarry-road"), base, gear=1, engine_tables=tables_of("quarry-road"), coupling="converter", speeds=LOW)


def test_a_table_that_does_not_reach_along_the_road_is_refused_with_the_cells_that_are_missing(quarry: Make, base: SparkTable) -> None:
    short = SparkTable(load_kind="manifold pressure", speed=base.si.speed[3:8], loads=base.loads[:5], cells=base.si.cells[3:8, :5], increment=1.0)
    whole = quarry(2, [1000.0 / 60.0, 1200.0 / 60.0, 1600.0 / 60.0])
    with pytest.raises(InputError, match="widen its axes") as caught:
        quarry(2, [1000.0 / 60.0, 1600.0 / 60.0], table=short)
    assert f"1000 rpm, {whole.si.manifold_pressure[0] / 1e3:.0f} kPa" in str(caught.value)
    assert "1600 rpm" not in str(caught.value)
    low = SparkTable(load_kind="manifold pressure", speed=base.si.speed, loads=base.loads[:3], cells=base.si.cells[:, :3], increment=1.0)
    with pytest.raises(InputError, match=r"1000 rpm.*; 1200 rpm.*; 1600 rpm"):
        quarry(2, whole.si.speed, table=low)


def test_speeds_that_no_table_of_cycles_reaches_give_no_answer(quarry: Make) -> None:
    with pytest.raises(NoSolutionError, match="gear 3"):
        quarry(3, [100.0])


@pytest.mark.parametrize("gear", [1, 2, 4, TOP])
def test_on_the_road_the_engine_makes_what_the_road_takes(quarry: Make, build_of: Make, tables_of: Make, gear: int) -> None:
    build, found = build_of("quarry-road"), quarry(gear, [1200.0 / 60.0, 1900.0 / 60.0])
    engine_side = engine_side_of(build, tables_of("quarry-road"))
    ratio = build.vehicle.gear_ratios[gear - 1]
    assert len(found.si.speed) == 2
    for k, speed in enumerate(found.si.speed):
        made = engine_side.torque(speed, found.si.manifold_pressure[k], found.si.spark[k])
        # The road's pressure is read off a straight line between the tables' pressures; the spark bends torque a little between.
        assert made == pytest.approx(engine_torque_on_road(build, speed, ratio), rel=0.05, abs=1.0)
        assert found.si.road_speed[k] == pytest.approx(road_speed(build.vehicle, speed, ratio), rel=1e-12)


def test_the_road_in_the_map_is_the_road(quarry: Make, build_of: Make, tables_of: Make, base: SparkTable) -> None:
    speeds = np.array([1200.0, 1500.0, 1900.0]) / 60.0
    road = quarry(2, speeds)
    found = surge_map(build_of("quarry-road"), base, gear=2, engine_tables=tables_of("quarry-road"), speeds=speeds, pressures=road.si.manifold_pressure)
    assert found.si.road_pressure == pytest.approx(road.si.manifold_pressure, abs=1e3)
    assert found.si.road_speed == pytest.approx(road.si.road_speed, rel=1e-12)
    for k in range(3):  # the map's cell on the road is the road's point
        assert found.si.damping[k, k] == pytest.approx(road.si.damping[k], abs=1e-9)
        assert found.si.frequency[k, k] == pytest.approx(road.si.frequency[k], rel=1e-9)
        assert found.si.acceleration[k, k] == pytest.approx(road.si.acceleration[k], rel=1e-6)
        assert found.verdict[k][k] == road.verdict[k]


def test_a_map_is_blank_where_no_cycle_runs(build_of: Make, tables_of: Make, base: SparkTable) -> None:
    pressures = np.array([18e3, 45e3, 60e3])
    speeds = np.array([1000.0, 1900.0]) / 60.0
    found = surge_map(build_of("quarry-road"), base, gear=2, engine_tables=tables_of("quarry-road"), speeds=speeds, pressures=pressures)
    assert math.isnan(found.si.damping[0, 0])
    assert found.verdict[0][0] is None
    assert all(np.isfinite(found.si.damping[2]))
    assert all(found.verdict[2])


@pytest.fixture(scope="module")
def meadow(build_of: Make, tables_of: Make) -> Callable[..., RoadSurge]:
    """Surge of the long-meadow example, which has a converter, on a table level at 26 degrees."""
    level = SparkTable(load_kind="manifold pressure", speed=np.array([10.0, 60.0]), loads=np.array([10e3, 105e3]), cells=np.full((2, 2), 26.0), increment=1.0)

    def made(gear: int, speeds: Any, coupling: str) -> RoadSurge:
        tables = tables_of("long-meadow")
        return surge_risk(build_of("long-meadow"), level, gear=gear, engine_tables=tables, coupling=coupling, speeds=np.asarray(speeds))

    return made


@pytest.mark.parametrize("gear", [1, 2, 3])
def test_an_open_converter_damps_better_at_the_same_road_speed(meadow: Make, build_of: Make, gear: int) -> None:
    slipping = meadow(gear, np.arange(1300.0, 2501.0, 300.0) / 60.0, "converter")
    assert slipping.coupling is Coupling.CONVERTER
    driveline = driveline_of(build_of("long-meadow"), gear)
    turbine = slipping.si.road_speed / road_speed_at(driveline, 1.0)
    assert np.all(turbine < slipping.si.speed)  # the gearbox turns slower than the engine
    reached = turbine > 1000.0 / 60.0
    assert reached.any()
    locked = meadow(gear, turbine[reached], "locked")
    assert locked.si.road_speed == pytest.approx(slipping.si.road_speed[reached], rel=1e-9)
    assert np.all(slipping.si.damping[reached] > locked.si.damping)


@pytest.mark.parametrize("gear", [1, 2])
def test_what_a_long_cam_disturbs_the_mild_one_did_not(quarry: Make, gear: int) -> None:
    long, mild = quarry(gear, LOW), quarry(gear, LOW, old=True)
    assert any(grade.bad for grade in long.verdict)
    assert mild.verdict
    assert not any(grade.bad for grade in mild.verdict)
    assert math.isnan(mild.bad_below)
    bad = [any(grade.bad for grade in each) for each in zip(long.verdict, *long.verdict_driven[:2], strict=True)]
    above = [speed for k, speed in enumerate(long.si.speed) if not any(bad[k:])]
    assert long.bad_below == (above[0] if above else long.si.speed[-1])
    # It is what shakes, not what damps: cycles vary more.
    same = np.isin(long.si.speed, mild.si.speed)
    assert np.all(long.si.from_burn[same] > 2.0 * mild.si.from_burn)


@pytest.mark.parametrize("gear", range(1, TOP + 1))
def test_above_2000_rpm_nothing_is_worse_than_noticeable(quarry: Make, gear: int) -> None:
    for old in (False, True):
        found = quarry(gear, HIGH, old=old)
        assert all(grade.severity <= SurgeGrade.NOTICEABLE.severity for grade in found.verdict), (old, found.verdict)


def jumping(base: SparkTable, low: float, high: float) -> SparkTable:
    """The same axes with spark going to and fro between neighbouring loads."""
    return base.with_spark(np.where(np.arange(len(base.loads)) % 2 == 0, low, high) * np.ones(base.shape))


def test_a_table_that_jumps_between_loads_shakes_the_car_through_its_slopes(quarry: Make, base: SparkTable) -> None:
    tables = {"base": base, "jumping 20 to 40": jumping(base, 20.0, 40.0), "flat 22": base.with_spark(np.full(base.shape, 22.0))}
    found = {name: quarry(TOP, [1400.0 / 60.0], table=table) for name, table in tables.items()}
    for name, row in found.items():
        at = [f"{float(values[0]):.4f}" for values in (row.si.damping, row.si.from_jitter, row.si.from_burn, row.si.acceleration)]
        words = (row.verdict_at_half[0], row.verdict[0], row.verdict_at_double[0])
        print(f"{name}: {row.si.manifold_pressure[0] / 1e3:.1f} kPa, {row.si.spark[0]:.1f} deg, damping, signals, burn, all: {at}; half, one, double: {words}")
        print("    takes:", dict(zip(row.parts, np.round(row.si.takes[:, 0], 4), strict=True)))
    assert found["flat 22"].si.from_jitter[0] == 0.0
    assert found["flat 22"].si.slope_along_load[0] == found["flat 22"].si.slope_along_speed[0] == 0.0
    assert found["jumping 20 to 40"].si.from_jitter[0] > 4.0 * found["base"].si.from_jitter[0]
    assert abs(found["jumping 20 to 40"].si.slope_along_load[0]) == pytest.approx(20.0 / 10e3, rel=1e-9)


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_half_and_double_are_what_half_and_double_swings_give(quarry: Make, base: SparkTable, factor: float) -> None:
    plain = quarry(2, LOW, table=jumping(base, 20.0, 40.0))
    moved = quarry(2, LOW, table=jumping(base, 20.0, 40.0), load_jitter=0.10 * factor, speed_jitter=f"{4.0 * factor} rpm")
    assert moved.si.from_jitter == pytest.approx(factor * plain.si.from_jitter, rel=1e-9)
    assert moved.verdict == (plain.verdict_at_half if factor < 1.0 else plain.verdict_at_double)
    assert moved.si.damping == pytest.approx(plain.si.damping, rel=1e-12)


def test_parts_have_a_row_each_and_slopes_are_per_rev_per_second(quarry: Make, base: SparkTable) -> None:
    found = quarry(2, LOW)
    assert found.si.takes.shape == (len(found.parts), len(LOW))
    for k, speed in enumerate(found.si.speed):
        along_speed, along_load = base.slopes_at(speed, found.si.manifold_pressure[k])
        assert found.si.slope_along_speed[k] == pytest.approx(along_speed, rel=1e-9)
        assert found.si.slope_along_load[k] == pytest.approx(along_load, rel=1e-9)
    assert np.all(found.si.limit_along_speed <= 0.5 * found.si.critical_along_speed * (1.0 + 1e-12))
    assert found.to_dict()["coupling"]["code"] == "locked"


def test_over_time_is_what_the_drive_there_does(quarry: Make, build_of: Make, tables_of: Make, base: SparkTable) -> None:
    found = quarry(2, [1200.0 / 60.0, 1900.0 / 60.0])
    for k, speed in enumerate(found.si.speed):
        asked: dict[str, Any] = {"gear": 2, "speed": f"{speed * 60.0} rpm", "driver": "speed hold", "kick": "30 rpm", "duration": quantity(DRIVEN, "s")}
        run = simulate_drive(build_of("quarry-road"), base, engine_tables=tables_of("quarry-road"), **asked).after(SETTLED)
        assert found.verdict_over_time[k] == run.verdict
        assert found.si.over_time[k] == pytest.approx(run.shake, rel=1e-6)
    asked = {"gear": 2, "engine_tables": tables_of("quarry-road"), "speeds": found.si.speed, "over_time": False}
    linear = surge_risk(build_of("quarry-road"), base, **asked)
    assert linear.verdict_over_time == (None, None)
    assert np.isnan(linear.si.over_time).all()
    assert linear.verdict == found.verdict


@pytest.mark.parametrize(("gear", "rpm"), [(1, 1700), (2, 1500), (4, 1500), (TOP, 1500)])
def test_lash_is_crossed_where_the_swing_outruns_the_mean(quarry: Make, build_of: Make, tables_of: Make, base: SparkTable, gear: int, rpm: int) -> None:
    found = quarry(gear, [rpm / 60.0])
    crossed = float(found.si.lash_crossed[0])
    asked: dict[str, Any] = {"gear": gear, "speed": f"{rpm} rpm", "driver": "speed hold", "duration": "200 s", "sample_time": "2 ms"}
    asked |= {"fuel_follows": False, "without": ["missed"]}  # neither is in the linear swing
    asked["engine_tables"] = tables_of("quarry-road")
    half = 0.5 * driveline_of(build_of("quarry-road"), gear).lash
    shares = [float(np.mean(simulate_drive(build_of("quarry-road"), base, seed=seed, **asked).after(5.0).si.twist < half)) for seed in (1, 2, 3)]
    share = float(np.mean(shares))
    # The swing is taken as two standard deviations: a normal one leaves the drive side for this share of the time.
    expected = float(norm.cdf(-2.0 / crossed))
    print(
        f"gear {gear}, {rpm} rpm: swing over mean {crossed:.2f}; off the drive side {100.0 * share:.3f} % of the time, expected {100.0 * expected:.3f} %",
        shares,
    )
    # Some thirty times in 200 s at two hundredths, in bunches; at a thousandth so seldom that one run has a third to four fifths of it, six together 0.57.
    # Lash itself lengthens each. A swing half or twice as far would be tenfold. Below a thousandth chance has the say.
    if expected > 1e-3:
        assert expected / 3.0 < share < 3.0 * expected
    else:
        assert share < 1e-3


def test_speeds_that_have_no_answer_are_listed(quarry: Make) -> None:
    found = quarry(TOP, [1500.0 / 60.0, 2900.0 / 60.0])
    assert found.si.speed == pytest.approx([25.0])
    (point,) = found.skipped
    assert (point.gear, point.why) == (TOP, NoAnswer.BEYOND_SPEEDS)
    assert point.si.speed * 60.0 == pytest.approx(2900.0)


def test_a_point_whose_swings_are_not_all_found_is_left_out_and_the_others_stay(
    build_of: Make, tables_of: Make, base: SparkTable, monkeypatch: pytest.MonkeyPatch
) -> None:
    def lost(space: Any, engine_side: Any, point: LoopPoint, **more: Any) -> Any:
        if point.speed == LOW[1]:
            raise NoSolutionError("of 2 roots of a loop 1 are found")
        return surge_at(space, engine_side, point, **more)

    monkeypatch.setattr(risk, "surge_at", lost)
    asked: dict[str, Any] = {"gear": 3, "engine_tables": tables_of("quarry-road")}
    found = surge_risk(build_of("quarry-road"), base, speeds=LOW, over_time=False, **asked)
    assert found.si.speed.tolist() == [LOW[0], LOW[2]]
    assert [(point.why, float(point.si.speed)) for point in found.skipped] == [(NoAnswer.SWINGS_NOT_FOUND, LOW[1])]
    over = surge_map(build_of("quarry-road"), base, speeds=LOW, pressures=np.array([50e3, 60e3]), **asked)
    assert np.isfinite(over.si.damping).tolist() == [[True, False, True]] * 2
    assert [row[1] for row in over.verdict] == [None, None]


def test_a_gear_without_any_answer_lists_every_speed_with_its_reason(quarry: Make) -> None:
    with pytest.raises(NoRoadError) as caught:
        quarry(TOP, np.array([2900.0, 3600.0]) / 60.0)
    assert [point.why for point in caught.value.skipped] == [NoAnswer.BEYOND_SPEEDS] * 2
    assert "reach that speed" in str(caught.value)


@pytest.mark.parametrize(
    ("more", "why"), [(-5e5, NoAnswer.TOO_LITTLE_TORQUE), (5e5, NoAnswer.TOO_LIGHT), (math.nan, NoAnswer.NOT_SETTLED)], ids=["weak", "strong", "dead"]
)
def test_a_point_that_is_left_out_has_its_own_reason(build_of: Make, tables_of: Make, base: SparkTable, more: float, why: NoAnswer) -> None:
    """The mean effective pressure of every cycle moved by so much: an engine too weak for the road, one too strong at its lightest load, none at all."""
    tables = tables_of("quarry-road")
    values = tables.values.copy()
    values[FIELDS.index("net")] = np.nan_to_num(values[FIELDS.index("net")]) + more
    with pytest.raises(NoRoadError) as caught:
        surge_risk(build_of("quarry-road"), base, gear=TOP, engine_tables=tables._replace(values=values), speeds=LOW)
    assert [point.why for point in caught.value.skipped] == [why] * len(LOW)


def test_the_idle_swings_slowly_and_advance_that_falls_with_speed_steadies_it(resolved_of: Make) -> None:
    model = resolved_of("quarry-road", old=True)
    state = idle_state(model)
    speed = np.array([8.0, 30.0])

    def swing(per_rev: float, at: IdleState = state) -> IdleSwing:
        cells = np.repeat(20.0 + per_rev * (speed[:, None] - at.si.speed), 2, axis=1)
        return idle_swing(model, at, SparkTable(load_kind="manifold pressure", speed=speed, loads=np.array([10e3, 90e3]), cells=cells, increment=0.1))

    level, falling, rising = swing(0.0), swing(-0.3), swing(0.3)
    assert 0.3 < level.si.frequency < 3.0  # published idles swing at about 1.2 Hz
    assert rising.si.damping < level.si.damping < falling.si.damping
    # Where no cycle settles nothing is said of its swing.
    nowhere = swing(0.0, state.replace(manifold_pressure="12 kPa"))
    assert np.isnan(nowhere.si.damping)
    assert nowhere.hunting is IdleHunting.NO_ANSWER
    assert {level.hunting, rising.hunting} <= {IdleHunting.HUNTS, IdleHunting.HUNTS_LONG, IdleHunting.SETTLES}


# What shakes, and what a level table of the same spark leaves.


def test_a_level_table_leaves_what_it_had_and_a_jumping_one_less(build_of: Make, tables_of: Make) -> None:
    build, tables = build_of("quarry-road"), tables_of("quarry-road")
    loads, speeds = np.arange(20e3, 101e3, 10e3), np.array([8.0, 60.0])

    def of(row: Any) -> RoadSurge:
        table = SparkTable(load_kind="manifold pressure", speed=speeds, loads=loads, cells=np.tile(row, (2, 1)), increment=0.1)
        return surge_risk(build, table, gear=2, engine_tables=tables, speeds=np.array([1200.0, 1400.0]) / 60.0, sources=True)

    level = of(np.full(loads.size, 20.0))
    assert level.si.on_level.tolist() == level.si.driven[0].tolist()
    # The jitter of the speed signal moves the fuel a little, whatever the table.
    assert (level.si.adds[level.shakers.index(Shaker.TABLE)] < 0.2 * level.si.driven[0]).all()
    # 20-40-20 from cell to cell (common practice has it buck).
    jumping = of(np.where(np.arange(loads.size) % 2, 20.0, 40.0))
    print("driven", jumping.si.driven[0], "on level", jumping.si.on_level)
    assert (jumping.si.on_level < jumping.si.driven[0]).all()
    # Squares of what each adds come to no more than all of it, but for what the draws do together.
    assert (np.sqrt((jumping.si.adds**2).sum(axis=0)) < 1.3 * jumping.si.driven[0]).all()


def test_without_being_asked_nothing_is_told_of_what_shakes(quarry: Callable[..., RoadSurge]) -> None:
    found = quarry(2, LOW[:1])
    assert np.isnan(found.si.on_level).all()
    assert np.isnan(found.si.adds).all()


def test_a_gear_tells_how_far_it_is(build_of: Make, tables_of: Make, base: SparkTable) -> None:
    shares: list[float] = []
    surge_risk(build_of("quarry-road"), base, gear=3, engine_tables=tables_of("quarry-road"), speeds=LOW[:2], over_time=False, progress=shares.append)
    assert shares == sorted(shares)
    assert 0.0 < shares[0] <= shares[-1] <= 1.0


@pytest.mark.slow
@pytest.mark.parametrize("old", [False, True], ids=["long", "mild"])
def test_an_idle_s_swing_is_that_of_speed_and_not_of_cycles_by_turns(build_of: Make, resolved_of: Make, base: SparkTable, old: bool) -> None:
    """Published idle models swing well below a quarter of the cycles' own frequency (0.3 to 2 Hz, textbook, from memory)."""
    swing = idle_swing_in_neutral(resolved_of("quarry-road", old=old), base)
    assert swing is not None
    print(f"{swing.si.frequency:.2f} Hz, damping {swing.si.damping:.2f}")
    assert 0.3 < swing.si.frequency < 0.25 * 0.5 * swing.si.speed

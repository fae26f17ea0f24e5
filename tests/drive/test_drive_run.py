"""A drive over time: what is refused, the settled start, fuel cut, noise, the log it writes and what a review finds in it."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.signal import periodogram

from camcalc import Build, read_log, review_log
from camcalc.cycle.engine_tables import EngineTables
from camcalc.drive import run_setup
from camcalc.drive.drive_run import Driver, DriveRun, simulate_drive
from camcalc.drive.engine_loop import engine_side_of
from camcalc.drive.run_setup import filled_tables
from camcalc.errors import InputError, NoSolutionError
from camcalc.tables import SparkTable
from camcalc.vehicle.acceleration_weighting import SurgeGrade
from camcalc.vehicle.converter import converter_of, converter_point
from camcalc.vehicle.driveline import driveline_of, road_speed_at
from camcalc.vehicle.road_load import DRIVELINE_EFFICIENCY, resistance
from camcalc.words.review import review_headline

Make = Callable[..., Any]
Drive = Callable[..., DriveRun]
FLAT = 22.0


@pytest.fixture(scope="module")
def quarry(build_of: Make, tables_of: Make, base: SparkTable) -> Drive:
    """Drive the quarry-road example on its own table (another with ``table``), or on another build with ``build``."""

    def drive(*, table: SparkTable = base, build: Build | None = None, **asked: Any) -> DriveRun:
        return simulate_drive(build or build_of("quarry-road"), table, engine_tables=tables_of("quarry-road"), **asked)

    return drive


@pytest.fixture(scope="module")
def slipping(build_of: Make) -> Build:
    """The same car with an invented converter."""
    build: Build = build_of("quarry-road")
    return build.replace(vehicle=build.vehicle.replace(transmission="converter", converter_stall_speed="1800 rpm", converter_stall_torque="400 N*m"))


# What is refused.


@pytest.mark.parametrize("gear", [-1, 7])
def test_a_gear_that_is_not_there_is_refused(quarry: Drive, gear: int) -> None:
    with pytest.raises(InputError, match="1 to 6"):
        quarry(gear=gear, speed="1500 rpm")


@pytest.mark.parametrize(("written", "meant"), [("speed hald", "speed hold"), ("tip on", "tip in"), ("steady pedals", "steady pedal")])
def test_a_driver_misspelt_is_told_the_nearest(quarry: Drive, written: str, meant: str) -> None:
    with pytest.raises(InputError, match="driver") as caught:
        quarry(gear=2, speed="1500 rpm", driver=written)
    assert f'did you mean "{meant}"' in str(caught.value)


def test_a_coupling_is_one_of_two(quarry: Drive, slipping: Build) -> None:
    with pytest.raises(InputError, match="locked or converter"):
        quarry(gear=2, speed="1500 rpm", coupling="clutch")
    with pytest.raises(InputError, match="transmission"):
        quarry(gear=2, speed="1500 rpm", coupling="converter")


@pytest.mark.parametrize(
    ("asked", "came"),
    [({}, "neither"), ({"speed": "1500 rpm", "road_speed": "30 mph"}, "both"), ({"gear": 0, "road_speed": "30 mph"}, "neither")],
    ids=["neither", "both", "neutral"],
)
def test_a_start_is_one_speed(quarry: Drive, asked: dict[str, Any], came: str) -> None:
    with pytest.raises(InputError, match="in neutral, speed") as caught:
        quarry(**{"gear": 2, **asked})
    assert came in str(caught.value)


@pytest.mark.parametrize("step", [-0.01, 0.51, math.nan])
def test_a_pedal_step_is_a_share(quarry: Drive, step: float) -> None:
    with pytest.raises(InputError, match=r"0 to 0\.5"):
        quarry(gear=2, speed="1500 rpm", driver="blip", pedal_step=step)


@pytest.mark.parametrize(("cut", "back"), [("1200 rpm", "1500 rpm"), ("1500 rpm", "1500 rpm")])
def test_fuel_comes_back_below_where_it_is_cut(quarry: Drive, cut: str, back: str) -> None:
    with pytest.raises(InputError, match=f"less than cut_above, {cut}"):
        quarry(gear=2, speed="1800 rpm", cut_above=cut, back_below=back)


@pytest.mark.parametrize(
    ("name", "value"),
    [("duration", "1 s"), ("duration", "601 s"), ("sample_time", "1 ms"), ("sample_time", "0.3 s"), ("kick", "1300 rpm"), ("speed", "100 rpm")],
)
def test_what_lies_outside_its_range_is_refused(quarry: Drive, name: str, value: str) -> None:
    with pytest.raises(InputError, match=name):
        quarry(**{"gear": 2, "speed": "1500 rpm", name: value})


def test_a_table_that_does_not_reach_the_start_is_refused(quarry: Drive, base: SparkTable) -> None:
    low = SparkTable(load_kind="manifold pressure", speed=base.si.speed, loads=base.loads[:3], cells=base.si.cells[:, :3], increment=1.0)
    with pytest.raises(InputError, match=r"cells at 1500 rpm, 47 kPa"):
        quarry(gear=2, speed="1500 rpm", table=low)


def test_a_speed_that_the_engine_does_not_hold_has_no_run(quarry: Drive, build_of: Make) -> None:
    build: Build = build_of("quarry-road")
    against_the_wind = build.replace(vehicle=build.vehicle.replace(drag_coefficient=1.5, frontal_area="8 m2"))
    with pytest.raises(NoSolutionError, match="gear 6"):
        quarry(build=against_the_wind, gear=6, speed="2600 rpm")


# The settled start.


@pytest.mark.parametrize("driver", ["steady pedal", "speed hold"])
@pytest.mark.parametrize(("gear", "rpm"), [(1, 2000), (2, 1800), (4, 1500), (6, 1500), (0, 1500)])
def test_a_steady_drive_stays_where_it_starts(quarry: Drive, build_of: Make, gear: int, rpm: int, driver: str) -> None:
    run = quarry(gear=gear, speed=f"{rpm} rpm", driver=driver, noise=False, duration="20 s")
    si = run.si
    assert not run.stalled
    # Tyre slip makes the car slower than the gear says, and its load a little less: a held pedal drifts up by up to a thousandth, most in top gear.
    assert np.abs(si.speed - rpm / 60.0).max() < 1e-3 * rpm / 60.0
    assert np.ptp(si.manifold_pressure) < 2e-3 * si.manifold_pressure[0]
    assert run.shake < 1e-3
    assert run.spark_swing < 0.01
    assert run.fuel_cut.max() == 0.0
    if gear:
        build: Build = build_of("quarry-road")
        taken = resistance(build, float(si.road_speed[0])) / DRIVELINE_EFFICIENCY * build.vehicle.si.tyre_radius
        assert si.shaft_torque[0] == pytest.approx(taken, rel=0.01)
        assert si.crank_torque[0] * driveline_of(build, gear).ratio == pytest.approx(si.shaft_torque[0], rel=1e-3)
        assert si.road_speed[0] == pytest.approx(road_speed_at(driveline_of(build, gear), rpm / 60.0), rel=0.01)
    else:
        assert si.crank_torque[0] == pytest.approx(0.0, abs=0.01)


def test_behind_a_converter_too(quarry: Drive, slipping: Build) -> None:
    run = quarry(build=slipping, gear=2, speed="1700 rpm", coupling="converter", noise=False, duration="20 s")
    si = run.si
    assert np.abs(si.speed * 60.0 - 1700.0).max() < 1.7
    driveline = driveline_of(slipping, 2, locked=False)
    slip = float(si.shaft_torque[-1]) / driveline.tyre_radius / driveline.tyre_slip_stiffness
    turbine = float(si.road_speed[-1]) * (1.0 + slip) / road_speed_at(driveline, 1.0)
    point = converter_point(converter_of(slipping.vehicle), engine_speed=float(si.speed[-1]), turbine_speed=turbine)
    # Torque falls steeply near equal speeds: a thousandth of the speed is some hundredths of it.
    assert point.engine_torque == pytest.approx(float(si.crank_torque[-1]), rel=0.02)
    assert point.turbine_torque * driveline.ratio == pytest.approx(float(si.shaft_torque[-1]), rel=0.02)


@pytest.mark.parametrize("coupling", ["locked", "converter"])
def test_a_start_by_road_speed_is_the_start_by_crank_speed(quarry: Drive, slipping: Build, coupling: str) -> None:
    asked: dict[str, Any] = {"build": slipping, "gear": 2, "coupling": coupling, "noise": False, "duration": "2 s"}
    by_road = quarry(road_speed="18 mph", **asked)
    by_crank = quarry(speed=f"{by_road.si.speed[0] * 60.0} rpm", **asked)
    assert by_crank.si.road_speed[0] == pytest.approx(by_road.si.road_speed[0], rel=1e-4)
    assert by_road.si.road_speed[0] == pytest.approx(18.0 * 0.44704, rel=0.01)


@pytest.mark.parametrize("kind", ["air charge", "relative charge"])
def test_a_flat_table_drives_alike_whatever_its_load(quarry: Drive, build_of: Make, tables_of: Make, kind: str) -> None:
    def level(load_kind: str, loads: list[float]) -> SparkTable:
        return SparkTable(load_kind=load_kind, speed=np.array([8.0, 100.0]), loads=loads, cells=np.full((2, 2), FLAT), increment=1.0)

    asked: dict[str, Any] = {"gear": 2, "speed": "1500 rpm", "duration": "4 s", "kick": "20 rpm"}
    plain = quarry(table=level("manifold pressure", [10e3, 105e3]), **asked)
    other_table = level(kind, [1e-5, 2e-3] if kind == "air charge" else [0.01, 1.5])
    other = quarry(table=other_table, **asked)
    for name in ("speed", "spark", "manifold_pressure", "road_speed", "shaft_torque", "crank_torque"):
        assert getattr(other.si, name) == pytest.approx(getattr(plain.si, name), rel=1e-9, abs=1e-9)
    engine_side = engine_side_of(build_of("quarry-road"), tables_of("quarry-road"))
    still = quarry(table=other_table, gear=2, speed="1500 rpm", duration="2 s", noise=False)
    first = engine_side.load(25.0, float(still.si.manifold_pressure[0]), FLAT, kind)
    # The first of all reads at a spark of 25 degrees, for want of one before.
    assert still.load[10] == pytest.approx(first, rel=1e-4)
    assert plain.load[0] == pytest.approx(plain.si.manifold_pressure[0], rel=1e-9)


def test_a_pedal_pressed_speeds_the_car_and_a_blip_comes_back(quarry: Drive) -> None:
    asked: dict[str, Any] = {"gear": 3, "speed": "1700 rpm", "noise": False, "duration": "12 s"}
    tip, blip, held = (quarry(driver=driver, **asked) for driver in ("tip-in", "blip", "steady pedal"))
    for run in (tip, blip):
        early = run.si.time < 2.0
        assert run.si.speed[early] == pytest.approx(held.si.speed[early], rel=1e-12)
    assert tip.si.pedal[-1] - tip.si.pedal[0] == pytest.approx(run_setup.PEDAL_STEP, rel=1e-9)
    assert blip.si.pedal[-1] == pytest.approx(blip.si.pedal[0], rel=1e-9)
    assert blip.si.pedal.max() - blip.si.pedal[0] == pytest.approx(run_setup.PEDAL_STEP, rel=1e-6)
    assert tip.si.speed[-1] > blip.si.speed[-1] > held.si.speed[-1]
    assert [tip.driver, blip.driver, held.driver] == [Driver.TIP_IN, Driver.BLIP, Driver.STEADY_PEDAL]


def test_tables_are_filled_and_unchanged_where_cycles_settle(build_of: Make, tables_of: Make) -> None:
    tables: EngineTables = tables_of("quarry-road")
    engine_side = engine_side_of(build_of("quarry-road"), tables)
    filled = filled_tables(engine_side)
    assert not tables.runs.all()
    assert np.isfinite(filled.values).all()
    assert np.array_equal(filled.values[:, tables.runs], tables.values[:, tables.runs])
    net, air = filled.values[0], filled.values[3]
    assert (net[~tables.runs] < 0.0).all()
    assert (np.diff(air, axis=1)[~tables.runs[:, :-1, :]] > 0.0).all()


# Fuel cut.


@pytest.fixture(scope="module")
def overrun(quarry: Drive) -> DriveRun:
    """Third gear from 2200 rpm, pedal let go."""
    return quarry(gear=3, speed="2200 rpm", driver="closed pedal", noise=False, duration="14 s")


def test_fuel_is_cut_once_the_pedal_is_closed_and_comes_back_low(overrun: DriveRun) -> None:
    si, cut = overrun.si, overrun.fuel_cut
    (begin,), (end,) = (np.flatnonzero(np.diff(cut) == way) for way in (1.0, -1.0))
    assert si.time[begin + 1] == pytest.approx(run_setup.PEDAL_MOVES_AT + run_setup.PEDAL_TAKES, abs=0.03)
    assert si.pedal[begin + 1] == pytest.approx(0.0, abs=1e-3)
    assert si.speed[begin] * 60.0 > 1500.0
    assert si.speed[end] * 60.0 >= 1200.0 > si.speed[end + 1] * 60.0 > 1190.0
    # Once the last charge with fuel has burned, half a turn or so later, the engine only drags.
    dragging = slice(begin + 4, end + 1)
    assert (si.crank_torque[dragging] < 0.0).all()
    assert si.crank_torque[begin - 10] > 0.0
    assert si.crank_torque[end + 5] > si.crank_torque[end] + 5.0


def test_the_overrun_runs_through_the_lash_and_jerks(overrun: DriveRun, build_of: Make) -> None:
    si, cut = overrun.si, overrun.fuel_cut
    begin, end = np.flatnonzero(np.diff(cut))
    half = 0.5 * driveline_of(build_of("quarry-road"), 3).lash
    assert si.twist[begin - 10] > half
    assert si.twist[end] < -half
    assert si.shaft_torque[begin - 10] > 0.0 > si.shaft_torque[end]
    inside = np.abs(si.twist) < half
    assert (si.shaft_torque[inside] == 0.0).all()
    assert (si.shaft_torque * si.twist >= 0.0).all()
    before = np.abs(np.diff(si.acceleration[:90])).max()
    for k in (begin, end):
        jerk = np.abs(np.diff(si.acceleration[k : k + 40]))
        assert jerk.max() > 20.0 * before


def test_below_its_speed_and_with_a_pedal_pressed_nothing_is_cut(quarry: Drive) -> None:
    slow = quarry(gear=3, speed="1450 rpm", driver="closed pedal", noise=False, duration="6 s")
    assert slow.fuel_cut.max() == 0.0
    pressed = quarry(gear=3, speed="2200 rpm", driver="steady pedal", duration="6 s")
    assert pressed.fuel_cut.max() == 0.0
    later = quarry(gear=3, speed="2200 rpm", driver="closed pedal", noise=False, duration="6 s", cut_above="2300 rpm", back_below="2000 rpm")
    assert later.fuel_cut.max() == 0.0


# Noise.


def test_a_seed_gives_one_run_and_another_seed_another(quarry: Drive) -> None:
    asked: dict[str, Any] = {"gear": 2, "speed": "1700 rpm", "duration": "5 s"}
    one, same, other, still = quarry(seed=3, **asked), quarry(seed=3, **asked), quarry(seed=4, **asked), quarry(seed=3, noise=False, **asked)
    assert np.array_equal(one.si.speed, same.si.speed)
    assert np.array_equal(one.si.spark, same.si.spark)
    assert np.abs(one.si.speed - other.si.speed).max() > 1e-3
    assert still.shake < 1e-4 < 0.1 * one.shake


def test_noise_does_not_come_round_again_in_a_long_run(quarry: Drive) -> None:
    # At 2400 rpm eight cylinders fire 4096 times in 25.6 s.
    run = quarry(gear=4, speed="2400 rpm", driver="speed hold", duration="80 s").after(5.0)
    torque = run.si.crank_torque - run.si.crank_torque.mean()
    again = np.array([np.corrcoef(torque[:1500], torque[k : k + 1500])[0, 1] for k in range(1200, 1400)])
    assert np.abs(again).max() < 0.2  # four standard deviations of what is not alike


@pytest.mark.parametrize(("gear", "rpm"), [(4, 1500), (6, 1800), (0, 1800)])
def test_torque_varies_from_firing_to_firing_as_the_cycles_say(quarry: Drive, base: SparkTable, build_of: Make, tables_of: Make, gear: int, rpm: int) -> None:
    flat = base.with_spark(np.full(base.shape, FLAT))
    interval = 60.0 / rpm / 4.0
    run = quarry(table=flat, gear=gear, speed=f"{rpm} rpm", driver="speed hold", duration="60 s", sample_time="2 ms").after(5.0)
    engine_side = engine_side_of(build_of("quarry-road"), tables_of("quarry-road"))
    at = engine_side.tables.at(rpm / 60.0, float(run.si.manifold_pressure.mean()), FLAT)
    expected = at["deviation"] * engine_side.swept * engine_side.cylinders / (4.0 * math.pi)
    # Rows well over one firing apart are of different firings: half the mean square of their difference is one firing's variance; what is
    # slow falls out.
    apart = math.ceil(1.3 * interval / 2e-3)
    torque = run.si.crank_torque
    found = math.sqrt(0.5 * np.mean((torque[apart:] - torque[:-apart]) ** 2))
    print(f"gear {gear}, {rpm} rpm: {found:.2f} N m from firing to firing, by the cycles {expected:.2f}")
    # Some 6000 firings: 1 % by chance; the rest is that the pressure and with it the variation move.
    assert found == pytest.approx(expected, rel=0.05)


# What it says and the log.


def test_a_run_that_stalls_says_so_and_ends(quarry: Drive, base: SparkTable) -> None:
    # So late a spark needs more air than a closed throttle lets in.
    run = quarry(table=base.with_spark(np.full(base.shape, 2.0)), gear=5, speed="1000 rpm", driver="closed pedal", duration="60 s")
    assert run.stalled
    assert run.verdict is SurgeGrade.STALLS
    assert 0 < run.si.time.size < 3000
    nothing = run.after(59.0)
    assert nothing.si.time.size == 0
    assert math.isnan(nothing.shake)
    assert math.isnan(nothing.spark_swing)


@pytest.mark.parametrize("gear", [0, 1])
@pytest.mark.parametrize("kind", ["manifold pressure", "air charge", "relative charge"])
def test_a_run_is_read_back_as_it_was_written(quarry: Drive, tmp_path: Path, gear: int, kind: str) -> None:
    loads = {"manifold pressure": [10e3, 105e3], "air charge": [1e-5, 2e-3], "relative charge": [0.01, 1.5]}[kind]
    table = SparkTable(load_kind=kind, speed=np.array([8.0, 100.0]), loads=loads, cells=np.array([[30.0, 10.0], [50.0, 20.0]]), increment=1.0)
    run = quarry(table=table, gear=gear, speed="1500 rpm", driver="blip", duration="4 s")
    path = run.write(tmp_path / "run.csv")
    assert path.read_text(encoding="utf-8") == run.text()
    direct, read = run.log(), read_log(path)
    assert read.channels == direct.channels
    assert read.load_kind == direct.load_kind == kind
    assert ("road_speed" in read.channels) == bool(gear)
    assert not read.problems
    # Half the fourth decimal in the units of the file.
    half = {"speed": 0.5e-4 / 60.0, "pedal": 0.5e-6, "load": {"manifold pressure": 0.05, "air charge": 0.5e-10, "relative charge": 0.5e-6}[kind]}
    for name in direct.channels:
        assert np.abs(read.values(name) - direct.values(name)).max() <= half.get(name, 0.5e-4) * 1.001, name


@pytest.fixture(scope="module")
def climbing(base: SparkTable) -> SparkTable:
    """A table that rises by 100 degrees per 1000 rpm about 1400 rpm."""
    cells = np.clip(20.0 + 0.1 * (base.si.speed * 60.0 - 1400.0), 5.0, 45.0)
    return base.with_spark(np.broadcast_to(cells[:, None], base.shape))


@pytest.fixture(scope="module")
def bucking(build_of: Make, tables_of: Make, climbing: SparkTable) -> DriveRun:
    """Second gear at 1400 rpm, long cam, on the climbing table."""
    asked: dict[str, Any] = {"gear": 2, "speed": "1400 rpm", "driver": "speed hold", "duration": "40 s", "kick": "30 rpm"}
    return simulate_drive(build_of("quarry-road"), climbing, engine_tables=tables_of("quarry-road"), **asked)


@pytest.mark.parametrize("way", ["in memory", "by file"])
def test_a_review_finds_the_swing_of_a_run_that_bucks(bucking: DriveRun, climbing: SparkTable, tmp_path: Path, way: str) -> None:
    review = review_log(bucking.log() if way == "in memory" else read_log(bucking.write(tmp_path / "run.csv")), climbing)
    frequency, power = periodogram(bucking.si.acceleration, 50.0)
    own = float(frequency[np.argmax(power)])
    print(f"run {own:.3f} Hz, {bucking.shake:.2f} m/s2; review: {review_headline(review)}")
    assert bucking.verdict is SurgeGrade.SEVERE_BUCKING
    assert review.findings.episodes
    assert review.findings.share > 0.9
    for episode in review.findings.episodes:
        assert episode.si.frequency == pytest.approx(own, abs=0.1)  # four lines of a spectrum of 40 s


@pytest.mark.parametrize("way", ["in memory", "by file"])
def test_a_review_finds_nothing_in_a_quiet_run(quarry: Drive, base: SparkTable, tmp_path: Path, way: str) -> None:
    run = quarry(gear=4, speed="2500 rpm", driver="speed hold", duration="40 s")
    review = review_log(run.log() if way == "in memory" else read_log(run.write(tmp_path / "run.csv")), base)
    assert review.findings.si.looked_at > 30.0
    assert review.findings.episodes == ()
    assert run.verdict in (SurgeGrade.SMOOTH, SurgeGrade.TRACE)


def test_a_run_is_a_record(bucking: DriveRun) -> None:
    assert dataclasses.is_dataclass(bucking)
    late = bucking.after(10.0)
    assert late.si.time[0] >= 10.0
    assert late.si.speed.size == late.load.size == late.fuel_cut.size == late.si.time.size
    assert late.driver == bucking.driver
    with pytest.raises(dataclasses.FrozenInstanceError):
        bucking.gear = 2  # type: ignore[misc]


@pytest.mark.parametrize("noise", [False, True])
def test_an_idle_control_holds_the_speed_closer(build_of: Make, tables_of: Make, noise: bool) -> None:
    build, tables = build_of("quarry-road"), tables_of("quarry-road")
    asked: dict[str, Any] = {"gear": 0, "speed": "850 rpm", "driver": "closed pedal", "kick": "-80 rpm", "duration": "30 s", "noise": noise, "seed": 2}
    level = SparkTable(load_kind="manifold pressure", speed=np.array([8.0, 60.0]), loads=np.array([10e3, 101e3]), cells=np.full((2, 2), 20.0), increment=0.1)
    held, alone = (simulate_drive(build, level, engine_tables=tables, idle_control=on, **asked).after(8.0).si.speed * 60.0 for on in (True, False))
    assert abs(held.mean() - 850.0) < abs(alone.mean() - 850.0)
    assert held.mean() == pytest.approx(850.0, abs=10.0 if noise else 0.5)
    if noise:
        assert held.std() < alone.std()


def test_rows_too_far_apart_are_not_graded(quarry: Drive) -> None:
    asked: dict[str, Any] = {"gear": 2, "speed": "1500 rpm", "duration": "6 s"}
    close, apart = (quarry(**asked, sample_time=time) for time in ("25 ms", "40 ms"))
    assert close.verdict is not SurgeGrade.UNKNOWN
    assert math.isfinite(close.shake)
    assert apart.verdict is SurgeGrade.UNKNOWN
    assert math.isnan(apart.shake)
    assert apart.summary()["shake"]["value"] is None


@pytest.mark.parametrize("rpm", [500, 5000])
def test_a_start_beyond_the_tables_names_their_ends(quarry: Drive, rpm: int) -> None:
    with pytest.raises(InputError, match="tabulated") as caught:
        quarry(gear=2, speed=f"{rpm} rpm")
    assert f"{rpm} rpm" in str(caught.value)


def test_a_seed_below_zero_is_refused(quarry: Drive) -> None:
    with pytest.raises(InputError, match="from 0 up"):
        quarry(gear=2, speed="1500 rpm", seed=-1)

"""Drives over time against common practice (no source): what a steep table does to a long cam, gear by gear, and what the model does not give.

On the invented quarry-road example with its long cam and with the mild one it replaces, on tables in full.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc import Build
from camcalc.drive.drive_run import DriveRun, simulate_drive
from camcalc.tables import SparkTable
from camcalc.vehicle.acceleration_weighting import SurgeGrade

pytestmark = pytest.mark.slow
Make = Callable[..., Any]
Drive = Callable[..., DriveRun]
TOP = 6
FINE = (SurgeGrade.SMOOTH, SurgeGrade.TRACE)


@pytest.fixture(scope="module")
def spark(base: SparkTable) -> dict[str, SparkTable]:
    """Invented tables: to and fro between neighbouring loads, the other way about, blended, of one spark, and the mild cam's own."""

    def along(loads: list[float]) -> SparkTable:
        return base.with_spark(np.broadcast_to(np.array(loads), base.shape))

    def with_speed(slope: float) -> SparkTable:
        """Degrees for each rpm about 22 degrees at 1400 rpm."""
        cells = np.clip(22.0 + slope * (base.si.speed * 60.0 - 1400.0), 5.0, 45.0)
        return base.with_spark(np.broadcast_to(cells[:, None], base.shape))

    return {
        "zig": along([20.0, 40.0, 20.0, 40.0, 20.0, 40.0, 20.0, 40.0, 20.0]),
        "zag": along([40.0, 20.0, 40.0, 20.0, 40.0, 20.0, 40.0, 20.0, 40.0]),
        "blended": along([24.0, 24.0, 24.0, 23.0, 22.0, 21.0, 20.0, 20.0, 20.0]),
        "flat": along([22.0] * 9),
        "early": along([35.0] * 9),
        "rising": with_speed(0.1),
        "falling": with_speed(-0.1),
        "own": base,
    }


@pytest.fixture(scope="module")
def drive(build_of: Make, whole_tables_of: Make, spark: dict[str, SparkTable]) -> Drive:
    """Drive on a table by its name for 25 s at a held speed after a nudge, the first five left out."""

    def driven(table: str, *, old: bool = False, build: Build | None = None, **asked: Any) -> DriveRun:
        settings: dict[str, Any] = {"driver": "speed hold", "duration": "30 s", "kick": "30 rpm"}
        whose = build or build_of("quarry-road", old=old)
        run = simulate_drive(whose, spark[table], engine_tables=whole_tables_of("quarry-road", old=old), **{**settings, **asked})
        late = run.after(5.0)
        shown = {name: value for name, value in asked.items() if name != "build"}
        print(f"{'mild' if old else 'long'} cam, {table}, {shown}: {late.shake:.3f} m/s2, spark {late.spark_swing:.1f} deg, {late.verdict}")
        return late

    return driven


# The steep table in top gear near 1400 rpm.


@pytest.mark.parametrize("steep", ["zig", "zag"])
def test_spark_saws_on_a_steep_table_and_hardly_on_a_blended_one(drive: Drive, steep: str) -> None:
    swing, blended = (drive(table, gear=TOP, speed="1400 rpm").spark_swing for table in (steep, "blended"))
    assert 8.0 < swing < 14.0  # common practice, no source: 10 to 12 degrees
    assert blended < 1.0
    assert swing > 5.0 * blended


@pytest.mark.parametrize("steep", ["zig", "zag"])
@pytest.mark.xfail(
    reason="the model passes so little of the saw on in top gear that the car does not buck: 0.044 and 0.035 m/s2 against 0.040 on the blended table; "
    "spark swings no further than the two levels of the table, whatever the load signal does"
)
def test_the_steep_table_bucks_the_car_in_top_gear(drive: Drive, steep: str) -> None:
    assert drive(steep, gear=TOP, speed="1400 rpm").verdict.bad


@pytest.mark.parametrize("rpm", [2100, 2500])
@pytest.mark.parametrize("gear", range(2, TOP + 1))
def test_above_2000_rpm_all_tables_are_fine(drive: Drive, gear: int, rpm: int) -> None:
    for table in ("zig", "zag", "blended", "own"):
        assert drive(table, gear=gear, speed=f"{rpm} rpm").verdict in (*FINE, SurgeGrade.NOTICEABLE)


JUST_OVER = pytest.mark.xfail(reason="0.037 to 0.044 m/s2 on the two, where 0.0375 is the most for a trace")
MILD_POINTS = [(gear, rpm) for rpm in (1200, 1400, 1600, 2100, 2500) for gear in range(1, TOP + 1)]


@pytest.mark.parametrize(("gear", "rpm"), [pytest.param(*at, marks=JUST_OVER) if at in ((1, 1200), (1, 1400), (1, 1600)) else at for at in MILD_POINTS])
def test_the_mild_cam_takes_the_same_steep_table_quietly(drive: Drive, gear: int, rpm: int) -> None:
    for table in ("zig", "zag"):
        assert drive(table, old=True, gear=gear, speed=f"{rpm} rpm").verdict in FINE


# The burn shakes the car on any table, since cycles vary; a table adds to it through load noise and missed cycles. Common practice, no source, has
# 20-40-20 and 35 degrees buck where 20 and a blended table do not.


@pytest.mark.parametrize(("gear", "rpm"), [(1, 1200), (2, 1200), (2, 1400), (3, 1200), (3, 1400)])
def test_a_steep_table_shakes_more_than_a_blended_one_and_that_hardly_more_than_a_level_one(drive: Drive, gear: int, rpm: int) -> None:
    zig, zag, blended, flat = (drive(table, gear=gear, speed=f"{rpm} rpm").shake for table in ("zig", "zag", "blended", "flat"))
    assert max(zig, zag) > 1.08 * blended
    assert blended == pytest.approx(flat, rel=0.03)


@pytest.mark.parametrize("rpm", [1200, 1400])
def test_early_spark_misses_cycles_where_later_spark_does_not(drive: Drive, rpm: int) -> None:
    early, level = (drive(table, gear=2, speed=f"{rpm} rpm") for table in ("early", "flat"))
    assert early.missed_rate > 0.2
    assert level.missed_rate < 0.05
    assert early.shake > level.shake


@pytest.mark.parametrize("table", ["zig", "flat"])
@pytest.mark.parametrize("rpm", [1200, 1600])
def test_the_car_shakes_less_in_each_taller_gear_and_at_speed(drive: Drive, table: str, rpm: int) -> None:
    by_gear = [drive(table, gear=gear, speed=f"{rpm} rpm").shake for gear in (1, 2, 3, 4, 6)]
    assert all(low > 0.97 * high for low, high in itertools.pairwise(by_gear))
    assert by_gear[0] > 2.0 * by_gear[-1]
    assert drive(table, gear=2, speed="2100 rpm").shake < by_gear[1]


def test_a_table_that_rises_with_speed_takes_damping_and_one_that_falls_gives_some(drive: Drive) -> None:
    rising, flat, falling = (drive(table, gear=2, speed="1400 rpm").shake for table in ("rising", "flat", "falling"))
    assert rising > 2.0 * flat
    assert falling < 0.9 * flat


def test_a_foot_that_the_car_moves_makes_it_worse_in_first_gear(drive: Drive) -> None:
    steady, usual, loose = (drive("flat", gear=1, speed="1200 rpm", foot=foot).shake for foot in ("steady", "usual", "loose"))
    assert steady < usual < loose
    assert loose > 2.0 * steady


# Behind a converter.


def with_converter(build: Build, stall: str) -> Build:
    """The build with an invented converter of 400 N m at a stall speed."""
    return build.replace(vehicle=build.vehicle.replace(transmission="converter", converter_stall_speed=stall, converter_stall_torque="400 N*m"))


# Where a clutch holds the speed at all.
@pytest.mark.parametrize(("gear", "mph"), [(1, 8), (1, 12), (1, 16), (2, 12), (2, 16), (3, 16)])
def test_a_converter_shakes_the_car_less_than_a_clutch(drive: Drive, build_of: Make, gear: int, mph: int) -> None:
    clutch = drive("zig", gear=gear, road_speed=f"{mph} mph")
    low, high = (
        drive("zig", build=with_converter(build_of("quarry-road"), stall), coupling="converter", gear=gear, road_speed=f"{mph} mph")
        for stall in ("1800 rpm", "2800 rpm")
    )
    assert not low.stalled
    assert not high.stalled
    assert low.shake < clutch.shake
    assert high.shake < clutch.shake
    if gear == 1 and mph <= 12:
        assert high.shake < low.shake


# A blip in neutral.


def blipped(drive: Drive, table: str) -> tuple[float, float]:
    """Swing of speed [rpm] and spark [deg], r.m.s. over seeds, from four seconds after a blip at 1500 rpm."""
    found = []
    for seed in range(1, 6):
        run = drive(table, gear=0, speed="1500 rpm", driver="blip", kick="0 rpm", duration="15 s", pedal_step=0.02, seed=seed).after(6.0)
        found.append((60.0 * np.std(run.si.speed), np.std(run.si.spark)))
    speed, saw = np.sqrt(np.mean(np.square(found), axis=0))
    print(f"{table}: speed {speed:.1f} rpm, spark {saw:.2f} deg r.m.s.")
    return float(speed), float(saw)


def test_after_a_blip_spark_saws_on_a_steep_table(drive: Drive) -> None:
    assert blipped(drive, "flat")[1] < 1e-9
    assert blipped(drive, "zig")[1] > 2.0
    assert blipped(drive, "zag")[1] > 2.0
    assert blipped(drive, "own")[1] < 1.0


@pytest.mark.parametrize("steep", ["zig", "zag"])
@pytest.mark.xfail(reason="burns that vary move the speed more than the saw of the spark does: 22 rpm on the steep tables against 20 on the flat one")
def test_after_a_blip_speed_hunts_twice_as_far_on_a_steep_table(drive: Drive, steep: str) -> None:
    assert blipped(drive, steep)[0] > 2.0 * blipped(drive, "flat")[0]

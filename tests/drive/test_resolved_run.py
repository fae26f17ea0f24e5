"""The maps of a drive over time against every cylinder integrated: the same kick, less the same run without it."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from camcalc.cycle.engine_tables import EngineTables, engine_tables
from camcalc.drive.closed_loop import ClosedLoop
from camcalc.drive.drive_run import simulate_drive
from camcalc.drive.engine_loop import LevelSpark, engine_side_of, loop_point
from camcalc.drive.level_road import level_road
from camcalc.drive.surge import BAND
from camcalc.errors import InputError
from camcalc.tables import SparkTable
from camcalc.vehicle.converter import converter_of, converter_slopes, converter_space
from camcalc.vehicle.driveline import driveline_of, road_speed_at, state_space

Make = Callable[..., Any]
Array = NDArray[np.float64]
SPARK, STEP = 20.0, 5e-3
LEVEL = SparkTable(load_kind="manifold pressure", speed=np.array([8.0, 60.0]), loads=np.array([10e3, 101e3]), cells=np.full((2, 2), SPARK), increment=0.1)
# Kicked swings are read from after so many seconds, over so many periods.
AFTER, PERIODS = 0.15, 3.0
EIGHT, TRUCK, FOUR = "quarry-road", "long-meadow", "dockside"
# A swing damped as much as through a slipping converter is over before a frequency can be read off; its course is compared all the same.
OVER_AT_ONCE = 0.4
POINTS = [
    *((EIGHT, False, gear, rpm, "locked") for gear, rpm in ((1, 1100), (2, 1100), (2, 1400), (3, 1000), (4, 1400))),
    (EIGHT, True, 3, 1200, "locked"), (TRUCK, False, 2, 1300, "converter"), (TRUCK, False, 3, 1200, "locked"), (FOUR, False, 3, 1400, "locked"),
]  # fmt: skip
IDS = [f"{name}-{'mild' if old else 'long'}-{gear}-{rpm}-{coupling}" for name, old, gear, rpm, coupling in POINTS]


@pytest.fixture(scope="module")
def close_tables_of(resolved_of: Make) -> Make:
    """Tables about the points here, with the maps of each point itself."""

    @functools.cache
    def found(name: str, old: bool) -> EngineTables:
        speeds = np.array([800.0, 1000.0, 1200.0, 1400.0, 1600.0]) / 60.0
        return engine_tables(resolved_of(name, old=old), speeds, np.arange(20e3, 85e3, 5e3), np.array([2.0, 10.0, 18.0, 26.0, 34.0]), net=False)

    return found


def swing_of(moved: Array, root: complex) -> tuple[float, float]:
    """Frequency [Hz] and damping of the part of a dying swing that is closest to a root, by linear prediction."""
    order, first = 8, round(AFTER / STEP)
    samples = moved[first : first + int(PERIODS / (abs(root) / 2.0 / math.pi) / STEP)]
    every = max(len(samples) // 160, 1)
    samples, step = samples[::every], every * STEP
    rows = np.lib.stride_tricks.sliding_window_view(samples, order)[:-1]
    ahead = np.linalg.lstsq(rows, samples[order:], rcond=None)[0]
    poles = np.log(np.roots(np.concatenate([[1.0], -ahead[::-1]])).astype(complex)) / step
    pole = poles[np.argmin(np.abs(poles - root))]
    return abs(pole) / 2.0 / math.pi, -pole.real / abs(pole)


def test_the_prediction_finds_a_swing_that_is_known() -> None:
    time = STEP * np.arange(400)
    roots = np.array([-2.5 + 19.0j, -9.0 + 40.0j, -4.0 + 0.0j])
    found = swing_of(np.real(np.exp(np.outer(time, roots)) @ np.array([1.0, 0.3, 0.2])), roots[0])
    assert found == pytest.approx((abs(roots[0]) / 2.0 / math.pi, 2.5 / abs(roots[0])), rel=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "old", "gear", "rpm", "coupling"), POINTS, ids=IDS)
def test_the_maps_swing_as_cylinders_that_are_integrated(
    build_of: Make, resolved_of: Make, close_tables_of: Make, name: str, old: bool, gear: int, rpm: int, coupling: str
) -> None:
    build, engine, tables = build_of(name, old=old), resolved_of(name, old=old), close_tables_of(name, old)
    locked = coupling == "locked"
    side, driveline = engine_side_of(build, tables), driveline_of(build, gear, locked=locked)
    pressure, turbine = level_road(build, side, driveline, LEVEL, rpm / 60.0, gear, coupling)
    point = loop_point(side, LevelSpark(SPARK), rpm / 60.0, pressure)
    assert point is not None
    road = road_speed_at(driveline, turbine)
    slips = None if locked else converter_slopes(converter_of(build.vehicle), engine_speed=rpm / 60.0, turbine_speed=turbine)
    space = state_space(driveline, road) if slips is None else converter_space(driveline, slips, road)
    mode = ClosedLoop.of(space, side, point).mode(BAND)
    assert mode is not None

    def moved(**which: Any) -> Array:
        asked: dict[str, Any] = {"gear": gear, "speed": f"{rpm} rpm", "coupling": coupling, "engine_tables": tables}
        asked |= {"noise": False, "fuel_follows": False, **which}
        kicked, plain = (simulate_drive(build, LEVEL, kick=kick, duration="2 s", sample_time="5 ms", **asked) for kick in ("15 rpm", "0 rpm"))
        assert not kicked.stalled
        assert not plain.stalled
        return np.asarray(kicked.si.twist - plain.si.twist)

    maps, real = moved(), moved(engine=engine)
    (frequency, damping), (real_frequency, real_damping) = swing_of(maps, mode.root), swing_of(real, mode.root)
    alike = float(np.corrcoef(maps, real)[0, 1])
    print(f"gear {gear}, {rpm} rpm, {pressure / 1e3:.0f} kPa: loop {mode.frequency:.3f} Hz {mode.damping:.4f}, maps {frequency:.3f} Hz {damping:.4f}, ", end="")
    print(f"cylinders {real_frequency:.3f} Hz {real_damping:.4f}, correlation {alike:.4f}, r.m.s. of cylinders over maps {real.std() / maps.std():.3f}")
    if mode.damping < OVER_AT_ONCE:
        assert frequency == pytest.approx(real_frequency, rel=0.03)
        assert damping == pytest.approx(real_damping, abs=0.02)
    assert real.std() == pytest.approx(maps.std(), rel=0.10)
    assert alike > 0.98


def test_the_pedal_of_cylinders_that_are_integrated_is_the_drivers(build_of: Make, resolved_of: Make, close_tables_of: Make) -> None:
    """Their throttle is opened a little further for a plenum that breathes, and so are the whole and the closed one."""
    asked: dict[str, Any] = {"gear": 2, "speed": "1300 rpm", "driver": "steady pedal", "duration": "2 s", "noise": False}
    asked["engine_tables"] = close_tables_of(EIGHT, False)
    maps, real = (simulate_drive(build_of(EIGHT), LEVEL, **asked, **more) for more in ({}, {"engine": resolved_of(EIGHT)}))
    assert 0.0 < maps.si.pedal[0] < 1.0
    assert real.si.pedal == pytest.approx(maps.si.pedal, rel=1e-9)


def test_an_engine_without_one_plenum_cannot_be_integrated_whole(build_of: Make, engine_of: Make, tables_of: Make) -> None:
    with pytest.raises(InputError, match="crank-resolved"):
        simulate_drive(build_of("quarry-road"), LEVEL, gear=2, speed="1500 rpm", engine_tables=tables_of("quarry-road"), engine=engine_of("quarry-road"))

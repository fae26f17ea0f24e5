"""What surge costs: ten seconds of drive, and a map of every gear, once all is compiled. Figures are printed; see them with ``pytest -s tests/bench``."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc import Build
from camcalc.cycle.engine_tables import EngineTables, engine_tables
from camcalc.drive.drive_run import simulate_drive
from camcalc.drive.risk import surge_map, surge_risk
from camcalc.tables import SparkTable, read_table

Make = Callable[..., Any]
# Of processor time, so that a busy machine does not decide; a free one takes a tenth of the first and a third of the second.
DRIVE_BUDGET, MAPS_BUDGET = 0.5, 5.0
# Over ten seconds of drive with what cycles remember, so that the machine does not decide; measured: 100.
GEAR_RATIO = 200.0


@pytest.fixture(scope="module")
def example(build_of: Make, engine_of: Make, root: Any) -> tuple[Build, EngineTables, SparkTable]:
    """The quarry-road example, tables of its quick engine, its spark table."""
    speeds, pressures = np.arange(800.0, 3001.0, 200.0) / 60.0, np.arange(20e3, 95.1e3, 5e3)
    tables = engine_tables(engine_of("quarry-road"), speeds, pressures, np.array([10.0, 20.0, 30.0, 40.0]))
    return build_of("quarry-road"), tables, read_table(root / "examples" / "quarry-road" / "spark.csv")


def least_seconds(call: Callable[[], Any], repeat: int) -> float:
    """Least of calls that find everything compiled: what the machine does besides only adds."""
    call()
    taken = []
    for _ in range(repeat):
        begin = time.process_time()
        call()
        taken.append(time.process_time() - begin)
    return min(taken)


def test_ten_seconds_of_drive_take_a_fraction_of_one(example: tuple[Build, EngineTables, SparkTable]) -> None:
    build, tables, table = example
    taken = least_seconds(lambda: simulate_drive(build, table, gear=2, speed="1700 rpm", duration="10 s", engine_tables=tables), 5)
    print(f"\nten seconds of drive in {1e3 * taken:.1f} ms, {10.0 / taken:.0f} times as fast as driven")
    assert taken < DRIVE_BUDGET


def test_a_gear_with_every_foot_and_switch_takes_seconds(build_of: Make, resolved_of: Make, root: Any) -> None:
    """Six speeds, three feet, without each of four shakers, on a level table, with what cycles remember known before."""
    build, table = build_of("quarry-road"), read_table(root / "examples" / "quarry-road" / "spark.csv")
    speeds, sparks = np.array([1000.0, 1200.0, 1400.0, 1600.0, 1800.0, 2000.0]) / 60.0, np.array([10.0, 25.0, 40.0])
    tables = engine_tables(resolved_of("quarry-road"), np.linspace(800.0, 2200.0, 8) / 60.0, np.arange(20e3, 95.1e3, 5e3), sparks)

    def gear() -> None:
        found = surge_risk(build, table, gear=2, engine_tables=tables, speeds=speeds, sources=True)
        assert len(found.verdict) == speeds.size

    drive = least_seconds(lambda: simulate_drive(build, table, gear=2, speed="1700 rpm", duration="10 s", engine_tables=tables), 5)
    print(f"\nten seconds of drive with what cycles remember in {1e3 * drive:.1f} ms, {10.0 / drive:.0f} times as fast as driven")
    assert drive < DRIVE_BUDGET
    taken = least_seconds(gear, 2)
    print(f"\na gear with six speeds, three feet, all switches: {taken:.1f} s of processor time, {taken / drive:.0f} times ten seconds of drive")
    assert taken < GEAR_RATIO * drive


def test_maps_of_all_gears_take_seconds(example: tuple[Build, EngineTables, SparkTable]) -> None:
    build, tables, table = example
    maps = [surge_map(build, table, gear=1, engine_tables=tables)]

    def every() -> None:
        maps[:] = [surge_map(build, table, gear=gear, engine_tables=tables) for gear in range(1, 7)]

    taken = least_seconds(every, 2)
    points = sum(int(np.isfinite(one.si.damping).sum()) for one in maps)
    print(f"\nmaps of six gears in {taken:.2f} s, {1e3 * taken / points:.2f} ms for each of {points} points")
    assert all(one.si.damping.shape == (16, 16) for one in maps)
    assert points > 6 * 200
    assert taken < MAPS_BUDGET

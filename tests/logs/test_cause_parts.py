"""The parts that causes are told by: what is known of a car beforehand, too little to tell, a table that is flat where it surges."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad

from camcalc import load_build
from camcalc.logs import DriveLog, find_surge, review_log
from camcalc.logs.cause_shares import BY_ENGINE, BY_SHEET, USUAL_TORQUE, _looks_flat, belief_of, cause_of
from camcalc.logs.causes import Cause, CauseNote
from camcalc.logs.delays import find_delays
from camcalc.logs.doing import UNTOLD
from camcalc.logs.review import ReviewNote
from camcalc.logs.signals import LOWEST, ORDER
from camcalc.logs.surge_finder import FinderNote
from camcalc.logs.swing_memory import _bandwidth, noise_energy
from camcalc.logs.swing_mode import Block
from camcalc.logs.swing_parts import MOST_BLOCKS, _thinned
from camcalc.logs.taken_away import ANY_CAR, Remedy, _smaller, weighed
from camcalc.sheet import Build
from camcalc.tables import SparkTable
from camcalc.vehicle.driveline import driveline_of
from tests.oracles import drive_log

from .conftest import as_log, as_table

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture(scope="module")
def build() -> Build:
    return load_build(EXAMPLES / "quarry-road" / "build.toml")


@pytest.mark.parametrize("gear", [1, 2, 4])
def test_a_degree_of_spark_turns_the_inertia_that_swings_in_the_gear(build: Build, gear: int) -> None:
    # Two inertias on a spring swing against each other: the engine's speed answers to torque as one of J (1 + J / J_car) would (textbook, exact).
    line = driveline_of(build, gear)
    engine, car = line.engine_inertia / line.ratio**2, line.load_inertia / line.ratio**2
    known = belief_of(build, float(gear), 1.5)
    assert known.damping == ANY_CAR.damping
    assert known.per_degree == pytest.approx((1.5 / (engine * (1.0 + engine / car)) / math.tau, BY_ENGINE), rel=1e-12)


def test_without_an_engine_the_sheet_says_less_and_without_a_gear_nothing(build: Build) -> None:
    assert build.engine.cylinders * math.pi / 4.0 * build.engine.si.bore**2 * build.engine.si.stroke * USUAL_TORQUE == pytest.approx(
        belief_of(build, 2.0, math.nan).per_degree[0] / belief_of(build, 2.0, 1.0).per_degree[0], rel=1e-9
    )
    assert belief_of(build, 2.0, math.nan).per_degree[1] == belief_of(build, 2.0, -1.0).per_degree[1] == BY_SHEET
    beyond = len(build.vehicle.gear_ratios) + 1.0
    assert {belief_of(None, 2.0, 1.0), belief_of(build, math.nan, 1.0), belief_of(build, 0.0, 1.0), belief_of(build, beyond, 1.0)} == {ANY_CAR}
    assert belief_of(build, beyond - 1.0, 1.0) != ANY_CAR


def test_one_block_tells_nothing() -> None:
    rng = np.random.default_rng(1)
    x = rng.normal(size=9) + 1j * rng.normal(size=9)
    blocks = [Block(middle=10.0, follows=-1, rows=64, step=0.05, band=np.linspace(10.0, 18.0, 9), x=x, turned=1j * x, others={})]
    assert weighed([], 2.0, ANY_CAR) is None
    assert weighed(blocks, 2.0, ANY_CAR) is None


@pytest.mark.parametrize(
    ("remedy", "follows", "cause"),
    [
        (Remedy.TABLE_LEVEL, Cause.UNKNOWN, Cause.TABLE),
        (Remedy.BURN_HALVED, Cause.TABLE, Cause.BURN),
        (Remedy.PEDAL_HELD, Cause.TABLE, Cause.DRIVER),
        (Remedy.KNOCK_RETARD_FROZEN, Cause.TABLE, Cause.KNOCK_RETARD),
        (Remedy.CORRECTION_FROZEN, Cause.IDLE_CORRECTION, Cause.IDLE_CORRECTION),
        (Remedy.CORRECTION_FROZEN, Cause.ANOTHER_TABLE, Cause.ANOTHER_TABLE),
        (Remedy.CORRECTION_FROZEN, Cause.TABLE, Cause.UNKNOWN),
        (Remedy.SPARK_LEVEL, Cause.NO_TABLE, Cause.NO_TABLE),
    ],
)
def test_a_remedy_names_the_cause_that_it_takes_away(remedy: Remedy, follows: Cause, cause: Cause) -> None:
    assert cause_of(remedy, follows) is cause


def table(slope: float) -> SparkTable:
    """Spark that rises with speed by so much for each rev/s."""
    speeds = np.arange(15.0, 31.0, 2.5)
    cells = np.add.outer(20.0 + slope * (speeds - 15.0), [0.0, 0.0])
    return SparkTable(load_kind="manifold pressure", speed=speeds, loads=[2e4, 8e4], cells=cells, increment=0.1)


def test_a_table_is_flat_or_steep_by_where_it_surges_alone() -> None:
    t = np.arange(0.0, 40.0, 0.02)
    surges = t > 20.0
    speed = 22.0 + np.where(surges, 1.2 * np.sin(2.0 * np.pi * 2.4 * t), 0.0) + 0.01 * np.random.default_rng(2).normal(size=t.size)
    load = np.full(t.size, 4.5e4)
    steep, flat = table(2.0), table(0.05)
    # Before it surges spark moves by itself, far more than any table: that is not looked at.
    spark = np.asarray(steep.spark_at(speed, load)) + np.where(surges, 0.0, 6.0 * np.sin(2.0 * np.pi * 3.0 * t))
    log = DriveLog.of(time=t, speed=speed, load=load, load_kind="manifold pressure", spark=spark, pedal=np.full(t.size, 0.2))
    findings = find_surge(log)
    assert min(e.si.start for e in findings.episodes) > 15.0
    assert not _looks_flat(log, findings, steep, find_delays(log, steep))
    assert _looks_flat(log, findings, flat, find_delays(log, flat))


def test_what_a_log_now_tells_is_no_more_said_to_be_untold() -> None:
    t = np.arange(0.0, 40.0, 0.02)
    speed = 22.0 + 1.2 * np.sin(2.0 * np.pi * 2.4 * t) + 0.01 * np.random.default_rng(2).normal(size=t.size)
    load, steep = np.full(t.size, 4.5e4), table(2.0)
    spark = np.asarray(steep.spark_at(speed, load))
    (cause,) = review_log(DriveLog.of(time=t, speed=speed, load=load, load_kind="manifold pressure", spark=spark, pedal=np.full(t.size, 0.2)), steep).causes
    assert cause.taken
    assert cause.follows is Cause.TABLE
    assert CauseNote.NOT_IN_A_LOG not in cause.notes


@pytest.mark.parametrize("high", [4.0, 9.0, math.inf])
def test_noise_in_the_band_is_its_density_times_the_band_passed(high: float) -> None:
    # The area under the filters' squared gain, by quadrature.
    step = 0.02

    def passed(f: float) -> float:
        return float(1.0 / ((1.0 + (LOWEST / f) ** ORDER) * (1.0 + (f / high) ** ORDER)) ** 2)

    known = 0.5 / step if math.isinf(high) else quad(passed, 1e-6, 0.5 / step, limit=200)[0]
    assert _bandwidth(high, step) == pytest.approx(known, rel=2e-3)
    windows = [np.random.default_rng(k).normal(size=256) for k in range(200)]
    if math.isfinite(high):
        assert noise_energy(windows, step, high) == pytest.approx(known * 2.0 * step, rel=0.1)


def test_pieces_too_short_to_judge_are_said_and_whole_logs_are_not() -> None:
    t = np.arange(0.0, 30.0, 0.02)
    speed = 22.0 + 0.01 * np.random.default_rng(4).normal(size=t.size)
    whole = find_surge(DriveLog.of(time=t, speed=speed, pedal=np.full(t.size, 0.2)))
    assert FinderNote.SHORT_PIECES not in whole.notes
    assert whole.si.too_short == 0.0
    # Ten seconds in pieces of half a second, a second apart.
    broken = t + np.where(t < 10.0, np.floor(t / 0.5), 20.0)
    cut = find_surge(DriveLog.of(time=broken, speed=speed, pedal=np.full(t.size, 0.2)))
    assert FinderNote.SHORT_PIECES in cut.notes
    assert cut.si.too_short == pytest.approx(10.0, rel=0.1)


def test_a_swing_that_is_not_the_tables_lowers_nothing_and_says_so() -> None:
    # The table is level, spark moves by itself in step with speed: whatever does it, no cell is lowered for it.
    t = np.arange(0.0, 40.0, 0.02)
    speed = 22.0 + 1.2 * np.sin(2.0 * np.pi * 2.4 * t) + 0.01 * np.random.default_rng(2).normal(size=t.size)
    load, level = np.full(t.size, 4.5e4), table(0.0)
    about = {"time": t, "speed": speed, "load": load, "load_kind": "manifold pressure", "pedal": np.full(t.size, 0.2)}
    with_spark = review_log(DriveLog.of(spark=20.0 + 3.0 * (speed - 22.0), **about), level)
    assert with_spark.lower == ()
    assert ReviewNote.NOT_THE_TABLE in with_spark.notes
    # Without spark in the log nothing is known of the table's share, and nothing is said of it.
    without = review_log(DriveLog.of(**about), level)
    assert math.isnan(without.table_share)
    assert (ReviewNote.NOT_THE_TABLE in without.notes) is (without.main_cause not in UNTOLD)
    quiet = review_log(DriveLog.of(spark=np.full(t.size, 20.0), **about | {"speed": np.full(t.size, 22.0)}), level)
    assert quiet.findings.episodes == ()
    assert ReviewNote.NOT_THE_TABLE not in quiet.notes


def test_a_long_log_is_thinned_to_pairs_over_its_whole_length() -> None:
    blocks = [
        Block(middle=float(k), follows=k - 1 if k % 2 else -1, rows=64, step=0.05, band=np.ones(1), x=np.ones(1) + 0j, turned=np.ones(1) + 0j, others={})
        for k in range(4 * MOST_BLOCKS)
    ]
    kept = _thinned(blocks)
    assert len(kept) == MOST_BLOCKS
    assert (kept[0].middle, kept[-1].middle) == (0.0, float(len(blocks) - 1))
    assert all(b.middle == a.middle + 1.0 and a.middle % 2.0 == 0.0 for a, b in zip(kept[::2], kept[1::2], strict=True))


@pytest.mark.parametrize("forcing", [0.25, 0.5, 1.0])
def test_a_swing_over_an_even_slope_goes_as_its_forcing(forcing: float) -> None:
    """Derived: where half the swing decays as fast as the whole, its mean square is proportional to that of what forces it."""
    left = _smaller(np.full((2, 3), 1.7), np.zeros((2, 3)), np.full((2, 1), forcing))
    assert left == pytest.approx(np.full((2, 3), forcing), rel=1e-6)


@pytest.mark.parametrize("steeper", [-0.6, 0.2, 0.45])
def test_a_smaller_swing_balances_its_forcing_at_its_own_decay(steeper: float) -> None:
    """Derived: r^2 a(r) = q a(1), with a(r) a straight line between half the swing and the whole."""
    (left,) = _smaller(np.array([1.0]), np.array([steeper]), np.array([0.25]))
    r = float(np.sqrt(left))
    assert r**2 * (1.0 - 2.0 * (1.0 - max(r, 0.5)) * steeper) == pytest.approx(0.25, abs=1e-5)
    # A slope that ends within the swing keeps the swing up: less forcing takes less off.
    assert (r > 0.5) is (steeper > 0.0)


def test_burns_half_as_rough_take_little_off_a_swing_that_its_table_keeps_up() -> None:
    """The table's step lies between two breakpoints; the swing that it drives by itself reaches over them whatever the burns do."""
    drive = dataclasses.replace(drive_log.DRIVES["table"], seconds=60.0)
    half = dataclasses.replace(drive, burn_noise=0.5 * drive.burn_noise)
    size = [float(np.std(drive_log.run(one, seed=3).true["speed"][5000:])) for one in (drive, half)]
    assert size[1] > 0.95 * size[0]
    (cause, *_) = review_log(as_log(drive_log.run(drive, seed=3)), as_table(drive.cells)).causes
    taken = {one.remedy: one for one in cause.taken}
    assert abs(taken[Remedy.BURN_HALVED].share) < 0.1
    assert taken[Remedy.TABLE_LEVEL].share > 0.8

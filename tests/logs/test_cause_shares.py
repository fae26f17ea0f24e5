"""What a swing would lose without each cause, held against three cars whose loss is known by driving them without it, and against simple cases.

The linear swing (tests/oracles/linear_swing.py) has the same noise with and without, so its loss is exact; the independent car
(tests/oracles/drive_log.py) draws other burns once it runs otherwise, so its loss is that of many drives; the package's own car is driven with the same
draws. No threshold was set by the seeds used here: those of development were 0 to 60 of other generators of figures.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import pytest

from camcalc.logs import DriveLog, review_log
from camcalc.logs.cause_shares import cause_of
from camcalc.logs.causes import Cause
from camcalc.logs.delays import DelayNote, find_delays
from camcalc.logs.signals import band_pass
from camcalc.logs.taken_away import Remedy
from camcalc.tables import SparkTable
from camcalc.words import describe
from camcalc.words.review import review_words
from tests.oracles import drive_log, linear_swing

from .conftest import as_log, as_table

RATES = (20.0, 25.0, 50.0, 100.0)
LINEAR_SEEDS, CAR_SEEDS, OWN_SEEDS = range(7000, 7120), range(8000, 8040), range(9000, 9030)
# A table that decides less than this is not to be named.
LITTLE = 0.2
# A cause named in place of another costs as much of the swing as the other would take off more; from so much on it counts as costly.
COSTLY = 0.1
# A cause is named in so many logs at least; in the others the log does not tell two apart, and says so.
NAMED = 0.6


class Judged(NamedTuple):
    """One log: what truly takes away how much, the cause named, the one ranked first whether named or not, the table's share as told and its band."""

    what: str
    true: dict[Cause, float]
    named: Cause | None
    ranked: Cause | None
    share: float
    band: tuple[float, float]

    @property
    def truth(self) -> Cause:
        """The cause with the largest true share."""
        return max(self.true, key=self.true.__getitem__)


def judged(what: str, log: DriveLog, table: SparkTable, true: dict[Cause, float], **about: Any) -> Judged | None:
    """Review a log; nothing where it shows no surge."""
    review = review_log(log, table, **about)
    if not review.causes:
        return None
    longest = max(zip(review.findings.episodes, review.causes, strict=True), key=lambda pair: float(pair[0].si.end - pair[0].si.start))[1]
    tables = [one for one in longest.taken if one.remedy is Remedy.TABLE_LEVEL]
    first = cause_of(longest.taken[0].remedy, longest.follows or longest.cause) if longest.taken else longest.cause
    return Judged(what, true, review.main_cause, first, review.table_share, (tables[0].low, tables[0].high) if tables else (math.nan, math.nan))


def figures(rows: list[Judged]) -> dict[str, float]:
    """Return the shares that are asked for; printed with ``pytest -s``."""
    little = [row for row in rows if row.true[Cause.TABLE] < LITTLE]
    found = {
        "logs": len(rows),
        "right": np.mean([row.named is row.truth for row in rows]),
        "ranked right": np.mean([row.ranked is row.truth for row in rows]),
        "named": np.mean([row.named is not Cause.NOT_TOLD for row in rows]),
        "right of named": np.mean([row.named is row.truth for row in rows if row.named is not Cause.NOT_TOLD]),
        "not told": np.mean([row.named is Cause.NOT_TOLD for row in rows]),
        "costly": np.mean([row.named in row.true and row.true[row.named] < max(row.true.values()) - COSTLY for row in rows]),
        "little": len(little),
        "wrongly the table": np.mean([row.named is Cause.TABLE for row in little]),
        "in band": np.mean([row.band[0] <= row.true[Cause.TABLE] <= row.band[1] for row in rows if math.isfinite(row.band[0])]),
    }
    wrong = [
        f"{row.what}: { ({c.code: round(s, 2) for c, s in row.true.items()}) } named {row.named}"
        for row in rows
        if row.named is not row.truth
    ]
    print("\n" + ", ".join(f"{name} {value:.3g}" for name, value in found.items()), *wrong, sep="\n  ")
    return {name: float(value) for name, value in found.items()}


# --- the linear swing ---


def linear(seed: int) -> tuple[str, linear_swing.Swing, float]:
    """A swing of random figures, its kind, rows a second."""
    rng = np.random.default_rng([31, seed])
    kind = ("speed", "load", "burn", "correction", "knock", "damps")[seed % 6]
    frequency, damping, hold = float(rng.uniform(2.0, 6.0)), float(rng.uniform(0.02, 0.08)), float(rng.uniform(0.8, 1.6))
    # The slope at which damping is gone.
    limit = 4.0 * math.pi * frequency * damping / hold
    swing = linear_swing.Swing(
        frequency=frequency, damping=damping, per_degree=hold, burn=float(rng.uniform(6.0, 25.0)), speed=float(rng.uniform(18.0, 30.0)),
        seconds=float(rng.choice([30.0, 60.0, 120.0])), late_spark=float(rng.uniform(0.0, 0.1)), late_load=float(rng.uniform(0.0, 0.1)),
    )  # fmt: skip
    more: dict[str, Any] = {
        "speed": {"along_speed": limit * float(rng.uniform(0.3, 0.95))},
        "damps": {"along_speed": -limit * float(rng.uniform(0.3, 1.0))},
        "burn": {},
        "load": {
            "along_speed": limit * float(rng.uniform(0.0, 0.3)), "along_load": float(rng.uniform(-0.8, 0.8)), "load_noise": float(rng.uniform(0.5, 3.0)),
            "burn": float(rng.uniform(3.0, 12.0)),
        },
        "correction": {
            "along_speed": limit * float(rng.uniform(0.0, 0.1)), "correction": limit * float(rng.uniform(0.3, 0.95)), "correction_late": 0.5 / frequency
        },
        "knock": {"knock": float(rng.uniform(3.0, 9.0))},
    }  # fmt: skip
    return kind, dataclasses.replace(swing, **more[kind]), float(rng.choice(RATES))


def linear_table(swing: linear_swing.Swing) -> SparkTable:
    speeds, loads = np.array([swing.speed - 5.0, swing.speed + 5.0]), np.array([20.0, 90.0])
    cells = 20.0 + swing.along_speed * (speeds[:, None] - swing.speed) + swing.along_load * (loads - 45.0)
    return SparkTable(load_kind="manifold pressure", speed=speeds, loads=1e3 * loads, cells=cells, increment=0.1)


def linear_log(swing: linear_swing.Swing, seed: int, rate: float) -> DriveLog:
    rows = linear_swing.logged(swing, seed, rate)
    return DriveLog.of(load_kind="manifold pressure", pedal=np.full(rows["time"].size, 0.2), **rows)


def linear_truth(swing: linear_swing.Swing, seed: int) -> dict[Cause, float]:
    lost = functools.partial(linear_swing.lost, swing, seed)
    out = {Cause.TABLE: lost(along_speed=0.0, along_load=0.0), Cause.BURN: lost(burn=0.5 * swing.burn)}
    out |= {Cause.UNKNOWN: lost(correction=0.0)} if swing.correction else {}
    return out | ({Cause.KNOCK_RETARD: lost(knock=0.0)} if swing.knock else {})


@pytest.mark.slow
def test_the_cause_of_a_linear_swing_is_named() -> None:
    rows = []
    for seed in LINEAR_SEEDS:
        kind, swing, rate = linear(seed)
        row = judged(f"{kind} {seed} {rate:g} Hz", linear_log(swing, seed, rate), linear_table(swing), linear_truth(swing, seed))
        rows += [row] if row is not None else []
    found = figures(rows)
    assert found["logs"] >= 100
    assert found["little"] >= 50
    assert found["ranked right"] >= 0.9
    assert found["right of named"] >= 0.9
    assert found["named"] >= NAMED
    assert found["wrongly the table"] <= 0.05


def test_a_level_table_owns_nothing() -> None:
    swing = linear_swing.Swing()
    row = judged("level", linear_log(swing, 5, 50.0), linear_table(swing), linear_truth(swing, 5))
    assert row is not None
    assert row.true[Cause.TABLE] == 0.0
    assert (row.named, row.share) == (Cause.BURN, pytest.approx(0.0, abs=0.02))


def test_spark_that_falls_with_speed_damps_and_is_said_to() -> None:
    swing = linear_swing.Swing(along_speed=-2.5, burn=14.0, seconds=120.0)
    log, table = linear_log(swing, 6, 50.0), linear_table(swing)
    true, review = linear_truth(swing, 6), review_log(log, table)
    assert true[Cause.TABLE] < -0.15
    assert review.main_cause is Cause.BURN
    assert review.table_share < -0.1
    assert review.lower == ()
    assert f"On a level table the swing would be {-100.0 * review.table_share:.0f} % larger" in " ".join(review_words(review).split())


@pytest.mark.parametrize("of_limit", [0.9, 0.97])
def test_near_the_limit_of_damping_the_table_owns_nearly_all(of_limit: float) -> None:
    limit = 4.0 * math.pi * 3.0 * 0.08
    swing = linear_swing.Swing(along_speed=of_limit * limit, burn=5.0, seconds=120.0)
    review = review_log(linear_log(swing, 7, 50.0), linear_table(swing))
    assert linear_truth(swing, 7)[Cause.TABLE] > 0.5
    assert review.main_cause is Cause.TABLE
    assert review.table_share > 0.5
    (cause, *_) = review.causes
    first = cause.taken[0]
    assert first.remedy is Remedy.TABLE_LEVEL
    assert first.low < first.share < first.high <= 1.0


def test_half_the_scatter_of_burns_alone_takes_half_away() -> None:
    """Exact: with a level table, and nothing else that forces it, the swing goes as its forcing."""
    swing = linear_swing.Swing(burn=12.0)
    (cause, *_) = review_log(linear_log(swing, 8, 50.0), linear_table(swing)).causes
    assert {one.remedy: one.share for one in cause.taken}[Remedy.BURN_HALVED] == pytest.approx(0.5, abs=0.02)


# --- the independent car ---


def car(seed: int) -> tuple[drive_log.Drive, float, dict[str, float]]:
    """A drive of random figures, rows a second, and how late channels are."""
    rng = np.random.default_rng([32, seed])
    along_load = float(rng.choice([0.0, rng.uniform(-0.3, 0.8)]))
    drive = drive_log.Drive(
        cells=drive_log.table(step=float(rng.uniform(-4.0, 10.0)), per_kpa=along_load), speed=1300.0 + float(rng.uniform(-60.0, 60.0)),
        gear=int(rng.choice([1, 2, 3])), damping=float(rng.uniform(12.0, 45.0)), burn_noise=float(rng.uniform(1.0, 9.0)),
        load_noise=float(rng.choice([0.0, rng.uniform(0.3, 1.8)])), seconds=float(rng.choice([30.0, 60.0, 120.0])),
    )  # fmt: skip
    return drive, float(rng.choice(RATES)), {"spark": float(rng.uniform(0.0, 0.1)), "load": float(rng.uniform(0.0, 0.1))}


def late(made: drive_log.Log, by: dict[str, float]) -> drive_log.Log:
    """The log with channels written late."""
    time = made.logged["time"]
    return dataclasses.replace(made, logged=made.logged | {name: np.interp(time - lag, made.true["time"], made.true[name]) for name, lag in by.items()})


def car_power(drive: drive_log.Drive, frequency: float, draws: int = 6) -> float:
    """Mean square of engine speed about the frequency, over some drives of a minute and more."""
    out = []
    for draw in range(draws):
        true = drive_log.run(dataclasses.replace(drive, seconds=max(60.0, drive.seconds)), seed=50_000 + draw, rate=1.0).true
        swing = band_pass(true["speed"], drive_log.STEP, 0.65 * frequency, 1.35 * frequency)
        out.append(float(np.mean(swing[true["time"] >= 4.0] ** 2)))
    return float(np.mean(out))


def car_truth(drive: drive_log.Drive, frequency: float, spark: float) -> dict[Cause, float]:
    whole = car_power(drive, frequency)
    level, half = (
        dataclasses.replace(drive, **change) for change in ({"cells": drive_log.table(base=spark - drive.adder)}, {"burn_noise": 0.5 * drive.burn_noise})
    )
    return {cause: 1.0 - math.sqrt(car_power(one, frequency) / whole) for cause, one in ((Cause.TABLE, level), (Cause.BURN, half))}


TIES = "measured 33 of 40: table and half the burns are within 0.1 of one another in six of the seven; four of the seven are named no cause"


@functools.cache
def car_figures() -> dict[str, float]:
    """All logs of the independent car."""
    rows = []
    for seed in CAR_SEEDS:
        drive, rate, by = car(seed)
        made = late(drive_log.run(drive, seed=seed, rate=rate), by)
        true = car_truth(drive, drive_log.own_frequency(drive), float(np.mean(made.true["spark"])))
        row = judged(f"{seed} gear {drive.gear} {rate:g} Hz", as_log(made), as_table(drive.cells), true)
        rows += [row] if row is not None else []
    return figures(rows)


@pytest.mark.slow
def test_the_table_of_an_independent_car_is_not_named_for_nothing() -> None:
    found = car_figures()
    assert found["logs"] >= 30
    assert found["little"] >= 15
    assert found["wrongly the table"] <= 0.05
    assert found["costly"] <= 0.05


@pytest.mark.slow
def test_the_cause_of_an_independent_car_is_named_or_not_told() -> None:
    found = car_figures()
    assert found["named"] >= NAMED
    assert found["right of named"] >= 0.9


@pytest.mark.slow
@pytest.mark.xfail(strict=True, reason=TIES)
def test_the_first_cause_of_every_log_of_an_independent_car_is_right() -> None:
    """The raw count: whether a cause is named or not."""
    assert car_figures()["ranked right"] >= 0.9


@pytest.mark.parametrize(("kind", "change"), [("idle correction", {"idle_gain": 0.0}), ("knock retard", {"knock": 0.0})])
def test_corrections_that_spark_follows_may_take_off_next_to_nothing(kind: str, change: dict[str, float]) -> None:
    """So the drives of ``drive_log`` are: what their spark follows is not what shakes them."""
    drive = drive_log.DRIVES[kind]
    frequency = drive_log.own_frequency(drive)
    whole, without, half = (car_power(one, frequency) for one in (
        drive, dataclasses.replace(drive, **change), dataclasses.replace(drive, burn_noise=0.5 * drive.burn_noise),
    ))  # fmt: skip
    assert 1.0 - math.sqrt(without / whole) < 0.15
    assert 1.0 - math.sqrt(half / whole) > 0.4


# --- the package's own car ---


@pytest.fixture(scope="module")
def own_figures(build_of: Callable[..., Any], base: SparkTable) -> dict[str, float]:
    """All logs of the package's own car."""
    from camcalc import QuickEngine
    from camcalc.cycle.engine_tables import engine_tables
    from camcalc.drive.drive_run import simulate_drive

    build = build_of("quarry-road")
    tables = engine_tables(QuickEngine(build), np.linspace(800.0, 2600.0, 7) / 60.0, np.linspace(20e3, 95e3, 6), np.array([2.0, 10.0, 25.0, 40.0]))
    rows = []
    for seed in OWN_SEEDS:
        rng = np.random.default_rng([33, seed])
        gear, speed = int(rng.choice([1, 2, 3])), float(rng.uniform(1200.0, 1800.0))
        by_speed, by_load = float(rng.uniform(-10.0, 60.0)), float(rng.choice([0.0, rng.uniform(-0.6, 1.0)]))
        about: dict[str, Any] = {"gear": gear, "speed": f"{speed!r} rpm", "engine_tables": tables, "duration": "60 s", "driver": "speed hold", "seed": seed}
        held = float(np.mean(simulate_drive(build, base.with_spark(np.full(base.shape, 25.0)), **about).load)) / 1e3
        cells = 25.0 + by_speed * (base.si.speed[:, None] * 60.0 - speed) / 1e3 + by_load * (base.loads / 1e3 - held)
        table = base.with_spark(np.clip(cells, -10.0, 60.0).round(1))
        run = simulate_drive(build, table, **about)
        if run.stalled:
            continue
        late_part = run.after(4.0)
        level = base.with_spark(np.full(base.shape, float(np.mean(late_part.si.spark))))
        swing, on_level, unshaken = (one.speed_swing for one in (
            late_part, simulate_drive(build, level, **about).after(4.0), simulate_drive(build, table, **about, without=("burn", "missed", "fuel")).after(4.0),
        ))  # fmt: skip
        # Forcing halved leaves a quarter of its mean square.
        half = math.sqrt(max(swing**2 - 0.75 * (swing**2 - unshaken**2), 0.0))
        row = judged(
            f"{seed} gear {gear} {speed:.0f} rpm", run.log(), table, {Cause.TABLE: 1.0 - on_level / swing, Cause.BURN: 1.0 - half / swing}, build=build
        )
        rows += [row] if row is not None else []
    return figures(rows)


@pytest.mark.slow
def test_no_wrong_cause_of_the_packages_own_car_is_named(own_figures: dict[str, float]) -> None:
    assert own_figures["logs"] >= 20
    assert own_figures["little"] >= 10
    assert own_figures["wrongly the table"] <= 0.05
    assert own_figures["named"] >= NAMED
    assert own_figures["right of named"] >= 0.9


@pytest.mark.slow
def test_the_first_cause_of_every_log_of_the_packages_own_car_is_right(own_figures: dict[str, float]) -> None:
    """The raw count: whether a cause is named or not."""
    assert own_figures["ranked right"] >= 0.9


@pytest.fixture(scope="module")
def base(root: Any) -> SparkTable:
    from camcalc.tables import read_table

    return read_table(root / "examples" / "quarry-road" / "spark.csv")


# --- delays ---


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(("spark", "load"), [(0.0, 0.0), (0.083, 0.031), (0.04, 0.17), (0.19, 0.0)])
def test_delays_of_their_own_are_found(rate: float, spark: float, load: float) -> None:
    swing = linear_swing.Swing(along_speed=1.5, along_load=0.5, load_noise=2.0, burn=14.0, seconds=60.0, late_spark=spark, late_load=load)
    found = find_delays(linear_log(swing, 11, rate), linear_table(swing))
    assert (found.spark_note, found.load_note) == (DelayNote.FOUND, DelayNote.FOUND)
    assert found.si.spark == pytest.approx(spark, abs=0.01)
    assert found.si.load == pytest.approx(load, abs=0.01)


def test_no_delay_is_taken_where_none_can_be_told() -> None:
    """One sine, of which other delays fit as well; a flat spark; a table that does not set it; no table."""
    t = np.arange(0.0, 40.0, 0.04)
    speed = 22.0 + 1.0 * np.sin(2.0 * np.pi * 5.5 * t)
    table = SparkTable(
        load_kind="manifold pressure", speed=np.array([17.0, 27.0]), loads=[3e4, 6e4], cells=np.array([[10.0, 10.0], [30.0, 30.0]]), increment=1.0
    )
    about: dict[str, Any] = {"time": t, "speed": speed, "load": np.full(len(t), 4e4), "load_kind": "manifold pressure"}
    lagged = 20.0 + 2.0 * np.sin(2.0 * np.pi * 5.5 * (t - 0.08))
    for spark, given, note in (
        (lagged, table, DelayNote.NOT_TOLD),
        (np.full(len(t), 20.0), table, DelayNote.FLAT),
        (20.0 + 2.0 * np.sin(2.0 * np.pi * 3.1 * t), table, DelayNote.NOT_THIS_TABLE),
        (lagged, None, DelayNote.NO_TABLE),
    ):
        found = find_delays(DriveLog.of(**about, spark=spark), given)
        assert (found.si.spark, found.si.load, found.spark_note) == (0.0, 0.0, note)
        assert "not" in describe(found)


def test_a_delay_does_not_change_the_cause() -> None:
    drive = drive_log.DRIVES["table"]
    made = drive_log.run(drive, seed=3, rate=25.0)
    table = as_table(drive.cells)
    prompt, behind = review_log(as_log(made), table), review_log(as_log(late(made, {"spark": 0.08, "load": 0.05})), table)
    assert prompt.main_cause is behind.main_cause is Cause.TABLE
    assert behind.delays is not None
    assert behind.delays.si.spark == pytest.approx(0.08, abs=0.01)
    assert behind.table_share == pytest.approx(prompt.table_share, abs=0.05)
    assert len(behind.lower) == len(prompt.lower) > 0


# --- cells ---


def test_cells_stay_on_their_floor_and_where_spark_does_not_cure() -> None:
    made = drive_log.run(drive_log.DRIVES["table"], seed=1, rate=25.0)
    table, log = as_table(made.drive.cells), as_log(made)
    free = review_log(log, table)
    floor = np.full(table.shape, np.nan)
    (one, *_) = free.lower
    floor[one.cell] = one.now - 1.0
    held = review_log(log, table, floor=floor)
    assert {advice.cell: advice.then for advice in held.lower}[one.cell] == one.now - 1.0
    assert held.held_by_floor == 1
    ceiling = table.si.cells - 2.0
    told = review_log(log, table, ceiling=ceiling, uncured=np.ones(table.shape, dtype=bool))
    assert told.uncured > 0
    assert {advice.why.code for advice in told.lower}.isdisjoint({"above_ceiling"})
    assert told.lower == free.lower

"""The right cause named for every kind of drive, what to do next, and before against after."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from camcalc.errors import InputError, InputErrors
from camcalc.logs import DriveLog, compare_logs, review_log
from camcalc.logs.causes import Cause, CauseNote, cell_weights
from camcalc.logs.comparison import ComparisonVerdict
from camcalc.logs.raised_spark import raised
from camcalc.logs.review import DRIVEN, AdviceReason, CellAdvice, ReviewNote, _and_under_knock
from camcalc.tables import SparkTable, add_back
from camcalc.words import describe
from camcalc.words.review import review_full, review_next_step, review_words
from camcalc.words.review_glance import glance_lines
from camcalc.words.surge_in_log import cause_verdict
from tests.oracles import drive_log

from .conftest import as_log, as_table

Driven = Callable[..., drive_log.Log]
SEEDS = range(5)
# What would take most off the swing, and what spark follows. Frozen, these corrections take off less than a tenth: test_cause_shares drives them so.
CAUSES = {
    "table": (Cause.TABLE, Cause.TABLE),
    "table and adder": (Cause.TABLE, Cause.TABLE),
    "table by load": (Cause.TABLE, Cause.TABLE),
    "burn": (Cause.BURN, Cause.BURN),
    "idle correction": (Cause.BURN, Cause.IDLE_CORRECTION),
    "knock retard": (Cause.BURN, Cause.KNOCK_RETARD),
}


# The table takes off most, 33 % against 13, in 53 of 60 draws: 54 name it.
UNSURE = pytest.mark.xfail(strict=True, reason="measured: first in 0.88 of the draws, and a cause is named from 0.9 on")


@pytest.mark.parametrize(
    ("kind", "seed"),
    [pytest.param(kind, seed, marks=[UNSURE] if (kind, seed) == ("table by load", 3) else []) for kind in CAUSES for seed in SEEDS],
)
def test_the_true_cause_is_named(driven: Driven, kind: str, seed: int) -> None:
    drive, (cause, follows) = driven(kind, seed=seed), CAUSES[kind]
    review = review_log(as_log(drive), as_table(drive.drive.cells))
    assert review.main_cause is cause
    assert {(c.cause, c.follows) for c in review.causes} == {(cause, follows)}
    assert bool(review.lower) == (cause is Cause.TABLE)
    assert (ReviewNote.NOT_THE_TABLE in review.notes) == (cause is not Cause.TABLE)
    words = describe(review).splitlines()
    assert words[0].startswith("Surge in ")
    assert cause_verdict(cause)[0] in " ".join(describe(review).split())
    assert [line.split(":")[0] for line in glance_lines(review, "Next: x.")] == [words[0], "Where", "How hard", "Whose doing", "Next"]
    assert any(line.startswith("Next: lower ") for line in words) == (cause is Cause.TABLE)
    assert max(map(len, words)) <= 100
    assert len(words) <= 45


@pytest.mark.parametrize("seed", SEEDS)
def test_another_table_in_charge_is_noticed(driven: Driven, seed: int) -> None:
    """The car runs one table, another one is handed in."""
    review = review_log(as_log(driven("another table", seed=seed)), as_table(drive_log.STEEP))
    # The table in charge falls with speed and damps the swing of uneven burns.
    assert {cause.follows for cause in review.causes} == {Cause.ANOTHER_TABLE}
    assert review.main_cause is Cause.BURN
    assert review.lower == ()
    review = review_log(as_log(driven("table", seed=seed)), as_table(drive_log.FLAT))
    assert review.main_cause is Cause.ANOTHER_TABLE


@pytest.mark.parametrize("how", [{"rate": 10.0}, {"rate": 20.0, "uneven": 0.4}, {"rate": 100.0}, {"rate": 25.0, "gaps": ((12.0, 13.5),)}], ids=str)
@pytest.mark.parametrize("kind", ["table", "burn", "idle correction", "knock retard"])
def test_the_cause_does_not_hang_on_the_sampling(driven: Driven, kind: str, how: dict[str, float]) -> None:
    drive = driven(kind, seed=2, **how)
    assert review_log(as_log(drive), as_table(drive.drive.cells)).main_cause is CAUSES[kind][0]


def test_spark_that_swings_by_itself_is_left_unexplained(driven: Driven) -> None:
    log = as_log(driven("burn", seed=1), "knock_retard")
    stray = 24.0 + 2.0 * np.sin(2.0 * np.pi * 2.7 * log.si.time)
    (cause,) = review_log(log.replace(spark=stray), as_table(drive_log.FLAT)).causes
    assert cause.follows is Cause.UNKNOWN
    # It does not go with the swing: uneven burns do that.
    assert cause.cause is Cause.BURN


def test_spark_that_swings_at_another_frequency_is_not_called_flat(driven: Driven) -> None:
    log = as_log(driven("burn", seed=1))
    (cause,) = review_log(log.replace(spark=24.0 + 2.0 * np.sin(2.0 * np.pi * 6.0 * log.si.time)), as_table(drive_log.FLAT)).causes
    assert cause.cause is Cause.BURN
    assert CauseNote.OTHER_FREQUENCIES in cause.notes
    assert 2.0 * cause.si.other_amplitude == pytest.approx(4.0, rel=0.1)
    assert "flat at this frequency only. It moves by 4 deg" in describe(cause)


def test_the_table_is_looked_up_where_it_was_driven(driven: Driven) -> None:
    drive = driven("table and adder", seed=1)
    review = review_log(as_log(drive), as_table(drive.drive.cells), torque_per_degree=lambda speed, load: 1.5)
    (cause,) = review.causes
    assert cause.explained > 0.98
    assert cause.si.offset == pytest.approx(4.0, abs=0.05)
    assert cause.si.by_speed > 10.0 * cause.si.by_load
    assert {step.step for step in cause.steps} == {9.0}
    assert cause.steps[0].places[0].startswith("1200 rpm")
    span = (review.findings.episodes[0].si.start, review.findings.episodes[0].si.end)
    assert cause.si.torque_swing == pytest.approx(2.0 * 1.5 * drive.truth(*span, "spark")[1], rel=0.1)
    assert CauseNote.OFFSET in cause.notes
    assert "a correction. Count it against any ceiling" in " ".join(describe(cause).split())


def test_a_swing_that_comes_by_load_is_told(driven: Driven) -> None:
    drive = driven("table by load", seed=1)
    (cause,) = review_log(as_log(drive), as_table(drive.drive.cells)).causes
    assert cause.si.by_load > 3.0 * cause.si.by_speed
    assert {CauseNote.MOSTLY_BY_LOAD, CauseNote.LOAD_SUSPECT} <= set(cause.notes)
    assert cause.load_swing > 0.0
    words = " ".join(describe(cause).split())
    assert "steadier load signal" in words
    assert "reading is suspect" in words


def test_a_flat_spark_under_a_table_that_is_not_flat_is_noticed(driven: Driven) -> None:
    (cause,) = review_log(as_log(driven("burn", seed=1)), as_table(drive_log.STEEP)).causes
    assert cause.cause is Cause.BURN
    assert CauseNote.NOT_IN_CHARGE in cause.notes


def test_what_is_missing_is_said(driven: Driven) -> None:
    drive = driven("table", seed=1)
    assert review_log(as_log(drive, "spark"), as_table(drive.drive.cells)).main_cause is Cause.NO_SPARK
    assert review_log(as_log(drive)).main_cause is Cause.NO_TABLE
    without = review_log(as_log(drive, "load"), as_table(drive.drive.cells))
    assert all(CauseNote.LOAD_NOT_LOGGED in cause.notes for cause in without.causes)
    assert "Load was not logged" in review_full(without)
    assert without.lower == ()


def test_road_speed_is_shown_as_the_sheet_wants_it_and_a_gear_it_has_not_is_told(driven: Driven, build_of: Callable[..., Any]) -> None:
    drive, build = driven("table", seed=1), build_of("quarry-road")
    log = as_log(drive)
    assert build.vehicle.road_speed_unit == "mph"
    metric, sheet = review_full(review_log(log, as_table(drive.drive.cells))), review_log(log, as_table(drive.drive.cells), build=build)
    assert " km/h" in metric
    assert " km/h" not in review_full(sheet)
    (episode, *_) = sheet.findings.episodes
    assert f"at {episode.si.road_speed / 0.44704:.0f} mph" in describe(episode)
    assert ReviewNote.OTHER_CAR not in sheet.notes
    seventh = dataclasses.replace(log, gear=np.full(len(log.time), 7.0))
    other = review_log(seventh, build=build)
    assert ReviewNote.OTHER_CAR in other.notes
    assert (other.top_gear, other.gears) == (7, 6)
    assert "drives in gear 7, the build sheet has 6 gears" in describe(other)


def test_a_table_by_another_load_is_refused(driven: Driven) -> None:
    table = as_table(drive_log.STEEP).replace(load_kind="air charge", loads=np.array(drive_log.LOADS) * 1e-6)
    with pytest.raises(InputError, match="air charge"):
        review_log(as_log(driven("table", seed=1)), table)


def test_cells_go_down_a_few_degrees_at_a_time_and_end_flat(driven: Driven) -> None:
    """Following the advice, log after log with the same swing, brings visited neighbours together."""
    log = as_log(driven("table", seed=1))
    table = as_table(drive_log.STEEP)
    first = review_log(log, table)
    assert all(0.0 < a.now - a.then <= 3.0 for a in first.lower)
    assert {a.place.split(",")[0] for a in first.lower} <= {"1400 rpm", "1600 rpm"}
    for _ in range(8):
        lowered = review_log(log.replace(spark=table.spark_at(log.si.speed, log.loads)), table).next_table
        if lowered is None:
            break
        assert (lowered.si.cells <= table.si.cells).all()
        table = lowered
    # To within the table's increment, which is a degree; it began with nine.
    visited = cell_weights(log, table, [(2.0, 28.0)]) > 0.2
    assert np.abs(np.diff(table.si.cells, axis=0))[visited[1:] & visited[:-1]].max() <= 1.0
    assert np.abs(np.diff(table.si.cells, axis=1))[visited[:, 1:] & visited[:, :-1]].max() <= 1.0


def test_following_the_advice_cures_the_drive() -> None:
    """The generator driven again on every next table, until the review has nothing to lower or nothing to complain about."""
    cells = drive_log.STEEP
    swings = []
    for seed in range(6):
        log = as_log(drive_log.run(drive_log.Drive(cells=cells, damping=45.0, burn_noise=1.0), seed=seed))
        review = review_log(log, as_table(cells))
        swings.append(max((60.0 * e.si.speed_amplitude for e in review.findings.episodes), default=0.0))
        if review.next_table is None:
            break
        cells = review.next_table.si.cells.tolist()
    assert swings[0] > 100.0
    assert swings[-1] < 20.0


def test_ceilings_count_the_adder(driven: Driven) -> None:
    drive = driven("table and adder", seed=1)
    table = as_table(drive.drive.cells)
    ceiling = np.full(table.shape, 35.0)
    review = review_log(as_log(drive), table, ceiling=ceiling)
    over = [a for a in review.lower if a.why is AdviceReason.ABOVE_CEILING]
    # 33 in the table and 4 on top of it stand above 35, though 33 alone does not.
    assert over
    assert {a.now for a in over} == {33.0}


def with_room_above() -> SparkTable:
    """The flat table the clean drive was on, with more spark at the lightest load, which it did not reach: fuller loads may rise up to that."""
    return as_table([[27.0, *row[1:]] for row in drive_log.FLAT])


def test_cells_without_surge_may_be_added_back_under_their_ceiling(driven: Driven) -> None:
    log, table = as_log(driven("clean", seed=1)), with_room_above()
    assert review_log(log, table).add_back == ()
    review = review_log(log, table, ceiling=np.full(table.shape, 25.0))
    assert {(a.now, a.then) for a in review.add_back} == {(24.0, 25.0)}
    assert {a.place for a in review.add_back} <= {"1200 rpm, 30 kPa", "1400 rpm, 30 kPa", "1200 rpm, 40 kPa", "1400 rpm, 40 kPa"}
    surging = review_log(as_log(driven("burn", seed=1)), table, ceiling=np.full(table.shape, 30.0))
    assert surging.add_back == ()


@settings(deadline=None, max_examples=150)
@given(data=st.data(), increment=st.sampled_from([0.5, 1.0]), per_speed=st.sampled_from([None, "5 crank_deg/krpm", "12 crank_deg/krpm"]))
def test_what_may_be_given_back_is_what_adding_back_gives(data: st.DataObject, increment: float, per_speed: str | None) -> None:
    """Wherever that takes the table at all; elsewhere nothing grows steeper than the limit or than it is."""
    cells, ceiling = (np.array(data.draw(st.lists(st.integers(low, 60), min_size=12, max_size=12)), dtype=float).reshape(4, 3) / 2 for low in (40, 44))
    clean = np.array(data.draw(st.lists(st.booleans(), min_size=12, max_size=12))).reshape(4, 3)
    axes: dict[str, Any] = {"speed": np.array([20.0, 22.0, 25.0, 30.0]), "loads": np.array([3e4, 4e4, 6e4])}
    if data.draw(st.booleans()):
        cells, ceiling = 22.0 + (cells - 20.0) % 2.0, ceiling + 2.0  # tables that adding back often takes
    table = SparkTable(load_kind="manifold pressure", **axes, cells=cells, increment=increment)
    then = raised(table, clean, ceiling, step=2.0, per_cell=3.0, along_speed=per_speed, along_load="2 crank_deg/kPa")
    assert (then >= cells).all()
    assert (then[~clean] == cells[~clean]).all()
    assert (then <= np.maximum(cells, np.minimum(ceiling, cells + 2.0)) + 1e-9).all()
    by_speed = 3.0 if per_speed is None else np.minimum(3.0, float(per_speed.split()[0]) * np.diff(axes["speed"])[:, None] * 60e-3)
    assert (np.abs(np.diff(then, axis=0)) <= np.maximum(by_speed, np.abs(np.diff(cells, axis=0))) + 1e-9).all()
    assert (np.abs(np.diff(then, axis=1)) <= np.maximum(3.0, np.abs(np.diff(cells, axis=1))) + 1e-9).all()
    try:
        back = add_back(table, table.with_spark(cells + 10.0), ceiling=ceiling, visited=clean, along_speed=per_speed, along_load="2 crank_deg/kPa")
    except (InputError, InputErrors):
        event("not taken")
        return
    event("taken and raised" if (then > cells).any() else "taken")
    assert then == pytest.approx(back.table.si.cells, abs=1e-9)


def test_a_cell_beside_one_that_stays_rises_no_further_than_the_slope_lets_it(driven: Driven) -> None:
    """Cells that the drive did not reach stay; the ceilings alone would let those it did reach rise by two degrees."""
    log, table = as_log(driven("clean", seed=1)), with_room_above()
    ceiling = np.full(table.shape, 40.0)
    free = review_log(log, table, ceiling=ceiling)
    assert {a.then - a.now for a in free.add_back} == {2.0}
    held = review_log(log, table, ceiling=ceiling, along_speed="5 crank_deg/krpm")
    assert {a.then - a.now for a in held.add_back} == {1.0}
    assert {a.cell for a in held.add_back} == {a.cell for a in free.add_back}
    none = review_log(log, table, ceiling=ceiling, along_speed="4 crank_deg/krpm")
    assert none.add_back == ()
    assert none.held_by_neighbours == len(free.add_back)
    assert f"{len(free.add_back)} cells driven without surge" in " ".join(describe(none).split())


def test_a_ceiling_of_another_shape_is_refused(driven: Driven) -> None:
    with pytest.raises(InputError, match="ceiling"):
        review_log(as_log(driven("clean", seed=1)), as_table(drive_log.FLAT), ceiling=np.zeros((2, 2)))


def test_a_review_becomes_plain_data(driven: Driven) -> None:
    drive = driven("table", seed=1)
    data = json.loads(json.dumps(review_log(as_log(drive), as_table(drive.drive.cells)).to_dict(), allow_nan=False))
    assert data["main_cause"] == {"code": "table", "text": str(Cause.TABLE)}
    assert data["lower"][0]["unit"] == "crank_deg"
    assert data["causes"][0]["steps"][0]["step"]["value"] == 9.0
    assert data["applies_to"]["code"] == "final_spark"


def test_only_what_the_surge_visits_is_lowered_and_what_blends_it_in(driven: Driven) -> None:
    drive = driven("table", seed=1)
    log, table = as_log(drive), as_table(drive.drive.cells)
    review = review_log(log, table)
    visited = cell_weights(log, table, [(e.si.start, e.si.end) for e in review.findings.episodes]) > 0.2
    lowered = {a.cell for a in review.lower}
    assert any(visited[cell] for cell in lowered)
    for advice in review.lower:
        i, j = advice.cell
        beside = {(i + 1, j), (i - 1, j), (i, j + 1), (i, j - 1)} & lowered
        assert visited[advice.cell] or (beside and advice.why in (AdviceReason.BLENDS_IN, AdviceReason.ABOVE_LIGHTER_LOAD))
        if advice.why == "above a lighter load":
            assert (i, j - 1) in lowered
    after = review.next_table
    assert after is not None
    # The table was level along load, and the next one does not rise with it.
    assert (np.diff(table.si.cells, axis=1) == 0.0).all()
    assert (np.diff(after.si.cells, axis=1) <= 0.0).all()
    assert after.shape == table.shape
    changed = {(int(i), int(j)) for i, j in np.argwhere(after.si.cells != table.si.cells)}
    assert changed == lowered
    # The table that was handed in is left as it was.
    assert (table.si.cells == np.array(drive.drive.cells)).all()


def test_cells_to_lower_that_were_never_driven_are_marked(driven: Driven) -> None:
    drive = driven("table", seed=1)
    log, table = as_log(drive), as_table(drive.drive.cells)
    review = review_log(log, table)
    near_load, near_speed = (np.abs(axis[:, None] - log_of[None, :]).min(axis=1) for axis, log_of in ((table.loads, log.loads), (table.si.speed, log.si.speed)))
    unmarked = [advice.cell for advice in review.lower if advice.driven >= DRIVEN]
    marked = [advice.cell for advice in review.lower if advice.driven < DRIVEN]
    assert unmarked
    assert marked
    # By distance alone: what was looked up lies within a cell of some row.
    assert all(near_speed[i] < 200.0 / 60.0 and near_load[j] < 10e3 for i, j in unmarked)
    assert any(near_load[j] > 10e3 for _, j in marked)
    assert sum(advice.driven for advice in review.lower) <= log.si.time[-1] - log.si.time[0] + 0.1
    words = describe(review)
    assert words.count("(not driven)") > 1
    assert f"{len(marked)} cells to lower, marked (not driven)" in " ".join(words.split())


@pytest.mark.parametrize("increment", [0.7, 0.75, 1.0, 2.0, 4.0])
def test_lowered_cells_keep_to_the_increment(driven: Driven, increment: float) -> None:
    log = as_log(driven("table", seed=1))
    review = review_log(log, as_table(drive_log.STEEP).replace(increment=increment))
    assert review.lower
    for advice in review.lower:
        assert advice.then / increment == pytest.approx(round(advice.then / increment), abs=1e-6)
        assert 0.0 < advice.now - advice.then <= max(3.0, increment) + 1e-9


def test_nothing_rises_above_its_ceiling_and_what_stands_above_comes_down(driven: Driven) -> None:
    drive = driven("table", seed=1)
    table = as_table(drive.drive.cells)
    ceiling = np.random.default_rng(3).integers(15, 40, table.shape).astype(float)
    review = review_log(as_log(drive), table, ceiling=ceiling)
    assert all(a.then <= ceiling[a.cell] for a in review.add_back)
    assert not {a.cell for a in review.add_back} & {a.cell for a in review.lower}
    assert all(a.then < a.now for a in review.lower)
    assert all(a.now > ceiling[a.cell] for a in review.lower if a.why is AdviceReason.ABOVE_CEILING)


@pytest.mark.parametrize("kind", ["table", "burn", "knock retard", "tip-ins", "weak cylinder"])
def test_a_review_reads_in_a_hundred_columns(driven: Driven, kind: str) -> None:
    drive = driven(kind, seed=1)
    table = as_table(drive.drive.cells)
    text = describe(review_log(as_log(drive), table, ceiling=np.full(table.shape, 40.0)))
    assert max(map(len, text.splitlines())) <= 100


# Before against after.


def test_a_log_against_itself_shows_no_change(driven: Driven) -> None:
    log = as_log(driven("table", seed=1))
    both = compare_logs(log, log)
    assert both.energy_ratio == 1.0
    assert (both.si.spread_before, both.si.swing_before, both.si.surging_before) == (both.si.spread_after, both.si.swing_after, both.si.surging_after)
    assert both.verdict is ComparisonVerdict.NO_DIFFERENCE


@pytest.mark.parametrize("seed", SEEDS)
def test_a_cure_and_a_harm_are_told_and_turn_with_the_order(driven: Driven, seed: int) -> None:
    bad, good = as_log(driven("table", seed=seed)), as_log(driven("clean", seed=seed + 10))
    cured, spoiled = compare_logs(bad, good), compare_logs(good, bad)
    assert cured.verdict is ComparisonVerdict.BETTER
    assert spoiled.verdict is ComparisonVerdict.WORSE
    assert cured.energy_ratio * spoiled.energy_ratio == pytest.approx(1.0)
    assert cured.si.surging_before > 0.9
    assert cured.si.surging_after == 0.0
    assert cured.confidence > 0.95
    assert cured.matched_cells >= 1


def test_two_logs_of_the_same_car_are_rarely_told_apart() -> None:
    """Of twelve pairs of the same noisy drive, few may be called different: at 95 % one in ten is expected, either way."""
    drive = drive_log.Drive(damping=45.0, burn_noise=4.0, seconds=60.0)
    logs = [as_log(drive_log.run(drive, seed=seed)) for seed in range(24)]
    verdicts = [compare_logs(a, b).verdict for a, b in zip(logs[::2], logs[1::2], strict=True)]
    assert sum(v in (ComparisonVerdict.BETTER, ComparisonVerdict.WORSE) for v in verdicts) <= 3


def test_a_comparison_can_be_repeated(driven: Driven) -> None:
    one, other = as_log(driven("burn", seed=1)), as_log(driven("burn", seed=2))
    assert compare_logs(one, other) == compare_logs(one, other)


def test_different_cruises_cannot_be_compared(driven: Driven) -> None:
    both = compare_logs(as_log(driven("table", seed=1)), as_log(driven("weak cylinder", seed=1)))
    assert both.verdict is ComparisonVerdict.TOO_LITTLE
    assert both.matched_cells == 0
    json.dumps(both.to_dict(), allow_nan=False)


def test_logs_of_different_loads_are_refused(driven: Driven) -> None:
    with pytest.raises(InputError, match="same kind of load"):
        compare_logs(as_log(driven("table", seed=1)), as_log(driven("table", seed=1), "load"))


def test_no_table_is_written_that_stands_above_knock() -> None:
    """What a review lowers comes with every cell above the knock limit, wherever the log drove; none rises, none below the least spark."""
    table = SparkTable(
        load_kind="manifold pressure",
        speed=np.array([1000.0, 1400.0, 1800.0]) / 60.0,
        loads=np.array([40e3, 70e3, 100e3]),
        cells=np.array([[20.0, 20.0, 15.0], [30.0, 28.0, 22.0], [32.0, 30.0, 24.0]]),
        increment=1.0,
    )
    knock = np.array([[np.inf, 40.0, 1.0], [np.nan, 35.0, 12.5], [np.inf, 35.0, 30.0]])
    lower = (CellAdvice((1, 1), table.place(1, 1), 28.0, 26.0, AdviceReason.TOO_STEEP),)
    found = {advice.cell: advice for advice in _and_under_knock(lower, table, knock, "2 crank_deg", None)}
    assert {cell: advice.then for cell, advice in found.items()} == {(0, 2): 0.0, (1, 1): 26.0, (1, 2): 10.0}
    assert found[1, 2].why is AdviceReason.ABOVE_KNOCK
    assert _and_under_knock((), table, knock, "2 crank_deg", None) == ()


def _rocked(pedal_at: float, speed_at: float, size: float) -> DriveLog:
    """Engine speed swings slowly on a level spark, with the pedal rocking by so much; the engine follows the pedal with a lag of 0.15 s."""
    t = np.arange(0.0, 40.0, 0.02)
    pedal, speed = 0.2 + size * np.sin(2.0 * np.pi * pedal_at * t), 24.0 + 0.6 * np.sin(2.0 * np.pi * speed_at * (t - 0.15))
    return DriveLog.of(time=t, speed=speed, pedal=pedal, spark=np.full(len(t), 24.0))


@pytest.mark.parametrize("frequency", [0.6, 0.8, 1.2])
@pytest.mark.parametrize("size", [0.01, 0.02, 0.025])
def test_a_driver_who_rocks_the_pedal_is_called_a_driver(frequency: float, size: float) -> None:
    review = review_log(_rocked(frequency, frequency, size))
    assert review.main_cause is Cause.DRIVER
    assert review_next_step(review) == "Next: hold the pedal steady, then drive the same road again."
    assert "Whose doing: the driver 100 %." in review_words(review)


def test_a_pedal_that_rocks_otherwise_or_barely_moves_is_no_cause() -> None:
    for log in (_rocked(0.55, 1.4, 0.02), _rocked(0.8, 0.8, 0.002)):
        assert review_log(log).main_cause is Cause.BURN


def test_a_foot_that_swings_with_the_car_may_follow_it_or_shake_it() -> None:
    review = review_log(_rocked(2.4, 2.4, 0.02))
    assert review.main_cause is Cause.NOT_TOLD
    assert "once with a stop under the pedal" in " ".join(describe(review).split())

"""Words of drive, logs and tables: a sentence for every code, the verdict first, the next step after it, no sentence too long, no banned word."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

import camcalc as cc
from camcalc.drive.gear_advice import DriveAdvice, GearSurge, WhichTable
from camcalc.drive.idle_swing import IdleHunting, IdleSwing
from camcalc.drive.no_answer import NoAnswer, SkippedPoint
from camcalc.drive.run_setup import Driver
from camcalc.logs.causes import Cause, CauseNote
from camcalc.logs.comparison import ComparisonNote, ComparisonVerdict, compare_logs
from camcalc.logs.drive_log import DriveLog
from camcalc.logs.log_notes import LogDoubt, LogNote
from camcalc.logs.review import AdviceReason, CellAdvice, ReviewNote, review_log
from camcalc.logs.surge_finder import EpisodeNote, FinderNote, find_surge
from camcalc.logs.swing import SwingDoubt, SwingNote, measure_swing
from camcalc.vehicle.acceleration_weighting import SurgeGrade
from camcalc.vehicle.coupling import Coupling
from camcalc.words import describe
from camcalc.words.drive_run import drive_next_step, drive_verdict
from camcalc.words.driving_log import log_note_words
from camcalc.words.gears import gear_lines, skipped_lines
from camcalc.words.phrases import COUPLINGS, graded
from camcalc.words.review import advice_words, review_full, review_notes
from camcalc.words.signal_swing import swing_notes
from camcalc.words.surge_in_log import cause_verdict, finder_notes
from tests.oracles import drive_log
from tests.plain_words import banned_in, long_sentences

Make = Callable[..., Any]


def plain(text: str) -> str:
    """The text, once it is found to be plain; folded lines are read as one."""
    joined = text.replace("\n    ", " ")
    assert long_sentences(joined) == []
    assert banned_in(joined) == []
    return text


@pytest.fixture(scope="module")
def surging() -> DriveLog:
    t = np.arange(0.0, 30.0, 0.02)
    speed = 22.0 + 1.5 * np.sin(2.0 * np.pi * 2.5 * t)
    spark = 20.0 + 3.0 * (speed - 20.0)
    given = {"load": np.full(len(t), 4.5e4), "pedal": 0.2 + 0.0 * t, "spark": spark, "acceleration": 0.4 * np.cos(2.0 * np.pi * 2.5 * t)}
    return DriveLog.of(time=t, speed=speed, load_kind="manifold pressure", **given)


@pytest.fixture(scope="module")
def table() -> cc.SparkTable:
    cells = np.array([[20.0, 20.0], [32.0, 32.0]])
    return cc.SparkTable(load_kind="manifold pressure", speed=np.array([20.0, 24.0]), loads=[3e4, 6e4], cells=cells, increment=1.0)


# Drive.


@pytest.mark.parametrize("hunting", IdleHunting)
def test_an_idle_names_what_it_does_and_at_what_speed(hunting: IdleHunting) -> None:
    words = plain(describe(IdleSwing(hunting=hunting, speed=14.0, frequency=1.2, damping=0.05)))
    assert "840 rpm" in words
    assert ("Damping ratio" in words) == (hunting not in (IdleHunting.NO_SWING, IdleHunting.NO_ANSWER))
    assert ("idle control" in words) == (hunting in (IdleHunting.HUNTS, IdleHunting.HUNTS_LONG, IdleHunting.SETTLES))


@pytest.mark.parametrize("grade", SurgeGrade)
def test_a_grade_is_ours_but_a_stall_and_what_is_not_known(grade: SurgeGrade) -> None:
    assert ("(our grade)" in graded(grade)) == (grade not in (SurgeGrade.STALLS, SurgeGrade.UNKNOWN))
    nothing: dict[str, Any] = dict.fromkeys(GearSurge.measures())
    gear = GearSurge(gear=2, coupling=Coupling.LOCKED, worst=grade, **nothing | {"bad_below": 25.0, "bad_below_road_speed": 7.0})
    (line,) = gear_lines(DriveAdvice(table=WhichTable.YOURS, gears=(gear,)), "mph")
    assert plain(line).startswith("Do not use gear 2 (locked) below 1500 rpm, 16 mph: ")
    assert graded(grade) in line


@pytest.mark.parametrize("why", NoAnswer)
def test_a_point_without_an_answer_is_a_line_with_its_reason(why: NoAnswer) -> None:
    (line,) = skipped_lines((SkippedPoint(gear=3, speed=20.0, why=why),))
    assert plain(line) == f"No answer in gear 3 at 1200 rpm: {why}."


def test_every_coupling_and_table_has_its_name() -> None:
    assert set(COUPLINGS) == set(Coupling)
    assert [str(which) for which in WhichTable] == ["your table", "starting table", "shaped table"]


@pytest.mark.parametrize("driver", Driver)
def test_a_drive_begins_with_the_verdict_and_the_next_step(build_of: Make, coarse_tables: Any, driver: Driver) -> None:
    build = build_of("quarry-road")
    run = cc.simulate_drive(build, cc.read_table(build.spark_table), gear=3, speed="1500 rpm", driver=driver, duration="4 s", engine_tables=coarse_tables)
    lines = plain(describe(run)).splitlines()
    assert lines[0] == drive_verdict(run)
    assert graded(run.verdict).capitalize() in lines[0] or run.stalled
    step = drive_next_step(run)
    assert not step or lines[1] == step
    assert not step or step.startswith("Next: ")
    assert any(line.startswith("Drive: gear 3, locked, ") and driver.code.replace("_", " ") in line for line in lines)


@pytest.fixture(scope="module")
def coarse_tables(build_of: Make) -> Any:
    from camcalc.cycle.engine_tables import engine_tables

    sparks = np.array([10.0, 25.0, 40.0])
    return engine_tables(cc.QuickEngine(build_of("quarry-road")), np.array([10.0, 20.0, 35.0]), np.linspace(20e3, 95e3, 6), sparks)


# Logs.


@pytest.mark.parametrize("cause", Cause)
def test_a_cause_is_a_sentence_and_a_next_step(cause: Cause) -> None:
    words, step = cause_verdict(cause)
    assert plain(words).startswith("Cause")
    assert plain(step).endswith(".")


@pytest.mark.parametrize("note", CauseNote)
def test_every_note_of_a_cause_has_words(surging: DriveLog, table: cc.SparkTable, note: CauseNote) -> None:
    (cause,) = review_log(surging, table).causes
    numbers = {"other_amplitude": 1.5, "idle_gain": 6.0, "table_explained": 0.4, "load_swing": 3e3}
    words = plain(describe(cause.replace(notes=(note,), **numbers)))
    (line,) = [line for line in words.split("note: ")[1:] if line]
    assert line.strip().endswith(".")


@pytest.mark.parametrize("note", EpisodeNote)
def test_every_note_of_an_episode_has_words(surging: DriveLog, note: EpisodeNote) -> None:
    (episode,) = find_surge(surging).episodes
    frequency = math.nan if note is EpisodeNote.NOT_RESOLVED else episode.si.frequency
    words = plain(describe(episode.replace(note=note, frequency=frequency)))
    assert words != describe(episode)
    assert "line of combustion" in words or note in (EpisodeNote.NOT_RESOLVED, EpisodeNote.UNEVEN_BURNING)


@pytest.mark.parametrize("note", FinderNote)
def test_every_note_of_the_finder_has_words_with_its_figure(surging: DriveLog, note: FinderNote) -> None:
    figures = {"too_short": 12.0, "least_pedal": 0.06, "speed_step": 20.0 / 60.0, "least_swing": 0.25, "speed_noise": 0.1}
    found = find_surge(surging).replace(notes=(note,), channels=("pedal",), **figures)
    (line,) = finder_notes(found)
    figure = {
        FinderNote.TOO_FEW_ROWS: "50 rows", FinderNote.FEW_ROWS: "50 rows", FinderNote.NOT_LOGGED: "Pedal", FinderNote.SHORT_PIECES: "12 s",
        FinderNote.PEDAL_NEVER_OFF: "6.0 %", FinderNote.COARSE_SPEED: "steps of 20 rpm. A swing below 15 rpm",
        FinderNote.NOISY_SPEED: "6 rpm r.m.s. of noise. A short swing below 15 rpm",
    }[note]  # fmt: skip
    assert figure in plain(line)


@pytest.mark.parametrize("what", LogDoubt)
def test_every_doubt_about_a_log_has_words(what: LogDoubt) -> None:
    note = LogNote(what=what, column="MAP", channel="load", other="psi", unit="kPa", figure=30.0, other_figure=99.0)
    words = plain(log_note_words(note))
    said, *lines = words.split("\n")
    # Either a sentence, or one that ends in a colon over lines to copy.
    assert said.endswith(":" if lines else (".", "?"))
    assert all(line.lstrip(" #or:").startswith('load = {column = "MAP"') for line in lines)
    assert "MAP" in words or what in (LogDoubt.CLOCK_STEPS_BACK, LogDoubt.SIMULATED, LogDoubt.STATED_RATE, LogDoubt.GEAR_SEEN, LogDoubt.OTHER_GEARS)


@pytest.mark.parametrize("what", SwingDoubt)
@pytest.mark.parametrize("channel", ["speed", "load"])
def test_every_doubt_about_a_swing_has_words(surging: DriveLog, what: SwingDoubt, channel: str) -> None:
    (line,) = swing_notes(measure_swing(surging).replace(notes=(SwingNote(what=what, channel=channel),)))
    assert plain(line).endswith(".")
    assert (channel.capitalize() in line) or what not in (SwingDoubt.COARSE, SwingDoubt.STRONG_SURGE)


@pytest.mark.parametrize("verdict", ComparisonVerdict)
def test_a_comparison_is_a_verdict_and_a_next_step(surging: DriveLog, verdict: ComparisonVerdict) -> None:
    found = compare_logs(surging, surging).replace(verdict=verdict, energy_ratio=4.0, confidence=0.98, notes=tuple(ComparisonNote))
    lines = plain(describe(found)).splitlines()
    starts = {
        ComparisonVerdict.BETTER: "Better: ", ComparisonVerdict.WORSE: "Worse: the swing is 2 times", ComparisonVerdict.CHANCE: "No difference beyond",
        ComparisonVerdict.NO_DIFFERENCE: "No difference that", ComparisonVerdict.TOO_LITTLE: "Not known: ",
    }  # fmt: skip
    assert lines[0].startswith(starts[verdict])
    assert sum("note: " in line for line in lines) == len(ComparisonNote)


@pytest.mark.parametrize("reason", AdviceReason)
def test_a_cell_is_shown_with_what_it_was_and_why(reason: AdviceReason) -> None:
    words = plain(advice_words(CellAdvice((1, 0), "1440 rpm, 30 kPa", 32.0, 29.0, reason, 12.0)))
    assert words.startswith("1440 rpm, 30 kPa: 29 (was 32), ")
    assert ("driven 12 s" in words) == (reason is AdviceReason.DRIVEN_CLEAN)
    assert "not driven" not in words
    assert advice_words(CellAdvice((1, 0), "1440 rpm, 30 kPa", 32.0, 29.0, AdviceReason.BLENDS_IN, 0.0)).endswith("neighbours (not driven)")


@pytest.mark.parametrize("note", ReviewNote)
def test_every_note_of_a_review_has_words(surging: DriveLog, table: cc.SparkTable, note: ReviewNote) -> None:
    review = dataclasses.replace(review_log(surging, table), notes=(note,), top_gear=7, gears=6, held_by_neighbours=3)
    (line,) = review_notes(review)
    assert plain(line).endswith((".", "?"))
    assert ("gear 7" in line) == (note is ReviewNote.OTHER_CAR)
    assert ("3 cells" in line) == (note is ReviewNote.HELD_BY_NEIGHBOURS)


@pytest.mark.parametrize("kind", ["table", "burn", "knock retard", "idle correction", "clean"])
def test_a_review_is_plain_short_and_whole(kind: str) -> None:
    drive = drive_log.run(drive_log.DRIVES[kind], seed=1)
    from tests.logs.conftest import as_log, as_table

    review = review_log(as_log(drive), as_table(drive.drive.cells))
    short, whole = plain(describe(review)), plain(review_full(review))
    assert short.splitlines()[0] == whole.splitlines()[0]
    assert short.splitlines()[0].startswith(("Surge in ", "No surge in "))
    assert len(short.splitlines()) <= 45
    assert len(short.splitlines()) < len(whole.splitlines())
    # Nothing that is printed is left to the generic table of figures.
    assert "SurgeCause" not in whole

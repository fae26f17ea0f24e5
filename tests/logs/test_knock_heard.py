"""Spark given back only where the log listened for knock and heard none. Drives are invented; knock is put into them."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from camcalc import SparkTable
from camcalc.logs import DriveLog, find_surge, review_log
from camcalc.logs.causes import cell_weights
from camcalc.logs.clean_cells import STEP_ON_WORD, cells_that_may_rise
from camcalc.logs.columns import Column, guess_columns
from camcalc.logs.knock_heard import MOST_NOISE, Hearing, KnockSign, knock_heard
from camcalc.words import describe
from camcalc.words.review import review_cautions, review_data
from tests.oracles import drive_log

from .conftest import as_log, as_table

Driven = Callable[..., drive_log.Log]
Array = np.ndarray[Any, np.dtype[np.float64]]


@pytest.fixture
def clean(driven: Driven) -> DriveLog:
    """A clean cruise whose knock retard, all of it zero, is logged."""
    log = as_log(driven("clean", seed=1))
    assert (log.si.knock_retard == 0.0).all()
    return log


def table_with_room() -> SparkTable:
    """The flat table of the clean drive, with more spark at the lightest load, so that fuller loads may rise."""
    return as_table([[30.0, *row[1:]] for row in drive_log.FLAT])


def ceiling() -> Array:
    return np.full(table_with_room().shape, 40.0)


def with_idle(log: DriveLog, *, level: Array | float, idle_level: float, spread: float = 0.02, seconds: float = 8.0) -> DriveLog:
    """The log with a knock level of its own, and after it an idle with a closed pedal; the level's noise is normal."""
    rng = np.random.default_rng(7)
    count, step = int(seconds * log.si.sampling_rate), 1.0 / log.si.sampling_rate
    tail = {
        "time": log.si.time[-1] + 5.0 + step * np.arange(count), "speed": np.full(count, 14.0), "spark": np.full(count, 24.0), "load": np.full(count, 4e4),
        "pedal": np.zeros(count), "road_speed": np.zeros(count), "acceleration": np.zeros(count), "gear": np.zeros(count), "clutch": np.zeros(count),
        "fuel_cut": np.zeros(count), "knock_retard": np.zeros(count),
    }  # fmt: skip
    given = {name: np.concatenate([log.values(name), tail[name]]) for name in tail if log.values(name).size}
    levels = np.concatenate([np.broadcast_to(level, log.si.time.shape), np.full(count, idle_level)]) + spread * rng.standard_normal(len(given["time"]))
    return DriveLog.of(load_kind=log.load_kind, knock_level=levels, columns={"knock_level": Column("knock level [V]", "V", 1.0)}, **given)


def given_back(log: DriveLog, **more: Any) -> dict[tuple[int, int], float]:
    review = review_log(log, table_with_room(), ceiling=ceiling(), **more)
    return {advice.cell: advice.then - advice.now for advice in review.add_back}


def test_a_clean_log_with_a_knock_channel_gives_back(clean: DriveLog) -> None:
    assert set(given_back(clean).values()) == {2.0}


def test_no_knock_channel_gives_nothing_back_and_the_caution_says_why(driven: Driven) -> None:
    silent = as_log(driven("clean", seed=1), "knock_retard")
    review = review_log(silent, table_with_room(), ceiling=ceiling())
    assert review.add_back == ()
    assert review.giving is not None
    assert review.giving.knock.hearing is Hearing.NO_CHANNEL
    (caution,) = review_cautions(review)
    assert caution.startswith("No spark back: the log holds no knock channel.")
    assert "--no-knock-heard" in caution
    assert "Caution: No spark back" in describe(review)


def test_on_somebodys_word_one_degree_goes_back_under_a_caution(driven: Driven) -> None:
    silent = as_log(driven("clean", seed=1), "knock_retard")
    review = review_log(silent, table_with_room(), ceiling=ceiling(), no_knock_heard=True)
    assert {a.then - a.now for a in review.add_back} == {STEP_ON_WORD}
    assert any("on the word of whoever listened" in caution for caution in review_cautions(review))


def test_a_word_counts_for_nothing_against_knock_in_the_log(clean: DriveLog) -> None:
    knocking = clean.replace(knock_retard=np.full(len(clean.si.time), 3.0))
    review = review_log(knocking, table_with_room(), ceiling=ceiling(), no_knock_heard=True)
    assert review.add_back == ()
    assert {held.why for held in review.held_back} == {KnockSign.RETARD}


@pytest.mark.parametrize("sign", [1.0, -1.0], ids=["written as positive", "written as negative"])
def test_a_cell_with_knock_retard_gets_nothing_back_and_is_named_with_its_figure(clean: DriveLog, sign: float) -> None:
    """One knock while one pair of cells is looked up: these, and no others that the second around it does not touch."""
    free = given_back(clean)
    retard = np.zeros(len(clean.si.time))
    row = len(retard) // 2
    retard[row] = sign * 3.2
    review = review_log(clean.replace(knock_retard=retard), table_with_room(), ceiling=ceiling())
    near = (clean.si.time[row] - 1.02, clean.si.time[row] + 1.02)
    touched = cell_weights(clean, table_with_room(), [near]) > 0.0
    held = {one.cell for one in review.held_back}
    assert held
    assert all(touched[cell] for cell in held)
    assert not {a.cell for a in review.add_back} & held
    assert held | {a.cell for a in review.add_back} <= set(free) | held
    place = table_with_room().place(*next(iter(held)))
    assert any(f"No spark back at {place}: knock retard 3.2 deg (highest noise: " in caution for caution in review_cautions(review))


@pytest.mark.parametrize(
    ("resolution", "spread", "step", "knocks"),
    [
        (0.0, 0.0, 0.05, True),  # a channel that has never moved: any retard is retard
        (0.25, 0.0, 0.25, True),  # one step of the channel
        (1.0, 0.0, 1.0, True),
        (0.0, 0.05, 0.0, False),  # its own noise
        (0.0, 0.05, 0.3, True),
        (0.0, 1.0, 0.0, True),  # quiet stretches that are none do not excuse half a degree
    ],
)
def test_what_counts_as_noise_of_a_retard(clean: DriveLog, resolution: float, spread: float, step: float, knocks: bool) -> None:
    """The last six seconds are quiet: pedal closed."""
    quiet = clean.si.time > clean.si.time[-1] - 6.0
    rng = np.random.default_rng(3)
    retard = np.clip(spread * rng.standard_normal(len(quiet)), -3.0 * spread, 3.0 * spread) + np.where(quiet, 0.0, step)
    retard = np.round(retard / resolution) * resolution if resolution else retard
    log = clean.replace(knock_retard=retard, pedal=np.where(quiet, 0.0, clean.si.pedal))
    found = knock_heard(log, table_with_room())
    assert found.hearing is Hearing.LISTENED
    assert found.knocks.any() == knocks
    assert 0.0 <= found.retard_noise <= MOST_NOISE
    if spread == 0.05:
        assert found.retard_noise == pytest.approx(4.0 * spread, rel=0.25)
    # Without a quiet stretch the noise is taken too small rather than too large.
    unknown = knock_heard(clean.replace(knock_retard=retard), table_with_room())
    assert unknown.retard_noise <= found.retard_noise
    assert not (found.knocks & ~unknown.knocks).any()


def test_a_retard_that_never_lets_go_is_no_noise(clean: DriveLog) -> None:
    """Learned retard stands at idle and on the overrun too."""
    found = knock_heard(clean.replace(knock_retard=np.full(len(clean.si.time), 2.0)), table_with_room())
    assert found.retard_noise <= MOST_NOISE
    assert found.knocks.any()


@pytest.mark.parametrize(("level", "knocks"), [(0.85, False), (1.4, True)])
def test_a_knock_level_is_held_against_its_own_idle(driven: Driven, level: float, knocks: bool) -> None:
    log = with_idle(as_log(driven("clean", seed=1), "knock_retard"), level=level, idle_level=0.9)
    found = knock_heard(log, table_with_room())
    assert found.hearing is Hearing.LISTENED
    assert found.idle_level == pytest.approx(0.9, abs=0.01)
    assert 0.9 < found.level_noise < 1.1
    assert found.knocks.any() == knocks
    review = review_log(log, table_with_room(), ceiling=ceiling())
    assert bool(review.add_back) != knocks
    if knocks:
        assert any("knock level 1.4" in caution and " V (highest at idle, noise included: " in caution for caution in review_cautions(review))


def test_a_level_without_an_idle_tells_nothing_but_retard_beside_it_serves(clean: DriveLog, driven: Driven) -> None:
    level = 1.0 + 0.01 * np.random.default_rng(1).standard_normal(len(clean.si.time))
    alone = as_log(driven("clean", seed=1), "knock_retard").replace(knock_level=level)
    assert knock_heard(alone, table_with_room()).hearing is Hearing.NO_IDLE
    assert given_back(alone) == {}
    assert knock_heard(clean.replace(knock_level=level), table_with_room()).hearing is Hearing.LISTENED


def test_a_level_that_never_moves_is_a_dead_sensor_whatever_the_retard_says(clean: DriveLog) -> None:
    dead = clean.replace(knock_level=np.full(len(clean.si.time), 0.4))
    assert knock_heard(dead, table_with_room()).hearing is Hearing.NEVER_MOVES
    assert given_back(dead) == {}
    assert any("check the sensor" in caution for caution in review_cautions(review_log(dead, table_with_room(), ceiling=ceiling())))


def test_cells_for_which_the_channel_is_silent_are_told(clean: DriveLog) -> None:
    gaps = np.where(clean.si.time > 2.0, np.nan, 0.0)
    review = review_log(clean.replace(knock_retard=gaps), table_with_room(), ceiling=ceiling())
    assert review.add_back == ()
    assert {held.why for held in review.held_back} == {KnockSign.UNHEARD}
    assert any("the knock channel holds numbers for" in caution for caution in review_cautions(review))


@settings(max_examples=25, deadline=None)
@given(data=st.data(), kind=st.sampled_from(["clean", "burn", "knock retard", "table"]))
def test_no_cell_rises_that_a_knock_touches_wherever_it_falls(driven: Driven, data: st.DataObject, kind: str) -> None:
    log = as_log(driven(kind, seed=2))
    retard = log.si.knock_retard.copy()
    spots = data.draw(st.lists(st.integers(0, len(retard) - 1), max_size=4))
    retard[spots] = data.draw(st.floats(0.6, 12.0))
    log, table = log.replace(knock_retard=retard), table_with_room()
    giving = cells_that_may_rise(log, table, find_surge(log))
    rows = np.abs(retard) > MOST_NOISE
    spans = [(t, t) for t in log.si.time[rows]]
    assert not (giving.cells & (cell_weights(log, table, spans) > 0.0)).any()
    review = review_log(log, table, ceiling=ceiling())
    assert all(giving.cells[advice.cell] for advice in review.add_back)
    assert not {advice.cell for advice in review.add_back} & {held.cell for held in review.held_back}


def test_nothing_rises_above_best_torque_or_knock_less_the_margin(clean: DriveLog) -> None:
    best = np.full(table_with_room().shape, 27.0)
    assert set(given_back(clean, best=best).values()) == {1.0}
    assert given_back(clean, best=best, raise_margin="3 crank_deg") == {}
    # Not computed is no permission.
    assert given_back(clean, best=np.full(best.shape, np.nan)) == {}


def test_a_table_above_its_knock_limit_is_told(clean: DriveLog) -> None:
    knock = np.full(table_with_room().shape, np.inf)
    knock[3, 4], knock[5, 6] = 20.0, np.nan
    review = review_log(clean, table_with_room(), knock=knock)
    assert review.above_knock == 1
    (caution,) = review_cautions(review)
    assert caution.startswith("1 cell of this table is above camcalc's knock limit. Knock breaks pistons.")


@pytest.mark.parametrize(
    ("name", "channel"),
    [
        ("knock level [V]", "knock_level"),
        ("Knock sensor level (dB)", "knock_level"),
        ("knock_noise [counts]", "knock_level"),
        ("knock signal", "knock_level"),
        ("knock retard [deg]", "knock_retard"),
        ("knock threshold [V]", ""),
    ],
)
def test_a_knock_channel_is_known_by_its_words_in_any_unit(name: str, channel: str) -> None:
    found = set(guess_columns(["t [s]", "n [rpm]", name])[0]) - {"time", "speed"}
    assert found == ({channel} if channel else set())


def test_what_is_held_back_becomes_plain_data(clean: DriveLog) -> None:
    review = review_log(dataclasses.replace(clean, knock_retard=np.full(len(clean.si.time), 3.0)), table_with_room(), ceiling=ceiling())
    data = review_data(review)
    assert data["held_back"][0]["why"] == {"code": "retard", "text": "knock retard"}
    assert data["held_back"][0]["figure"] == 3.0
    # One line for each cell held back, under one that says where the log holds most knock.
    assert len(data["cautions"]) == len(review.held_back) + 1
    assert data["cautions"][0].startswith("The log holds knock: knock retard of 3 deg at ")


def test_knock_in_the_log_is_told_even_where_nothing_could_be_given_back(clean: DriveLog) -> None:
    full = table_with_room().with_spark(np.full(table_with_room().shape, 60.0))
    log = dataclasses.replace(clean, knock_retard=np.full(len(clean.si.time), 3.0))
    assert any("The log holds knock" in caution for caution in review_cautions(review_log(log, full, ceiling=ceiling())))
    quiet = dataclasses.replace(clean, knock_retard=np.zeros(len(clean.si.time)))
    assert not any("The log holds knock" in caution for caution in review_cautions(review_log(quiet, full, ceiling=ceiling())))

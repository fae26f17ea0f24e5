"""Gears told by engine and road speed: right where a gear is in, none where clutch or converter slips, and bucking is never a driver who shifts.

The drives are kinematics alone, made here from ratios typed here: the package's own figures are asked for nothing but the answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from camcalc.logs import DriveLog, find_surge, review_log
from camcalc.logs.gear_seen import with_gears
from camcalc.logs.log_notes import LogDoubt, Loss
from camcalc.logs.manoeuvres import ManoeuvreKind
from camcalc.words.driving_log import log_words

Array = NDArray[np.float64]
Make = Callable[..., Any]
# Of examples/quarry-road, typed again: gearbox, final drive, tyre radius [m].
RATIOS, FINAL, RADIUS = (3.00, 2.24, 1.67, 1.24, 0.92, 0.69), 3.40, 13.0 * 0.0254
SHIFT = 0.4


class Driven(NamedTuple):
    """A drive and the gear that is in, 0 while the clutch is open."""

    log: DriveLog
    gear: Array


def driven(*gears: int, each: float = 12.0, speed: float = 25.0, bucks: float = 0.0, frequency: float = 2.2, tyre: float = 1.0) -> Driven:
    """Cruise in one gear after another at the same engine speed [rev/s]; in the shift the engine falls to idle speed and is caught again."""
    t = np.arange(0.0, each * len(gears), 0.02)
    number = np.minimum((t / each).astype(int), len(gears) - 1)
    own = np.array([RATIOS[g - 1] for g in gears])[number]
    into = t - number * each
    shifting = (into < SHIFT) & (number > 0)
    # The car keeps its speed through a shift and takes on that of the next gear within the four seconds after it.
    ends = np.array([speed * 2.0 * math.pi * RADIUS / (RATIOS[g - 1] * FINAL) for g in gears])
    road = np.where(number > 0, ends[number - 1] + (ends[number] - ends[number - 1]) * np.clip((into - SHIFT) / 4.0, 0.0, 1.0), ends[0])
    locked = road * own * FINAL / (2.0 * math.pi * RADIUS)
    wave = np.sin(2.0 * np.pi * frequency * t) * np.where((into > 5.0) & (into < each - 1.0), 1.0, 0.0)
    engine = np.where(shifting, np.minimum(locked, 15.0), locked * (1.0 + bucks * wave))
    log = DriveLog.of(time=t, speed=engine, road_speed=road * tyre, pedal=np.full(len(t), 0.2))
    return Driven(log, np.where(shifting, 0.0, np.array(gears, dtype=float)[number]))


@pytest.mark.parametrize("tyre", [0.95, 1.0, 1.05])
@pytest.mark.parametrize("bucks", [0.0, 0.1, 0.3])
def test_a_gear_is_told_where_it_is_in_and_nothing_else_is(build_of: Make, bucks: float, tyre: float) -> None:
    drive = driven(2, 3, 4, 5, bucks=bucks, tyre=tyre)
    found = with_gears(drive.log, build_of("quarry-road"))
    told = np.isfinite(found.gear)
    near = np.convolve(drive.gear == 0.0, np.ones(151), mode="same") > 0.0
    assert told[~near].mean() > 0.97
    assert np.array_equal(found.gear[told & ~near], drive.gear[told & ~near])
    assert [(note.what, note.figure > 0.8) for note in found.notes] == [(LogDoubt.GEAR_SEEN, True)]


@pytest.mark.parametrize("frequency", [1.3, 2.2, 4.0])
@pytest.mark.parametrize("bucks", [0.05, 0.2, 0.35])
def test_violent_bucking_is_looked_at_and_no_gear_change(build_of: Make, bucks: float, frequency: float) -> None:
    """Three shifts, and between them bucking by up to a third of the engine's speed: each shift counts once, and the bucking is surge in its gear."""
    found = find_surge(with_gears(driven(2, 3, 2, 3, bucks=bucks, frequency=frequency).log, build_of("quarry-road")))
    changes = [m.si.start for m in found.manoeuvres if m.kind is ManoeuvreKind.GEAR_CHANGE]
    # Levels of two seconds tell a change, so that bucking close to one is taken for a part of it.
    assert [round(start / 12.0) for start in changes] == [1, 2, 3]
    assert all(abs(start - 12.0 * round(start / 12.0)) < 2.5 for start in changes)
    assert found.si.surging > 16.0
    assert {e.gear for e in found.episodes} == {2.0, 3.0}
    assert all(e.si.frequency == pytest.approx(frequency, rel=0.05) for e in found.episodes)


@pytest.mark.parametrize("frequency", [0.6, 1.3, 3.0])
def test_a_log_that_bucks_from_its_first_row_to_its_last_is_looked_at(frequency: float) -> None:
    t = np.arange(0.0, 40.0, 0.02)
    speed = 22.0 * (1.0 + 0.3 * np.sin(2.0 * np.pi * frequency * t))
    found = find_surge(DriveLog.of(time=t, speed=speed, road_speed=np.full(len(t), 6.0), pedal=np.full(len(t), 0.2)))
    assert ManoeuvreKind.GEAR_CHANGE not in found.counts()
    assert found.si.looked_at > 38.0


def test_a_clutch_dipped_for_a_moment_in_one_gear_is_the_drivers() -> None:
    """The engine falls to near idle speed for 0.6 s and comes back to the same ratio; no gear, no clutch logged."""
    t = np.arange(0.0, 30.0, 0.02)
    speed = np.where((t > 15.0) & (t < 15.6), 13.0, 24.0)
    found = find_surge(DriveLog.of(time=t, speed=speed, road_speed=np.full(len(t), 6.0), pedal=np.full(len(t), 0.2)))
    (change,) = [m for m in found.manoeuvres if m.kind is ManoeuvreKind.GEAR_CHANGE]
    assert 14.5 < change.si.start < 16.0
    assert found.episodes == ()


def test_a_clutch_that_slips_is_in_no_gear(build_of: Make) -> None:
    drive = driven(3, each=30.0)
    t = drive.log.si.time
    slipping = drive.log.replace(speed=drive.log.si.speed * np.where((t > 10.0) & (t < 18.0), 1.16, 1.0))
    gear = with_gears(slipping, build_of("quarry-road")).gear
    assert np.isnan(gear[(t > 11.5) & (t < 16.5)]).all()
    assert (gear[(t < 8.5) | (t > 19.5)] == 3.0).all()


def test_a_log_of_another_car_gets_no_gear_and_the_question(build_of: Make) -> None:
    log = driven(2, 3).log
    other = log.replace(road_speed=log.si.road_speed * 0.53)
    found = with_gears(other, build_of("quarry-road"))
    assert found.gear.size == 0
    assert [note.what for note in found.notes] == [LogDoubt.OTHER_GEARS]
    assert "Is it a log of this car" in " ".join(log_words(found).split())


def test_a_gear_that_was_logged_stays_and_one_that_was_seen_still_counts_as_not_logged(build_of: Make) -> None:
    log, build = driven(2, 3).log, build_of("quarry-road")
    logged = log.replace(gear=np.full(len(log.si.time), 4.0))
    assert with_gears(logged, build) is logged
    without = log.replace(road_speed=np.empty(0))
    assert with_gears(without, build) is without
    review = review_log(log, build=build)
    assert review.log.missing["gear"] is Loss.GEAR_CHANGES
    assert review.log.to_dict()["gear_seen"] is True
    assert review.top_gear == 3

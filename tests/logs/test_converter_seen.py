"""A converter that locks and unlocks is called that; surge of the same car stays surge."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from camcalc import load_build
from camcalc.logs import DriveLog, LogReview, review_log
from camcalc.logs.converter_seen import slip_of
from camcalc.logs.manoeuvres import ManoeuvreKind
from camcalc.sheet import Build
from camcalc.words.review_glance import glance_lines

TIME = np.arange(0.0, 40.0, 0.05)


@pytest.fixture(scope="module")
def build() -> Build:
    made = load_build("examples/long-meadow/build.toml")
    return made if made.vehicle.transmission == "converter" else made.replace(vehicle=made.vehicle.replace(transmission="converter"))


def turns(build: Build) -> NDArray[np.float64]:
    vehicle = build.vehicle
    return np.array(vehicle.gear_ratios) * vehicle.final_drive / (2.0 * math.pi * vehicle.si.tyre_radius)


def cruise(build: Build, slip: NDArray[np.float64], *, road: NDArray[np.float64] | None = None, pedal: NDArray[np.float64] | None = None) -> LogReview:
    """A cruise in the highest gear near 1500 rpm, engine speed ahead of the gearbox by the slip, road speed in steps of 0.1 m/s."""
    per_metre = turns(build)[-1]
    road = np.full(TIME.size, 25.0 / per_metre) if road is None else road
    noise = np.random.default_rng(3).normal(size=TIME.size) * 2.0 / 60.0
    speed = road * per_metre * (1.0 + slip) + noise
    given = 0.2 + 0.0 * TIME if pedal is None else pedal
    return review_log(DriveLog.of(time=TIME, speed=speed, road_speed=np.round(road, 1), pedal=given), build=build)


def locking(frequency: float, size: float) -> NDArray[np.float64]:
    """Slip of a clutch that closes and opens, each within some tenths of a second."""
    wave = np.sin(2.0 * np.pi * frequency * TIME)
    return size * 0.5 * (1.0 + np.tanh(3.0 * wave))


@pytest.mark.parametrize("frequency", [0.6, 0.9, 1.2])
@pytest.mark.parametrize("size", [0.03, 0.06])
def test_a_converter_that_locks_and_unlocks_is_called_that(build: Build, frequency: float, size: float) -> None:
    review = cruise(build, locking(frequency, size))
    assert review.findings.episodes == ()
    assert review.findings.si.surging == 0.0
    assert review.main_cause is None
    told = [m for m in review.findings.manoeuvres if m.kind is ManoeuvreKind.CONVERTER]
    assert sum(m.si.end - m.si.start for m in told) > 30.0
    assert "The converter locks and unlocks" in glance_lines(review, "Next: x.")[3]


def test_the_time_of_a_converter_is_neither_looked_at_nor_rough_burning(build: Build) -> None:
    slip = np.where(TIME < 20.0, locking(0.9, 0.04), 0.0)
    quiet, both = cruise(build, 0.0 * TIME).findings, cruise(build, slip).findings
    told = [m for m in both.manoeuvres if m.kind is ManoeuvreKind.CONVERTER]
    spans = [(float(m.si.start), float(m.si.end)) for m in told]
    assert both.si.looked_at == pytest.approx(quiet.si.looked_at - sum(b - a for a, b in spans), abs=0.1)
    assert all(end <= a + 1e-9 or start >= b - 1e-9 for start, end in both.windows for a, b in spans)
    assert not any(e.si.start < b and e.si.end > a for e in both.combustion for a, b in spans)


def test_surge_behind_a_locked_converter_stays_surge(build: Build) -> None:
    for frequency in (0.9, 1.4, 2.4):
        review = cruise(build, 0.03 * np.sin(2.0 * np.pi * frequency * TIME))
        assert review.findings.share > 0.9
        assert ManoeuvreKind.CONVERTER not in review.findings.counts()


def test_a_swing_of_the_road_or_of_the_pedal_is_no_converter(build: Build) -> None:
    slow = np.sin(2.0 * np.pi * 0.9 * TIME)
    for more in ({"road": 25.0 / turns(build)[-1] * (1.0 + 0.03 * slow)}, {"pedal": 0.2 + 0.02 * slow}):
        review = cruise(build, locking(0.9, 0.04), **more)
        assert ManoeuvreKind.CONVERTER not in review.findings.counts()


def test_a_car_with_a_clutch_has_no_converter(build: Build) -> None:
    manual = build.replace(vehicle=build.vehicle.replace(transmission="clutch"))
    assert cruise(manual, locking(0.9, 0.04)).findings.share > 0.9


def test_slip_is_that_of_the_gear_that_fits_and_of_no_other(build: Build) -> None:
    per_metre, road = turns(build), np.full(400, 20.0)
    for one in per_metre:
        slip = np.tile([0.0, 0.05], 200)
        assert slip_of(20.0 * one * (1.0 + slip), road, per_metre, 0.05) == pytest.approx(slip, abs=1e-12)
    between = math.sqrt(per_metre[-1] * per_metre[-2])
    assert np.isnan(slip_of(20.0 * between * np.ones(400), road, per_metre, 0.05)).all()

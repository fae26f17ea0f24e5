"""What is worked out for many records at once, or only where it matters, against its definition one by one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from camcalc.logs import DriveLog
from camcalc.logs.signals import ORDER, REFLECTED, Spectrum, band_pass, stretches, swing_of, swings_of
from camcalc.logs.stray import PEDAL, TIMES, stray_speeds, stray_values
from camcalc.logs.swing_kind import _peak
from camcalc.tables.table import bilinear

Array = NDArray[np.float64]
STEP = 0.02


def defined(values: Array, low: float, high: float, *, derivative: bool = False) -> Array:
    """The band of one record as the docstring of ``band_pass`` has it, step by step."""
    reach = min(len(values) - 1, math.ceil(REFLECTED / STEP))
    drawn = np.concatenate([2.0 * values[0] - values[reach:0:-1], values, 2.0 * values[-1] - values[-2 : -reach - 2 : -1]])
    drawn = drawn - np.linspace(drawn[0], drawn[-1], len(drawn))
    size = Spectrum(values, STEP)._size
    frequency = np.fft.rfftfreq(size, STEP)
    with np.errstate(divide="ignore"):
        gain = 1.0 / ((1.0 + (low / frequency) ** ORDER) * (1.0 + (frequency / high) ** ORDER))
    if derivative:
        gain = gain * 2j * np.pi * frequency
    return np.fft.irfft(np.fft.rfft(drawn, size) * gain, size)[reach : reach + len(values)]


@pytest.mark.parametrize("rows", [60, 907, 1800])
@pytest.mark.parametrize("derivative", [False, True])
def test_records_filtered_together_are_as_each_by_itself(rows: int, derivative: bool) -> None:
    values = 20.0 + np.cumsum(np.random.default_rng(rows).normal(size=(5, rows)), axis=1)
    values[3] = 7.0
    together = band_pass(values, STEP, 0.5, 16.0, derivative=derivative)
    one_by_one = np.array([band_pass(row, STEP, 0.5, 16.0, derivative=derivative) for row in values])
    size = np.abs(one_by_one).max()
    assert np.abs(together - one_by_one).max() <= 1e-13 * size
    assert np.abs(together - np.array([defined(row, 0.5, 16.0, derivative=derivative) for row in values])).max() <= 1e-11 * size
    assert not together[3].any()


@pytest.mark.parametrize("hole", [None, "spark", "load"])
def test_swings_of_channels_together_are_as_each_by_itself(hole: str | None) -> None:
    time = np.arange(0.0, 60.0, STEP)
    noise = np.random.default_rng(3).normal(size=(3, time.size))
    about = {"spark": 20.0 + noise[0], "load": 4.5e4 + 300.0 * noise[1]}
    if hole:
        about[hole][1480:1500] = np.nan
    log = DriveLog.of(time=time, speed=22.0 + noise[2], load_kind="manifold pressure", **about)
    spark, load, road = swings_of(log, ("spark", "load", "road_speed"), start=20.0, end=35.0, low=1.5, high=3.0)
    assert not road.size
    for name, swing in (("spark", spark), ("load", load)):
        alone = swing_of(log, name, start=20.0, end=35.0, low=1.5, high=3.0)
        assert swing.shape == alone.shape
        assert np.abs(swing - alone).max() <= 1e-12 * np.abs(alone).max()


@pytest.mark.parametrize("rows", [75, 251, 907, 1800])
def test_the_peak_is_that_of_the_fine_grid(rows: int) -> None:
    rng = np.random.default_rng(rows)
    for _ in range(20):
        part = (np.sin(2.0 * np.pi * rng.uniform(0.01, 0.3) * np.arange(rows)) + rng.uniform(0.0, 2.0) * rng.normal(size=rows)) * np.hanning(rows)
        fine = np.abs(np.fft.rfft(part, 8 * rows))
        assert _peak(part) == int(np.argmax(fine)) / (8 * rows)


@given(st.integers(0, 2**32 - 1))
def test_strays_are_those_of_a_running_median(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = np.abs(np.cumsum(rng.normal(size=int(rng.integers(5, 40))))) * rng.choice([0.3, 1.0, 3.0])
    values[rng.random(values.size) < 0.2] *= rng.choice([0.0, 0.1, 5.0])
    time = 0.05 * np.arange(values.size)
    level = median_filter(values, 5, mode="mirror")
    assert np.array_equal(stray_speeds(time, values), (level > 0.0) & ((TIMES * values < level) | (values > TIMES * level)))
    assert np.array_equal(stray_values(time, values), np.abs(values - median_filter(values, 3, mode="mirror")) > PEDAL)


def test_a_lookup_of_many_points_is_that_of_each() -> None:
    rng = np.random.default_rng(5)
    speeds, loads = np.array([10.0, 15.0, 17.0, 30.0]), np.array([2e4, 5e4, 9e4])
    cells = rng.normal(size=(4, 3))
    speed, load = rng.uniform(5.0, 35.0, (2, 50)), rng.uniform(1e4, 1e5, (2, 50))
    speed[0, :4], load[0, :3] = speeds, loads
    along = [np.interp(p, loads, [np.interp(x, speeds, column) for column in cells.T]) for x, p in zip(speed.ravel(), load.ravel(), strict=True)]
    assert bilinear(speeds, loads, cells, speed, load).ravel() == pytest.approx(np.array(along), abs=1e-12)


def test_a_stretch_without_a_hole_is_the_log_s_own_rows() -> None:
    log = DriveLog.of(time=np.arange(0.0, 20.0, STEP), speed=np.full(1000, 20.0))
    (stretch,) = stretches(log, "speed")
    assert np.shares_memory(stretch.values["speed"], log.si.speed)

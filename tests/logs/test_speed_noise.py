"""Noise on engine speed: surge is found where it is, noise is not called surge, and what noise hides gets no answer."""

from __future__ import annotations

import numpy as np
import pytest

from camcalc.logs import DriveLog, SurgeFindings, find_surge
from camcalc.logs.speed_noise import lifted_out, noise_density, told_from
from camcalc.logs.surge_finder import FinderNote
from camcalc.words import describe
from tests.oracles import noisy_speed

RATES, NOISES = (12.5, 20.0, 25.0, 50.0, 100.0), (0.0, 3.0, 6.0, 10.0)
# Shares of seconds that are to be told, as asked for.
SHARE = 0.95


def found_in(log: noisy_speed.Spoiled) -> SurgeFindings:
    return find_surge(DriveLog.of(time=log.time, speed=log.speed / 60.0, pedal=np.full(log.time.size, 0.2)))


@pytest.mark.parametrize("uneven", [0.0, 0.4])
@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize("rate", RATES)
def test_seconds_that_surge_are_told_from_those_that_do_not(rate: float, noise: float, uneven: float) -> None:
    """Eight drives of two minutes. Swings over 10 rpm and over what anyone can see are found; what is called surge swings."""
    logs = [noisy_speed.spoiled(noise, rate, seed, uneven=uneven) for seed in range(200, 208)]
    told = np.sum([noisy_speed.seconds_told(log, [(e.si.start, e.si.end) for e in found_in(log).episodes]) for log in logs], axis=0)
    surges, of_these_called, called, of_these_swing = told
    assert surges > 100.0
    assert of_these_called >= SHARE * surges
    assert of_these_swing >= SHARE * called


@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize("rate", RATES)
def test_noise_alone_is_no_surge(rate: float, noise: float) -> None:
    for seed in range(300, 304):
        found = found_in(noisy_speed.spoiled(noise, rate, seed, swings=False))
        assert found.episodes == found.combustion == ()
        assert found.si.looked_at > 110.0
        # Rounding to whole rpm is noise, too, up to a step over the root of twelve (textbook).
        assert 0.88 * noise <= 60.0 * found.si.speed_noise <= 1.12 * np.hypot(noise, 1.0 / np.sqrt(12.0))


@pytest.mark.parametrize("rate", [12.5, 25.0, 50.0])
def test_a_log_that_surges_half_of_its_time_is_called_so_at_six_rpm_of_noise(rate: float) -> None:
    t = np.arange(0.0, 60.0, 1.0 / rate)
    swing = np.where(t >= 30.0, 20.0 * np.sin(2.0 * np.pi * 2.5 * t), 0.0)
    for seed in range(4):
        speed = 1400.0 + swing + 6.0 * np.random.default_rng(seed).normal(size=t.size)
        (episode,) = find_surge(DriveLog.of(time=t, speed=speed / 60.0, pedal=np.full(t.size, 0.2))).episodes
        assert episode.si.start == pytest.approx(30.0, abs=1.0)
        assert episode.si.end == pytest.approx(60.0, abs=0.5)
        assert episode.si.frequency == pytest.approx(2.5, rel=0.02)
        # Noise in the band is taken off; of 30 s so much of it is left as chance.
        assert 60.0 * episode.si.speed_amplitude == pytest.approx(20.0, rel=0.06)


def test_what_noise_hides_gets_no_answer() -> None:
    """Two seconds of 12 rpm in 10 rpm of noise."""
    log = noisy_speed.spoiled(10.0, 12.5, 1, swings=False)
    burst = np.where((log.time > 50.0) & (log.time < 52.0), 12.0 * np.sin(2.0 * np.pi * 2.5 * log.time), 0.0)
    for one in (log, noisy_speed.Spoiled(log.time, log.speed + burst, log.amplitude, log.visible)):
        found = found_in(one)
        assert found.episodes == ()
        assert FinderNote.NOISY_SPEED in found.notes
        assert 60.0 * found.si.least_swing == pytest.approx(noisy_speed.visible(10.0, 12.5), rel=0.15)
        words = " ".join(describe(found).split())
        assert "no surge of 2" in words
        assert "gets no answer at this noise." in words
    assert FinderNote.NOISY_SPEED not in found_in(noisy_speed.spoiled(1.5, 12.5, 1)).notes


def test_what_lasts_is_told_at_less() -> None:
    t = np.arange(0.0, 120.0, 0.08)
    speed = 1400.0 + 12.0 * np.sin(2.0 * np.pi * 2.5 * t) + 10.0 * np.random.default_rng(6).normal(size=t.size)
    found = find_surge(DriveLog.of(time=t, speed=speed / 60.0, pedal=np.full(t.size, 0.2)))
    assert 60.0 * found.si.least_swing > 15.0
    assert found.share > 0.8
    assert all(e.si.frequency == pytest.approx(2.5, rel=0.05) for e in found.episodes)


def test_noise_is_read_beside_a_swing_that_never_stops() -> None:
    t = np.arange(0.0, 120.0, 0.05)
    noise = np.random.default_rng(3).normal(size=t.size)
    for size in (0.0, 5.0, 40.0):
        density = noise_density([size * np.sin(2.0 * np.pi * 2.2 * t) + noise], 0.05)
        assert np.sqrt(0.5 * density / 0.05) == pytest.approx(1.0, rel=0.1)


def test_too_little_to_tell_noise_from_is_no_noise() -> None:
    assert noise_density([], 0.05) == 0.0
    assert noise_density([np.ones(30)], 0.05) == 0.0
    # A straight line has none.
    assert noise_density([np.arange(400.0)], 0.05) == pytest.approx(0.0, abs=1e-18)


def test_least_that_is_told_is_its_power_over_that_of_the_noise() -> None:
    """By the frame's own transform: a sine of that size has twenty times the mean power of noise in its bin."""
    step, count, bin_of = 0.02, 112, 7
    density = 2.0 * step * 0.3**2
    taper = np.sin(np.pi * (np.arange(count) + 0.5) / count) ** 2
    sine = told_from(density) * np.sin(2.0 * np.pi * bin_of * np.arange(count) / count + 0.4)
    noise = 0.3 * np.random.default_rng(4).normal(size=(20_000, count))
    power = (np.abs(np.fft.rfft(noise * taper)[:, bin_of]) ** 2).mean()
    assert np.abs(np.fft.rfft(sine * taper)[bin_of]) ** 2 / power == pytest.approx(20.0, rel=0.03)


def test_what_stands_out_is_left_as_it_is() -> None:
    t = np.arange(0.0, 30.0, 0.02)
    wave = np.sin(2.0 * np.pi * 3.0 * t)
    assert np.abs(lifted_out(wave, 0.02, 1e-9) - wave).max() < 1e-3
    assert np.abs(lifted_out(wave, 0.02, 1e3)).max() == 0.0

"""How sure a comparison is, against swings whose true energy is known: a second-order swing driven by noise, beside a noisy sensor."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import linalg, signal

from camcalc.logs import DriveLog, LogComparison, compare_logs
from camcalc.logs.comparison import ComparisonVerdict
from camcalc.logs.swing_memory import noise_energy, swing_memory

FREQUENCY = 2.4
RATE = 20.0
DAMPINGS = (0.03, 0.06, 0.1, 0.2, 0.3)
DIFFERENT = (ComparisonVerdict.BETTER, ComparisonVerdict.WORSE)


def swing(rng: np.random.Generator, damping: float, count: int) -> NDArray[np.float64]:
    """A damped oscillator of unit energy driven by white noise, sampled exactly."""
    turn = 2.0 * math.pi * FREQUENCY
    over = linalg.expm(np.array([[0.0, 1.0], [-(turn**2), -2.0 * damping * turn]]) / RATE)
    still = np.diag([1.0, turn**2])
    push = rng.normal(size=(count, 2)) @ np.linalg.cholesky(still - over @ still @ over.T).T
    begin = np.array([1.0, turn]) * rng.normal(size=2)
    around, back = float(np.trace(over)), float(np.linalg.det(over))
    drive = push[:, 0].copy()
    drive[1:] += over[0, 1] * push[:-1, 1] - over[1, 1] * push[:-1, 0]
    drive[0] = begin[0]
    drive[1] = over[0] @ begin + push[1, 0] - around * begin[0]
    return np.asarray(signal.lfilter([1.0], [1.0, -around, back], drive))


def drive(rng: np.random.Generator, damping: float, rms: float, seconds: float, noise: float) -> DriveLog:
    """Two steady pieces with a gap between them; swing and sensor noise in rpm r.m.s."""
    count = int(seconds * RATE / 2.0)
    time = np.concatenate([np.arange(count) / RATE, (count + 80 + np.arange(count)) / RATE])
    rpm = 1300.0 + np.concatenate([rms * swing(rng, damping, count) for _ in range(2)]) + noise * rng.normal(size=2 * count)
    return DriveLog.of(time=time, speed=rpm / 60.0, load=45e3 + 0.0 * time, load_kind="manifold pressure", pedal=0.2 + 0.0 * time)


def compared(seed: list[int], dampings: tuple[float, float], sizes: tuple[float, float], noise: float) -> LogComparison:
    rng = np.random.default_rng(seed)
    one, two = (drive(rng, damping, rms, 72.0, noise) for damping, rms in zip(dampings, sizes, strict=True))
    return compare_logs(one, two)


def test_pairs_that_do_not_differ_are_called_different_in_one_of_twenty_and_the_band_holds() -> None:
    found = [compared([190, k, n], (d, d), (12.0, 12.0), noise) for n, d in enumerate(DAMPINGS) for k in range(24) for noise in (0.0, 5.0)]
    wrong = sum(one.verdict in DIFFERENT for one in found) / len(found)
    held = sum(one.energy_low <= 1.0 <= one.energy_high for one in found) / len(found)
    print(f"\n{len(found)} pairs that do not differ: {100 * wrong:.1f} % called different, the band holds {100 * held:.1f} %")
    assert len(found) == 240
    # Five in a hundred are meant; 240 pairs tell that to 1.4, and the mark lets pass two of these.
    assert wrong <= 0.078
    assert 0.85 <= held <= 0.95


def test_the_band_holds_the_true_ratio_of_pairs_that_differ_under_a_noisy_sensor() -> None:
    """The table after damps more: the same push leaves a swing whose energy goes as one over the damping."""
    pairs = [((0.05, 0.1), 8.0), ((0.1, 0.2), 8.0), ((0.08, 0.08), 6.0), ((0.2, 0.05), 5.0)]
    held, told = [], []
    for n, (dampings, rms) in enumerate(pairs):
        true = dampings[0] / dampings[1] if dampings[0] != dampings[1] else 0.5
        for k in range(50):
            one = compared([191, k, n], dampings, (rms, rms * math.sqrt(true)), 4.0)
            held.append(one.energy_low <= true <= one.energy_high)
            told.append(one.verdict is (ComparisonVerdict.BETTER if true < 1.0 else ComparisonVerdict.WORSE))
    print(f"\n{len(held)} pairs that differ by two to four times: the band holds {100 * np.mean(held):.0f} %, {100 * np.mean(told):.0f} % are told")
    # 200 pairs tell nine in ten to two in a hundred.
    assert 0.85 <= np.mean(held) <= 0.95
    assert np.mean(told) >= 0.8


@pytest.mark.parametrize("damping", DAMPINGS)
def test_the_memory_of_a_swing_is_that_of_its_damping(damping: float) -> None:
    rng = np.random.default_rng(192)
    parts = [swing(rng, damping, 4000) for _ in range(4)]
    assert swing_memory(parts, 1.0 / RATE) == pytest.approx(1.0 / (2.0 * damping * 2.0 * math.pi * FREQUENCY), rel=0.35)


@pytest.mark.parametrize("size", [0.0, 1.0, 4.0])
def test_the_noise_of_a_sensor_is_found_beside_a_swing(size: float) -> None:
    rng = np.random.default_rng(193)
    raw = 12.0 * swing(rng, 0.1, 60 * 60) + size * rng.normal(size=60 * 60)
    found = noise_energy(list(raw.reshape(-1, 60)), 1.0 / RATE, 0.4 * RATE)
    band = (0.4 * RATE - 0.5) / (RATE / 2.0)
    assert found == pytest.approx(size**2 * band, abs=0.02 * 144.0, rel=0.1)

"""Invented logs of engine speed alone: bursts of one frequency on a wandering level, white noise of the sensor on top, the true swing known everywhere.

Kinematics only: no driveline, no table, nothing of the package. Burst lengths, frequencies and amplitudes are drawn from ranges that were written down
before anything was run: swings of 12 to 60 rpm at 1.5 to 8 Hz for 5 to 20 s, rising and falling over 0.3 to 1.5 s, frequency wandering by some percent.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# A swing is told from noise at a signal-to-noise ratio of 13 dB, power of the sum over its samples to power of noise: nine of ten are seen and one
# false in a million (detection theory's usual example, from memory). Over the shortest swing that anyone would call surge [s].
TOLD_AT, SHORTEST = 20.0, 1.5


@dataclass
class Spoiled:
    """One log and its truth: times [s], speed as logged [rpm], the swing's amplitude at those times [rpm], and what anyone can see at this noise [rpm]."""

    time: Array
    speed: Array
    amplitude: Array
    visible: float


def visible(noise: float, rate: float) -> float:
    """Least amplitude [rpm] that a search matched to the swing itself could tell from white noise [rpm r.m.s.]: A^2 T rate / (4 noise^2) at its limit."""
    return 2.0 * noise * math.sqrt(TOLD_AT / (SHORTEST * rate))


def spoiled(noise: float, rate: float, seed: int, *, seconds: float = 120.0, swings: bool = True, uneven: float = 0.0, whole: bool = True) -> Spoiled:
    """Draw one. ``noise`` in rpm r.m.s., ``rate`` in rows a second; ``uneven`` scatters times by that share of a step, ``whole`` writes whole rpm."""
    rng = np.random.default_rng([seed, round(10.0 * noise), round(10.0 * rate)])
    time = (np.arange(round(seconds * rate)) + uneven * rng.uniform(-0.5, 0.5, round(seconds * rate))) / rate
    level = rng.uniform(1200.0, 1900.0) + sum(
        rng.uniform(0.0, 60.0) * np.sin(2.0 * np.pi * (f * time + rng.random())) for f in (0.01, 0.025, 0.06)
    )
    amplitude, swing = np.zeros(time.size), np.zeros(time.size)
    at = rng.uniform(3.0, 10.0)
    while swings:
        length, rise = rng.uniform(5.0, 20.0), rng.uniform(0.3, 1.5)
        if at + length > seconds - 3.0:
            break
        size, frequency = math.exp(rng.uniform(math.log(12.0), math.log(60.0))), rng.uniform(1.5, min(8.0, 0.36 * rate))
        wander = 1.0 + 0.04 * np.sin(2.0 * np.pi * (time / rng.uniform(3.0, 9.0) + rng.random()))
        shape = np.clip(np.minimum(time - at, at + length - time) / rise, 0.0, 1.0)
        shape = size * np.sin(0.5 * np.pi * shape) ** 2 * (1.0 + 0.2 * np.sin(2.0 * np.pi * (time / 4.0 + rng.random()))) / 1.2
        turns = 2.0 * np.pi * (np.concatenate([[0.0], np.cumsum(np.diff(time) * frequency * wander[:-1])]) + rng.random())
        amplitude += shape
        swing += shape * np.sin(turns)
        at += length + rng.uniform(5.0, 15.0)
    speed = level + swing + noise * rng.normal(size=time.size)
    return Spoiled(time, np.round(speed) if whole else speed, amplitude, visible(noise, rate))


def seconds_told(log: Spoiled, spans: list[tuple[float, float]], *, least: float = 10.0, lasts: float = 6.0) -> tuple[float, float, float, float]:
    """Rows that truly surge, of these those called so; rows called so, of these those that truly swing. In seconds.

    A row surges where its swing is over ``least`` [rpm] and over what anyone can see; one that swings over ``lasts`` may be called either.
    """
    called = np.zeros(log.time.size, dtype=bool)
    for start, end in spans:
        called |= (log.time >= start - 1e-6) & (log.time <= end + 1e-6)
    step = float(np.median(np.diff(log.time)))
    surges, swings = log.amplitude > max(least, log.visible), log.amplitude > lasts
    return tuple(step * float(np.count_nonzero(m)) for m in (surges, surges & called, called, called & swings))  # type: ignore[return-value]

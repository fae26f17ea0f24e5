"""Invented logs of a swing that is linear: a second-order driveline, spark that follows speed and a noisy load by known slopes, corrections, noise.

``x' = -2 a x - w^2 X + g s + n``, ``X' = x``: engine speed x about its mean, spark s, noise n of the burns. Each channel is logged late by its own delay.
What the swing loses without a part is known by running it without, with the same noise. Nothing in here imports the package; all figures are invented.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STEP = 0.002
SETTLES = 20.0


@dataclasses.dataclass(frozen=True)
class Swing:
    """Frequency [Hz]; damping ratio on a level table; what a degree of spark does [rev/s2]; slopes of the table along speed [deg per rev/s] and along load
    [deg per kPa]; correction by speed as it was a while ago [deg per rev/s, s]; knock retard [deg]; noise of burns [rev/s2 r.m.s. a firing] and load [kPa];
    late by channel [s]."""

    frequency: float = 3.0
    damping: float = 0.08
    per_degree: float = 1.0
    along_speed: float = 0.0
    along_load: float = 0.0
    correction: float = 0.0
    correction_late: float = 0.0
    knock: float = 0.0
    burn: float = 5.0
    load_noise: float = 0.0
    speed: float = 22.0
    seconds: float = 60.0
    late_spark: float = 0.0
    late_load: float = 0.0
    sensor: float = 0.02


@numba.njit
def _steps(about, burn, load, wander, knock):  # type: ignore[no-untyped-def]
    frequency, damping, g, along_speed, along_load, correction, late = about
    w = 2.0 * math.pi * frequency
    count, behind = len(burn), int(late / 0.002)
    out = np.zeros((3, count))
    x = turned = 0.0
    for k in range(count):
        out[0, k] = x
        table = along_speed * (x + wander[k]) + along_load * load[k]
        extra = -correction * out[0, k - behind] if k >= behind else 0.0
        out[1, k], out[2, k] = table + extra - knock[k], table
        # What wanders slowly is held by the driver: spark about its slow course pushes.
        push = g * (along_speed * x + along_load * load[k] + extra - knock[k])
        x += 0.002 * (-2.0 * damping * w * x - w * w * turned + push + burn[k])
        turned += 0.002 * x
    return out


def run(swing: Swing, seed: int) -> dict[str, Array]:
    """Return speed [rev/s], spark [deg], load [kPa], knock retard [deg] over time [s], every 2 ms."""
    rng = np.random.default_rng(seed)
    count = round((SETTLES + swing.seconds) / STEP)
    firings = np.repeat(rng.normal(size=count // 10 + 1), 10)[:count]
    noise = _lagged(rng.normal(size=count), 0.04)
    course = _lagged(_lagged(rng.normal(size=count), 0.8), 0.8)
    wander = 1.0 * course / max(float(np.std(course)), 1e-9)
    pulses = _lagged((rng.random(count) < 1.2 * STEP).astype(float), 0.25)
    knock = swing.knock * pulses / max(float(pulses.max()), 1e-9)
    load = swing.load_noise * noise / float(np.std(noise))
    about = (swing.frequency, swing.damping, swing.per_degree, swing.along_speed, swing.along_load, swing.correction, swing.correction_late)
    x, spark, _ = _steps(tuple(float(one) for one in about), swing.burn * firings, load, wander, knock)
    speed = swing.speed + wander + x
    late = slice(round(SETTLES / STEP), None)
    time = STEP * np.arange(count)
    return {
        "time": time[late] - SETTLES,
        "x": x[late],
        "speed": speed[late],
        "spark": 20.0 + spark[late],
        "load": 45.0 + load[late],
        "knock_retard": knock[late],
    }


def _lagged(values: Array, lag: float) -> Array:
    from scipy.signal import lfilter

    return np.asarray(lfilter([STEP / lag], [1.0, STEP / lag - 1.0], values))


def logged(swing: Swing, seed: int, rate: float) -> dict[str, Array]:
    """Return what a logger writes: rows at a rate, spark and load late, noise on engine speed; speeds in rev/s, loads in Pa, inner units of nobody."""
    true = run(swing, seed)
    at = np.arange(round(swing.seconds * rate) - 1) / rate
    rng = np.random.default_rng(seed + 10_000)
    out: dict[str, Any] = {"time": at, "speed": np.interp(at, true["time"], true["speed"]) + swing.sensor * rng.normal(size=at.size)}
    out["spark"] = np.interp(at - swing.late_spark, true["time"], true["spark"])
    out["load"] = 1e3 * np.interp(at - swing.late_load, true["time"], true["load"])
    if swing.knock:
        out["knock_retard"] = np.interp(at - swing.late_spark, true["time"], true["knock_retard"])
    return out


def lost(swing: Swing, seed: int, **without: float) -> float:
    """Return by which share the swing falls with some figures changed and the same noise."""
    sizes = [float(np.std(run(one, seed)["x"])) for one in (swing, dataclasses.replace(swing, **without))]
    return 1.0 - sizes[1] / sizes[0]

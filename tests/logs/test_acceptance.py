"""Acceptance of the surge finder and the causes on several hundred invented logs whose truth is known; one table of figures, one set of limits.

Two sets of seeds: the finder was mended on the first, the second was looked at only to be reported.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from typing import NamedTuple

import numpy as np
import pytest

from camcalc.logs import find_surge
from camcalc.logs.causes import Cause, explain_episode
from camcalc.logs.drive_log import DriveLog
from camcalc.logs.surge_finder import SurgeFindings
from camcalc.tables.table import SparkTable
from tests.oracles import drive_log

KINDS = {
    "table": Cause.TABLE,
    "table by load": Cause.TABLE,
    "table and adder": Cause.TABLE,
    "table, speed rising": Cause.TABLE,
    "burn": Cause.BURN,
    "burn, second gear": Cause.BURN,
    "burn, third gear": Cause.BURN,
    "idle correction": Cause.IDLE_CORRECTION,
    "knock retard": Cause.KNOCK_RETARD,
    "another table": Cause.ANOTHER_TABLE,
    "clean": "",
    "noise only": "",
    "tip-ins": "",
    "gear changes": "",
    "overrun": "",
    "fuel cut": "",
    "weak cylinder": "",
    "converter": "",
}
FAST, SLOW, SLOWEST = (25.0, 40.0, 50.0, 100.0), (10.0, 12.5, 20.0), (5.0, 8.0)
MENDED_ON, KEPT_BACK = (0, 1, 2), (200, 201, 202)
# Surge is a swing of at least this [rpm], as the finder's default says. Sensor noise and the edge of a span leave a doubt between the two shares:
# what is over the upper must be found, what is found must be over the lower.
SWING, MUST, MAY = 10.0, 1.3, 0.7
# Spark that swings by less [crank deg] is flat, with the same doubt about it: it moves less than half a newton metre here.
FLAT = 0.3
# The least that must be found lasts so long [s].
LASTS = 3.0


class Score(NamedTuple):
    """One log: true spans that had to be found and were, spans found and right, frequencies compared and right, causes asked and right."""

    due: int
    met: int
    found: int
    right: int
    frequencies: int
    near: int
    causes: int
    named: int
    wrong: tuple[str, ...] = ()


def drive_of(kind: str, seed: int) -> tuple[drive_log.Drive, float]:
    """The drive of a kind and its sensor noise; speed and strength vary with the seed."""
    rng = np.random.default_rng([seed, sum(kind.encode())])
    name = {"noise only": "clean", "table, speed rising": "table"}.get(kind, kind)
    drive = drive_log.DRIVES[name.partition(", ")[0]]
    if name.endswith(" gear"):
        drive = dataclasses.replace(drive, gear=2 if "second" in name else 3, burn_noise=9.0, damping=12.0)
    if kind == "table, speed rising":
        return dataclasses.replace(drive, speed=float(rng.uniform(850.0, 950.0)), creep=float(rng.uniform(10.0, 16.0)), seconds=45.0), 1.0
    if kind == "noise only":
        return dataclasses.replace(drive, burn_noise=0.0, speed=float(rng.uniform(1000.0, 2000.0))), 2.0
    if kind in ("table", "table and adder"):
        return dataclasses.replace(drive, speed=float(rng.uniform(1270.0, 1330.0))), 1.0
    if kind in ("tip-ins", "gear changes", "overrun", "fuel cut", "idle correction"):
        return dataclasses.replace(drive, speed=drive.speed + float(rng.uniform(-40.0, 40.0))), 1.0
    return dataclasses.replace(drive, speed=drive.speed + float(rng.uniform(-60.0, 150.0))), 1.0


def read(log: drive_log.Log) -> DriveLog:
    """The log as the package holds it; knock retard is logged where there is some."""
    scale = {"speed": 1.0 / 60.0, "load": 1e3}
    names = ["time", "speed", "spark", "load", "pedal", "road_speed", "acceleration", "gear", "clutch", "fuel_cut", "knock_retard"]
    return DriveLog.of(load_kind="manifold pressure", **{n: log.logged[n] * scale.get(n, 1.0) for n in names})


def true_size(log: drive_log.Log) -> tuple[np.ndarray, np.ndarray]:
    """Amplitude of what truly swings in speed faster than 0.5 Hz [rpm], over one second around each step; from running means, at 500 Hz."""
    speed, width = log.true["speed"], round(1.0 / drive_log.STEP)

    def mean(values: np.ndarray, over: int) -> np.ndarray:
        total = np.cumsum(np.pad(values, (over // 2 + 1, over - over // 2), mode="edge"))
        return (total[over:] - total[:-over])[: len(values)] / over

    swing = speed - mean(mean(speed, width), width // 2)
    return log.true["time"], np.sqrt(2.0 * np.maximum(mean(swing**2, width), 0.0))


def spans(time: np.ndarray, mask: np.ndarray, least: float) -> list[tuple[float, float]]:
    """The spans of a mask that last."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return [(time[a], time[b - 1]) for a, b in zip(edges[::2], edges[1::2], strict=True) if time[b - 1] - time[a] >= least]


def judge(kind: str, rate: float, seed: int) -> Score:
    """Make a log, find surge in it, ask for the causes, and hold all against the truth."""
    drive, noise = drive_of(kind, seed)
    made = drive_log.run(drive, seed=seed, rate=rate, uneven=0.3 * (seed % 2), noise=noise)
    log = read(made)
    found = find_surge(log)
    if not KINDS[kind]:
        wrong = tuple(f"{kind} {rate:g} Hz seed {seed}: {e}" for e in found.episodes)
        return Score(0, 0, len(found.episodes), 0, 0, 0, 0, 0, wrong)
    return _surging(kind, made, log, found, f"{kind} {rate:g} Hz seed {seed}")


def _surging(kind: str, made: drive_log.Log, log: DriveLog, found: SurgeFindings, which: str) -> Score:
    time, size = true_size(made)
    rate, wrong = log.si.sampling_rate, []
    inside = (time > 1.0) & (time < made.drive.seconds - 1.0)
    due = spans(time, inside & (size > MUST * SWING), LASTS)
    covered = np.zeros(len(time), dtype=bool)
    right = near = frequencies = named = 0
    table = SparkTable(
        load_kind="manifold pressure",
        speed=np.array(drive_log.SPEEDS) / 60.0,
        loads=np.array(drive_log.LOADS) * 1e3,
        cells=np.array(drive_log.FLAT if kind == "another table" else made.drive.cells),
        increment=0.1,
    )
    for episode in found.episodes:
        at = (time >= episode.si.start) & (time <= episode.si.end)
        covered |= at
        right += (size[at] > MAY * SWING).mean() > 0.5
        truth = true_frequency(made, episode.si.start, episode.si.end)
        ok = _frequency_is_right(episode.si.frequency, truth, rate, episode.si.end - episode.si.start)
        frequencies += 1
        near += ok
        wrong += [] if ok else [f"{which}: {episode.si.frequency:.2f} Hz, truly {truth:.2f}"]
        cause = explain_episode(log, episode, table)
        wanted = causes_of(kind, made, episode.si.start, episode.si.end)
        named += cause.cause in wanted
        if cause.cause not in wanted:
            wrong.append(f"{which}: {episode.si.start:.1f}-{episode.si.end:.1f} s {episode.kind}: {cause}")
    met = sum(covered[(time >= a) & (time <= b)].mean() > 0.5 for a, b in due)
    wrong += [f"{which}: {len(due) - met} of {len(due)} spans missed; {[e.kind for e in found.combustion]}"] if met < len(due) else []
    n = len(found.episodes)
    return Score(len(due), met, n, right, frequencies, near, n, named, tuple(wrong))


def _frequency_is_right(frequency: float, truth: float, rate: float, lasts: float) -> bool:
    """Within 5 % or one bin of the spectrum; where sampling cannot tell, it has to say so."""
    if truth < 0.38 * rate and rate > 9.5:
        return bool(abs(frequency - truth) <= max(0.05 * truth, 1.0 / lasts))
    return math.isnan(frequency) or (truth < 0.42 * rate and rate > 9.5)


def causes_of(kind: str, made: drive_log.Log, start: float, end: float) -> tuple[str, ...]:
    """What may be named: where spark truly swings by less than counts, as on a level part of a table, the burn shakes, whatever the kind of drive."""
    true_amplitude = made.truth(start, end, "spark")[1]
    causes = ((Cause.BURN, true_amplitude < MUST * FLAT), (KINDS[kind], true_amplitude > MAY * FLAT))
    return tuple(cause for cause, may in causes if may)


def true_frequency(made: drive_log.Log, start: float, end: float) -> float:
    """The mean frequency of the strongest swing of the true speed at 500 Hz: of the power within 35 % of the spectrum's peak.

    The peak itself wanders by a bin or two when noise shakes the driveline.
    """
    time = made.true["time"]
    values = made.true["speed"][(time >= start) & (time <= end)]
    along = np.arange(len(values))
    values = (values - np.polyval(np.polyfit(along, values, 3), along)) * np.hanning(len(values))
    power = np.abs(np.fft.rfft(values, 8 * len(values)))
    frequency = np.fft.rfftfreq(8 * len(values), drive_log.STEP)
    power[frequency < 0.5] = 0.0
    near = np.abs(frequency / frequency[np.argmax(power)] - 1.0) < 0.35
    return float(np.average(frequency[near], weights=power[near] ** 2))


@functools.cache
def scores(seeds: tuple[int, ...]) -> dict[tuple[str, float], list[Score]]:
    """All logs of a set of seeds."""
    return {(kind, rate): [judge(kind, rate, seed) for seed in seeds] for kind in KINDS for rate in FAST + SLOW + SLOWEST}


class Share(NamedTuple):
    """Shares over many logs; not-a-number where nothing was asked."""

    recall: float
    precision: float
    frequency: float
    cause: float


def share(rows: list[Score]) -> Share:
    """Return the shares of some logs together."""
    sums = [sum(row[i] for row in rows) for i in range(8)]
    return Share(*(sums[i + 1] / sums[i] if sums[i] else math.nan for i in (0, 2, 4, 6)))


def together(seeds: tuple[int, ...], rates: tuple[float, ...]) -> Share:
    """Return the shares over all kinds at some rates."""
    return share([row for (_, rate), rows in scores(seeds).items() if rate in rates for row in rows])


def show(seeds: tuple[int, ...]) -> str:
    """The table of figures: kind by rate; spans found of those due, right of those found, frequencies and causes right of those asked."""
    lines = []
    for kind in KINDS:
        cells = []
        for rate in FAST + SLOW + SLOWEST:
            s = [sum(row[i] for row in scores(seeds)[kind, rate]) for i in range(8)]
            cells.append(f"{s[1]}/{s[0]} {s[3]}/{s[2]} {s[5]}/{s[4]} {s[7]}/{s[6]}".rjust(20))
        lines.append(f"{kind:20s}" + "".join(cells))
    head = " " * 20 + "".join(f"{rate:g} Hz".rjust(20) for rate in FAST + SLOW + SLOWEST)
    shares = [f"{name}: {together(seeds, rates)}" for name, rates in (("25 Hz and above", FAST), ("10 to 25 Hz", SLOW), ("below 10 Hz", SLOWEST))]
    return "\n".join([head, *lines, *shares])


SEEDS = pytest.mark.parametrize("seeds", [MENDED_ON, KEPT_BACK], ids=["mended on", "kept back"])


@pytest.mark.slow
@SEEDS
def test_there_are_enough_logs(seeds: tuple[int, ...]) -> None:
    print(show(seeds))
    assert sum(len(rows) for rows in scores(seeds).values()) >= 300
    assert sum(row.due for rows in scores(seeds).values() for row in rows) >= 300


@pytest.mark.slow
@SEEDS
def test_fast_logs(seeds: tuple[int, ...]) -> None:
    """At 25 rows a second and more."""
    shares = together(seeds, FAST)
    assert min(shares) >= 0.95, show(seeds)


@pytest.mark.slow
@SEEDS
def test_slow_logs(seeds: tuple[int, ...]) -> None:
    """At 10 to 25 rows a second: a frequency below 0.4 of the rate, or the words that it cannot be told."""
    shares = together(seeds, SLOW)
    assert min(shares.recall, shares.precision) >= 0.90, show(seeds)
    assert min(shares.frequency, shares.cause) >= 0.95, show(seeds)


@pytest.mark.slow
@SEEDS
def test_slowest_logs(seeds: tuple[int, ...]) -> None:
    """Below 10 rows a second surge is told by how far rows scatter; limits of our own, no frequency."""
    shares = together(seeds, SLOWEST)
    assert min(shares.recall, shares.precision, shares.cause) >= 0.85, show(seeds)
    assert shares.frequency == 1.0


@pytest.mark.slow
@SEEDS
@pytest.mark.parametrize("kind", [kind for kind, cause in KINDS.items() if not cause])
def test_nothing_is_found_where_there_is_nothing(kind: str, seeds: tuple[int, ...]) -> None:
    rates = FAST if kind == "weak cylinder" else FAST + SLOW
    wrong = [words for rate in rates for row in scores(seeds)[kind, rate] for words in row.wrong]
    assert not wrong


FOLDED = "a line above half an uneven sampling rate is smeared when rows are made even: 2 of 9 logs at 12.5 and 20 Hz are taken for the driveline"


@pytest.mark.slow
@pytest.mark.parametrize("seeds", [MENDED_ON, pytest.param(KEPT_BACK, marks=pytest.mark.xfail(strict=True, reason=FOLDED))], ids=["mended on", "kept back"])
def test_a_weak_cylinder_is_no_surge_in_slow_logs(seeds: tuple[int, ...]) -> None:
    wrong = [words for rate in SLOW for row in scores(seeds)["weak cylinder", rate] for words in row.wrong]
    assert not wrong


@pytest.mark.slow
@SEEDS
@pytest.mark.parametrize("kind", [kind for kind, cause in KINDS.items() if cause])
def test_each_kind_is_found_and_its_cause_named(kind: str, seeds: tuple[int, ...]) -> None:
    rows = [row for rate in FAST + SLOW for row in scores(seeds)[kind, rate]]
    assert sum(row.due for row in rows) >= 10
    assert share(rows).recall >= 0.90
    assert share(rows).cause >= 0.95

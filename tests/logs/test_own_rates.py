"""Logs whose channels have rates of their own or are written when they change: the same drive, read to what it was, and never in a thousand pieces."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from camcalc.logs import find_surge, read_log
from camcalc.logs.channels import CHANNELS
from camcalc.logs.log_notes import LogDoubt
from camcalc.logs.own_rates import AGE_STEPS, is_on_change, on_rows
from camcalc.words.driving_log import log_columns_words, log_head

SECONDS = 30.0
HEAD = "Time [s],Engine speed [rpm],MAP [kPa],Spark [deg],TPS [%],Road speed [km/h],Gear"


def speed_at(t: np.ndarray) -> np.ndarray:
    """A surge of 2.5 Hz from 12 s on."""
    return 1300.0 + np.where(t > 12.0, 45.0 * np.sin(2.0 * np.pi * 2.5 * t), 0.0)


TRUE: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "speed": speed_at,
    "load": lambda t: 45.0 + 2.0 * np.sin(0.7 * t),
    "spark": lambda t: 24.0 + 1.5 * np.sin(1.1 * t),
    "pedal": lambda t: np.where(t < 10.0, 12.0, 18.0),
    "road_speed": lambda t: 20.0 + 0.2 * t,
    "gear": lambda t: np.full_like(t, 2.0),
}
SCALES = {"speed": 1 / 60, "load": 1e3, "spark": 1.0, "pedal": 0.01, "road_speed": 1 / 3.6, "gear": 1.0}


def write(folder: Path, rows: dict[float, dict[str, float]]) -> Path:
    path = folder / "log.csv"
    names = list(TRUE)
    lines = [",".join([f"{t:.4f}", *(f"{cells[n]:.4f}" if n in cells else "" for n in names)]) for t, cells in sorted(rows.items())]
    path.write_text("\n".join([HEAD, *lines]) + "\n")
    return path


def at_own_rates(rates: dict[str, float], shift: float = 0.0) -> dict[float, dict[str, float]]:
    """Rows at which each channel has its number, every channel at its own rate; ``shift`` puts each into rows of its own."""
    rows: dict[float, dict[str, float]] = {}
    for k, (name, rate) in enumerate(rates.items()):
        for t in np.round(np.arange(0.0, SECONDS, 1.0 / rate) + k * shift, 4):
            rows.setdefault(float(t), {})[name] = float(TRUE[name](np.array([t]))[0])
    return rows


RATES = {"speed": 25.0, "load": 12.5, "spark": 5.0, "pedal": 10.0, "road_speed": 2.0, "gear": 1.0}


@pytest.mark.parametrize("shift", [0.0, 0.0013], ids=["shared rows", "rows of their own"])
def test_channels_at_rates_of_their_own_are_one_log(tmp_path: Path, shift: float) -> None:
    log = read_log(write(tmp_path, at_own_rates(RATES, shift)))
    assert (len(log.si.time), int(log.piece[-1]), log.problems) == (750, 0, ())
    assert log.si.sampling_rate == pytest.approx(25.0)
    for name in ("load", "spark", "road_speed"):
        there = np.isfinite(log.values(name))
        assert there.mean() > 0.99
        np.testing.assert_allclose(log.values(name)[there], TRUE[name](log.si.time[there]) * SCALES[name], rtol=5e-3)
    for name in set(RATES) - {"speed", "gear"} if shift else {"load", "spark"}:
        assert log.columns[name].age == pytest.approx(AGE_STEPS / RATES[name], rel=0.02), name
    assert log.columns["gear"].age == CHANNELS["gear"].age
    (episode,) = find_surge(log).episodes
    assert episode.si.frequency == pytest.approx(2.5, abs=0.05)


@pytest.mark.parametrize("seed", range(3))
def test_what_is_written_when_it_changes_holds_until_it_changes_again(tmp_path: Path, seed: int) -> None:
    """Pedal, gear and road speed written on change; all else in every row."""
    rng = np.random.default_rng(seed)
    times = np.round(np.arange(0.0, SECONDS, 0.04), 4)
    changes = np.sort(rng.choice(len(times), 12, replace=False))
    changes[0] = 0
    pedal = np.round(rng.uniform(5, 30, 12), 1)
    rows = {float(t): {n: float(TRUE[n](np.array([t]))[0]) for n in ("speed", "load", "spark")} for t in times}
    for k, value in zip(changes, pedal, strict=True):
        rows[float(times[k])]["pedal"] = float(value)
    rows[0.0]["gear"] = 2.0
    log = read_log(write(tmp_path, rows))
    held = pedal[np.searchsorted(changes, np.arange(len(times)), side="right") - 1]
    since = times - times[changes][np.searchsorted(changes, np.arange(len(times)), side="right") - 1]
    known = since <= CHANNELS["pedal"].age
    np.testing.assert_allclose(log.si.pedal[known], held[known] / 100.0)
    assert np.isnan(log.si.pedal[~known]).all()
    assert (log.gear == 2.0).all()
    assert {note.channel: note.what for note in log.notes if note.what is not LogDoubt.SPARSE} == {"pedal": LogDoubt.ON_CHANGE, "gear": LogDoubt.ON_CHANGE}
    text = " ".join(log_columns_words(log).split())
    assert "has numbers in some rows only. Each holds until the next, at most 10 s" in text


def test_an_engine_speed_written_on_change_is_one_piece(tmp_path: Path) -> None:
    """Eleven hundred rows, of which engine speed has those in which it moved by two rpm: one piece of thirty seconds, and its surge is found."""
    times = np.round(np.arange(0.0, SECONDS, SECONDS / 1100), 4)
    speeds = np.round((speed_at(times) + 3.0 * np.sin(0.9 * times)) / 2.0) * 2.0
    rows: dict[float, dict[str, float]] = {}
    last = np.nan
    for k, (t, n) in enumerate(zip(times, speeds, strict=True)):
        rows[float(t)] = {"load": 45.0 + 0.01 * k}
        if n != last:
            rows[float(t)]["speed"] = float(n)
            last = n
    assert sum("speed" in cells for cells in rows.values()) < 0.8 * len(rows)
    log = read_log(write(tmp_path, rows))
    assert "1 piece" in log_head(log)
    assert log.duration.magnitude > 28.0
    np.testing.assert_allclose(log.si.speed * 60.0, speeds[np.isin(times, log.si.time)])
    (episode,) = find_surge(log).episodes
    assert episode.si.frequency == pytest.approx(2.5, abs=0.05)


def test_nothing_is_made_up_over_a_gap(tmp_path: Path) -> None:
    rows = at_own_rates(RATES)
    for t in list(rows):
        if 10.0 < t < 14.0:
            rows[t].pop("spark", None)
    log = read_log(write(tmp_path, rows))
    hole = (log.si.time > 10.01) & (log.si.time < 13.99)
    assert np.isnan(log.si.spark[hole]).all()
    assert np.isfinite(log.si.spark[(log.si.time > 1.0) & (log.si.time < 10.0)]).all()


def test_a_channel_with_a_single_number_is_not_used(tmp_path: Path) -> None:
    rows = at_own_rates({"speed": 25.0, "spark": 25.0})
    rows[0.0]["road_speed"] = 20.0
    log = read_log(write(tmp_path, rows))
    assert "road_speed" not in log.channels
    assert [(note.what, note.figure) for note in log.notes if note.channel == "road_speed"] == [(LogDoubt.SPARSE, 1.0)]


def test_a_few_blanks_are_faults_and_no_rate(tmp_path: Path) -> None:
    rows = at_own_rates({"speed": 25.0, "spark": 25.0})
    for t in (1.0, 2.0, 3.0):
        del rows[t]["spark"]
    log = read_log(write(tmp_path, rows))
    assert [(p.column, p.rows) for p in log.problems] == [("Spark [deg]", 3)]
    assert np.isnan(log.si.spark).sum() == 3


def test_change_and_rate_are_told_apart() -> None:
    t = np.arange(0.0, 10.0, 0.1)
    rng = np.random.default_rng(2)
    assert not is_on_change(t, rng.normal(size=t.size))
    assert is_on_change(np.sort(rng.exponential(1.0, 50).cumsum()), rng.normal(size=50))
    assert not is_on_change(np.sort(rng.exponential(1.0, 50).cumsum()), np.ones(50))


def test_no_row_is_older_than_the_greatest_age() -> None:
    t = np.arange(0.0, 10.0, 0.1)
    values = np.where(np.arange(t.size) % 5 == 0, t, np.nan)
    values[30:60] = np.nan
    own = on_rows("load", t, t, values)
    assert own is not None
    there = np.isfinite(own.values)
    np.testing.assert_allclose(own.values[there], t[there].clip(max=9.5))
    assert not there[31:59].any()
    assert own.age == pytest.approx(1.5)


@pytest.mark.parametrize("word", ["NaN", "n/a", "-", "null"])
def test_words_for_no_number_between_the_numbers_are_blanks(tmp_path: Path, word: str) -> None:
    path = write(tmp_path, at_own_rates(RATES))
    blank = read_log(path)
    head, *lines = path.read_text().splitlines()
    path.write_text("\n".join([head, *(",".join(cell or word for cell in line.split(",")) for line in lines)]) + "\n")
    log = read_log(path)
    assert (log.problems, log.channels, int(log.piece[-1])) == ((), blank.channels, 0)
    for name in log.channels:
        np.testing.assert_array_equal(log.values(name), blank.values(name))

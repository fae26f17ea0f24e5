"""What a log costs grows with its rows: ten times the rows, barely more than ten times the work. Figures are printed: ``pytest -s tests/bench``."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from numpy.typing import NDArray

from camcalc.logs import DriveLog, find_surge, read_log, review_log
from camcalc.tables import SparkTable

Array = NDArray[np.float64]
# Rows against rows, and how the time may grow: as rows to this power, sorting and Fourier transforms with it. Masks over all rows for each manoeuvre
# or episode would give 1.5 and more.
FEW, MANY, POWER = 10_000, 100_000, 1.1
RATE = 50.0


def channels(rows: int) -> dict[str, Array]:
    """A drive at fifty rows a second, however long: tip-ins, surge that comes and goes with a frequency of its own, gaps, three gears; inner units."""
    t = np.arange(rows) / RATE
    t = t + 2.0 * np.floor(t / 90.0)
    surges = np.floor(t / 20.0) % 2.0 == 0.0
    frequency = 2.0 + 0.1 * (np.floor(t / 20.0) % 7.0)
    tip = np.where(t % 20.0 > 17.0, 0.1, 0.0)
    noise = np.random.default_rng(7).normal(size=(2, rows))
    speed = 22.0 + 2.0 * np.sin(t / 60.0) + np.where(surges, np.sin(2.0 * np.pi * frequency * t), 0.0) + 0.02 * noise[0]
    load = 4.5e4 + 200.0 * noise[1]
    return {
        "time": t, "speed": speed, "pedal": 0.2 + tip, "load": load, "spark": 20.0 + 2.0 * (speed - 22.0), "gear": 2.0 + np.floor(t / 300.0) % 3.0,
        "road_speed": speed / 3.0, "knock_retard": np.zeros(rows),
    }  # fmt: skip


def log_of(rows: int) -> DriveLog:
    return DriveLog.of(**channels(rows), load_kind="manifold pressure")


def csv_of(rows: int, folder: Path) -> Path:
    """The drive as a file of twenty columns."""
    has = channels(rows)
    named = {
        "time [s]": has["time"], "engine speed [rpm]": 60.0 * has["speed"], "pedal [%]": 100.0 * has["pedal"], "MAP [kPa]": has["load"] / 1e3,
        "spark [deg]": has["spark"], "gear": has["gear"], "road speed [km/h]": 3.6 * has["road_speed"], "knock retard [deg]": has["knock_retard"],
    }  # fmt: skip
    named |= {f"spare {k}": has["load"] + k for k in range(20 - len(named))}
    path = folder / f"{rows}.csv"
    pl.DataFrame(named).write_csv(path, float_precision=4)
    return path


@pytest.fixture(scope="module")
def table() -> SparkTable:
    speeds, loads = np.arange(16.0, 30.0, 2.0), np.arange(2e4, 9.1e4, 1e4)
    return SparkTable(load_kind="manifold pressure", speed=speeds, loads=loads, cells=np.add.outer(2.0 * (speeds - 12.0), 0.0 * loads), increment=1.0)


def power(call: Callable[[Any], Any], few: Any, many: Any, what: str) -> float:
    """To which power of the rows the processor's time grows; the least of some calls, since what the machine does besides only adds."""
    taken = []
    call(few)
    for given, repeat in ((few, 3), (many, 2)):
        each = []
        for _ in range(repeat):
            begin = time.process_time()
            call(given)
            each.append(time.process_time() - begin)
        taken.append(min(each))
    found = float(np.log(taken[1] / taken[0]) / np.log(MANY / FEW))
    print(f"\n{what}: {1e3 * taken[0]:.0f} ms, {1e3 * taken[1]:.0f} ms, rows to the power {found:.2f}")
    return found


def test_reading_grows_as_the_rows(tmp_path: Path) -> None:
    assert power(read_log, csv_of(FEW, tmp_path), csv_of(MANY, tmp_path), "read") <= POWER


def test_finding_surge_grows_as_the_rows() -> None:
    few, many = log_of(FEW), log_of(MANY)
    assert len(find_surge(many).episodes) > 5 * len(find_surge(few).episodes) > 0
    assert power(find_surge, few, many, "find") <= POWER


def test_a_review_grows_as_the_rows(table: SparkTable) -> None:
    assert power(lambda log: review_log(log, table), log_of(FEW), log_of(MANY), "review") <= POWER

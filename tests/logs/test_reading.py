"""Reading logs: columns by map and by guess, units, and every kind of bad row told by its line."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from camcalc.errors import InputError
from camcalc.logs import read_log
from camcalc.logs.columns import CHANNELS, guess_columns
from camcalc.logs.drive_log import DriveLog
from camcalc.logs.log_notes import KeptOut, LogDoubt, Loss, RowFault
from camcalc.words import describe
from camcalc.words.driving_log import log_note_words, problem_words

HEAD = "t [s],Engine speed [rpm],spark (deg),Manifold pressure [kPa]\n"


def write(folder: Path, text: str, name: str = "log.csv", encoding: str = "utf-8") -> Path:
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path


def rows(count: int, **wrong: str) -> str:
    """So many good rows, some of them replaced: ``r3`` is the row at line 5 of the file."""
    good = [f"{k / 10},900,20,40" for k in range(count)]
    for name, text in wrong.items():
        good[int(name[1:])] = text
    return HEAD + "\n".join(good) + "\n"


@pytest.mark.parametrize(
    ("row", "what", "column", "done", "lost"),
    [
        ("0.3,,20,40", RowFault.MISSING, "Engine speed [rpm]", KeptOut.ROW, 1),
        (",900,20,40", RowFault.MISSING, "t [s]", KeptOut.ROW, 1),
        ("0.3,n/a,20,40", RowFault.TEXT, "Engine speed [rpm]", KeptOut.ROW, 1),
        ("0.3,inf,20,40", RowFault.TEXT, "Engine speed [rpm]", KeptOut.ROW, 1),
        ("0.3,900,,40", RowFault.MISSING, "spark (deg)", KeptOut.VALUE, 0),
        ("0.3,900,20", RowFault.MISSING, "Manifold pressure [kPa]", KeptOut.VALUE, 0),
        ("0.3,900,err,40", RowFault.TEXT, "spark (deg)", KeptOut.VALUE, 0),
        ("0.3,900,200,40", RowFault.OUTSIDE, "spark (deg)", KeptOut.VALUE, 0),
        ("0.2,900,20,40", RowFault.REPEATED_TIME, "t [s]", KeptOut.ROW, 1),
        ("0.1,900,20,40", RowFault.BACKWARD_TIME, "t [s]", KeptOut.ROW, 1),
        ("0.3,900,20,40,7", RowFault.MORE_CELLS, "", KeptOut.ROW, 1),
    ],
)
def test_a_bad_row_is_told_by_its_line_and_kept_out(tmp_path: Path, row: str, what: RowFault, column: str, done: KeptOut, lost: int) -> None:
    log = read_log(write(tmp_path, rows(40, r3=row)))
    (problem,) = log.problems
    assert (problem.what, problem.column, problem.done, problem.rows, problem.lines) == (what, column, done, 1, (5,))
    assert len(log.si.time) == 40 - lost
    if not lost:
        name = "spark" if "spark" in column else "load"
        assert np.flatnonzero(~np.isfinite(log.values(name))).tolist() == [3]


def test_nothing_is_filled_in_where_a_row_was_kept_out(tmp_path: Path) -> None:
    log = read_log(write(tmp_path, rows(10, r3="0.3,x,20,40", r6="0.5,900,20,40")))
    assert log.piece.tolist() == [0, 0, 0, 1, 1, 1, 1, 1]
    assert log.si.time.tolist() == [0.0, 0.1, 0.2, 0.4, 0.5, 0.7, 0.8, 0.9]


def test_problems_are_counted_and_the_first_lines_shown(tmp_path: Path) -> None:
    log = read_log(write(tmp_path, rows(40, **{f"r{k}": f"{k / 10},900,x,40" for k in range(10, 18)})))
    (problem,) = log.problems
    assert (problem.rows, problem.lines) == (8, (12, 13, 14, 15, 16))
    assert (problem.what, problem.done, problem.rows, problem.lines) == (RowFault.TEXT, KeptOut.VALUE, 8, (12, 13, 14, 15, 16))
    assert problem_words(problem) == 'text in numbers in "spark (deg)": 8 (line 12, 13, 14, 15, 16 ...), e.g. "x"; value kept out'


def test_a_gap_parts_the_pieces(tmp_path: Path) -> None:
    log = read_log(write(tmp_path, HEAD + "".join(f"{t:.1f},900,20,40\n" for t in (0.0, 0.1, 0.2, 0.3, 2.0, 2.1))))
    assert log.piece.tolist() == [0, 0, 0, 0, 1, 1]
    assert log.duration.to("s").magnitude == pytest.approx(0.4)


def test_blank_lines_are_no_rows_but_lines_count_on(tmp_path: Path) -> None:
    log = read_log(write(tmp_path, HEAD + "0,900,20,40\n\n0.1,x,20,40\n0.2,900,20,40\n0.3,900,20,40\n"))
    assert [(p.what, p.lines) for p in log.problems] == [(RowFault.TEXT, (4,))]


def test_units_become_inner_units(tmp_path: Path) -> None:
    head = "time (ms);n [1/min];ignition timing [° BTDC];air charge [mg per cylinder];pedal [%];road speed [mph];acceleration [g];gear\n"
    text = head + "0;1500;20,5;150;20;30;0,1;2\n20;1500;20,5;150;20;30;0,1;2\n"
    log = read_log(write(tmp_path, text, encoding="latin-1"))
    assert log.load_kind == "air charge"
    found = {name: float(log.values(name)[1]) for name in log.channels}
    expected = {
        "time": 0.02, "speed": 25.0, "spark": 20.5, "load": 150e-6, "pedal": 0.2, "road_speed": 30 * 0.44704, "acceleration": 0.980665, "gear": 2.0,
    }  # fmt: skip
    assert found == pytest.approx(expected, rel=1e-12)
    assert all(column.guessed for column in log.columns.values())
    assert '(known by "ignition")' in describe(log)


@pytest.mark.parametrize(
    ("name", "channel", "kind"),
    [
        ("Charge, air per cylinder [mg]", "load", "air charge"),
        ("AIR_CHARGE [mg per cylinder]", "load", "air charge"),
        ("Load, relative [%]", "load", "relative charge"),
        ("relative charge [percent]", "load", "relative charge"),
        ("Pressure.Manifold.Absolute [kPa]", "load", "manifold pressure"),
        ("MAP [kPa]", "load", "manifold pressure"),
        ("retard for knock [deg]", "knock_retard", ""),
        ("Advance_Spark [deg BTDC]", "spark", ""),
        ("PedalPosition [%]", "pedal", ""),
        ("current gear", "gear", ""),
    ],
)
def test_a_column_is_known_by_its_words_in_any_order(name: str, channel: str, kind: str) -> None:
    columns, left = guess_columns(["t [s]", "n [rpm]", name])
    assert (columns[channel].name, columns[channel].kind, left) == (name, kind, [])


@pytest.mark.parametrize(
    "name",
    [
        "exhaust pressure [kPa]",
        "intake air temperature [degC]",
        "relative charge [kPa]",
        "air flow [g]",
        "idle speed wanted [rpm]",
        "knock threshold [V]",
        "gear 2",
    ],
)
def test_a_word_that_changes_the_meaning_makes_it_no_channel(name: str) -> None:
    assert set(guess_columns(["t [s]", "n [rpm]", name])[0]) == {"time", "speed"}


def test_units_in_a_row_of_their_own(tmp_path: Path) -> None:
    log = read_log(write(tmp_path, "time,engine speed,spark\ns,rpm,deg\n0,1500,20\n0.1,x,20\n0.2,1500,20\n"))
    assert log.si.speed.tolist() == [25.0, 25.0]
    assert log.problems[0].lines == (4,)


def test_words_for_on_and_off_count(tmp_path: Path) -> None:
    log = read_log(write(tmp_path, "t [s],engine speed [rpm],fuel cut\n0,900,off\n0.1,900,ON\n0.2,900, on \n"))
    assert log.fuel_cut.tolist() == [0.0, 1.0, 1.0]
    assert log.problems == ()


def test_a_column_map_says_which_is_which(tmp_path: Path) -> None:
    path = write(tmp_path, "a,b,c,d\n0,25,20,0.5\n50,25,20,0.5\n")
    columns = write(
        tmp_path,
        '[columns]\ntime = {column = "a", unit = "ms"}\nspeed = {column = "b", unit = "rev/s"}\n'
        'spark = {column = "c", unit = "deg"}\nload = {column = "d", unit = "bar", kind = "manifold pressure"}\n',
        "columns.toml",
    )
    log = read_log(path, columns)
    assert (log.si.time[1], log.si.speed[0], log.loads[0]) == (0.05, 25.0, 50e3)
    assert not any(column.guessed for column in log.columns.values())


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ({"sparc": {"column": "c", "unit": "deg"}}, ['did you mean "spark"', "[columns] sparc"]),
        ({"spark": {"column": "Spork", "unit": "deg"}}, ['did you mean "Spark"', '"Spork"']),
        ({"spark": {"column": "Spark", "unit": "kPa"}}, ["kPa", "unit of spark"]),
        ({"pedal": {"column": "Spark"}}, ["no unit"]),
        ({"spark": {"column": "Spark", "unit": "deg", "scale": 2}}, ["scale", "column, unit or kind"]),
        ({"load": {"column": "Spark", "unit": "kPa", "kind": "vacuum"}}, ["vacuum", "manifold pressure"]),
    ],
)
def test_a_wrong_column_map_is_told(tmp_path: Path, entry: dict[str, dict[str, object]], words: list[str]) -> None:
    path = write(tmp_path, "t,n,Spark\n0,900,20\n1,900,20\n")
    with pytest.raises(InputError) as caught:
        read_log(path, {"time": {"column": "t", "unit": "s"}, "speed": {"column": "n", "unit": "rpm"}, **entry})
    for word in [*words, "log.csv"]:
        assert word in str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("t [s],spark [deg]\n0,20\n", ["speed of the log", "engine speed [rpm]"]),
        ("t,engine speed [rpm]\n0,900\n", ["time of the log", "names no unit"]),
        ("0,900\n0.1,900\n", ["column names, not numbers"]),
        ("", ["first line"]),
        ("t [s],engine speed [rpm]\n", ["no rows"]),
        ("t [s],t [s]\n0,1\n", ['"t [s]" and "t [s] #2" each fit time', 'time = {column = "t [s] #2", unit = "s"}', "[columns]", "--columns"]),
        ("t [s],engine speed [rev/s]\n" + "".join(f"{k},900\n" for k in range(9)), ["mostly values like 900 rev/s"]),
        ("t [s],engine speed [rpm]\nx,y\nz,w\n", ["text in numbers", "rows with time and engine speed"]),
    ],
)
def test_what_cannot_be_read_is_told(tmp_path: Path, text: str, words: list[str]) -> None:
    with pytest.raises(InputError) as caught:
        read_log(write(tmp_path, text))
    for word in [*words, "log.csv"]:
        assert word in str(caught.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    for name in ("none.csv", "none.parquet"):
        with pytest.raises(InputError, match=r"(?i)no such file"):
            read_log(tmp_path / name)


def test_a_channel_at_another_rate_is_read_between_its_rows(tmp_path: Path) -> None:
    log = read_log(write(tmp_path, HEAD + "".join(f"{k / 10},900,{20 + k if k % 4 == 0 else ''},40\n" for k in range(41))))
    np.testing.assert_allclose(log.values("spark"), 20.0 + np.arange(41))
    (note,) = log.notes
    assert (note.what, note.figure, note.other_figure) == (LogDoubt.OWN_RATE, pytest.approx(2.5), pytest.approx(1.2))
    assert log.columns["spark"].age == pytest.approx(1.2)
    assert log.problems == ()
    assert "2.5 numbers a second" in describe(log)


def test_what_is_not_logged_is_said_with_what_is_lost(tmp_path: Path) -> None:
    log = read_log(write(tmp_path, HEAD.replace("spark", "x") + "".join(f"{k / 10},900,20,40\n" for k in range(40))))
    assert log.missing["spark"] == CHANNELS["spark"].loss
    assert log.missing["spark"] is Loss.CAUSE
    assert str(Loss.CAUSE) in describe(log)


def test_a_clock_that_starts_anew_is_pointed_out(tmp_path: Path) -> None:
    log = read_log(write(tmp_path, rows(30) + "".join(f"{k / 10},900,20,40\n" for k in range(10))))
    assert [(note.what, note.figure) for note in log.notes] == [(LogDoubt.CLOCK_STEPS_BACK, 32.0)]
    assert "At line 32" in describe(log)


def test_of_two_columns_that_fit_the_other_is_named() -> None:
    columns, left = guess_columns(["t [s]", "engine speed [rpm]", "spark [deg]", "final spark [deg]", "road speed [km/h]", "pedal"])
    assert columns["spark"].name == "final spark [deg]"
    assert {(note.what, note.column, note.channel) for note in left} >= {
        (LogDoubt.FITS_TOO, "spark [deg]", "spark"),
        (LogDoubt.NO_UNIT, "pedal", "pedal"),
    }
    assert columns["road_speed"].scale == pytest.approx(1.0 / 3.6)


def test_parquet_reads_as_csv_does(tmp_path: Path) -> None:
    data = {"t [s]": [0.0, 0.1, 0.2, 0.3], "engine speed [rpm]": [900, 910, None, 930], "spark [deg]": [20.0, None, 20.0, 20.0]}
    pl.DataFrame(data).write_parquet(tmp_path / "log.parquet")
    pl.DataFrame(data).write_csv(tmp_path / "log.csv")
    one, other = read_log(tmp_path / "log.parquet"), read_log(tmp_path / "log.csv")
    for name in ("time", "speed", "spark"):
        np.testing.assert_array_equal(one.values(name), other.values(name))
    assert [(p.what, p.rows) for p in one.problems] == [(p.what, p.rows) for p in other.problems]
    assert one.problems[0].lines == (3,)
    assert other.problems[0].lines == (4,)


def test_a_log_from_arrays_must_hold_together() -> None:
    with pytest.raises(InputError, match="times that rise"):
        DriveLog.of(time=[0.0, 0.0], speed=[20.0, 20.0])
    with pytest.raises(InputError, match='did you mean "spark"'):
        DriveLog.of(time=[0.0, 1.0], speed=[20.0, 20.0], sparks=[1.0, 1.0])
    with pytest.raises(InputError, match="2 numbers"):
        DriveLog.of(time=[0.0, 1.0], speed=[20.0, 20.0], spark=[1.0])
    with pytest.raises(InputError, match="load_kind"):
        DriveLog.of(time=[0.0, 1.0], speed=[20.0, 20.0], load=[1.0, 1.0])


@pytest.mark.parametrize("dirty", [False, True], ids=["clean", "one bad cell"])
def test_a_million_rows_cost_little_more_than_to_read_them(tmp_path: Path, dirty: bool, capsys: pytest.CaptureFixture[str]) -> None:
    """Against the same library's own reader of the same file; a checked and converted log within ten times that."""
    count = 1_000_000
    rng = np.random.default_rng(3)
    columns: dict[str, np.ndarray] = {"t [s]": np.arange(count) * 0.01}
    for name, middle in (("engine speed [rpm]", 1500.0), ("spark [deg]", 25.0), ("manifold pressure [kPa]", 50.0), ("pedal [%]", 20.0)):
        columns[name] = np.round(rng.normal(middle, 2.0, count), 2)
    path = tmp_path / "log.csv"
    pl.DataFrame(columns).write_csv(path)
    plain = min(_seconds(lambda: pl.read_csv(path)) for _ in range(3))
    if dirty:
        lines = path.read_text().splitlines(keepends=True)
        lines[count // 2] = "5000,err,25,50,20\n"
        path.write_text("".join(lines))
    own = min(_seconds(lambda: read_log(path)) for _ in range(2))
    with capsys.disabled():
        print(f"\n1e6 rows: {own:.2f} s, {own / plain:.1f} times a plain read")
    assert own < 10.0 * plain


def _seconds(work: object) -> float:
    start = time.perf_counter()
    work()  # type: ignore[operator]
    return time.perf_counter() - start


def test_a_long_row_is_told_though_a_short_one_makes_up_for_its_commas(tmp_path: Path) -> None:
    log = read_log(write(tmp_path, rows(40, r3="0.3,900,20,40,7", r5="0.5,900,20")))
    assert [(p.what, p.lines) for p in log.problems] == [(RowFault.MORE_CELLS, (5,)), (RowFault.MISSING, (7,))]
    assert 0.3 not in log.si.time


def test_a_long_row_far_down_a_large_file_is_told(tmp_path: Path) -> None:
    """Beyond the first block that is read, and without a line end after the last row."""
    text = HEAD + "".join(f"{k / 10},900,20,40\n" for k in range(100_000))
    log = read_log(write(tmp_path, text + "10000.0,900,20,40,1\n10000.1,900,20,40\n10000.2,900,20,40,1"))
    assert [(p.what, p.lines) for p in log.problems] == [(RowFault.MORE_CELLS, (100_002, 100_004))]
    assert len(log.si.time) == 100_001


def test_a_decimal_comma_is_read_and_a_comma_among_points_is_not_guessed_at(tmp_path: Path) -> None:
    body = HEAD + "".join(f"{k / 10:.1f},900,20.5,40\n" for k in range(20))
    plain = read_log(write(tmp_path, body))
    for parted in (";", "\t"):
        same = read_log(write(tmp_path, body.replace(",", parted).replace(".", ",")))
        for name in plain.channels:
            np.testing.assert_array_equal(same.values(name), plain.values(name))
    thousands = read_log(write(tmp_path, body.replace(",", ";").replace("0.3;900", "0.3;1,200")))
    (problem,) = thousands.problems
    assert (problem.what, problem.lines, problem.came) == (RowFault.TEXT, (5,), '"1,200"')


def test_the_same_drive_in_other_units_is_the_same_log(tmp_path: Path) -> None:
    """Units of every column changed: the same arrays, to the rounding of the text."""
    rng = np.random.default_rng(5)
    size = 200
    time, speed, load, pedal = np.arange(size) * 0.02, rng.uniform(800, 1600, size), rng.uniform(30, 60, size), rng.uniform(0, 30, size)
    one = pl.DataFrame({"t [s]": time, "engine speed [rpm]": speed, "manifold pressure [kPa]": load, "pedal [%]": pedal})
    other = pl.DataFrame({"t [ms]": time * 1e3, "engine speed [rev/s]": speed / 60, "manifold pressure [bar]": load / 100, "pedal [percent]": pedal})
    for frame, name in ((one, "one.csv"), (other, "other.csv")):
        frame.write_csv(tmp_path / name)
    first, second = read_log(tmp_path / "one.csv"), read_log(tmp_path / "other.csv")
    assert first.channels == second.channels
    for name in first.channels:
        np.testing.assert_allclose(second.values(name), first.values(name), rtol=1e-12)


def test_a_column_in_a_unit_that_does_not_belong_is_told(tmp_path: Path) -> None:
    log = read_log(write(tmp_path, "t [s],engine speed [rpm],manifold pressure [psig],speed [km/h]\n" + "".join(f"{k},900,5,20\n" for k in range(9))))
    (note,) = log.notes
    assert (note.what, note.column, note.channel, note.unit) == (LogDoubt.UNKNOWN_UNIT, "manifold pressure [psig]", "load", "psig")
    assert log.unused[0].name == "manifold pressure [psig]"
    assert log_note_words(note) == '"manifold pressure [psig]" looks like load but "psig" is no unit of it: not used.'
    assert log.channels == ("time", "speed", "road_speed")


def test_one_column_cannot_be_two_channels(tmp_path: Path) -> None:
    columns = {"time": {"column": "t", "unit": "s"}, "speed": {"column": "n", "unit": "rpm"}, "road_speed": {"column": "n", "unit": "km/h"}}
    with pytest.raises(InputError, match="road_speed") as caught:
        read_log(write(tmp_path, "t,n\n0,900\n1,900\n"), {"columns": columns})
    assert '"n", as speed has' in str(caught.value)


def test_dates_are_times_and_no_speeds(tmp_path: Path) -> None:
    stamps = pl.DataFrame({"t": [0, 1_500_000], "engine speed [rpm]": [900, 910]}).with_columns(pl.col("t").cast(pl.Datetime("us")))
    stamps.write_parquet(tmp_path / "log.parquet")
    assert read_log(tmp_path / "log.parquet").si.time.tolist() == [0.0, 1.5]
    stamps.rename({"t": "engine speed [rpm]", "engine speed [rpm]": "t [s]"}).write_parquet(tmp_path / "log.parquet")
    with pytest.raises(InputError) as caught:
        read_log(tmp_path / "log.parquet")
    for word in ("Datetime", "write it as numbers in rpm", "log.parquet"):
        assert word in str(caught.value)


@pytest.mark.parametrize("content", [bytes(range(256)), b"\n\n"], ids=["bytes", "blank"])
def test_what_is_no_text_is_told(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    with pytest.raises(InputError, match="first line") as caught:
        read_log(path)
    assert "CSV in UTF-8" in str(caught.value)

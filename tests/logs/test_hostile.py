"""Files that are no log or a damaged one: told in a few lines, whatever is in them; a stray row or two hides no surge."""

from __future__ import annotations

import gzip
import io
import os
import random
import socket
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from camcalc.errors import InputError
from camcalc.logs import DriveLog, read_log, review_log
from camcalc.logs.log_notes import KeptOut, RowFault

HEAD = "time [s],engine speed [rpm],spark [deg],pedal [%]"
TIME = np.arange(0.0, 30.0, 0.05)
SPEED = 1300.0 + 60.0 * np.sin(2.0 * np.pi * 2.4 * TIME)
ROWS = [f"{t:.2f},{n:.1f},24,20" for t, n in zip(TIME, SPEED, strict=True)]
BIG = "x" * 140_000
FRAME = pl.DataFrame({"time [s]": TIME, "engine speed [rpm]": SPEED, "note": ["a note"] * TIME.size})


def read(folder: Path, data: bytes) -> DriveLog:
    path = folder / "log.csv"
    path.write_bytes(data)
    return read_log(path)


def text(rows: list[str], head: str = HEAD, end: str = "\n") -> bytes:
    return (head + end + end.join(rows) + end).encode()


def changed(row: Callable[[int, str], str]) -> list[str]:
    return [row(k, line) for k, line in enumerate(ROWS)]


def share(log: DriveLog) -> float:
    return review_log(log).findings.share


WHOLE = {
    "an inch sign in every row": text(changed(lambda k, row: row + ',5" pipe'), HEAD + ",note"),
    "an inch sign in front": text(changed(lambda k, row: f'5" pipe,{row}' if k % 7 == 0 else f"x,{row}"), "note," + HEAD),
    "an unclosed quote": text(changed(lambda k, row: row + (',"open' if k == 300 else ",x")), HEAD + ",note"),
    "an unclosed quote at the start of a row": text(changed(lambda k, row: '"' + row if k == 300 else row)),
    "carriage returns": text(ROWS, end="\r"),
    "an inch sign and carriage returns": text(changed(lambda k, row: row + ',5" pipe'), HEAD + ",note", end="\r"),
    "a cell of 140,000 characters": text(changed(lambda k, row: row + ("," + BIG if k == 5 else ",x")), HEAD + ",note"),
    "the same in quotes": text(changed(lambda k, row: row + (f',"{BIG}"' if k == 5 else ",x")), HEAD + ",note"),
    "a comment of 140,000 characters": f"# {BIG}\n".encode() + text(ROWS),
    "a name of 140,000 characters": text(changed(lambda k, row: row + ",1"), f'{HEAD},"{BIG}"'),
    "quotes within the header": text(ROWS, 'time [s],engine "speed" [rpm],spark [deg],pedal [%]'),
    "quotes around the header's cells": text(ROWS, '"time [s]","engine speed [rpm]","spark ""final"" [deg]","pedal [%]"'),
    "columns without names": text(ROWS, "time [s],engine speed [rpm],,"),
    "columns named as nobody would": text(ROWS, "time [s],engine speed [rpm],c1,c0"),
}


@pytest.mark.parametrize("name", WHOLE)
def test_odd_cells_and_headers_hide_neither_rows_nor_surge(name: str, tmp_path: Path) -> None:
    log = read(tmp_path, WHOLE[name])
    assert len(log.si.time) == len(ROWS)
    assert share(log) > 0.95


NO_LOG = {
    "nothing": b"",
    "delimiters": b",,,\n" * 500,
    "quotes": b'"' * 5000,
    "lines of quotes": b'"\n' * 500,
    "a header alone": HEAD.encode(),
    "zeros": bytes(5000),
    "a header over two lines": text(ROWS, 'time [s],"engine\nspeed [rpm]",spark [deg],pedal [%]'),
    "an engine that stands": text([f"{t:.2f},0,24,20" for t in TIME]),
    "times that are none": text([f"{t * 1e300},1300,24,20" for t in TIME]),
    "a packed file in another": gzip.compress(gzip.compress(text(ROWS))),
    "half a packed file": gzip.compress(text(ROWS))[:-400],
    "a packed file of nothing but zeros": gzip.compress(b"0" * 300_000_000, 1),
}


@pytest.mark.parametrize("name", NO_LOG)
def test_what_is_no_log_is_refused_in_a_few_lines(name: str, tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        read(tmp_path, NO_LOG[name])
    assert "log" in str(error.value)
    assert len(str(error.value)) < 800


def test_no_pipe_device_or_socket_is_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with socket.socket(socket.AF_UNIX) as one:
        one.bind(str(tmp_path / "socket"))
        for path, kind in ((tmp_path / "pipe", "a pipe"), (tmp_path / "socket", "a socket"), (Path("/dev/zero"), "a device")):
            with pytest.raises(InputError, match=kind):
                read_log(path)
    with pytest.raises(InputError, match="folder"):
        read_log(tmp_path)


def saved(kind: str) -> bytes:
    buffer = io.BytesIO()
    getattr(FRAME, f"write_{kind}")(buffer)
    return buffer.getvalue()


@pytest.mark.parametrize("kind", ["parquet", "ipc", "ipc_stream"])
def test_damaged_files_of_columns_are_refused_or_read_and_say_nothing_else(kind: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Some of these make their reader panic, which would print, or end the process."""
    rng, whole = random.Random(19), saved(kind)
    refused = 0
    for k in range(12):
        data = bytearray(whole[: rng.randrange(8, len(whole))] if k % 3 == 0 else whole)
        for _ in range(0 if k % 3 == 0 else rng.choice((1, 5, 30))):
            data[rng.randrange(len(data)) if k % 3 == 1 else len(data) - 1 - rng.randrange(min(900, len(data)))] = rng.choice((0, 127, 255))
        try:
            read(tmp_path, bytes(data))
        except InputError:
            refused += 1
    assert refused >= 3
    assert capfd.readouterr() == ("", "")
    assert len(read(tmp_path, whole).si.time) == TIME.size


def test_a_reader_that_is_ended_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("camcalc.logs.log_file.sys.executable", "/bin/false")
    with pytest.raises(InputError, match="damaged or cut short"):
        read(tmp_path, saved("parquet"))


def rows_with(column: int, cells: dict[int, str]) -> bytes:
    out = [row.split(",") for row in ROWS]
    for k, cell in cells.items():
        out[k][column] = cell
    return text([",".join(row) for row in out])


EVERY = range(0, len(ROWS), 50)
STRAYS = {
    "a sixtieth of the revs": (1, {k: f"{SPEED[k] / 60.0:.2f}" for k in EVERY}, RowFault.STRAY, KeptOut.ROW),
    "revs of nothing": (1, dict.fromkeys(EVERY, "0"), RowFault.STRAY, KeptOut.ROW),
    "four times the revs": (1, {k: f"{4.0 * SPEED[k]:.1f}" for k in EVERY}, RowFault.STRAY, KeptOut.ROW),
    "revs without end": (1, dict.fromkeys(EVERY, "1e300"), RowFault.OUTSIDE, KeptOut.ROW),
    "times without end": (0, dict.fromkeys(EVERY, "1e300"), RowFault.OUTSIDE, KeptOut.ROW),
    "times before all time": (0, dict.fromkeys(EVERY, "-1e300"), RowFault.OUTSIDE, KeptOut.ROW),
    "times years ahead": (0, dict.fromkeys(EVERY, "1e9"), RowFault.STRAY, KeptOut.ROW),
    "a pedal that leaps": (3, dict.fromkeys(EVERY, "100"), RowFault.STRAY, KeptOut.VALUE),
}


@pytest.mark.parametrize("name", STRAYS)
def test_stray_cells_are_told_and_turn_no_surge_into_none(name: str, tmp_path: Path) -> None:
    column, cells, what, done = STRAYS[name]
    clean, log = read(tmp_path, text(ROWS)), read(tmp_path, rows_with(column, cells))
    (problem,) = log.problems
    assert (problem.what, problem.rows, problem.done) == (what, len(cells), done)
    assert problem.lines[0] == 2
    assert float(problem.came.split()[0]) == float(cells[0])
    assert len(log.si.time) == len(ROWS) - (len(cells) if done is KeptOut.ROW else 0)
    assert share(log) == pytest.approx(share(clean), abs=0.05)
    assert review_log(log).findings.si.looked_at > 0.9 * review_log(clean).findings.si.looked_at


def test_what_an_engine_can_do_is_no_stray(tmp_path: Path) -> None:
    """Violent bucking, a gear change in a row, a blip in a slow log, a stall that lasts."""
    bucking = 1300.0 + 350.0 * np.sin(2.0 * np.pi * 2.4 * TIME)
    change = np.where(TIME < 15.0, 2600.0, 1500.0)
    stall = np.where((TIME > 10.0) & (TIME < 11.0), 0.0, 1300.0)
    for speed in (bucking, change, stall):
        log = read(tmp_path, text([f"{t:.2f},{n:.1f},24,20" for t, n in zip(TIME, speed, strict=True)]))
        assert not log.problems
    slow = np.arange(0.0, 60.0, 0.5)
    blip = np.where(np.arange(slow.size) == 40, 2600.0, 900.0)
    assert not read(tmp_path, text([f"{t:.2f},{n:.1f},24,20" for t, n in zip(slow, blip, strict=True)])).problems

"""What must hold for any input: a function for each kind of input, and how such inputs are made."""

from __future__ import annotations

import csv
import functools
import gzip
import io
import json
import logging
import select
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from hypothesis import strategies as st

from camcalc import CamcalcError, load_build, load_cam, read_table
from camcalc.logs import find_surge, read_log
from camcalc.plain_text import visible

ROOT = Path(__file__).resolve().parents[2]
SHEET = (ROOT / "examples" / "dockside" / "build.toml").read_text(encoding="utf-8")
TABLE = (ROOT / "examples" / "dockside" / "spark.csv").read_text(encoding="utf-8")


def quiet() -> None:
    """Have camcalc log nothing in this process: what it doubts of mangled input fills the screen."""
    logging.getLogger("camcalc").setLevel(logging.CRITICAL)


class Harness(NamedTuple):
    """How inputs are made, and what is asked of each; an input is bytes, so that it can be kept as a file."""

    inputs: st.SearchStrategy[bytes]
    check: Callable[[bytes], None]


@functools.cache
def folder() -> tempfile.TemporaryDirectory[str]:
    """Return a folder for the files that commands read."""
    return tempfile.TemporaryDirectory()


def refused_well(error: CamcalcError) -> None:
    """A refusal is short and moves no cursor."""
    text = str(error)
    assert visible(text) == text
    assert text.strip()
    assert len(text) < 20_000


def check_sheet(data: bytes) -> None:
    """A sheet is read, or refused in words; whole or for its cams alone."""
    path = Path(folder().name, "build.toml")
    path.write_bytes(data)
    for read in (load_build, load_cam):
        try:
            found = read(path)
        except CamcalcError as error:
            refused_well(error)
        else:
            assert all(visible(note) == note for note in found.notes)
            assert found.cam is not None


def check_table(data: bytes) -> None:
    """A spark table is refused in words, or read and written back byte for byte; all its spark is possible."""
    path = Path(folder().name, "spark.csv")
    path.write_bytes(data)
    try:
        table = read_table(path)
    except CamcalcError as error:
        refused_well(error)
        return
    assert table.text().encode() == data
    assert np.isfinite(table.si.cells).all()
    assert np.isfinite(table.spark_at(table.si.speed[0], table.loads[-1]))
    again = table.with_spark(table.si.cells)
    assert again.text() == table.text()
    lowered = table.with_spark(np.maximum(table.si.cells - 1.0, -40.0))
    path.write_bytes(lowered.text().encode())
    assert (read_table(path).si.cells == lowered.si.cells).all()


def read_as_a_log(path: Path) -> None:
    """A log is refused in words, or read: its times rise, nothing in it is infinite, and surge is looked for in it."""
    from camcalc.words import describe

    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            log = read_log(path)
            found = find_surge(log)
        except CamcalcError as error:
            refused_well(error)
            return
        assert (np.diff(log.si.time) > 0.0).all()
        assert not np.isinf(log.si.speed).any()
        assert describe(log)
        assert describe(found)


def check_log(data: bytes) -> None:
    """A log of text."""
    path = Path(folder().name, "log.csv")
    path.write_bytes(data)
    read_as_a_log(path)


# A reader started from cold loads all first [s].
ANSWERS_WITHIN = 60.0


class Reader:
    """A process that reads logs, started again when one has ended it."""

    def __init__(self) -> None:
        self.process: subprocess.Popen[str] | None = None

    def read(self, path: Path) -> str:
        """Return what went wrong with a log; nothing if nothing did."""
        if self.process is None or self.process.poll() is not None:
            words = [sys.executable, "-m", "tests.fuzz.worker"]
            self.process = subprocess.Popen(words, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(f"{path}\n")
        self.process.stdin.flush()
        if not select.select([self.process.stdout], [], [], ANSWERS_WITHIN)[0]:
            self.process.kill()
            self.process.wait()
            return f"no answer within {ANSWERS_WITHIN:.0f} s"
        line = self.process.stdout.readline()
        if not line:
            return f"the process has ended: {self.process.wait()}"
        told: str = json.loads(line)
        return told


READER = Reader()


def check_parquet(data: bytes) -> None:
    """A log that may be Parquet: also what ends the process is a promise broken."""
    path = Path(folder().name, "log.parquet")
    path.write_bytes(data)
    told = READER.read(path)
    assert not told, told


def check_name(data: bytes) -> None:
    """A name is text: on a terminal, in a page, in Markdown, in a table's cell, in a plot's legend."""
    from matplotlib import cbook

    from camcalc.pages.dress import rendered
    from camcalc.plot.labels import labels_of
    from camcalc.report.tables import _csv
    from camcalc.report.terminal_parts import ShownConsole, print_table, table

    name = data.decode("utf-8", "replace")
    made, out = table(name, [name, "b"]), io.StringIO()
    made.add_row(name, name)
    print_table(made, ShownConsole(file=out, width=60))
    assert visible(out.getvalue()) == out.getvalue()
    page = rendered("compare_sources.html", sources={"one": {"text": name, "mark": "exact"}})
    assert visible(page) == page
    assert page.count("<") == rendered("compare_sources.html", sources={"one": {"text": "", "mark": "exact"}}).count("<")
    labels = labels_of([name, name])
    assert len(set(labels)) == 2
    assert not any(label.startswith("_") or cbook.is_math_text(label) for label in labels)
    ((cell,),) = csv.reader(io.StringIO(_csv([[name]]), newline="")) if name else ((name,),)
    assert cell == visible(cell)
    assert not cell.startswith(("=", "@", "\t", "\r"))
    if cell.startswith(("+", "-")):
        float(cell)


# Values that a hurried or hostile hand writes.
VALUES = st.one_of(
    st.sampled_from(
        [
            '""',
            '"mm"',
            '"1e400 mm"',
            '"-0 mm"',
            '"nan mm"',
            '"inf mm"',
            "nan",
            "inf",
            "1e308",
            "-1",
            "0",
            "[]",
            "{}",
            "true",
            "1979-05-27",
            '"12,5 mm"',
            '"1_0 mm"',
            "[[]]",
            '"1 mm mm"',
            '"1/0 mm"',
            '"1 mm**9999"',
            '"9" ',
            '"()"',
            '"1 mm; 2"',
            "'''a\nb'''",
            '"\\u0000"',
            '"\\u202e"',
            '"٣ mm"',
            '"1 µm"',
            '"10**10**10 mm"',
        ]
    ),
    st.floats().map(lambda x: f'"{x!r} mm"'),
    st.integers().map(str),
    st.text(max_size=20).map(lambda text: '"' + text.replace("\\", "").replace('"', "").replace("\n", " ") + '"'),
)


@st.composite
def sheets(draw: Any) -> bytes:
    """An example's sheet with some lines changed, taken out, doubled, or put in; now and then anything."""
    lines = SHEET.splitlines()
    for _ in range(draw(st.integers(0, 4))):
        k = draw(st.integers(0, len(lines) - 1))
        change = draw(st.sampled_from(["value", "out", "twice", "cut", "key", "anything"]))
        key = lines[k].partition("=")[0]
        if change == "value" and "=" in lines[k]:
            lines[k] = f"{key}= {draw(VALUES)}"
        elif change == "out" and len(lines) > 1:
            del lines[k]
        elif change == "twice":
            lines.insert(draw(st.integers(0, len(lines))), lines[k])
        elif change == "cut":
            lines[k] = lines[k][: draw(st.integers(0, max(len(lines[k]), 1)))]
        elif change == "key":
            lines.insert(k, f"{draw(st.sampled_from(['x', 'a.b', 'cam', 'intake', '1', 'duration', 'events']))} = {draw(VALUES)}")
        else:
            lines[k] = draw(st.text(max_size=40))
    return "\n".join(lines).encode("utf-8", "surrogatepass")


@st.composite
def tables(draw: Any) -> bytes:
    """A table with cells changed, rows taken out, other separators and line ends; now and then anything."""
    rows = [line.split(",") for line in TABLE.splitlines()]
    rows = [row[:4] for row in rows[:4]]
    odd = st.sampled_from(
        ["", " ", "1e9", "-", "nan", "inf", "12,5", "1.2.3", '"', '"7"', "007", "+5", "٣", "\ufeff", "1e-99", "9" * 400, ".5", "5.", "\x00", "=1"]
    )
    cells = odd | st.floats(-50, 90).map(lambda x: f"{x:.3g}") | st.integers(-50, 90).map(str) | st.text(max_size=6)
    for _ in range(draw(st.integers(0, 5))):
        row = rows[draw(st.integers(0, len(rows) - 1))]
        change = draw(st.sampled_from(["cell", "cell", "cell", "more", "less"]))
        if change == "cell" and row:
            row[draw(st.integers(0, len(row) - 1))] = draw(cells)
        elif change == "more":
            row.append(draw(cells))
        elif row:
            row.pop()
    separator, end = draw(st.sampled_from([",", ";", "\t"])), draw(st.sampled_from(["\n", "\r\n", "\r", "\n\n"]))
    start, tail = draw(st.sampled_from(["", "", "\ufeff"])), draw(st.sampled_from(["", "\n", "\n\n  \n"]))
    return (start + end.join(separator.join(row) for row in rows) + tail).encode("utf-8", "surrogatepass")


LOG_ODD = st.sampled_from(
    ["", " ", "nan", "inf", "-", "0", "1e300", "-1e300", "12,5", '5" pipe', '"', "12:00:00.5", "2020-01-01", "n/a", "=1", "\x00", "\x1b", "9" * 400, "٣"]
)
LOG_HEADS = st.sampled_from(
    ["time [s]", "t", "Engine speed [rpm]", "rpm", "MAP [kPa]", "pedal [%]", "spark [deg]", "gear", "road speed [km/h]", "time", "", '"', "x,y", "AFR", "Zeit"]
)


def driven(count: int, swing: float) -> list[list[str]]:
    """A log that swings, as its maker's program would write it."""
    t = 0.05 * np.arange(count)
    columns = [t, 1500.0 + swing * np.sin(2.0 * np.pi * 2.5 * t), np.full(count, 40.0), np.full(count, 20.0)]
    return [[f"{x:.6g}" for x in row] for row in zip(*columns, strict=True)]


@st.composite
def logs(draw: Any) -> bytes:
    """A log with cells, names, lines and signs changed; now and then packed or cut short."""
    rows = [["time [s]", "Engine speed [rpm]", "MAP [kPa]", "pedal [%]"], *driven(draw(st.sampled_from([3, 60, 240])), draw(st.sampled_from([0.0, 40.0])))]
    for _ in range(draw(st.integers(0, 6))):
        row = rows[draw(st.integers(0, len(rows) - 1))]
        change = draw(st.sampled_from(["cell", "cell", "cell", "name", "more", "less", "column"]))
        if change == "column":
            value, k = draw(LOG_ODD), draw(st.integers(0, 3))
            for one in rows[1:]:
                one[k : k + 1] = [value]
        elif change == "name":
            rows[0][draw(st.integers(0, len(rows[0]) - 1)) if rows[0] else 0 :][:1] = [draw(LOG_HEADS)]
            rows[0].append(draw(LOG_HEADS))
        elif change == "more":
            row.append(draw(LOG_ODD))
        elif change == "less" and row:
            row.pop()
        elif row:
            row[draw(st.integers(0, len(row) - 1))] = draw(LOG_ODD | st.text(max_size=6))
    separator, end = draw(st.sampled_from([",", ";", "\t"])), draw(st.sampled_from(["\n", "\r\n", "\r"]))
    start = draw(st.sampled_from(["", "", "\ufeff", "# a comment" + end, '"odd' + end, end]))
    data = (start + end.join(separator.join(row) for row in rows) + end).encode(draw(st.sampled_from(["utf-8", "utf-8", "utf-16"])), "surrogatepass")
    if draw(st.integers(0, 9)) == 0:
        data = gzip.compress(data, mtime=0)
    return data[: draw(st.integers(0, len(data)))] if draw(st.integers(0, 9)) == 0 else data


@functools.cache
def frames() -> tuple[bytes, ...]:
    """The log as Parquet, packed and not, and as Arrow."""
    rows = np.array(driven(200, 40.0), dtype=float)
    frame, made = pl.DataFrame(rows, schema=["time [s]", "Engine speed [rpm]", "MAP [kPa]", "pedal [%]"], orient="row"), []
    for how in ("uncompressed", "zstd", "snappy"):
        frame.write_parquet(file := io.BytesIO(), compression=how)  # type: ignore[arg-type]
        made.append(file.getvalue())
    frame.write_ipc(file := io.BytesIO())
    return (*made, file.getvalue())


@st.composite
def packed_logs(draw: Any) -> bytes:
    """Such a log with bytes changed, mostly where its own directory is, or cut short."""
    data = bytearray(draw(st.sampled_from(range(4)).map(lambda k: frames()[k])))
    for _ in range(draw(st.integers(0, 4))):
        place = draw(st.integers(0, len(data) - 1) | st.integers(max(len(data) - 700, 0), len(data) - 1))
        data[place : place + draw(st.sampled_from([1, 1, 4]))] = draw(st.binary(min_size=0, max_size=4))
    return bytes(data[: draw(st.integers(0, len(data)))] if draw(st.integers(0, 4)) == 0 else data)


SIGNS = st.sampled_from(
    [*"$_=+-@\\^{}[]<>&'\"`|~#%\t\r\n ,;", "[/x]", "[bold]", "\x1b[2J", "\x07", "\u202e", "\u2066", "\u2028", "\x9b", "\x00", "{{", "é", "漢", "😀"]
)
ANYTHING = st.binary(max_size=60)
HARNESSES = {
    "sheet": Harness(sheets() | sheets() | ANYTHING, check_sheet),
    "table": Harness(tables() | tables() | ANYTHING, check_table),
    "log": Harness(logs() | logs() | ANYTHING, check_log),
    "parquet": Harness(packed_logs(), check_parquet),
    "name": Harness(st.lists(SIGNS | st.text(max_size=3), max_size=8).map(lambda parts: "".join(parts).encode("utf-8", "replace")), check_name),
}

"""A log's file: text in any usual encoding, line end and delimiter, Parquet or Arrow, packed or not; told by its content, never by its name."""

from __future__ import annotations

import abc
import gzip
import io
import subprocess
import sys
import warnings
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ..errors import InputError
from ..files import read_file
from .header import SEARCHED, SHOWN, Layout, find_layout, parted

__all__ = ["LogFile", "open_log"]

# The first bytes of what is not plain text.
GZIP, PARQUET, ARROW, ARROW_STREAM, ZIP = b"\x1f\x8b", b"PAR1", b"ARROW1", b"\xff\xff\xff\xff", b"PK\x03\x04"
HEAD_BYTES = 1 << 20
# More than a line of any log has [bytes], and the most that a packed one grows by: deflate packs a log of numbers to a tenth. ESTIMATE.
LINE_BYTES, MOST_UNPACKED, LEAST_UNPACKED = 1 << 22, 200, 1 << 28
# What that process runs first.
READING = ("import io, sys, polars", "raw = sys.stdin.buffer.read()", "data = io.BytesIO(raw)")
# How long a file of columns may take to be read in a process of its own [s]; ESTIMATE.
PATIENCE = 300.0
# What every error of a file that is none says.
expected = "a CSV, Parquet or Arrow file, packed with gzip or not"


class LogFile(abc.ABC):
    """A log's file as found: its columns by unique names, their units where a row gives them, and ``read`` for the cells.

    ``first_line`` is the line of the first row, ``clocks`` the columns of times of day; ``decimal_comma`` is known once the cells are read.
    """

    def __init__(self, path: Path, names: Sequence[str], units: Sequence[str]) -> None:
        self.path = path
        self.names = list(names)
        self.units = list(units) or [""] * len(self.names)
        self.first_line = 1
        self.decimal_comma = False
        self.clocks: frozenset[str] = frozenset()

    @abc.abstractmethod
    def read(self, wanted: Sequence[str]) -> pl.DataFrame:
        """Return the cells of some columns, as numbers or as texts; each kind of file has its own way."""

    def long_rows(self) -> NDArray[np.int64]:
        """Return the rows with more cells than there are columns, counted from the first row of numbers."""
        return np.empty(0, dtype=np.int64)


class _Frame(LogFile):
    """A file that holds columns by itself."""

    def __init__(self, path: Path, raw: bytes, reader: Any) -> None:
        self._raw, self._reader, self.path = raw, reader, path
        refuse_damaged(path, raw, reader.__name__)
        # The columns first: a log may be large, and few of them are wanted.
        super().__init__(path, list(schema := self._read(n_rows=0).schema), [])
        self.clocks = frozenset(name for name, kind in schema.items() if kind in (pl.Time, pl.Datetime, pl.Duration))
        texts = [name for name, kind in schema.items() if kind == pl.String]
        if texts:
            from .clock import is_time_of_day

            sample = self._read(n_rows=SEARCHED, columns=texts)
            self.clocks |= {name for name in texts if sum(map(is_time_of_day, (cells := sample[name].drop_nulls().to_list()))) > 0.5 * len(cells)}

    def read(self, wanted: Sequence[str]) -> pl.DataFrame:
        return self._read(columns=list(wanted))

    def _read(self, **options: Any) -> pl.DataFrame:
        try:
            return self._reader(io.BytesIO(self._raw), **options)
        except (OSError, MemoryError, pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
            raise InputError("the log", came=_first_line(error), expected=expected, file=str(self.path)) from None


class _Text(LogFile):
    """A file of lines."""

    def __init__(self, path: Path, text: bytes) -> None:
        lines = [line.decode(errors="replace") for line in _first_lines(text)]
        layout: Layout = find_layout(lines, str(path))
        super().__init__(path, layout.names, layout.units)
        self.first_line = layout.first_line
        self.clocks = frozenset(layout.names[k] for k in layout.clocks)
        self._layout = layout
        # Own names for the columns: whatever stands in the header, quotes and repeated names included, is none of the reader's business.
        self._inner = [f"c{k}" for k in range(len(layout.names))]
        # The text itself is handed on, whole: a log may be large, and each copy of it is as large.
        self._text, self._skipped = text, layout.first_line - 1
        self._start = _after_lines(text, self._skipped)
        self._quoted = text.find(b'"', self._start) >= 0
        if self._quoted:
            self._text, self._skipped, self._start = _with_even_quotes(text[self._start :]), 0, 0
        self._even = False

    def read(self, wanted: Sequence[str]) -> pl.DataFrame:
        if not self._text[self._start : self._start + HEAD_BYTES].strip():
            raise InputError("the log", came="no rows", expected="rows of numbers under the column names", file=str(self.path))
        names = {self._inner[self.names.index(name)]: name for name in wanted}
        try:
            frame = self._parsed(list(names))
            whole = not self._quoted or frame.height > self._text.rstrip().count(b"\n")
        except pl.exceptions.PolarsError:
            whole = False
        if not whole:
            # Quotes within cells swallow what follows: without them the cells are texts, and told as such.
            self._text, self._quoted = self._text.replace(b'"', b""), False
            self._start = _after_lines(self._text, self._skipped)
            frame = self._parsed(list(names))
        if self._even:
            # Nothing more is asked of it.
            self._text = b""
        return frame.rename(names).select(wanted)

    def _parsed(self, inner: list[str]) -> pl.DataFrame:
        layout = self._layout
        numeric = [name for name in inner if int(name[1:]) not in layout.texts]
        comma = layout.decimal_comma and layout.delimiter != ","
        with warnings.catch_warnings():
            # Rows that a quote swallows: counted in "read".
            warnings.filterwarnings("ignore", message="CSV malformed")
            try:
                # Most logs are numbers throughout, which is read in a third of the time and memory of text.
                frame = self._cells(inner, numeric, decimal_comma=comma)
            except pl.exceptions.PolarsError:
                self._even = False
                return self._with_texts(inner, numeric, comma=comma)
        self.decimal_comma = layout.decimal_comma
        # Rows with too many cells pass where the last columns are not wanted: their delimiters tell.
        self._even = not self._quoted and _count(self._text, self._start, layout.delimiter) <= (len(self.names) - 1) * frame.height
        return frame

    def _cells(self, inner: Sequence[str], numeric: Sequence[str], **options: Any) -> pl.DataFrame:
        """Return some columns, those of numbers as such and the others as texts."""
        schema = {name: pl.Float64 if name in numeric else pl.String for name in self._inner}
        options |= {"separator": self._layout.delimiter, "quote_char": '"' if self._quoted else None, "schema": schema}
        try:
            found = pl.scan_csv(self._text, has_header=False, skip_lines=self._skipped, missing_columns="insert", **options)
            return found.select(inner).collect()
        except pl.exceptions.SchemaError:
            # The first row has more cells than there are columns: only a header of its own says how many count.
            head = (self._layout.delimiter.join(self._inner) + "\n").encode()
            return pl.scan_csv(head + self._text[self._start :], **options).select(inner).collect()

    def _with_texts(self, inner: list[str], numeric: list[str], *, comma: bool) -> pl.DataFrame:
        """Return the cells where some of them are no numbers: as texts in the columns that hold such cells or blanks, as numbers in the others."""
        options: dict[str, Any] = {"truncate_ragged_lines": True}
        frame = self._cells(inner, numeric, decimal_comma=comma, ignore_errors=True, **options)
        doubtful = [name for name in numeric if frame[name].null_count()]
        texts = self._cells(doubtful, (), **options) if doubtful else frame.select([])
        whole = frame.select(pl.col(pl.Float64).exclude(doubtful)) if doubtful else frame
        points = self._layout.points or (not comma and any(bool((whole[name] % 1.0 != 0.0).any()) for name in whole.columns if whole[name].dtype == pl.Float64))
        self.decimal_comma = comma or self._layout.decimal_comma or not (points or _has_points(texts))
        return frame.with_columns(texts) if doubtful else frame

    def long_rows(self) -> NDArray[np.int64]:
        return super().long_rows() if self._even else _long_rows(self._text[self._start :], self._layout.delimiter, len(self.names))


def open_log(path: Path) -> LogFile:
    """Return a log's file, its columns known and its cells to be read.

    Parameters
    ----------
    path : Path

    Raises
    ------
    InputError
        If the file cannot be read, or no line of it names the columns.
    """
    try:
        raw = read_file(path, None)
        if raw.startswith(GZIP):
            raw = _unpacked(raw, path)
    except (gzip.BadGzipFile, EOFError, zlib.error) as error:
        raise InputError("the log", came=f"{path}: {error}", expected=expected, fix="the packed file is cut short or damaged: copy it again") from None
    except OSError as error:
        raise InputError("the log", came=f"{path}: {error.strerror}", expected=expected) from None
    if raw.startswith(PARQUET):
        return _Frame(path, raw, pl.read_parquet)
    if raw.startswith(ARROW):
        return _Frame(path, raw, pl.read_ipc)
    if raw.startswith(ARROW_STREAM):
        return _Frame(path, raw, pl.read_ipc_stream)
    if raw.startswith(ZIP):
        raise InputError("the log", came="a zip archive or a spreadsheet", expected=expected, fix="unpack it, or save the sheet as CSV", file=str(path))
    return _Text(path, _as_lines(raw, path))


def refuse_damaged(path: Path, raw: bytes, reader: str) -> None:
    """Refuse a file that its reader cannot read to the end, by reading it in a process of its own: what is damaged can end the process that reads it.

    Parameters
    ----------
    path : Path
        For the error.
    raw : bytes
        What the file holds.
    reader : str
        Name of the function of polars.
    """
    if not sys.executable:
        return
    words = [sys.executable, "-I", "-c", "\n".join((*READING, f"polars.{reader}(data)"))]
    try:
        done = subprocess.run(words, input=raw, capture_output=True, check=False, timeout=PATIENCE)
    except (OSError, subprocess.TimeoutExpired):
        return
    if done.returncode:
        last = done.stderr.decode(errors="replace").strip().splitlines()[-1:] if done.returncode > 0 else []
        came = _first_line("".join(last).partition(": ")[2] or "it ends its reader")
        raise InputError("the log", came=f"{path}: {came}", expected=expected, fix="it is damaged or cut short: copy it again, or export it as CSV")


def _first_line(error: object) -> str:
    return (str(error).splitlines() or [""])[0][:SHOWN]


def _unpacked(raw: bytes, path: Path) -> bytes:
    """Return what a packed file holds; one that unpacks to far more than a log would is refused."""
    most = max(MOST_UNPACKED * len(raw), LEAST_UNPACKED)
    parts, left = [], most
    with gzip.GzipFile(fileobj=io.BytesIO(raw)) as file:
        while left > 0 and (part := file.read(min(left, HEAD_BYTES))):
            parts.append(part)
            left -= len(part)
        if file.read(1):
            came = f"{path}: {len(raw) / 1e6:.3g} MB that unpack to more than {most / 1e6:.4g} MB"
            raise InputError("the log", came=came, expected="a log, which packs to a tenth or so", fix="unpack it, and look at what it holds")
    return b"".join(parts)


def _as_lines(raw: bytes, path: Path) -> bytes:
    """Return a text in UTF-8 with line feeds at the ends of its lines."""
    wide = _wide(raw)
    if wide:
        raw = raw.decode(wide, errors="replace").lstrip("\ufeff").encode()
    raw = raw.removeprefix(b"\xef\xbb\xbf")
    head = raw[:HEAD_BYTES]
    if b"\0" in head or not head.strip():
        raise InputError("the first line of the log", came="nothing that can be read", expected="column names", fix="export it as CSV in UTF-8", file=str(path))
    if b"\r" in head:
        raw = raw.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if raw.isascii():
        return raw
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        # A damaged letter or two among whole ones, or an encoding of one byte a letter.
        text = raw.decode("utf-8", errors="replace")
        damaged, whole = text.count("\ufffd"), sum(1 for letter in text if letter > "\x7f" and letter != "\ufffd") if len(raw) < HEAD_BYTES else 0
        return (text if whole >= damaged else raw.decode("cp1252", errors="replace")).encode()
    return raw


def _wide(raw: bytes) -> str:
    """Return the name of a two-byte encoding, by its mark or by the zeros in every second byte; else nothing."""
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    head = np.frombuffer(raw[: min(len(raw), 4096) & ~1], dtype=np.uint8)
    if head.size < 8:
        return ""
    zeros = [float((head[k::2] == 0).mean()) for k in (0, 1)]
    if zeros[1] > 0.8 and zeros[0] < 0.05:
        return "utf-16-le"
    return "utf-16-be" if zeros[0] > 0.8 and zeros[1] < 0.05 else ""


def _after_lines(text: bytes, count: int) -> int:
    """Return where a text goes on after some lines."""
    start = 0
    for _ in range(count):
        start = text.find(b"\n", start) + 1
        if not start:
            return len(text)
    return start


def _count(text: bytes, start: int, letter: str) -> int:
    """Return how often a letter is in a text, in pieces that stay near the processor: in a third of the time ``bytes.count`` takes."""
    letters = np.frombuffer(text, dtype=np.uint8)
    return sum(int(np.count_nonzero(letters[k : k + HEAD_BYTES] == ord(letter))) for k in range(start, len(text), HEAD_BYTES))


def _with_even_quotes(body: bytes) -> bytes:
    """Return rows without the quotes of lines that hold an odd number of them, which would swallow the lines that follow."""
    return b"\n".join(line.replace(b'"', b"") if line.count(b'"') % 2 else line for line in body.split(b"\n"))


def _first_lines(text: bytes) -> Iterator[bytes]:
    """Yield the first lines of a text, as many as are searched for the header."""
    start = 0
    for _ in range(SEARCHED):
        end = text.find(b"\n", start)
        if end < 0:
            if start < len(text):
                yield text[start : start + LINE_BYTES]
            return
        yield text[start : min(end, start + LINE_BYTES)]
        start = end + 1


def _has_points(frame: pl.DataFrame) -> bool:
    """Whether numbers are written with a point, so that a comma in one parts thousands, or is a slip, and cannot be told."""
    texts = frame.select(pl.col(pl.String).str.contains(r"^\s*[-+]?\d*\.\d+\s*$").any())
    return any(bool(cell) for cell in texts.rows()[0]) if texts.width else False


def _long_rows(text: bytes, delimiter: str, width: int) -> NDArray[np.int64]:
    letters = np.frombuffer(text, dtype=np.uint8)
    ends = np.flatnonzero(letters == ord("\n"))
    if not text.endswith(b"\n"):
        ends = np.append(ends, len(text))
    counts = np.diff(np.searchsorted(np.flatnonzero(letters == ord(delimiter)), ends), prepend=0)
    starts = np.concatenate([[0], ends[:-1] + 1])
    # A delimiter inside quotes parts nothing, and blank cells at the end are no cells.
    found = [
        int(k)
        for k in np.flatnonzero(counts >= width)
        if any(parted(text[starts[k] : ends[k]].decode(errors="replace"), delimiter)[width:])
    ]
    return np.array(found, dtype=np.int64)

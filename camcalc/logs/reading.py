"""Reading a log from CSV or Parquet. What cannot be used is told by line and kept out; nothing is guessed or filled in."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ..errors import InputError
from ..tables.axes import LOADS
from ..tables.likely_unit import log_error, low_pressure
from ..units import Bounds
from .columns import CHANNELS, Column, guess_columns, read_columns
from .drive_log import DriveLog
from .log_notes import KeptOut, LogDoubt, LogNote, LogProblem, RowFault

__all__ = ["DriveLog", "read_log"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

LINES_SHOWN = 5
# A channel with numbers in fewer rows than this is not used; ESTIMATE.
LEAST_SHARE = 0.5
WORDS = {"on": 1.0, "true": 1.0, "yes": 1.0, "off": 0.0, "false": 0.0, "no": 0.0}


class _Sheet(NamedTuple):
    """A file as read: header, units where a row of their own gives them, texts or numbers by column, and the line of the first row."""

    header: list[str]
    units: list[str]
    frame: pl.DataFrame
    first_line: int
    decimal_comma: bool
    long_rows: NDArray[np.int64]


def read_log(path: str | Path, columns: str | Path | Mapping[str, Any] | None = None) -> DriveLog:
    """Read a driving log.

    Parameters
    ----------
    path : str or Path
        CSV (comma, semicolon or tab; the first line names the columns) or Parquet.
    columns : path or mapping, optional
        Column map: a TOML file with ``[columns]``, or its content. Left out, columns are guessed from names with their unit in
        brackets, such as ``Engine speed [rpm]``; the guess is shown in the log.

    Returns
    -------
    DriveLog

    Raises
    ------
    InputError
        If the file cannot be read, or time or engine speed is not in it.

    Notes
    -----
    A row without time or engine speed, with a repeated time or one that runs backward is kept out whole. A bad value in any other
    column is kept out alone. Lines are those of the file (rows, for Parquet).

    Examples
    --------
    >>> import pathlib, tempfile
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "log.csv"
    >>> _ = path.write_text("t [s],engine speed [rpm],spark [deg]\\n0.0,900,20\\n0.1,n/a,20\\n0.2,910,\\n")
    >>> for problem in read_log(path).problems:
    ...     print(problem.what.code, problem.column, problem.lines, problem.came, problem.done.code)
    text engine speed [rpm] (3,) "n/a" row
    missing spark [deg] (4,)  value
    """
    path = Path(path)
    if path.suffix.lower() == ".parquet":
        header, units = _parquet_names(path), list[str]()
    else:
        header, units = _csv_head(path)[2:]
    if len(set(header)) < len(header):
        twice = next(name for name in header if header.count(name) > 1)
        raise InputError("the first line of the log", came=f'"{twice}" twice', expected="each column name once", file=str(path))
    try:
        found, left = guess_columns(header, units) if columns is None else (read_columns(columns, header), [])
    except InputError as error:
        raise error.in_file(str(path)) from None
    sheet = _read_sheet(path, header, units, sorted({c.name for c in found.values()}, key=header.index))
    try:
        return _log_of(sheet, found, left, path)
    except InputError as error:
        raise error.in_file(str(path)) from None


def _log_of(sheet: _Sheet, found: Mapping[str, Column], left: Sequence[LogNote], path: Path) -> DriveLog:
    problems: list[LogProblem] = []
    notes = list(left)
    blank = sheet.frame.select(pl.all_horizontal(pl.all().is_null())).to_series().to_numpy()
    out = np.zeros(len(blank), dtype=bool)
    out[sheet.long_rows] = True
    problems += _told(RowFault.MORE_CELLS, "", out, "", KeptOut.ROW, sheet.first_line)
    values: dict[str, Array] = {}
    for channel, column in found.items():
        required = channel in ("time", "speed")
        numbers, own = _numbers(sheet, channel, column, KeptOut.ROW if required else KeptOut.VALUE, blank | out)
        if not required and np.isfinite(numbers[~blank]).sum() < LEAST_SHARE * (~blank).sum():
            share = np.isfinite(numbers[~blank]).mean() if (~blank).any() else 0.0
            notes.append(LogNote(what=LogDoubt.SPARSE, column=column.name, channel=channel, figure=float(share)))
            continue
        problems += own
        values[channel] = numbers
        if channel == "load" and _bounds(channel, column).unit == "Pa":
            notes += _pressure_unit(column, numbers)
    broken = out | ~np.isfinite(values["time"]) | ~np.isfinite(values["speed"])
    repeated, backward = _out_of_order(values["time"], ~broken)
    problems += _told(RowFault.REPEATED_TIME, found["time"].name, repeated, "", KeptOut.ROW, sheet.first_line)
    problems += _told(RowFault.BACKWARD_TIME, found["time"].name, backward, "", KeptOut.ROW, sheet.first_line)
    if backward.sum() > 0.05 * len(backward):
        first = int(np.flatnonzero(backward)[0]) + sheet.first_line
        notes.append(LogNote(what=LogDoubt.CLOCK_STEPS_BACK, column=found["time"].name, channel="time", figure=float(first)))
    kept = ~(broken | repeated | backward)
    if kept.sum() < 2:
        faults = [f"{p.what} in {p.column or 'the rows'}: {p.rows}, the first in line {p.lines[0]}" for p in problems]
        came = "; ".join([f"{kept.sum() or 'no'} row{'s' * (not kept.sum())} to use", *faults])
        raise InputError("the log", came=came, expected="two or more rows with time and engine speed")
    # A repeated stamp leaves no hole, since its first row stays; neither does a blank line.
    hole = np.cumsum((broken & ~blank) | backward)[kept]
    kind = found["load"].kind if "load" in values else ""
    used = {name: column for name, column in found.items() if name in values}
    return DriveLog.of(
        **{name: values.pop(name)[kept] for name in used},
        load_kind=kind,
        breaks=np.concatenate([[False], np.diff(hole) > 0]),
        columns=used,
        problems=tuple(problems),
        notes=tuple(notes),
        source=path.name,
    )


def _numbers(sheet: _Sheet, channel: str, column: Column, done: KeptOut, ignored: Mask) -> tuple[Array, list[LogProblem]]:
    """Return a column in its inner unit, not-a-number where it holds none, with what was kept out of it."""
    series = sheet.frame[column.name]
    text = np.zeros(len(series), dtype=bool)
    if series.dtype == pl.String:
        numbers = _parsed(series.str.replace(",", ".", literal=True) if sheet.decimal_comma else series)
        text = ~np.isfinite(numbers) & (series.is_not_null() & (series.str.strip_chars() != "")).to_numpy()
    elif not (series.dtype.is_numeric() or series.dtype == pl.Boolean):
        raise InputError(f'column "{column.name}"', came=f"values of the type {series.dtype}", expected="numbers", fix=f"write it as numbers in {column.unit}")
    else:
        numbers = series.cast(pl.Float64).to_numpy().copy()
        text = ~np.isfinite(numbers) & series.is_not_null().to_numpy()
    numbers[~np.isfinite(numbers)] = np.nan
    missing = np.isnan(numbers) & ~text & ~ignored
    numbers = numbers * column.scale + column.offset
    bounds = _bounds(channel, column)
    outside = (numbers < bounds.low) | (numbers > bounds.high)
    if outside.sum() > 0.5 * np.isfinite(numbers).sum():
        _refuse_unit(channel, column, numbers, bounds)
    came = series.filter(pl.Series(outside))[0] if outside.any() else ""
    numbers[outside] = np.nan
    first = f'"{series.filter(pl.Series(text))[0]}"' if text.any() else ""
    return numbers, [
        *_told(RowFault.MISSING, column.name, missing, "", done, sheet.first_line),
        *_told(RowFault.TEXT, column.name, text & ~ignored, first, done, sheet.first_line),
        *_told(RowFault.OUTSIDE, column.name, outside & ~ignored, f"{came} {column.unit}".strip(), done, sheet.first_line),
    ]


def _parsed(series: pl.Series) -> Array:
    """Return texts as numbers; words for on and off count, blanks around a number do not."""
    numbers = series.cast(pl.Float64, strict=False).to_numpy().copy()
    again = np.flatnonzero(np.isnan(numbers) & series.is_not_null().to_numpy())
    if again.size:
        texts = series[again].str.strip_chars()
        numbers[again] = texts.cast(pl.Float64, strict=False).to_numpy()
        words = texts.str.to_lowercase().replace_strict(WORDS, default=None, return_dtype=pl.Float64).to_numpy()
        numbers[again] = np.where(np.isnan(numbers[again]), words, numbers[again])
    return numbers


def _bounds(channel: str, column: Column) -> Bounds:
    return LOADS[column.kind].bounds if channel == "load" else CHANNELS[channel].bounds


def _refuse_unit(channel: str, column: Column, numbers: Array, bounds: Bounds) -> None:
    middle = float(np.nanmedian(numbers)) / column.scale
    raise InputError(
        f'column "{column.name}"',
        came=f"mostly values like {middle:.4g} {column.unit}".rstrip(),
        expected=f"{channel.replace('_', ' ')} from {bounds.low / column.scale:.4g} to {bounds.high / column.scale:.4g} {column.unit}".rstrip(),
        fix="check the unit in the column name or the column map",
    )


def _pressure_unit(column: Column, pressures: Array) -> list[LogNote]:
    """Refuse manifold pressures that no running engine has, and note those that may be in another unit."""
    wrong = log_error(column.name, pressures, column.unit, column.scale)
    if wrong is not None:
        raise wrong
    low = low_pressure(pressures, column.unit, column.scale)
    if low is None:
        return []
    about = {"column": column.name, "channel": "load", "unit": column.unit, "other": low.unit}
    return [LogNote(what=LogDoubt.LOW_PRESSURE, **about, figure=low.top, other_figure=low.other)]


def _told(what: RowFault, column: str, rows: Mask, came: str, done: KeptOut, first_line: int) -> list[LogProblem]:
    where = np.flatnonzero(rows)
    lines = tuple(int(k) + first_line for k in where[:LINES_SHOWN])
    return [LogProblem(what, column, len(where), lines, came, done)] if where.size else []


def _out_of_order(time: Array, usable: Mask) -> tuple[Mask, Mask]:
    """Return the rows that repeat a time already passed as the latest, and those that lie before it."""
    known = np.where(usable, time, -np.inf)
    before = np.concatenate([[-np.inf], np.maximum.accumulate(known)[:-1]])
    return usable & (known == before), usable & (known < before)


def _parquet_names(path: Path) -> list[str]:
    try:
        return list(pl.read_parquet_schema(path))
    except FileNotFoundError:
        raise InputError("the log", came=f"{path}: no such file", expected="a CSV or Parquet file") from None
    except (OSError, pl.exceptions.PolarsError) as error:
        raise InputError("the log", came=f"{path}: {error}", expected="a Parquet file that can be read") from None


def _csv_head(path: Path) -> tuple[str, int, list[str], list[str]]:
    """Return what parts the cells, the line where numbers begin, the column names, and the units where the second line gives them."""
    try:
        with path.open("rb") as file:
            raw = [file.readline(), file.readline()]
    except OSError as error:
        raise InputError("the log", came=f"{path}: {error.strerror}", expected="a CSV or Parquet file that can be read") from None
    try:
        lines = [line.decode("utf-8-sig") for line in raw]
    except UnicodeDecodeError:
        lines = [line.decode("latin-1") for line in raw]
    if not lines[0].strip() or "\0" in lines[0]:
        raise InputError("the first line of the log", came="nothing that can be read", expected="column names", fix="export it as CSV in UTF-8", file=str(path))
    comma = max(",;\t", key=lines[0].count)
    header, second = ([cell.strip() for cell in next(csv.reader([line], delimiter=comma), [])] for line in lines)
    if any(_is_number(cell) for cell in header):
        raise InputError(
            "the first line of the log", came=lines[0].strip(), expected="column names, not numbers", fix="write the names into the first line", file=str(path)
        )
    has_units = len(second) == len(header) and any(second) and not any(_is_number(cell) for cell in second) and second[0].strip("[]()") in ("s", "ms", "sec")
    return comma, 3 if has_units else 2, header, [cell.strip("[]()") for cell in second] if has_units else []


def _is_number(text: str) -> bool:
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return True


def _read_sheet(path: Path, header: list[str], units: list[str], wanted: list[str]) -> _Sheet:
    """Return the wanted columns of a file, as text where it is text, so that every cell that is no number can be told."""
    nothing = np.empty(0, dtype=np.int64)
    if path.suffix.lower() == ".parquet":
        return _Sheet(header, [], pl.read_parquet(path, columns=wanted), 1, False, nothing)
    comma, first_line, _, _ = _csv_head(path)
    options: dict[str, Any] = {"separator": comma, "encoding": "utf8-lossy", "raise_if_empty": False, "skip_rows_after_header": first_line - 2}
    seen = pl.read_csv(path, n_rows=0, infer_schema=False, **options).columns
    names = {seen[header.index(name)]: name for name in wanted}
    try:
        # Most logs are numbers throughout, which is read in a third of the time and memory of text.
        frame = pl.read_csv(path, schema_overrides=dict.fromkeys(names, pl.Float64), columns=list(names), **options)
    except pl.exceptions.PolarsError:
        frame = pl.read_csv(path, infer_schema=False, columns=list(names), truncate_ragged_lines=True, **options)
    if frame.is_empty():
        raise InputError("the log", came="no rows", expected="rows of numbers under the column names", file=str(path))
    frame = frame.rename(names).select(wanted)
    return _Sheet(header, units, frame, first_line, comma != "," and not _has_points(frame), _long_rows(path, comma, len(header), first_line))


def _has_points(frame: pl.DataFrame) -> bool:
    """Whether numbers are written with a point, so that a comma in one parts thousands, or is a slip, and cannot be told."""
    texts = frame.select(pl.col(pl.String).str.contains(r"^\s*[-+]?\d*\.\d+").any())
    return any(bool(cell) for cell in texts.rows()[0]) if texts.width else False


def _long_rows(path: Path, comma: str, width: int, first_line: int) -> NDArray[np.int64]:
    """Return the rows with more cells than there are columns, counted from the first row of numbers."""
    suspects: list[int] = []
    done = 0
    rest = b""
    with path.open("rb") as file:
        while chunk := file.read(1 << 20):
            cut = chunk.rfind(b"\n") + 1
            if not cut:
                rest += chunk
                continue
            block, rest = rest + chunk[:cut], chunk[cut:]
            letters = np.frombuffer(block, dtype=np.uint8)
            ends = np.flatnonzero(letters == ord("\n"))
            commas = np.diff(np.searchsorted(np.flatnonzero(letters == ord(comma)), ends), prepend=0)
            suspects += [done + int(k) for k in np.flatnonzero(commas >= width)]
            done += len(ends)
    if rest.count(comma.encode()) >= width:
        suspects.append(done)
    if not suspects:
        return np.empty(0, dtype=np.int64)
    wanted = set(suspects)
    with path.open(encoding="utf-8", errors="replace", newline="\n") as lines:
        # A comma inside quotes parts nothing.
        rows = [number for number, line in enumerate(lines) if number in wanted and len(next(csv.reader([line], delimiter=comma), [])) > width]
    return np.array(rows, dtype=np.int64) - (first_line - 1)

"""Reading a log as it comes. What was recognised by which words, what was not used and what was kept out is told; nothing is guessed or made up."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ..cycle.load_axis import MANIFOLD_PRESSURE
from ..errors import InputError, did_you_mean
from ..tables.axes import LOADS
from ..tables.likely_unit import low_pressure
from ..units import Bounds, to_si
from .channels import CHANNELS, bounds_of, named, split_name, words_in
from .clock import CLOCK, read_clock, spread_stamps
from .columns import Column, guess_columns, map_choices, map_lines, read_columns, unused_columns
from .drive_log import GAP_STEPS, DriveLog
from .likely import fitting_units, is_impossible
from .log_file import LogFile, open_log
from .log_notes import KeptOut, LogDoubt, LogNote, LogProblem, RowFault
from .own_rates import DENSE, FEW_BLANKS, even_rows, is_on_change, on_rows, own_rate
from .stray import stray_speeds, stray_times, stray_values

__all__ = ["DriveLog", "read_log"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

LINES_SHOWN = 5
# Fewer numbers than this are no channel; ESTIMATE.
LEAST_NUMBERS = 2
WORDS = {"on": 1.0, "true": 1.0, "yes": 1.0, "ein": 1.0, "an": 1.0, "ja": 1.0, "wahr": 1.0}
WORDS |= {"off": 0.0, "false": 0.0, "no": 0.0, "aus": 0.0, "nein": 0.0, "falsch": 0.0}
# Words for no number: a fault where few cells hold them, blanks where a logger writes them between the numbers of a slower channel.
NO_NUMBER = ("nan", "n/a", "na", "null", "none", "-", "--", "---")
# With the pedal this far down no engine leaves its manifold at what overrun makes of it; ESTIMATE.
PRESSED = 0.3
# No clock counts further than this [s], three thousand years: 1e300 is a damaged cell.
LATEST = 1e11
RATE = Bounds("Hz", 0.5, 5000.0)
INDISPENSABLE = ("time", "speed")


class _Cells(NamedTuple):
    """A column as read: its cells, the numbers among them, and which cells are neither a number nor blank."""

    series: pl.Series
    numbers: Array
    text: Mask


class _Sheet:
    """The cells of a log's columns that may be channels, each turned into numbers once."""

    def __init__(self, file: LogFile, wanted: Sequence[str]) -> None:
        self.file = file
        self.frame = file.read(wanted)
        self.first_line = file.first_line
        self.blank: Mask = self.frame.select(pl.all_horizontal(pl.all().is_null())).to_series().to_numpy()
        self.long: Mask = np.zeros(len(self.blank), dtype=bool)
        self.long[file.long_rows()] = True
        self._cells: dict[str, _Cells] = {}

    def cells(self, name: str) -> _Cells:
        """Return a column's cells and the numbers in them, as written."""
        if name not in self._cells:
            self._cells[name] = _cells_of(self.frame[name], decimal_comma=self.file.decimal_comma)
        return self._cells[name]

    def numbers(self, name: str) -> Array:
        """Return the numbers of a column; none of a column of dates or texts."""
        series = self.frame[name]
        return self.cells(name).numbers if _holds_numbers(series.dtype) else np.full(len(series), np.nan)


def read_log(path: str | Path, columns: str | Path | Mapping[str, Any] | None = None, *, rate: Any = None, load_kind: str = "") -> DriveLog:
    """Read a driving log.

    Parameters
    ----------
    path : str or Path
        CSV with any usual delimiter, decimal mark, encoding and line end, Parquet or Arrow; packed with gzip or not. The header is searched for:
        lines before it do not matter, and up to three rows may hold names and units.
    columns : path or mapping, optional
        Column map: a TOML file with ``[columns]``, or its content. The channels it does not name are known by the words of their columns.
    rate : quantity [1/s], optional
        Rows a second, for a log without times; a bare number counts rows. The log's own times are not used then.
    load_kind : str
        Kind of load that is wanted where the log has several: that of the spark table.

    Returns
    -------
    DriveLog

    Raises
    ------
    InputError
        If the file cannot be read, time or engine speed is not in it, or two columns fit one channel equally well.

    Notes
    -----
    A row without time or engine speed, with a repeated time or one that runs backward is kept out whole. A bad value in any other
    column is kept out alone. Lines are those of the file (rows, for Parquet). A channel written in less than nine rows of ten has a rate of its own:
    it is read between its rows, or held where it is written on change, never longer than its greatest age (``Column.age``). A column whose numbers
    cannot be what its name says is not used, and a note says which unit would fit.

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
    if load_kind and load_kind not in LOADS:
        raise InputError("load_kind", came=load_kind, expected=" or ".join(LOADS), fix=did_you_mean(load_kind, LOADS))
    a_second = None if rate is None else float(rate) if isinstance(rate, int | float) else float(to_si(rate, "rate", RATE))
    if a_second is not None and not RATE.low <= a_second <= RATE.high:
        raise InputError("rate", came=f"{a_second:g}", expected=f"{RATE.low:g} to {RATE.high:g} rows a second")
    file = open_log(path)
    try:
        given = {} if columns is None else read_columns(columns, file.names, file.units, clocks=file.clocks)
        if a_second is not None:
            given.pop("time", None)
        sheet = _Sheet(file, _wanted(file, given))
        found, left = guess_columns(
            file.names, file.units, given=given, numbers=sheet.numbers, clocks=file.clocks, load_kind=load_kind, no_time=a_second is not None
        )
        return _Reading(sheet, found, left, a_second).log()
    except InputError as error:
        raise error.in_file(str(path)) from None


def _wanted(file: LogFile, given: Mapping[str, Column | None]) -> list[str]:
    """Return the columns that a map names, and those whose words name a channel."""
    parts = [(name, words_in(split_name(name, unit)[0])) for name, unit in zip(file.names, file.units, strict=True)]
    mapped = {column.name for column in given.values() if column is not None}
    open_ones = [channel for channel in CHANNELS if channel not in given]
    wanted = [name for name, words in parts if name in mapped or (name and any(named(channel, words) for channel in open_ones))]
    return wanted or [name for name in file.names if name][:1]


class _Reading:
    """One log being read: its columns turned into channels, with what is odd about them."""

    def __init__(self, sheet: _Sheet, found: Mapping[str, Column], left: Sequence[LogNote], rate: float | None) -> None:
        self.sheet, self.found, self.notes = sheet, dict(found), list(left)
        self.problems = self._told(RowFault.MORE_CELLS, "", sheet.long, "", KeptOut.ROW)
        self.rate = rate
        # Rows whose time or engine speed is none that can be: among whole ones they leave no hole, however many there are.
        self.beyond: Mask = np.zeros(len(sheet.blank), dtype=bool)
        self.ignored = sheet.blank | sheet.long

    def log(self) -> DriveLog:
        """Return the log."""
        time, speed = self._time(), self._required("speed")
        usable = ~self.ignored & np.isfinite(time)
        if not _is_dense(np.isfinite(speed[usable])) and self._own_rate(time, speed):
            return self._sparse(time, speed)
        self.problems += self._blanks("speed", KeptOut.ROW)
        return self._dense(time, speed)

    def _own_rate(self, time: Array, speed: Array) -> bool:
        """Whether engine speed is blank because other channels have their rows, not because cells are missing."""
        cells = self.sheet.cells(self.found["speed"].name)
        blank = np.isnan(cells.numbers) & ~cells.text
        return bool(blank.sum() > 0.8 * np.isnan(speed).sum()) and own_rate(time, speed)[0].size >= LEAST_NUMBERS

    def _dense(self, time: Array, speed: Array) -> DriveLog:
        """Engine speed is in every row: rows without it are kept out."""
        broken = self.sheet.long | ~np.isfinite(time) | ~np.isfinite(speed)
        name = self.found["time"].name if "time" in self.found else ""
        stray = stray_times(time, ~broken)
        self.problems += self._told(RowFault.STRAY, name, stray, self._came("time", stray), KeptOut.ROW)
        spread = spread_stamps(time, ~(broken | stray))
        if spread is not None:
            time, step = spread
            self._note(LogDoubt.COARSE_CLOCK, "time", figure=step)
        repeated, backward = _out_of_order(time, ~(broken | stray))
        self.problems += self._told(RowFault.REPEATED_TIME, name, repeated, "", KeptOut.ROW)
        self.problems += self._told(RowFault.BACKWARD_TIME, name, backward, "", KeptOut.ROW)
        if backward.sum() > 0.05 * len(backward):
            self._note(LogDoubt.CLOCK_STEPS_BACK, "time", figure=float(np.flatnonzero(backward)[0]) + self.sheet.first_line)
        kept = ~(broken | stray | repeated | backward)
        leaps = np.zeros(len(kept), dtype=bool)
        leaps[kept] = stray_speeds(time[kept], speed[kept])
        self.problems += self._told(RowFault.STRAY, self.found["speed"].name, leaps, self._came("speed", leaps), KeptOut.ROW)
        kept &= ~leaps
        self._enough(int(kept.sum()))
        # A repeated stamp leaves no hole, since its first row stays; neither does a blank line, nor a row or two among whole ones.
        hole = np.cumsum((broken & ~self.sheet.blank & ~self.beyond) | backward)[kept]
        return self._made(time[kept], speed[kept], time, kept, np.concatenate([[False], np.diff(hole) > 0]))

    def _came(self, channel: str, rows: Mask) -> str:
        """Return the first of some cells of a channel as written."""
        column = self.found.get(channel)
        if column is None or not rows.any():
            return ""
        return f"{self.sheet.frame[column.name].filter(pl.Series(rows))[0]} {column.unit}".strip()

    def _sparse(self, time: Array, speed: Array) -> DriveLog:
        """Engine speed has rows of its own: the log's rows are those, or even ones where it is written on change."""
        at, own = own_rate(np.where(self.sheet.long, np.nan, time), speed)
        changes = is_on_change(at, own)
        if changes:
            rows = even_rows(time)
            held = on_rows("speed", rows, time, speed)
            rows, own = (rows, own) if held is None else (rows[np.isfinite(held.values)], held.values[np.isfinite(held.values)])
        else:
            rows = at
        self._enough(len(rows))
        rate = float((at.size - 1) / (at[-1] - at[0]))
        age = CHANNELS["speed"].age if changes else GAP_STEPS / rate
        self._note(LogDoubt.ON_CHANGE if changes else LogDoubt.OWN_RATE, "speed", figure=rate, other_figure=age)
        return self._made(rows, own, time, None, None)

    def _made(self, rows: Array, speed: Array, time: Array, kept: Mask | None, breaks: Mask | None) -> DriveLog:
        """Put the other channels on the rows of engine speed and make the log."""
        values: dict[str, Array] = {"time": rows, "speed": speed}
        whole = kept is not None and bool(kept.all())
        for channel in [name for name in self.found if name not in INDISPENSABLE]:
            numbers = self._optional(channel)
            if numbers is None:
                continue
            there = np.isfinite(numbers)
            usable = kept if kept is not None else ~self.ignored
            if kept is not None and _is_dense(there[usable]):
                self.problems += self._blanks(channel, KeptOut.VALUE)
                if channel == "pedal":
                    stray = np.zeros(len(kept), dtype=bool)
                    stray[kept] = stray_values(rows, numbers if whole else numbers[kept])
                    self.problems += self._told(RowFault.STRAY, self.found[channel].name, stray, self._came(channel, stray), KeptOut.VALUE)
                    numbers = np.where(stray, np.nan, numbers)
                values[channel] = numbers if whole else numbers[kept]
                continue
            own = on_rows(channel, rows, np.where(self.sheet.long, np.nan, time), numbers)
            if own is None or np.isfinite(own.values).sum() < LEAST_NUMBERS:
                self._note(LogDoubt.SPARSE, channel, figure=float(there.sum()))
                continue
            values[channel] = own.values
            self.found[channel] = self.found[channel]._replace(age=own.age)
            self._note(LogDoubt.ON_CHANGE if own.held else LogDoubt.OWN_RATE, channel, figure=own.rate, other_figure=own.age)
        for channel_values in values.values():
            # Nobody else has them: the log need not copy what cannot change.
            channel_values.flags.writeable = False
        used = {name: column for name, column in self.found.items() if name in values}
        file = self.sheet.file
        return DriveLog.of(
            **values,
            load_kind=self.found["load"].kind if "load" in values else "",
            breaks=breaks,
            columns=used,
            unused=unused_columns(file.names, file.units, used),
            problems=tuple(self.problems),
            notes=tuple(self.notes),
            source=file.path.name,
        )

    def _time(self) -> Array:
        """Return the times of all rows [s], not-a-number where there is none."""
        if self.rate is not None:
            self._refuse_times()
            self.notes.append(LogNote(what=LogDoubt.STATED_RATE, channel="time", figure=self.rate))
            # A blank line is no row.
            return np.where(self.sheet.blank, np.nan, (np.cumsum(~self.sheet.blank) - 1.0) / self.rate)
        column = self.found["time"]
        if column.unit != CLOCK:
            numbers = self._required("time")
            self.problems += self._blanks("time", KeptOut.ROW)
            beyond = np.abs(numbers) > LATEST
            self.problems += self._told(RowFault.OUTSIDE, column.name, beyond & ~self.ignored, self._came("time", beyond), KeptOut.ROW)
            numbers[beyond] = np.nan
            self.beyond |= beyond
            return numbers
        series = self.sheet.frame[column.name]
        clock = read_clock(series)
        blank = series.is_null().to_numpy() if series.dtype != pl.String else (series.is_null() | (series.str.strip_chars() == "")).fill_null(True).to_numpy()
        wrong = ~np.isfinite(clock.seconds) & ~blank & ~self.ignored
        came = f'"{series.filter(pl.Series(wrong))[0]}"' if wrong.any() else ""
        self.problems += self._told(RowFault.MISSING, column.name, blank & ~self.ignored, "", KeptOut.ROW)
        self.problems += self._told(RowFault.TEXT, column.name, wrong, came, KeptOut.ROW)
        self._note(LogDoubt.CLOCK_FROM, "time", other=clock.start)
        return clock.seconds

    def _refuse_times(self) -> None:
        """Refuse a stated rate where the log has times of its own, which say more."""
        for name in self.sheet.frame.columns:
            if not named("time", words_in(split_name(name)[0])):
                continue
            series = self.sheet.frame[name]
            times = self.sheet.numbers(name) if _holds_numbers(series.dtype) else np.empty(0)
            if not np.isfinite(times).any():
                times = read_clock(series).seconds
            known = times[np.isfinite(times)]
            if known.size > 0.5 * (~self.ignored).sum() and (np.diff(known) > 0.0).sum() > 0.05 * known.size:
                fix = "leave the rate out; if those times are wrong, take that column out of the file"
                raise InputError("rate", came=f'times in column "{name}" too', expected="a log without times", fix=fix)

    def _required(self, channel: str) -> Array:
        """Return time or engine speed in the unit kept, or refuse the log where its numbers cannot be that."""
        column = self.found[channel]
        kind = self.sheet.frame[column.name].dtype
        if not _holds_numbers(kind):
            raise InputError(f'column "{column.name}"', came=f"values of the type {kind}", expected="numbers", fix=f"write it as numbers in {column.unit}")
        written = self.sheet.numbers(column.name)
        numbers = written * column.scale + column.offset
        if is_impossible(channel, "", numbers):
            low, high = (end / column.scale for end in bounds_of(channel)[1:3])
            likely = fitting_units(channel, "", written, besides=column.unit)
            units = " or ".join(likely).replace("crank_rps", "rev/s")
            raise InputError(
                f'column "{column.name}"',
                came=f"mostly values like {float(np.nanmedian(written)):.4g} {column.unit}",
                expected=f"{_spoken(channel)} from {low:.4g} to {high:.4g} {column.unit} of a running engine",
                fix=f"it may be in {units}: {map_lines(*map_choices(channel, column.name, ', '.join(likely)))}"
                if units
                else "check the unit in the column name or the column map",
            )
        self._faults(channel, numbers, KeptOut.ROW)
        return numbers

    def _optional(self, channel: str) -> Array | None:
        """Return a channel in the unit kept, or nothing where its numbers cannot be that."""
        column = self.found[channel]
        if not _holds_numbers(self.sheet.frame[column.name].dtype):
            self._note(LogDoubt.REFUSED, channel)
            return None
        written = self.sheet.numbers(column.name)
        numbers = written * column.scale + column.offset
        if is_impossible(channel, column.kind, numbers):
            likely = fitting_units(channel, column.kind, written, besides=column.unit)
            self._note(LogDoubt.REFUSED, channel, other=", ".join(likely), figure=float(np.nanmedian(written)))
            return None
        if column.kind == MANIFOLD_PRESSURE:
            low = low_pressure(numbers, column.unit, column.scale)
            if low is not None and self._pressed():
                self._note(LogDoubt.REFUSED, channel, other=low.unit, figure=float(np.nanmedian(written)))
                return None
            if low is not None:
                self._note(LogDoubt.LOW_PRESSURE, channel, other=low.unit, figure=low.top, other_figure=low.other)
        self._faults(channel, numbers, KeptOut.VALUE)
        return numbers

    def _pressed(self) -> bool:
        """Whether the pedal goes down in this log."""
        pedal = self.found.get("pedal")
        return pedal is not None and bool((self.sheet.numbers(pedal.name) * pedal.scale > PRESSED).any())

    def _faults(self, channel: str, numbers: Array, done: KeptOut) -> None:
        """Take out what is outside any possible range, and tell it and every text among the numbers."""
        column, bounds = self.found[channel], bounds_of(channel, self.found[channel].kind)
        cells = self.sheet.cells(column.name)
        # Most channels are within their range throughout, which their ends tell in a fraction of the time.
        beyond = np.fmin.reduce(numbers, initial=np.nan) < bounds.low or np.fmax.reduce(numbers, initial=np.nan) > bounds.high
        outside = (numbers < bounds.low) | (numbers > bounds.high) if beyond else np.zeros(len(numbers), dtype=bool)
        came = cells.series.filter(pl.Series(outside))[0] if outside.any() else ""
        numbers[outside] = np.nan
        if channel == "speed":
            self.beyond |= outside
        first = f'"{cells.series.filter(pl.Series(cells.text))[0]}"' if cells.text.any() else ""
        self.problems += self._told(RowFault.TEXT, column.name, cells.text & ~self.ignored, first, done)
        self.problems += self._told(RowFault.OUTSIDE, column.name, outside & ~self.ignored, f"{came} {column.unit}".strip(), done)

    def _blanks(self, channel: str, done: KeptOut) -> list[LogProblem]:
        cells = self.sheet.cells(self.found[channel].name)
        return self._told(RowFault.MISSING, self.found[channel].name, np.isnan(cells.numbers) & ~cells.text & ~self.ignored, "", done)

    def _enough(self, rows: int) -> None:
        if rows >= LEAST_NUMBERS:
            return
        faults = [f"{p.what} in {p.column or 'the rows'}: {p.rows}, the first in line {p.lines[0]}" for p in self.problems]
        came = "; ".join([f"{rows or 'no'} row{'s' * (not rows)} to use", *faults])
        raise InputError("the log", came=came, expected="two or more rows with time and engine speed")

    def _note(self, what: LogDoubt, channel: str, **figures: Any) -> None:
        column = self.found.get(channel)
        name, unit = (column.name, column.unit) if column else ("", "")
        self.notes.append(LogNote(what=what, column=name, channel=channel, unit=unit, **figures))

    def _told(self, what: RowFault, column: str, rows: Mask, came: str, done: KeptOut) -> list[LogProblem]:
        where = np.flatnonzero(rows)
        lines = tuple(int(k) + self.sheet.first_line for k in where[:LINES_SHOWN])
        return [LogProblem(what, column, len(where), lines, came, done)] if where.size else []


def _is_dense(there: Mask) -> bool:
    """Whether a channel is written in every row, but for a few."""
    return bool(there.size - there.sum() <= max((1.0 - DENSE) * there.size, FEW_BLANKS))


def _holds_numbers(kind: pl.DataType) -> bool:
    return bool(kind.is_numeric() or kind in (pl.String, pl.Boolean))


def _spoken(channel: str) -> str:
    return "engine speed" if channel == "speed" else channel.replace("_", " ")


def _cells_of(series: pl.Series, *, decimal_comma: bool) -> _Cells:
    if series.dtype == pl.String:
        numbers = _parsed(series.str.replace(",", ".", literal=True) if decimal_comma else series)
    else:
        numbers = series.cast(pl.Float64).to_numpy()
    wrong = np.flatnonzero(~np.isfinite(numbers))
    text = np.zeros(len(numbers), dtype=bool)
    if wrong.size:
        cells = series[wrong]
        there = cells.is_not_null()
        none = there
        if cells.dtype == pl.String:
            stripped = cells.str.strip_chars().str.to_lowercase()
            there &= stripped != ""
            none = there & stripped.is_in(NO_NUMBER)
        is_there, is_none = (mask.fill_null(False).to_numpy() for mask in (there, none))
        text[wrong] = is_there & ~is_none if is_none.sum() > max((1.0 - DENSE) * len(numbers), FEW_BLANKS) else is_there
    if wrong.size:
        numbers = np.where(np.isfinite(numbers), numbers, np.nan)
    return _Cells(series, numbers, text)


def _parsed(series: pl.Series) -> Array:
    """Return texts as numbers; words for on and off count, blanks around a number and a percent sign behind it do not."""
    numbers = series.cast(pl.Float64, strict=False).to_numpy().copy()
    again = np.flatnonzero(np.isnan(numbers) & series.is_not_null().to_numpy())
    if again.size:
        texts = series[again].str.strip_chars(" \t\u00a0%")
        numbers[again] = texts.cast(pl.Float64, strict=False).to_numpy()
        words = texts.str.to_lowercase().replace_strict(WORDS, default=None, return_dtype=pl.Float64).to_numpy()
        numbers[again] = np.where(np.isnan(numbers[again]), words, numbers[again])
    return numbers


def _out_of_order(time: Array, usable: Mask) -> tuple[Mask, Mask]:
    """Return the rows that repeat a time already passed as the latest, and those that lie before it."""
    if usable.all() and (np.diff(time) > 0.0).all():
        return ~usable, ~usable
    known = np.where(usable, time, -np.inf)
    before = np.concatenate([[-np.inf], np.maximum.accumulate(known)[:-1]])
    return usable & (known == before), usable & (known < before)

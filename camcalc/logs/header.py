"""Where a log's header is and how its rows are written: found by search among the first lines, whatever stands before them."""

from __future__ import annotations

import csv
import itertools
import re
from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from ..errors import InputError
from .channels import CHANNELS, is_unit_row, named, split_name, word_set, words_in
from .clock import is_time_of_day

__all__ = ["Layout", "find_layout", "parted", "plain_number"]

# How many lines are searched for the header; so many rows of names and units may stand over the numbers. ESTIMATE.
SEARCHED, HEADER_ROWS = 400, 3
# So much of a line is shown where it is no header.
SHOWN = 120
# What may part the cells of a row.
DELIMITERS = ",;\t|"
_NUMBER = re.compile(r"\s*[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?\s*%?\s*$")
_DATE = re.compile(r"\s*\d{1,4}[./-]\d{1,2}[./-]\d{1,4}\s*$")
_STATES = word_set("on off true false yes no ein aus an ja nein wahr falsch nan n/a na null - -- inf -inf")
_COMMA = re.compile(r"\s*[-+]?\d*,\d+\s*$")
_POINT = re.compile(r"\s*[-+]?\d*\.\d+([eE][-+]?\d+)?\s*$")
_MARK = re.compile(r"^\s*(#+|//+|%(?=\s))\s*")


class Layout(NamedTuple):
    """How a log is written.

    ``names`` are its column names, a repeated one numbered; ``units`` those of a row of their own, blank where there is none; ``first_line`` the line
    of the first row of numbers; ``decimal_comma`` and ``points`` whether numbers of the rows sampled have the one or the other; ``texts`` and
    ``clocks`` the columns whose sampled cells are not all numbers, and those that are times of day.
    """

    delimiter: str
    names: list[str]
    units: list[str]
    first_line: int
    decimal_comma: bool
    points: bool
    texts: frozenset[int]
    clocks: frozenset[int]


def plain_number(text: str) -> bool:
    """Whether a cell is a number, with a decimal point or comma.

    >>> [plain_number(cell) for cell in ("1.5", "-0,25", "1e3", "12:00:00", "rpm")]
    [True, True, True, False, False]
    """
    return _NUMBER.match(text) is not None


def find_layout(lines: Sequence[str], file: str) -> Layout:
    """Return how a log is written, from its first lines.

    Parameters
    ----------
    lines : sequence of str
        The first lines, without their ends.
    file : str
        For the errors.

    Raises
    ------
    InputError
        If no line names the columns, or rows have more cells than there are names.

    Examples
    --------
    >>> found = find_layout(["Drive of a Sunday", "", "t;n;p", "s;rpm;kPa", "0,0;900;40,5", "0,1;905;40,6"], "log.csv")
    >>> found.names, found.units, found.first_line, found.decimal_comma
    (['t', 'n', 'p'], ['s', 'rpm', 'kPa'], 5, True)
    """
    best = max((_Rows(lines, delimiter) for delimiter in DELIMITERS), key=lambda rows: rows.score)
    if not any(cell for row in best.rows for cell in row):
        raise InputError("the first line of the log", came="nothing that can be read", expected="column names", fix="export it as CSV in UTF-8", file=file)
    first = best.first
    heads, numbers = best.heads(first) if first is not None else ([], [])
    while first and not heads and best.data[first - 1]:
        # Rows that are cut short or run over stand above the first whole one.
        first -= 1
        heads, numbers = best.heads(first)
    if first is None:
        # No row of numbers: the first line with several cells names the columns, and what is wrong with the rows is said by row.
        start = next((k for k, row in enumerate(best.rows) if len(row) > 1), next(k for k, row in enumerate(best.rows) if any(row)))
        heads, numbers, first = [best.rows[start]], [start], start + 1
    if not heads:
        raise InputError(
            f"line {first + 1} of the log",
            came=lines[first].strip()[:SHOWN],
            expected="column names, not numbers" if first == 0 else "column names in the line above",
            fix="write the names into a line of their own above the numbers",
            file=file,
        )
    sample = [row for row in best.rows[first:] if any(row)]
    width = max(best.width, 1)
    names, units = _names_and_units(heads)
    blank_ends = all(len(row) < width or not row[width - 1] for row in sample)
    if len(names) < width - blank_ends:
        fix = "add the names that are missing"
        if best.delimiter == ",":
            fix = "export it with a semicolon or tab between cells. A decimal comma and a comma between cells look alike."
        raise InputError(
            f"line {numbers[-1] + 1} of the log",
            came=f"{len(names)} column names over rows of {width} cells",
            expected="a name for each cell of a row",
            fix=fix,
            file=file,
        )
    names += [""] * (width - len(names))
    units = [*units, *[""] * len(names)][: len(names)]
    columns = [[row[k] for row in sample if k < len(row) and row[k]] for k in range(len(names))]
    numeric = [cell for column in columns for cell in column if plain_number(cell)]
    points = any(_POINT.match(cell) for cell in numeric)
    clocks = frozenset(k for k, column in enumerate(columns) if column and sum(map(is_time_of_day, column)) > 0.5 * len(column))
    return Layout(
        delimiter=best.delimiter,
        names=_numbered(names),
        units=units,
        first_line=first + 1,
        decimal_comma=any(_COMMA.match(cell) for cell in numeric) and not points,
        points=points,
        texts=frozenset(k for k, column in enumerate(columns) if not all(_NUMBER.match(cell) and not cell.endswith("%") for cell in column)),
        clocks=clocks,
    )


class _Rows:
    """The first lines parted by one delimiter: which of them are rows of numbers, and how well it fits."""

    def __init__(self, lines: Sequence[str], delimiter: str) -> None:
        self.delimiter = delimiter
        self.rows = [[cell.strip() for cell in parted(line, delimiter)] for line in lines]
        self.data = [_is_data(row) for row in self.rows]
        widths = Counter(len(row) for row, data in zip(self.rows, self.data, strict=True) if data)
        self.width = max(widths, key=lambda w: (widths[w], w), default=0)
        whole = [row for row, data in zip(self.rows, self.data, strict=True) if data and len(row) == self.width]
        there = sum(1 for row in whole for cell in row if cell)
        share = sum(1 for row in whole for cell in row if cell and _is_value(cell)) / there if there else 0.0
        several = max((len(row) for row in self.rows), default=0)
        self.score = (self.width > 1, round(share, 1), len(whole), self.width, several)

    @property
    def first(self) -> int | None:
        """The first row of numbers: as wide as most, and the next is one too."""
        there = [k for k, row in enumerate(self.rows) if any(row)]
        for k, after in itertools.pairwise([*there, -1]):
            if self.data[k] and len(self.rows[k]) == self.width and (after < 0 or self.data[after]):
                return k
        return next((k for k in there if self.data[k] and len(self.rows[k]) == self.width), None)

    def heads(self, first: int) -> tuple[list[list[str]], list[int]]:
        """Return the rows of names and units over the first row of numbers, from above, and their places."""
        found: list[int] = []
        for k in range(first - 1, -1, -1):
            row = self.rows[k]
            if not any(row):
                if found:
                    break
                continue
            there = sum(map(bool, row))
            if self.data[k] or len(row) < self.width - 1 or there < max(0.5 * self.width, min(2, self.width)) or len(found) == HEADER_ROWS:
                break
            found.insert(0, k)
        return [[_MARK.sub("", cell) if not j else cell for j, cell in enumerate(self.rows[k])] for k in found], found


def parted(line: str, delimiter: str) -> list[str]:
    """Return the cells of a line; a delimiter inside quotes parts nothing, unless the line is no proper one: then quotes mean nothing in it.

    >>> parted('1,"a,b",5" pipe', ","), len(parted('1,"' + "x" * 200000 + '"', ","))
    (['1', 'a,b', '5" pipe'], 2)
    """
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        return line.replace('"', "").split(delimiter)


def _is_value(cell: str) -> bool:
    return plain_number(cell) or is_time_of_day(cell) or cell.lower() in _STATES or _DATE.match(cell) is not None


def _is_data(row: Sequence[str]) -> bool:
    there = [cell for cell in row if cell]
    values = sum(map(_is_value, there))
    return values > 0.5 * len(there) and any(plain_number(cell) or is_time_of_day(cell) for cell in there)


def _names_and_units(heads: list[list[str]]) -> tuple[list[str], list[str]]:
    """Return names and units of up to three header rows: of several rows of names the one that names most channels, or all of them joined."""
    rows = list(heads)
    units: list[str] = []
    if len(rows) > 1:
        found = next((row for row in reversed(rows) if is_unit_row(row)), None)
        # Names may be as short as units: a row that names more channels than what stands over it holds the names.
        if found is not None and max(_recognised(row) for row in rows if row is not found) >= _recognised(found):
            rows.remove(found)
            units = [cell.strip("[](){}") for cell in found]
    ways = list(reversed(rows))
    if len(rows) > 1:
        width = max(map(len, rows))
        ways.append([" ".join(row[k] for row in rows if k < len(row) and row[k]) for k in range(width)])
    return max(ways, key=lambda names: _recognised(names)), units


def _recognised(names: Sequence[str]) -> int:
    words = [words_in(split_name(name)[0]) for name in names]
    return sum(any(named(channel, w) for w in words) for channel in CHANNELS)


def _numbered(names: Sequence[str]) -> list[str]:
    """Return the names with a number behind those that come again.

    >>> _numbered(["t", "n", "n"])
    ['t', 'n', 'n #2']
    """
    out: list[str] = []
    taken = set(names)
    seen: Counter[str] = Counter()
    for name in names:
        seen[name] += 1
        unique = name
        while seen[name] > 1 and unique in taken:
            unique = f"{name} #{seen[name]}"
            seen[name] += unique in taken
        taken.add(unique)
        out.append(unique)
    return out

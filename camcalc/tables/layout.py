"""A table's text, cell by cell: how it was written is kept, so that writing it again changes only what has changed."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import NamedTuple

from ..errors import InputError, InputErrors

__all__ = ["Layout", "decimals_of", "number_of", "split_text", "with_decimals"]

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d{1,2})?$")
_LINE_END = re.compile(r"(\r\n|\n|\r)")
MARK = "\ufeff"
# Tells any two floats from 0.1 up apart.
MOST_DECIMALS = 17


class Layout(NamedTuple):
    """The raw text of every cell, and what stands between and around them."""

    cells: tuple[tuple[str, ...], ...]
    separator: str
    endings: tuple[str, ...]
    tail: str
    byte_order_mark: bool
    decimal_comma: bool

    def text(self, spark: list[list[float]]) -> str:
        """Return the whole text with these numbers in its cells; a cell that holds its number already keeps its own text."""
        lines = [self.cells[0]]
        for raw, numbers in zip(self.cells[1:], spark, strict=True):
            lines.append((raw[0], *(self._cell(cell, number) for cell, number in zip(raw[1:], numbers, strict=True))))
        body = "".join(self.separator.join(line) + ending for line, ending in zip(lines, self.endings, strict=True))
        return (MARK if self.byte_order_mark else "") + body + self.tail

    def _cell(self, raw: str, number: float) -> str:
        bare = bare_text(raw)
        if number_of(bare) == number:
            return raw
        new = with_decimals(number, decimals_of(bare))
        return raw.replace(bare, new.replace(".", ",") if self.decimal_comma else new, 1)


def bare_text(raw: str) -> str:
    """Return a cell's text without blanks and quotation marks around it."""
    return raw.strip().strip('"').strip()


def number_of(text: str) -> float:
    """Return the number a cell's bare text holds; ``ValueError`` if it holds none.

    >>> number_of("12,5")
    12.5
    """
    if not _NUMBER.match(text):
        raise ValueError(text)
    return float(text.replace(",", "."))


def decimals_of(text: str) -> int:
    """Return how many decimals a number is written with.

    >>> decimals_of("12,50")
    2
    """
    return max(-int(Decimal(text.replace(",", ".")).as_tuple().exponent), 0)


def with_decimals(number: float, decimals: int) -> str:
    """Write a number with so many decimals, or more where it needs more.

    >>> with_decimals(12.0, 1), with_decimals(12.25, 1)
    ('12.0', '12.25')
    """
    number = number + 0.0  # no minus zero
    for places in range(decimals, MOST_DECIMALS):
        text = f"{number:.{places}f}"
        if float(text) == number:
            return text
    return f"{number:.{MOST_DECIMALS}f}"


def split_text(text: str) -> Layout:
    """Return a table's text cell by cell.

    Raises
    ------
    InputError
        If it is no rectangle of at least two rows and two columns under its axes.
    """
    marked = text.startswith(MARK)
    pieces = _LINE_END.split(text.removeprefix(MARK))
    lines, endings = pieces[::2], [*pieces[1::2], ""]
    count = len(lines)
    while count and not lines[count - 1].strip():
        count -= 1
    if not count:
        raise InputError("the table", came="an empty file", expected="load along the first row, speed down the first column, both named in the corner cell")
    tail = "".join(line + ending for line, ending in zip(lines[count:], endings[count:], strict=True))
    separator = next((mark for mark in ("\t", ";", ",") if mark in _outside_quotes(lines[0])), ",")
    between = re.compile(f'{separator}(?=(?:[^"]*"[^"]*")*[^"]*$)')
    cells = tuple(tuple(between.split(line)) for line in lines[:count])
    _check_rectangle(cells)
    return Layout(cells, separator, tuple(endings[:count]), tail, marked, _check_decimal_marks(cells, separator))


def _outside_quotes(line: str) -> str:
    return re.sub(r'"[^"]*"', "", line)


def _check_rectangle(cells: tuple[tuple[str, ...], ...]) -> None:
    width = len(cells[0])
    for number, row in enumerate(cells, start=1):
        if len(row) != width:
            came = "an empty row" if not "".join(row).strip() else f"{len(row)} cells"
            raise InputError(
                f"row {number}", came=came, expected=f"{width} cells, as in the first row", fix="take out what is too much, or fill in what is missing"
            )
    if len(cells) < 3 or width < 3:
        raise InputError(
            "the table",
            came=f"{len(cells) - 1} x {width - 1} cells",
            expected="at least two speeds and two loads",
            fix="separate cells by a comma, a semicolon or a tab",
        )


def _check_decimal_marks(cells: tuple[tuple[str, ...], ...], separator: str) -> bool:
    """Raise unless every cell but the corner is a number, all with one decimal mark; return whether that is a comma."""
    marks = "." if separator == "," else ".,"
    problems: list[InputError] = []
    used: dict[str, str] = {}
    for r, row in enumerate(cells):
        for c, raw in enumerate(row):
            if r == c == 0:
                continue
            bare = bare_text(raw)
            if not _NUMBER.match(bare) or ("," in bare and separator == ","):
                came = f'"{bare}"' if bare else "a blank cell"
                fix = "every cell needs its number, without a unit"
                if not bare:
                    fix += "; blank in a starting table of camcalc's means: keep out of this cell, no spark serves there"
                problems.append(InputError(f"row {r + 1}, column {c + 1}", came=came, expected="a plain number", fix=fix))
            for mark in marks:
                if mark in bare:
                    used.setdefault(mark, f'"{bare}" in row {r + 1}, column {c + 1}')
    if problems:
        raise problems[0] if len(problems) == 1 else InputErrors(problems)
    if len(used) > 1:
        raise InputError("decimal mark", came=" and ".join(used.values()), expected="one decimal mark throughout", fix="take out marks between thousands")
    return "," in used

"""Marks of figures that are no plain answer: an end of a search, a cap, a spark that knocks. Each travels with its figure into every output."""

from __future__ import annotations

import enum
import math
from collections.abc import Callable
from typing import Any

__all__ = ["Mark", "Marks", "ends_of_search", "mark_codes", "mark_of_path", "marked", "marks_by", "marks_in", "marks_where", "merged_marks"]


class Mark(enum.StrEnum):
    """A mark, and what it means in one line; ``code`` names it in data."""

    BLANK = "blank = not computed, not permission"
    UNCURED = "(37) = spark alone cannot fix this cell; do not enter it"
    UNCURED_OR_MORE = "(60 or more) = spark alone cannot fix this cell, and the search for spark ended there; do not enter it"
    KNOCKS = "24 knocks = camcalc computes knock at this spark; do not enter it"
    PAST_LIMIT = "8 past limit = the burn is later or the exhaust hotter than the sheet allows; do not enter it"
    CAP = "36 (cap) = a limit that was set, not a computed figure"
    OR_MORE = "60 or more = the search ended there; the figure may be higher"
    OR_LESS = "350 or less = the search ended there; the figure may be lower"
    NONE_FOUND = "none = not found between the ends of the search"
    DIRECTION = "~24 = more residual than any flame was measured with: direction, not degrees"
    AVOID = "no = knock leaves no usable spark; do not run there: change fuel or compression"

    @property
    def code(self) -> str:
        """How data names it, e.g. ``"or_more"``."""
        return self.name.lower()


# A mark for one figure, or for an array of them, by rows.
Marks = Mark | None | tuple[Any, ...]
# How each is written on a figure.
WRITTEN = {
    Mark.UNCURED: "({})", Mark.UNCURED_OR_MORE: "({} or more)", Mark.KNOCKS: "{} knocks", Mark.PAST_LIMIT: "{} past limit", Mark.CAP: "{} (cap)",
    Mark.OR_MORE: "{} or more", Mark.OR_LESS: "{} or less", Mark.NONE_FOUND: "none", Mark.AVOID: "no", Mark.DIRECTION: "~{}",
}  # fmt: skip
# Written where there is no figure, too.
BY_THEMSELVES = (Mark.NONE_FOUND, Mark.AVOID)


def marked(text: str, mark: Mark | None) -> str:
    """Return a figure's text with its mark; a blank stays blank unless the mark says why there is none.

    >>> marked("60", Mark.OR_MORE), marked("37", Mark.UNCURED), marked("", Mark.OR_MORE), marked("24", None), marked("", Mark.NONE_FOUND)
    ('60 or more', '(37)', '', '24', 'none')
    >>> all(mark in WRITTEN for mark in Mark if mark is not Mark.BLANK)  # every mark can be written
    True
    """
    if mark is None or mark is Mark.BLANK or (not text and mark not in BY_THEMSELVES):
        return text
    return WRITTEN[mark].format(text)


def marks_by(values: Any, rule: Callable[[float], Mark | None]) -> Marks:
    """Return the mark that a rule gives each figure of a float or array; a figure that is not there gets none."""
    if hasattr(values, "tolist"):
        values = values.tolist()
    if isinstance(values, list):
        return tuple(marks_by(value, rule) for value in values)
    return None if math.isnan(values) else rule(values)


def marks_where(where: Any, mark: Mark) -> Marks:
    """Return a mark where a truth, or an array of them, holds.

    >>> marks_where(False, Mark.CAP) is None
    True
    """
    if hasattr(where, "tolist"):
        where = where.tolist()
    if isinstance(where, list | tuple):
        return tuple(marks_where(one, mark) for one in where)
    return mark if where else None


def ends_of_search(values: Any, *, least: float = -math.inf, most: float = math.inf) -> Marks:
    """Return marks on the figures that are an end of the search that found them.

    >>> ends_of_search(60.0, most=60.0) is Mark.OR_MORE, ends_of_search(59.9, most=60.0) is None, ends_of_search(math.nan, most=60.0) is None
    (True, True, True)
    """
    # What is clipped to an end equals it; units turned there and back may cost the last digits.
    close = 1e-9

    def rule(value: float) -> Mark | None:
        if value >= most - close * abs(most):
            return Mark.OR_MORE
        return Mark.OR_LESS if value <= least + close * abs(least) else None

    return marks_by(values, rule)


def merged_marks(first: Marks, second: Marks) -> Marks:
    """Return two sets of marks on the same figures as one; where both have one the first counts.

    >>> merged_marks((None, Mark.UNCURED), (Mark.OR_MORE, Mark.OR_MORE)) == (Mark.OR_MORE, Mark.UNCURED)
    True
    """
    if isinstance(first, tuple) and isinstance(second, tuple):
        return tuple(merged_marks(a, b) for a, b in zip(first, second, strict=True))
    return second if first is None else first


def mark_codes(marks: Marks) -> Any:
    """Return marks for JSON: codes, ``None`` on figures without one.

    >>> mark_codes((Mark.CAP, None))
    ['cap', None]
    """
    return [mark_codes(one) for one in marks] if isinstance(marks, tuple) else None if marks is None else marks.code


def mark_of_path(codes: Any, indices: list[int]) -> Mark | None:
    """Return the mark of one figure from the codes of JSON data, by its indices; those of a whole series serve each of its figures.

    >>> mark_of_path([None, "or_more"], [1]) is Mark.OR_MORE, mark_of_path("cap", [3]) is Mark.CAP, mark_of_path(None, []) is None
    (True, True, True)
    """
    for index in indices:
        codes = codes[index] if isinstance(codes, list | tuple) else codes
    return Mark[codes.upper()] if isinstance(codes, str) else None


def marks_in(*marks: Marks) -> tuple[Mark, ...]:
    """Return which marks occur, each once, for a legend under a table.

    >>> marks_in((None, (Mark.CAP, Mark.CAP)), Mark.OR_MORE) == (Mark.CAP, Mark.OR_MORE)
    True
    """
    found: set[Mark] = set()

    def look(one: Marks) -> None:
        if isinstance(one, tuple):
            for inner in one:
                look(inner)
        elif one is not None:
            found.add(one)

    look(marks)
    return tuple(mark for mark in Mark if mark in found)

"""Figures in sentences: engine speeds, ordinals, counts, lists, small tables of text."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from ..marks import Mark, marked

__all__ = ["aligned", "counted", "listed", "ordinal", "speed_text"]

# Engine speeds that a search finds are written to this [rpm]: the searches end within a few of them.
SPEED_STEP = 10.0


def speed_text(speed: float, *, mark: Mark | None = None) -> str:
    """Write an engine speed [rev/s] that a search found, to ten rpm.

    >>> speed_text(1131.25 / 60.0), speed_text(350.0 / 60.0, mark=Mark.OR_LESS)
    ('1130 rpm', '350 rpm or less')
    """
    if not math.isfinite(speed):
        return "none"
    return marked(f"{SPEED_STEP * round(60.0 * speed / SPEED_STEP):.0f} rpm", mark)


def ordinal(number: int) -> str:
    """Write which one of a row.

    >>> [ordinal(n) for n in (1, 2, 3, 4)]
    ['1st', '2nd', '3rd', '4th']
    """
    return f"{number}{({1: 'st', 2: 'nd', 3: 'rd'}).get(number, 'th')}"


def counted(number: int, what: str) -> str:
    """Write how many, with the plural.

    >>> counted(1, "note"), counted(52, "figure")
    ('1 note', '52 figures')
    """
    return f"{number} {what}{'' if number == 1 else 's'}"


def listed(texts: Iterable[str]) -> str:
    """Write a list with its last "and".

    >>> listed(["a", "b", "c"]), listed(["a"]), listed(["a", "b"])
    ('a, b and c', 'a', 'a and b')
    """
    *first, last = texts
    return f"{', '.join(first)} and {last}" if first else last


def aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Return rows of text as the lines of a table: first column to the left, the others to the right.

    >>> aligned([["gear", "1st", "2nd"], ["rpm", "1600", "900"]])
    ['  gear   1st  2nd', '  rpm   1600  900']
    """
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    first, *others = widths
    lines = [f"  {row[0]:<{first}}  " + "  ".join(f"{cell:>{width}}" for cell, width in zip(row[1:], others, strict=True)) for row in rows]
    return [line.rstrip() for line in lines]

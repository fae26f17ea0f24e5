"""Ordinals, and small tables of text."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["aligned", "ordinal"]

# Columns of a narrow terminal.
NARROW = 80


def ordinal(number: int) -> str:
    """Write which one of a row.

    >>> [ordinal(n) for n in (1, 2, 3, 4)]
    ['1st', '2nd', '3rd', '4th']
    """
    return f"{number}{({1: 'st', 2: 'nd', 3: 'rd'}).get(number, 'th')}"


def aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Return rows of text as the lines of a table: first column to the left, the others to the right; narrowly spaced where it would else not fit.

    >>> aligned([["gear", "1st", "2nd"], ["rpm", "1600", "900"]])
    ['  gear   1st  2nd', '  rpm   1600  900']
    """
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    first, *others = widths
    gap = "  " if 2 + sum(widths) + 2 * len(others) <= NARROW else " "
    lines = [f"  {row[0]:<{first}}{gap}" + gap.join(f"{cell:>{width}}" for cell, width in zip(row[1:], others, strict=True)) for row in rows]
    return [line.rstrip() for line in lines]

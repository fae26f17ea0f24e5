"""What terminal pages share: the console, a table in the house style, a number or a blank."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from rich import box
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from ..marks import Mark, Marks, marked, marks_in

__all__ = ["blank", "console", "print_cautions", "show", "table"]

NARROWEST = 100


def console() -> Console:
    """Return the terminal; what goes to a file or pipe is given room for a whole table."""
    made = Console()
    return made if made.is_terminal else Console(width=max(made.width, NARROWEST))


def table(title: str, columns: Iterable[str], left: int = 1) -> Table:
    """Return an empty table in the house style; the first ``left`` columns are text. Without a name for any column it has no head."""
    heads = list(columns)
    look: dict[str, Any] = {"box": box.SIMPLE_HEAD, "pad_edge": False, "padding": (0, 1), "collapse_padding": True}
    made = Table(title=escape(title), title_justify="left", title_style="bold", show_header=any(heads), **look)
    for k, name in enumerate(heads):
        made.add_column(name, justify="left" if k < left else "right")
    return made


def blank(value: float, digits: int = 0, mark: Mark | None = None) -> str:
    """Return a number as text with its mark, nothing where there is none.

    >>> blank(60.0, mark=Mark.OR_MORE), blank(math.nan)
    ('60 or more', '')
    """
    return marked(f"{value:.{digits}f}" if math.isfinite(value) else "", mark)


def print_cautions(cautions: Iterable[str], console: Console) -> None:
    """Print cautions, a line each, to stand before the figures that they are about."""
    for caution in cautions:
        console.print(f"! {caution}", highlight=False, markup=False)


def show(made: Table, console: Console, *marks: Marks) -> None:
    """Print a table, and below it what its marks mean, and what a blank cell does where there is one."""
    console.print(made)
    blanks = any(column.justify == "right" and not str(cell).strip() for column in made.columns for cell in column.cells)
    for mark in marks_in(Mark.BLANK if blanks else None, *marks):
        console.print(f"  {mark}", highlight=False, markup=False)

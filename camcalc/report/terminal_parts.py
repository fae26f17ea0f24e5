"""What terminal pages share: the console, a table in the house style, a number or a blank."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable
from typing import Any

from rich import box
from rich.console import Console, ConsoleOptions, RenderableType
from rich.markup import escape
from rich.segment import Segment
from rich.table import Table
from rich.text import Text

from ..marks import Mark, Marks, marked, marks_in
from ..plain_text import visible

__all__ = ["blank", "console", "print_cautions", "print_table", "show", "table"]

NARROWEST = 100
# Characters between two columns.
GAP = 2


class ShownConsole(Console):
    """A console that shows control characters of the text it is given as escapes; its own, which set colours, stay."""

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Return the pieces of what is printed, all text in them visible."""
        for segment in super().render(renderable, options):
            yield segment if segment.control else Segment(visible(segment.text), segment.style)


def console() -> Console:
    """Return the terminal; what goes to a file or pipe is given room for a whole table."""
    # The command line guards its output; a console's own control characters go past that guard.
    out = getattr(sys.stdout, "raw_text", None)
    made = ShownConsole(file=out)
    return made if made.is_terminal else ShownConsole(file=out, width=max(made.width, NARROWEST))


class PlainTable(Table):
    """A table whose cells are text: a name is shown as it is, whatever stands in brackets in it."""

    def add_row(self, *cells: Any, **look: Any) -> None:
        """Add a row of texts."""
        super().add_row(*(Text(visible(cell)) if isinstance(cell, str) else cell for cell in cells), **look)


def table(title: str, columns: Iterable[str], left: int = 1) -> Table:
    """Return an empty table in the house style; the first ``left`` columns are text. Without a name for any column it has no head."""
    heads = list(columns)
    look: dict[str, Any] = {"box": box.SIMPLE_HEAD, "pad_edge": False, "padding": (0, 1), "collapse_padding": True}
    made = PlainTable(title=escape(visible(title)), title_justify="left", title_style="bold", show_header=any(heads), **look)
    for k, name in enumerate(heads):
        # What is wider than the whole screen goes on in the next line: no figure loses its end.
        made.add_column(Text(visible(name)), justify="left" if k < left else "right", overflow="fold")
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
    print_table(made, console)
    blanks = any(column.justify == "right" and not str(cell).strip() for column in made.columns for cell in column.cells)
    for mark in marks_in(Mark.BLANK if blanks else None, *marks):
        console.print(f"  {mark}", highlight=False, markup=False)


def print_table(made: Table, console: Console) -> None:
    """Print a table, in several parts one below the other where its longest words do not fit the width; each part begins with the first column."""
    columns = made.columns
    least = [max((len(word) for text in (column.header, *column.cells) for word in str(text).split()), default=0) for column in columns]
    parts = _parts([width + GAP for width in least[1:]], console.width - least[0] - GAP) if columns else []
    if len(parts) == 1:
        whole = [max((len(str(text)) for text in (column.header, *column.cells)), default=0) for column in columns]
        room = console.width - GAP * len(least)
        if sum(whole) > room >= sum(least):
            # No word breaks; what is left over goes where lines would be longest.
            wants = [own - word for own, word in zip(whole, least, strict=True)]
            for column, word, want in zip(columns, least, wants, strict=True):
                column.width = word + want * (room - sum(least)) // sum(wants)
        console.print(made)
        return
    for start, end in parts:
        shown = [0, *range(start + 1, end + 1)]
        part = table("", [""] * len(shown))
        part.title, part.show_header = made.title if start == 0 else None, made.show_header
        for own, k in zip(part.columns, shown, strict=True):
            own.header, own.justify, own.style, own.min_width = columns[k].header, columns[k].justify, columns[k].style, least[k]
        for row in zip(*(columns[k].cells for k in shown), strict=True):
            part.add_row(*row)
        console.print(part)


def _parts(widths: list[int], room: int) -> list[tuple[int, int]]:
    """Return first and last column, exclusive, of each part of a table that fits the room.

    >>> _parts([5, 5, 5], 11), _parts([5, 5, 5], 20)
    ([(0, 2), (2, 3)], [(0, 3)])
    """
    parts, start, used = [], 0, 0
    for k, width in enumerate(widths):
        if used + width > room and k > start:
            parts.append((start, k))
            start, used = k, 0
        used += width
    return [*parts, (start, len(widths))]

"""Blocks of a section on a terminal."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

from .blocks import AtLoad, Block, Cautions, Column, Figure, Fold, Grid, Heading, Lines, Records, Series, Texts
from .data_figures import Figures, words
from .terminal_parts import print_cautions, print_table, table

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["print_blocks"]

# A series with more figures than this is thinned out, evenly; the file has all.
MOST_ACROSS = 13


def print_blocks(blocks: Iterable[Block], figures: Figures, console: Console) -> None:
    """Print blocks one under the other; plots are left out."""
    for block in blocks:
        print_block(block, figures, console)


def print_block(block: Block, figures: Figures, console: Console) -> None:
    """Print one block."""
    match block:
        case Cautions():
            print_cautions(block.lines, console)
        case Lines():
            _lines(block.lines, console, "  - " if block.listed else "  ")
        case Heading():
            console.print(block.text, style="bold", highlight=False, markup=False)
        case Records():
            _records(block, figures, console)
        case Series():
            _series(block, figures, console)
        case Grid():
            _grid(block, figures, console)
        case AtLoad():
            _at_load(block, figures, console)
        case Texts():
            _texts(block, console)
        case Fold():
            console.print(block.title, style="bold", highlight=False, markup=False)
            print_blocks(block.blocks, figures, console)
        case Figure():
            pass


def _lines(lines: Iterable[str], console: Console, indent: str) -> None:
    for line in lines:
        if line:
            console.print(f"{indent}{line}", highlight=False, markup=False)


class Cells(NamedTuple):
    """A table as texts: heads, rows, and which columns hold words; the first column is repeated where a table needs more than one part."""

    caption: str
    heads: list[str]
    rows: list[list[str]]
    words: tuple[int, ...] = ()


def _show(cells: Cells, legend: Iterable[str], console: Console) -> None:
    """Print a table, and below it what its marks mean."""
    made = table(cells.caption, cells.heads, left=0)
    for k, column in enumerate(made.columns):
        column.justify = "left" if k in cells.words else "right"
    for row in cells.rows:
        made.add_row(*row)
    print_table(made, console)
    _lines(legend, console, "  ")


def _records(block: Records, figures: Figures, console: Console) -> None:
    columns = [column for column in block.columns if column.screen]
    heads = [_head(column, figures, block.paths[0]) for column in columns]
    rows = [[_cell(column, figures, path, row) for column in columns] for row, path in enumerate(block.paths)]
    words_in = tuple(k for k, column in enumerate(columns) if column.words)
    _show(Cells(block.caption, heads, rows, words_in), figures.legend(*legend_paths(block, columns)), console)


def legend_paths(block: Records, columns: Iterable[Column]) -> list[str]:
    """Return where the figures of some columns are, for a legend of their marks; edges of bands have marks of their own."""
    return [f"{path}/{column.field}" for path in block.paths for column in columns if column.field and not column.words]


def _head(column: Column, figures: Figures, path: str) -> str:
    head = column.short or column.head
    if column.words or column.length:
        return head
    unit = figures.unit(f"{path}/{column.field}" if column.field else path)
    text = "" if unit in ("crank_deg", "cam_deg") else words(unit)
    return f"{head}\n{text}" if text else head


def _cell(column: Column, figures: Figures, path: str, row: int) -> str:
    whole = f"{path}/{column.field}" if column.field else path
    if column.texts:
        return column.texts[row]
    if column.words:
        return figures.meaning(whole, column.names)
    if column.length:
        return figures.length(whole).replace(" (", "\n(")
    return figures.marked_number(whole, column.digits, edge=column.edge, infinite=column.infinite)


def _series(block: Series, figures: Figures, console: Console) -> None:
    size = figures.size(block.over.path)
    shown = range(0, size, -(-size // MOST_ACROSS))
    over = [figures.marked_number(f"{block.over.path}/{k}", block.over.digits) for k in shown]
    heads = [_row_head(block.over.head, block.over.path, figures), *over]
    rows = [[_row_head(row.head, row.path, figures), *(figures.marked_number(f"{row.path}/{k}", row.digits) for k in shown)] for row in block.rows]
    _show(Cells(block.caption, heads, rows, (0,)), figures.legend(block.over.path, *(row.path for row in block.rows)), console)


def _row_head(head: str, path: str, figures: Figures) -> str:
    unit = figures.unit(path)
    text = "" if unit in ("crank_deg", "cam_deg") else words(unit)
    return f"{head}, {text}" if text else head


def _grid(block: Grid, figures: Figures, console: Console) -> None:
    columns = block.columns or range(figures.size(f"{block.part}/speed"))
    rows = reversed(block.rows or range(figures.size(f"{block.part}/manifold_pressure")))
    path = f"{block.part}/{block.name}"
    heads = ["kPa \\ rpm", *(figures.number(f"{block.part}/speed/{j}", 0) for j in columns)]
    cells = [
        [figures.number(f"{block.part}/manifold_pressure/{k}", 0), *(figures.marked_number(f"{path}/{k}/{j}", block.digits) for j in columns)] for k in rows
    ]
    _show(Cells(block.caption, heads, cells), figures.legend(path), console)


def _at_load(block: AtLoad, figures: Figures, console: Console) -> None:
    heads = [_row_head(row.head, f"{block.part}/{row.path}", figures).replace(", ", "\n") for row in block.columns]
    rows = []
    for k, text in enumerate(block.words[1]):
        cells = [figures.marked_number(f"{block.part}/{row.path}/{block.row}/{k}", row.digits) for row in block.columns]
        rows.append([figures.number(f"{block.part}/speed/{k}", 0), *cells, text])
    legend = figures.legend(*(f"{block.part}/{row.path}/{block.row}" for row in block.columns))
    _show(Cells(block.caption, ["rpm", *heads, block.words[0]], rows, (len(heads) + 1,)), legend, console)


def _texts(block: Texts, console: Console) -> None:
    console.print(f"{block.caption}", style="bold", highlight=False, markup=False)
    for first, second, *others in block.rows:
        said = [text for text in others if text]
        why = f" ({said[0]})" if said else ""
        moves = f". Moves: {said[1]}." if len(said) > 1 else ""
        console.print(f"  {first} = {second}{why}{moves}", highlight=False, markup=False)

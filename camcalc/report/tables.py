"""The brief's tables as CSV files, each with a text file beside it that holds its cautions and says what its blanks and marks mean."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..brief_files import as_saved
from ..cautions import BESIDE_SPARK_TABLE, Caution, text_beside
from ..files import write_folder
from ..marks import Mark, marked
from ..plain_text import in_cell
from ..tables.axes import axis_of, corner_of
from ..tables.proposed import table_to_type
from .blocks import Column, Grid, Records, Row, Series
from .data_figures import Figures, find, walked
from .sections import all_blocks

if TYPE_CHECKING:
    from ..brief import Brief

__all__ = ["SPARK_GRIDS", "TABLE_NAMES", "brief_tables", "write_tables"]

# Every table that may be written: those of sparks, whose marked cells go into a second file, and the others.
SPARK_GRIDS = ("ceiling", "ceiling_low", "ceiling_high", "least_limit", "misfire", "misfire_low", "best_spark", "knock", "floor")
MARKED = (*SPARK_GRIDS, "starting_table")
NAMES = (
    *MARKED, "burned_fraction", "imep_variation", "missed_cycles", "air_charge", "relative_charge", "fuel_factors", "trade_off", "idle", "idle_sparks",
    "reversion", "usable_gears", "end_of_injection", "end_of_injection_controller",
)  # fmt: skip
TABLE_NAMES = (*(f"{name}.{kind}" for name in NAMES for kind in ("csv", "txt")), *(f"{name}_marks.csv" for name in MARKED))
# Over the marks of a grid in its text file.
SECOND_FILE = "A marked cell is blank in {0}.csv. {0}_marks.csv holds it with its mark."
SECOND_COLUMN = "A column named after another one and ending in mark says what that figure is, where it is no plain answer."


def brief_tables(brief: Brief) -> dict[str, str]:
    """Return every table of the brief as CSV text by file name, and the text that goes beside each; in the fixed units of the data."""
    brief = as_saved(brief)
    figures = Figures(brief.to_dict())
    tables: dict[str, str] = {}
    records: dict[str, list[Records]] = {}
    for block in all_blocks(brief):
        if isinstance(block, Records) and block.file:
            records.setdefault(block.file, []).append(block)
        elif isinstance(block, Series) and block.file:
            tables |= _series_files(block, figures)
        elif isinstance(block, Grid) and block.file:
            tables |= _spark_files(block, figures) if block.spark else _grid_files(block, figures)
    for blocks in records.values():
        tables |= _record_files(blocks, figures)
    if brief.starting_table is not None:
        tables["starting_table.csv"] = table_to_type(brief.starting_table)
    if brief.trade_off is not None:
        tables["trade_off.txt"] += "" if brief.trade_off.knock_known else "no spark here is checked for knock: the model computes none\n"
    return tables


def write_tables(brief: Brief, folder: Path, *, replace: bool = False) -> list[Path]:
    """Write every table into a folder, all or none; what is there of an earlier brief's tables goes where it may be replaced."""
    made = brief_tables(brief)
    written = write_folder(folder, made, replace=replace)
    for name in TABLE_NAMES:
        if replace and name not in made:
            (folder / name).unlink(missing_ok=True)
    return written


def _grid_files(block: Grid, figures: Figures) -> dict[str, str]:
    """Return a grid, rows manifold pressures, columns speeds."""
    path = f"{block.part}/{block.name}"
    made = _grid(block, figures, _corner(block, figures), lambda k, j: figures.number(f"{path}/{k}/{j}", 3))
    return {f"{block.file}.csv": made, f"{block.file}.txt": text_beside(f"{block.file}.csv", ())}


def _spark_files(block: Grid, figures: Figures) -> dict[str, str]:
    """Return a grid of sparks: plain answers in one file, what is marked in a second one, cautions and meanings in a text file."""
    path = f"{block.part}/{block.name}"

    def plain(k: int, j: int) -> str:
        return "" if find(figures.data, f"{path}/{k}/{j}").mark else figures.number(f"{path}/{k}/{j}", 3)

    def mark(k: int, j: int) -> str:
        found = find(figures.data, f"{path}/{k}/{j}").mark
        return "" if found is None else in_file(figures.number(f"{path}/{k}/{j}", 0), found)

    corner = corner_of(axis_of("speed"), axis_of("manifold pressure")) if block.typed else _corner(block, figures)
    used = [line for line in figures.legend(path) if line != Mark.BLANK]
    files = {f"{block.file}.csv": _grid(block, figures, corner, plain)}
    if used:
        files[f"{block.file}_marks.csv"] = _grid(block, figures, corner, mark)
    beside = text_beside(f"{block.file}.csv", BESIDE_SPARK_TABLE, (Mark.BLANK, *map(Mark, used)))
    return files | {f"{block.file}.txt": beside + (SECOND_FILE.format(block.file) + "\n" if used else "")}


def in_file(text: str, mark: Mark) -> str:
    """Return a marked figure as a file holds it: never alone in brackets, which a spreadsheet takes for a negative number.

    >>> in_file("37", Mark.UNCURED), in_file("60", Mark.OR_MORE)
    ('(37) not cured by spark', '60 or more')
    """
    return marked(text, mark) + (" not cured by spark" if mark in (Mark.UNCURED, Mark.UNCURED_OR_MORE) else "")


def _corner(block: Grid, figures: Figures) -> str:
    unit = walked(figures.data, f"{block.part}/{block.name}")["unit"]
    # What an angle counts from is part of its unit; the caption's last words name it.
    zero = f" {block.caption.rpartition('deg ')[2]}" if block.name in ("end_of_injection", "controller_end") else ""
    return f"manifold_pressure [kPa] \\ speed [rpm]; {block.name} [{unit}{zero}]"


def _grid(block: Grid, figures: Figures, corner: str, cell: Callable[[int, int], str]) -> str:
    """Return a grid as CSV; ``typed``: speed down and load across, as a spark table is typed."""
    loads, speeds = (walked(figures.data, f"{block.part}/{axis}")["value"] for axis in ("manifold_pressure", "speed"))
    across, down = (loads, speeds) if block.typed else (speeds, loads)
    lines = [[f"{one:g}", *(cell(j, k) if block.typed else cell(k, j) for j in range(len(across)))] for k, one in enumerate(down)]
    return _csv([[corner, *(f"{one:g}" for one in across)], *lines])


def _series_files(block: Series, figures: Figures) -> dict[str, str]:
    """Return a series as columns, a row for each of its figures, the mark of the first in the second column."""
    rows = (block.over, *block.rows)
    head = [_titled(_name(row), row.path, figures) for row in rows]
    lines = []
    for k in range(figures.size(block.over.path)):
        mark = find(figures.data, f"{block.over.path}/{k}").mark
        cells = [figures.number(f"{row.path}/{k}", 3) for row in rows]
        lines.append([cells[0], mark.code if mark else "", *cells[1:]])
    table = _csv([[head[0], f"{_name(block.over)}_mark", *head[1:]], *lines])
    beside = text_beside(f"{block.file}.csv", tuple(map(Caution, block.care)))
    notes = [SECOND_COLUMN, *_codes(figures, [block.over.path]), block.caption]
    return {f"{block.file}.csv": table, f"{block.file}.txt": beside + "\n".join(notes) + "\n"}


def _name(row: Row) -> str:
    return row.path.rpartition("/")[2]


def _titled(name: str, path: str, figures: Figures) -> str:
    return f"{name} [{find(figures.data, path).unit}]"


def _record_files(blocks: Sequence[Records], figures: Figures) -> dict[str, str]:
    """Return records as rows, beside every field that may be marked a column with its mark; records of several blocks one below the other."""
    first = blocks[0]
    paths = [path for block in blocks for path in block.paths]
    rows = [[cell for column in first.columns for cell in _cells(column, path, figures)] for path in paths]
    marked_paths = [f"{path}/{column.field}" for path in paths for column in first.columns if not column.words]
    notes = [SECOND_COLUMN, *_codes(figures, marked_paths)]
    table = _csv([[head for head, _ in rows[0]], *([text for _, text in row] for row in rows)])
    beside = text_beside(f"{first.file}.csv", tuple(map(Caution, first.care)))
    return {f"{first.file}.csv": table, f"{first.file}.txt": beside + "\n".join(notes) + "\n"}


def _cells(column: Column, path: str, figures: Figures) -> list[tuple[str, str]]:
    """Return the head and the text of a column's cell, and of its mark's."""
    whole = f"{path}/{column.field}"
    if column.words:
        return [(column.field, figures.meaning(whole, column.names))]
    node: Any = walked(figures.data, whole)
    if not isinstance(node, dict):
        return [(column.field, str(node))]
    cells = [(f"{column.field} [{node['unit']}]", figures.number(whole, 4))]
    return [*cells, (f"{column.field}_mark", node["mark"] or "")] if "mark" in node else cells


def _codes(figures: Figures, paths: Iterable[str]) -> list[str]:
    """Return what the codes of marks mean, a line each."""
    used = figures.legend(*paths)
    return [f"{mark.code}: {mark}" for mark in Mark if mark is not Mark.BLANK and str(mark) in used]


def _csv(rows: Iterable[list[str]]) -> str:
    out = io.StringIO()
    csv.writer(out).writerows([in_cell(cell) for cell in row] for row in rows)
    return out.getvalue()

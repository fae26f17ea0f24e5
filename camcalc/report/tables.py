"""The brief's tables as CSV files, each with a text file beside it that holds its cautions and says what its blanks and marks mean."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..cautions import AT_BRAKES, AT_IDLE_SPARK, AT_TRADE_OFF, BESIDE_SPARK_TABLE, Caution, text_beside
from ..marks import Mark, Marks, marked, marks_in
from ..sheet.saving import write_atomically
from ..tables.axes import axis_of, corner_of
from ..tables.proposed import table_to_type

if TYPE_CHECKING:
    from ..advice.injection import InjectionWindows
    from ..advice.spark import SparkCeilings
    from ..advice.trade_off import TradeOff
    from ..brief import Brief
    from ..results import Record

__all__ = ["TABLE_NAMES", "brief_tables", "write_tables"]

# Grids over speed and load: those of sparks, and the others.
SPARK_GRIDS = ("ceiling", "ceiling_low", "ceiling_high", "least_limit", "best_spark", "knock", "floor")
GRIDS = (*SPARK_GRIDS, "burned_fraction", "imep_variation", "air_charge", "relative_charge")
TRADE_OFF = (
    "knock_limit", "manifold_pressure", "manifold_vacuum", "imep_variation", "burned_fraction", "half_burned", "exhaust_temperature", "fuel_flow",
    "fuel_per_work", "torque_per_degree",
)  # fmt: skip
MARKED = (*SPARK_GRIDS, "starting_table")
NAMES = (*GRIDS, "starting_table", "trade_off", "idle", "reversion", "end_of_injection", "end_of_injection_controller")
# Every file that may be written.
TABLE_NAMES = (*(f"{name}.{kind}" for name in NAMES for kind in ("csv", "txt")), *(f"{name}_marks.csv" for name in MARKED))
# Over the marks of a grid in its text file.
SECOND_FILE = "A marked cell is blank in {0}.csv. {0}_marks.csv holds it with its mark."
SECOND_COLUMN = "A column named after another one and ending in mark says what that figure is, where it is no plain answer."


def brief_tables(brief: Brief) -> dict[str, str]:
    """Return every table of the brief as CSV text by file name, and the text that goes beside each."""
    tables: dict[str, str] = {}
    ceilings = brief.spark_ceilings
    for name in GRIDS if ceilings is not None else ():
        assert ceilings is not None
        tables |= _ceiling_files(ceilings, name)
    if brief.starting_table is not None:
        tables |= _grid_files("starting_table", "spark", brief.starting_table, turned=True)
        tables["starting_table.csv"] = table_to_type(brief.starting_table)
    if brief.trade_off is not None:
        tables |= _trade_off_files(brief.trade_off)
    tables |= _record_files("idle", (*brief.idle.new, *brief.idle.replaced), (*AT_IDLE_SPARK, *(AT_BRAKES if brief.idle.brakes else ())))
    tables |= _record_files("reversion", brief.reversion.new)
    windows = brief.injection
    if windows.applies:
        tables |= _end_files("end_of_injection", windows, windows.si.end_of_injection, windows.angle_reference)
        if windows.counts_otherwise:
            tables |= _end_files("end_of_injection_controller", windows, windows.si.controller_end, windows.controller_reference)
    return tables


def write_tables(brief: Brief, folder: Path) -> list[Path]:
    """Write every table into a folder; nothing half written."""
    return [write_atomically(folder / name, text) for name, text in brief_tables(brief).items()]


def _end_files(name: str, windows: InjectionWindows, ends: Any, reference: str) -> dict[str, str]:
    """Return ends of injection [crank deg] counted from a reference."""
    corner = f"manifold_pressure [kPa] \\ speed [rpm]; end_of_injection [crank_deg {reference}]"
    table = _grid(corner, windows.speed.magnitude, windows.manifold_pressure.magnitude, lambda k, j: _number(ends[k][j]))
    return {f"{name}.csv": table, f"{name}.txt": text_beside(f"{name}.csv", ())}


def _ceiling_files(ceilings: SparkCeilings, name: str) -> dict[str, str]:
    if name in SPARK_GRIDS:
        return _grid_files(name, name, ceilings)
    values, head = getattr(ceilings, name).magnitude, _corner(ceilings, name)
    table = _grid(head, ceilings.speed.magnitude, ceilings.manifold_pressure.magnitude, lambda k, j: _number(values[k][j]))
    return {f"{name}.csv": table, f"{name}.txt": text_beside(f"{name}.csv", ())}


def _grid_files(file: str, field: str, record: Record, *, turned: bool = False) -> dict[str, str]:
    """Return a grid of sparks: plain answers in one file, what is marked in a second one, cautions and meanings in a text file.

    ``turned``: speed down, load across, whole degrees, as a spark table is typed.
    """
    values = getattr(record, field).magnitude
    speeds, loads = record.speed.magnitude, record.manifold_pressure.magnitude  # type: ignore[attr-defined]

    def plain(k: int, j: int) -> str:
        return "" if record.mark(field, k, j) else _number(values[k][j], 0 if turned else 3)

    def mark(k: int, j: int) -> str:
        found = record.mark(field, k, j)
        return "" if found is None else in_file(_number(values[k][j], 0), found)

    def made(cell: Callable[[int, int], str]) -> str:
        if turned:
            return _grid(corner_of(axis_of("speed"), axis_of("manifold pressure")), loads, speeds, lambda j, k: cell(k, j))
        return _grid(_corner(record, field), speeds, loads, cell)

    used = marks_in(getattr(record, "marks", {}).get(field))
    files = {f"{file}.csv": made(plain)}
    if used:
        files[f"{file}_marks.csv"] = made(mark)
    told = text_beside(f"{file}.csv", BESIDE_SPARK_TABLE, (Mark.BLANK, *used))
    return files | {f"{file}.txt": told + (SECOND_FILE.format(file) + "\n" if used else "")}


def in_file(text: str, mark: Mark) -> str:
    """Return a marked figure as a file holds it: never alone in brackets, which a spreadsheet takes for a negative number.

    >>> in_file("37", Mark.UNCURED), in_file("60", Mark.OR_MORE)
    ('(37) not cured by spark', '60 or more')
    """
    return marked(text, mark) + (" not cured by spark" if mark in (Mark.UNCURED, Mark.UNCURED_OR_MORE) else "")


def _corner(record: Record, name: str) -> str:
    return f"manifold_pressure [kPa] \\ speed [rpm]; {name} [{type(record).measures()[name].show}]"


def _number(value: float, digits: int = 3) -> str:
    return f"{value:.{digits}f}" if math.isfinite(value) else ""


def _grid(corner: str, columns: Any, rows: Any, cell: Callable[[int, int], str]) -> str:
    """Return a grid as CSV: ``cell`` gives the text of a row and column, counted from 0."""
    lines = [[f"{row:g}", *(cell(k, j) for j in range(len(columns)))] for k, row in enumerate(rows)]
    return _csv([[corner, *(f"{c:g}" for c in columns)], *lines])


def _trade_off_files(trade: TradeOff) -> dict[str, str]:
    """Return what spark trades: a row for each spark, its mark in the second column."""
    measures = type(trade).measures()
    head = [f"spark [{measures['spark'].show}]", "spark_mark", *(f"{name} [{measures[name].show}]" for name in TRADE_OFF)]
    rows = []
    for k, spark in enumerate(trade.si.spark):
        mark = trade.mark("spark", k)
        rows.append([_number(spark), mark.code if mark else "", *(_number(getattr(trade, name).magnitude[k]) for name in TRADE_OFF)])
    told = text_beside("trade_off.csv", (*AT_TRADE_OFF, Caution.LAW))
    where = f"at {60.0 * trade.si.speed:.0f} rpm and {trade.si.torque:.0f} N m, each spark with the manifold pressure that holds the torque"
    lines = [SECOND_COLUMN, *_codes(trade.marks.get("spark")), where]
    lines += [] if trade.knock_known else ["no spark here is checked for knock: the model computes none"]
    return {"trade_off.csv": _csv([head, *rows]), "trade_off.txt": told + "\n".join(lines) + "\n"}


def _record_files(name: str, records: tuple[Record, ...], cautions: Iterable[Caution] = ()) -> dict[str, str]:
    """Return records as rows, beside every field that may be marked a column with its mark."""
    marks = [mark for record in records for mark in getattr(record, "marks", {}).values()]
    told = text_beside(f"{name}.csv", cautions) + "\n".join([SECOND_COLUMN, *_codes(*marks)]) + "\n"
    rows = [_cells(record) for record in records]
    return {f"{name}.csv": _csv([[head for head, _ in rows[0]], *([text for _, text in row] for row in rows)]), f"{name}.txt": told}


def _codes(*marks: Marks) -> list[str]:
    """Return what the codes of marks mean, a line each."""
    return [f"{mark.code}: {mark}" for mark in marks_in(*marks)]


def _cells(record: Record) -> list[tuple[str, str]]:
    """Return the head and the text of every cell of a record's row."""
    measures, cells = type(record).measures(), []
    marks = getattr(record, "marks", {})
    for name, value in record.items():
        if name == "marks":
            continue
        cells.append((f"{name} [{measures[name].show}]", _number(value.magnitude, 4)) if name in measures else (name, str(value)))
        if name in marks:
            mark = record.mark(name)
            cells.append((f"{name}_mark", mark.code if mark else ""))
    return cells


def _csv(rows: Iterable[list[str]]) -> str:
    out = io.StringIO()
    csv.writer(out).writerows(rows)
    return out.getvalue()

"""A shaped table in words: cautions above its figures, the grid, what changed and why, what is above knock, what was not computed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..cautions import OVER_SPARK_TABLE, Caution
from ..marks import Mark, marked
from .hazards import Outcome
from .table import SparkTable, grid_lines

if TYPE_CHECKING:
    from .hazards import KnockCell
    from .shaped import ShapedTable

__all__ = ["knock_headline", "knock_unknown_words", "shaped_text"]

PER_CELL_WORDS = "3 degrees per cell (common practice, no source)"


def shaped_text(shaped: ShapedTable) -> str:
    """Return everything that is known about a shaped table, cautions first."""
    table = shaped.table
    texts = table.cell_texts()
    marks = np.full(table.shape, " ")
    for change in shaped.changes:
        marks[change.row, change.column] = "*" if change.in_zone else "~"
    grid = grid_lines(table, [[f"{t}{m}" for t, m in zip(*row, strict=True)] for row in zip(texts, marks.tolist(), strict=True)])
    moves = [f"  {c.where:<24} {c.si.spark_before:>6.4g} -> {c.si.spark_after:<6.4g} {'' if c.in_zone else 'rim: '}{c.reason}" for c in shaped.changes]
    return "\n".join(
        [
            *(f"Caution: {caution}" for caution in OVER_SPARK_TABLE),
            *knock_headline(shaped),
            "",
            f"spark, crank deg before top dead centre; {table.corner}",
            f"{shaped.applies_to}",
            "",
            *grid,
            Caution.LAW,
            "",
            f"* changed in the zone: {_cells(len(shaped.changes) - len(shaped.rim))};  ~ changed outside it, the rim: {_cells(len(shaped.rim))}",
            *moves,
            *_knock_lines(shaped),
            *_rise_lines(shaped),
            *(f"steepest, {s.of}, {s.when}: {s.words()}" for s in shaped.slopes),
            *(f"no slope limit {axis.value} is known: {PER_CELL_WORDS} instead" for axis in shaped.fallbacks),
            *(f"below the late-burn floor at {b.where}: {b.si.spark:.4g}, floor {marked(f'{b.si.floor:.4g}', b.mark('floor'))}" for b in shaped.below_floor),
        ]
    )


def knock_headline(shaped: ShapedTable) -> list[str]:
    """Return what of knock belongs above the table: how many cells were above it and are, and where it was not computed."""
    if shaped.knock_known is None:
        return ["Caution: no knock limit was given; this table was not checked for knock."]
    lines = []
    before = [c for c in shaped.knock_cells if c.above_before]
    after = [c for c in shaped.knock_cells if c.above_after]
    if before:
        most = max(c.si.spark_before - c.si.knock for c in before)
        lines.append(f"Caution: your table is above camcalc's knock limit in {_cells(len(before))}, by up to {most:.1f} degrees.")
        held = [c for c in before if c.outcome is Outcome.HELD]
        if held:
            lines[-1] += f" Brought down to {shaped.si.knock_margin:g} degrees under the limit, or further: {len(held)}."
    avoided = [c for c in shaped.knock_cells if c.outcome is Outcome.AVOID]
    if avoided:
        places, least = "; ".join(_places(shaped.table, avoided)), f"{shaped.si.least_spark:g} degrees there, the least spark"
        lines.append(f"Caution: do not run at {places}: knock leaves less than {least}. Change fuel or compression.")
    left = [c for c in after if c.outcome is Outcome.LEFT]
    if left:
        lines.append(f"Caution: {_cells(len(left))} of the table below {'is' if len(left) == 1 else 'are'} above the knock limit. Knock breaks pistons.")
    return [*lines, *knock_unknown_words(shaped.table, shaped.knock_known)]


def knock_unknown_words(table: SparkTable, known: NDArray[np.bool_]) -> list[str]:
    """Return where knock was not computed, in one line."""
    if known.all():
        return []
    fast = int(np.flatnonzero(known.any(axis=1)).max(initial=-1)) + 1
    down, _ = table.axes
    parts = [f"every cell from {table.si.speed[fast] / down.scale:.6g} {down.unit} up"] if fast < table.shape[0] else []
    rest = int((~known[:fast]).sum())
    if rest:
        parts.append(f"{_cells(rest)} below, where nothing burns or the load is light" if parts else f"{_cells(rest)} where nothing burns or the load is light")
    return [f"Knock is not computed in {', and in '.join(parts)}: {Mark.BLANK.partition('= ')[2]}."]


def _knock_lines(shaped: ShapedTable) -> list[str]:
    if not shaped.knock_cells:
        return []
    head = f"above the knock limit, or less than {shaped.si.knock_margin:g} degrees below it:"
    return [head, *(_knock_line(cell) for cell in shaped.knock_cells)]


def _knock_line(cell: KnockCell) -> str:
    over = cell.si.spark_before - cell.si.knock
    far = f"{over:.1f} above" if cell.above_before else f"{-over:.1f} below"
    words = {Outcome.HELD: "", Outcome.LEFT: ", not enough", Outcome.AVOID: ", avoid"}[cell.outcome]
    limit = marked(f"{cell.si.knock:.1f}", cell.mark("knock"))
    return f"  {cell.where:<24} {cell.si.spark_before:>6.4g}, knock limit {limit}: {far}; now {cell.si.spark_after:.4g}{words}"


def _places(table: SparkTable, cells: Iterable[KnockCell]) -> list[str]:
    """Return where cells are, those side by side at one speed together: ``600 rpm, 80 to 100 kPa``."""
    _, along = table.axes
    columns: dict[int, list[int]] = {}
    for cell in sorted(cells, key=lambda cell: (cell.row, cell.column)):
        columns.setdefault(cell.row, []).append(cell.column)
    found = []
    for row, own in columns.items():
        starts = [k for k, column in enumerate(own) if k == 0 or column != own[k - 1] + 1]
        for first, end in zip(starts, [*starts[1:], len(own)], strict=True):
            low, high = own[first], own[end - 1]
            place = table.place(row, high)
            lightest = f"{table.loads[low] / along.scale:.6g} to " if low < high else ""
            speed, load = place.split(", ", 1)
            found.append(f"{speed}, {lightest}{load}")
    return found


def _rise_lines(shaped: ShapedTable) -> list[str]:
    rises: Iterable[str] = (f"  {r.where} to {r.fuller}: {r.si.spark:.4g} to {r.si.spark_fuller:.4g}" for r in shaped.rises)
    head = "spark rises with load in your table where nothing was shaped, and still does: knock comes sooner at more load"
    return [head, *rises] if shaped.rises else []


def _cells(count: int) -> str:
    return f"{count} cell{'' if count == 1 else 's'}"

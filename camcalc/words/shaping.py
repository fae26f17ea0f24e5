"""A shaped table in words: verdict, cautions above its figures, the grid, then what changed and why, knock, late burns, other limits."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..advice.idle import IDLE_REACH
from ..cautions import OVER_SPARK_TABLE, Caution
from ..drive.shaped_for_build import OtherLimits, ShapedForBuild
from ..marks import Mark, marked
from ..tables.hazards import KnockCell, Outcome
from ..tables.shaped import CellChange, Fallback, Neighbours, ShapedTable, SteepestSlopes, When
from ..tables.table import SparkTable, grid_lines
from .describing import describe
from .phrases import counted, folded
from .review import giving_back_cautions, held_back_words
from .slopes import slope_rule_words

__all__ = [
    "knock_headline", "knock_unknown_words", "shape_data", "shape_full", "shape_words", "shaped_full", "shaped_verdict", "shaped_words", "slopes_words",
]  # fmt: skip

PER_CELL_WORDS = "3 deg per cell (common practice, no source)"
AXES = {Fallback.ALONG_SPEED: "along speed", Fallback.ALONG_LOAD: "along load"}
OUTCOMES = {Outcome.HELD: "", Outcome.LEFT: ", still above", Outcome.AVOID: ", do not run there"}
OTHER = {
    OtherLimits.WITHOUT_HOLDING_KNOCK: "with --no-hold-knock, which leaves cells above the knock limit",
    OtherLimits.AT_THREE_DEGREES_PER_CELL: 'with --per-cell "3 crank_deg" (common practice, no source)',
    OtherLimits.BY_SLOPES_ALONE: "without --per-cell, by the slope limits alone",
    OtherLimits.HOLDING_FLOOR: "with --hold-floor: fewer late burns, but steeper beside cells that spark alone cannot fix",
}
# Your table is your own. The starting table of a brief is more cautious, and the difference must not surprise.
NOMINAL = (
    "Knock limits here are nominal, less a margin. The starting table of camcalc brief may be several degrees lower: it keeps to the low edge of their band."
)


@describe.register
def shaped_words(shaped: ShapedTable) -> str:
    """Return a shaped table on one screen: verdict, cautions, the grid, how many cells changed.

    Parameters
    ----------
    shaped : ShapedTable

    Returns
    -------
    str
    """
    return "\n".join([folded([*shaped_verdict(shaped), *_cautions(shaped)]), *_grid(shaped), folded(_legend(shaped))])


def shaped_full(shaped: ShapedTable) -> str:
    """Return everything about a shaped table: the short text, every cell that changed with its reasons, knock, rises, slopes, late cells."""
    return "\n".join([shaped_words(shaped), *_details(shaped)])


@describe.register
def shape_words(found: ShapedForBuild) -> str:
    """Return a table shaped for a build on one screen: ``shaped_words``, the slope limits, late burns and other limits in a line each.

    Parameters
    ----------
    found : ShapedForBuild

    Returns
    -------
    str
    """
    shaped = found.shaped
    above = folded([*shaped_verdict(shaped), *_giving(found), *_cautions(shaped)])
    return "\n".join([above, *_grid(shaped), folded([*_legend(shaped), *_short_notes(found)])])


def shape_full(found: ShapedForBuild) -> str:
    """Return everything about a table shaped for a build but the table of late burns."""
    lines = [shape_words(found), "", *_details(found.shaped)]
    lines += [slope_rule_words(found.rule)] if found.rule is not None else []
    return "\n".join(lines + _other_limits(found))


def shaped_verdict(shaped: ShapedTable) -> list[str]:
    """Return what shaping did in one line, and the next step in another."""
    down = sum(change.si.spark_after < change.si.spark_before for change in shaped.changes)
    up = len(shaped.changes) - down
    if not shaped.changes:
        return ["Shaped table: your table already meets its limits. No cell changes."]
    parts = [f"{down} of {counted(shaped.table.si.cells.size, 'cell')} lowered"] if down else []
    parts += [f"{counted(up, 'cell')} raised"] if up else []
    outside = f", {len(shaped.rim)} of them transition cells outside the low-speed zone" if shaped.rim else ""
    return [f"Shaped table: {', '.join(parts)}{outside}.", "Next: drive the shaped table on a closed course, knock logged, then camcalc review the log."]


def _cautions(shaped: ShapedTable) -> list[str]:
    return [*(f"Caution: {caution}" for caution in OVER_SPARK_TABLE), *knock_headline(shaped)]


def _grid(shaped: ShapedTable) -> list[str]:
    table = shaped.table
    marks = np.full(table.shape, " ")
    for change in shaped.changes:
        marks[change.row, change.column] = "*" if change.in_zone else "~"
    texts = [[f"{t}{m}" for t, m in zip(*row, strict=True)] for row in zip(table.cell_texts(), marks.tolist(), strict=True)]
    return [f"Shaped table, final spark, deg BTDC. {table.corner}", *grid_lines(table, texts), Caution.LAW]


def _legend(shaped: ShapedTable) -> list[str]:
    lines = [f"* changed in the low-speed zone: {len(shaped.changes) - len(shaped.rim)}. ~ transition cells: {len(shaped.rim)}."]
    zone = {slope.when: slope for slope in shaped.slopes if slope.of is Neighbours.TOUCH_THE_ZONE}
    if zone:
        lines.append(f"Steepest in the zone: {slopes_words(zone[When.AFTER])} (was {zone[When.BEFORE].si.per_cell:.3g} deg per cell).")
    lines += [f"No slope limit {AXES[axis]} is known: {PER_CELL_WORDS} instead." for axis in shaped.fallbacks]
    return lines


def _short_notes(found: ShapedForBuild) -> list[str]:
    shaped, lines = found.shaped, []
    if found.rule is not None:
        first, second, *_ = slope_rule_words(found.rule).splitlines()
        lines += [first, second]
    if found.late_burns:
        worst = found.late_burns[0]
        more = f"worst {worst.where}: {100.0 * worst.si.unburned:.0f} % of the fuel unburned (was {100.0 * worst.si.unburned_before:.0f} %)"
        lines.append(f"Later than the latest useful spark: {counted(len(found.late_burns), 'changed cell')}, {more}.")
    if shaped.rises:
        lines.append(f"Spark still rises with load in {counted(len(shaped.rises), 'place')}, as in your table. Knock comes sooner at more load.")
    if found.near_idle:
        reach = f"{60.0 * IDLE_REACH:.0f} rpm of the idle speed"
        lines.append(f"{counted(found.near_idle, 'changed cell')} within {reach}. Idle vacuum moves unless the idle has its own spark table.")
    if found.si.adders:
        lines.append(f"Ceilings and knock limits are lowered by {found.si.adders:g} deg for corrections on top of the table.")
    return [*lines, NOMINAL]


def _giving(found: ShapedForBuild) -> list[str]:
    return [] if found.giving is None else [f"Caution: {caution}" for caution in giving_back_cautions(found.giving)]


def _details(shaped: ShapedTable) -> list[str]:
    return [
        *(["Changed cells, deg BTDC:"] if shaped.changes else []),
        *(_change_line(change) for change in shaped.changes),
        *_knock_lines(shaped),
        *_rise_lines(shaped),
        *(f"Steepest, {s.of}, {s.when}: {slopes_words(s)}." for s in shaped.slopes),
        *(
            f"Later than the latest useful spark at {b.where}: {b.si.spark:.4g}, latest useful {marked(f'{b.si.floor:.4g}', b.mark('floor'))} deg BTDC."
            for b in shaped.below_floor
        ),
    ]


def _change_line(change: CellChange) -> str:
    why = ", and ".join(map(str, change.reasons))
    cell = "" if change.in_zone else "transition cell: "
    return f"  {change.where:<24} {change.si.spark_after:>6.4g} (was {change.si.spark_before:.4g})  {cell}{why}"


def slopes_words(slopes: SteepestSlopes) -> str:
    """Return the three steepest slopes of a table in one line."""
    speed = slopes.along_speed.magnitude
    return f"{slopes.si.per_cell:.3g} deg per cell, {speed:.3g} deg per 1000 rpm, {slopes.si.along_load:.3g} deg per {slopes.load_step}"


def knock_headline(shaped: ShapedTable) -> list[str]:
    """Return what of knock belongs above the table: how many cells were above the limit and are, and where it was not computed.

    Parameters
    ----------
    shaped : ShapedTable

    Returns
    -------
    list of str
    """
    if shaped.knock_known is None:
        return ["Caution: no knock limit was given. This table was not checked for knock."]
    lines = []
    before = [c for c in shaped.knock_cells if c.above_before]
    if before:
        most = max(c.si.spark_before - c.si.knock for c in before)
        lines.append(f"Caution: your table is above camcalc's knock limit in {counted(len(before), 'cell')}, by up to {most:.0f} deg.")
        held = [c for c in before if c.outcome is Outcome.HELD]
        if held:
            lines[-1] += f" Lowered to {shaped.si.knock_margin:g} deg under the limit, or further: {len(held)}."
    avoided = [c for c in shaped.knock_cells if c.outcome is Outcome.AVOID]
    if avoided:
        places, least = "; ".join(_places(shaped.table, avoided)), f"{shaped.si.least_spark:g} deg BTDC, the least spark"
        lines.append(f"Caution: do not run at {places}. Knock leaves less than {least}. Change fuel or compression.")
    left = [c for c in shaped.knock_cells if c.above_after and c.outcome is Outcome.LEFT]
    if left:
        are = "is" if len(left) == 1 else "are"
        lines.append(f"Caution: {counted(len(left), 'cell')} of the table below {are} above the knock limit. Knock breaks pistons.")
    return [*lines, *knock_unknown_words(shaped.table, shaped.knock_known)]


def knock_unknown_words(table: SparkTable, known: NDArray[np.bool_]) -> list[str]:
    """Return where knock was not computed, in one line.

    Parameters
    ----------
    table : SparkTable
    known : array of bool
        On the table's cells.
    """
    if known.all():
        return []
    fast = int(np.flatnonzero(known.any(axis=1)).max(initial=-1)) + 1
    down, _ = table.axes
    parts = [f"every cell from {table.si.speed[fast] / down.scale:.6g} {down.unit} up"] if fast < table.shape[0] else []
    rest = int((~known[:fast]).sum())
    if rest:
        where = "where nothing burns or the load is light"
        parts.append(f"{counted(rest, 'cell')} below, {where}" if parts else f"{counted(rest, 'cell')} {where}")
    return [f"Knock is not computed in {', and in '.join(parts)}: {Mark.BLANK.partition('= ')[2]}."]


def _knock_lines(shaped: ShapedTable) -> list[str]:
    if not shaped.knock_cells:
        return []
    head = f"Above the knock limit, or less than {shaped.si.knock_margin:g} deg below it, deg BTDC:"
    return [head, *(_knock_line(cell) for cell in shaped.knock_cells)]


def _knock_line(cell: KnockCell) -> str:
    over = cell.si.spark_before - cell.si.knock
    far = f"{over:.0f} above" if cell.above_before else f"{-over:.0f} below"
    limit = marked(f"{cell.si.knock:.0f}", cell.mark("knock"))
    return f"  {cell.where:<24} {cell.si.spark_after:>6.4g} (was {cell.si.spark_before:.4g}, {far} the knock limit of {limit}){OUTCOMES[cell.outcome]}"


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
    head = "Spark rises with load in your table where nothing was shaped, and still does. Knock comes sooner at more load:"
    return [head, *rises] if shaped.rises else []


def _other_limits(found: ShapedForBuild) -> list[str]:
    changed = len(found.shaped.changes)
    others = [f"  {found.cells_changed[key]} {text}" for key, text in OTHER.items() if found.cells_changed.get(key, changed) != changed]
    return [f"{counted(changed, 'cell')} change. It would be", *others] if others else []


def shape_data(found: ShapedForBuild) -> dict[str, Any]:
    """Return a table shaped for a build as plain data for JSON, codes and figures with the words beside them."""
    data = found.to_dict()
    giving = list(giving_back_cautions(found.giving)) if found.giving is not None else []
    held = [
        {**cell, "where": one.place, "words": held_back_words(one)}
        for cell, one in zip(data["held_back"], found.giving.held if found.giving else (), strict=True)
    ]
    return {**data, "verdict": shaped_verdict(found.shaped), "held_back": held, "cautions": [*data["cautions"], *giving]}

"""Spark ceilings in words: the low-speed zone and its lowest cell, what each ceiling rests on, what moves them, what a supplied table does there."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np

from ..advice.base_table import BaseTableCell
from ..advice.equal_torque import LevelOfSpark
from ..advice.headlines import zone_of
from ..advice.sensitivity import WIDE, CeilingSensitivity, ChangedInput, Changes
from ..advice.spark import SparkCeilings
from ..advice.spark_limits import Binds, CellState
from ..codes import Code
from .describing import describe
from .figures import btdc, cell_text, kilopascals, set_rpm
from .phrases import counted
from .reversion import listed_gears

__all__ = [
    "COMMON_PRACTICE", "base_table_words", "binding_cells", "binding_lines", "ceilings_words", "finding_lines", "sensitivity_lines", "variant_name",
    "zone_words",
]  # fmt: skip

COMMON_PRACTICE = (
    "Common practice, no source, shown beside and not tuned to: a big V8 with a long cam runs about 20 deg BTDC near 1400 rpm at light load. "
    "Some run 15 to 18 deg; 35 deg bucks. Trouble ends near 2000 rpm. Steps of 20, 25, 30, 35 deg ease out of the zone."
)
NO_ZONE = "No cell needs a spark ceiling: at no speed is the engine rough where the level road leads in a gear to be kept smooth."
# What is found of a cell beside what its ceiling rests on, and is no matter of course.
WORTH_A_LINE: tuple[Code, ...] = (CellState.AT_IDLE, CellState.NO_TORQUE, LevelOfSpark.FLATTEN, LevelOfSpark.NOT_CURED)


@describe.register
def ceilings_words(ceilings: SparkCeilings) -> str:
    """Return where the low-speed zone is, its lowest ceiling, and how many cells rest on what, a line each.

    Parameters
    ----------
    ceilings : SparkCeilings
    """
    return "\n".join([zone_words(ceilings), *binding_lines(ceilings), *finding_lines(ceilings)])


def zone_words(ceilings: SparkCeilings) -> str:
    """Return where the low-speed zone is, and its lowest ceiling that spark cures.

    Parameters
    ----------
    ceilings : SparkCeilings
    """
    zone = zone_of(ceilings)
    if zone is None:
        return NO_ZONE
    cells = int(np.isfinite(ceilings.si.ceiling).sum())
    speeds, loads = f"{zone.speeds[0] * 60:.0f} to {set_rpm(zone.speeds[-1])}", f"{zone.pressures[0] / 1e3:.0f} to {kilopascals(zone.pressures[-1])}"
    said = f"Low-speed zone: {cells} cells, {speeds}, {loads}. Kept smooth on the level road: {listed_gears(ceilings.gears)}."
    if zone.worst is None:
        return f"{said} Spark alone fixes none of them: raise speed, change gear or cam."
    row, column = zone.rows.start + zone.worst[0], zone.columns.start + zone.worst[1]
    at = cell_text(ceilings.si.speed[column], ceilings.si.manifold_pressure[row])
    return f"{said} Lowest ceiling: {btdc(ceilings.si.ceiling[row, column], ceilings.mark('ceiling', row, column))} at {at}."


def binding_lines(ceilings: SparkCeilings) -> list[str]:
    """Return what ceilings rest on, each with the number of cells, most first.

    Parameters
    ----------
    ceilings : SparkCeilings
    """
    return _counted_codes(code for row in ceilings.binds for code in row if code is not None)


def finding_lines(ceilings: SparkCeilings) -> list[str]:
    """Return what is found of cells beside what their ceilings rest on, each with the number of cells, most first.

    Parameters
    ----------
    ceilings : SparkCeilings
    """
    grids: tuple[tuple[tuple[Code | None, ...], ...], ...] = (ceilings.states, ceilings.levels)
    return _counted_codes(code for grid in grids for row in grid for code in row if code in WORTH_A_LINE)


def _counted_codes(codes: Iterable[Code | None]) -> list[str]:
    return [f"{counted(count, 'cell')}: {code}." for code, count in Counter(codes).most_common()]


def binding_cells(ceilings: SparkCeilings) -> list[tuple[str, str]]:
    """Return each limit that ceilings rest on, and its cells as text: speeds at a load.

    Parameters
    ----------
    ceilings : SparkCeilings
    """
    found: dict[Binds, dict[str, list[str]]] = {}
    for row, load in zip(ceilings.binds, ceilings.si.manifold_pressure, strict=True):
        for binds, speed in zip(row, ceilings.si.speed, strict=True):
            if binds is not None:
                found.setdefault(binds, {}).setdefault(kilopascals(load), []).append(f"{speed * 60:.0f}")
    return [(str(binds), "; ".join(f"{', '.join(speeds)} rpm at {load}" for load, speeds in loads.items())) for binds, loads in found.items()]


@describe.register
def variant_name(changed: ChangedInput) -> str:
    """Return the head of a row of what moves the ceilings.

    Parameters
    ----------
    changed : ChangedInput

    Examples
    --------
    >>> variant_name(ChangedInput(what=Changes.BURN_ANGLES, value=0.9)), variant_name(ChangedInput(what=Changes.OCTANE, value=93.0))
    ('burn 10 % shorter', 'research octane 93')
    """
    value = changed.value
    if changed.what is Changes.SWING_FACTOR:
        return f"load swing {value:.2g} times" + (" (cap)" if changed.capped else "")
    if changed.what is Changes.BURN_ANGLES:
        return f"burn {abs(value - 1.0) * 100:.0f} % {'shorter' if value < 1.0 else 'longer'}"
    return {
        Changes.NOTHING: "as the sheet is",
        Changes.STABILITY_LIMIT: f"steady up to COV {value * 100:.0f} %",
        Changes.OCTANE: f"research octane {value:g}",
        Changes.SMOOTH_GEARS: f"gear {value:.0f} alone",
    }[changed.what]


@describe.register
def sensitivity_words(table: CeilingSensitivity) -> str:
    """Return how far the ceilings move when what they rest on does, and common practice beside them.

    Parameters
    ----------
    table : CeilingSensitivity
    """
    return "\n".join(sensitivity_lines(table))


def sensitivity_lines(table: CeilingSensitivity) -> list[str]:
    """Return the lines of ``sensitivity_words``.

    Parameters
    ----------
    table : CeilingSensitivity
    """
    si = table.si
    wide = math.isfinite(si.widest_span) and si.widest_span > WIDE
    far = f"The variants lie up to {si.widest_span:.0f} deg apart, at {set_rpm(si.widest_at)}. Start from the low side and work up."
    return [*([far] if wide else []), COMMON_PRACTICE]


def base_table_words(cells: Sequence[BaseTableCell]) -> str:
    """Return how far the supplied table is above the ceilings; nothing where it is not.

    Parameters
    ----------
    cells : sequence of BaseTableCell

    Examples
    --------
    >>> cell = BaseTableCell(**{name: None for name in BaseTableCell.measures()})
    >>> base_table_words([cell.replace(speed=20.0, manifold_pressure=60e3, table_spark=30.0, ceiling=20.0)]).split(". ")[0]
    'Your table is above the spark ceiling in 1 cell, by up to 10 deg at 1200 rpm, 60 kPa'
    """
    if not cells:
        return ""
    worst = max(cells, key=lambda cell: float(cell.si.table_spark - cell.si.ceiling))
    above = worst.si.table_spark - worst.si.ceiling
    where = cell_text(worst.si.speed, worst.si.manifold_pressure)
    return f"Your table is above the spark ceiling in {counted(len(cells), 'cell')}, by up to {above:.0f} deg at {where}. Lower it there: camcalc shape does."

"""Spark ceilings in words: the zone, its lowest cell as a range, what each ceiling rests on and what would settle it, what moves them, a supplied table."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np

from ..advice.bands import Uncertain
from ..advice.base_table import BaseTableCell
from ..advice.headlines import zone_of
from ..advice.sensitivity import WIDE, CeilingSensitivity, ChangedInput, Changes
from ..advice.spark import SparkCeilings
from ..advice.spark_limits import BEYOND_DATA, SETTLED_BY, Binds, CellState
from ..codes import Code
from ..marks import marked
from .describing import describe
from .figures import btdc, cell_text, kilopascals, set_rpm
from .phrases import counted

__all__ = [
    "COMMON_PRACTICE", "base_table_words", "binding_cells", "binding_lines", "ceilings_words", "finding_lines", "input_name", "range_lines", "range_text",
    "sensitivity_lines", "variant_name", "zone_words",
]  # fmt: skip

COMMON_PRACTICE = (
    "Common practice, no source, shown beside and not tuned to: a big V8 with a long cam runs about 20 deg BTDC near 1400 rpm at light load. "
    "Some run 15 to 18 deg; 35 deg bucks. Trouble ends near 2000 rpm. Steps of 20, 25, 30, 35 deg ease out of the zone."
)
NO_ZONE = "No cell needs a spark ceiling: MBT spark and knock limit decide everywhere."
ONLY_CAUTIOUS = "with the cautious ignition figures {cells} would. Start from those and work up."
WHY_A_RANGE = "The high end is from ignition figures that fit an ordinary engine, the low end from cautious ones. Start from the low end."
# Gap and discharge: SAE 2013-01-1630, page read.
WHAT_RAISES = "Fewer cycles miss with more load, less overlap, a wider plug gap and more spark energy."
# What is found of a cell beside what its ceiling rests on, and is no matter of course.
WORTH_A_LINE: tuple[Code, ...] = (CellState.AT_IDLE, CellState.NO_TORQUE)
# The inputs that move a ceiling, in a word or two, for the heads of rows.
SHORT = {
    Uncertain.BURN: "burn angles", Uncertain.DILUTION: "loss of flame speed to residual", Uncertain.KERNEL_TURBULENCE: "turbulence at the kernel",
    Uncertain.SPARK_ENERGY: "spark energy", Uncertain.PLUG_SCATTER: "spread of residual at the plug",
    Uncertain.TURBULENCE_SCATTER: "spread of turbulence at the plug", Uncertain.OVERLAP: "flow through barely open valves",
    Uncertain.RESIDUAL_KEPT: "residual kept in the clearance",
}  # fmt: skip


@describe.register
def ceilings_words(ceilings: SparkCeilings) -> str:
    """Return where the low-speed zone is, its lowest ceiling, and how many cells rest on what, a line each.

    Parameters
    ----------
    ceilings : SparkCeilings
    """
    return "\n".join([zone_words(ceilings), *binding_lines(ceilings), *range_lines(ceilings), *finding_lines(ceilings)])


def zone_words(ceilings: SparkCeilings) -> str:
    """Return where the low-speed zone is, and its lowest ceiling that spark cures.

    Parameters
    ----------
    ceilings : SparkCeilings
    """
    zone = zone_of(ceilings)
    if zone is None:
        cautious = int(np.isfinite(ceilings.si.ceiling_low).sum())
        return NO_ZONE if not cautious else f"{NO_ZONE[:-1]}; {ONLY_CAUTIOUS.format(cells=counted(cautious, 'cell'))}"
    cells = int(np.isfinite(ceilings.si.ceiling).sum())
    speeds, loads = f"{zone.speeds[0] * 60:.0f} to {set_rpm(zone.speeds[-1])}", f"{zone.pressures[0] / 1e3:.0f} to {kilopascals(zone.pressures[-1])}"
    said = f"Low-speed zone: {counted(cells, 'cell')}, {speeds}, {loads}."
    if zone.worst is None:
        return f"{said} Spark alone fixes none of them: raise speed, change gear or cam."
    row, column = zone.rows.start + zone.worst[0], zone.columns.start + zone.worst[1]
    at = cell_text(ceilings.si.speed[column], ceilings.si.manifold_pressure[row])
    return f"{said} Lowest ceiling: {range_text(ceilings, row, column)} at {at}."


def range_text(ceilings: SparkCeilings, row: int, column: int) -> str:
    """Return a cell's ceiling as a range, from its low end to the ceiling; one figure where they agree to the degree.

    Parameters
    ----------
    ceilings : SparkCeilings
    row, column : int
        Of the cell, which has a ceiling.
    """
    low, high = (float(grid[row, column]) for grid in (ceilings.si.ceiling_low, ceilings.si.ceiling))
    text = btdc(high, ceilings.mark("ceiling", row, column))
    # A low end that is the latest useful spark carries its mark: it is no spark to start from.
    return text if not math.isfinite(low) or round(low) == round(high) else f"{marked(f'{low:.0f}', ceilings.mark('ceiling_low', row, column))} to {text}"


def range_lines(ceilings: SparkCeilings) -> list[str]:
    """Return why ceilings are ranges, what on the car would settle them, and which say direction alone.

    Parameters
    ----------
    ceilings : SparkCeilings
    """
    rests = Counter(code for row in ceilings.binds for code in row if code is not None)
    if not rests:
        return []
    lines = [WHY_A_RANGE, *([WHAT_RAISES] if Binds.MISSED_CYCLES in rests else [])]
    lines += [f"To settle it, {what}." for what in dict.fromkeys(SETTLED_BY[code] for code, _ in rests.most_common())]
    beyond = int((np.isfinite(ceilings.si.ceiling) & ceilings.beyond_data).sum())
    if beyond:
        lines.append(
            f"In {counted(beyond, 'cell')} residual is above {100.0 * BEYOND_DATA:.0f} %, more than any flame was measured with: direction, not degrees."
        )
    return lines


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
    return _counted_codes(code for row in ceilings.states for code in row if code in WORTH_A_LINE)


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
    >>> variant_name(ChangedInput(what=Changes.UNCERTAIN, input=Uncertain.BURN, value=0.9)), variant_name(ChangedInput(what=Changes.OCTANE, value=93.0))
    ('burn angles 0.9 times', 'research octane 93')
    """
    value = changed.value
    if changed.input is not None:
        return f"{input_name(changed.input)} {value:.2g} times"
    return {
        Changes.NOTHING: "as the sheet is",
        Changes.LOAD_SWING: f"load swing {value * 100:.2g} % r.m.s." if value else "no load swing",
        Changes.OCTANE: f"research octane {value:g}",
        Changes.SMOOTH_GEARS: f"road load of gear {value:.0f}",
    }[changed.what]


def input_name(code: Code) -> str:
    """Return what moves a ceiling in a word or two.

    Parameters
    ----------
    code : Code
        ``Uncertain`` or ``Changes``.

    Examples
    --------
    >>> input_name(Uncertain.SPARK_ENERGY), input_name(Changes.OCTANE), input_name(Uncertain.FRICTION)
    ('spark energy', 'octane', 'friction')
    """
    return SHORT[code] if isinstance(code, Uncertain) and code in SHORT else code.code.replace("_", " ")


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
    named = [input_name(code) for code in table.decides]
    most = f"What decides them, most first: {', '.join(named)}."
    return [*([far] if wide else []), *([most] if named else []), COMMON_PRACTICE]


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

"""What shaping a table has done, on a terminal: the table, its cells, what the limits cost and what late burns do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from .terminal_parts import blank, table

if TYPE_CHECKING:
    from rich.console import Console

    from ..tables.late_burn import LateBurn

__all__ = ["print_late_burns"]

HEADS = ("where", "spark\nwas, is", "50 % burned\na TDC, deg", "unburned\nfuel, %", "exhaust\ndegC", "work\n%")


def print_late_burns(late: Sequence[LateBurn], console: Console) -> None:
    """Print what the cells below the late-burn floor were and are, the one whose unburned fuel grows most first."""
    made = table("Lowered below the late-burn floor, or further: what was, what is", HEADS)
    for cell in late:
        si = cell.si
        made.add_row(
            cell.where,
            _pair(si.spark_before, si.spark),
            _pair(si.half_burned_before, si.half_burned),
            _pair(100.0 * si.unburned_before, 100.0 * si.unburned, 1),
            _pair(si.exhaust_before - 273.15, si.exhaust - 273.15),
            blank(100.0 * si.work_change, 1),
        )
    console.print(made)
    console.print("  at the same manifold pressure; unburned fuel smells, and afterburns where it meets air in a hot exhaust", highlight=False, markup=False)


def _pair(was: float, now: float, digits: int = 0) -> str:
    if not math.isfinite(was + now):
        return ""
    return f"{was:.{digits}f}, {now:.{digits}f}"

"""What shaping a table costs, on a terminal: late burns before and after."""

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
PAIRS = (("spark", 0), ("half_burned", 0), ("unburned", 1), ("exhaust", 0))


def print_late_burns(late: Sequence[LateBurn], console: Console) -> None:
    """Print what the cells below the late-burn floor were and are, the one whose unburned fuel grows most first."""
    made = table("Lowered below the late-burn floor, or further: what was, what is", HEADS)
    for cell in late:
        pairs = (_pair(cell, name, digits) for name, digits in PAIRS)
        made.add_row(cell.where, *pairs, blank(cell.work_change.magnitude, 1))
    console.print(made)
    console.print("  at the same manifold pressure; unburned fuel smells, and afterburns where it meets air in a hot exhaust", highlight=False, markup=False)


def _pair(cell: LateBurn, name: str, digits: int) -> str:
    was, now = (getattr(cell, field).magnitude for field in (f"{name}_before", name))
    return f"{was:.{digits}f}, {now:.{digits}f}" if math.isfinite(was + now) else ""

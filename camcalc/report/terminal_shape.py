"""Late burns before and after shaping, on a terminal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from .terminal_parts import blank, print_table, table

if TYPE_CHECKING:
    from rich.console import Console

    from ..tables.late_burn import LateBurn

__all__ = ["print_late_burns"]

HEADS = ("cell", "spark, deg\nBTDC (was)", "CA50, deg\nATDC (was)", "unburned fuel\n% (was)", "exhaust\ndegC (was)", "work\nchange, %")
PAIRS = (("spark", 0), ("half_burned", 0), ("unburned", 1), ("exhaust", 0))


def print_late_burns(late: Sequence[LateBurn], console: Console) -> None:
    """Print the cells later than the latest useful spark, before and after, the one whose unburned fuel grows most first."""
    made = table("Lowered below the latest useful spark, or further", HEADS)
    for cell in late:
        pairs = (_pair(cell, name, digits) for name, digits in PAIRS)
        made.add_row(cell.where, *pairs, blank(cell.work_change.magnitude, 1))
    print_table(made, console)
    console.print("  At the same MAP. Unburned fuel smells, and burns on where it meets air in a hot exhaust.", highlight=False, markup=False)


def _pair(cell: LateBurn, name: str, digits: int) -> str:
    was, now = (getattr(cell, field).magnitude for field in (f"{name}_before", name))
    return f"{now:.{digits}f} ({was:.{digits}f})" if math.isfinite(was + now) else ""

"""A sweep on the terminal: a line for each build."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..cautions import AT_IDLE_SPARK
from ..cycle.models import engine_kind
from ..unit_system import UnitSystem, shown
from .terminal_parts import blank, print_cautions, show, table

if TYPE_CHECKING:
    from rich.console import Console

    from ..sweep import Sweep

__all__ = ["print_sweep"]


def print_sweep(found: Sweep, console: Console, system: UnitSystem) -> None:
    """Print the rows, the cautions before them.

    Parameters
    ----------
    found : Sweep
    console : Console
    system : UnitSystem
        Of what is shown.
    """
    keys = list(dict.fromkeys(key for row in found.rows for key in row.varied))
    unit = shown(0.0, "Pa", system, show="inHg" if system is UnitSystem.IMPERIAL else "kPa").unit
    columns = ["idle", f"vacuum, {unit}", "residual, %", "missed a min", "spark, deg", "rough below", "reversion below"]
    title = "Idle in neutral, spark in deg BTDC. Speeds in rpm, in the gear nearest to direct drive. No bands."
    made = table(title, [*(keys or ["build"]), *columns], left=len(keys or [1]) + 1)
    for row in found.rows:
        si = row.si
        vacuum = shown(si.vacuum, "Pa", system, show="inHg" if system is UnitSystem.IMPERIAL else "kPa").value
        made.add_row(
            *([row.varied.get(key, "") for key in keys] or [str(row.variant)]),
            "none" if row.idle is None else row.idle.name.lower(),
            blank(vacuum, 1),
            blank(100.0 * si.residual),
            blank(60.0 * si.missed_per_minute) if row.idle is not None else "",
            blank(si.idle_spark),
            blank(60.0 * si.rough_below, mark=row.mark("rough_below")),
            blank(60.0 * si.reversion_below, mark=row.mark("reversion_below")),
        )
    print_cautions(AT_IDLE_SPARK, console)
    show(made, console, *(row.marks.get(name) for row in found.rows for name in ("rough_below", "reversion_below")))
    if engine_kind(found.model) is engine_kind("quick"):
        console.print("By closed forms, for learning only: residual bends towards 45 %, too much vacuum for long cams, no knock.", highlight=False)
    if found.done_again:
        console.print(f"{found.done_again} of the builds were worked out again here: whoever had them was lost.", highlight=False)

"""The brief on a terminal: one screen of answers, or its sections; valve events and grids for other commands."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from rich.console import Console

from ..brief_files import as_saved
from ..results import Record
from ..words.engine_model import model_use_words
from ..words.first_screen import MORE, Excerpt, first_screen, title_lines
from .blocks import Block, Grid
from .data_figures import Figures
from .load_axes import over_load_axis
from .sections import Section, sections_of
from .terminal_blocks import print_blocks
from .terminal_parts import blank, console, print_cautions, show, table

if TYPE_CHECKING:
    from ..brief import Brief

__all__ = ["console", "print_brief", "print_first_screen", "print_grid", "print_sections", "table"]


def print_first_screen(brief: Brief, console: Console) -> None:
    """Print what a calibrator needs at first fire, in one screen."""
    brief = as_saved(brief)
    first, *others = title_lines(brief)
    console.print(first, style="bold", highlight=False, markup=False)
    _plain(others, console)
    for part in first_screen(brief):
        console.print(part.head, style="bold", highlight=False, markup=False)
        for line in part.lines:
            _plain(line.lines() if isinstance(line, Excerpt) else [line], console)
    _plain(MORE, console)


def print_brief(brief: Brief, console: Console, load_axis: str = "manifold pressure") -> None:
    """Print the first screen and every section, the ceilings over a kind of load."""
    print_first_screen(brief, console)
    console.print()
    print_sections(brief, sections_of(brief), console, load_axis)


def print_sections(brief: Brief, sections: Iterable[Section], console: Console, load_axis: str = "manifold pressure") -> None:
    """Print some sections of a brief, the ceilings over a kind of load.

    Parameters
    ----------
    brief : Brief
    sections : iterable of Section
    console : Console
    load_axis : str
        "manifold pressure", "air charge" or "relative charge".
    """
    brief = as_saved(brief)
    figures = figures_of(brief)
    if brief.not_for:
        print_cautions([model_use_words(brief.not_for)], console)
    for section in sections:
        console.rule(section.title)
        for block in section.blocks(brief):
            _print_over(block, brief, figures, console, load_axis)
        console.print()


def _print_over(block: Block, brief: Brief, figures: Figures, console: Console, load_axis: str) -> None:
    """Print a block, the grid of ceilings over the kind of load that is asked for."""
    own = isinstance(block, Grid) and block.part == "spark_ceilings" and block.name == "ceiling"
    if own and load_axis != "manifold pressure" and brief.spark_ceilings is not None:
        heads, rows, legend = over_load_axis(brief.spark_ceilings, load_axis)
        made = table(f"Spark ceiling, final spark, deg BTDC; {heads[0]} over rpm", ["load", *heads[1:]], left=0)
        for row in rows:
            made.add_row(*row)
        show(made, console, legend)
    else:
        print_blocks([block], figures, console)


def figures_of(brief: Brief) -> Figures:
    """Return the figures of a brief in the units of its sheet."""
    return Figures(brief.to_dict(), brief.build.units, brief.build.vehicle.road_speed_unit)


def print_grid(title: str, record: Record, name: str, console: Console, digits: int = 0) -> None:
    """Print one quantity of a record over speed and manifold pressure, highest load first, each figure with its mark; blank where there is none.

    Parameters
    ----------
    title : str
    record : ArrayRecord
        Over speed and manifold pressure.
    name : str
        Of the field.
    console : Console
    digits : int
        After the point.
    """
    made = table(title, ["kPa", *(f"{s:.0f}" for s in record.speed.magnitude)], left=0)  # type: ignore[attr-defined]
    loads = record.manifold_pressure.magnitude  # type: ignore[attr-defined]
    values = getattr(record, name).magnitude
    for k in range(len(loads) - 1, -1, -1):
        made.add_row(f"{loads[k]:.0f}", *(blank(v, digits, record.mark(name, k, j)) for j, v in enumerate(values[k])))
    show(made, console, getattr(record, "marks", {}).get(name))


def _plain(lines: Iterable[str], console: Console) -> None:
    for line in lines:
        console.print(line, highlight=False, markup=False)

"""The brief as one self-contained HTML file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..brief_files import as_saved
from ..cautions import Caution
from ..pages.dress import rendered
from ..words.engine_model import model_use_words
from ..words.first_screen import Excerpt, first_screen
from ..words.readings import rests_words
from .blocks import Block, Grid, Records
from .drive_sections import gear_columns
from .figure_markup import Printed, headed
from .figures import draw_plots
from .sections import sections_of
from .terminal_blocks import legend_paths

if TYPE_CHECKING:
    from ..brief import Brief

__all__ = ["brief_html", "excerpt_block"]


def brief_html(brief: Brief) -> str:
    """Return the brief as HTML with its plots inside.

    Parameters
    ----------
    brief : Brief

    Notes
    -----
    Nothing is computed: every number of a table comes out of ``brief.to_dict()`` and says from where in ``data-field``. A brief that was kept
    as JSON and loaded gives the same page, byte for byte.
    """
    brief = as_saved(brief)
    printed = Printed(brief.to_dict(), brief.build.units, brief.build.vehicle.road_speed_unit)
    return rendered(
        "brief.html",
        brief=brief,
        printed=printed,
        kind=lambda block: type(block).__name__,
        headed=headed,
        legend_paths=legend_paths,
        grid_paths=grid_paths,
        not_for=model_use_words(brief.not_for) if brief.not_for else "",
        rests=rests_words(brief.readings).replace(": --section readings.", ".") if brief.readings is not None else "",
        starting_value=str(Caution.STARTING_VALUE),
        plots=draw_plots(brief),
        answers=answers_of(brief),
        sections=[(section.key, section.title, section.blocks(brief)) for section in sections_of(brief)],
    )


def grid_paths(block: Grid) -> list[str]:
    """Return where the figures of a grid are that a table shows: the whole, or the cells of its part."""
    path = f"{block.part}/{block.name}"
    return [f"{path}/{k}/{j}" for k in block.rows for j in block.columns] if block.rows else [path]


# Cautions that the page has room for beside those of one screen of a terminal, by answer: before its first figure.
MORE_CARE = {1: (Caution.FINAL_SPARK,), 3: (Caution.COURSE,)}


def answers_of(brief: Brief) -> list[tuple[str, list[str | Block]]]:
    """Return the answers of the first screen, each its head and its words and tables."""
    answers: list[tuple[str, list[str | Block]]] = []
    for number, part in enumerate(first_screen(brief)):
        care: list[str | Block] = [f"! {caution}" for caution in MORE_CARE.get(number, ())]
        answers.append((part.head, care + [excerpt_block(line, brief) if isinstance(line, Excerpt) else line for line in part.lines]))
    return answers


CAPTIONS = {
    "starting_table": "Low-speed zone: final spark, deg BTDC",
    "fuel_factors": "Multiply the old filling table's cells by",
    "usable_gears": "Lowest usable speed",
}


def excerpt_block(excerpt: Excerpt, brief: Brief) -> Block:
    """Return the block of a small table of the first screen."""
    caption = CAPTIONS[excerpt.path]
    if excerpt.name:
        digits = 2 if excerpt.path == "fuel_factors" else 0
        return Grid(caption, excerpt.path, excerpt.name, digits, rows=excerpt.rows, columns=excerpt.columns)
    return Records(caption, tuple(f"{excerpt.path}/{k}" for k in range(len(brief.usable_gears))), gear_columns(brief))

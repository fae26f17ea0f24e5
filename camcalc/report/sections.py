"""The sections of a brief, in order: one list that terminal, page and files are made from."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, NamedTuple, TypeVar

from ..errors import InputError, did_you_mean
from .blocks import Block, Fold
from .drive_sections import cure_blocks, road_test_blocks, surge_blocks, trade_off_blocks
from .engine_sections import fuel_blocks, idle_blocks, injection_blocks, reversion_blocks, sensor_blocks, spark_blocks
from .ground_sections import assumed_blocks, cam_blocks, caution_blocks, note_blocks, source_blocks, sure_blocks
from .readings_sections import readings_blocks

if TYPE_CHECKING:
    from ..brief import Brief

Part = TypeVar("Part")

__all__ = ["SECTIONS", "Section", "all_blocks", "section_named", "sections_of"]


class Section(NamedTuple):
    """A section: the name that ``--section`` takes, its title, what it is made of, and whether a brief has it."""

    key: str
    title: str
    blocks: Callable[[Brief], list[Block]]
    there: Callable[[Brief], bool] = lambda brief: True


def _has_readings(brief: Brief) -> bool:
    return brief.readings is not None


SECTIONS = (
    Section("readings", "What the car's readings say", lambda brief: readings_blocks(_there(brief.readings), brief.build.units), _has_readings),
    Section("idle", "Idle", idle_blocks),
    Section("spark", "Spark: starting table and ceilings", spark_blocks, lambda brief: brief.spark_ceilings is not None),
    Section("fuel", "Fuel on the old filling table", fuel_blocks),
    Section("injection", "End of injection", injection_blocks),
    Section("reversion", "Reversion on the level road", reversion_blocks),
    Section("surge", "Surge in the gears", surge_blocks, lambda brief: bool(brief.surge)),
    Section("sensors", "Sensors at idle", sensor_blocks),
    Section("trade-off", "Later spark in one cell", lambda brief: trade_off_blocks(_there(brief.trade_off)), lambda brief: brief.trade_off is not None),
    Section("cures", "What else would cure it", lambda brief: cure_blocks(_there(brief.cures)), lambda brief: brief.cures is not None),
    Section("road-test", "Road test", lambda brief: road_test_blocks(_there(brief.road_test)), lambda brief: brief.road_test is not None),
    Section("cam", "Cam", cam_blocks),
    Section("bands", "How sure", sure_blocks, lambda brief: brief.sure is not None),
    Section("assumed", "Assumed", assumed_blocks),
    Section("notes", "Notes on the cards", note_blocks, lambda brief: bool(brief.build.notes)),
    Section("sources", "Sources", source_blocks),
    Section("cautions", "Cautions", caution_blocks),
)


def sections_of(brief: Brief) -> list[Section]:
    """Return the sections that a brief has."""
    return [section for section in SECTIONS if section.there(brief)]


def section_named(name: str) -> Section:
    """Return a section by its name.

    Raises
    ------
    InputError
        If there is none of that name; it lists them all.
    """
    for section in SECTIONS:
        if section.key == name.strip().lower():
            return section
    keys = [section.key for section in SECTIONS]
    raise InputError("--section", came=name, expected=", ".join(keys), fix=did_you_mean(name, keys))


def all_blocks(brief: Brief) -> Iterator[Block]:
    """Yield every block of every section, folded ones too."""

    def unfolded(blocks: list[Block]) -> Iterator[Block]:
        for block in blocks:
            if isinstance(block, Fold):
                yield from unfolded(list(block.blocks))
            else:
                yield block

    for section in sections_of(brief):
        yield from unfolded(section.blocks(brief))


def _there(part: Part | None) -> Part:
    """Return a part that a section is asked for; ``there`` has found it."""
    assert part is not None
    return part

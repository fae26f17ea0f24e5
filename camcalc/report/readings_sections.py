"""What a car's readings say as blocks: for the terminal, the brief's page and its files."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..words.readings import fault_words, figure_words, input_words, next_words, outcome_words, reading_words
from .blocks import Block, Cautions, Fold, Heading, Lines

if TYPE_CHECKING:
    from ..measured import Learning
    from ..unit_system import UnitSystem

__all__ = ["readings_blocks"]

# Inputs with more of their spread left than this were hardly touched by the readings.
TOUCHED = 0.95
FIRST_NEXT = 4


def readings_blocks(found: Learning, system: UnitSystem) -> list[Block]:
    """Return what readings say: whether they agree, before and after, what may be wrong, which inputs moved, what to read next."""
    blocks: list[Block] = [Cautions(found.cautions), Lines(tuple(outcome_words(found)))]
    if found.faults:
        blocks += [Heading("What may be wrong with the car"), Lines(tuple(fault_words(one, system) for one in found.faults), listed=True)]
    blocks += [Heading("Headline figures before and after the readings, with 80 % bands")]
    blocks.append(Lines(tuple(figure_words(one, system) for one in found.figures), listed=True))
    blocks += [Heading("The readings"), Lines(tuple(reading_words(one, system) for one in found.readings), listed=True)]
    moved = tuple(input_words(one) for one in found.inputs if one.narrowed < TOUCHED)
    if moved:
        blocks += [Heading("Inputs of the model that moved"), Lines(moved, listed=True)]
    if found.next:
        blocks += [Heading("What to read next, most narrowing per minute first"), Lines(tuple(next_words(one) for one in found.next[:FIRST_NEXT]), listed=True)]
        blocks.append(Fold("Rows for the sheet", (Lines(tuple(line for one in found.next[:FIRST_NEXT] for line in one.row.splitlines())),)))
    return blocks

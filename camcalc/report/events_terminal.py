"""Valve events on a terminal, and as blocks of a brief: geometry alone, so that the command starts at once."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from ..unit_system import UnitSystem, length_text
from .blocks import Block, Column, Lines, Records
from .data_figures import Figures
from .terminal_blocks import print_blocks

if TYPE_CHECKING:
    from rich.console import Console

    from ..advice.cam_facts import CamFacts

__all__ = ["facts_blocks", "print_events"]

EVENTS = (
    Column("height", "checked at", length=True),
    Column("measured_at", "lift at the", words=True, short="lift\nat"),
    Column("source", "from", words=True),
    Column("intake_opens", "IVO, deg BTDC", 1, short="IVO\nBTDC"),
    Column("intake_closes", "IVC, deg ABDC", 1, short="IVC\nABDC"),
    Column("exhaust_opens", "EVO, deg BBDC", 1, short="EVO\nBBDC"),
    Column("exhaust_closes", "EVC, deg ATDC", 1, short="EVC\nATDC"),
    Column("intake_duration", "intake duration, deg", 1, short="intake\ndurat."),
    Column("exhaust_duration", "exhaust duration, deg", 1, short="exhaust\ndurat."),
    Column("overlap", "overlap, deg", 1, short="over-\nlap"),
)


def print_events(facts: CamFacts, console: Console, system: UnitSystem) -> None:
    """Print a cam's events and what follows from its geometry."""
    blocks = facts_blocks(facts, "events", system)
    print_blocks(blocks, Figures(facts.to_dict(), system), console)
    if any(isinstance(block, Records) for block in blocks):
        console.print()


def facts_blocks(facts: CamFacts, base: str, system: UnitSystem) -> list[Block]:
    """Return one cam's events, which are in the data at ``base``, and what follows from its geometry."""
    paths = tuple(f"{base}/{k}" for k in range(len(facts.events)))
    caption = f"{facts.cam}: valve events; a negative one is on the other side of its dead centre"
    return [Records(caption, paths, EVENTS), Lines(tuple(_geometry_lines(facts, system)), listed=True)]


def _geometry_lines(facts: CamFacts, system: UnitSystem) -> list[str]:
    si, lap = facts.si, facts.overlap.si
    centres = f"ICL {si.intake_centreline:.1f} deg after overlap TDC, exhaust centreline {si.exhaust_centreline:.1f} deg before it"
    advance = f"{abs(si.advance):.1f} deg {'advanced' if si.advance >= 0.0 else 'retarded'}"
    lines = [f"LSA {facts.lobe_separation.magnitude:.1f} cam deg, {advance}. {centres}."]
    lines.append(f"Valve lift, valve lash taken up: intake {length_text(si.intake_lift, system)}, exhaust {length_text(si.exhaust_lift, system)}.")
    top = f"intake {length_text(lap.intake_lift_at_top, system)}, exhaust {length_text(lap.exhaust_lift_at_top, system)}"
    lines.append(f"Overlap {lap.angle:.1f} deg seat to seat, area {1e3 * lap.area:.1f} mm deg. Valve lift at overlap TDC: {top}.")
    if not math.isfinite(facts.effective_compression):
        return [*lines, f"No effective compression and no overlap factor: [engine] lacks {', '.join(facts.engine_lacks)}."]
    factor = f"Overlap factor {si.overlap_factor:.2f} deg/m by definition (used), {si.overlap_factor_by_fit:.2f} by the published fit."
    return [*lines, f"Effective compression {facts.effective_compression:.2f} at intake closing (0.15 mm of valve lift). {factor}"]

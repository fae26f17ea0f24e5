"""The starting table in words: under what its cells are, which loads knock rules out, where even it burns late."""

from __future__ import annotations

import numpy as np

from ..advice.knock_edge import UNSAMPLED
from ..advice.starting_table import STEEPEST, StartingTable
from .describing import describe
from .figures import btdc, cell_text

__all__ = ["starting_lines", "starting_words"]


@describe.register
def starting_words(starting: StartingTable) -> str:
    """Return what the numbers of the starting table are, cells to keep out of first, a line each.

    Parameters
    ----------
    starting : StartingTable
    """
    return "\n".join(starting_lines(starting))


def starting_lines(starting: StartingTable) -> list[str]:
    """Return the lines of ``starting_words``.

    Parameters
    ----------
    starting : StartingTable
    """
    si, lines = starting.si, []
    if starting.avoid.any():
        places = "; ".join(cell_text(si.speed[column], si.manifold_pressure[row]) for row, column in np.argwhere(starting.avoid))
        lines.append(f"Do not load the engine at {places}. Knock leaves less than {btdc(si.least_spark)} there. Use more octane or less compression.")
    late = int(starting.below_floor.sum())
    if late:
        cells = "1 cell of the low-speed zone burns" if late == 1 else f"{late} cells of the low-speed zone burn"
        lines.append(
            f"{cells} later than the latest useful spark. Late burning overheats the exhaust. Spark alone cannot fix that: raise speed, change gear or cam."
        )
    edge = "the low edge of its knock band"
    if not starting.knock_sampled:
        edge = f"MBT spark and knock limit less {UNSAMPLED:g} deg, since this engine's knock band was not sampled"
    lines += [
        f"No cell is above {edge}, less another {si.margin:g} deg. At one speed spark never rises with load.",
        f"Where the charge or the idle wanders, neighbours differ by at most {STEEPEST:g} deg. They differ more only where so little burns too late.",
        "To keep your own table and lower it no further than needed, use camcalc shape.",
    ]
    return lines

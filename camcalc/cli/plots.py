"""Plots asked for on the command line, as SVG files."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["write_plots"]


def write_plots(folder: Path, drawn: Mapping[str, Axes]) -> None:
    """Write each plot as ``name.svg`` into a folder and say so."""
    from ..build.saving import write_atomically
    from ..report.figures import svg_text

    for name, ax in drawn.items():
        write_atomically(folder / f"{name}.svg", svg_text(ax, name))
    print(f"{len(drawn)} plot{'s' if len(drawn) > 1 else ''} written to {folder}", file=sys.stderr)

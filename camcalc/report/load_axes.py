"""Spark ceilings over another kind of load than manifold pressure."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from ..marks import Marks, marked

if TYPE_CHECKING:
    from ..advice.spark import SparkCeilings

__all__ = ["over_load_axis"]

# How a kind of load is shown: unit, factor from SI, decimals.
LOAD_UNITS = {"manifold pressure": ("kPa", 1e-3, 0), "air charge": ("mg per cylinder", 1e6, 0), "relative charge": ("% relative charge", 100.0, 0)}


def over_load_axis(ceilings: SparkCeilings, kind: str) -> tuple[list[str], list[list[str]], Marks]:
    """Return heads, rows of text, greatest load first, and marks of the ceilings over a kind of load.

    Parameters
    ----------
    ceilings : SparkCeilings
    kind : str
        ``"manifold pressure"``, ``"air charge"`` or ``"relative charge"``.
    """
    loads, values = ceilings.over(kind)
    unit, factor, digits = LOAD_UNITS[kind]
    marks = ceilings.marks_over(kind, loads)
    rows = []
    for k in range(len(loads) - 1, -1, -1):
        cells = [marked(f"{v:.0f}" if math.isfinite(v) else "", marks[k][j] if isinstance(marks, tuple) else None) for j, v in enumerate(values[k])]
        rows.append([f"{loads[k] * factor:.{digits}f}", *cells])
    return [unit, *(f"{speed:.0f}" for speed in ceilings.speed.magnitude)], rows, marks

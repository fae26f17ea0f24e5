"""Rows of text of the brief's tables, one source for terminal and page."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from ..marks import Marks, marked
from ..results import Record, text_of
from ..words.injection import strategy_name

if TYPE_CHECKING:
    from ..advice.spark import SparkCeilings
    from ..brief import Brief

__all__ = [
    "BASE_COLUMNS",
    "LOAD_UNITS",
    "ceiling_rows",
    "field_text",
    "injection_row",
    "number",
    "window_heads",
    "window_rows",
]

# From the supplied table to the ceilings: field, head, decimals.
BASE_COLUMNS = (
    ("speed", "rpm", 0), ("manifold_pressure", "kPa", 0), ("table_spark", "table\nspark", 0), ("ceiling", "ceil-\ning", 0),
    ("pressure_change", "kPa\nmore", 1), ("burned_fraction", "burned\n%", 0), ("burned_fraction_change", "change\n%", 1),
    ("efficiency", "eff.\n%", 1), ("efficiency_change", "change\n%", 1), ("fuel_change", "fuel\n% more", 1),
    ("exhaust_temperature_change", "exhaust\nK hotter", 0),
)  # fmt: skip
# How a kind of load is shown: unit, factor from SI, decimals.
LOAD_UNITS = {"manifold pressure": ("kPa", 1e-3, 0), "air charge": ("mg per cylinder", 1e6, 0), "relative charge": ("% relative charge", 100.0, 0)}


def field_text(record: Record, name: str) -> str:
    """Return one measured field as text with unit and band."""
    measured = type(record).measures()[name]
    return text_of(getattr(record.si, name), measured, getattr(record, "bands", {}).get(name), record.mark(name))


def number(record: Record, name: str, digits: int = 1) -> str:
    """Return a measured field as a number in its shown unit, with its mark, for a column whose head names the unit."""
    value = getattr(record, name).magnitude
    return marked(f"{value:.{digits}f}", record.mark(name)) if math.isfinite(value) else "none"


def ceiling_rows(ceilings: SparkCeilings, load_axis: str = "manifold pressure", *, bands: bool = False) -> list[tuple[str, list[str]]]:
    """Return the ceilings over a kind of load as rows of text, greatest load first, each with its mark."""
    loads, values = ceilings.over(load_axis, ceilings.si.manifold_pressure if load_axis == "manifold pressure" else None)
    factor, digits = LOAD_UNITS[load_axis][1:]
    own = load_axis == "manifold pressure"
    marks: Marks = ceilings.marks.get("ceiling") if own else ceilings.marks_over(load_axis, loads)
    rows = []
    for k in range(len(loads) - 1, -1, -1):
        cells = []
        for j, value in enumerate(values[k]):
            mark = marks[k][j] if isinstance(marks, tuple) else None
            text = marked(f"{value:.0f}" if math.isfinite(value) else "", mark)
            low, high = ceilings.si.ceiling_low[k, j], ceilings.si.ceiling_high[k, j]
            if text and bands and own and math.isfinite(low + high):
                text += f" [{low:.0f} to {high:.0f}]"
            cells.append(text)
        rows.append((f"{loads[k] * factor:.{digits}f}", cells))
    return rows


def injection_row(brief: Brief) -> int:
    """Return the load row of the injection windows that is shown: the second, a cruise, if there is one."""
    return min(1, len(brief.injection.si.manifold_pressure) - 1)


def window_rows(brief: Brief, row: int) -> list[list[str]]:
    """Return injection windows at one load as rows of text; angles before overlap top dead centre."""
    w = brief.injection
    pulse = w.pulse_width.magnitude[row]
    angles = [getattr(w.si, name)[row] for name in ("start_of_injection", "end_of_injection", "earliest", "latest")]
    angles += [w.si.controller_end[row]] if w.counts_otherwise else []
    shares = [] if w.shut_valve is None or w.open_valve is None else [100.0 * s.si.to_plenum[row] for s in (w.shut_valve, w.open_valve)]
    out = []
    for k, speed in enumerate(w.speed.magnitude):
        numbers = [f"{v[k]:.0f}" if math.isfinite(v[k]) else "none" for v in (*angles, *shares)]
        out.append([f"{speed:.0f}", f"{pulse[k]:.2f}" if math.isfinite(pulse[k]) else "none", *numbers, strategy_name(w, row, k)])
    return out


def window_heads(brief: Brief) -> list[str]:
    """Return the heads of ``window_rows``."""
    shares = [] if brief.injection.shut_valve is None else ["closed valve:\nto plenum, %", "open valve:\nto plenum, %"]
    controller = [f"ends, deg\n{brief.injection.controller_reference}"] if brief.injection.counts_otherwise else []
    return ["rpm", "pulse\nms", "begins", "ends", "window\nfrom", "to", *controller, *shares, "strategy"]

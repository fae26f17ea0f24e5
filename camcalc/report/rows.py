"""Rows of text of the brief's tables, one source for terminal and page."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from ..advice.knock_edge import UNSAMPLED
from ..advice.starting_table import STEEPEST
from ..marks import Marks, marked
from ..results import Record, text_of

if TYPE_CHECKING:
    from ..advice.injection import InjectionWindows
    from ..advice.spark import SparkCeilings
    from ..advice.starting_table import StartingTable
    from ..brief import Brief

__all__ = [
    "BASE_COLUMNS",
    "LOAD_UNITS",
    "ceiling_rows",
    "field_text",
    "injection_notes",
    "injection_row",
    "number",
    "starting_notes",
    "strategy_jumps",
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
# Ends of injection of two strategies further apart than this have the overlap between them [crank deg]; ESTIMATE.
JUMP = 90.0


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


def starting_notes(starting: StartingTable) -> list[str]:
    """Return what the numbers of the starting table are, in lines of text."""
    si = starting.si
    edge = "the low edge of its knock band"
    if not starting.knock_sampled:
        edge = f"best torque and knock less {UNSAMPLED:g} deg, since nobody sampled this engine's knock band"
    lines = [
        f"No cell is above {edge}, less another {si.margin:g} deg. At one speed spark never rises with load.",
        f"Where the charge or the idle wanders, neighbours differ by at most {STEEPEST:g} deg. They differ more only where so little burns too late.",
    ]
    if starting.avoid.any():
        speeds, loads = starting.speed.magnitude, starting.manifold_pressure.magnitude
        places = ", ".join(f"{speeds[column]:.0f} rpm and {loads[row]:.0f} kPa" for row, column in np.argwhere(starting.avoid))
        lines.append(f"Do not load the engine at {places}. Knock leaves less than {si.least_spark:g} deg BTDC there. Use more octane or less compression.")
    late = int(starting.below_floor.sum())
    if late:
        cells = "1 cell of the zone burns" if late == 1 else f"{late} cells of the zone burn"
        lines.append(f"{cells} later than the floor. Late burning overheats the exhaust. Spark alone cannot fix that: raise speed, change gear or cam.")
    return [*lines, "To keep your own table and lower it no further than needed, use camcalc shape."]


def injection_row(brief: Brief) -> int:
    """Return the load row of the injection windows that is shown: the second, a cruise, if there is one."""
    return min(1, len(brief.injection.si.manifold_pressure) - 1)


def window_rows(brief: Brief, row: int) -> list[list[str]]:
    """Return injection windows at one load as rows of text."""
    w = brief.injection
    pulse = w.pulse_width.magnitude[row]
    angles = [w.in_reference(name)[row] for name in ("start_of_injection", "end_of_injection", "earliest", "latest")]
    shares = [] if w.shut_valve is None or w.open_valve is None else [100.0 * s.si.to_plenum[row] for s in (w.shut_valve, w.open_valve)]
    out = []
    for k, speed in enumerate(w.speed.magnitude):
        numbers = [f"{v[k]:.0f}" if math.isfinite(v[k]) else "none" for v in (*angles, *shares)]
        out.append([f"{speed:.0f}", f"{pulse[k]:.2f}" if math.isfinite(pulse[k]) else "none", *numbers, w.strategy[row][k]])
    return out


def window_heads(brief: Brief) -> list[str]:
    """Return the heads of ``window_rows``."""
    shares = [] if brief.injection.shut_valve is None else ["shut valve:\nto plenum, %", "open valve:\nto plenum, %"]
    return ["rpm", "pulse\nms", "begins", "ends", "window\nfrom", "to", *shares, "strategy"]


def injection_notes(brief: Brief, row: int) -> list[str]:
    """Return why each strategy is recommended at one load, each reason once, with the speeds it holds for."""
    w = brief.injection
    speeds: dict[str, list[str]] = {}
    for speed, why in zip(w.speed.magnitude, w.why[row], strict=True):
        speeds.setdefault(why, []).append(f"{speed:.0f}")
    return [*(f"{', '.join(at)} rpm: {why}" for why, at in speeds.items() if why), *strategy_jumps(w)]


def strategy_jumps(windows: InjectionWindows) -> list[str]:
    """Return where the end of injection moves so far between neighbouring cells that a controller would interpolate through the overlap."""
    ends, speeds, loads = windows.si.end_of_injection, windows.speed.magnitude, windows.manifold_pressure.magnitude
    found = []
    for row, column in np.ndindex(ends.shape):
        along_speed = f"between {speeds[column - 1]:.0f} and {speeds[column]:.0f} rpm at {loads[row]:.0f} kPa"
        along_load = f"between {loads[row - 1]:.0f} and {loads[row]:.0f} kPa at {speeds[column]:.0f} rpm"
        for before, where in (((row, column - 1), along_speed), ((row - 1, column), along_load)):
            if min(before) < 0:
                continue
            apart = abs(ends[row, column] - ends[before])
            if windows.strategy[row][column] != windows.strategy[before[0]][before[1]] and apart > JUMP:
                found.append(f"{where} by {apart:.0f} degrees")
    if not found:
        return []
    return [
        f"the end of injection moves from one strategy to the other {', '.join(found)}: a controller that interpolates between two such "
        "breakpoints ends its pulses in the overlap: set two breakpoints side by side there, or keep one strategy on both"
    ]

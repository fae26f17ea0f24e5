"""Surge of a table in words: verdict and next step of each gear first, what the columns mean last."""

from __future__ import annotations

import math

from ..drive.every_gear import GearsOnTable
from ..drive.road_surge import RoadSurge
from ..marks import Mark
from .describing import describe
from .gears import loose_words, skipped_lines
from .idle_swing import idle_swing_words
from .phrases import COUPLINGS, graded, listed, rpm

__all__ = ["COLUMNS", "SHAKERS", "gear_verdict", "grows", "shakers_words", "surge_notes", "surge_verdict", "surge_words"]

COLUMNS = (
    "Table, burn, driven: acceleration along the road, m/s2 r.m.s., 0.5 to 16 Hz.",
    "Table: load swing and speed swing of the signals through the table's slopes. Burn: cycles that vary, which no table fixes. Both by the linear loop.",
    "Driven: over time at a held speed after a nudge, with driveline backlash, missed cycles, and fuel that follows the load signal.",
    "Other draws of a drive's noise move its acceleration by about a tenth.",
    "Steady, usual, loose: how far the car moves the foot on the pedal (estimate).",
    "Missed: cycles of all cylinders that do not burn. They are felt as jolts.",
    "Backlash: swing of the shafts over their mean torque. At 1 and above the swing crosses the backlash.",
    "Verdict: the worst of linear, steady and usual foot (our grade).",
)
SWING_ESTIMATE = "estimate ([limits] load_jitter, speed_jitter)"
SHAKERS = (
    "What shakes: camcalc drives again with the same noise, less one source of it. The column is the acceleration missing then, m/s2 r.m.s.",
    "Squares add up, not the figures. Noise, table: load noise through the table and all speed noise. Noise, fuel: load noise through the fuel.",
    "Level: the same drive on a level table of that speed's spark. The difference to driven is what the table's slopes do.",
)


@describe.register
def surge_words(found: GearsOnTable, road_speed_unit: str = "km/h") -> str:
    """Return the verdict on a table in every gear, the next step, each gear's own line, then the idle.

    Parameters
    ----------
    found : GearsOnTable
    road_speed_unit : str
        Unit of road speeds, as the sheet asks for.

    Returns
    -------
    str
    """
    lines = [*surge_verdict(found), *(gear_verdict(gear, road_speed_unit) for gear in found.gears)]
    lines += skipped_lines(found.no_answer + tuple(point for gear in found.gears for point in gear.skipped))
    return "\n".join(lines + ([idle_swing_words(found.idle)] if found.idle is not None else []))


def surge_verdict(found: GearsOnTable) -> list[str]:
    """Return the verdict on a table over all gears asked for, and the next step."""
    bad = found.bad_gears
    if not found.gears:
        return ["No answer: no gear has an answer on the level road."]
    names = listed([str(gear.gear) for gear in (bad or found.gears)])
    plural = "s" if len(bad or found.gears) > 1 else ""
    if not bad:
        return [f"No surge in gear{plural} {names} on the level road that needs another gear."]
    return [f"Surge in gear{plural} {names} on the level road. Use a lower gear below the speeds shown."]


def gear_verdict(gear: RoadSurge, road_speed_unit: str = "km/h") -> str:
    """Return the verdict on one gear in one line.

    Parameters
    ----------
    gear : RoadSurge
    road_speed_unit : str
    """
    name = f"gear {gear.gear} ({COUPLINGS[gear.coupling]})"
    if gear.last_bad < 0:
        line = f"{name.capitalize()}: {graded(gear.worst)} at worst, from {rpm(float(gear.si.speed[0]))} up."
        return line if gear.loose_last_bad < 0 else f"{line} {loose_words(gear.gear, gear.coupling, gear.loose_bad_below, gear.loose_bad_below_mark)}"
    at = list(gear.si.speed).index(gear.bad_below)
    road = f"{gear.road_speed.to(road_speed_unit).magnitude[at]:.0f} {road_speed_unit}"
    line = f"Do not use {name} below {rpm(gear.bad_below, gear.bad_below_mark)}, {road}: {graded(gear.worst)} at worst."
    if gear.bad_below_mark is Mark.OR_MORE:
        line += " That is the fastest speed computed."
    if gear.loose_last_bad > gear.last_bad:
        line += f" With a loose foot on the pedal, below {rpm(gear.loose_bad_below, gear.loose_bad_below_mark)}."
    return line


def shakers_words(gear: RoadSurge) -> str:
    """Return what shakes the car at the fastest bad speed, or at the slowest where none is, and what a level table leaves; nothing where not asked for.

    Parameters
    ----------
    gear : RoadSurge
    """
    k, si = max(gear.last_bad, 0), gear.si
    if not math.isfinite(si.on_level[k]):
        return ""
    parts = ", ".join(f"{shaker} {adds:.3f}" for shaker, adds in zip(gear.shakers, si.adds[:, k], strict=True))
    level = f"a level table of that spark leaves {si.on_level[k]:.3f}"
    return f"At {rpm(float(si.speed[k]))}, of {si.driven[0, k]:.3f} m/s2: {parts} (squares add up); {level}."


def surge_notes(found: GearsOnTable) -> list[str]:
    """Return where the swing of the signals comes from, and what half and double of it would change."""
    if found.swing_measured:
        return [f"Swing of the signals: measured in a log. The driven columns still use the {SWING_ESTIMATE}."]
    said = [f"Swing of the signals: {SWING_ESTIMATE}."]
    moved = [str(g.gear) for g in found.gears if g.verdict_at_half != g.verdict or g.verdict_at_double != g.verdict]
    if not moved:
        return [*said, "Half or double of it moves no verdict."]
    return [*said, f"Half or double of it moves verdicts in gear {listed(moved)}. Measure it in a log: camcalc surge --swing LOG."]


def grows(value: float, digits: int = 3) -> str:
    """Return an acceleration for a column; a self-excited swing grows without end.

    >>> grows(0.1234), grows(math.inf)
    ('0.123', 'grows')
    """
    return f"{value:.{digits}f}" if math.isfinite(value) else "grows"

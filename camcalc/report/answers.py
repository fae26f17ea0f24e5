"""What the first screen of the brief answers, found in the result: which words, which cells."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from ..advice.headlines import CRUISE, zone_of
from ..advice.reversion import SLOWEST
from ..vehicle.coupling import Coupling

if TYPE_CHECKING:
    from ..advice.injection import InjectionWindows
    from ..advice.spark import SparkCeilings
    from ..brief import Brief

__all__ = ["CeilingZone", "InjectionPick", "ceiling_zone", "idle_words", "injection_picks", "surge_gears", "trouble_words"]


def idle_words(brief: Brief) -> str:
    """Return in plain words how evenly the new cam idles, and whether it does so in every state of the car."""
    even = brief.idle.new[0].si.imep_variation <= brief.build.limits.stability
    words = "evenly" if even else "but unevenly"
    return words + (", and not in every state of the car" if brief.idle.unreachable else "")


def trouble_words(brief: Brief) -> str:
    """Return in plain words in which gears the new cam is uneven on the level road, and in which it surges on the table proposed."""
    uneven = {gear.gear: gear.si.unstable_below for gear in brief.reversion.new if gear.held}
    surging = {gear.gear: gear.si.bad_below for gear in (brief.surge[0].gears if brief.surge else ()) if gear.coupling is Coupling.LOCKED}
    words = f"Uneven in {_gears(uneven)}" if _bad(uneven) else f"Uneven in no gear down to {SLOWEST * 60:.0f} rpm"
    if not surging:
        return words
    return f"{words}; surge in {_gears(surging)}" if _bad(surging) else f"{words}; surge in none"


def _bad(below: dict[int, float]) -> list[int]:
    return sorted(gear for gear, speed in below.items() if math.isfinite(speed))


def _gears(below: dict[int, float]) -> str:
    bad = _bad(below)
    whole = len(bad) > 2 and bad == list(range(bad[0], bad[-1] + 1))
    listed = f"{bad[0]} to {bad[-1]}" if whole else ", ".join(map(str, bad))
    return f"gear{'s' if len(bad) > 1 else ''} {listed} up to {max(below[g] for g in bad) * 60:.0f} rpm"


class CeilingZone(NamedTuple):
    """Rows and columns of the least rectangle that holds every ceiling, and the lowest cell that spark cures, if any, by row and column."""

    rows: list[int]
    columns: list[int]
    worst: tuple[int, int] | None


def ceiling_zone(ceilings: SparkCeilings) -> CeilingZone | None:
    """Return where the ceilings stand in their grid, highest load first; None without any."""
    zone = zone_of(ceilings)
    if zone is None:
        return None
    rows, columns = range(zone.rows.start, zone.rows.stop), range(zone.columns.start, zone.columns.stop)
    worst = None if zone.worst is None else (rows[zone.worst[0]], columns[zone.worst[1]])
    return CeilingZone(list(reversed(rows)), list(columns), worst)


class InjectionPick(NamedTuple):
    """A cell of the injection grid to start from: what for, its row, its column."""

    what: str
    row: int
    column: int


def injection_picks(brief: Brief) -> list[InjectionPick]:
    """Return the cells next to idle and to a cruise at which the engine runs."""
    idle = brief.idle.new[0].si
    wanted = (("next to idle", idle.speed, idle.manifold_pressure), ("at a cruise", *CRUISE))
    return [InjectionPick(what, *_nearest(brief.injection, speed, pressure)) for what, speed, pressure in wanted]


def _nearest(windows: InjectionWindows, speed: float, pressure: float) -> tuple[int, int]:
    """Return row and column of the cell with an answer next to a speed [rev/s] and manifold pressure [Pa], far apart by ratio."""
    speeds, pressures = windows.si.speed, windows.si.manifold_pressure
    apart = np.abs(np.log(speeds / speed))[None, :] + np.abs(np.log(pressures / pressure))[:, None]
    apart = np.where(np.isfinite(windows.si.end_of_injection), apart, math.inf)
    row, column = np.unravel_index(int(np.argmin(apart)), apart.shape)
    return int(row), int(column)


def surge_gears(data: dict[str, Any]) -> dict[int, str]:
    """Return where the data tells of each gear, locked, on the table proposed; nothing if no gear surges."""
    proposed = data["surge"][0]["gears"] if data["surge"] else []
    own = Coupling.LOCKED.code
    locked = {gear["gear"]: (f"surge/0/gears/{k}", gear["bad_below"]["value"]) for k, gear in enumerate(proposed) if gear["coupling"]["code"] == own}
    return {gear: path for gear, (path, _) in locked.items()} if any(below is not None for _, below in locked.values()) else {}

"""Gears in words: which one not to use below which speed, what shakes the car there, and how much of it is the table's doing."""

from __future__ import annotations

import math

from ..drive.gear_advice import BesideLevel, DriveAdvice, GearSurge, LevelHelps, SurgeReason
from ..drive.no_answer import SkippedPoint
from ..drive.what_helps import Help
from ..marks import Mark
from ..vehicle.coupling import Coupling
from .describing import describe
from .idle_swing import idle_swing_words
from .phrases import COUPLINGS, figure, graded, listed, rpm

__all__ = ["beside_level_words", "gear_lines", "gears_words", "loose_words", "reason_words", "skipped_lines", "surge_lines", "verdict_words"]

# Fewer missed cycles a minute, less acceleration [m/s2] and a remedy that leaves more are not told. The draws of a drive move its acceleration by about
# a tenth; with the same draws less than a tenth is not told apart. ESTIMATE.
MISSED_TOLD, ADDS_TOLD, HELPS_TOLD, ALIKE = 0.5, 0.02, 0.9, 0.9
# On a level table of the lowest ceiling cars surge less, and tables are seldom level for a reason.
GENTLER = "A table that climbs less with speed damps more, but costs torque outside the low-speed zone."


@describe.register
def gears_words(advice: DriveAdvice, road_speed_unit: str = "km/h") -> str:
    """Return which gear not to use below which speed on a table, verdict first.

    Parameters
    ----------
    advice : DriveAdvice
    road_speed_unit : str
        Unit of road speeds, as the sheet asks for.

    Returns
    -------
    str
        A line for the verdict, one for each gear that surges, then what a level table does and how the idle swings.
    """
    return "\n".join(surge_lines(advice, road_speed_unit))


def surge_lines(advice: DriveAdvice, road_speed_unit: str = "km/h") -> list[str]:
    """Return ``gears_words`` line by line, with the points that have no answer."""
    lines = [verdict_words(advice), *gear_lines(advice, road_speed_unit)]
    lines += beside_level_words(advice.beside_level) if advice.beside_level else []
    lines += [idle_swing_words(advice.idle)] if advice.idle else []
    return lines + skipped_lines(tuple(point for gear in advice.gears for point in gear.skipped))


def verdict_words(advice: DriveAdvice) -> str:
    """Return the verdict on a table in one line.

    >>> from camcalc.drive.gear_advice import WhichTable
    >>> verdict_words(DriveAdvice(table=WhichTable.STARTING, gears=()))
    'Starting table: no gear surges on the level road.'
    """
    name = str(advice.table).capitalize()
    bad = advice.bad_gears
    if not bad:
        return f"{name}: no gear surges on the level road."
    gears = listed(list(dict.fromkeys(str(g.gear) for g in bad)))
    return f"{name}: surge in gear {gears} on the level road. Use a lower gear below the speeds shown."


def gear_lines(advice: DriveAdvice, road_speed_unit: str = "km/h") -> list[str]:
    """Return a line for each gear that surges: the speed not to go below, the verdict, the reason; then for each that does so with a loose foot alone.

    Parameters
    ----------
    advice : DriveAdvice
    road_speed_unit : str
    """
    loose = [loose_words(g.gear, g.coupling, g.si.loose_bad_below, g.mark("loose_bad_below")) for g in advice.gears if g.bad_with_a_loose_foot_alone]
    return [*(_gear_line(g, road_speed_unit) for g in advice.bad_gears), *loose]


def loose_words(gear: int, coupling: Coupling, speed: float, mark: Mark | None) -> str:
    """Return what a gear does that surges with a loose foot alone.

    Parameters
    ----------
    gear : int
        Counted from 1.
    coupling : Coupling
    speed : float [rev/s]
        Not to go below.
    mark : Mark or None
        Of that speed.

    Examples
    --------
    >>> loose_words(2, Coupling.LOCKED, 25.0, Mark.OR_MORE)
    'Gear 2 (locked) surges below 1500 rpm or more with a loose foot on the pedal only.'
    """
    return f"Gear {gear} ({COUPLINGS[coupling]}) surges below {rpm(speed, mark)} with a loose foot on the pedal only."


def _gear_line(g: GearSurge, unit: str) -> str:
    road = f"{g.bad_below_road_speed.to(unit).magnitude:.0f} {unit}"
    line = f"Do not use gear {g.gear} ({COUPLINGS[g.coupling]}) below {rpm(g.si.bad_below)}, {road}: {graded(g.worst)} at worst."
    if g.mark("bad_below") is Mark.OR_MORE:
        line += " That is the fastest speed computed, and it surges there too."
    # At the end of the speeds computed the figure alone does not tell them apart.
    ends = [g.mark(name) is Mark.OR_MORE for name in ("bad_below", "loose_bad_below")]
    if g.si.loose_bad_below > g.si.bad_below or ends == [False, True]:
        line += f" With a loose foot on the pedal, below {rpm(g.si.loose_bad_below, g.mark('loose_bad_below'))}."
    return f"{line} {reason_words(g.reason)}" if g.reason is not None else line


def reason_words(reason: SurgeReason) -> str:
    """Return what takes the damping and what shakes the car at a point.

    Parameters
    ----------
    reason : SurgeReason

    Examples
    --------
    >>> reason_words(SurgeReason(speed=20.0, damping=0.03, takes_most=None, taken=0.0, from_burn=0.2, from_jitter=0.1, self_excited=False,
    ...     backlash_holds=True, missed=0.0, peaks=0.9, adds_missed=0.0, adds_table=0.1, adds_fuel=0.01, adds_foot=0.0, pressure=47e3, spark=25.0, steady=0.2,
    ...     on_level=math.nan))
    'Damping ratio 0.030. Cycles that vary: 0.20 m/s2 r.m.s. Swing of the signals through the table: 0.10 m/s2. The swing crosses the driveline backlash.'
    """
    si = reason.si
    parts = [f"Damping ratio {si.damping:.3f}."]
    if reason.takes_most is not None:
        parts.append(f"Most is lost to {reason.takes_most}: {si.taken:.3f}.")
    if reason.self_excited:
        parts.append("The swing is self-excited.")
    else:
        parts.append(f"Cycles that vary: {figure(si.from_burn, 2, 'm/s2')} r.m.s.")
        parts.append(f"Swing of the signals through the table: {figure(si.from_jitter, 2, 'm/s2')}.")
    if reason.backlash_holds:
        parts.append("The swing crosses the driveline backlash.")
    return " ".join([*parts, *_driven_words(reason)])


def _driven_words(reason: SurgeReason) -> list[str]:
    """Return what a drive over time adds: missed cycles, fuel, foot, and what helps most."""
    si, parts = reason.si, []
    if si.missed * 60.0 >= MISSED_TOLD:
        parts.append(f"{si.missed * 60.0:.0f} cycles a minute miss: {figure(si.adds_missed, 2, 'm/s2')} of it.")
    if math.isfinite(si.on_level):
        level = f"On a level table of the same spark, {si.spark:.0f} deg, {figure(si.on_level, 2, 'm/s2')} of {figure(si.steady, 2, 'm/s2')} is left"
        parts.append(f"{level}: the slopes of the table do {'little' if si.on_level > ALIKE * si.steady else 'the rest'}.")
    for adds, what in ((si.adds_fuel, "Load noise through the fuel"), (si.adds_foot, "A usual foot on the pedal")):
        if adds >= ADDS_TOLD:
            parts.append(f"{what} adds {figure(adds, 2, 'm/s2')}.")
    if reason.helps and reason.helps[0].share < HELPS_TOLD:
        best = reason.helps[0]
        where = f" about {rpm(si.speed)}, {si.pressure / 1e3:.0f} kPa" if best.help is Help.BLENDED else ""
        parts.append(f"Most helps {best.help}{where}: {figure(best.si.was, 2, 'm/s2')} becomes {figure(best.si.shake, 2, 'm/s2')}.")
    return parts


def beside_level_words(found: BesideLevel) -> list[str]:
    """Return what a level table does for the gears that surge.

    Parameters
    ----------
    found : BesideLevel
    """
    lines = []
    for gear in found.gears:
        name = f"gear {gear.gear} ({COUPLINGS[gear.coupling]})"
        if gear.helps is LevelHelps.NO_BETTER:
            lines.append(f"A level table of {found.si.spark:.0f} deg BTDC is no better in {name}.")
        else:
            fit = f"fit from {rpm(gear.si.bad_below, gear.mark('bad_below'))}" if gear.helps is LevelHelps.FIT_EARLIER else "fit at every speed"
            lines.append(f"On a level table of {found.si.spark:.0f} deg BTDC {name} is {fit}. It has less spark there as well as no slope.")
    if any(gear.helps is not LevelHelps.NO_BETTER for gear in found.gears):
        lines.append(GENTLER)
    return lines


def skipped_lines(points: tuple[SkippedPoint, ...]) -> list[str]:
    """Return the points of the road without an answer, those of one gear with one reason together.

    Examples
    --------
    >>> from camcalc.drive.no_answer import NoAnswer
    >>> points = tuple(SkippedPoint(gear=4, speed=n, why=NoAnswer.TOO_LITTLE_TORQUE) for n in (15.0, 20.0))
    >>> skipped_lines(points)
    ['No answer in gear 4 at 900 to 1200 rpm: the engine makes too little torque there to hold the car.']
    """
    grouped: dict[tuple[int, object], list[float]] = {}
    for point in points:
        grouped.setdefault((point.gear, point.why), []).append(60.0 * point.si.speed)
    lines = []
    for (gear, why), speeds in grouped.items():
        low, high = min(speeds), max(speeds)
        at = f"{low:.0f} rpm" if math.isclose(low, high) else f"{low:.0f} to {high:.0f} rpm"
        lines.append(f"No answer in gear {gear} at {at}: {why}.")
    return lines

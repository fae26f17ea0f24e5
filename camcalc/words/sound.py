"""What is heard and felt, in words: what the sound is and is not, each idle and drive, and why a right sound is no verdict."""

from __future__ import annotations

import math

from ..advice.idle import IdleVerdict
from ..drive.drive_run import Driver
from ..drive.road_surge import RoadSurge
from ..sound.cases import SLOWEST_RUN, DriveCase, DrivenOn, HeardBuild, IdleCase, Shares, Slider
from ..sound.hearing import HeardDrive, HeardIdle
from ..unit_system import UnitSystem, vacuum_text
from .describing import describe
from .figures import btdc, percent
from .gears import skipped_lines
from .phrases import capitalised, counted, figure, graded, listed, rpm
from .surge import gear_verdict

__all__ = [
    "ADDS_NOTE", "HONEST", "SLIDERS", "STEEPNESS", "bars_head", "drive_figures", "drive_head", "drive_name", "gear_rows", "heard_words",
    "idle_figures", "idle_head", "idle_name", "level_words", "own_text", "position_text", "positions_words", "share_rows", "share_text", "shares_words",
    "speeds_words", "steepness_text", "strip_head", "strip_words", "table_name", "trap_words",
]  # fmt: skip

HONEST = (
    "You hear the rhythm of this engine, not the tone of this exhaust.",
    "Each burn is one pulse, as strong as its work (estimate). A missed cycle has no pulse: a silent slot.",
    "The pipe is plain, open at its end, its gas at 600 K (estimate). No silencer, valve train or intake sounds in it.",
    "All cylinders meet in one pipe at the same distance and fire at equal angles. One bank of a V8 by itself beats differently.",
    "Most of it lies below 200 Hz. Use headphones: small loudspeakers leave most of it out.",
    "Idles run with throttle and spark held. No idle control works on them; a control narrows the swing of the speed.",
    "All sounds have the same random draws. Differences between two sounds are the engine's.",
)
LEVEL_NOTE = "All sounds have one r.m.s. level. Loudness compares nothing."
ADDS_NOTE = (
    "Each bar: what is missing when the same drive runs without it. They do not add up to the whole: what one shakes, another damps or feeds. "
    "Another draw of chance moves all of them by about a tenth. Steady foot, but for the foot's own bar."
)
NONE_FOUND = "none found"
SLIDERS = {
    Slider.LOBE_SEPARATION: "Lobe separation, cam deg",
    Slider.ADVANCE: "Cam advance, crank deg",
    Slider.IDLE_SPEED: "Idle speed, rpm",
    Slider.IDLE_SPARK: "Spark at idle, deg BTDC",
}
STEEPNESS = "Steepness of your table, % of its own slopes"
VERDICTS = {
    IdleVerdict.STEADY: "Steady idle",
    IdleVerdict.ROUGH: "Rough idle, but alive",
    IdleVerdict.MISSES: "Idle that misses",
}
DRIVERS = {
    Driver.SPEED_HOLD: "cruise at a held speed",
    Driver.STEADY_PEDAL: "cruise on a held pedal",
    Driver.TIP_IN: "tip-in: the pedal moves after one second",
    Driver.CLOSED_PEDAL: "closed pedal, from one second on",
    Driver.BLIP: "blip: the pedal moves down and up after one second",
}
# A run's mean further from the speed asked for is said [rev/s].
OFF = 5.0 / 60.0
TRAP = "A right sound at idle is no verdict on the road."


def level_words(heard: HeardBuild) -> str:
    """Return at which level the sounds are."""
    root = 20.0 * math.log10(heard.gain) if heard.gain > 0.0 else -math.inf
    peak = 20.0 * math.log10(heard.peak)
    return f"{LEVEL_NOTE} That level is {root:.0f} dB below full scale, the loudest peak of all {peak:.0f} dB.".replace("-", "")


def position_text(case: IdleCase) -> str:
    """Return where a case's slider is, with its unit.

    Parameters
    ----------
    case : IdleCase
    """
    si = case.si
    if case.slider is Slider.LOBE_SEPARATION:
        return f"{case.lobe_separation.to('cam_deg').magnitude:g} cam deg"
    if case.slider is Slider.ADVANCE:
        return "set straight" if si.advance == 0.0 else f"{abs(si.advance):g} crank deg {'advanced' if si.advance > 0.0 else 'retarded'}"
    if case.slider is Slider.IDLE_SPEED:
        return rpm(si.speed)
    if case.slider is Slider.IDLE_SPARK:
        return btdc(case.heard.si.spark) if case.heard is not None else _beside_idle_spark(si.spark_change)
    return "your sheet" if case.slider is Slider.NONE else "old cam"


def _beside_idle_spark(change: float) -> str:
    return f"{abs(change):g} deg {'more' if change > 0.0 else 'less'} than the idle spark"


def own_text(slider: Slider, own: IdleCase) -> str:
    """Return where a slider is on the sheet.

    Parameters
    ----------
    slider : Slider
    own : IdleCase
        The sheet's own.
    """
    if slider is Slider.IDLE_SPARK:
        return f"{btdc(own.heard.si.spark)}, the idle spark" if own.heard is not None else "the idle spark"
    return position_text(own.replace(slider=slider))


def positions_words(texts: list[str], place: int) -> str:
    """Return which position of a slider is heard, and which are next to it; ``place`` counts from 0.

    >>> positions_words(["750 rpm", "850 rpm", "950 rpm"], 1)
    'You hear 850 rpm. Next computed: 750 rpm and 950 rpm, nothing in between.'
    """
    beside = [texts[k] for k in (place - 1, place + 1) if 0 <= k < len(texts)]
    return f"You hear {texts[place]}. Next computed: {listed(beside)}, nothing in between."


def steepness_text(share: float) -> str:
    """Return a share of a table's own slopes.

    >>> steepness_text(0.0), steepness_text(1.0), steepness_text(2.0)
    ('level', 'your table', '200 % of your slopes')
    """
    if share == 0.0:
        return "level"
    return "your table" if share == 1.0 else f"{percent(share)} of your slopes"


def strip_head(what: str, middle: str, reach: str) -> str:
    """Return the head of a line: what it shows, its middle and how far it reaches.

    >>> strip_head("Crank speed", "850 rpm", "130 rpm")
    'Crank speed: middle 850 rpm, edges 130 rpm to either side'
    """
    return f"{what}: middle {middle}, edges {reach} to either side"


def bars_head(most: float) -> str:
    """Return the head of the bars of work; ``most`` in J."""
    return f"Work of each burn, all cylinders: top {most:.0f} J. A dashed line is a missed cycle."


def idle_name(case: IdleCase) -> str:
    """Return a case of an idle in a few words.

    Parameters
    ----------
    case : IdleCase
    """
    names = {
        Slider.NONE: "New cam, your sheet",
        Slider.REPLACED_CAM: "Old cam",
        Slider.LOBE_SEPARATION: f"Lobe separation {position_text(case)}",
        Slider.ADVANCE: f"Cam {position_text(case)}",
        Slider.IDLE_SPEED: f"Idle at {position_text(case)}",
        Slider.IDLE_SPARK: f"Spark {_beside_idle_spark(case.si.spark_change)}",
    }
    return names[case.slider]


def idle_head(case: IdleCase) -> str:
    """Return how an idle runs, in two sentences.

    Parameters
    ----------
    case : IdleCase
    """
    heard = case.heard
    if case.too_slow:
        return f"No sound: {rpm(case.si.speed)} is too slow. Runs over time are worked out from {rpm(SLOWEST_RUN)} up."
    if heard is None:
        lowest = f" The lowest idle found is {rpm(case.si.lowest)}." if math.isfinite(case.si.lowest) else ""
        return f"No sound: the engine does not idle at {rpm(case.si.speed)} here.{lowest}"
    at = f"{VERDICTS[heard.verdict] if heard.verdict is not None else 'Idle'} at {rpm(heard.si.speed)}"
    if heard.stalled:
        return f"{at}: the engine stalls."
    mean = f" about {60.0 * heard.si.runs_at:.0f} rpm." if abs(heard.si.runs_at - heard.si.speed) > OFF else ""
    return f"{at}. Its speed swings by {60.0 * heard.si.speed_swing:.0f} rpm r.m.s.{mean} {_missed_in_words(heard.si.missed)}"


def idle_figures(heard: HeardIdle, units: UnitSystem = UnitSystem.IMPERIAL) -> list[tuple[str, str]]:
    """Return the figures of an idle as names and texts.

    Parameters
    ----------
    heard : HeardIdle
    units : UnitSystem
        Of vacuum.
    """
    si = heard.si
    found = [
        ("cam", heard.cam),
        ("spark", btdc(si.spark, heard.mark("spark"))),
        ("vacuum", vacuum_text(si.manifold_vacuum, units)),
        ("residual", f"{percent(si.residual)} of charge"),
    ]
    if heard.stalled:
        return found
    found += [
        ("crank speed", f"{60.0 * si.slowest:.0f} to {60.0 * si.fastest:.0f} rpm in a minute, {60.0 * si.runs_at:.0f} on average; no control holds it"),
        ("missed cycles", f"{60.0 * si.missed:.0f} in a minute of all cylinders; {60.0 * si.expected:.0f} expected at a steady speed and pressure"),
        ("work of the burns", f"{percent(si.variation)} scatter, missed cycles counted"),
        ("heard", f"{counted(len(heard.firings.si.time), 'firing')}, {_of_them(heard.firings.missed.sum())}"),
    ]
    if heard.beyond_data:
        found.append(("note", "This much residual is beyond any engine data. Take spark and missed cycles as a direction."))
    return found


def _missed_in_words(missed: float) -> str:
    """Return how many cycles missed, in a sentence; ``missed`` in 1/s."""
    a_minute = round(60.0 * missed)
    if a_minute == 0:
        return "No cycle missed."
    return f"{counted(a_minute, 'cycle')} a minute missed."


def _of_them(missed: float) -> str:
    return f"{missed:.0f} of them missed" if missed else "none missed"


def drive_name(case: DriveCase) -> str:
    """Return a drive in a few words.

    Parameters
    ----------
    case : DriveCase
    """
    return f"{capitalised(DRIVERS[case.driver].split(':')[0].split(' at ')[0])}, {table_name(case)}"


def table_name(case: DriveCase) -> str:
    """Return the table of a drive in a few words.

    Parameters
    ----------
    case : DriveCase
    """
    share = case.si.steepness
    if case.on is DrivenOn.SHAPED:
        return "shaped table"
    if share == 0.0:
        return "level table of your spark there"
    return "your table" if share == 1.0 else f"your table, slopes at {percent(share)}"


def drive_head(case: DriveCase) -> str:
    """Return how a drive feels, in two sentences.

    Parameters
    ----------
    case : DriveCase
    """
    heard = case.heard
    if heard is None:
        return "No sound: the engine does not hold the car there, or the car drives it with its fuel cut."
    if heard.stalled:
        return "The engine stalls."
    shake = f"the car shakes with {figure(heard.si.shake, 3, 'm/s2')} r.m.s."
    return f"{capitalised(graded(heard.verdict))}: {shake} {_missed_in_words(heard.si.missed)}"


def drive_figures(heard: HeardDrive, road_speed_unit: str = "km/h") -> list[tuple[str, str]]:
    """Return the figures of a drive as names and texts.

    Parameters
    ----------
    heard : HeardDrive
    road_speed_unit : str
    """
    si = heard.si
    road = f"{heard.road_speed.to(road_speed_unit).magnitude:.0f} {road_speed_unit}"
    return [
        ("drive", DRIVERS[heard.driver]),
        ("from", f"gear {heard.gear}, {rpm(si.speed)}, {road}, with {heard.foot}"),
        ("spark there", f"{btdc(si.spark)}, swings by {figure(si.spark_swing, 1, 'deg')} from peak to peak"),
        ("acceleration", f"{figure(si.shake, 3, 'm/s2')} r.m.s., {figure(si.peaks, 2, 'm/s2')} from peak to peak, 0.5 to 16 Hz"),
        ("heard", f"{counted(len(heard.firings.si.time), 'firing')}, {_of_them(heard.firings.missed.sum())}"),
    ]


def share_text(adds: float) -> str:
    """Return what something adds [m/s2]; nothing that chance could not have made is told.

    >>> share_text(0.092), share_text(0.0)
    ('0.092', 'none found')
    """
    return NONE_FOUND if adds == 0.0 else figure(adds, 3)


def share_rows(shares: Shares) -> list[tuple[str, float]]:
    """Return what each thing adds to the shaking, as names and accelerations [m/s2]."""
    si = shares.si
    return [
        ("Burns that vary", si.burn),
        ("Missed cycles", si.missed),
        ("Load noise through the fuel", si.fuel),
        ("Load and speed noise through the table", si.table),
        ("A usual foot on the pedal", si.foot),
    ]


def shares_words(shares: Shares) -> str:
    """Return what all of it comes to, and what a level table leaves."""
    si = shares.si
    all_of_it = f"At {rpm(si.speed)}: {figure(si.steady, 3, 'm/s2')} r.m.s. with a steady foot, {figure(si.usual, 3, 'm/s2')} with a usual one."
    return f"{all_of_it} A level table of the same spark leaves {figure(si.on_level, 3, 'm/s2')}."


def gear_rows(gears: tuple[RoadSurge, ...], road_speed_unit: str = "km/h") -> list[tuple[str, str, str, str]]:
    """Return each gear's lowest usable speed: gear, crank speed, road speed, the worst verdict.

    Parameters
    ----------
    gears : tuple of RoadSurge
    road_speed_unit : str
    """
    rows = []
    for gear in gears:
        if gear.last_bad < 0:
            rows.append((str(gear.gear), f"from {rpm(float(gear.si.speed[0]))} up", "", graded(gear.worst)))
            continue
        at = list(gear.si.speed).index(gear.bad_below)
        road = f"{gear.road_speed.to(road_speed_unit).magnitude[at]:.0f} {road_speed_unit}"
        rows.append((str(gear.gear), rpm(gear.bad_below, gear.bad_below_mark), road, graded(gear.worst)))
    return rows


def trap_words(heard: HeardBuild) -> list[str]:
    """Return why a right sound is no verdict, with the figures of idle and road."""
    lines = [TRAP]
    new, old = heard.idle(Slider.NONE), heard.idle(Slider.REPLACED_CAM)
    lines += [f"{name} {idle_head(case)}" for name, case in (("New cam:", new), ("Old cam:", old)) if case is not None]
    bad = [gear for gear in heard.gears if gear.last_bad >= 0]
    if bad:
        limits = listed([f"{rpm(gear.bad_below, gear.bad_below_mark)} in gear {gear.gear}" for gear in bad])
        lines.append(f"On the road with the new cam and your table{_locked(heard)}, do not drive below {limits}.")
        lines.append("Slower, at a usual foot or in the loop alone, the car surges. One drive on one draw may be a grade milder.")
    elif heard.gears:
        lines.append(f"On the road with the new cam and your table{_locked(heard)} no gear surges at the speeds computed.")
    return lines


def _locked(heard: HeardBuild) -> str:
    """Return which coupling the gears are judged with, where there are two."""
    return ", converter locked" if heard.converter else ""


def speeds_words(heard: HeardBuild) -> str:
    """Return at which speeds the gears are judged, with the converter locked where there is one."""
    speeds = sorted({round(60.0 * float(speed)) for gear in heard.gears for speed in gear.si.speed})
    at = f" at {', '.join(map(str, speeds))} rpm" if speeds else ""
    return f"On the level road, {'converter locked' if heard.converter else 'clutch closed'}, judged{at}."


@describe.register
def heard_words(heard: HeardBuild) -> str:
    """Return what a build sounds and feels like: the trap first, then idles, drives and gears.

    Parameters
    ----------
    heard : HeardBuild

    Returns
    -------
    str
    """
    lines = [*trap_words(heard), "Idles:"]
    lines += [f"  {idle_name(case)}: {idle_head(case)}" for case in heard.idles]
    if heard.drives:
        lines += [f"Drives, gear {heard.gear}:", *(f"  {drive_name(case)}: {drive_head(case)}" for case in heard.drives)]
    if heard.shares is not None:
        lines += [shares_words(heard.shares), *(f"  {name}: {share_text(adds)}" for name, adds in share_rows(heard.shares)), ADDS_NOTE]
    lines += [gear_verdict(gear, heard.road_speed_unit) for gear in heard.gears]
    return "\n".join([*lines, *skipped_lines(heard.no_answer), *HONEST, level_words(heard)])


@describe.register
def heard_idle_words(heard: HeardIdle, units: UnitSystem = UnitSystem.IMPERIAL) -> str:
    """Return the figures of an idle that is heard, a line each.

    Parameters
    ----------
    heard : HeardIdle
    units : UnitSystem
        Of vacuum.
    """
    return "\n".join([*(f"{name}: {text}" for name, text in idle_figures(heard, units)), HONEST[0]])


@describe.register
def heard_drive_words(heard: HeardDrive, road_speed_unit: str = "km/h") -> str:
    """Return the figures of a drive that is heard, a line each.

    Parameters
    ----------
    heard : HeardDrive
    road_speed_unit : str
    """
    return "\n".join([*(f"{name}: {text}" for name, text in drive_figures(heard, road_speed_unit)), HONEST[0]])


def strip_words(what: str, low: float, high: float, unit: str, duration: float) -> str:
    """Return what a line beside a sound shows, for those who do not see it.

    Parameters
    ----------
    what : str
    low, high : float
        Ends of the figures, in ``unit``.
    unit : str
    duration : float [s]

    Examples
    --------
    >>> strip_words("Crank speed", 690.4, 941.0, "rpm", 6.0)
    'Crank speed over 6 s: 690 to 941 rpm'
    """
    digits = 2 if max(abs(low), abs(high)) < 10.0 else 0
    return f"{what} over {duration:g} s: {low:.{digits}f} to {high:.{digits}f} {unit}"

"""A comparison in words: what each figure is, what was found beside it, which build has the better street manners and why."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from ..advice.headlines import CRUISE
from ..advice.idle_speeds import FASTEST
from ..advice.reversion import SLOWEST
from ..compare.comparison import Comparison
from ..compare.findings import Better, DecidedBy, TablesUsed
from ..compare.lineup import Lineup
from ..unit_system import UnitSystem
from ..vehicle.acceleration_weighting import SurgeGrade
from .brakes import brakes_words, no_idle_no_vacuum
from .describing import describe
from .figures import btdc, cell_text, set_rpm
from .phrases import capitalised, graded, listed

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ..compare import ComparedBuild, ComparedFigure, LineupFigure, Spot, Verdict

__all__ = [
    "better_words", "brake_lines", "builds_lines", "figure_label", "figure_notes", "headline_words", "lineup_words", "must_lines", "reasons_words",
    "setting_lines", "shown_unit", "unit_words", "verdict_words", "why_lines",
]  # fmt: skip

UNITS = {"percent": "%", "crank_deg": "deg", "mm*crank_deg": "mm deg", "m/s**2": "m/s²"}
LABELS = {
    "vacuum": "idle vacuum, own idle speed",
    "burned_fraction": "residual at idle",
    "imep_variation": "COV of IMEP at idle",
    "idle_missed": "missed cycles at idle",
    "vacuum_in_drive": "idle vacuum in drive",
    "variation_in_drive": "COV of IMEP at idle in drive",
    "lowest_steady_speed": "lowest steady idle",
    "worst_ceiling": "lowest spark ceiling, BTDC",
    "slow_shaking": "shaking just above idle",
    "slow_damping": "damping ratio just above idle",
    "overlap_angle": "overlap, seat to seat",
    "overlap_area": "overlap area",
    "effective_compression": "effective compression",
}
EVENTS = {"intake_opens": "IVO, BTDC", "intake_closes": "IVC, ABDC", "exhaust_opens": "EVO, BBDC", "exhaust_closes": "EVC, ATDC", "overlap": "overlap"}
HEIGHTS = {"0.050": "0.050 in tappet", "seat": "0.15 mm valve"}
# What a figure that is missing means, where it does not mean that the engine does not run.
STEADY_ALL_THE_WAY = f"smooth down to {SLOWEST * 60.0:.0f} rpm, where the search ends"
MEANS = {"lowest_steady_speed": f"steady at no idle speed up to {FASTEST * 60.0:.0f} rpm", "worst_ceiling": "no cell needs a ceiling"}
SHORT = {Better.NO_DIFFERENCE: "no real difference", Better.TASTE: "neither way", Better.NO_ANSWER: "no answer"}


def unit_words(unit: str) -> str:
    """Return a unit as the tables of a comparison write it.

    >>> unit_words("crank_deg"), unit_words("inHg")
    ('deg', 'inHg')
    """
    return UNITS.get(unit, unit)


def shown_unit(figure: ComparedFigure | LineupFigure, system: UnitSystem) -> str:
    """Return the unit in which a user reads a figure: vacuum in kPa where the sheet is metric, all others as they are."""
    return "kPa" if figure.unit == "inHg" and system is UnitSystem.METRIC else figure.unit


def road_unit(both: Comparison) -> str:
    """Return the unit of road speed that a comparison has its figures in."""
    return both.figure(f"unstable_road_speed_{both.sampled_gear}").unit


def figure_label(figure: ComparedFigure | LineupFigure, both: Comparison) -> str:
    """Return what a figure is, for a table; ``both`` is any comparison that it belongs to, for the speeds it was asked at."""
    name = figure.name
    if name in LABELS:
        return LABELS[name]
    if name == "vacuum_at_equal_speed":
        return f"idle vacuum at {set_rpm(both.si.equal_speed)}"
    if name == "window_width":
        return f"injection window, {cell_text(*CRUISE)}"
    if name.startswith("cruise_"):
        unit = road_unit(both)
        what = "shaking" if name == "cruise_shaking" else "damping ratio"
        return f"{what} at {both.cruise_speed.to(unit).magnitude:.0f} {unit}"
    if name == "unstable_below":
        return f"rough below, gear {figure.gear}, engine speed"
    if figure.gear:
        return f"rough below, gear {figure.gear}"
    if math.isfinite(figure.si.manifold_pressure):
        return f"air charge, {cell_text(figure.si.speed, figure.si.manifold_pressure)}"
    event, _, height = name.rpartition("_")
    return f"{EVENTS[event]}, {HEIGHTS[height]}"


def better_words(better: Better, names: tuple[str, str]) -> str:
    """Return which build a figure favours, for a table.

    >>> better_words(Better.B, ("long", "mild")), better_words(Better.TASTE, ("long", "mild"))
    ('mild', 'neither way')
    """
    return names[0] if better is Better.A else names[1] if better is Better.B else SHORT[better]


def figure_notes(figure: ComparedFigure, both: Comparison) -> list[str]:
    """Return what was found beside the figures of both builds, why one is missing, and how many samples lack one; a sentence each."""
    found = [(build, _beside(figure.name, getattr(figure, which), at, build)) for build, which, at in _by_build(figure, both)]
    said = [text for _, text in found]
    notes = [f"Both: {said[0]}."] if said[0] and said[0] == said[1] else [f"{build.name}: {text}." for build, text in found if text]
    if figure.no_answer > 0.0:
        few = " Too few are left to call one better." if figure.too_few else ""
        notes.append(f"{100.0 * figure.no_answer:.0f} % of the samples have no answer.{few}")
    return notes


def _by_build(figure: ComparedFigure, both: Comparison) -> Iterable[tuple[ComparedBuild, str, Spot | None]]:
    return ((both.a, "a", figure.at_a), (both.b, "b", figure.at_b))


def _beside(name: str, value: float, spot: Spot | None, build: ComparedBuild) -> str:
    """Return what was found beside a figure of one build, or why it is missing."""
    if spot is not None and spot.found is not None:
        where = _where(spot)
        what = graded(spot.found) if isinstance(spot.found, SurgeGrade) else spot.found.meaning
        return f"{where}: {what}" if where else what
    if not math.isnan(value):
        return ""
    if name.startswith("unstable"):
        return STEADY_ALL_THE_WAY
    if name in MEANS:
        return MEANS[name]
    return f"does not idle at {set_rpm(build.si.idle_speed)}" if "vacuum" in name or "variation" in name or name == "burned_fraction" else ""


def _where(spot: Spot) -> str:
    if spot.gear:
        return f"gear {spot.gear}, {set_rpm(spot.si.speed)}"
    return cell_text(spot.si.speed, spot.si.manifold_pressure) if math.isfinite(spot.si.manifold_pressure) else ""


def headline_words(verdict: Verdict, both: Comparison) -> str:
    """Return a verdict in one line: the result, and what it rests on.

    Parameters
    ----------
    verdict : Verdict
    both : Comparison
        That the verdict is of.
    """
    head = f"With a {verdict.transmission}"
    if verdict.choice is Better.TASTE:
        return f"{head}: as many figures favour {both.a.name} as {both.b.name}. Choose by the figures that count for you."
    if not verdict.choice.one_sided:
        return f"{head}: no real difference between {both.a.name} and {both.b.name}."
    best, other = (both.a, both.b) if verdict.choice is Better.A else (both.b, both.a)
    return f"{head}: {best.name} has the better street manners. {_because(verdict, other)}"


def _because(verdict: Verdict, other: ComparedBuild) -> str:
    if verdict.decided_by is DecidedBy.IDLE:
        return f"{other.name} does not idle at its own {set_rpm(other.si.idle_speed)}, which no other figure outweighs."
    if verdict.decided_by is DecidedBy.BRAKES:
        return f"{other.name} leaves a common brake booster too little vacuum, which no other figure outweighs."
    votes = sorted((len(verdict.for_a), len(verdict.for_b)), reverse=True)
    return f"Figures in favour: {votes[0]} to {votes[1]}."


def reasons_words(verdict: Verdict, both: Comparison) -> list[tuple[str, list[str]]]:
    """Return the figures that favour each build, each list under its head; the winner's first, empty ones left out."""
    lists = [(both.a, "a", "b", verdict.for_a), (both.b, "b", "a", verdict.for_b)]
    if verdict.choice is Better.B:
        lists.reverse()
    return [(f"For {build.name}", [_reason(both.figure(name), both, own, other) for name in names]) for build, own, other, names in lists if names]


def _reason(figure: ComparedFigure, both: Comparison, own: str, other: str) -> str:
    unit = shown_unit(figure, both.a.units)
    return f"{figure_label(figure, both)}: {figure.text(own, unit)} against {figure.text(other, unit)} {unit_words(unit)}".rstrip()


def verdict_words(verdict: Verdict, both: Comparison) -> list[str]:
    """Return a verdict: its headline, the reasons for and against, and what must be done whichever is chosen; a line each."""
    lines = [headline_words(verdict, both)]
    for head, reasons in reasons_words(verdict, both):
        lines += [f"  {head}:", *(f"    {reason}" for reason in reasons)]
    return [*lines, *(f"  {text}" for text in must_lines(verdict, both))]


def must_lines(verdict: Verdict, both: Comparison) -> list[str]:
    """Return what must be done whichever is chosen: an idle that neither has, brakes that either lacks."""
    if not any(verdict.idles):
        return ["Neither idles at its own idle speed there. Raise the idle speed first."]
    short = [build for build, idles, has in zip(both.builds, verdict.idles, verdict.has_brakes, strict=True) if idles and not has]
    if len(short) == 2:
        return ["Neither leaves a common brake booster enough vacuum. Plan a pump, a reservoir or another brake system first."]
    return [_needs_a_pump(build) for build in short if _has(build, verdict)]


def _needs_a_pump(build: ComparedBuild) -> str:
    return f"{build.name} needs a vacuum pump, a reservoir or another brake system before the road."


def _has(build: ComparedBuild, verdict: Verdict) -> bool:
    """Return whether a verdict is on the transmission that a build has: one put behind another sheet's converter needs nothing for it."""
    return (build.transmission == "converter") == (verdict.transmission == "converter")


def _lacks_brakes(lineup: Lineup, build: ComparedBuild) -> bool:
    """Return whether a build's idle, in drive with a converter of its own, leaves a common booster too little vacuum."""
    own = [(v, k) for pair in lineup.pairs for v in pair.verdicts for k, one in enumerate(pair.builds) if one.name == build.name]
    return any(_has(build, v) and v.idles[k] and not v.has_brakes[k] for v, k in own)


def builds_lines(builds: Iterable[ComparedBuild]) -> list[str]:
    """Return what each build is: its own name where that is more than the cam's, the cam, the sheet and its label."""
    lines = []
    for b in builds:
        own = "" if b.name == b.cam else f"{b.name}: "
        lines.append(f"{own}{b.cam} in {b.build}{f' ({b.label})' if b.label else ''}")
    return lines


def brake_lines(builds: Iterable[ComparedBuild]) -> list[str]:
    """Return what each build leaves for the brakes, in neutral."""
    return [f"{b.name}: {no_idle_no_vacuum(b.si.idle_speed) if b.brakes is None else brakes_words(b.brakes)}" for b in builds]


def setting_lines(both: Comparison, builds: Iterable[ComparedBuild] = ()) -> list[str]:
    """Return what was compared how: idle speeds, spark tables, converters, how the sheets differ, what counts as a difference; a sentence each."""
    builds = tuple(builds) or both.builds
    lines = [f"Idle speeds: {'; '.join(f'{b.name} at {set_rpm(b.si.idle_speed)}' for b in builds)}."]
    tables = both.tables.meaning
    if both.tables in (TablesUsed.LEVEL_AT_CEILING, TablesUsed.LEVEL_AT_BEST):
        lines.append(f"Damping and shaking: {tables}, {btdc(both.si.level_spark)}.")
    else:
        lines.append(f"Damping and shaking: {tables}, taken as final spark.")
    lines += [f"{b.name} idles in drive with {b.converter.meaning}." for b in builds if b.converter is not None and b.transmission != "converter"]
    unlike = sorted({section for b in builds for section in b.unlike})
    if unlike:
        lines.append(f"The sheets differ in more than the cam: {listed([f'[{name}]' for name in unlike])}. The differences are not the cam's alone.")
    if both.samples:
        lines.append(f"No real difference: the 10 to 90 % band of the difference holds zero. The {both.samples} samples are the same for all.")
        lines.append("A difference below the figure's resolution is no real one either.")
    else:
        lines.append("No real difference: below the figure's resolution. No bands were sampled.")
    return lines


def why_lines(figures: Iterable[ComparedFigure], both: Comparison) -> list[str]:
    """Return why one way of a figure is better, each reason once, with the figures it holds for."""
    about: dict[str, list[str]] = {}
    for figure in figures:
        about.setdefault(figure.why.meaning, []).append(figure_label(figure, both))
    return [f"{capitalised('; '.join(names))}: {why}." for why, names in about.items()]


def lineup_words(lineup: Lineup) -> list[str]:
    """Return the order of three builds or more, a line each, the best street manners first, and why one is where it is."""
    others = len(lineup.builds) - 1
    if len(set(lineup.ranks)) == 1:
        lines = ["No build has better street manners than all the others."]
    else:
        first = [lineup.builds[k].name for k in lineup.order if lineup.ranks[k] == 1]
        lines = [f"Best street manners: {listed(first)}."]
    for k in lineup.order:
        build = lineup.builds[k]
        better, worse = lineup.better_than[k], lineup.worse_than[k]
        lines.append(f"  {lineup.ranks[k]}. {build.name}: better than {better} of {others}, worse than {worse} of {others}.")
        if _lacks_brakes(lineup, build):
            lines.append(f"     {_needs_a_pump(build)}")
    return lines


@describe.register
def _(record: Comparison) -> str:
    lines = [*record.cautions, *(line for verdict in record.verdicts for line in verdict_words(verdict, record))]
    return "\n".join([*lines, *brake_lines(record.builds), *setting_lines(record)])


@describe.register
def _(record: Lineup) -> str:
    lines = [*record.cautions, *lineup_words(record), *brake_lines(record.builds)]
    return "\n".join([*lines, *setting_lines(record.pairs[0], record.builds)])

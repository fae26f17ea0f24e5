"""Surge found in a log, and its cause, in words."""

from __future__ import annotations

import math

from ..logs.causes import Cause, CauseNote, CellStep, SurgeCause
from ..logs.columns import CHANNELS
from ..logs.surge_finder import EpisodeNote, FinderNote, SurgeEpisode, SurgeFindings, SwingKind
from ..tables.axes import LOADS
from ..units import factor
from .cause_shares import apart_line, taken_lines, to_tell_words
from .describing import describe
from .phrases import counted, folded, graded

__all__ = ["cause_lines", "cause_verdict", "episode_lines", "finder_notes", "findings_lines", "load_figure", "surge_headline"]

# What the cause of most of the surge is, in one sentence, and what to do about it.
CAUSES = {
    Cause.TABLE: ("Cause: the table. Spark follows its slope.", "Lower the cells below, then drive the same road again."),
    Cause.DRIVER: (
        "Cause: the driver. The pedal rocks at the same frequency, and engine speed with it.",
        "Hold the pedal steady, then drive the same road again.",
    ),
    Cause.BURN: (
        "Cause: burn or fuel. Table work does less for this swing.",
        "Check mixture, misfire and vacuum leaks first.",
    ),
    Cause.IDLE_CORRECTION: ("Cause: an idle correction. Spark follows the speed error.", "Reduce the idle correction above idle speed, then drive again."),
    Cause.KNOCK_RETARD: ("Cause: knock retard. Spark follows it.", "Find out whether it knocks. Then take spark out there."),
    Cause.ANOTHER_TABLE: (
        "Cause: another table. Spark follows speed and load, but not by this table.",
        "Find out which table is in charge, and review the log with that one.",
    ),
    Cause.UNKNOWN: (
        "Cause not known: neither table, speed error nor knock retard explains the swing of the spark.",
        "Log each correction as a channel of its own.",
    ),
    Cause.NO_SPARK: ("Cause not known: spark was not logged.", "Log final spark."),
    Cause.NOT_TOLD: ("Cause not known: this log does not show it.", "Drive what tells: camcalc review --full has it for each episode."),
    Cause.NO_TABLE: ("Cause not known: it takes the spark table.", "Give the table that was in the car with --table."),
}
# What spark follows, where that is not what shakes the car.
FOLLOWS = {
    Cause.TABLE: "Spark follows the table's slope.",
    Cause.BURN: "Spark is flat.",
    Cause.IDLE_CORRECTION: "Spark follows the speed error: an idle correction.",
    Cause.KNOCK_RETARD: "Spark follows knock retard.",
    Cause.ANOTHER_TABLE: "Spark follows speed and load, but not by this table: find out which table is in charge.",
    Cause.UNKNOWN: "What moves the spark is not known: log each correction as a channel of its own.",
    Cause.NO_TABLE: "What moves the spark is not known without its table.",
}
EPISODE_NOTES = {
    EpisodeNote.UNEVEN_BURNING: "Unsteady speed without one frequency: rough burning rather than surge.",
    EpisodeNote.LINE_COINCIDES: "{line} has the driveline's frequency here: the two look alike.",
    EpisodeNote.COMBUSTION_LINE: "{line}. It is surge only if the driveline's own frequency is within 10 % of it.",
}


def load_figure(value: float, kind: str, digits: str = ".3g") -> str:
    """Return a load of a kind, SI, in the unit it is shown in.

    >>> load_figure(5e3, "manifold pressure")
    '5 kPa'
    """
    bounds = LOADS[kind].bounds
    return f"{value / factor(bounds.show, bounds.unit):{digits}} {bounds.show.replace('percent', '%')}"


@describe.register
def _findings(findings: SurgeFindings) -> str:
    return folded(findings_lines(findings))


@describe.register
def _episode(episode: SurgeEpisode) -> str:
    return folded(episode_lines(episode))


@describe.register
def _cause(cause: SurgeCause) -> str:
    return folded(cause_lines(cause))


def findings_lines(findings: SurgeFindings) -> list[str]:
    """Return what was found in a log, line by line.

    Parameters
    ----------
    findings : SurgeFindings

    Returns
    -------
    list of str
    """
    si = findings.si
    head = f"Looked at {si.looked_at:.0f} s of steady driving, {si.lowest:g} to {si.highest:.3g} Hz"
    if findings.episodes:
        lines = [f"{head}: surge in {si.surging:.0f} s ({100.0 * findings.share:.0f} %)."]
    else:
        lines = [f"{head}: no surge{_of_at_least(findings)}." if si.looked_at > 0.0 else f"{head}: not enough to judge by."]
    lines += [line for episode in findings.episodes for line in episode_lines(episode)]
    for episode in findings.combustion:
        first, *rest = episode_lines(episode)
        lines += [f"Combustion, not driveline: {first}", *rest]
    if counts := findings.counts():
        lines.append("Not the table's doing: " + ", ".join(f"{kind} ({count})" for kind, count in counts.items()) + ".")
    return lines + [f"note: {note}" for note in finder_notes(findings)]


def episode_lines(episode: SurgeEpisode) -> list[str]:
    """Return one episode of surge, line by line: when, where, how hard."""
    si = episode.si
    fast = f"{si.frequency:.2f} Hz" if math.isfinite(si.frequency) else "frequency not resolved at this sampling rate"
    head = f"{si.start:.1f} to {si.end:.1f} s: {fast} ({episode.kind}), {60.0 * si.speed:.0f} rpm"
    head += f" in gear {episode.gear:.0f}" if math.isfinite(episode.gear) else ""
    if math.isfinite(si.road_speed):
        head += f" at {episode.road_speed.to(episode.road_speed_unit).magnitude:.0f} {episode.road_speed_unit}"
    swings = [f"speed {60.0 * si.speed_amplitude:.3g} rpm"]
    swings += [f"spark {si.spark_amplitude:.2f} deg"] if math.isfinite(si.spark_amplitude) else []
    if episode.load_kind and math.isfinite(episode.load_amplitude):
        swings.append(f"{episode.load_kind} {load_figure(episode.load_amplitude, episode.load_kind, '.2f')}")
    lines = [f"{head}.", f"  Amplitudes: {', '.join(swings)}."]
    if math.isfinite(si.peak_to_peak):
        lines.append(f"  Acceleration, 1 to 10 Hz: {si.peak_to_peak:.2f} m/s2 peak to peak, {graded(episode.grade)}.")
        comfort = ", ".join(map(str, episode.comfort))
        lines.append(f"  ISO 2631-1: Wd {si.weighted_rms:.3f} m/s2 r.m.s. ({comfort}). Seat back, 0.8 Wc: {si.backrest_rms:.3f} m/s2.")
    if episode.note in EPISODE_NOTES:
        line = {SwingKind.ONCE_PER_CYCLE: "The once-per-cycle line of combustion", SwingKind.ALTERNATE_CYCLES: "The alternate-cycle line of combustion"}
        lines.append("  " + EPISODE_NOTES[episode.note].format(line=line.get(episode.line or episode.kind, "A line of combustion")))
    return lines


def finder_notes(findings: SurgeFindings) -> list[str]:
    """Return what limits the search, a sentence or two each."""
    si, out = findings.si, []
    for note in findings.notes:
        match note:
            case FinderNote.TOO_FEW_ROWS:
                out.append(f"{si.sampling_rate:.3g} rows a second are too few to see surge. Log at 10 or more.")
            case FinderNote.FEW_ROWS:
                seen = f"{si.lowest:g} to {si.highest:.3g} Hz"
                out.append(f"{si.sampling_rate:.3g} rows a second show {seen} only. In high gears the driveline reaches 10 Hz and more.")
            case FinderNote.NOT_LOGGED:
                out += [f"{name.replace('_', ' ').capitalize()} was not logged: {CHANNELS[name].loss}." for name in findings.channels]
            case FinderNote.SHORT_PIECES:
                out.append(f"{si.too_short:.0f} s are in pieces between gaps that are too short to judge.")
            case FinderNote.PEDAL_NEVER_OFF:
                least = f"The least pedal, {100.0 * si.least_pedal:.1f} %, is taken as held: the engine neither idles nor falls there."
                out.append(f"{least} If it is the pedal let off, log a moment at idle as well.")
            case FinderNote.COARSE_SPEED:
                grid = f"Engine speed is logged in steps of {60.0 * si.speed_step:.3g} rpm."
                out.append(f"{grid} A swing below {60.0 * si.least_swing:.2g} rpm gets no answer at this resolution.")
            case FinderNote.NOISY_SPEED:
                noise = f"Engine speed is logged with {60.0 * si.speed_noise:.2g} rpm r.m.s. of noise."
                out.append(f"{noise} A short swing below {60.0 * si.least_swing:.2g} rpm gets no answer at this noise.")
    return out


def _of_at_least(findings: SurgeFindings) -> str:
    """Return from which swing on, where the log's own steps or noise say that."""
    limited = {FinderNote.COARSE_SPEED, FinderNote.NOISY_SPEED} & set(findings.notes)
    return f" of {60.0 * findings.si.least_swing:.2g} rpm or more" if limited else ""


def cause_verdict(cause: Cause) -> tuple[str, str]:
    """Return the cause of surge in a sentence, and the next step."""
    return CAUSES[cause]


def cause_lines(cause: SurgeCause) -> list[str]:
    """Return why one episode surges, line by line.

    Parameters
    ----------
    cause : SurgeCause

    Returns
    -------
    list of str
    """
    si = cause.si
    lines = [CAUSES[cause.cause][0], *apart_line(cause), *([to_tell_words(cause.to_tell)] if cause.to_tell else []), *taken_lines(cause.taken)]
    if cause.follows is not None and cause.follows is not cause.cause:
        lines.append(f"  {FOLLOWS[cause.follows]}")
    if math.isfinite(cause.explained):
        lines.append(f"  That accounts for {100.0 * max(cause.explained, 0.0):.0f} % of the spark's swing of {2.0 * si.spark_amplitude:.2f} deg peak to peak.")
    if math.isfinite(si.table_amplitude):
        parts = f"{2.0 * si.by_speed:.2f} by speed, {2.0 * si.by_load:.2f} by load"
        lines.append(f"  The table swings by {2.0 * si.table_amplitude:.2f} deg peak to peak there ({parts}).")
        lines.append(f"  Logged spark less the table's: {si.offset:+.2f} deg.")
    lines += [f"  The swing crosses {_step_words(step)}." for step in cause.steps]
    if math.isfinite(si.torque_swing):
        lines.append(f"  Torque swing from it: {si.torque_swing:.3g} N m peak to peak.")
    return lines + [f"  note: {_note_words(note, cause)}" for note in cause.notes]


def _step_words(step: CellStep) -> str:
    return f"{step.places[0]} to {step.places[1]}: {step.step:+.3g} deg"


def _note_words(note: CauseNote, cause: SurgeCause) -> str:
    si = cause.si
    match note:
        case CauseNote.NOT_IN_CHARGE:
            return "This table would swing there and the logged spark does not. It does not set the spark."
        case CauseNote.OTHER_FREQUENCIES:
            return f"Spark is flat at this frequency only. It moves by {2.0 * si.other_amplitude:.2g} deg peak to peak at others, which do not shake the car."
        case CauseNote.NOT_IN_A_LOG:
            return "A log cannot show whether a level table is quieter. Compare camcalc surge with and without --flat."
        case CauseNote.OFFSET:
            return f"Logged spark is {si.offset:+.2g} deg from the table throughout: a correction. Count it against any ceiling."
        case CauseNote.LOAD_SUSPECT:
            size = load_figure(cause.load_swing, cause.load_kind, ".2g")
            return f"Logged load swings by {size} peak to peak. Under reversion the reading is suspect: the charge itself may swing less."
        case CauseNote.MOSTLY_BY_LOAD:
            return "Most of the table's swing comes by way of load. A steadier load signal helps as much as a flatter table."
        case CauseNote.NEVER_TOGETHER:
            return "Spark, speed and load are never all there during the episode."
        case CauseNote.IDLE_GAIN:
            return f"Spark rises by {si.idle_gain / 60.0:.2g} deg for each rpm that speed falls."
        case CauseNote.SHARE_NOT_TOLD:
            return "How far it would swing without is not told: too short, or its frequency is not resolved."
        case CauseNote.DAMPS:
            return f"The table damps this swing: on a level table it would be {-100.0 * cause.table_share:.0f} % larger."
        case CauseNote.TABLE_SHARE:
            return f"The table accounts for {100.0 * max(cause.table_explained, 0.0):.0f} %."
        case CauseNote.LOAD_NOT_LOGGED:
            return "Load was not logged. The table cannot be looked up."


def surge_headline(findings: SurgeFindings) -> str:
    """Return how much a log surges, where, how fast and how hard, in one line."""
    looked = findings.si.looked_at
    if looked <= 0.0:
        return "No answer: the log holds no steady driving at low speed."
    if not findings.episodes:
        return f"No surge{_of_at_least(findings)} in {looked:.0f} s of steady driving."
    hardest = max(findings.episodes, key=lambda e: e.si.speed_amplitude)
    beat = f"{hardest.si.frequency:.1f} Hz" if math.isfinite(hardest.si.frequency) else "at a frequency that this sampling rate does not resolve"
    grade = f": {graded(hardest.grade)}" if math.isfinite(hardest.si.peak_to_peak) else ""
    where = f"{counted(len(findings.episodes), 'episode')}, hardest at {60.0 * hardest.si.speed:.0f} rpm, {beat}{grade}"
    return f"Surge in {100.0 * findings.share:.0f} % of {looked:.0f} s of steady driving. {where}."

"""A driving log in words: what was read, what is missing, what was kept out."""

from __future__ import annotations

import math

from ..logs.clock import CLOCK
from ..logs.columns import Column, Unused, map_choices
from ..logs.drive_log import DriveLog
from ..logs.log_notes import LogDoubt, LogNote, LogProblem, UnitFrom
from .describing import describe
from .phrases import counted, folded

__all__ = ["log_columns_words", "log_head", "log_note_words", "log_words", "problem_words"]

# From this share on nothing is left to speak of: it is shown as 100 %.
ALL_BUT = 0.995
# What a line of a column map holds, and no sentence.
_OF_A_MAP = " = {column = "
# Notes on how a channel was read, which belong to its line rather than to what is odd.
HOW_READ = (LogDoubt.OWN_RATE, LogDoubt.ON_CHANGE)


@describe.register
def log_words(log: DriveLog) -> str:
    """Return what was read of a log: rows, channels with their columns, what was not logged, what was kept out.

    Parameters
    ----------
    log : DriveLog

    Returns
    -------
    str
    """
    lines = [log_head(log), *_column_lines(log)]
    lines += [f"  not logged: {_spoken(name)} ({loss})" for name, loss in log.missing.items()]
    lines += [f"  kept out: {problem_words(problem)}" for problem in log.problems]
    return _folded([*lines, *(line for note in log.notes if note.what not in HOW_READ for line in _note_lines(note))])


def log_columns_words(log: DriveLog) -> str:
    """Return which column was read as which channel, which were not used and why, one line each.

    Parameters
    ----------
    log : DriveLog

    Returns
    -------
    str
    """
    left = [note for note in log.notes if note.what not in HOW_READ and note.what is not LogDoubt.SIMULATED]
    kept_out = sum(problem.rows for problem in log.problems)
    lines = [f"  Kept out: {counted(kept_out, 'row') if kept_out == 1 else f'{kept_out} rows or cells'}, listed with --full."] if kept_out else []
    return _folded(["Columns of the log:", *_column_lines(log), *(line for note in left for line in _note_lines(note)), *lines])


def log_head(log: DriveLog) -> str:
    """Return how much a log holds, in one line."""
    pieces = int(log.piece[-1]) + 1 if log.piece.size else 0
    name = f"Log {log.source}" if log.source else "Log"
    return f"{name}: {len(log.si.time)} rows, {log.duration.magnitude:.0f} s in {counted(pieces, 'piece')}, {log.si.sampling_rate:.3g} rows a second."


def problem_words(problem: LogProblem) -> str:
    """Return rows that could not be used as one line.

    Examples
    --------
    >>> from camcalc.logs.log_notes import KeptOut, RowFault
    >>> problem_words(LogProblem(RowFault.TEXT, "spark (deg)", 8, (12, 13), '"x"', KeptOut.VALUE))
    'text in numbers in "spark (deg)": 8 (line 12, 13 ...), e.g. "x"; value kept out'
    """
    lines = ", ".join(str(line) for line in problem.lines) + (" ..." if problem.rows > len(problem.lines) else "")
    where = f' in "{problem.column}"' if problem.column else ""
    came = f", e.g. {problem.came}" if problem.came else ""
    return f"{problem.what}{where}: {problem.rows} (line {lines}){came}; {problem.done}"


def log_note_words(note: LogNote) -> str:
    """Return what is odd about a log in one or two sentences, and in lines of their own what to put into a column map.

    Examples
    --------
    >>> log_note_words(LogNote(what=LogDoubt.SPARSE, column="spark", channel="spark", figure=1.0))
    '"spark" holds 1 number to use: not used.'
    >>> print(log_note_words(LogNote(what=LogDoubt.NO_UNIT, column="MAP", channel="load", other="inHg, psi")))
    "MAP" looks like load but names no unit: not used. Its numbers may be in inHg or psi. Put the line that is right under [columns] in a file for --columns:
      load = {column = "MAP", unit = "inHg"}
      # or: load = {column = "MAP", unit = "psi"}
    """
    column, channel = f'"{note.column}"', _spoken(note.channel)
    match note.what:
        case LogDoubt.FITS_TOO:
            return f'{column} fits {channel} too. "{note.other}" was taken.'
        case LogDoubt.NO_UNIT:
            likely = f" Its numbers may be in {_or(note.other)}." if note.other else ""
            return f"{column} looks like {channel} but names no unit: not used.{likely}{_to_use(note)}"
        case LogDoubt.UNKNOWN_UNIT:
            likely = f" Its numbers may be in {_or(note.other)}.{_to_use(note)}" if note.other else ""
            return f'{column} looks like {channel} but "{note.unit}" is no unit of it: not used.{likely}'
        case LogDoubt.SPARSE:
            return f"{column} holds {counted(round(note.figure), 'number') if math.isfinite(note.figure) else 'no number'} to use: not used."
        case LogDoubt.REFUSED:
            came = f" has values like {note.figure:.3g} {note.unit}".rstrip() if math.isfinite(note.figure) else " holds no numbers"
            likely = f" It is likely in {_or(note.other)}.{_to_use(note)}" if note.other else ""
            return f"{column}{came}, which cannot be {channel}: not used.{likely}"
        case LogDoubt.OWN_RATE if note.channel == "speed":
            return f"{column} has {note.figure:.3g} numbers a second. They are the rows of this log."
        case LogDoubt.OWN_RATE:
            return f"{column} has {note.figure:.3g} numbers a second. Rows between two of them are interpolated, at most {note.other_figure:.3g} s."
        case LogDoubt.ON_CHANGE:
            return f"{column} has numbers in some rows only. Each holds until the next, at most {note.other_figure:.3g} s."
        case LogDoubt.COARSE_CLOCK:
            return f"{column} has steps of {note.figure:.3g} s, coarser than the rows. Rows of one stamp are spread evenly."
        case LogDoubt.CLOCK_FROM:
            return f'{column} is a time of day. 0 s is "{note.other}".'
        case LogDoubt.STATED_RATE:
            return f"The rows are spaced by the stated rate, {note.figure:.4g} a second."
        case LogDoubt.CLOCK_STEPS_BACK:
            return f"At line {note.figure:.0f} the clock steps back and much is kept out. Does another log begin there, or is the time before it wrong?"
        case LogDoubt.GEAR_SEEN:
            share = f"It comes from engine speed over road speed and the sheet's ratios, in {100.0 * note.figure:.0f} % of the time the car rolls."
            rest = " In the rest no gear fits: clutch or converter slips, or a gear change goes on." if note.figure < ALL_BUT else ""
            return f"Gear was not logged. {share}{rest}"
        case LogDoubt.OTHER_GEARS:
            share = f"Engine speed over road speed fits a gear of the sheet in only {100.0 * note.figure:.0f} % of the time the car rolls."
            return f"{share} No gear is shown. Is it a log of this car, with road speed in the right unit?"
        case LogDoubt.LOW_PRESSURE:
            higher = f"If it is in {note.other}, that is {note.other_figure:.3g} kPa: write its unit as [{note.other}]."
            return f"{column} never rises above {note.figure:.3g} {note.unit}. {higher}"
        case _:
            return f"{str(note.what).capitalize()}."


def _column_lines(log: DriveLog) -> list[str]:
    how = {note.channel: log_note_words(note).removeprefix(f'"{note.column}" ') for note in log.notes if note.what in HOW_READ}
    lines = [f"  {_spoken(name)}: {_column_words(column)}{f'. The column {how[name]}' if name in how else ''}" for name, column in log.columns.items()]
    return [*lines, f"  not used: {', '.join(map(_unused_words, log.unused))}"] if log.unused else lines


def _column_words(column: Column) -> str:
    unit = f" [{column.unit}]" if column.unit else ""
    by = f' (known by "{column.words}")' if column.words else " (guessed)" if column.guessed else ""
    how = f", a unit not written but {column.unit_from}" if column.unit_from is not UnitFrom.WRITTEN and column.unit not in ("", CLOCK) else ""
    return f'column "{column.name}"{unit}{by}{f", {column.kind}" if column.kind else ""}{how}'


def _unused_words(column: Unused) -> str:
    return f'"{column.name}"' + (f" ({column.what})" if column.what else "")


def _spoken(channel: str) -> str:
    return "engine speed" if channel == "speed" else channel.replace("_", " ")


def _to_use(note: LogNote) -> str:
    """Return how to have a column used all the same: the exact lines of a map, one for each unit that it may be in."""
    lines = map_choices(note.channel, note.column, note.other or "...")
    which = "To use it, put this line" if len(lines) == 1 else "Put the line that is right"
    return "\n  ".join([f" {which} under [columns] in a file for --columns:", *lines])


def _note_lines(note: LogNote) -> list[str]:
    said, *lines = log_note_words(note).split("\n")
    return [f"  note: {said}", *(f"    {line}" for line in lines)]


def _folded(lines: list[str]) -> str:
    """Return lines folded, but for those of a column map, which are to be copied as they are."""
    return "\n".join(line if _OF_A_MAP in line else folded([line]) for line in lines)


def _or(units: str) -> str:
    return units.replace("crank_rps", "rev/s").replace(", ", " or ")

"""A driving log in words: what was read, what is missing, what was kept out."""

from __future__ import annotations

from ..logs.columns import Column
from ..logs.drive_log import DriveLog
from ..logs.log_notes import LogDoubt, LogNote, LogProblem
from .describing import describe
from .phrases import counted, folded

__all__ = ["log_head", "log_note_words", "log_words", "problem_words"]


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
    lines = [log_head(log)]
    lines += [f"  {_spoken(name)}: {_column_words(column)}" for name, column in log.columns.items()]
    lines += [f"  not logged: {_spoken(name)} ({loss})" for name, loss in log.missing.items()]
    lines += [f"  kept out: {problem_words(problem)}" for problem in log.problems]
    return folded([*lines, *(f"  note: {log_note_words(note)}" for note in log.notes)])


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
    """Return what is odd about a log in one or two sentences.

    Examples
    --------
    >>> log_note_words(LogNote(what=LogDoubt.SPARSE, column="spark", channel="spark", figure=0.25))
    '"spark" holds numbers in 25 % of rows: not used. Log all channels at one rate.'
    """
    column, channel = f'"{note.column}"', _spoken(note.channel)
    match note.what:
        case LogDoubt.FITS_TOO:
            return f'{column} fits {channel} too. "{note.other}" was taken.'
        case LogDoubt.NO_UNIT:
            return f"{column} looks like {channel} but names no unit: not used."
        case LogDoubt.UNKNOWN_UNIT:
            return f'{column} looks like {channel} but "{note.unit}" is no unit of it: not used.'
        case LogDoubt.SPARSE:
            return f"{column} holds numbers in {100.0 * note.figure:.0f} % of rows: not used. Log all channels at one rate."
        case LogDoubt.CLOCK_STEPS_BACK:
            return f"At line {note.figure:.0f} the clock steps back and much is kept out. Does another log begin there, or is the time before it wrong?"
        case LogDoubt.LOW_PRESSURE:
            higher = f"If it is in {note.other}, that is {note.other_figure:.3g} kPa: write its unit as [{note.other}]."
            return f"{column} never rises above {note.figure:.3g} {note.unit}. {higher}"
        case _:
            return f"{str(note.what).capitalize()}."


def _column_words(column: Column) -> str:
    unit = f" [{column.unit}]" if column.unit else ""
    return f'column "{column.name}"{unit}{" (guessed)" if column.guessed else ""}{f", {column.kind}" if column.kind else ""}'


def _spoken(channel: str) -> str:
    return channel.replace("_", " ")

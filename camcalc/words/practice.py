"""Practice in words: each question, what a slip was, how an answer is to be written."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from ..practice.questions import Question, Slip, Topic

if TYPE_CHECKING:
    from ..practice.marking import Marked

__all__ = ["EXERCISE", "answer_text", "marked_words", "question_text", "tolerance_text"]

EXERCISE = "Exercise: most figures are drawn for practice. Set nothing on an engine by them."


def question_text(question: Question) -> str:
    """Return a question with its figures and how the answer is to be written.

    Parameters
    ----------
    question : Question

    Examples
    --------
    >>> from camcalc import load_build
    >>> from camcalc.practice import practice_questions
    >>> question, *_ = practice_questions(load_build("examples/quarry-road/build.toml"), "overlap", count=1)
    >>> question_text(question).splitlines()[-1]
    'How long is the overlap at this height? Answer in crank_deg or cam_deg, to 0.5 crank_deg.'
    """
    return f"{TEXTS[question.topic](question)} Answer {tolerance_text(question)}."


def tolerance_text(question: Question) -> str:
    """Return in which unit and how closely an answer is wanted."""
    if question.topic is Topic.GEAR:
        return "with its number"
    if question.unit == "crank_deg":
        return f"in crank_deg or cam_deg, to {question.tolerance:g} crank_deg"
    return f"in {question.unit} or another unit of its kind, to {question.tolerance:g} {question.unit}" if question.unit else f"to {question.tolerance:g}"


def answer_text(question: Question) -> str:
    """Return the answer with its unit."""
    if question.topic is Topic.GEAR:
        return f"{question.answer:.0f}"
    digits = 1 if question.tolerance >= 0.1 else 2
    return f"{question.answer:.{digits}f} {question.unit}".strip()


def marked_words(question: Question, marked: Marked) -> str:
    """Return what a marked answer shows: right, which slip, or only that it is neither."""
    if marked.right:
        return "Right."
    if marked.slip is None:
        return "Not right, and no slip that has a name here. Open the steps and compare."
    return f"Not right: {SLIPS[marked.slip].format(unit=question.unit or 'a bare number')}"


def _figures(question: Question, *names: tuple[str, str]) -> str:
    return "\n".join(f"  {text}: {_figure(question, name)}" for name, text in names)


def _figure(question: Question, name: str) -> str:
    value, unit = question.given[name]
    return f"{value:g} {unit}".strip()


def _card_lines(question: Question) -> str:
    names = (
        ("intake_duration", "intake duration"), ("exhaust_duration", "exhaust duration"), ("lobe_separation", "lobe separation"),
        ("intake_centreline", "intake centreline, after TDC"),
    )  # fmt: skip
    return f"A card at {_figure(question, 'height')} lift:\n" + _figures(question, *((n, t) for n, t in names if n in question.given))


def _gear_lines(question: Question) -> str:
    ratios = [_figure(question, name) for name in question.given if name.startswith("ratio_")]
    figures = _figures(question, ("speed", "engine speed"), ("road_speed", "road speed"), ("tyre_radius", "tyre radius"), ("final_drive", "final drive"))
    return f"A row of a log, clutch closed:\n{figures}\n  gears: {', '.join(ratios)}\nWhich gear is it?"


def _table_lines(question: Question) -> str:
    at = {name: _figure(question, name) for name in question.given}
    return (
        f"Four cells of a spark table, crank_deg before TDC:\n"
        f"  {at['slower']:>9}: {question.figure('slow_light'):g} at {at['lighter']}, {question.figure('slow_full'):g} at {at['fuller']}\n"
        f"  {at['faster']:>9}: {question.figure('fast_light'):g} at {at['lighter']}, {question.figure('fast_full'):g} at {at['fuller']}\n"
        f"What does the table give at {at['speed']} and {at['load']}?"
    )


TEXTS: dict[Topic, Callable[[Question], str]] = {
    Topic.EVENTS: lambda q: f"{_card_lines(q)}\nWhen does the intake close, after BDC?",
    Topic.OVERLAP: lambda q: f"{_card_lines(q)}\nHow long is the overlap at this height (negative: none)?",
    Topic.ADVANCE: lambda q: (
        f"An intake closes {_figure(q, 'closes')} after BDC. The cam is turned {_figure(q, 'advance')} early.\nWhen does the intake close now, after BDC?"
    ),
    Topic.COMPRESSION: lambda q: (
        "An engine, centred piston pin:\n"
        + _figures(q, ("compression_ratio", "compression ratio"), ("stroke", "stroke"), ("rod_length", "rod length"), ("closes", "intake closes, after BDC"))
        + "\nWhich compression ratio is left from there?"
    ),
    Topic.VACUUM: lambda q: (
        f"The barometer shows {_figure(q, 'barometer')}, the manifold pressure sensor {_figure(q, 'manifold_pressure')} absolute.\n"
        "What does a vacuum gauge show?"
    ),
    Topic.INJECTION: lambda q: (
        f"A pulse of {_figure(q, 'pulse')} at {_figure(q, 'speed')} is to end {_figure(q, 'ends')} before TDC.\n"
        "Where must it begin, before the same TDC?"
    ),
    Topic.GEAR: _gear_lines,
    Topic.TABLE: _table_lines,
}

SLIPS: dict[Slip, str] = {
    Slip.NOT_A_NUMBER: "no number was read. Write it like 12.5 with its unit behind it.",
    Slip.NO_UNIT: "the unit is missing. A figure without its unit is no answer: write {unit} behind it.",
    Slip.OTHER_KIND: "that unit measures something else. The answer is in {unit}.",
    Slip.CAM_FOR_CRANK: "that counts cam degrees as crank degrees. The crank turns twice as far: double them.",
    Slip.CRANK_FOR_CAM: "that counts crank degrees twice. They are the crank's already.",
    Slip.SIGN: "that is on the other side. Check what is taken from what.",
    Slip.OTHER_DEAD_CENTRE: "that is counted from the other dead centre. They are 180 crank degrees apart.",
    Slip.OTHER_EDGE: "that is the other edge, not the one asked for.",
    Slip.NOT_HALVED: "half of a duration lies on each side of the centreline. Halve durations first.",
    Slip.WRONG_WAY: "that goes the other way. Early means earlier in the turn: closing comes sooner, a pulse begins further before.",
    Slip.STATIC: "that is the ratio from bottom dead centre. The piston has risen already when the valve closes.",
    Slip.TRAVELLED: "that is the part of the stroke lost with the valve open. What counts is the part that is left.",
    Slip.AT_SEA_LEVEL: "that takes the standard barometer. Vacuum counts from the air that is there.",
    Slip.THE_PRESSURE: "that is the absolute pressure. Vacuum is what is missing to the barometer.",
    Slip.HALF_SPEED: "that turns the crank at cam speed. At a speed in rpm the crank turns 360 degrees each revolution.",
    Slip.WHICH_ANGLE: "degrees of what? Write crank_deg, or cam_deg, which is twice as far at the crank.",
    Slip.THE_RATIO: "that is the ratio. Which gear of the list has it?",
    Slip.NO_FINAL_DRIVE: "that leaves the final drive out. The wheels turn slower than the gearbox by it.",
    Slip.NEAREST_CELL: "that is the nearest cell. A table gives what lies between its cells, by their shares.",
    Slip.SHARES_SWAPPED: "the shares are swapped: one is along speed, the other along load.",
}

"""Practice in words: each question, what a slip was, how an answer is to be written."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from ..practice.questions import Form, Question, Slip

if TYPE_CHECKING:
    from ..practice.marking import Marked

__all__ = ["EXERCISE", "answer_text", "marked_words", "question_text", "tolerance_text"]

ANGLES = ("crank_deg", "cam_deg")
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
    'How long is the overlap at this height (negative: none)? Answer in crank_deg or cam_deg, to 0.5 crank_deg.'
    """
    return f"{TEXTS[question.form](question)} Answer {tolerance_text(question)}."


def tolerance_text(question: Question) -> str:
    """Return in which unit and how closely an answer is wanted."""
    if question.form is Form.GEAR:
        return "with its number"
    if question.form is Form.STEEPNESS:
        return f"in degrees for each 1000 rpm, without a unit, to {question.tolerance:g}"
    if question.unit in ANGLES:
        return f"in crank_deg or cam_deg, to {question.tolerance:g} {question.unit}"
    return f"in {question.unit} or another unit of its kind, to {question.tolerance:.2g} {question.unit}" if question.unit else f"to {question.tolerance:g}"


def answer_text(question: Question) -> str:
    """Return the answer with its unit."""
    if question.form is Form.GEAR:
        return f"{question.answer:.0f}"
    digits = 0 if question.tolerance >= 1.0 else 1 if question.tolerance >= 0.1 else 2
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
        ("intake_centreline", "intake centreline, after TDC"), ("exhaust_centreline", "exhaust centreline, before TDC"),
        ("overlap", "overlap (negative: none)"),
    )  # fmt: skip
    at = f"A card at {_figure(question, 'height')} lift" if "height" in question.given else "A card"
    return f"{at}:\n" + _figures(question, *((n, t) for n, t in names if n in question.given))


def _gear_lines(question: Question) -> str:
    ratios = [f"{value:g}" for value, _ in question.listed("ratio_").values()]
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


def _swing_lines(question: Question) -> str:
    rows, logged = (", ".join(f"{value:g}" for value, _ in question.listed(name).values()) for name in ("row_", "logged_"))
    return (
        f"A log at one steady pedal shows these engine speeds, one after another:\n  {logged} rpm\n"
        f"The spark table has rows at:\n  {rows} rpm\nThe car bucks about one row of the table. Which?"
    )


_COMPRESSION = ("compression_ratio", "compression ratio")
_STROKE = ("stroke", "stroke")

TEXTS: dict[Form, Callable[[Question], str]] = {
    Form.INTAKE_CLOSES: lambda q: f"{_card_lines(q)}\nWhen does the intake close, after BDC?",
    Form.INTAKE_OPENS: lambda q: f"{_card_lines(q)}\nWhen does the intake open, before TDC?",
    Form.EXHAUST_CLOSES: lambda q: f"{_card_lines(q)}\nWhen does the exhaust close, after TDC?",
    Form.EXHAUST_OPENS: lambda q: f"{_card_lines(q)}\nWhen does the exhaust open, before BDC?",
    Form.OVERLAP: lambda q: f"{_card_lines(q)}\nHow long is the overlap at this height (negative: none)?",
    Form.SEPARATION: lambda q: f"{_card_lines(q)}\nWhich lobe separation has it?",
    Form.ADVANCED: lambda q: (
        f"An intake closes {_figure(q, 'closes')} after BDC. The cam is turned {_figure(q, 'advance')} early.\nWhen does the intake close now, after BDC?"
    ),
    Form.CENTRELINE: lambda q: (
        f"A cam has a lobe separation of {_figure(q, 'lobe_separation')}. It is set {_figure(q, 'advance')} early.\n"
        "Where is its intake centreline, after TDC?"
    ),
    Form.ADVANCE_SEEN: lambda q: f"{_card_lines(q)}\nHow early is the cam set (negative: late)?",
    Form.RATIO_LEFT: lambda q: (
        "An engine, centred piston pin:\n"
        + _figures(q, _COMPRESSION, _STROKE, ("rod_length", "rod length"), ("closes", "intake closes, after BDC"))
        + "\nWhich compression ratio is left from there?"
    ),
    Form.CHAMBER: lambda q: (
        f"An engine:\n{_figures(q, _COMPRESSION, ('bore', 'bore'), _STROKE)}\nHow large is the volume above one piston at the top, gasket and all?"
    ),
    Form.VACUUM: lambda q: (
        f"The barometer shows {_figure(q, 'barometer')}, the manifold pressure sensor {_figure(q, 'manifold_pressure')} absolute.\n"
        "What does a vacuum gauge show, as a positive figure?"
    ),
    Form.PRESSURE: lambda q: (
        f"The barometer shows {_figure(q, 'barometer')}, a vacuum gauge on the manifold {_figure(q, 'manifold_vacuum')}.\n"
        "What is the absolute manifold pressure?"
    ),
    Form.BEGINS: lambda q: (
        f"A pulse of {_figure(q, 'pulse')} at {_figure(q, 'speed')} is to end {_figure(q, 'ends')} before TDC.\n"
        "Where must it begin, before the same TDC?"
    ),
    Form.LONGEST: lambda q: (
        f"At {_figure(q, 'speed')} a pulse may begin {_figure(q, 'begins')} before TDC and must end {_figure(q, 'ends')} before it.\n"
        "How long may it be?"
    ),
    Form.GEAR: _gear_lines,
    Form.ENGINE_SPEED: lambda q: (
        "A car, clutch closed:\n"
        + _figures(q, ("road_speed", "road speed"), ("gear_ratio", "ratio of the gear"), ("final_drive", "final drive"), ("tyre_radius", "tyre radius"))
        + "\nHow fast does the engine turn?"
    ),
    Form.FOUR_CELLS: _table_lines,
    Form.STEEPNESS: lambda q: (
        f"A spark table has {_figure(q, 'slow_light')} at {_figure(q, 'slower')} and {_figure(q, 'fast_light')} at {_figure(q, 'faster')}, "
        "at one load.\nHow steep is it along speed (negative: falling)?"
    ),
    Form.SWINGING_ROW: _swing_lines,
}

SLIPS: dict[Slip, str] = {
    Slip.NOT_A_NUMBER: "no number with a unit that is known was read. Write it like 12.5 with its unit behind it.",
    Slip.NO_UNIT: "the unit is missing. A figure without its unit is no answer: write {unit} behind it.",
    Slip.OTHER_KIND: "that unit measures something else. The answer is in {unit}.",
    Slip.CAM_FOR_CRANK: "that counts cam degrees as crank degrees. The crank turns twice as far: double them.",
    Slip.CRANK_FOR_CAM: "that counts crank degrees twice. They are the crank's already.",
    Slip.NOT_TO_CAM: "that is the figure at the crank. The cam turns half as far: halve it.",
    Slip.SIGN: "that is on the other side. Check what is taken from what.",
    Slip.OTHER_DEAD_CENTRE: "that is counted from the other dead centre. They are 180 crank degrees apart.",
    Slip.OTHER_EDGE: "that is the other edge, not the one asked for.",
    Slip.NOT_HALVED: "something is taken whole that counts by half: each side of a centreline has half of what lies about it.",
    Slip.WRONG_WAY: "that goes the other way. Early means earlier in the turn: closing comes sooner, a pulse begins further before.",
    Slip.STATIC: "that is the ratio from bottom dead centre. The piston has risen already when the valve closes.",
    Slip.TRAVELLED: "that is the part of the stroke lost with the valve open. What counts is the part that is left.",
    Slip.FROM_TOP: "that counts the angle from the top. The valve closes after the bottom, with the piston on its way up.",
    Slip.NO_ROD: "that leaves the rod out. It stands at a slant, so the piston is lower at each angle than the crank pin says.",
    Slip.OVER_RATIO: "that divides by the ratio. The swept volume is one less than the ratio times the volume at the top.",
    Slip.BORE_FOR_RADIUS: "that takes the bore for a radius. It is a diameter, so the area is a quarter of that.",
    Slip.AT_SEA_LEVEL: "that takes the standard barometer. Vacuum counts from the air that is there.",
    Slip.THE_PRESSURE: "that is the absolute pressure. Vacuum is what is missing to the barometer.",
    Slip.THE_VACUUM: "that is the vacuum. Absolute pressure is what is left of the barometer.",
    Slip.ADDED: "that adds what must be taken off.",
    Slip.MINUTES: "that takes a speed in rpm for turns in a second. There are 60 seconds in its minute.",
    Slip.HALF_SPEED: "that turns the crank at cam speed. At a speed in rpm the crank turns 360 degrees each revolution.",
    Slip.WHICH_ANGLE: "degrees of what? Write crank_deg, or cam_deg, which is twice as far at the crank.",
    Slip.THE_RATIO: "that is the ratio. Which gear of the list has it?",
    Slip.NO_FINAL_DRIVE: "that leaves the final drive out. The wheels turn slower than the gearbox by it.",
    Slip.TYRE_DIAMETER: "that takes the tyre's radius for its diameter. One turn rolls 2 pi radii.",
    Slip.ONE_AXIS: "that goes along speed alone. The load lies between cells too.",
    Slip.THE_DIFFERENCE: "that is the difference between the two cells. Divide it by their distance in thousands of rpm.",
    Slip.FASTEST: "that is the row at an end of the swing. The row that it is about lies at its middle.",
    Slip.NO_ROW: "that is the middle of the swing, but the table has no row there. Which row is nearest?",
    Slip.NEAREST_CELL: "that is the nearest cell. A table gives what lies between its cells, by their shares.",
    Slip.SHARES_SWAPPED: "the shares are swapped: one is along speed, the other along load.",
}

"""An answer marked: read with its unit, held against the tolerance, and against what the usual slips come to."""

from __future__ import annotations

import math
import re
from typing import Any, NamedTuple

from ..errors import InputError
from ..units import Bounds, parse, to_si
from .questions import Form, Question, Slip

__all__ = ["Marked", "mark_answer"]

# Longer answers are no figure.
LONGEST = 60
# What may stand around the number of a gear.
GEAR = re.compile(r"(?:gear\s*)?(\d{1,2})(?:st|nd|rd|th)?(?:\s*gear)?\.?", re.IGNORECASE)

# Which side of a dead centre, as people write it behind the unit; the question says it already.
SIDES = re.compile(r"\s+(BTDC|ATDC|ABDC|BBDC|(before|after)\s+(TDC|BDC))\.?$", re.IGNORECASE)
# How people write units that camcalc spells otherwise: the inch of mercury, and degrees of the crank as textbooks have them.
WRITTEN = (
    (re.compile(r"\s*(?:\"|″|”|in\.?\s+|inch(?:es)?\s+(?:of\s+)?)(?:Hg|mercury)$", re.IGNORECASE), " inHg"),
    (re.compile(r"\s*(?:(?:\u00b0|deg\.?|degrees?)\s*(?:CA|KW|crank(?:\s*angle)?)|(?:CA|crank)\s*(?:\u00b0|deg\.?|degrees?))$", re.IGNORECASE), " crank_deg"),
    (re.compile(r"\s*(?:(?:\u00b0|deg\.?|degrees?)\s*cam|cam\s*(?:\u00b0|deg\.?|degrees?))$", re.IGNORECASE), " cam_deg"),
    (re.compile(r"\s*crank_deg$", re.IGNORECASE), " crank_deg"),
    (re.compile(r"\s*cam_deg$", re.IGNORECASE), " cam_deg"),
    (re.compile(r"\s*k\s?pa$", re.IGNORECASE), " kPa"),
    (re.compile(r"\s*(?:c\.?cm|cc|cm\u00b3|cm3)$", re.IGNORECASE), " cm^3"),
    (re.compile(r"\s*(?:U/min|1/min|rev/min|RPM)$", re.IGNORECASE), " rpm"),
)
# A comma before three digits may part thousands.
THOUSANDS = re.compile(r"([-+]?\d{1,3}),(\d{3})(?![\d,.])")
GEARS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
# How a ratio may end.
TO_ONE = re.compile(r"\s*(:|to)\s*1$")


class Marked(NamedTuple):
    """Whether an answer is right, which slip it shows if it is one that has a name, and the number that was read, in the question's unit."""

    right: bool
    slip: Slip | None
    number: float


def mark_answer(question: Question, answer: str) -> Marked:
    """Mark an answer as it was typed.

    Parameters
    ----------
    question : Question
    answer : str
        A number with its unit, e.g. ``"62 crank_deg"``; a bare number where the question's unit is empty.

    Examples
    --------
    >>> from camcalc import load_build
    >>> from camcalc.practice import practice_questions
    >>> question, *_ = practice_questions(load_build("examples/quarry-road/build.toml"), "overlap", count=1)
    >>> [mark_answer(question, text).right for text in ("9 crank_deg", "4.5 cam_deg", "9 mm")]
    [True, True, False]
    >>> mark_answer(question, "121 crank_deg").slip.code, mark_answer(question, "9").slip.code
    ('cam_for_crank', 'no_unit')
    """
    read = _number(question, answer.strip())
    parted = THOUSANDS.match(answer.strip())
    if parted and not (isinstance(read, float) and _is_right(question, read)):
        whole = _number(question, THOUSANDS.sub(r"\1\2", answer.strip()))
        read = whole if isinstance(whole, float) and _is_right(question, whole) else read
    if isinstance(read, Slip):
        return Marked(False, read, math.nan)
    if _is_right(question, read):
        return Marked(True, None, read)
    near = [slip for slip, value in question.slips.items() if abs(read - value) <= question.tolerance * (1.0 + 1e-9)]
    return Marked(False, near[0] if near else None, read)


def _is_right(question: Question, number: float) -> bool:
    return abs(number - question.answer) <= question.tolerance * (1.0 + 1e-9)


def _number(question: Question, answer: str) -> float | Slip:
    """Return what was answered, in the question's unit, or why nothing can be read."""
    if not answer or len(answer) > LONGEST:
        return Slip.NOT_A_NUMBER
    if question.form is Form.GEAR and answer.lower() in GEARS:
        return GEARS.index(answer.lower()) + 1.0
    gear = GEAR.fullmatch(answer) if question.form is Form.GEAR else None
    answer = SIDES.sub("", answer)
    for pattern, unit in WRITTEN:
        answer = pattern.sub(unit, answer)
    text = gear[1] if gear else answer.replace(",", ".") if answer.count(",") == 1 else answer
    try:
        given = parse(text if question.unit else TO_ONE.sub("", text), "answer")
    except InputError:
        return Slip.NOT_A_NUMBER
    if given.unitless and question.unit and str(given.units) in ("", "dimensionless"):
        return Slip.NO_UNIT
    try:
        number = float(to_si(given, "answer", Bounds(question.unit)))
    except InputError:
        return Slip.WHICH_ANGLE if question.unit in ("crank_deg", "cam_deg") and _is_plain_angle(given) else Slip.OTHER_KIND
    return number if math.isfinite(number) else Slip.NOT_A_NUMBER


def _is_plain_angle(given: Any) -> bool:
    try:
        to_si(given, "answer", Bounds("deg"))
    except InputError:
        return False
    return True

"""The worked steps behind each question of a practice: formulas evaluated on quantities, so the answer is found a second way."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import sympy

from ..practice.questions import Question, Topic
from ..units import quantity
from .worksheet import Step, Worksheet

__all__ = ["worked_steps"]

GIVEN = "question"


def worked_steps(question: Question) -> tuple[Step, ...]:
    """Return the steps from a question's figures to its answer; the last one's result is the answer.

    Parameters
    ----------
    question : Question

    Examples
    --------
    >>> from camcalc import load_build
    >>> from camcalc.practice import practice_questions
    >>> question, *_ = practice_questions(load_build("examples/quarry-road/build.toml"), "overlap", count=1)
    >>> worked_steps(question)[-1].result.text
    '9 crank deg'
    """
    sheet = _Sheet(question)
    STEPS[question.topic](sheet)
    return tuple(sheet.steps)


class _Sheet(Worksheet):
    """A worksheet on a question's figures."""

    def __init__(self, question: Question) -> None:
        super().__init__()
        self.question = question

    def take(self, symbol: str, meaning: str, name: str) -> Any:
        """Take a figure of the question; return its symbol."""
        value, unit = self.question.given[name]
        return self.given(symbol, meaning, quantity(value, unit) if unit else value, GIVEN)


def _events(sheet: _Sheet) -> None:
    d, c = sheet.take("D_in", "intake duration", "intake_duration"), sheet.take("C_in", "intake centreline, ATDC", "intake_centreline")
    b = sheet.given("B", "from TDC to BDC", quantity(180.0, "crank_deg"), "definition")
    sheet.step("Half the duration lies after the centreline. BDC is half a turn after TDC.", "IVC", "intake closes, ABDC", c + d / 2 - b, "crank_deg")


def _overlap(sheet: _Sheet) -> None:
    i, e = sheet.take("D_in", "intake duration", "intake_duration"), sheet.take("D_ex", "exhaust duration", "exhaust_duration")
    s = sheet.take("S", "lobe separation", "lobe_separation")
    turned = sheet.step("The crank turns twice as far as the cam.", "S_crank", "separation at the crank", s, "crank_deg")
    sheet.step("What the halves of both durations have more than the separation is overlap.", "O", "overlap", (i + e) / 2 - turned, "crank_deg")


def _advance(sheet: _Sheet) -> None:
    c, a = sheet.take("IVC", "intake closes, ABDC", "closes"), sheet.take("A", "advance", "advance")
    sheet.step("Advance brings every event earlier, closing too.", "IVC_new", "intake closes now, ABDC", c - a, "crank_deg")


def _compression(sheet: _Sheet) -> None:
    r, stroke = sheet.take("r", "compression ratio", "compression_ratio"), sheet.take("s", "stroke", "stroke")
    rod, closes = sheet.take("L", "rod length", "rod_length"), sheet.take("IVC", "intake closes, ABDC", "closes")
    half = sheet.given("B", "from TDC to BDC", quantity(180.0, "crank_deg"), "definition")
    one = sheet.given("u", "one degree of the crank", quantity(1.0, "crank_deg"), "definition")
    angle = sheet.step("The crank angle at closing from TDC, in radians.", "phi", "crank angle at closing", (half + closes) / one * sympy.pi / 180, "")
    length = sheet.step("The rod over the crank's radius.", "l", "rod over crank radius", 2 * rod / stroke, "")
    left = sympy.Mul(sympy.Rational(1, 2), 1 - sympy.cos(angle) + length - sympy.sqrt(length**2 - sympy.sin(angle) ** 2), evaluate=False)
    share = sheet.step("Piston height as a share of the stroke: 0 at the top.", "V_f", "share of the stroke left", left, "")
    sheet.step("The share left, and the clearance, over the clearance.", "r_eff", "effective compression ratio", 1 + (r - 1) * share, "")


def _vacuum(sheet: _Sheet) -> None:
    b, p = sheet.take("p_b", "barometer", "barometer"), sheet.take("p", "manifold pressure", "manifold_pressure")
    sheet.step("Vacuum is what is missing to the air outside.", "v", "vacuum", b - p, sheet.question.unit)


def _injection(sheet: _Sheet) -> None:
    e, t, n = sheet.take("E", "end, before TDC", "ends"), sheet.take("t", "pulse", "pulse"), sheet.take("N", "engine speed", "speed")
    turned = sheet.step("How far the crank turns while the pulse lasts.", "a", "crank angle of the pulse", n * t, "crank_deg")
    sheet.step("It must begin earlier by that angle: further before TDC.", "S", "begin, before TDC", e + turned, "crank_deg")


def _gear(sheet: _Sheet) -> None:
    n, v = sheet.take("N", "engine speed", "speed"), sheet.take("v", "road speed", "road_speed")
    r, f = sheet.take("r_t", "tyre radius", "tyre_radius"), sheet.take("f", "final drive", "final_drive")
    turn = sheet.given("u", "one revolution of the crank", quantity(1.0, "crank_rev"), "definition")
    wheel = sheet.step("The wheel's speed from the road's.", "w", "wheel, revolutions over time", v / (2 * sympy.pi * r), "1/s")
    sheet.step("Engine speed over wheel speed, divided by the final drive, is the gear's ratio.", "i", "ratio of the gear", n / turn / wheel / f, "")
    ratios = {name: value for name, (value, _) in sheet.question.given.items() if name.startswith("ratio_")}
    nearest = min(ratios, key=lambda name: abs(ratios[name] / sheet.number(sympy.Symbol("i", real=True), "") - 1.0))
    k = sheet.given("k", "the gear with the ratio nearest to it", float(nearest.removeprefix("ratio_")), "list of gears")
    sheet.step("The nearest ratio in the list says which gear it is.", "gear", "gear", k * 1, "")


def _table(sheet: _Sheet) -> None:
    n, load = sheet.take("N", "speed", "speed"), sheet.take("p", "load", "load")
    n1, n2 = sheet.take("N_1", "slower cells", "slower"), sheet.take("N_2", "faster cells", "faster")
    p1, p2 = sheet.take("p_1", "lighter cells", "lighter"), sheet.take("p_2", "fuller cells", "fuller")
    a, b = sheet.take("a", "slow and light", "slow_light"), sheet.take("b", "slow and full", "slow_full")
    c, d = sheet.take("c", "fast and light", "fast_light"), sheet.take("d", "fast and full", "fast_full")
    s = sheet.step("How far speed has come from the slower cells to the faster.", "s", "share along speed", (n - n1) / (n2 - n1), "")
    t = sheet.step("How far load has come from the lighter cells to the fuller.", "t", "share along load", (load - p1) / (p2 - p1), "")
    slow = sheet.step("Along load at the slower speed.", "x", "between the slower cells", a + t * (b - a), "crank_deg")
    fast = sheet.step("Along load at the faster speed.", "y", "between the faster cells", c + t * (d - c), "crank_deg")
    sheet.step("Then along speed.", "z", "spark", slow + s * (fast - slow), "crank_deg")


STEPS: dict[Topic, Callable[[_Sheet], None]] = {
    Topic.EVENTS: _events, Topic.OVERLAP: _overlap, Topic.ADVANCE: _advance, Topic.COMPRESSION: _compression, Topic.VACUUM: _vacuum,
    Topic.INJECTION: _injection, Topic.GEAR: _gear, Topic.TABLE: _table,
}  # fmt: skip

"""The worked steps behind each question of a practice: formulas evaluated on quantities, so the answer is found a second way."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import sympy

from ..practice.questions import FORMS, Form, Question, Topic
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
    STEPS[question.form](sheet)
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


# Of each edge: symbol, what it is, whose lobe, its side of the dead centre there, and how the step is put.
EDGES: dict[Form, tuple[str, str, str, str]] = {
    Form.INTAKE_CLOSES: ("IVC", "intake closes, ABDC", "in", "ATDC"),
    Form.INTAKE_OPENS: ("IVO", "intake opens, BTDC", "in", "ATDC"),
    Form.EXHAUST_CLOSES: ("EVC", "exhaust closes, ATDC", "ex", "BTDC"),
    Form.EXHAUST_OPENS: ("EVO", "exhaust opens, BBDC", "ex", "BTDC"),
}


def _edge(sheet: _Sheet) -> None:
    symbol, meaning, lobe, side = EDGES[sheet.question.form]
    valve = "intake" if lobe == "in" else "exhaust"
    d = sheet.take(f"D_{lobe}", f"{valve} duration", f"{valve}_duration")
    c = sheet.take(f"C_{lobe}", f"{valve} centreline, {side}", f"{valve}_centreline")
    if sheet.question.form in (Form.INTAKE_OPENS, Form.EXHAUST_CLOSES):
        words = "Half the duration lies on this side of the centreline, and the centreline on the other side of TDC."
        sheet.step(words, symbol, meaning, d / 2 - c, "crank_deg")
        return
    b = sheet.given("B", "from TDC to BDC", quantity(180.0, "crank_deg"), "definition")
    words = "Half the duration lies beyond the centreline. BDC is half a turn from TDC."
    sheet.step(words, symbol, meaning, c + d / 2 - b, "crank_deg")


def _overlap(sheet: _Sheet) -> None:
    i, e = sheet.take("D_in", "intake duration", "intake_duration"), sheet.take("D_ex", "exhaust duration", "exhaust_duration")
    s = sheet.take("S", "lobe separation", "lobe_separation")
    turned = sheet.step("The crank turns twice as far as the cam.", "S_crank", "separation at the crank", s, "crank_deg")
    sheet.step("What the halves of both durations have more than the separation is overlap.", "O", "overlap", (i + e) / 2 - turned, "crank_deg")


def _separation(sheet: _Sheet) -> None:
    i, e = sheet.take("D_in", "intake duration", "intake_duration"), sheet.take("D_ex", "exhaust duration", "exhaust_duration")
    o = sheet.take("O", "overlap", "overlap")
    turned = sheet.step("The halves of both durations are the separation at the crank and the overlap.", "S_crank", "separation at the crank",
                        (i + e) / 2 - o, "crank_deg")  # fmt: skip
    sheet.step("The cam turns half as far: the same angle, counted in cam degrees.", "S", "lobe separation", turned * 1, "cam_deg")


def _centreline(sheet: _Sheet) -> None:
    s, a = sheet.take("S", "lobe separation", "lobe_separation"), sheet.take("A", "advance", "advance")
    half = sheet.step("Set straight, TDC lies in the middle of the separation.", "C_0", "intake centreline, cam set straight", s / 2, "crank_deg")
    sheet.step("Advance brings it nearer to TDC.", "C_in", "intake centreline, ATDC", half - a, "crank_deg")


def _advance_seen(sheet: _Sheet) -> None:
    i, e = sheet.take("C_in", "intake centreline, ATDC", "intake_centreline"), sheet.take("C_ex", "exhaust centreline, BTDC", "exhaust_centreline")
    words = "Set straight, both lie as far from TDC. Advance moves both by its own angle, so their difference is twice that."
    sheet.step(words, "A", "advance", (e - i) / 2, "crank_deg")


def _advanced(sheet: _Sheet) -> None:
    c, a = sheet.take("IVC", "intake closes, ABDC", "closes"), sheet.take("A", "advance", "advance")
    sheet.step("Advance brings every event earlier, closing too.", "IVC_new", "intake closes now, ABDC", c - a, "crank_deg")


def _ratio_left(sheet: _Sheet) -> None:
    r, stroke = sheet.take("r", "compression ratio", "compression_ratio"), sheet.take("s", "stroke", "stroke")
    rod, closes = sheet.take("L", "rod length", "rod_length"), sheet.take("IVC", "intake closes, ABDC", "closes")
    half = sheet.given("B", "from TDC to BDC", quantity(180.0, "crank_deg"), "definition")
    one = sheet.given("u", "one degree of the crank", quantity(1.0, "crank_deg"), "definition")
    angle = sheet.step("The crank angle at closing from TDC, in radians.", "phi", "crank angle at closing", (half + closes) / one * sympy.pi / 180, "")
    length = sheet.step("The rod over the crank's radius.", "l", "rod over crank radius", 2 * rod / stroke, "")
    left = sympy.Mul(sympy.Rational(1, 2), 1 - sympy.cos(angle) + length - sympy.sqrt(length**2 - sympy.sin(angle) ** 2), evaluate=False)
    share = sheet.step("Piston height as a share of the stroke: 0 at the top.", "V_f", "share of the stroke left", left, "")
    sheet.step("The share left, and the clearance, over the clearance.", "r_eff", "effective compression ratio", 1 + (r - 1) * share, "")


def _chamber(sheet: _Sheet) -> None:
    r, bore, stroke = sheet.take("r", "compression ratio", "compression_ratio"), sheet.take("b", "bore", "bore"), sheet.take("s", "stroke", "stroke")
    swept = sheet.step("The piston's area times its stroke.", "V_s", "swept volume", sympy.pi * bore**2 / 4 * stroke, "cm^3")
    words = "The ratio is of the volume at the bottom to that at the top: swept volume is one less than the ratio times the latter."
    sheet.step(words, "V_c", "volume at the top", swept / (r - 1), "cm^3")


def _pressure(sheet: _Sheet) -> None:
    b, v = sheet.take("p_b", "barometer", "barometer"), sheet.take("v", "vacuum", "manifold_vacuum")
    sheet.step("Absolute pressure is what is left of the air outside.", "p", "manifold pressure", b - v, sheet.question.unit)


def _vacuum(sheet: _Sheet) -> None:
    b, p = sheet.take("p_b", "barometer", "barometer"), sheet.take("p", "manifold pressure", "manifold_pressure")
    sheet.step("Vacuum is what is missing to the air outside.", "v", "vacuum", b - p, sheet.question.unit)


def _longest(sheet: _Sheet) -> None:
    s, e, n = sheet.take("S", "begin, before TDC", "begins"), sheet.take("E", "end, before TDC", "ends"), sheet.take("N", "engine speed", "speed")
    turned = sheet.step("How far the crank turns from one angle to the other.", "a", "crank angle in between", s - e, "crank_deg")
    sheet.step("The time that it takes to turn so far.", "t", "pulse", turned / n, "ms")


def _begins(sheet: _Sheet) -> None:
    e, t, n = sheet.take("E", "end, before TDC", "ends"), sheet.take("t", "pulse", "pulse"), sheet.take("N", "engine speed", "speed")
    turned = sheet.step("How far the crank turns while the pulse lasts.", "a", "crank angle of the pulse", n * t, "crank_deg")
    sheet.step("It must begin earlier by that angle: further before TDC.", "S", "begin, before TDC", e + turned, "crank_deg")


def _gear(sheet: _Sheet) -> None:
    n, v = sheet.take("N", "engine speed", "speed"), sheet.take("v", "road speed", "road_speed")
    r, f = sheet.take("r_t", "tyre radius", "tyre_radius"), sheet.take("f", "final drive", "final_drive")
    turn = sheet.given("u", "one revolution of the crank", quantity(1.0, "crank_rev"), "definition")
    wheel = sheet.step("The wheel's speed from the road's.", "w", "wheel, revolutions over time", v / (2 * sympy.pi * r), "1/s")
    sheet.step("Engine speed over wheel speed, divided by the final drive, is the gear's ratio.", "i", "ratio of the gear", n / turn / wheel / f, "")
    ratios = {name: value for name, (value, _) in sheet.question.listed("ratio_").items()}
    nearest = min(ratios, key=lambda name: abs(ratios[name] / sheet.number(sympy.Symbol("i", real=True), "") - 1.0))
    k = sheet.given("k", "the gear with the ratio nearest to it", float(nearest.removeprefix("ratio_")), "list of gears")
    sheet.step("The nearest ratio in the list says which gear it is.", "gear", "gear", k * 1, "")


def _engine_speed(sheet: _Sheet) -> None:
    v, r = sheet.take("v", "road speed", "road_speed"), sheet.take("r_t", "tyre radius", "tyre_radius")
    i, f = sheet.take("i", "ratio of the gear", "gear_ratio"), sheet.take("f", "final drive", "final_drive")
    turn = sheet.given("u", "one revolution of the crank", quantity(1.0, "crank_rev"), "definition")
    wheel = sheet.step("The wheel's speed from the road's.", "w", "wheel, revolutions over time", v / (2 * sympy.pi * r), "1/s")
    sheet.step("The engine turns faster by both ratios.", "N", "engine speed", wheel * i * f * turn, "rpm")


def _steepness(sheet: _Sheet) -> None:
    n1, n2 = sheet.take("N_1", "slower cell", "slower"), sheet.take("N_2", "faster cell", "faster")
    a, c = sheet.take("a", "spark there", "slow_light"), sheet.take("c", "spark there", "fast_light")
    k = sheet.given("k", "a thousand rpm", quantity(1000.0, "rpm"), "definition")
    one = sheet.given("u", "one degree of the crank", quantity(1.0, "crank_deg"), "definition")
    sheet.step("The change of spark over the change of speed, in thousands of rpm.", "m", "steepness", (c - a) / one / ((n2 - n1) / k), "")


def _swinging_row(sheet: _Sheet) -> None:
    logged, rows = (sheet.question.listed(name) for name in ("logged_", "row_"))
    high, low = (pick(logged, key=lambda name: logged[name][0]) for pick in (max, min))
    a, b = sheet.take("N_max", "fastest in the log", high), sheet.take("N_min", "slowest in the log", low)
    middle = sheet.step("The middle of the swing lies halfway between its ends.", "N_mid", "middle of the swing", (a + b) / 2, "rpm")
    nearest = min(rows, key=lambda name: abs(rows[name][0] - sheet.number(middle, "rpm")))
    row = sheet.take("N_row", "row of the table nearest to it", nearest)
    sheet.step("The row nearest to the middle holds the cells that the swing is about.", "row", "row of the table", row * 1, "rpm")


def _four_cells(sheet: _Sheet) -> None:
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


STEPS: dict[Form, Callable[[_Sheet], None]] = {
    **dict.fromkeys(FORMS[Topic.EVENTS], _edge),
    Form.OVERLAP: _overlap, Form.SEPARATION: _separation, Form.ADVANCED: _advanced, Form.CENTRELINE: _centreline, Form.ADVANCE_SEEN: _advance_seen,
    Form.RATIO_LEFT: _ratio_left, Form.CHAMBER: _chamber, Form.VACUUM: _vacuum, Form.PRESSURE: _pressure, Form.BEGINS: _begins,
    Form.LONGEST: _longest, Form.GEAR: _gear, Form.ENGINE_SPEED: _engine_speed, Form.FOUR_CELLS: _four_cells, Form.STEEPNESS: _steepness,
    Form.SWINGING_ROW: _swinging_row,
}  # fmt: skip

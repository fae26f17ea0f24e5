"""A worked explanation: symbols with what they stand for, formulas, and each formula worked out with numbers and units put in.

A formula is evaluated on quantities, not on bare numbers: a factor forgotten or a unit mistaken does not come out as a number, it raises.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import sympy

from ..marks import Mark, marked
from ..results import plain_data
from ..sources import cite
from ..units import quantity
from .printing import marked_text, quantity_text, text_of_formula

if TYPE_CHECKING:
    from ..units import Quantity

__all__ = ["Explanation", "Step", "Value", "Worksheet"]

# What sympy's functions mean on quantities; an angle inside sine and cosine is a plain ratio (radians).
FUNCTIONS = {"sqrt": lambda x: x**0.5, "sin": lambda x: math.sin(_plain(x)), "cos": lambda x: math.cos(_plain(x))}


@dataclasses.dataclass(frozen=True)
class Value:
    """A symbol, what it stands for, its value, and where that comes from."""

    symbol: Any
    meaning: str
    quantity: Quantity
    origin: str
    mark: Mark | None = None

    @property
    def text(self) -> str:
        """The value with its unit and mark."""
        return marked(quantity_text(self.quantity), self.mark)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        mark = {} if self.mark is None else {"mark": self.mark.code}
        return {"symbol": self.symbol.name, "meaning": self.meaning, **plain_data(self.quantity), **mark, "from": self.origin}


@dataclasses.dataclass(frozen=True)
class Step:
    """One formula worked out: in words, in symbols, with numbers and units put in, and what comes out."""

    words: str
    formula: Any
    values: tuple[Value, ...]
    result: Value

    @property
    def equation(self) -> Any:
        """The equation in symbols."""
        return sympy.Eq(self.result.symbol, self.formula, evaluate=False)

    @property
    def figures(self) -> dict[Any, tuple[str, str]]:
        """What stands for each symbol when numbers are put in: number and unit as text."""
        return {v.symbol: marked_text(v.quantity, v.mark) for v in self.values}

    def lines(self) -> tuple[str, str, str]:
        """Return the right-hand side in symbols, with numbers and units put in, and the result, as text."""
        return text_of_formula(self.formula), text_of_formula(self.formula, self.figures), self.result.text

    def worked(self) -> str:
        """Return formula, numbers put in and result under each other."""
        formula, with_numbers, result = self.lines()
        return f"{self.result.symbol.name} = {formula}\n  = {with_numbers}\n  = {result}"

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        formula, with_numbers, _ = self.lines()
        return {
            "words": self.words,
            "formula": f"{self.result.symbol.name} = {formula}",
            "with_numbers": with_numbers,
            "values": [v.to_dict() for v in self.values],
            "result": self.result.to_dict(),
        }


@dataclasses.dataclass(frozen=True)
class Explanation:
    """A topic explained on one build: the question, the way to its answer step by step, and where it stops being true.

    ``carried_by`` names the results of the one or two steps that carry the point; short forms show these alone. ``limits`` begins with the
    one that matters most.
    """

    topic: str
    question: str
    build: str
    steps: tuple[Step, ...]
    answers: tuple[Value, ...]
    reading: str
    limits: tuple[str, ...]
    try_it: str
    source_keys: tuple[str, ...]
    carried_by: tuple[str, ...]
    cautions: tuple[str, ...] = ()

    def numbered(self, *, full: bool) -> list[tuple[int, Step]]:
        """Return the steps with their numbers: all of them in full, else those that carry the point."""
        return [(k, step) for k, step in enumerate(self.steps, 1) if full or step.result.symbol.name in self.carried_by]

    def left_out(self, *, full: bool) -> int:
        """Return how many steps and limits a form of the explanation does not show."""
        return 0 if full else len(self.steps) - len(self.numbered(full=False)) + len(self.limits) - 1

    @property
    def sources(self) -> dict[str, dict[str, str]]:
        """The entries of the bibliography it rests on."""
        return cite(*self.source_keys)

    def answer(self, symbol: str) -> Quantity:
        """Return an answer's value by its symbol's name."""
        return next(v.quantity for v in self.answers if v.symbol.name == symbol)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            "topic": self.topic,
            "build": self.build,
            "question": self.question,
            "cautions": list(self.cautions),
            "steps": [{**step.to_dict(), "carries": step.result.symbol.name in self.carried_by} for step in self.steps],
            "answers": [value.to_dict() for value in self.answers],
            "reading": self.reading,
            "limits": list(self.limits),
            "try": self.try_it,
            "sources": self.sources,
        }

    def __str__(self) -> str:
        width = max(len(value.meaning) for value in self.answers)
        return "\n".join([*self.cautions, *(f"{value.meaning:<{width}}  {value.text}" for value in self.answers)])

    def _repr_html_(self) -> str:
        from .as_page import html_fragment

        return html_fragment(self)


class Worksheet:
    """Collects what is given and what is worked out, in order; each symbol is defined once.

    Examples
    --------
    >>> sheet = Worksheet()
    >>> p = sheet.given("p", "manifold pressure", quantity(60e3, "Pa", "kPa"), "gauge")
    >>> b = sheet.given("p_b", "barometer", quantity(29.92, "inHg"), "gauge")
    >>> v = sheet.step("What is missing to the barometer.", "v", "manifold vacuum", b - p, "inHg")
    >>> sheet.steps[0].lines()[1:]
    ('(29.92 inHg) - (60 kPa)', '12.202 inHg')
    """

    def __init__(self) -> None:
        self.values: dict[Any, Value] = {}
        self.steps: list[Step] = []

    def given(self, name: str, meaning: str, value: Quantity | float, origin: str, mark: Mark | None = None) -> Any:
        """Take a value as it is, with its mark; return its symbol.

        Parameters
        ----------
        name : str
            Of the symbol.
        meaning : str
            What it is, in words.
        value : quantity [any unit] or float
            A float is a ratio.
        origin : str
            Where the value comes from.
        mark : Mark
            What the figure is besides.
        """
        return self._define(name, meaning, quantity(float(value), "") if isinstance(value, int | float) else value, origin, mark)

    def step(self, words: str, name: str, meaning: str, formula: Any, unit: str, rule: Callable[[float], Any] | None = None) -> Any:
        """Work a formula of known symbols out, shown in a unit; return the symbol of the result. A rule gives its mark from its number.

        Parameters
        ----------
        words : str
            What the step does.
        name : str
            Of the result's symbol.
        meaning : str
            What the result is, in words.
        formula : sympy expression
            Of symbols that are known by now.
        unit : str
            The result is shown in; empty for a ratio.
        rule : callable
            From the result's number in that unit to its mark.
        """
        used = tuple(value for symbol, value in self.values.items() if symbol in formula.free_symbols)
        arguments = [_argument(value.quantity) for value in used]
        found = sympy.lambdify([value.symbol for value in used], formula, modules=[FUNCTIONS, "math"])(*arguments)
        result = found.to(unit or "dimensionless") if hasattr(found, "to") else quantity(float(found), "", unit or None)
        symbol = self._define(name, meaning, result, f"step {len(self.steps) + 1}", None if rule is None else rule(float(result.magnitude)))
        self.steps.append(Step(words, formula, used, self.values[symbol]))
        return symbol

    def quantity(self, symbol: Any) -> Quantity:
        """Return the value behind a symbol."""
        return self.values[symbol].quantity

    def number(self, symbol: Any, unit: str) -> float:
        """Return the value behind a symbol as a float in a unit."""
        return float(self.values[symbol].quantity.to(unit or "dimensionless").magnitude)

    def answers(self, *symbols: Any) -> tuple[Value, ...]:
        """Return the values behind symbols."""
        return tuple(self.values[symbol] for symbol in symbols)

    def _define(self, name: str, meaning: str, value: Quantity, origin: str, mark: Mark | None = None) -> Any:
        symbol = sympy.Symbol(name, real=True)
        if symbol in self.values:
            raise ValueError(f"the symbol {name} is taken")
        self.values[symbol] = Value(symbol, meaning, value, origin, mark)
        return symbol


def _argument(value: Quantity) -> Any:
    """Return a quantity in base units, or a bare float where it is a plain ratio."""
    base = value.to_base_units()
    return float(base.magnitude) if base.dimensionless else base


def _plain(x: Any) -> float:
    return float(x.to("dimensionless").magnitude) if hasattr(x, "to") else float(x)

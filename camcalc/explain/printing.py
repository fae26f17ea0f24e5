"""Formulas as text and as MathML, in symbols or with numbers and units in their place.

Numbers are put in by the printer, not into the formula: both lines then keep the same order of terms.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sympy.printing.mathml import MathMLPresentationPrinter
from sympy.printing.precedence import PRECEDENCE
from sympy.printing.str import StrPrinter

from ..marks import Mark, marked

if TYPE_CHECKING:
    from ..units import Quantity

__all__ = ["marked_text", "mathml_of_formula", "mathml_of_symbol", "mathml_of_value", "number_text", "quantity_text", "text_of_formula"]

Figures = dict[Any, tuple[str, str]]
DIGITS = 5
# Compound units as people write them; the library sorts their parts by name.
UNIT_WORDS = {"percent": "%", "dimensionless": "", "crank deg·mm": "mm·crank deg", "1/N/s²": "m/s² per N·m"}
NAMESPACE = "http://www.w3.org/1998/Math/MathML"


def number_text(value: Quantity) -> tuple[str, str]:
    """Return a quantity's number, five figures of it, and its unit as people write it.

    >>> from camcalc.units import quantity
    >>> number_text(quantity(101325.0, "Pa", "kPa")), number_text(quantity(0.0625, "", "percent"))
    (('101.33', 'kPa'), ('6.25', '%'))
    """
    number = float(value.magnitude)
    text = f"{number:.{DIGITS}g}"
    if "e" in text and 1e-6 <= abs(number) < 1e9:
        text = f"{number:.0f}" if abs(number) >= 1.0 else f"{number:.9f}".rstrip("0")
    unit = f"{value.units:~P}".replace("_", " ").replace("m·N", "N·m")
    return text, UNIT_WORDS.get(unit, unit)


def marked_text(value: Quantity, mark: Mark | None) -> tuple[str, str]:
    """Return a quantity's number and unit with its mark around them.

    >>> from camcalc.units import quantity
    >>> marked_text(quantity(60.0, "crank_deg"), Mark.OR_MORE)
    ('60', 'crank deg or more')
    """
    number, unit = number_text(value)
    before, _, after = marked("|", mark).partition("|")
    return before + number, unit + after


def quantity_text(value: Quantity) -> str:
    """Return a quantity as text, its unit as people write it."""
    return " ".join(part for part in number_text(value) if part)


class _Ordered:
    """Terms of a sum as one would write them: what is taken off comes last, a plain number first of its kind."""

    def _as_ordered_terms(self, expr: Any, order: Any = None) -> list[Any]:
        return sorted(expr.as_ordered_terms(), key=lambda term: (term.could_extract_minus_sign(), not term.is_number))


class _TextPrinter(_Ordered, StrPrinter):  # type: ignore[misc]
    def __init__(self, figures: Figures) -> None:
        super().__init__()
        self.figures = figures

    def _print_Symbol(self, expr: Any) -> str:  # noqa: N802 - sympy's name
        if expr not in self.figures:
            return str(expr.name)
        number, unit = self.figures[expr]
        return f"({number} {unit})" if unit else f"({number})" if number.startswith("-") else number


class _MathPrinter(_Ordered, MathMLPresentationPrinter):  # type: ignore[misc]
    def __init__(self, figures: Figures) -> None:
        super().__init__({"mul_symbol": "times"})
        self.figures = figures

    def _print_Symbol(self, sym: Any, style: str = "plain") -> Any:  # noqa: N802 - sympy's name
        if sym not in self.figures:
            return super()._print_Symbol(sym, style)
        number, unit = self.figures[sym]
        row = self._row(number, unit)
        return self._fenced(row) if number.startswith("-") else row

    def _print_Pi(self, e: Any) -> Any:  # noqa: N802 - sympy's name
        return self._leaf("mi", "π")  # sympy writes an entity that only HTML knows

    def parenthesize(self, item: Any, level: int, strict: bool = False) -> Any:
        if item in self.figures and level >= PRECEDENCE["Pow"] and (self.figures[item][1] or self.figures[item][0].startswith("-")):
            return self._fenced(self._row(*self.figures[item]))
        return super().parenthesize(item, level, strict)

    def _row(self, number: str, unit: str) -> Any:
        row = self.dom.createElement("mrow")
        row.appendChild(self._leaf("mn", number.replace("-", "−")))
        if unit:
            row.appendChild(self._leaf("mtext", "\N{NO-BREAK SPACE}" + unit))
        return row

    def _fenced(self, inner: Any) -> Any:
        row = self.dom.createElement("mrow")
        for part in (self._leaf("mo", "("), inner, self._leaf("mo", ")")):
            row.appendChild(part)
        return row

    def _leaf(self, tag: str, text: str) -> Any:
        made = self.dom.createElement(tag)
        made.appendChild(self.dom.createTextNode(text))
        return made


def text_of_formula(formula: Any, figures: Figures | None = None) -> str:
    """Return a formula on one line, in symbols or with ``figures`` (number and unit by symbol) in their place.

    >>> import sympy
    >>> a, b = sympy.symbols("a b")
    >>> text_of_formula(a**2 / (2 * b)), text_of_formula(a**2 / (2 * b), {a: ("3", "mm"), b: ("-4", "")})
    ('a^2/(2 × b)', '(3 mm)^2/(2 × (-4))')
    """
    text: str = _TextPrinter(figures or {}).doprint(formula)
    return text.replace("**", "^").replace("*", " × ")


def mathml_of_formula(name: Any, formula: Any, figures: Figures | None = None) -> str:
    """Return ``name = formula`` as a MathML element."""
    return _element(_MathPrinter({}).doprint(name), _MathPrinter(figures or {}).doprint(formula))


def mathml_of_symbol(name: Any) -> str:
    """Return a symbol as a MathML element in the line."""
    return f'<math xmlns="{NAMESPACE}"><mrow>{_MathPrinter({}).doprint(name)}</mrow></math>'


def mathml_of_value(name: Any, value: Quantity, mark: Mark | None = None) -> str:
    """Return ``name = value`` as a MathML element, the value with its mark."""
    printer = _MathPrinter({})
    return _element(printer.doprint(name), printer._row(*marked_text(value, mark)).toxml())


def _element(left: str, right: str) -> str:
    return f'<math xmlns="{NAMESPACE}" display="block"><mrow>{left}<mo>=</mo>{right}</mrow></math>'

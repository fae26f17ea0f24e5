"""A worked explanation as Markdown and as one HTML page with its formulas in MathML."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from ..pages.dress import rendered
from ..plain_text import visible
from .printing import mathml_of_formula, mathml_of_symbol, mathml_of_value

if TYPE_CHECKING:
    from .worksheet import Explanation, Step, Value

__all__ = ["explanation_html", "explanation_markdown", "html_fragment"]

# What Markdown or the HTML inside it would take for its own.
MARKDOWN_SIGNS = re.compile(r"([\\`*_\[\]<>#|~&])")


def explanation_markdown(explanation: Explanation, *, full: bool = False) -> str:
    """Return an explanation as Markdown, its formulas in plain code blocks, which every reader shows.

    Parameters
    ----------
    explanation : Explanation
    full : bool
        Whether all steps and limits are shown; else the steps that carry the point, and one limit.

    Examples
    --------
    >>> from camcalc import load_build
    >>> from camcalc.explain import explain_topic
    >>> text = explanation_markdown(explain_topic(load_build("examples/quarry-road/build.toml"), "overlap"))
    >>> "  = 62 crank deg" in text
    True
    """
    e = _marked
    lines = [f"# {e(explanation.topic.capitalize())}: {e(explanation.build)}", "", *(f"- **{e(caution)}**" for caution in explanation.cautions)]
    lines += ["", f"**{e(explanation.question)}**", ""]
    for number, step in explanation.numbered(full=full):
        lines += [f"## Step {number}: {e(step.result.meaning)}", "", e(step.words), ""]
        lines += ["| symbol | stands for | value | from |", "|---|---|---|---|", *(_row(value) for value in step.values), ""]
        lines += ["```text", *step.worked().splitlines(), "```", ""]
    lines += ["## Answer", "", *(f"- {e(v.meaning)}: **{e(v.text)}**" for v in explanation.answers), "", e(explanation.reading), ""]
    lines += ["## Where it stops being true", "", *(f"- {e(limit)}" for limit in (explanation.limits if full else explanation.limits[:1])), ""]
    lines += ["## Try", "", e(explanation.try_it), ""]
    if explanation.left_out(full=full):
        lines += [f"{explanation.left_out(full=full)} more steps and limits are shown in full.", ""]
    lines += ["## Sources", "", *(f"- {e(s['text'])} ({e(s['mark'])})" for s in explanation.sources.values()), ""]
    return "\n".join(lines)


def explanation_html(explanation: Explanation, *, full: bool = False) -> str:
    """Return an explanation as one HTML page that needs nothing else; in full with all steps and limits, else with what carries the point."""
    return _rendered("explain.html", explanation, full)


def html_fragment(explanation: Explanation, *, full: bool = False) -> str:
    """Return the body of the page, for notebooks; in full with all steps and limits, else with what carries the point."""
    return _rendered("explain_steps.html", explanation, full)


def _rendered(template: str, explanation: Explanation, full: bool) -> str:
    steps = [(number, step, _formulas(step)) for number, step in explanation.numbered(full=full)]
    return rendered(template, explanation=explanation, steps=steps, full=full, symbol=_symbol)


def _formulas(step: Step) -> list[Any]:
    """Return a step's three lines as MathML. It is made from text nodes only, so it needs no escaping."""
    from markupsafe import Markup

    name, result = step.result.symbol, step.result
    made = (mathml_of_formula(name, step.formula), mathml_of_formula(name, step.formula, step.figures), mathml_of_value(name, result.quantity, result.mark))
    return [Markup(text) for text in made]


def _symbol(value: Value) -> Any:
    from markupsafe import Markup

    return Markup(mathml_of_symbol(value.symbol))


def _row(value: Value) -> str:
    return f"| {_marked(value.symbol.name)} | {_marked(value.meaning)} | {_marked(value.text)} | {_marked(value.origin)} |"


def _marked(text: str) -> str:
    """Return text so that Markdown takes it as it is, on one line."""
    return MARKDOWN_SIGNS.sub(r"\\\1", visible(" ".join(text.split())))

"""A worked explanation for people: on a terminal, as Markdown, and as one HTML page with its formulas in MathML."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .printing import mathml_of_formula, mathml_of_symbol, mathml_of_value

if TYPE_CHECKING:
    from rich.console import Console

    from .worksheet import Explanation, Step, Value

__all__ = ["explanation_html", "explanation_markdown", "html_fragment", "print_explanation"]

TEMPLATES = Path(__file__).parents[1] / "report"
# What Markdown or the HTML inside it would take for its own.
MARKDOWN_SIGNS = re.compile(r"([\\`*_\[\]<>#|~&])")


def print_explanation(explanation: Explanation, console: Console) -> None:
    """Print an explanation on a terminal."""
    from rich.markup import escape
    from rich.table import Table

    console.rule(escape(f"{explanation.topic}: {explanation.build}"))
    console.print(f"[bold]{escape(explanation.question)}[/bold]\n", highlight=False)
    for number, step in enumerate(explanation.steps, 1):
        console.print(f"{number}. {step.words}", highlight=False, markup=False)
        grid = Table.grid(padding=(0, 2))
        for value in step.values:
            grid.add_row("    ", escape(value.symbol.name), escape(value.text), escape(value.meaning), escape(f"({value.origin})"))
        console.print(grid)
        console.print(f"  {_worked(step)}\n", highlight=False, markup=False)
    console.print("[bold]Answer[/bold]")
    for value in explanation.answers:
        console.print(f"  {value.meaning}: {value.text}", highlight=False, markup=False)
    console.print(f"\n{explanation.reading}\n", highlight=False, markup=False)
    console.print("[bold]Where it stops being true[/bold]")
    for limit in explanation.limits:
        console.print(f"  - {limit}", highlight=False, markup=False)
    console.print("[bold]Try[/bold]")
    console.print(f"  {explanation.try_it}", highlight=False, markup=False)
    console.print("[bold]Sources[/bold]")
    for source in explanation.sources.values():
        console.print(f"  - {source['text']} ({source['mark']})", highlight=False, markup=False)


def explanation_markdown(explanation: Explanation) -> str:
    """Return an explanation as Markdown; formulas stand in plain code blocks, which every reader shows.

    Examples
    --------
    >>> from camcalc import load_build
    >>> from camcalc.explain import explain_topic
    >>> text = explanation_markdown(explain_topic(load_build("examples/quarry-road/build.toml"), "overlap"))
    >>> "  = 60 crank deg" in text
    True
    """
    e = _marked
    lines = [f"# {e(explanation.topic.capitalize())}: {e(explanation.build)}", "", f"**{e(explanation.question)}**", ""]
    for number, step in enumerate(explanation.steps, 1):
        lines += [f"## Step {number}: {e(step.result.meaning)}", "", e(step.words), ""]
        lines += ["| symbol | stands for | value | from |", "|---|---|---|---|", *(_row(value) for value in step.values), ""]
        lines += ["```text", *_worked(step).splitlines(), "```", ""]
    lines += ["## Answer", "", *(f"- {e(v.meaning)}: **{e(v.text)}**" for v in explanation.answers), "", e(explanation.reading), ""]
    lines += ["## Where it stops being true", "", *(f"- {e(limit)}" for limit in explanation.limits), ""]
    lines += ["## Try", "", e(explanation.try_it), ""]
    lines += ["## Sources", "", *(f"- {e(s['text'])} ({e(s['mark'])})" for s in explanation.sources.values()), ""]
    return "\n".join(lines)


def explanation_html(explanation: Explanation) -> str:
    """Return an explanation as one HTML page that needs nothing else."""
    return _rendered("explain.html", explanation)


def html_fragment(explanation: Explanation) -> str:
    """Return the body of the page, for notebooks."""
    return _rendered("explain_steps.html", explanation)


def _rendered(template: str, explanation: Explanation) -> str:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES), autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    return environment.get_template(template).render(explanation=explanation, formulas=[_formulas(step) for step in explanation.steps], symbol=_symbol)


def _formulas(step: Step) -> list[Any]:
    """Return a step's three lines as MathML, safe since it is made from text nodes only."""
    from markupsafe import Markup

    name = step.result.symbol
    made = (mathml_of_formula(name, step.formula), mathml_of_formula(name, step.formula, step.figures), mathml_of_value(name, step.result.quantity))
    return [Markup(text) for text in made]


def _symbol(value: Value) -> Any:
    from markupsafe import Markup

    return Markup(mathml_of_symbol(value.symbol))


def _worked(step: Step) -> str:
    """Return formula, numbers put in and result under each other."""
    name = step.result.symbol.name
    formula, with_numbers, result = step.lines()
    return f"{name} = {formula}\n  = {with_numbers}\n  = {result}"


def _row(value: Value) -> str:
    return f"| {_marked(value.symbol.name)} | {_marked(value.meaning)} | {_marked(value.text)} | {_marked(value.origin)} |"


def _marked(text: str) -> str:
    """Return text so that Markdown takes it as it is, on one line."""
    return MARKDOWN_SIGNS.sub(r"\\\1", " ".join(text.split()))

"""A worked explanation on a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.markup import escape
from rich.table import Table

from .terminal_parts import print_cautions

if TYPE_CHECKING:
    from rich.console import Console

    from ..explain import Explanation

__all__ = ["print_explanation"]


def print_explanation(explanation: Explanation, console: Console, *, full: bool = False) -> None:
    """Print an explanation on a terminal: what carries the point and one limit, or in full all steps, limits and sources."""
    console.rule(escape(f"{explanation.topic}: {explanation.build}"))
    print_cautions(explanation.cautions, console)
    console.print(f"[bold]{escape(explanation.question)}[/bold]\n", highlight=False)
    if not full and len(explanation.numbered(full=False)) < len(explanation.steps):
        console.print(f"The steps that carry the point, out of {len(explanation.steps)}:", highlight=False)
    for number, step in explanation.numbered(full=full):
        console.print(f"{number}. {step.words}", highlight=False, markup=False)
        grid = Table.grid(padding=(0, 2))
        for _ in range(5):
            grid.add_column(overflow="fold")
        for value in step.values:
            grid.add_row("    ", escape(value.symbol.name), escape(value.text), escape(value.meaning), escape(f"({value.origin})"))
        console.print(grid)
        console.print(f"  {step.worked()}\n", highlight=False, markup=False)
    console.print("[bold]Answer[/bold]")
    for value in explanation.answers:
        console.print(f"  {value.meaning}: {value.text}", highlight=False, markup=False)
    console.print(f"\n{explanation.reading}\n", highlight=False, markup=False)
    console.print("[bold]Where it stops being true[/bold]")
    for limit in explanation.limits if full else explanation.limits[:1]:
        console.print(f"  - {limit}", highlight=False, markup=False)
    console.print("[bold]Try[/bold]")
    console.print(f"  {explanation.try_it}", highlight=False, markup=False)
    if not full:
        console.print(f"\n{explanation.left_out(full=False)} more steps and limits, and the sources: --full shows them.", highlight=False, markup=False)
        return
    console.print("[bold]Sources[/bold]")
    for source in explanation.sources.values():
        console.print(f"  - {source['text']} ({source['mark']})", highlight=False, markup=False)

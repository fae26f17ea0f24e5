"""A progress bar on the error stream, for anything that takes more than a moment."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator

__all__ = ["progress_bar"]


@contextlib.contextmanager
def progress_bar() -> Iterator[Callable[[str, float], None]]:
    """Yield a function to be told what is worked on and the share done; draws only on a terminal."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    columns = TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn()
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("", total=1.0)

        def report(what: str, share: float) -> None:
            bar.update(task, description=what, completed=share)

        yield report

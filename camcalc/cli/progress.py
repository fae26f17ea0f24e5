"""Progress on the error stream, for anything that takes more than a moment: a bar on a terminal, else a line every few seconds."""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections.abc import Callable, Iterator

__all__ = ["progress_bar"]

# Between lines where the error stream is no terminal, and before the first [s].
EVERY = 5.0


@contextlib.contextmanager
def progress_bar() -> Iterator[Callable[[str, float], None]]:
    """Yield a function that takes what is worked on and the share done, 0 to 1; it may be called from any thread."""
    if not sys.stderr.isatty():
        with _line_every(EVERY) as report:
            yield report
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn()
    with Progress(*columns, console=Console(file=getattr(sys.stderr, "raw_text", None), stderr=True), transient=True) as bar:
        task = bar.add_task("", total=1.0)

        yield lambda what, share: bar.update(task, description=what, completed=share)


@contextlib.contextmanager
def _line_every(seconds: float) -> Iterator[Callable[[str, float], None]]:
    """Yield a reporter; what it was told last is printed whenever so much time has passed."""
    begun, done = time.monotonic(), threading.Event()
    now = ["starting", 0.0]

    def print_lines() -> None:
        while not done.wait(seconds):
            print(f"camcalc: {now[0]}, {now[1]:.0%} done after {time.monotonic() - begun:.0f} s", file=sys.stderr, flush=True)

    def report(what: str, share: float) -> None:
        now[:] = what, share

    printer = threading.Thread(target=print_lines, daemon=True)
    printer.start()
    try:
        yield report
    finally:
        done.set()
        printer.join()

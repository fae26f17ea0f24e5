"""Entry point: reads the arguments, runs one subcommand, turns the user's mistakes into one screen of text."""

from __future__ import annotations

import argparse
import contextlib
import importlib
import logging
import os
import sys
from collections.abc import Iterator, Sequence
from types import ModuleType

from .._version import VERSION
from ..errors import CamcalcError

__all__ = ["COMMANDS", "main", "module_of", "parser_for"]

COMMANDS = {
    "new": "a build sheet to fill in: every key, its unit, its default; or a copy of an invented example",
    "brief": "the first-fire brief: idle, reversion, bucking, spark ceilings, injection windows, what else would cure it",
    "events": "valve events, overlap and lift of the cams on a build sheet",
    "cycle": "one settled crank-resolved cycle, or a map of them",
    "shape": "the least change to a spark table that meets the ceilings and leaves no steep neighbours",
    "surge": "will this table, on this engine, in this gear, buck: what shakes the car and what damps it",
    "drive": "a drive over time on this table: lash, fuel cut, a held pedal or speed, written as a log",
    "review": "what a driving log shows: surge, its cause, what to change next, before against after",
    "compare": "which of two cams has the better street manners, and what is no real difference",
    "explain": "a topic worked out step by step on a build: formulas, its own numbers, where they stop being true",
    "cures": "what else would cure it: idle speed, cam timing, gear, flywheel, converter, ranked",
    "trade-off": "one cell along the line of equal torque: what spark trades against vacuum, steadiness, heat and fuel",
    "road-test": "a short test that settles what matters most and is known least",
    "completion": "a script that lets your shell complete commands and options",
}
WELCOME = """camcalc: what a long-duration cam does to a street engine, before first fire: idle, vacuum, spark
ceilings, injection, bucking. A build sheet goes in; camcalc COMMAND --help says what each can do.

Your own engine: camcalc new my.toml writes a sheet to fill in. Three commands to try:
  camcalc brief examples/quarry-road/build.toml --html brief.html
  camcalc surge examples/quarry-road/build.toml --gear 2
  camcalc explain overlap examples/quarry-road/build.toml

All: {}
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return 0 when done, 1 for a mistake in the input, 2 for one in the command."""
    # Many small matrices, and threads of our own: more threads inside numpy only get in the way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    words = sys.argv[1:] if arguments is None else list(arguments)
    if not words:
        print(WELCOME.format(", ".join(COMMANDS)))
        return 0
    try:
        options = parser_for(words[0]).parse_args(words)
    except SystemExit as stop:
        return int(stop.code or 0)
    try:
        with log_on_stderr():
            return int(module_of(options.command).run(options))
    except CamcalcError as error:
        print(f"camcalc: {error}", file=sys.stderr)
        return 1
    except BrokenPipeError:
        sys.stderr.close()
        return 0


class StderrLog(logging.Handler):
    """Prints what the package logs where the error stream is at the time: a progress bar puts its own in between."""

    def emit(self, record: logging.LogRecord) -> None:
        """Print one record."""
        print(f"camcalc: {record.getMessage()}", file=sys.stderr)


@contextlib.contextmanager
def log_on_stderr() -> Iterator[None]:
    """Show what the package logs, such as that it compiles, while a command runs."""
    log, handler = logging.getLogger(__package__.partition(".")[0]), StderrLog()
    before = log.level
    log.addHandler(handler)
    log.setLevel(logging.INFO)
    try:
        yield
    finally:
        log.removeHandler(handler)
        log.setLevel(before)


def module_of(command: str) -> ModuleType:
    """Return the module of a command, loaded now."""
    return importlib.import_module(f".{command.replace('-', '_')}", __package__)


def parser_for(*whole: str) -> argparse.ArgumentParser:
    """Return the parser, with the arguments of the commands named; only their modules are loaded."""
    parser = argparse.ArgumentParser(prog="camcalc", description="From a cam card and a build sheet to a first-fire brief.")
    parser.add_argument("--version", action="version", version=f"camcalc {VERSION}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name, text in COMMANDS.items():
        sub = commands.add_parser(name, help=text, description=text)
        if name in whole:
            module_of(name).add_arguments(sub)
    return parser


if __name__ == "__main__":
    sys.exit(main())

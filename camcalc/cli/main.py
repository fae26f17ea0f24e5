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
from typing import Any, NoReturn

from .._version import VERSION
from ..errors import CamcalcError, did_you_mean
from ..files import placed
from ..plain_text import visible
from .ending import end_at_once_on_signals, stopped_words
from .streams import open_standard_streams, streams_guarded

__all__ = ["COMMANDS", "main", "module_of", "parser_for"]

# By the steps of the job, a line each.
STEPS = {
    "Read the card": {
        "new": "write a build sheet to fill in, or a copy of an invented example",
        "events": "valve events, overlap and lift of the cams on a build sheet",
        "cycle": "one crank-resolved cycle, or a map of them",
    },
    "Before first fire": {
        "brief": "idle, starting spark table, fuel, gears and what to check",
        "trade-off": "part of the brief: what spark buys and costs in one cell",
        "cures": "part of the brief: what else would cure it, ranked",
        "road-test": "part of the brief: a short test that settles the unknowns",
        "shape": "lower your spark table to its ceilings, and change no more",
        "surge": "will this table buck on this engine in this gear",
        "drive": "drive the car over time on a table, written as a log",
        "hear": "hear the rhythm of idle and drive, a page with sliders",
    },
    "After the first drive": {
        "readings": "what was measured on the car, taken into the sheet and its bands",
        "review": "surge and knock in a log, their causes, what to change next",
    },
    "Choose between cams": {
        "choose": "the largest cam whose manners you can live with; cards ranked",
        "compare": "which of two or more cams has the better street manners",
        "sweep": "idle and road over a figure of the sheet, a row for each build",
    },
    "Learn": {
        "explain": "a topic worked out step by step on your build",
        "practise": "questions on your build, answers marked, slips named",
    },
    "Set up": {
        "completion": "a script that lets your shell complete commands and options",
    },
}
COMMANDS = {name: text for group in STEPS.values() for name, text in group.items()}
# What asks no engine, and need not load what remembers its answers.
WITHOUT_CYCLES = ("new", "events", "practise", "completion")
EVERY_DAY = ("brief", "shape", "surge", "review", "compare")
WHAT = "camcalc: what a long-duration cam does to a street engine, before first fire."
FIRST = """Your own engine: camcalc new my.toml writes a sheet to fill in.
Three commands to try on an invented engine:
  camcalc brief examples/quarry-road/build.toml --html brief.html
  camcalc surge examples/quarry-road/build.toml --gear 2
  camcalc explain overlap examples/quarry-road/build.toml
"""


class CommandLine(argparse.ArgumentParser):
    """The whole command line; its help lists the commands by the steps of the job."""

    def format_help(self) -> str:
        """Return the help in groups; the five commands of every day carry a star."""
        lines = [WHAT, "", "usage: camcalc COMMAND ...      camcalc COMMAND --help      camcalc --version"]
        for step, commands in STEPS.items():
            lines += ["", step, *(f"  {'*' if name in EVERY_DAY else ' '} {name:<12}{text}" for name, text in commands.items())]
        return "\n".join([*lines, "", "* = the five of every day", "", FIRST])

    def error(self, message: str) -> NoReturn:
        """Say what was wrong, the nearest command, and leave with 2."""
        name = next((word for word in self.words if not word.startswith("-")), "")
        if name and name not in COMMANDS:
            message = f'there is no command "{name}": {did_you_mean(name, COMMANDS)}'
        usage = f"camcalc {name} --help lists its options" if name in COMMANDS else "camcalc --help lists the commands"
        print(f"camcalc: {message}\nusage: {usage}", file=sys.stderr)
        raise SystemExit(2)

    words: Sequence[str] = ()


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return 0 when done, 1 for a mistake in the input or output that cannot be written, 2 for a mistake in the command."""
    # Many small matrices, and threads of our own: more threads inside numpy only get in the way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    words = sys.argv[1:] if arguments is None else list(arguments)
    words = words or ["--help"]
    if arguments is None:
        open_standard_streams()
        end_at_once_on_signals()
    with streams_guarded() as out:
        return out.ended(_run(words))


def _run(words: Sequence[str]) -> int:
    """Run one command; what the user did wrong is shown in a few lines."""
    placed.clear()
    try:
        parser = parser_for(next((word for word in words if not word.startswith("-")), words[0]))
        parser.words = words
        options = parser.parse_args(words)
    except SystemExit as stop:
        return int(stop.code or 0)
    try:
        with log_on_stderr(), answers_kept(anew=options.no_cache or options.command in WITHOUT_CYCLES):
            return int(module_of(options.command).run(options))
    except CamcalcError as error:
        print(f"camcalc: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print(f"camcalc: {stopped_words('Ctrl-C')}", file=sys.stderr)
        return 130
    except MemoryError:
        print("camcalc: there is not enough memory. Nothing half written is left.", file=sys.stderr)
        return 1


class StderrLog(logging.Handler):
    """Prints what the package logs where the error stream is at the time: a progress bar puts its own in between."""

    def emit(self, record: logging.LogRecord) -> None:
        """Print one record."""
        print(f"camcalc: {visible(record.getMessage())}", file=sys.stderr)


@contextlib.contextmanager
def log_on_stderr() -> Iterator[None]:
    """Show what the package logs, such as that it compiles, while a command runs."""
    log, handler = logging.getLogger(__package__.partition(".")[0]), StderrLog()
    before = log.level
    log.addHandler(handler)
    log.setLevel(logging.INFO)
    # It has much to say where it finds no folder of its own; the plots are the same.
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    try:
        yield
    finally:
        log.removeHandler(handler)
        log.setLevel(before)


@contextlib.contextmanager
def answers_kept(*, anew: bool) -> Iterator[None]:
    """Keep what engines answer from command to command, unless all is to be worked out anew or CAMCALC_CACHE is 0."""
    if anew or os.environ.get("CAMCALC_CACHE", "") == "0":
        yield
        return
    from ..cycle.kept_cycles import keeping

    keeping.begin()
    folder = keeping.folder
    try:
        yield
    finally:
        error = keeping.end()
        if error is not None:
            log = logging.getLogger(__package__)
            log.warning("%s cannot be written to (%s). What was worked out is not kept for the next command.", folder, error.strerror)


def module_of(command: str) -> ModuleType:
    """Return the module of a command, loaded now."""
    return importlib.import_module(f".{command.replace('-', '_')}", __package__)


def parser_for(*whole: str) -> CommandLine:
    """Return the parser, with the arguments of the commands named; only their modules are loaded."""
    parser = CommandLine(prog="camcalc", description=WHAT)
    parser.add_argument("--version", action="version", version=f"camcalc {VERSION}")
    anew: dict[str, Any] = {"action": "store_true", "help": "work everything out again, and keep nothing for the next command"}
    parser.add_argument("--no-cache", default=False, **anew)
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND", parser_class=argparse.ArgumentParser)
    for name, text in COMMANDS.items():
        sub = commands.add_parser(name, help=text, description=text)
        if name in whole:
            module_of(name).add_arguments(sub)
            sub.add_argument("--no-cache", default=argparse.SUPPRESS, **anew)
    return parser


if __name__ == "__main__":
    sys.exit(main())

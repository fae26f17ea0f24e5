"""Entry point: reads the arguments, runs one subcommand, turns the user's mistakes into one screen of text."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence

from .._version import VERSION
from ..errors import CamcalcError

__all__ = ["main"]

COMMANDS = {
    "events": "valve events, overlap and lift of the cams on a build sheet",
    "cycle": "one settled crank-resolved cycle, or a map of them",
    "shape": "the least change to a spark table that meets the ceilings and leaves no steep neighbours",
    "review": "what a driving log shows: surge, its cause, what to change next, before against after",
    "surge": "will this table, on this engine, in this gear, buck: what shakes the car and what damps it",
    "brief": "the first-fire brief: idle, reversion, spark ceilings, injection windows",
}
WELCOME = """camcalc: what a long-duration cam does to a street engine, before first fire.

Three commands to try:
  camcalc events examples/quarry-road/build.toml
  camcalc brief examples/quarry-road/build.toml
  camcalc brief examples/quarry-road/build.toml --html brief.html
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return 0 when done, 1 for a mistake in the input, 2 for one in the command."""
    # Many small matrices, and threads of our own: more threads inside numpy only get in the way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    words = sys.argv[1:] if arguments is None else list(arguments)
    if not words:
        print(WELCOME)
        return 0
    parser = argparse.ArgumentParser(prog="camcalc", description="From a cam card and a build sheet to a first-fire brief.")
    parser.add_argument("--version", action="version", version=f"camcalc {VERSION}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name, text in COMMANDS.items():
        sub = commands.add_parser(name, help=text, description=text)
        if words[0] == name:
            importlib.import_module(f".{name}", __package__).add_arguments(sub)
    try:
        options = parser.parse_args(words)
    except SystemExit as stop:
        return int(stop.code or 0)
    try:
        return int(importlib.import_module(f".{options.command}", __package__).run(options))
    except CamcalcError as error:
        print(f"camcalc: {error}", file=sys.stderr)
        return 1
    except BrokenPipeError:
        sys.stderr.close()
        return 0


if __name__ == "__main__":
    sys.exit(main())

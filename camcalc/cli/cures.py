"""``camcalc cures BUILD``."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from .outputs import add_units, in_units, part_of_the_brief

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("build", help="build sheet (TOML)")
    parser.add_argument("--gear", metavar="N", type=int, help="gear of the road, counted from 1; the one in trouble when left out")
    parser.add_argument("--against", choices=("idle", "brakes", "cruise", "shaking"), help="the trouble to rank by; the worst when left out")
    parser.add_argument("--table", metavar="FILE", type=Path, help="spark table, taken as final spark; the sheet's own when left out")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")
    add_units(parser)


def run(options: argparse.Namespace) -> int:
    """Try the cures and print them, best first."""
    from ..cures import rank_cures
    from ..cycle.models import engine_kind
    from ..sheet import load_build
    from ..tables import read_table
    from .progress import progress_bar

    build = in_units(load_build(options.build), options)
    table = read_table(options.table) if options.table else None
    with progress_bar() as report:
        report("cures", 0.0)
        ranking = rank_cures(build, engine_of=engine_kind("resolved"), table=table, gear=options.gear, against=options.against)
    if options.json:
        print(json.dumps(ranking.to_dict(), indent=1, allow_nan=False))
    else:
        from ..report.terminal_drive import print_cures
        from ..report.terminal_parts import console

        print(part_of_the_brief("cures"))
        print_cures(ranking, console(), build.units)
    return 0

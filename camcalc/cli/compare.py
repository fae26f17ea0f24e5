"""``camcalc compare A [B ...]``."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from .outputs import add_force, add_units, in_units, refuse_outputs

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("first", metavar="A", help="build sheet (TOML)")
    parser.add_argument("others", metavar="B", nargs="*", help="other build sheets, one or more; left out: the sheet's new cam against the one it replaces")
    parser.add_argument("--full", action="store_true", help="show the figures that do not differ too")
    parser.add_argument("--html", metavar="FILE", type=Path, help="also write the comparison as one HTML file")
    add_force(parser)
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")
    parser.add_argument("--no-bands", action="store_true", help="skip the 10 to 90 %% bands of the differences; much faster")
    add_units(parser)


def run(options: argparse.Namespace) -> int:
    """Compare and put it where it was asked for."""
    from ..compare import Lineup, compare_builds
    from ..sheet import load_build
    from .progress import progress_bar

    first, *others = (in_units(load_build(path), options) for path in (options.first, *options.others))
    refuse_outputs({"--html": options.html}, [path for build in (first, *others) for path in build.files()], force=options.force)
    with progress_bar() as report:
        found = compare_builds(first, *others, bands=not options.no_bands, progress=report)
    if options.json:
        print(json.dumps(found.to_dict(), indent=1, allow_nan=False))
    else:
        from ..report.compare_terminal import print_comparison, print_lineup
        from ..report.terminal_parts import console

        if isinstance(found, Lineup):
            print_lineup(found, console(), full=options.full)
        else:
            print_comparison(found, console(), full=options.full)
    if options.html:
        from ..files import write_files
        from ..report.compare_page import compare_html

        write_files({options.html: compare_html(found)}, replace=options.force)
        print(f"comparison written to {options.html}", file=sys.stderr if options.json else sys.stdout)
    return 0

"""``camcalc compare A [B]``."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from .outputs import refuse_outputs

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("a", metavar="A", help="build sheet (TOML)")
    parser.add_argument("b", metavar="B", nargs="?", help="the other build sheet; left out: the sheet's new cam against the one it replaces")
    parser.add_argument("--html", metavar="FILE", type=Path, help="also write the comparison as one HTML file")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")
    parser.add_argument("--no-bands", action="store_true", help="skip the 10 to 90 %% bands of the differences; much faster")


def run(options: argparse.Namespace) -> int:
    """Compare and put it where it was asked for."""
    from ..compare import compare_builds
    from ..sheet import load_build
    from .progress import progress_bar

    a = load_build(options.a)
    b = a.with_replaced_cam() if options.b is None else load_build(options.b)
    refuse_outputs({"--html": options.html}, [*a.files(), *b.files()])
    with progress_bar() as report:
        both = compare_builds(a, b, bands=not options.no_bands, progress=report)
    if options.json:
        print(json.dumps(both.to_dict(), indent=1, allow_nan=False))
    else:
        from ..report.compare_terminal import print_comparison
        from ..report.terminal import console

        print_comparison(both, console())
    if options.html:
        from ..report.compare_page import compare_html
        from ..sheet.saving import write_atomically

        write_atomically(options.html, compare_html(both))
        print(f"comparison written to {options.html}", file=sys.stderr if options.json else sys.stdout)
    return 0

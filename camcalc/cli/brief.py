"""``camcalc brief BUILD``."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from .outputs import refuse_outputs

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("build", help="build sheet (TOML)")
    parser.add_argument("--html", metavar="FILE", type=Path, help="also write the brief as one HTML file")
    parser.add_argument("--tables", metavar="DIR", type=Path, help="also write every table as CSV into this folder")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")
    parser.add_argument("--model", choices=("resolved", "quick"), default="resolved", help="crank-resolved cycle (default), or published closed forms")
    parser.add_argument(
        "--load-axis", choices=("manifold pressure", "air charge", "relative charge"), default="manifold pressure", help="load of the printed ceilings"
    )
    parser.add_argument("--no-bands", action="store_true", help="skip the 10 to 90 %% bands and the road test; much faster")
    parser.add_argument("--no-cures", action="store_true", help="skip what else would cure it, and what spark trades; faster")


def run(options: argparse.Namespace) -> int:
    """Make the brief and put it where it was asked for."""
    from ..brief import make_brief
    from ..report.tables import TABLE_NAMES
    from ..sheet import load_build
    from .progress import progress_bar

    build = load_build(options.build)
    tables = {f"--tables: {name}": options.tables / name for name in TABLE_NAMES} if options.tables else {}
    refuse_outputs({"--html": options.html, **tables}, build.files())
    with progress_bar() as report:
        brief = make_brief(build, model=options.model, bands=not options.no_bands, cures=not options.no_cures, progress=report)
    if options.json:
        print(json.dumps(brief.to_dict(), indent=1, allow_nan=False))
    else:
        from ..report.terminal import console, print_brief

        print_brief(brief, console(), options.load_axis)
    if options.html:
        from ..report.brief_page import brief_html
        from ..sheet.saving import write_atomically

        write_atomically(options.html, brief_html(brief))
        _say(options, f"brief written to {options.html}")
    if options.tables:
        from ..report.tables import write_tables

        written = write_tables(brief, options.tables)
        _say(options, f"{len(written)} tables written to {options.tables}")
    return 0


def _say(options: argparse.Namespace, text: str) -> None:
    import sys

    print(text, file=sys.stderr if options.json else sys.stdout)

"""``camcalc brief BUILD``, or ``camcalc brief --from BRIEF.json``."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .outputs import add_force, add_units, refuse_outputs

if TYPE_CHECKING:
    from ..brief import Brief

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    source = parser.add_mutually_exclusive_group(required=True)
    source.add_argument("build", nargs="?", help="build sheet (TOML)")
    source.add_argument("--from", dest="kept", metavar="FILE", type=Path, help="a brief kept with --json, instead of a build sheet: nothing is computed")
    parser.add_argument("--full", action="store_true", help="print every section after the first screen")
    parser.add_argument("--section", metavar="NAME", help="print one section alone: " + ", ".join(SECTION_NAMES))
    parser.add_argument("--html", metavar="FILE", type=Path, help="also write the brief as one HTML file, plots inside")
    parser.add_argument("--tables", metavar="DIR", type=Path, help="also write every table as CSV into this folder")
    add_force(parser)
    parser.add_argument("--json", action="store_true", help="print JSON instead of text; kept in a file it serves --from")
    parser.add_argument("--model", choices=("resolved", "quick"), default="resolved", help="crank-resolved cycle (default), or published closed forms")
    parser.add_argument(
        "--load-axis", choices=("manifold pressure", "air charge", "relative charge"), default="manifold pressure", help="load of the printed ceilings"
    )
    parser.add_argument("--no-bands", action="store_true", help="skip the 10 to 90 %% bands and the road test; much faster")
    parser.add_argument("--no-cures", action="store_true", help="skip what else would cure it, and later spark in one cell; faster")
    add_units(parser)


# The sections' names, here so that --help is there at once; a test compares them with the sections.
SECTION_NAMES = (
    "readings",
    "idle", "spark", "fuel", "injection", "reversion", "surge", "sensors", "trade-off", "cures", "road-test", "cam", "bands", "assumed", "notes", "sources",
    "cautions",
)  # fmt: skip


def run(options: argparse.Namespace) -> int:
    """Make the brief, or take a kept one, and put it where it was asked for."""
    from ..report.tables import TABLE_NAMES

    if options.section is not None:
        from ..report.sections import section_named

        section_named(options.section)
    brief = _brief(options, {"files": {"--html": options.html}, "folders": {"--tables": (options.tables, TABLE_NAMES)}, "force": options.force})
    _print(brief, options)
    if options.html:
        from ..files import write_files
        from ..report.brief_page import brief_html

        write_files({options.html: brief_html(brief)}, replace=options.force)
        _say(options, f"brief written to {options.html}")
    if options.tables:
        from ..report.tables import write_tables

        written = write_tables(brief, options.tables, replace=options.force)
        _say(options, f"{len(written)} tables written to {options.tables}")
    return 0


def _brief(options: argparse.Namespace, outputs: dict[str, Any]) -> Brief:
    """Return the kept brief, or one made of the sheet; what cannot be written is refused before the work begins."""
    from .outputs import in_units

    if options.kept is not None:
        from ..brief_files import load_brief

        refuse_outputs(inputs=[options.kept], **outputs)
        kept = load_brief(options.kept)
        return kept.replace(build=in_units(kept.build, options))
    from ..brief import make_brief
    from ..sheet import load_build
    from .progress import progress_bar

    build = in_units(load_build(options.build), options)
    refuse_outputs(inputs=build.files(), **outputs)
    drawn = options.json or options.html is not None
    with progress_bar() as report:
        return make_brief(build, model=options.model, bands=not options.no_bands, cures=not options.no_cures, curves=drawn, progress=report)


def _print(brief: Brief, options: argparse.Namespace) -> None:
    if options.json:
        from ..brief_files import brief_text

        print(brief_text(brief), end="")
        return
    from ..report.sections import section_named
    from ..report.terminal import console, print_brief, print_first_screen, print_sections

    if options.section is not None:
        section = section_named(options.section)
        if not section.there(brief):
            print(f"This brief has no section {section.key}: what it needs was not computed, or the sheet has nothing for it.")
        else:
            print_sections(brief, [section], console(), options.load_axis)
    elif options.full:
        print_brief(brief, console(), options.load_axis)
    else:
        print_first_screen(brief, console())


def _say(options: argparse.Namespace, text: str) -> None:
    import sys

    print(text, file=sys.stderr if options.json else sys.stdout)

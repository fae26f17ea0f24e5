"""``camcalc explain TOPIC BUILD``."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from .outputs import add_force, refuse_outputs

__all__ = ["add_arguments", "run"]

OPTIONS = ("at", "measured_at", "speed", "manifold_pressure", "gear", "drive", "accessories", "table")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    topics = "overlap, events, effective-compression, residual, idle-vacuum, reversion, ceiling, less-spark, injection, surge"
    parser.add_argument("topic", help=f"what to explain: {topics}")
    parser.add_argument("build", help="build sheet (TOML)")
    parser.add_argument("--at", metavar="HEIGHT", help='overlap, events, effective-compression: checking height, e.g. "0.050 inch"')
    parser.add_argument("--measured-at", choices=("tappet", "valve"), help="side that height is measured on")
    parser.add_argument("--speed", metavar="RPM", help='residual, reversion, ceiling, less-spark, injection, surge: engine speed, e.g. "1400 rpm"')
    parser.add_argument("--manifold-pressure", metavar="P", help='residual, ceiling, less-spark, injection: absolute, e.g. "55 kPa"')
    parser.add_argument("--gear", metavar="N", type=int, help="reversion, surge: a gear, counted from 1; the one nearest to direct drive when left out")
    parser.add_argument("--drive", action="store_true", default=None, help="idle-vacuum: in gear against a stalled converter")
    parser.add_argument("--accessories", action="store_true", default=None, help="idle-vacuum: with the accessories switched on")
    parser.add_argument("--table", metavar="FILE", type=Path, help="surge: spark table, taken as final spark; the sheet's own when left out")
    parser.add_argument("--full", action="store_true", help="all steps, limits and sources, not only what carries the point")
    parser.add_argument("--markdown", metavar="FILE", type=Path, help="also write it as Markdown")
    parser.add_argument("--html", metavar="FILE", type=Path, help="also write it as one HTML page")
    add_force(parser)
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def run(options: argparse.Namespace) -> int:
    """Explain the topic and put it where it was asked for."""
    from ..explain import explain_topic
    from ..explain.as_page import explanation_html, explanation_markdown
    from ..files import write_files
    from ..sheet import load_build

    build = load_build(options.build)
    refuse_outputs({"--markdown": options.markdown, "--html": options.html}, [*build.files(), options.table], force=options.force)
    given: dict[str, Any] = {name: getattr(options, name) for name in OPTIONS if getattr(options, name) is not None}
    if "table" in given:
        from ..tables import read_table

        given["table"] = read_table(given["table"])
    told = explain_topic(build, options.topic, **given)
    pages = {path: page(told, full=options.full) for path, page in ((options.markdown, explanation_markdown), (options.html, explanation_html)) if path}
    write_files(pages, replace=options.force)
    for path in pages:
        print(f"explanation written to {path}", file=sys.stderr)
    if options.json:
        print(json.dumps(told.to_dict(), indent=1, allow_nan=False))
    else:
        from ..report.explanation_terminal import print_explanation
        from ..report.terminal_parts import console

        print_explanation(told, console(), full=options.full)
    return 0

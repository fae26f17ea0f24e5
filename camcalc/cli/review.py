"""``camcalc review LOG.csv BUILD``."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from .outputs import PLOTS, add_force, refuse_outputs, write_plots
from .spark_tables import add_table_options, cautions_beside, given_table, tab_separated_file, words_beside, write_tab_separated

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("log", type=Path, help="driving log (CSV, Parquet or Arrow; packed with gzip or not)")
    parser.add_argument("build", help="build sheet (TOML)")
    parser.add_argument("--table", metavar="FILE", type=Path, help="spark table that was in the car, - to paste it in; the sheet's own when left out")
    parser.add_argument("--before", metavar="FILE", type=Path, help="an earlier log of the same cruise, to compare with")
    parser.add_argument("--columns", metavar="FILE", type=Path, help="which column is what (TOML); what it leaves out is known by the header's words")
    parser.add_argument("--rate", metavar="ROWS", type=float, help="rows a second, for a log without times, e.g. 20")
    parser.add_argument("--next", metavar="FILE", type=Path, help="write the table with the advice to lower carried out, its cautions beside it as .txt")
    add_table_options(parser, "the table with the advice to lower carried out")
    add_force(parser)
    parser.add_argument("--plots", metavar="DIR", type=Path, help="also draw the log as SVG into this folder")
    parser.add_argument("--html", metavar="FILE", type=Path, help="also write the review as one HTML file, plots inside; with --before both logs side by side")
    parser.add_argument("--no-ceilings", action="store_true", help="judge by slopes alone, without an engine model; much faster")
    parser.add_argument(
        "--no-knock-heard", action="store_true", help="where the log cannot tell of knock: somebody listened all the time and heard none; one degree at most"
    )
    parser.add_argument("--full", action="store_true", help="also print the log, every episode with its cause, every cell, the swing of the signals")
    parser.add_argument("--measured", action="store_true", help="print what the log holds steady as [[measured]] rows for the sheet, and no review")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def run(options: argparse.Namespace) -> int:
    """Review the log and print what it shows."""
    from ..errors import InputError
    from ..logs import compare_logs, read_log, review_for_build
    from ..logs.gear_seen import with_gears
    from ..logs.review import ReviewNote
    from ..sheet import load_build
    from ..tables.beside import path_beside
    from ..words.review import review_data

    build = load_build(options.build)
    path = options.table or build.spark_table
    if options.measured:
        unused = {"--json": options.json, "--html": options.html, "--next": options.next, "--plots": options.plots, "--before": options.before}
        for name, asked in unused.items():
            if asked:
                raise InputError(name, came="beside --measured", expected="one of the two: rows for the sheet, or a review", fix="run the command twice")
    if options.next and path is None:
        raise InputError("--next", came="no spark table", expected="the table that was in the car", fix="give --table")
    if options.before and options.before.resolve() == options.log.resolve():
        raise InputError("--before", came="the log itself", expected="a log driven before the change")
    tabs = tab_separated_file(options)
    if options.tab_separated and path is None:
        raise InputError("--tab-separated", came="no spark table", expected="the table that was in the car", fix="give --table")
    outputs = {"--tab-separated": tabs, "the text beside --tab-separated": cautions_beside(options, options.next)}
    outputs |= {"--next": options.next, "the text beside --next": path_beside(options.next) if options.next else None, "--html": options.html}
    inputs = [*build.files(), options.log, options.before, options.columns, path]
    refuse_outputs(outputs, inputs, folders={"--plots": (options.plots, PLOTS)}, force=options.force)
    table = given_table(Path(path), options.table_axes if options.table else "") if path is not None else None
    how: dict[str, Any] = {"rate": options.rate, "load_kind": table.load_kind if table is not None else ""}
    log = read_log(options.log, options.columns, **how)
    if options.measured:
        from ..measured.from_log import steady_points
        from ..words.readings import steady_words

        log = with_gears(log, build)
        print("\n".join(steady_words(steady_points(log, build), log)))
        return 0
    before = read_log(options.before, options.columns, **how) if options.before else None
    # The sheet's own table was not asked for: where it has another load the log is still searched for surge.
    other_load = table is not None and not (options.table or options.next or tabs) and bool(log.load_kind) and log.load_kind != table.load_kind
    table = None if other_load else table
    review = review_for_build(log, build, table, ceilings=not options.no_ceilings, no_knock_heard=options.no_knock_heard)
    review = review.replace(notes=(*review.notes, ReviewNote.OTHER_LOAD)) if other_load else review
    before = with_gears(before, build) if before is not None else None
    compared = compare_logs(before, review.log) if before is not None else None
    if options.json:
        print(json.dumps({"review": review_data(review), "compared": compared.to_dict() if compared else None}, indent=1, allow_nan=False))
    else:
        with words_beside(options):
            show(review, compared, full=options.full)
    write_tab_separated(review.next_table, options, options.next)
    if options.next:
        written(review.next_table, options.next, force=options.force)
    if options.html:
        write_page(review, compared, before, options)
    if options.plots:
        write_plots(options.plots, plots_of(review, table, before), force=options.force)
    return 0


def show(review: Any, compared: Any, *, full: bool) -> None:
    """Print the review at a glance, before against after where both were logged, then the rest."""
    from ..report.terminal_review import print_review

    print_review(review, compared, full=full)


def write_page(review: Any, compared: Any, before: Any, options: argparse.Namespace) -> None:
    """Write the review as a page.

    Parameters
    ----------
    review : LogReview
    compared : LogComparison or None
        Against the log before.
    before : DriveLog or None
        The log before a change.
    options : Namespace
        Of the command line.
    """
    from ..files import write_files
    from ..logs import review_curves
    from ..report.review_page import review_html

    write_files({options.html: review_html(review, review_curves(review, before), compared)}, replace=options.force)
    print(f"review written to {options.html}", file=sys.stderr)


def written(table: Any, path: Path, *, force: bool) -> None:
    """Write the next table and its cautions beside it, or say that there is none."""
    from ..cautions import text_beside
    from ..files import write_files
    from ..tables.beside import path_beside

    if table is None:
        print(f"nothing to lower: {path} is not written", file=sys.stderr)
        return
    write_files({path: table.text(), path_beside(path): text_beside(path.name)}, replace=force)
    print(f"next table written to {path}, its cautions beside it", file=sys.stderr)


def plots_of(review: Any, table: Any, before: Any) -> dict[str, Any]:
    """Return plots of the log, and the one before it: speed, spark, where in the table it drove.

    Parameters
    ----------
    review : LogReview
    table : SparkTable
        Whose cells the log drove in.
    before : DriveLog
        The log before a change, if there is one.
    """
    from ..logs import find_surge
    from ..plot import plot_log, plot_visited

    log, findings = review.log, review.findings
    drawn = {name: plot_log(log, findings, name) for name in ("speed", "spark", "acceleration") if log.values(name).size}
    if before is not None:
        was = find_surge(before)
        drawn |= {f"before_{name}": plot_log(before, was, name) for name in ("speed", "spark", "acceleration") if before.values(name).size}
    if table is not None and log.loads.size:
        drawn["visited"] = plot_visited(log, findings, table)
    return drawn

"""``camcalc review LOG.csv BUILD``."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from .outputs import refuse_outputs, write_plots

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("log", type=Path, help="driving log (CSV or Parquet)")
    parser.add_argument("build", help="build sheet (TOML)")
    parser.add_argument("--table", metavar="FILE", type=Path, help="spark table that was in the car; the sheet's own when left out")
    parser.add_argument("--before", metavar="FILE", type=Path, help="an earlier log of the same cruise, to compare with")
    parser.add_argument("--columns", metavar="FILE", type=Path, help="which column is what (TOML); guessed from the header when left out")
    parser.add_argument("--next", metavar="FILE", type=Path, help="write the table with the advice to lower carried out, its cautions beside it as .txt")
    parser.add_argument("--overwrite", action="store_true", help="allow --next to replace a file that is there")
    parser.add_argument("--plots", metavar="DIR", type=Path, help="also draw the log as SVG into this folder")
    parser.add_argument("--no-ceilings", action="store_true", help="judge by slopes alone, without an engine model; much faster")
    parser.add_argument(
        "--no-knock-heard", action="store_true", help="where the log cannot tell of knock: somebody listened all the time and heard none; one degree at most"
    )
    parser.add_argument("--full", action="store_true", help="also print the log, every episode with its cause, every cell, the swing of the signals")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def run(options: argparse.Namespace) -> int:
    """Review the log and print what it shows."""
    from ..errors import InputError
    from ..logs import compare_logs, read_log, review_for_build
    from ..sheet import load_build
    from ..tables import read_table
    from ..tables.beside import path_beside
    from ..words.review import review_data

    build = load_build(options.build)
    path = options.table or build.spark_table
    table = read_table(path) if path is not None else None
    log = read_log(options.log, options.columns)
    before = read_log(options.before, options.columns) if options.before else None
    if options.next and table is None:
        raise InputError("--next", came="no spark table", expected="the table that was in the car", fix="give --table")
    outputs = {"--next": options.next, "the text beside --next": path_beside(options.next) if options.next else None}
    refuse_outputs(outputs, [*build.files(), options.log, options.before, options.columns, path], folders={"--plots": options.plots}, new=not options.overwrite)
    review = review_for_build(log, build, table, ceilings=not options.no_ceilings, no_knock_heard=options.no_knock_heard)
    compared = compare_logs(before, log) if before is not None else None
    if options.json:
        print(json.dumps({"review": review_data(review), "compared": compared.to_dict() if compared else None}, indent=1, allow_nan=False))
    else:
        show(review, compared, full=options.full)
    if options.next:
        written(review.next_table, options.next, overwrite=options.overwrite)
    if options.plots:
        draw(options.plots, review, table, before)
    return 0


def show(review: Any, compared: Any, *, full: bool) -> None:
    """Print before against after, where both were logged, then the review."""
    from ..words.log_comparison import comparison_words
    from ..words.review import review_full, review_words

    if compared is not None:
        print(f"Before and after: {comparison_words(compared)}\n")
    print(review_full(review) if full else review_words(review))
    if not full:
        print("The log, every episode and its cause: camcalc review --full.")


def written(table: Any, path: Path, *, overwrite: bool) -> None:
    """Write the next table and its cautions beside it, or say that there is none."""
    from ..tables.beside import write_beside

    if table is None:
        print(f"nothing to lower: {path} is not written", file=sys.stderr)
        return
    table.write(path, overwrite=overwrite)
    write_beside(path)
    print(f"next table written to {path}, its cautions beside it", file=sys.stderr)


def draw(folder: Path, review: Any, table: Any, before: Any) -> None:
    """Draw the log, and the one before it: speed, spark, where in the table it drove.

    Parameters
    ----------
    folder : Path
        Where the plots go.
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
    write_plots(folder, drawn)

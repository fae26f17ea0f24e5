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
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def run(options: argparse.Namespace) -> int:
    """Review the log and print what it shows."""
    from ..errors import InputError
    from ..logs import compare_logs, read_log, review_log
    from ..sheet import load_build
    from ..tables import read_table
    from ..tables.beside import path_beside

    build = load_build(options.build)
    path = options.table or build.spark_table
    table = read_table(path) if path is not None else None
    log = read_log(options.log, options.columns)
    before = read_log(options.before, options.columns) if options.before else None
    if options.next and table is None:
        raise InputError("--next", came="no spark table", expected="the table that was in the car", fix="give --table")
    outputs = {"--next": options.next, "the text beside --next": path_beside(options.next) if options.next else None}
    refuse_outputs(outputs, [*build.files(), options.log, options.before, options.columns, path], folders={"--plots": options.plots}, new=not options.overwrite)
    about: dict[str, Any] = {"build": build, "no_knock_heard": options.no_knock_heard}
    if not options.no_ceilings:
        about |= engine_side(build, table)
    review = review_log(log, table, **about)
    compared = compare_logs(before, log) if before is not None else None
    if options.json:
        print(json.dumps({"review": review.to_dict(), "compared": compared.to_dict() if compared else None}, indent=1, allow_nan=False))
    else:
        print(review)
        if compared:
            print(f"\nbefore and after\n{compared}")
    if options.next:
        written(review.next_table, options.next, overwrite=options.overwrite)
    if options.plots:
        draw(options.plots, review, table, before)
    return 0


def engine_side(build: Any, table: Any) -> dict[str, Any]:
    """Return the engine, and what it knows of a table's cells: ceilings, best torque and knock, torque per degree of spark [N m per crank deg]."""
    import math

    from ..advice.table_ceilings import ceilings_on_table
    from ..cycle.load_axis import pressure_of_load
    from ..cycle.models import engine_kind

    engine = engine_kind("resolved")(build)
    if table is None:
        return {"engine": engine}
    found = ceilings_on_table(engine, table.si.speed, table.loads, table.load_kind)

    def per_degree(speed: float, load: float) -> float:
        spark = float(table.spark_at(speed, load))
        pressure = pressure_of_load(engine, speed, load, spark, table.load_kind)
        rise = engine.state(speed, pressure, spark + 2.0).net - engine.state(speed, pressure, spark - 2.0).net
        return float(rise / 4.0 * engine.geometry.displacement / (4.0 * math.pi))

    limits = {"ceiling": found.ceiling, "best": found.best, "knock": found.knock, "raise_margin": build.limits.spark_margin}
    return {"engine": engine, "torque_per_degree": per_degree, **limits}


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
    """Draw the log, and the one before it: speed, spark, where in the table it drove."""
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

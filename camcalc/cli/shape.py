"""``camcalc shape BUILD --table BASE.csv --out NEW.csv``."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from .outputs import refuse_outputs, write_plots

__all__ = ["add_arguments", "run"]

# As good as no limit per cell.
ANY_STEP = "180 crank_deg"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("build", help="build sheet (TOML)")
    parser.add_argument("--table", metavar="FILE", type=Path, help="spark table (CSV); the sheet's own when left out")
    parser.add_argument("--out", metavar="FILE", type=Path, help="where the new table goes; only shown when left out")
    parser.add_argument("--overwrite", action="store_true", help="allow --out to replace a file that is there")
    parser.add_argument("--adders", metavar="ANGLE", default="0 crank_deg", help='most that stands on top of the table, e.g. "4 crank_deg"')
    parser.add_argument("--along-speed", metavar="SLOPE", help='slope limit along speed, e.g. "15 crank_deg/krpm"; half the critical slope when left out')
    parser.add_argument("--along-load", metavar="SLOPE", help='slope limit along load, e.g. "0.3 crank_deg/kPa"; half the critical slope when left out')
    parser.add_argument("--per-cell", metavar="ANGLE", default="3 crank_deg", help="most between neighbours that touch the zone (3 crank_deg)")
    parser.add_argument("--increment", metavar="ANGLE", help="step of changed numbers; the table's own when left out")
    parser.add_argument("--hold-floor", action="store_true", help="--per-cell gives way beside cells that spark does not cure; the slope limits stay")
    parser.add_argument("--allow-raise", metavar="ANGLE", default="0 crank_deg", help="how far cells may rise, never near best torque or knock")
    parser.add_argument("--add-back", metavar="ANGLE", help="give back at most this in cells that --log drove without surge; with --current")
    parser.add_argument("--current", metavar="FILE", type=Path, help="the table that was driven; --table is then the one before any shaping")
    parser.add_argument("--log", metavar="FILE", type=Path, help="a driving log (CSV or Parquet)")
    parser.add_argument("--columns", metavar="FILE", type=Path, help="which column of the log is what (TOML)")
    parser.add_argument("--plots", metavar="DIR", type=Path, help="also draw both tables as SVG into this folder")
    parser.add_argument("--model", choices=("resolved", "quick"), default="resolved", help="engine model of the ceilings")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def run(options: argparse.Namespace) -> int:
    """Shape the table and write it."""
    import numpy as np

    from ..advice.idle import IDLE_REACH
    from ..advice.table_ceilings import ceilings_on_table
    from ..build import load_build
    from ..cycle.models import engine_kind
    from ..report.terminal_parts import console
    from ..report.terminal_shape import print_late_burns
    from ..tables import add_back, read_table, shape_table
    from ..tables.late_burn import late_burns
    from ..units import Bounds, to_si

    build = load_build(options.build)
    table = read_table(table_path(options.table, build))
    inputs = [*build.files(), table.path, options.current, options.log]
    refuse_outputs({"--out": options.out}, inputs, folders={"--plots": options.plots}, new=not options.overwrite)
    adders = float(to_si(options.adders, "--adders", Bounds("crank_deg", 0.0, 40.0)))
    engine = engine_kind(options.model)(build)
    found = ceilings_on_table(engine, table.si.speed, table.loads, table.load_kind)
    limits = {key: getattr(options, key) for key in ("along_speed", "along_load", "per_cell", "increment")}
    rule = None
    if None in (options.along_speed, options.along_load):
        rule = slopes_stood(build, table, options.model)
        if rule is not None:
            limits |= {key: getattr(rule, key) for key in ("along_speed", "along_load") if limits[key] is None}
    uncured = np.isfinite(found.ceiling) & ~found.cured
    held = uncured if options.hold_floor else None
    late: tuple[Any, ...] = ()
    counts: dict[str, int] = {}
    if options.add_back:
        current, visited = driven(options)
        shaped = add_back(current, table, ceiling=found.ceiling - adders, visited=visited, step=options.add_back, uncured=held, **limits)
    else:
        asked = {
            "ceiling": found.ceiling - adders,
            "floor": np.where(np.isfinite(found.ceiling), found.floor - adders, np.nan),  # elsewhere the table is what it was
            "allow_raise": options.allow_raise,
            "best": found.best - adders,
        }
        shaped = shape_table(table, **asked, **limits, uncured=held)
        late = late_burns(engine, shaped, found.manifold_pressure, adders=adders)
        if None not in (limits["along_speed"], limits["along_load"]):
            counts["by_slopes_alone"] = len(shape_table(table, **asked, **limits | {"per_cell": ANY_STEP}).changes)
            counts["holding_floor"] = len(shape_table(table, **asked, **limits, uncured=uncured).changes)
    if options.out:
        shaped.table.write(options.out, overwrite=options.overwrite)
    if options.json:
        data = shaped.to_dict() | {"slope_rule": rule.to_dict() if rule else None, "late_burns": [cell.to_dict() for cell in late], "cells_changed": counts}
        print(json.dumps(data, indent=1, allow_nan=False))
    else:
        print(shaped)
        if late:
            print()
            print_late_burns(late, console())
        for line in what_the_limits_cost(len(shaped.changes), counts, options):
            print(line)
        print(f"\nwritten to {options.out}" if options.out else "\nnothing written: --out says where to")
        if rule is not None:
            print(f"slopes that every gear to be kept smooth stands, where none was given: {rule.words()}")
        if beside := near_idle(shaped, build):
            print(
                f"{beside} of the changed cells lie within {60.0 * IDLE_REACH:.0f} rpm of the idle speed: where the idle runs on this table, and not on "
                "an idle spark of its own, its vacuum moves with those it visits (camcalc brief: idle over spark)"
            )
        if adders:
            print(f"ceilings lowered by {adders:g} crank deg for what stands on top of the table")
    if options.plots:
        draw(options.plots, shaped.base, shaped)
    return 0


def what_the_limits_cost(changed: int, counts: dict[str, int], options: argparse.Namespace) -> list[str]:
    """Return how many cells other limits would change."""
    if not counts or changed == counts["by_slopes_alone"] == counts["holding_floor"]:
        return []
    said = [f"{changed} cells change; under the slope limits alone, without --per-cell (common practice, no source), {counts['by_slopes_alone']} would"]
    if not options.hold_floor and counts["holding_floor"] < changed:
        said.append(f"--hold-floor changes {counts['holding_floor']}: it lowers cells that spark does not cure by the slope limits alone, and burns less late")
    return said


def near_idle(shaped: Any, build: Any) -> int:
    """Return how many cells changed within reach of the idle speed."""
    from ..advice.idle import IDLE_REACH

    speeds, idle = shaped.table.si.speed, build.idle.si.speed
    return sum(abs(speeds[change.row] - idle) <= IDLE_REACH for change in shaped.changes)


def slopes_stood(build: Any, table: Any, model: str) -> Any:
    """Return the slopes that the gears to be kept smooth stand, or nothing where that cannot be judged."""
    from ..cycle.models import engine_kind
    from ..drive.engine_loop import surge_tables
    from ..drive.slope_rule import slope_rule
    from ..errors import CamcalcError

    try:
        return slope_rule(build, table, tables=surge_tables(engine_kind(model)(build)))
    except CamcalcError as error:
        print(f"no slope limits from surge: {error}", file=sys.stderr)
        return None


def driven(options: argparse.Namespace) -> tuple[Any, Any]:
    """Return the table that was driven and the cells that the log drove without surge."""
    from ..errors import InputError
    from ..logs import find_surge, read_log
    from ..logs.visited import clean_cells
    from ..tables import read_table

    for name in ("current", "log"):
        if getattr(options, name) is None:
            raise InputError(f"--{name}", came="nothing", expected="what was driven", fix="--add-back goes with --current TABLE and --log LOG")
    current, log = read_table(options.current), read_log(options.log, options.columns)
    return current, clean_cells(log, current, find_surge(log))


def table_path(given: Path | None, build: Any) -> Path:
    """Return the table asked for, or the sheet's own."""
    from ..errors import InputError

    path = given or build.spark_table
    if path is None:
        raise InputError("--table", came="nothing", expected="a spark table", fix='give --table BASE.csv, or [spark] table = "BASE.csv" in the sheet')
    return Path(path)


def draw(folder: Path, table: Any, shaped: Any) -> None:
    """Draw both tables as surface and grid."""
    from ..plot import plot_table_grid, plot_table_surface

    drawn = {
        "before_grid": plot_table_grid(table),
        "after_grid": plot_table_grid(shaped.table, shaped),
        "before_surface": plot_table_surface(table),
        "after_surface": plot_table_surface(shaped.table),
    }
    write_plots(folder, drawn)

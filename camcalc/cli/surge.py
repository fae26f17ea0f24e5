"""``camcalc surge BUILD``."""

from __future__ import annotations

import argparse
import json
import math
import sys
from pathlib import Path
from typing import Any

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("build", help="build sheet (TOML)")
    parser.add_argument("--table", metavar="FILE", type=Path, help="spark table, taken as FINAL spark; the sheet's own when left out")
    parser.add_argument("--gear", metavar="N", type=int, action="append", help="a gear, counted from 1; every gear when left out; may be repeated")
    parser.add_argument("--coupling", choices=("locked", "converter"), default="locked", help="clutch or locked converter (default), or open converter")
    parser.add_argument("--replaced-cam", action="store_true", help="with the cam that is being replaced")
    parser.add_argument("--flat", metavar="ANGLE", help='a level table instead, e.g. "22 crank_deg": what would no slope at all do')
    parser.add_argument("--plots", metavar="DIR", type=Path, help="also draw a map of each gear as SVG into this folder")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def run(options: argparse.Namespace) -> int:
    """Take every gear asked for apart and print it."""
    import numpy as np

    from ..brief import MODELS
    from ..build import load_build
    from ..cycle.engine_tables import engine_tables
    from ..drive.risk import surge_risk
    from ..errors import NoSolutionError
    from ..tables import read_table
    from ..units import Bounds, to_si
    from .progress import progress_bar
    from .shape import table_path

    build = load_build(options.build)
    table = read_table(table_path(options.table, build))
    if options.flat:
        table = table.with_spark(np.full(table.shape, float(to_si(options.flat, "--flat", Bounds("crank_deg", -20.0, 60.0)))))
    if options.replaced_cam:
        build = build.with_replaced_cam()
    gears = options.gear or range(1, len(build.vehicle.gear_ratios) + 1)
    with progress_bar() as report:
        report("cycles", 0.0)
        tables = engine_tables(MODELS["resolved"](build))
        found, without = [], []
        for k, gear in enumerate(gears):
            report("gears", 0.8 + 0.2 * k / len(gears))
            try:
                found.append(surge_risk(build, table, gear=gear, tables=tables, coupling=options.coupling))
            except NoSolutionError as error:
                without.append(f"gear {gear}: {error.args[0]}")
    if options.json:
        print(json.dumps({"gears": [f.to_dict() for f in found], "no_answer": without}, indent=1, allow_nan=False))
    else:
        show(found, without, build)
    if options.plots:
        draw(options.plots, build, table, [f.gear for f in found], tables)
    return 0


def show(found: list[Any], without: list[str], build: Any) -> None:
    """Print each gear's road."""
    from ..report.terminal import console, table

    unit = build.vehicle.road_speed_unit
    screen = console()
    for gear in found:
        heads = ["rpm", unit, "kPa", "spark\ndeg", "mode\nHz", "damp-\ning", "signals\nm/s2", "burn\nm/s2", "verdict (ours)"]
        heads += ["slope\n/1000 rpm", "may be", "slope\n/10 kPa", "may be"]
        made = table(f"Gear {gear.gear} on the level road, {gear.coupling}; {gear.applies_to}", heads, left=0)
        si = gear.si
        for k in range(0, len(gear.verdict), 2):
            road = si.road_speed[k] * (3.6 if unit == "km/h" else 1.0 / 0.44704)
            per_rpm, per_load = 1000.0 / 60.0, 1e4
            row = [f"{si.speed[k] * 60:.0f}", f"{road:.0f}", f"{si.manifold_pressure[k] / 1e3:.0f}", f"{si.spark[k]:.0f}", f"{si.frequency[k]:.1f}"]
            shaken = [f"{v:.3f}" if math.isfinite(v) else "grows" for v in (si.from_jitter[k], si.from_burn[k])]
            row += [f"{si.damping[k]:.3f}", *shaken, gear.verdict[k]]
            row += [f"{si.slope_along_speed[k] * per_rpm:.0f}", f"{si.limit_along_speed[k] * per_rpm:.0f}"]
            row += [f"{si.slope_along_load[k] * per_load:.0f}", f"{si.limit_along_load[k] * per_load:.0f}"]
            made.add_row(*row)
        screen.print(made)
        if math.isfinite(gear.bad_below):
            screen.print(f"  disturbing or worse up to {gear.bad_below * 60:.0f} rpm: do not cruise in this gear below that\n", highlight=False)
    for text in without:
        screen.print(f"  {text}", highlight=False)
    screen.print(
        "  signals: swings of load and speed signals through the table's slopes; burn: cycles that vary, which no table mends. "
        "Accelerations r.m.s. along the road, 0.5 to 16 Hz. The swing of the signals is an estimate: halve and double [limits] load_jitter.",
        highlight=False,
        markup=False,
    )


def draw(folder: Path, build: Any, table: Any, gears: list[int], tables: Any) -> None:
    """Draw a map of each gear."""
    from ..build.saving import write_atomically
    from ..drive.risk import surge_map
    from ..plot import plot_surge
    from ..report.html import svg_text

    for gear in gears:
        ax = plot_surge(surge_map(build, table, gear=gear, tables=tables), road_speed_unit=build.vehicle.road_speed_unit)
        write_atomically(folder / f"surge_gear_{gear}.svg", svg_text(ax, f"surge{gear}"))
    print(f"{len(gears)} plots written to {folder}", file=sys.stderr)

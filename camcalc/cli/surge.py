"""``camcalc surge BUILD``."""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path
from typing import Any

from ..marks import marked
from .outputs import refuse_outputs, write_plots

__all__ = ["add_arguments", "add_table_arguments", "build_and_table", "run"]

# Columns of a gear's table that may hold an end of a search.
MARKED = ("frequency", "damping", "limit_along_speed", "limit_along_load")


def add_table_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare which build and which table, and what to change about them to see what decides."""
    parser.add_argument("build", help="build sheet (TOML)")
    parser.add_argument("--table", metavar="FILE", type=Path, help="spark table, taken as FINAL spark; the sheet's own when left out")
    parser.add_argument("--flat", metavar="ANGLE", help='a level table instead, e.g. "22 crank_deg": what would no slope at all do')
    parser.add_argument("--shaped", action="store_true", help="the table as camcalc shape leaves it, under this build's ceilings")
    parser.add_argument("--replaced-cam", action="store_true", help="with the cam that is being replaced")
    parser.add_argument("--coupling", choices=("locked", "converter"), default="locked", help="clutch or locked converter (default), or open converter")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_table_arguments(parser)
    parser.add_argument("--gear", metavar="N", type=int, action="append", help="a gear, counted from 1; every gear when left out; may be repeated")
    parser.add_argument("--swing", metavar="LOG", type=Path, help="take how far the signals swing from a driving log instead of the sheet's estimate")
    parser.add_argument("--columns", metavar="FILE", type=Path, help="which column of that log is what (TOML)")
    parser.add_argument("--plots", metavar="DIR", type=Path, help="also draw a map of each gear as SVG into this folder")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def build_and_table(options: argparse.Namespace) -> tuple[Any, Any]:
    """Return the build and the table as the arguments ask for."""
    import numpy as np

    from ..errors import InputError
    from ..sheet import load_build
    from ..tables import read_table
    from ..units import Bounds, to_si
    from .shape import table_path

    build = load_build(options.build)
    table = read_table(table_path(options.table, build))
    refuse_outputs({}, [], folders={"--plots": options.plots})
    if options.flat and options.shaped:
        raise InputError("--flat", came="and --shaped", expected="one of the two")
    if options.shaped:
        table = shaped_table(build, table)
    if options.flat:
        table = table.with_spark(np.full(table.shape, float(to_si(options.flat, "--flat", Bounds("crank_deg", -20.0, 60.0)))))
    if options.replaced_cam:
        build = build.with_replaced_cam()
    return build, table


def shaped_table(build: Any, table: Any) -> Any:
    """Return a table as ``camcalc shape`` leaves it by default, under the ceilings of the new cam."""
    from ..cycle.models import engine_kind
    from .shape import shaped_as_by_default

    return shaped_as_by_default(build, table, engine_kind("resolved")(build)).table


def run(options: argparse.Namespace) -> int:
    """Take every gear asked for apart and print it."""
    from ..cycle.models import engine_kind
    from ..drive.engine_loop import surge_tables
    from ..drive.risk import surge_risk
    from ..errors import NoSolutionError
    from .progress import progress_bar

    build, table = build_and_table(options)
    gears = options.gear or range(1, len(build.vehicle.gear_ratios) + 1)
    with progress_bar() as report:
        report("cycles", 0.0)
        engine = engine_kind("resolved")(build)
        tables = surge_tables(engine)
        swing = measured_swing(options, build, tables)
        found, without = [], []
        for k, gear in enumerate(gears):
            report("gears", 0.8 + 0.2 * k / len(gears))
            try:
                found.append(surge_risk(build, table, gear=gear, engine_tables=tables, coupling=options.coupling, swing=swing))
            except NoSolutionError as error:
                without.append(f"gear {gear}: {error.args[0]}")
        idle = idle_in_neutral(engine, table)
    if options.json:
        from ..cautions import AT_SURGE

        data = {"cautions": list(AT_SURGE), "gears": [f.to_dict() for f in found], "no_answer": without, "idle": idle.to_dict() if idle else None}
        print(json.dumps(data, indent=1, allow_nan=False))
    else:
        show(found, without, idle, build)
    if options.plots:
        draw(options.plots, build, table, [f.gear for f in found], tables)
    return 0


def measured_swing(options: argparse.Namespace, build: Any, tables: Any) -> Any:
    """Return how far the signals swing in the log, if one was given."""
    from ..logs import read_log
    from ..logs.swing import measure_swing

    return measure_swing(read_log(options.swing, options.columns), build=build, engine=tables) if options.swing else None


def idle_in_neutral(engine: Any, table: Any) -> Any:
    """Return the idle's own swing, or nothing where there is no idle."""
    from ..advice.idle import idle_state
    from ..drive.idle_swing import idle_swing
    from ..errors import NoSolutionError

    try:
        return idle_swing(engine, idle_state(engine), table)
    except NoSolutionError:
        return None


def show(found: list[Any], without: list[str], idle: Any, build: Any) -> None:
    """Print each gear's road, the cautions before it."""
    from ..cautions import AT_SURGE
    from ..report.terminal_parts import console, print_cautions, table
    from ..report.terminal_parts import show as show_table
    from ..words.gears import skipped_lines
    from ..words.idle_swing import idle_swing_words
    from ..words.phrases import COUPLINGS

    unit = build.vehicle.road_speed_unit
    screen = console()
    print_cautions(AT_SURGE, screen)
    for gear in found:
        heads = ["rpm", unit, "spark", "Hz", "damp-\ning", "sig-\nnals", "burn", "driven", "lash", "verdict"]
        heads += ["deg/krpm\nis, most", "deg/10kPa\nis, most"]
        made = table(f"Gear {gear.gear} on the level road, {COUPLINGS[gear.coupling]}", heads, left=0)
        road = gear.road_speed.to(unit).magnitude
        for k in range(len(gear.verdict)):
            if k % 2 == 0 or k == gear.last_bad + 1:
                made.add_row(*row_texts(gear, k, road[k]))
        show_table(made, screen, *(gear.marks.get(name) for name in MARKED), gear.bad_below_mark if math.isfinite(gear.bad_below) else None)
        if math.isfinite(gear.bad_below):
            at = road[list(gear.si.speed).index(gear.bad_below)]
            below = marked(f"{gear.bad_below * 60:.0f} rpm, {at:.0f} {unit}", gear.bad_below_mark)
            screen.print(f"  do not use this gear below {below}", highlight=False)
        for text in skipped_lines(gear.skipped):
            screen.print(f"  {text}", highlight=False)
        screen.print()
    for text in without:
        screen.print(f"  {text}", highlight=False)
    if idle is not None:
        screen.print(f"  {idle_swing_words(idle)}", highlight=False)
    if found:
        screen.print(f"  {found[0].applies_to}.", highlight=False)
    screen.print(
        "  signals: swings of load and speed signals through the table's slopes; burn: cycles that vary, which no table mends; lash: swing of the shafts "
        "over their mean, near 1 and above it runs through the lash; driven: over time, lash and all, speed held, after a nudge. Accelerations r.m.s. "
        "along the road, m/s2, 0.5 to 16 Hz; verdicts are ours, the worse of linear and driven. " + swing_words(found),
        highlight=False,
        markup=False,
    )


def swing_words(found: list[Any]) -> str:
    """Say where the swing of the signals comes from, and what half and double of it would change."""
    if any(gear.swing_measured for gear in found):
        return "The swing of the signals was measured in a log."
    words = "The swing of the signals is an estimate ([limits] load_jitter, speed_jitter)"
    moved = [str(g.gear) for g in found if g.verdict_at_half != g.verdict or g.verdict_at_double != g.verdict]
    return f"{words}; half or double of it moves verdicts in gear {', '.join(moved)}." if moved else f"{words}; half or double of it moves no verdict."


def row_texts(gear: Any, k: int, road: float) -> list[str]:
    """Return one speed of a gear as texts."""
    si = gear.si
    per_rpm, per_load = 1000.0 / 60.0, 1e4
    texts = [f"{si.speed[k] * 60:.0f}", f"{road:.0f}", f"{si.spark[k]:.0f}", marked(f"{si.frequency[k]:.1f}", gear.mark("frequency", k))]
    texts.append(marked(f"{si.damping[k]:.3f}", gear.mark("damping", k)))
    texts += [f"{v:.3f}" if math.isfinite(v) else "grows" for v in (si.from_jitter[k], si.from_burn[k])]
    texts.append(f"{si.over_time[k]:.3f}" if math.isfinite(si.over_time[k]) else "stalls")
    texts.append(f"{si.lash_crossed[k]:.1f}" if math.isfinite(si.lash_crossed[k]) else "all")
    texts.append(str(gear.worse_verdict(k)))
    for along, per in (("speed", per_rpm), ("load", per_load)):
        slope, limit = (float(getattr(si, f"{what}_along_{along}")[k]) * per for what in ("slope", "limit"))
        texts.append(f"{slope:.0f}, {marked(f'{limit:.0f}', gear.mark(f'limit_along_{along}', k))}")
    return texts


def draw(folder: Path, build: Any, table: Any, gears: list[int], tables: Any) -> None:
    """Draw a map of each gear."""
    from ..drive.risk import surge_map
    from ..plot import plot_surge

    unit = build.vehicle.road_speed_unit
    write_plots(folder, {f"surge_gear_{g}": plot_surge(surge_map(build, table, gear=g, engine_tables=tables), road_speed_unit=unit) for g in gears})

"""``camcalc surge BUILD``."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..marks import marked
from .outputs import PLOTS, add_force, refuse_outputs, write_plots

if TYPE_CHECKING:
    from rich.console import Console

    from ..drive.every_gear import GearsOnTable
    from ..drive.road_surge import RoadSurge

__all__ = ["add_arguments", "add_table_arguments", "build_and_table", "run"]

# Columns of a gear's table that may hold an end of a search.
MARKED, MARKED_SLOPES = ("frequency", "damping"), ("limit_along_speed", "limit_along_load")
# Speeds are shown so many apart [rpm] where not all are; slopes per 1000 rpm and per 10 kPa.
SHOWN_APART, PER_RPM, PER_LOAD = 200.0, 1000.0 / 60.0, 1e4
SHAKER_HEADS = ["burns\nvary", "missed\ncycles", "noise,\ntable", "noise,\nfuel"]
SLOPE_HEADS = ["rpm", "deg/krpm\nyours", "deg/krpm\nsteepest", "deg/10 kPa\nyours", "deg/10 kPa\nsteepest"]


def add_table_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare which build and which table, and what to change about them to see what decides."""
    parser.add_argument("build", help="build sheet (TOML)")
    parser.add_argument("--table", metavar="FILE", type=Path, help="your spark table, taken as final spark; the sheet's own when left out")
    parser.add_argument("--flat", metavar="ANGLE", help='a level table instead, e.g. "22 crank_deg": it shows what the slopes do')
    parser.add_argument("--shaped", action="store_true", help="the shaped table, as camcalc shape leaves it under this build's ceilings")
    parser.add_argument("--replaced-cam", action="store_true", help="with the cam that is being replaced")
    parser.add_argument("--coupling", choices=("locked", "converter"), default="locked", help="clutch or locked converter (default), or open converter")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_table_arguments(parser)
    parser.add_argument("--gear", metavar="N", type=int, action="append", help="a gear, counted from 1; every gear when left out; may be repeated")
    parser.add_argument("--swing", metavar="LOG", type=Path, help="take how far the signals swing from a driving log instead of the sheet's estimate")
    parser.add_argument("--columns", metavar="FILE", type=Path, help="which column of that log is what (TOML)")
    parser.add_argument("--rate", metavar="ROWS", type=float, help="rows a second of that log, if it has no times, e.g. 20")
    parser.add_argument("--plots", metavar="DIR", type=Path, help="also draw a map of each gear as SVG into this folder")
    add_force(parser)
    parser.add_argument("--full", action="store_true", help="also print every speed of every gear")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def build_and_table(options: argparse.Namespace) -> tuple[Any, Any]:
    """Return the build and the table as the arguments ask for."""
    import numpy as np

    from ..drive.shaped_for_build import shape_for_build
    from ..errors import InputError
    from ..sheet import load_build
    from ..tables import read_table
    from ..units import Bounds, to_si
    from .shape import table_path

    build = load_build(options.build)
    table = read_table(table_path(options.table, build))
    refuse_outputs({}, [*build.files(), table.path], folders={"--plots": (options.plots, PLOTS)}, force=options.force)
    if options.flat and options.shaped:
        raise InputError("--flat", came="and --shaped", expected="one of the two")
    if options.shaped:
        table = shape_for_build(build, table).shaped.table
    if options.flat:
        table = table.with_spark(np.full(table.shape, float(to_si(options.flat, "--flat", Bounds("crank_deg", -20.0, 60.0)))))
    if options.replaced_cam:
        build = build.with_replaced_cam()
    return build, table


def run(options: argparse.Namespace) -> int:
    """Take every gear asked for apart and print it."""
    from ..cycle.models import engine_kind
    from ..drive.engine_loop import surge_tables
    from ..drive.every_gear import surge_in_gears
    from ..vehicle.driveline import driveline_of
    from .driving_log import listed_log
    from .progress import progress_bar

    build, table = build_and_table(options)
    for gear in options.gear or ():
        driveline_of(build, gear)  # a gear that is none is refused before the work begins
    log = listed_log(options.swing, options.columns, rate=options.rate) if options.swing else None
    with progress_bar() as report:
        report("cycles", 0.0)
        engine = engine_kind("resolved")(build)
        tables = surge_tables(engine, lambda share: report("cycles", 0.6 * share))
        alone = options.full or len(options.gear or ()) == 1
        asked = {"gears": options.gear, "sources": alone, "coupling": options.coupling, "swing_log": log, "engine": engine, "engine_tables": tables}
        found = surge_in_gears(build, table, progress=lambda share: report("gears", 0.6 + 0.4 * share), **asked)
    if options.json:
        from ..cautions import AT_SURGE

        print(json.dumps({"cautions": list(AT_SURGE), **found.to_dict()}, indent=1, allow_nan=False))
    else:
        show(found, build.vehicle.road_speed_unit, full=options.full)
    if options.plots:
        write_plots(options.plots, maps_of(build, table, [gear.gear for gear in found.gears], tables), force=options.force)
    return 0


def show(found: GearsOnTable, unit: str, *, full: bool) -> None:
    """Print the verdict and the next step, the cautions, each gear's verdict and figures, then what the columns mean."""
    from ..cautions import AT_SURGE
    from ..report.terminal_parts import console, print_cautions
    from ..words.gears import skipped_lines
    from ..words.idle_swing import idle_swing_words
    from ..words.surge import COLUMNS, SHAKERS, gear_verdict, shakers_words, surge_notes, surge_verdict

    screen = console()

    def say(text: str) -> None:
        screen.print(text, highlight=False, markup=False)

    for text in surge_verdict(found):
        say(text)
    print_cautions(AT_SURGE, screen)
    alone = len(found.gears) == 1
    for gear in found.gears:
        say(gear_verdict(gear, unit))
        if full or alone:
            print_gear(gear, unit, screen, every=full)
            if not full:
                say(shakers_words(gear))
        for text in skipped_lines(gear.skipped):
            say(f"  {text}")
    for text in skipped_lines(found.no_answer):
        say(text)
    if found.idle is not None:
        say(idle_swing_words(found.idle))
    for text in (*(COLUMNS if full or alone else ()), *(SHAKERS if full else ()), *surge_notes(found), f"The table is taken as {found.applies_to}."):
        say(text)
    if not (full or alone):
        say("Each gear's figures: camcalc surge --gear N, or --full for all.")


def print_gear(gear: RoadSurge, unit: str, screen: Console, *, every: bool) -> None:
    """Print a gear's table, a row for each speed shown, without a column that would be blank throughout.

    Parameters
    ----------
    gear : RoadSurge
    unit : str
        Of road speed.
    screen : Console
    every : bool
        Whether all speeds are shown.
    """
    from ..report.terminal_parts import show as show_table
    from ..report.terminal_parts import table
    from ..words.phrases import COUPLINGS

    road = gear.road_speed.to(unit).magnitude
    heads = ["rpm", unit, "spark", "Hz", "damping\nratio", "table", "burn", "driven:\nsteady", "usual", "loose\nfoot", "missed\na minute"]
    heads += ["back-\nlash", "verdict"]
    shown = [k for k in range(len(gear.verdict)) if every or is_shown(gear, k)]
    rows = [row_texts(gear, k, road[k]) for k in shown]
    kept = [k for k in range(len(heads)) if any(row[k] for row in rows)]
    made = table(f"Gear {gear.gear} on the level road, {COUPLINGS[gear.coupling]}", [heads[k] for k in kept], left=0)
    made.columns[-1].no_wrap = True
    for row in rows:
        made.add_row(*(row[k] for k in kept))
    show_table(made, screen, *(gear.marks.get(name) for name in MARKED))
    if every:
        print_shakers(gear, screen, shown)
        slopes = table(f"Gear {gear.gear}: your slopes, steepest allowed", SLOPE_HEADS, left=0)
        for k in shown:
            slopes.add_row(*slope_texts(gear, k))
        show_table(slopes, screen, *(gear.marks.get(name) for name in MARKED_SLOPES))


def print_shakers(gear: RoadSurge, screen: Console, shown: list[int]) -> None:
    """Print what each of what shakes the car adds, and what a level table of the same spark leaves, where that was worked out.

    Parameters
    ----------
    gear : RoadSurge
    screen : Console
    shown : list of int
        Which speeds.
    """
    import math

    from ..report.terminal_parts import show as show_table
    from ..report.terminal_parts import table

    rows = [k for k in shown if math.isfinite(gear.si.on_level[k])]
    if not rows:
        return
    made = table(f"Gear {gear.gear}: what shakes, driven with a steady foot", ["rpm", "driven", *SHAKER_HEADS, "level\ntable"], left=0)
    for k in rows:
        made.add_row(f"{60.0 * gear.si.speed[k]:.0f}", *(f"{value:.3f}" for value in (gear.si.driven[0, k], *gear.si.adds[:, k], gear.si.on_level[k])))
    show_table(made, screen)


def is_shown(gear: RoadSurge, k: int) -> bool:
    """Return whether a speed is among those of the short table: a round one, the last bad one and the first good one."""
    rpm = 60.0 * float(gear.si.speed[k])
    return round(rpm) % SHOWN_APART < 1.0 or k in (0, gear.last_bad, gear.last_bad + 1)


def row_texts(gear: RoadSurge, k: int, road: float) -> list[str]:
    """Return one speed of a gear as texts."""
    import math

    from ..words.surge import grows

    si = gear.si
    texts = [f"{si.speed[k] * 60:.0f}", f"{road:.0f}", f"{si.spark[k]:.0f}", marked(f"{si.frequency[k]:.1f}", gear.mark("frequency", k))]
    texts.append(marked(f"{si.damping[k]:.3f}", gear.mark("damping", k)))
    texts += [grows(si.from_jitter[k]), grows(si.from_burn[k])]
    for verdicts, shakes in zip(gear.verdict_driven, si.driven, strict=True):
        texts.append("" if verdicts[k] is None else f"{shakes[k]:.3f}" if math.isfinite(shakes[k]) else str(verdicts[k]))
    texts.append(f"{60.0 * si.missed[k]:.0f}" if math.isfinite(si.missed[k]) else "")
    texts.append(grows(si.lash_crossed[k], 1))
    return [*texts, str(gear.worse_verdict(k))]


def slope_texts(gear: RoadSurge, k: int) -> list[str]:
    """Return the table's slopes at one speed beside the steepest that the car allows, as texts."""
    texts = [f"{60.0 * gear.si.speed[k]:.0f}"]
    for along, per in (("speed", PER_RPM), ("load", PER_LOAD)):
        slope, limit = (float(getattr(gear.si, f"{what}_along_{along}")[k]) * per for what in ("slope", "limit"))
        texts += [f"{slope:.0f}", marked(f"{limit:.0f}", gear.mark(f"limit_along_{along}", k))]
    return texts


def maps_of(build: Any, table: Any, gears: list[int], tables: Any) -> dict[str, Any]:
    """Return a map of each gear.

    Parameters
    ----------
    build : Build
    table : SparkTable
    gears : list of int
        Counted from 1.
    tables : EngineTables
        Of the build's engine.
    """
    from ..drive.risk import surge_map
    from ..plot import plot_surge

    unit = build.vehicle.road_speed_unit
    return {f"surge_gear_{g}": plot_surge(surge_map(build, table, gear=g, engine_tables=tables), road_speed_unit=unit) for g in gears}

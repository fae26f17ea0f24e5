"""``camcalc shape BUILD --table BASE.csv --out NEW.csv``."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .outputs import PLOTS, add_force, refuse_outputs, write_plots
from .spark_tables import add_table_options, cautions_beside, given_table, refuse_two_pastes, tab_separated_file, words_beside, write_tab_separated

if TYPE_CHECKING:
    from ..drive.shaped_for_build import ShapedForBuild

__all__ = ["add_arguments", "run", "table_path"]

# Slope limits and the like, as the arguments and ``shape_for_build`` both name them.
LIMITS = ("adders", "along_speed", "along_load", "per_cell", "increment", "hold_floor")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("build", help="build sheet (TOML)")
    parser.add_argument("--table", metavar="FILE", type=Path, help="spark table (CSV or tabs; - to paste it in); the sheet's own when left out")
    parser.add_argument("--out", metavar="FILE", type=Path, help="where the new table goes, its cautions beside it as .txt; only shown when left out")
    add_table_options(parser, "the shaped table")
    add_force(parser)
    parser.add_argument("--adders", metavar="ANGLE", default="0 crank_deg", help='most that stands on top of the table, e.g. "4 crank_deg"')
    parser.add_argument("--along-speed", metavar="SLOPE", help='slope limit along speed, e.g. "15 crank_deg/krpm"; half the critical slope when left out')
    parser.add_argument("--along-load", metavar="SLOPE", help='slope limit along load, e.g. "0.3 crank_deg/kPa"; half the critical slope when left out')
    parser.add_argument("--per-cell", metavar="ANGLE", help='most between neighbours that touch the zone besides, e.g. "3 crank_deg"; none when left out')
    parser.add_argument("--increment", metavar="ANGLE", help="step of changed numbers; the table's own when left out")
    parser.add_argument(
        "--hold-knock",
        action=argparse.BooleanOptionalAction,
        default=True,
        help="bring cells above the knock limit down to it less [limits] spark_margin (the default); --no-hold-knock only lists them",
    )
    parser.add_argument("--hold-floor", action="store_true", help="--per-cell gives way beside cells that spark does not cure; the slope limits stay")
    parser.add_argument("--allow-raise", metavar="ANGLE", default="0 crank_deg", help="how far cells may rise, never near best torque or knock")
    parser.add_argument("--add-back", metavar="ANGLE", help="give back at most this in cells that --log drove without surge and knock; with --current")
    parser.add_argument("--current", metavar="FILE", type=Path, help="the table that was driven; --table is then the one before any shaping")
    parser.add_argument("--log", metavar="FILE", type=Path, help="a driving log (CSV or Parquet)")
    parser.add_argument("--columns", metavar="FILE", type=Path, help="which column of the log is what (TOML)")
    parser.add_argument("--rate", metavar="ROWS", type=float, help="rows a second of the log, if it has no times, e.g. 20")
    parser.add_argument(
        "--no-knock-heard", action="store_true", help="where the log cannot tell of knock: somebody listened all the time and heard none; one degree at most"
    )
    parser.add_argument("--plots", metavar="DIR", type=Path, help="also draw both tables as SVG into this folder")
    parser.add_argument("--full", action="store_true", help="also print every cell that changed, why, knock and late burns")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def run(options: argparse.Namespace) -> int:
    """Shape the table and write it."""
    from ..words.shaping import shape_data

    build, table = read_inputs(options)
    found = shaped_by(options, build, table)
    if options.out:
        write(found, options)
    if options.json:
        print(json.dumps(shape_data(found), indent=1, allow_nan=False))
    else:
        with words_beside(options):
            show(found, options)
    write_tab_separated(found.shaped.table, options, options.out)
    if options.plots:
        write_plots(options.plots, plots_of(found.shaped.base, found.shaped), force=options.force)
    return 0


def read_inputs(options: argparse.Namespace) -> tuple[Any, Any]:
    """Read what the arguments name, and refuse what cannot be done before anything is computed."""
    from ..errors import InputError
    from ..sheet import load_build
    from ..tables.beside import path_beside

    build = load_build(options.build)
    refuse_two_pastes(table=options.table, current=options.current)
    tabs = tab_separated_file(options)
    table = given_table(table_path(options.table, build), options.table_axes)
    inputs = [*build.files(), table.path, options.current, options.log, options.columns]
    outputs = {"--out": options.out, "the text beside --out": path_beside(options.out) if options.out else None}
    outputs |= {"--tab-separated": tabs, "the text beside --tab-separated": cautions_beside(options, options.out)}
    refuse_outputs(outputs, inputs, folders={"--plots": (options.plots, PLOTS)}, force=options.force)
    if options.hold_floor and not options.per_cell:
        raise InputError(
            "--hold-floor", came="no --per-cell", expected="--per-cell too, which is what gives way", fix='add --per-cell "3 crank_deg", or leave both out'
        )
    for name in ("current", "log") if options.add_back else ():
        if getattr(options, name) is None:
            raise InputError(f"--{name}", came="nothing", expected="what was driven", fix="--add-back goes with --current TABLE and --log LOG")
    return build, table


def shaped_by(options: argparse.Namespace, build: Any, table: Any) -> ShapedForBuild:
    """Return the shaped table, or the one that gives spark back."""
    from ..drive.shaped_for_build import add_back_for_build, shape_for_build
    from .driving_log import listed_log

    limits = {name: getattr(options, name) for name in LIMITS}
    if not options.add_back:
        return shape_for_build(build, table, hold_knock=options.hold_knock, allow_raise=options.allow_raise, **limits)
    current, log = given_table(options.current, options.table_axes), listed_log(options.log, options.columns, rate=options.rate)
    return add_back_for_build(build, current, table, log=log, step=options.add_back, no_knock_heard=options.no_knock_heard, **limits)


def show(found: ShapedForBuild, options: argparse.Namespace) -> None:
    """Print the shaped table, and in full what changed and why."""
    from ..report.terminal_parts import console
    from ..report.terminal_shape import print_late_burns
    from ..words.shaping import shape_full, shape_words

    print(shape_full(found) if options.full else shape_words(found))
    if options.full and found.late_burns:
        print()
        print_late_burns(found.late_burns, console())
    print(f"Written to {options.out}, its cautions beside it." if options.out else "Nothing written: add --out NEW.csv.")
    if not options.full:
        print("Every changed cell and why: camcalc shape --full.")


def write(found: ShapedForBuild, options: argparse.Namespace) -> None:
    """Write the table, and beside it its cautions with what is above knock or was not computed."""
    from ..cautions import text_beside
    from ..files import write_files
    from ..tables.beside import path_beside
    from ..words.shaping import knock_headline

    beside = text_beside(options.out.name) + "".join(f"{line}\n" for line in knock_headline(found.shaped))
    write_files({options.out: found.shaped.table.text(), path_beside(options.out): beside}, replace=options.force)


def table_path(given: Path | None, build: Any) -> Path:
    """Return the table asked for, or the sheet's own."""
    from ..errors import InputError

    path = given or build.spark_table
    if path is None:
        raise InputError("--table", came="nothing", expected="a spark table", fix='give --table BASE.csv, or [spark] table = "BASE.csv" in the sheet')
    return Path(path)


def plots_of(table: Any, shaped: Any) -> dict[str, Any]:
    """Return both tables as surface and grid."""
    from ..cautions import Caution
    from ..plot import plot_table_grid, plot_table_surface

    drawn = {
        "before_grid": plot_table_grid(table),
        "after_grid": plot_table_grid(shaped.table, shaped),
        "before_surface": plot_table_surface(table),
        "after_surface": plot_table_surface(shaped.table),
    }
    for name in ("after_grid", "after_surface"):
        drawn[name].set_title(Caution.KNOCK, fontsize=8)
    return drawn

"""``camcalc drive BUILD``."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from .outputs import PLOTS, add_force, refuse_outputs, write_plots
from .surge import add_table_arguments

__all__ = ["add_arguments", "run"]

DRIVER_NAMES = ("steady pedal", "speed hold", "closed pedal", "tip-in", "blip")
VERDICTS_ARE = "Simulated: burned gas stays from cycle to cycle, burns vary, cycles miss. Accelerations are along the road, 0.5 to 16 Hz. Grades are ours."
STEADY_BURNS = "Simulated without burns that vary, missed cycles and noise of the signals. They shake a car, so this grade is too good for the real one."

# Options that are quantities, by the unit that they must fit.
UNITS = {
    "speed": "crank_rps", "road_speed": "m/s", "duration": "s", "sample_time": "s", "cut_above": "crank_rps", "back_below": "crank_rps", "kick": "crank_rps",
}  # fmt: skip


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_table_arguments(parser)
    parser.add_argument("--gear", metavar="N", type=int, required=True, help="a gear, counted from 1; 0 is neutral")
    parser.add_argument("--speed", metavar="SPEED", help='engine speed to start from, e.g. "1400 rpm"; or give --road-speed')
    parser.add_argument("--road-speed", metavar="SPEED", help='road speed to start from, e.g. "20 mph"')
    parser.add_argument("--driver", choices=DRIVER_NAMES, default="speed hold", help="what the driver does; speed hold when left out")
    parser.add_argument("--duration", metavar="TIME", default="20 s", help="how long (20 s)")
    parser.add_argument("--sample-time", metavar="TIME", default="20 ms", help="spacing of the rows of the log (20 ms)")
    parser.add_argument("--pedal-step", metavar="SHARE", type=float, default=0.05, help="how far a tip-in or blip moves, share of the whole pedal (0.05)")
    parser.add_argument("--cut-above", metavar="SPEED", default="1500 rpm", help="fuel is cut with a closed pedal above this (1500 rpm)")
    parser.add_argument("--back-below", metavar="SPEED", default="1200 rpm", help="and comes back below this (1200 rpm)")
    parser.add_argument("--kick", metavar="SPEED", default="0 rpm", help="how far the crank starts from the settled speed")
    parser.add_argument("--foot", choices=("steady", "usual", "loose"), default="steady", help="how far the car moves the foot on the pedal (steady)")
    parser.add_argument("--idle-control", action="store_true", help="hold the idle speed with throttle and spark while the pedal is closed")
    parser.add_argument("--integrate", action="store_true", help="integrate every cylinder instead of following its maps: some seconds for each second")
    parser.add_argument("--steady-burns", action="store_true", help="burns that do not vary or miss, signals that do not jitter")
    parser.add_argument("--seed", metavar="N", type=int, default=1, help="another number, other cycles")
    parser.add_argument("--log", metavar="FILE", type=Path, help="write the drive as a log (CSV) that camcalc review reads")
    add_force(parser)
    parser.add_argument("--plots", metavar="DIR", type=Path, help="also draw the drive as SVG into this folder")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def run(options: argparse.Namespace) -> int:
    """Drive and print what came of it."""
    from ..cycle.models import engine_kind
    from ..drive.drive_run import simulate_drive
    from ..drive.engine_loop import surge_tables
    from ..errors import InputError
    from ..files import write_files
    from ..units import Bounds, to_si
    from ..vehicle.driveline import driveline_of
    from .progress import progress_bar
    from .surge import build_and_table

    if (options.speed is None) == (options.road_speed is None):
        came = "neither" if options.speed is None else "both --speed and --road-speed"
        raise InputError("--speed", came=came, expected="--speed or --road-speed; in neutral, --speed", fix='e.g. --speed "1400 rpm"')
    build, table = build_and_table(options)
    # What cannot be is refused before the work begins.
    for name, unit in UNITS.items():
        if getattr(options, name) is not None:
            to_si(getattr(options, name), f"--{name.replace('_', '-')}", Bounds(unit))
    if options.gear:
        driveline_of(build, options.gear)
    refuse_outputs({"--log": options.log}, [*build.files(), table.path], folders={"--plots": (options.plots, PLOTS)}, force=options.force)
    with progress_bar() as report:
        report("cycles", 0.0)
        engine = engine_kind("resolved")(build)
        tables = surge_tables(engine, lambda share: report("cycles", share))
    run = simulate_drive(
        build,
        table,
        gear=options.gear,
        speed=options.speed,
        road_speed=options.road_speed,
        driver=options.driver,
        coupling=options.coupling,
        duration=options.duration,
        sample_time=options.sample_time,
        pedal_step=options.pedal_step,
        cut_above=options.cut_above,
        back_below=options.back_below,
        kick=options.kick,
        foot=options.foot,
        idle_control=options.idle_control,
        noise=not options.steady_burns,
        seed=options.seed,
        engine_tables=tables,
        engine=engine if options.integrate else None,
    )
    if options.log:
        write_files({options.log: run.text()}, replace=options.force)
    if options.json:
        from ..cautions import AT_SURGE

        cautions = [*AT_SURGE, *([STEADY_BURNS] if options.steady_burns else [])]
        print(json.dumps({"cautions": cautions, **run.summary()}, indent=1, allow_nan=False))
    else:
        show(run, build, steady=options.steady_burns)
    if options.log:
        print(f"log written to {options.log}", file=sys.stderr)
    if options.plots:
        draw(options, run, build)
    return 0


def show(run: Any, build: Any, *, steady: bool) -> None:
    """Print what came of the drive, the cautions before it."""
    from ..cautions import AT_SURGE
    from ..report.terminal_parts import console, print_cautions, print_table, table
    from ..words.drive_run import drive_figures, drive_next_step, drive_title, drive_verdict

    unit = build.vehicle.road_speed_unit
    made = table(f"Drive: {drive_title(run, unit)}", ["", ""], left=1)
    for name, text in drive_figures(run, unit):
        made.add_row(name, text)
    screen = console()
    for line in (drive_verdict(run), drive_next_step(run)):
        if line:
            screen.print(line, highlight=False, markup=False)
    print_cautions(AT_SURGE, screen)
    print_table(made, screen)
    screen.print(f"  {STEADY_BURNS if steady else VERDICTS_ARE}", highlight=False)


def draw(options: argparse.Namespace, run: Any, build: Any) -> None:
    """Draw the drive."""
    from ..plot import plot_drive

    write_plots(options.plots, {"drive": plot_drive(run, road_speed_unit=build.vehicle.road_speed_unit)}, force=options.force)

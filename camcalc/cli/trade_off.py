"""``camcalc trade-off BUILD``."""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING

from .outputs import PLOTS, add_force, add_units, in_units, part_of_the_brief, refuse_outputs, write_plots

if TYPE_CHECKING:
    from ..cycle.operating import EngineModel
    from ..units import Quantity

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("build", help="build sheet (TOML)")
    parser.add_argument("--speed", metavar="RPM", help='engine speed, e.g. "1400 rpm"')
    parser.add_argument("--manifold-pressure", metavar="P", help='of the cell, at MBT spark, e.g. "55 kPa"; or give --torque')
    parser.add_argument("--torque", metavar="T", help='to be held, at the crank, e.g. "60 N m"')
    parser.add_argument("--replaced-cam", action="store_true", help="with the cam that is being replaced")
    parser.add_argument("--plots", metavar="DIR", type=Path, help="also draw it as SVG into this folder")
    add_force(parser)
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")
    add_units(parser)


def run(options: argparse.Namespace) -> int:
    """Work out the strip of one cell and print it."""
    from ..advice.trade_off import trade_off
    from ..cycle.models import engine_kind
    from ..errors import InputError
    from ..sheet import load_build

    build = in_units(load_build(options.build), options)
    refuse_outputs({}, build.files(), folders={"--plots": (options.plots, PLOTS)}, force=options.force)
    if options.speed is None:
        raise InputError("--speed", came="nothing", expected="an engine speed", fix='add --speed "1400 rpm"')
    model = engine_kind("resolved")(build.with_replaced_cam() if options.replaced_cam else build)
    given = {"speed": options.speed, "torque": options.torque, "manifold_pressure": options.manifold_pressure}
    if options.manifold_pressure and not options.torque:
        given["ceiling"] = ceiling_of_cell(model, options.speed, options.manifold_pressure)
    strip = trade_off(model, **given)
    if options.json:
        print(json.dumps(strip.to_dict(), indent=1, allow_nan=False))
    else:
        from ..report.terminal_drive import print_trade_off
        from ..report.terminal_parts import console

        print(part_of_the_brief("trade-off"))
        print_trade_off(strip, console(), build.units)
    if options.plots:
        from ..plot import plot_trade_off

        write_plots(options.plots, {"trade_off": plot_trade_off(strip)}, force=options.force)
    return 0


def ceiling_of_cell(engine: EngineModel, speed: str, pressure: str) -> Quantity | None:
    """Return the ceiling of a cell, if it has one that spark can keep."""
    from ..advice.spark_limits import ceiling_column
    from ..advice.trade_off import PRESSURE, SPEED
    from ..units import quantity, to_si

    (cell,) = ceiling_column(engine, float(to_si(speed, "--speed", SPEED)), [float(to_si(pressure, "--manifold-pressure", PRESSURE))], cautious=False).cells
    return quantity(cell.ceiling, "crank_deg") if math.isfinite(cell.ceiling) and cell.floor <= cell.limit else None

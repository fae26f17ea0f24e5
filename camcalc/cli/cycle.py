"""``camcalc cycle BUILD``: one operating point, or a map."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from .outputs import PLOTS, add_force, refuse_outputs, write_plots

__all__ = ["add_arguments", "run"]

LOADS = ("manifold_pressure", "air_charge", "brake_torque", "throttle_area")
MODELS = ("plenum", "rippling", "lost", "held")
MAP_SPEEDS = tuple(range(600, 3601, 200))
MAP_LOADS = tuple(range(30, 96, 5))


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("build", help="build sheet (TOML)")
    parser.add_argument("--speed", metavar="RPM", help='engine speed, e.g. "850 rpm"')
    parser.add_argument("--manifold-pressure", metavar="P", help='e.g. "55 kPa"; or give one of the next three')
    parser.add_argument("--air-charge", metavar="M", help='e.g. "200 mg"')
    parser.add_argument("--brake-torque", metavar="T", help='e.g. "60 N m"')
    parser.add_argument("--throttle-area", metavar="A", help='e.g. "60 mm2"')
    parser.add_argument("--spark", metavar="ANGLE", help='before top dead centre, e.g. "30 crank_deg"; best torque when left out')
    parser.add_argument("--intake-model", choices=MODELS, default="", help="plenum (default), or a limiting form")
    parser.add_argument("--replaced-cam", action="store_true", help="with the cam that is being replaced")
    parser.add_argument("--map", action="store_true", help="a map over speed and manifold pressure instead of one point")
    parser.add_argument("--plots", metavar="DIR", type=Path, help="also write plots as SVG into this folder")
    add_force(parser)
    parser.add_argument("--json", action="store_true", help="print JSON")


def run(options: argparse.Namespace) -> int:
    """Run the cycle and print it."""
    from ..sheet import load_build

    build = load_build(options.build)
    refuse_outputs({}, build.files(), folders={"--plots": (options.plots, PLOTS)}, force=options.force)
    if options.replaced_cam:
        build = build.with_replaced_cam()
    return _map(options, build) if options.map else _point(options, build)


def _point(options: argparse.Namespace, build: Any) -> int:
    from ..cautions import OVER_SPARK_TABLE
    from ..cycle.simulate import simulate_cycle
    from ..errors import InputError

    if options.speed is None:
        raise InputError("--speed", came="nothing", expected="an engine speed", fix='add --speed "850 rpm", or --map for a whole map')
    loads = {name: getattr(options, name) for name in LOADS if getattr(options, name) is not None}
    cycle = simulate_cycle(build, speed=options.speed, spark=options.spark, intake_model=options.intake_model, **loads)
    if options.json:
        print(json.dumps(cycle.to_dict(), indent=1, allow_nan=False))
    else:
        print("".join(f"! {caution}\n" for caution in OVER_SPARK_TABLE) + cycle.summary())
    if options.plots:
        from ..plot import plot_flows, plot_indicator, plot_pressure

        write_plots(options.plots, {"pressure": plot_pressure(cycle), "indicator": plot_indicator(cycle), "flows": plot_flows(cycle)}, force=options.force)
    return 0


def _map(options: argparse.Namespace, build: Any) -> int:
    from ..cycle.grid import simulate_map
    from ..report.terminal import console, print_grid
    from .progress import progress_bar

    with progress_bar() as report:
        found = simulate_map(
            build,
            speeds=[f"{s} rpm" for s in MAP_SPEEDS],
            manifold_pressures=[f"{p} kPa" for p in MAP_LOADS if p * 1e3 < _ambient(build)],
            spark=options.spark,
            progress=lambda share: report("map", share),
        )
    if options.json:
        print(json.dumps(found.to_dict(), indent=1, allow_nan=False))
    else:
        screen = console()
        for name, title in (("burned_fraction", "residual [% of charge]"), ("blow_back", "overlap blow-back over trapped mass [%]")):
            print_grid(f"{found.cam}: {title}; kPa over rpm", found, name, screen)
    if options.plots:
        from ..plot import plot_map

        write_plots(options.plots, {"burned_fraction": plot_map(found, "burned_fraction"), "blow_back": plot_map(found, "blow_back")}, force=options.force)
    return 0


def _ambient(build: Any) -> float:
    from ..engine.atmosphere import barometer_of

    return barometer_of(build.site)

"""``camcalc readings BUILD``."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from .outputs import add_force, add_units, in_units, refuse_outputs

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("build", help="build sheet (TOML) with rows of [[measured]]")
    parser.add_argument("--out", metavar="FILE", type=Path, help="write the sheet with what was learned, in [learned]; every command rests on it then")
    add_force(parser)
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")
    add_units(parser)


def run(options: argparse.Namespace) -> int:
    """Learn from the readings, print what they say, write the sheet."""
    from ..errors import InputError
    from ..measured import learn_build
    from ..sheet import load_build, save_build
    from .progress import progress_bar

    build = in_units(load_build(options.build), options)
    refuse_outputs({"--out": options.out}, build.files(), force=options.force)
    with progress_bar() as report:
        found = learn_build(build, progress=lambda share: report("readings", share))
    if options.json:
        print(json.dumps(found.to_dict(), indent=1, allow_nan=False))
    else:
        from ..report.data_figures import Figures
        from ..report.readings_sections import readings_blocks
        from ..report.terminal_blocks import print_blocks
        from ..report.terminal_parts import console

        print_blocks(readings_blocks(found, build.units), Figures({}, build.units, build.vehicle.road_speed_unit), console())
    if options.out:
        if found.learned is None:
            came = "readings that contradict" if found.contradicts else "readings that a fault of the car explains far better"
            raise InputError("--out", came=came, expected="readings of a car without a fault", fix="find the reason first, or take the wrong row out")
        save_build(load_build(options.build).replace(learned=found.learned), options.out, overwrite=options.force)
        print(f"The sheet with what was learned is in {options.out}, without the comments of {options.build}.", file=sys.stderr if options.json else sys.stdout)
    return 0

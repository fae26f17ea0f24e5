"""``camcalc road-test BUILD``."""

from __future__ import annotations

import argparse
import json

from .outputs import add_units, in_units, part_of_the_brief

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("build", help="build sheet (TOML)")
    parser.add_argument("--sheet", action="store_true", help="print [[measured]] rows for the sheet instead, ready to be filled in")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")
    add_units(parser)


def run(options: argparse.Namespace) -> int:
    """Plan the test and print it."""
    from ..cycle.models import engine_kind
    from ..road_test import plan_road_test
    from ..sheet import load_build
    from .progress import progress_bar

    build = in_units(load_build(options.build), options)
    if options.sheet:
        from ..measured.candidates import candidates_of
        from ..words.readings import rows_words

        print("\n".join(rows_words(candidates_of(engine_kind("resolved")(build)), replaced=build.replaced_cam is not None)))
        return 0
    with progress_bar() as report:
        plan = plan_road_test(build, engine_of=engine_kind("resolved"), progress=lambda share: report("road test", share))
    if options.json:
        print(json.dumps(plan.to_dict(), indent=1, allow_nan=False))
    else:
        from ..report.terminal_drive import print_road_test
        from ..report.terminal_parts import console

        print(part_of_the_brief("road-test"))
        print_road_test(plan, console(), build.units)
    return 0

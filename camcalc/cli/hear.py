"""``camcalc hear BUILD``."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .outputs import add_force, add_units, in_units, refuse_outputs

if TYPE_CHECKING:
    from ..sound import HeardBuild

__all__ = ["add_arguments", "run"]

WAVES = ("*.wav", "sounds.txt")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("build", help="build sheet (TOML)")
    parser.add_argument("--html", metavar="FILE", type=Path, help="write a page to hear and feel it, complete without network")
    parser.add_argument("--wav", metavar="DIR", type=Path, help="also write every sound as a WAV file into this folder")
    parser.add_argument("--table", metavar="FILE", type=Path, help="your spark table, taken as final spark; the sheet's own when left out")
    parser.add_argument("--gear", metavar="N", type=int, help="the gear to drive in, counted from 1 (second)")
    parser.add_argument("--positions", type=int, choices=(1, 3, 5), default=3, help="of each slider, all computed: 1 is your sheet alone (3)")
    parser.add_argument("--no-shaped", action="store_true", help="leave the shaped table out, which saves its shaping")
    parser.add_argument("--pipe", metavar="LENGTH", default="3 m", help='exhaust from valve to open end (3 m, an estimate), e.g. "2.4 m"')
    parser.add_argument("--seed", metavar="N", type=int, default=1, help="another number, other cycles; the same number, the same bytes")
    add_force(parser)
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")
    add_units(parser)


def run(options: argparse.Namespace) -> int:
    """Work out all cases, print them, and write the page and the sounds."""
    from ..errors import InputError
    from ..files import write_files, write_folder
    from ..report.hear_page import CAUTIONS, hear_html, wave_files
    from ..sheet import load_build
    from ..sound import hear_build
    from ..sound.sounds import PIPE
    from ..tables import read_table
    from ..units import to_si
    from ..vehicle.driveline import driveline_of
    from .progress import progress_bar
    from .shape import table_path

    build = in_units(load_build(options.build), options)
    table = read_table(table_path(options.table, build))
    if options.html and options.wav and options.html.resolve() == options.wav.resolve():
        raise InputError("--wav", came=f"{options.wav}, as for --html", expected="a folder of its own")
    refuse_outputs({"--html": options.html}, [*build.files(), table.path], folders={"--wav": (options.wav, WAVES)}, force=options.force)
    # What cannot be is refused before the work begins.
    to_si(options.pipe, "--pipe", PIPE)
    if options.gear is not None:
        driveline_of(build, options.gear)
    with progress_bar() as report:
        heard = hear_build(
            *(build, table), gear=options.gear, positions=options.positions, shaped=not options.no_shaped, seed=options.seed, pipe_length=options.pipe,
            progress=report,
        )  # fmt: skip
    if options.html:
        write_files({options.html: hear_html(heard)}, replace=options.force)
        print(f"page written to {options.html}", file=sys.stderr)
    if options.wav:
        waves = wave_files(heard)
        write_folder(options.wav, waves, replace=options.force)
        print(f"{len(waves) - 1} sounds written to {options.wav}", file=sys.stderr)
    if options.json:
        print(json.dumps({"cautions": list(CAUTIONS), **_data(heard)}, indent=1, allow_nan=False))
    else:
        show(heard)
    return 0


def _data(heard: HeardBuild) -> dict[str, Any]:
    """Return what was heard as plain data: figures, firings and lines, the samples left out."""
    data = heard.to_dict()
    for case in (*data["idles"], *data["drives"]):
        if case["heard"] is not None:
            del case["heard"]["sound"]
    return data


def show(heard: HeardBuild) -> None:
    """Print what was heard, the cautions before it."""
    from ..report.hear_page import CAUTIONS
    from ..report.terminal_parts import console, print_cautions
    from ..words.sound import heard_words

    screen = console()
    print_cautions(CAUTIONS, screen)
    for line in heard_words(heard).splitlines():
        screen.print(line, highlight=False, markup=False)

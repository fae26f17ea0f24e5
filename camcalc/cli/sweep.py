"""``camcalc sweep BUILD --vary KEY=VALUES``."""

from __future__ import annotations

import argparse
import contextlib
import importlib
import io
import json
import sys
from collections.abc import Iterator
from concurrent.futures import Executor
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .outputs import add_force, add_units, frame_csv, in_units, refuse_outputs

if TYPE_CHECKING:
    from ..sweep import Sweep

__all__ = ["add_arguments", "run"]

ENDINGS = (".csv", ".parquet")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("build", help="build sheet (TOML)")
    parser.add_argument(
        *("--vary", "-v"),
        metavar="KEY=VALUES",
        action="append",
        default=[],
        help='a figure of the sheet and its values: "cam.lobe_separation=108..116 cam_deg" or "idle.speed=850, 950 rpm"; again for another',
    )
    parser.add_argument("--steps", metavar="N", type=int, default=5, help="values that a range is cut into, both ends among them (5)")
    parser.add_argument("--out", metavar="FILE", type=Path, help="also write a row for each build: .csv or .parquet")
    who = parser.add_mutually_exclusive_group()
    who.add_argument("--workers", metavar="N", type=int, help="work in so many processes; threads of this one when left out")
    who.add_argument("--scheduler", metavar="ADDRESS", help="work on the cluster of this scheduler; needs camcalc[sweep]")
    parser.add_argument("--quick", action="store_true", help="by closed forms: seconds for hundreds of builds, for learning only")
    add_force(parser)
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")
    add_units(parser)


def run(options: argparse.Namespace) -> int:
    """Work out the rows, print them and write them."""
    from ..errors import InputError
    from ..files import write_files
    from ..sheet import load_build
    from ..sweep import run_sweep, varied_builds
    from ..sweep.variants import values_of
    from .progress import progress_bar

    build = in_units(load_build(options.build), options)
    if options.out and options.out.suffix not in ENDINGS:
        raise InputError("--out", came=str(options.out), expected="a name that ends in .csv or .parquet")
    refuse_outputs({"--out": options.out}, build.files(), force=options.force)
    if options.workers is not None and options.workers < 1:
        raise InputError("--workers", came=str(options.workers), expected="1 or more")
    vary = {}
    for text in options.vary:
        key, equals, values = text.partition("=")
        if not equals:
            raise InputError("--vary", came=text, expected="KEY=VALUES", fix='e.g. --vary "cam.lobe_separation=108..116 cam_deg"')
        vary[key.strip()] = values_of(values, key=key.strip(), steps=options.steps)
    variants = varied_builds(options.build, vary)
    with progress_bar() as report, _executor(options) as executor:
        found = run_sweep(variants, model="quick" if options.quick else "resolved", executor=executor, progress=lambda share: report("builds", share))
    if options.json:
        print(json.dumps(found.to_dict(), indent=1, allow_nan=False))
    else:
        from ..report.sweep_terminal import print_sweep
        from ..report.terminal_parts import console

        print_sweep(found, console(), build.units)
    if options.out:
        write_files({options.out: _written(found, options.out.suffix)}, replace=options.force)
        print(f"{len(found.rows)} rows written to {options.out}", file=sys.stderr if options.json else sys.stdout)
    return 0


@contextlib.contextmanager
def _executor(options: argparse.Namespace) -> Iterator[Executor | None]:
    """Give who works: nobody else, processes of this machine, or a cluster."""
    from ..errors import InputError

    if options.workers is not None:
        import multiprocessing
        from concurrent.futures import ProcessPoolExecutor

        # A process that is forked while kernels compile in threads may never go on.
        with ProcessPoolExecutor(options.workers, mp_context=multiprocessing.get_context("spawn")) as processes:
            yield processes
    elif options.scheduler is not None:
        try:
            client_of: Any = importlib.import_module("distributed").Client
        except ImportError:
            raise InputError("--scheduler", came="no library for clusters", expected="one", fix='pip install "camcalc[sweep]"') from None
        try:
            client = client_of(options.scheduler, timeout="10s")
        except (OSError, ValueError) as error:
            raise InputError("--scheduler", came=f"{options.scheduler}: {error}", expected="the address of a scheduler that runs") from None
        with client:
            yield client.get_executor()
    else:
        yield None


def _written(found: Sweep, ending: str) -> str | bytes:
    frame, out = found.to_frame(), io.BytesIO()
    if ending == ".parquet":
        frame.write_parquet(out)
        return out.getvalue()
    return frame_csv(frame)

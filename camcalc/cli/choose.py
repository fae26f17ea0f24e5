"""``camcalc choose BUILD``."""

from __future__ import annotations

import argparse
import contextlib
import json
import re
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .outputs import add_force, add_units, frame_csv, in_units, refuse_outputs, write_plots

if TYPE_CHECKING:
    from ..cam.card import CamCard
    from ..choose import ChosenCam, RankedCards
    from ..sheet import Build
    from ..sheet.sections import Wanted

__all__ = ["add_arguments", "run"]

RANGES = ("duration", "lobe_separation", "advance", "lift", "split")
HELP = {
    "duration": "of the intake lobe at the sheet's checking height; 30 deg either way when left out",
    "lobe_separation": "5 cam deg either way when left out",
    "advance": "4 deg either way when left out",
    "lift": "of the intake valve; as on the sheet when left out",
    "split": "exhaust less intake duration; as on the sheet when left out",
}
BEST = 3
ONE = r"-?[0-9]+(?:\.[0-9]+)?"
RANGE = re.compile(rf"\s*({ONE})\s*(?:\.\.\s*({ONE}))?(\s*[A-Za-z].*)")
BRIEFS = ("*.brief.html", "*.brief.json")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("build", help="build sheet (TOML); its [wanted] says what the cam must leave")
    parser.add_argument("--wanted", metavar="FILE", type=Path, help="wants from a file of their own (TOML), in place of the sheet's [wanted]")
    parser.add_argument("--candidates", metavar="FILE", type=Path, help="rank the cards of this list (CSV), a row a card, in place of a search")
    for name in RANGES:
        parser.add_argument(f"--{name.replace('_', '-')}", metavar="RANGE", help=f'"LOW..HIGH unit": {HELP[name]}')
    parser.add_argument("--sure", metavar="SHARE", help='probability that every want is kept, e.g. "90 percent"; the sheet\'s, or 80 percent')
    parser.add_argument("--briefs", metavar="DIR", type=Path, help="also write a brief of the chosen cam, or of the best three cards, into this folder")
    parser.add_argument("--html", metavar="FILE", type=Path, help="also write the answer as one HTML file")
    parser.add_argument("--plots", metavar="DIR", type=Path, help="also write the picture as SVG into this folder")
    parser.add_argument("--out", metavar="FILE", type=Path, help="also write the cards as rows (.csv)")
    parser.add_argument("--workers", metavar="N", type=int, help="work in so many processes; threads of this one when left out")
    add_force(parser)
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")
    add_units(parser)


def run(options: argparse.Namespace) -> int:
    """Choose or rank, print it and write what was asked for."""
    from ..choose import choose_cam, rank_cards, read_cards
    from ..errors import InputError
    from ..sheet import load_build
    from .progress import progress_bar

    build = in_units(load_build(options.build), options)
    if options.out and options.out.suffix != ".csv":
        raise InputError("--out", came=str(options.out), expected="a name that ends in .csv")
    inputs = [*build.files(), options.wanted, options.candidates]
    folders = {"--briefs": (options.briefs, BRIEFS), "--plots": (options.plots, ("choice.svg",))}
    refuse_outputs({"--html": options.html, "--out": options.out}, inputs, folders=folders, force=options.force)
    if options.workers is not None and options.workers < 1:
        raise InputError("--workers", came=str(options.workers), expected="1 or more")
    wanted, ranges = _wanted(options, build), _ranges(options)
    found: ChosenCam | RankedCards
    with progress_bar() as report, _executor(options.workers) as executor:
        if options.candidates is not None:
            if ranges:
                raise InputError("--candidates", came=f"a list of cards and --{next(iter(ranges)).replace('_', '-')}", expected="one of the two")
            if options.plots:
                raise InputError("--plots", came="a list of cards", expected="a search over a range: a list has no picture")
            cards = read_cards(options.candidates, build)
            found = rank_cards(build, cards, wanted, executor=executor, progress=lambda share: report("cards", share))
            by_name = {cam.name: cam for cam in cards.cards}
            best = [by_name[card.name] for card in found.cards[:BEST]]
        else:
            found = choose_cam(build, wanted, ranges=ranges, executor=executor, progress=lambda share: report("cards", share))
            best = _chosen_card(build, found, ranges)
    _show(found, options)
    _write(found, options)
    if options.briefs:
        _briefs(build, wanted, best, found, options)
    return 0


def _wanted(options: argparse.Namespace, build: Build) -> Wanted:
    from ..choose import read_wanted
    from ..choose.wants import wants_of

    wanted = build.wanted if options.wanted is None else read_wanted(options.wanted)
    if options.sure is not None:
        wanted = wanted.replace(sure=options.sure)
    wants_of(build, wanted)  # what cannot be is refused before the work begins
    return wanted


def _ranges(options: argparse.Namespace) -> dict[str, tuple[str, str]]:
    """Return the ranges that were given, each as two quantities."""
    from ..errors import InputError

    found = {}
    for name in RANGES:
        text = getattr(options, name)
        if text is None:
            continue
        parts = RANGE.fullmatch(text)
        if parts is None:
            option = f"--{name.replace('_', '-')}"
            unit = {"lobe_separation": "cam_deg", "lift": "mm"}.get(name, "crank_deg")
            raise InputError(option, came=text, expected="two figures and one unit", fix=f'e.g. {option} "LOW..HIGH {unit}"')
        low, high, unit = parts[1], parts[2] or parts[1], parts[3].strip()
        found[name] = (f"{low} {unit}", f"{high} {unit}")
    return found


@contextlib.contextmanager
def _executor(count: int | None) -> Iterator[Executor | None]:
    """Give who works: threads of this process, or processes of this machine."""
    if count is None:
        yield None
        return
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    with ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("spawn")) as processes:
        yield processes


def _chosen_card(build: Build, found: ChosenCam, ranges: dict[str, tuple[str, str]]) -> list[CamCard]:
    """Return the chosen card itself, nothing where there is none."""
    from ..choose import CardFamily

    return [] if found.point is None else [CardFamily(build.cam, ranges).card(found.point.of_family)]


def _show(found: ChosenCam | RankedCards, options: argparse.Namespace) -> None:
    from ..choose import ChosenCam
    from ..report.choose_terminal import print_choice, print_ranking
    from ..report.terminal_parts import console

    if options.json:
        print(json.dumps(found.to_dict(), indent=1, allow_nan=False))
    elif isinstance(found, ChosenCam):
        print_choice(found, console())
    else:
        print_ranking(found, console())


def _write(found: ChosenCam | RankedCards, options: argparse.Namespace) -> None:
    from ..choose import ChosenCam
    from ..files import write_files
    from ..report.choose_page import choose_html, ranking_html

    texts: dict[Path, str | bytes] = {}
    if options.html:
        texts[options.html] = choose_html(found) if isinstance(found, ChosenCam) else ranking_html(found)
    if options.out:
        texts[options.out] = frame_csv(found.to_frame())
    if texts:
        write_files(texts, replace=options.force)
        print(f"written: {', '.join(map(str, texts))}", file=sys.stderr)
    if options.plots and isinstance(found, ChosenCam):
        write_plots(options.plots, {"choice": found.plot()}, force=options.force)


def _briefs(build: Build, wanted: Wanted, cards: Sequence[CamCard], found: ChosenCam | RankedCards, options: argparse.Namespace) -> None:
    """Write a brief of each card: the page, and the figures to print from later."""
    from ..brief import make_brief
    from ..brief_files import brief_text
    from ..choose.figures import build_with
    from ..files import write_folder
    from ..report.brief_page import brief_html
    from .progress import progress_bar

    if not cards:
        print("no cam to write a brief of", file=sys.stderr)
        return
    texts: dict[str, Any] = {}
    for place, cam in enumerate(cards, start=1):
        with progress_bar() as report:
            brief = make_brief(build_with(build, cam, wanted, found=found), bands=False, progress=report)
        name = f"{place}-{re.sub(r'[^A-Za-z0-9]+', '-', cam.name).strip('-').lower()}"
        texts[f"{name}.brief.html"] = brief_html(brief)
        texts[f"{name}.brief.json"] = brief_text(brief)
    write_folder(options.briefs, texts, replace=options.force)
    print(f"{len(cards)} brief{'s' if len(cards) > 1 else ''} written to {options.briefs}", file=sys.stderr)

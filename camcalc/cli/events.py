"""``camcalc events BUILD``: needs the cams on a sheet and, for what depends on it, the engine; nothing else."""

from __future__ import annotations

import argparse
import json

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("build", help="build sheet (TOML); [cam] is enough, [engine] adds effective compression")
    parser.add_argument("--at", metavar="HEIGHT", help='also at this checking height, e.g. "0.050 inch"')
    parser.add_argument("--measured-at", choices=("tappet", "valve"), default="tappet", help="side that height is measured on")
    parser.add_argument("--json", action="store_true", help="print JSON")


def run(options: argparse.Namespace) -> int:
    """Print the events of every cam on the sheet."""
    from ..advice.cam_facts import cam_facts
    from ..report.events_terminal import print_events
    from ..report.terminal_parts import console
    from ..results import plain_data
    from ..sheet import load_cam

    sheet = load_cam(options.build)
    facts = []
    for cam in (sheet.cam, sheet.replaced_cam):
        if cam is not None:
            fact = cam_facts(cam, sheet.engine, sheet.missing)
            facts.append(fact.replace(events=(*fact.events, cam.events(at=options.at, measured_at=options.measured_at))) if options.at else fact)
    if options.json:
        print(json.dumps(plain_data(facts), indent=1))
        return 0
    screen = console()
    for fact in facts:
        print_events(fact, screen, sheet.units)
    for note in sheet.notes:
        screen.print(f"note: {note}", highlight=False, markup=False)
    return 0

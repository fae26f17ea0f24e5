"""What a command writes: refused before the work begins where it cannot be, in the units asked for, and plots as SVG files."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import InputError
from ..unit_system import UnitSystem

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..sheet import Build

__all__ = ["add_units", "in_units", "part_of_the_brief", "refuse_outputs", "write_plots"]


def add_units(parser: argparse.ArgumentParser) -> None:
    """Declare ``--units`` for a command that prints figures of a build."""
    parser.add_argument("--units", choices=[system.code for system in UnitSystem], help="units of what is shown, whatever the sheet says; JSON keeps its own")


def in_units(build: Build, options: argparse.Namespace) -> Build:
    """Return the build with its outputs in the units that ``--units`` asks for, road speed included; as it is where the option is left out."""
    if options.units is None:
        return build
    system = UnitSystem.of(options.units)
    return build.replace(units=system, vehicle=build.vehicle.replace(road_speed_unit=system.road_speed_unit))


def part_of_the_brief(section: str) -> str:
    """Return the first line of a command that prints a part of the brief by itself.

    >>> part_of_the_brief("cures")
    'Part of the brief: camcalc brief BUILD --section cures shows this beside the rest of it.'
    """
    return f"Part of the brief: camcalc brief BUILD --section {section} shows this beside the rest of it."


def refuse_outputs(
    files: Mapping[str, Path | None], inputs: Iterable[Path | None], *, folders: Mapping[str, Path | None] | None = None, new: bool = False
) -> None:
    """Refuse outputs, by their options, that would replace an input or each other, or cannot be written; ``new``: or are there already.

    Parameters
    ----------
    files : mapping of str to Path
        Files to be written, by their options.
    inputs : iterable of Path
        What the command reads.
    folders : mapping of str to Path
        Folders to be written into, by their options.
    new : bool
        Whether a file that is there already is refused too.

    Raises
    ------
    InputError
        Before anything is computed or written.
    """
    read = {path.resolve() for path in inputs if path is not None}
    taken: dict[Path, str] = {}
    for option, path in files.items():
        if path is None:
            continue
        if path.resolve() in read:
            raise InputError(option, came=str(path), expected="a file that is no input of this command", fix="give another name; nothing was written")
        if path.resolve() in taken:
            raise InputError(option, came=f"{path}, as for {taken[path.resolve()]}", expected="two files", fix="give each a name of its own")
        if path.is_dir():
            raise InputError(option, came=f"{path} is a folder", expected="a file", fix="give the name of a file in it")
        if new and path.exists():
            raise InputError(option, came=f"{path} is there already", expected="a new file", fix="give another name, or add --overwrite")
        _refuse_folder(option, path.parent)
        taken[path.resolve()] = option
    for option, folder in (folders or {}).items():
        if folder is not None:
            _refuse_folder(option, folder)


def _refuse_folder(option: str, folder: Path) -> None:
    """Refuse a folder that is not there and cannot be made, or cannot be written to."""
    there = folder.absolute()
    while not there.exists() and there != there.parent:
        there = there.parent
    if not there.is_dir():
        raise InputError(option, came=f"{there} is a file", expected="a folder", fix="give another place")
    if not os.access(there, os.W_OK | os.X_OK):
        raise InputError(option, came=f"{there} cannot be written to", expected="a folder that can be written to", fix="give another place")


def write_plots(folder: Path, drawn: Mapping[str, Axes]) -> None:
    """Write each plot as ``name.svg`` into a folder and say so."""
    from ..report.figures import svg_text
    from ..sheet.saving import write_atomically

    for name, ax in drawn.items():
        write_atomically(folder / f"{name}.svg", svg_text(ax, name))
    print(f"{len(drawn)} plot{'s' if len(drawn) > 1 else ''} written to {folder}", file=sys.stderr)

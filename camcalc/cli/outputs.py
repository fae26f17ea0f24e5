"""What a command writes: refused before the work begins where it cannot be, in the units asked for, and plots as SVG files."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import InputError
from ..files import refuse_target, write_folder
from ..plain_text import in_cell
from ..unit_system import UnitSystem

if TYPE_CHECKING:
    import polars
    from matplotlib.axes import Axes

    from ..sheet import Build

__all__ = ["PLOTS", "add_force", "add_units", "frame_csv", "in_units", "part_of_the_brief", "refuse_outputs", "write_plots"]

# What goes into a folder of plots; which ones turns out on the way.
PLOTS = ("*.svg",)
ADD_FORCE = "give another name, or add --force"


def add_units(parser: argparse.ArgumentParser) -> None:
    """Declare ``--units`` for a command that prints figures of a build."""
    parser.add_argument("--units", choices=[system.code for system in UnitSystem], help="units of what is shown, whatever the sheet says; JSON keeps its own")


def in_units(build: Build, options: argparse.Namespace) -> Build:
    """Return the build with its outputs in the units that ``--units`` asks for, road speed included; as it is where the option is left out."""
    if options.units is None:
        return build
    system = UnitSystem.of(options.units)
    return build.replace(units=system, vehicle=build.vehicle.replace(road_speed_unit=system.road_speed_unit))


def frame_csv(frame: polars.DataFrame) -> str:
    """Return a data frame as CSV whose texts no spreadsheet takes for formulas; hidden characters are escapes.

    >>> import polars
    >>> frame_csv(polars.DataFrame({"name": ["=1+1", "plain"], "place": [1, 2]}))
    "name,place\\n'=1+1,1\\nplain,2\\n"
    """
    import polars

    texts = frame.with_columns(polars.col(polars.String).map_elements(in_cell, return_dtype=polars.String))
    return texts.rename({name: in_cell(name) for name in texts.columns}).write_csv()


def part_of_the_brief(section: str) -> str:
    """Return the first line of a command that prints a part of the brief by itself.

    >>> part_of_the_brief("cures")
    'Part of the brief: camcalc brief BUILD --section cures shows this beside the rest of it.'
    """
    return f"Part of the brief: camcalc brief BUILD --section {section} shows this beside the rest of it."


def add_force(parser: argparse.ArgumentParser) -> None:
    """Declare ``--force`` for a command that writes files."""
    parser.add_argument("--force", action="store_true", help="let what is written replace files that are there")
    # What it was called before.
    parser.add_argument("--overwrite", dest="force", action="store_true", default=argparse.SUPPRESS, help=argparse.SUPPRESS)


def refuse_outputs(
    files: Mapping[str, Path | None],
    inputs: Iterable[Path | None],
    *,
    folders: Mapping[str, tuple[Path | None, Sequence[str]]] | None = None,
    force: bool = False,
) -> None:
    """Refuse outputs, by their options, that would replace an input or each other, cannot be written, or are there already without ``force``.

    Parameters
    ----------
    files : mapping of str to Path
        Files to be written, by their options.
    inputs : iterable of Path
        What the command reads.
    folders : mapping of str to (Path, sequence of str)
        Folders to be written into, by their options, with the names of the files that go there; ``*`` in a name is anything.
    force : bool
        Whether a file that is there may be replaced.

    Raises
    ------
    InputError
        Before anything is computed or written.
    """
    read = {os.path.realpath(path) for path in inputs if path is not None and "\0" not in str(path)}
    taken: dict[str, str] = {}
    for option, path in files.items():
        if path is None:
            continue
        target = str(refuse_target(path, replace=True, where=option))
        if target in read:
            raise InputError(option, came=str(path), expected="a file that is no input of this command", fix="give another name; nothing was written")
        if target in taken:
            raise InputError(option, came=f"{path}, as for {taken[target]}", expected="two files", fix="give each a name of its own")
        refuse_target(path, replace=force, where=option, fix=ADD_FORCE)
        _refuse_folder(option, Path(target).parent)
        taken[target] = option
    for option, (folder, names) in (folders or {}).items():
        if folder is not None:
            _refuse_folder(option, folder)
            for there in sorted(one for name in names for one in folder.glob(name)):
                target = str(refuse_target(there, replace=force, where=option, fix="give another folder, or add --force"))
                if target in read:
                    raise InputError(option, came=str(there), expected="files that are no input of this command", fix="give another folder")


def _refuse_folder(option: str, folder: Path) -> None:
    """Refuse a folder that is not there and cannot be made, or cannot be written to."""
    if "\0" in str(folder):
        raise InputError(option, came=repr(str(folder)), expected="a path", fix="take out what cannot be in a path")
    there = folder.absolute()
    while not there.exists() and there != there.parent:
        there = there.parent
    if not there.is_dir():
        raise InputError(option, came=f"{there} is {'a file' if there.is_file() else 'no folder'}", expected="a folder", fix="give another place")
    if not os.access(there, os.W_OK | os.X_OK):
        raise InputError(option, came=f"{there} cannot be written to", expected="a folder that can be written to", fix="give another place")
    if folder.name in ("", ".."):
        return
    try:
        os.lstat(folder)
    except FileNotFoundError:
        return
    except OSError as error:
        raise InputError(option, came=f"{folder}: {error.strerror}", expected="a name that can be", fix="give another name") from None


def write_plots(folder: Path, drawn: Mapping[str, Axes], *, force: bool = False) -> None:
    """Write each plot as ``name.svg`` into a folder, all or none, and say so."""
    from ..report.figures import svg_text

    write_folder(folder, {f"{name}.svg": svg_text(ax, name) for name, ax in drawn.items()}, replace=force)
    print(f"{len(drawn)} plot{'s' if len(drawn) > 1 else ''} written to {folder}", file=sys.stderr)

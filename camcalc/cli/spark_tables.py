"""Spark tables as commands take and give them: from a file or pasted on standard input, written as tab-separated text for pasting back."""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import InputError

if TYPE_CHECKING:
    from ..tables import SparkTable

__all__ = ["STANDARD", "add_table_options", "cautions_beside", "given_table", "refuse_two_pastes", "tab_separated_file", "words_beside", "write_tab_separated"]

# The path that stands for standard input and output.
STANDARD = Path("-")
PASTED = "standard input"


def add_table_options(parser: argparse.ArgumentParser, what: str) -> None:
    """Declare how a pasted table names its axes, and where ``what`` goes as tab-separated text."""
    axes_help = 'what the corner cell of a pasted table would say, e.g. "rpm \\ kPa"; a blank corner needs it'
    parser.add_argument("--table-axes", metavar="AXES", default="", help=axes_help)
    tabs_help = f"write {what} as tab-separated text for pasting into a spreadsheet; - for standard output, all else then on the error stream"
    parser.add_argument("--tab-separated", metavar="FILE", type=Path, help=tabs_help)


def given_table(path: Path, axes: str = "") -> SparkTable:
    """Return the table of a file, or what is pasted on standard input where the path is ``-``."""
    from ..files import TABLE_BYTES
    from ..tables import read_table
    from ..tables.table import table_from

    if path != STANDARD:
        return read_table(path, axes=axes)
    stream: Any = getattr(sys.stdin, "buffer", sys.stdin)
    if stream is None:
        raise InputError("the spark table", came="no standard input", expected="a table pasted or piped in", fix="give a file")
    if sys.stdin.isatty():
        print("Paste the table, then press Ctrl-D on a line of its own.", file=sys.stderr)
    data = stream.read(TABLE_BYTES + 1)
    if len(data) > TABLE_BYTES:
        raise InputError("the spark table", came=f"more than {TABLE_BYTES / 1e6:g} MB", expected="a table", fix="copy the table alone")
    return table_from(data if isinstance(data, bytes) else data.encode(), PASTED, axes=axes)


def refuse_two_pastes(**tables: Path | None) -> None:
    """Refuse two tables from standard input, which holds one."""
    pasted = [name for name, path in tables.items() if path == STANDARD]
    if len(pasted) > 1:
        raise InputError(f"--{pasted[1]}", came=f"- as for --{pasted[0]}", expected="one table from standard input", fix="save one of the two as a file")


def tab_separated_file(options: argparse.Namespace) -> Path | None:
    """Return the file that the tab-separated text goes to; nothing where it goes to standard output or was not asked for."""
    if options.tab_separated == STANDARD and options.json:
        raise InputError("--tab-separated", came="- beside --json", expected="one of the two on standard output", fix="give --tab-separated a file")
    return None if options.tab_separated == STANDARD else options.tab_separated


def cautions_beside(options: argparse.Namespace, other: Path | None = None) -> Path | None:
    """Return where the cautions of tab-separated text go: not over the text itself, nor over the cautions beside another table of its name."""
    from ..tables.beside import path_beside

    path = tab_separated_file(options)
    if path is None:
        return None
    taken = (path, path_beside(other) if other else None)
    return path.with_name(f"{path.stem}_cautions.txt") if path_beside(path) in taken else path_beside(path)


@contextlib.contextmanager
def words_beside(options: argparse.Namespace) -> Iterator[None]:
    """Have all words go to the error stream while standard output is kept for a table."""
    if options.tab_separated != STANDARD:
        yield
        return
    with contextlib.redirect_stdout(sys.stderr):
        yield


def write_tab_separated(table: SparkTable | None, options: argparse.Namespace, other: Path | None = None) -> None:
    """Write a table as tab-separated text where that was asked for, or say that there is none; ``other`` is a table written beside it."""
    from ..cautions import text_beside
    from ..files import write_files

    path = options.tab_separated
    if path is None:
        return
    if table is None:
        print("nothing to lower: no table is written", file=sys.stderr)
    elif path == STANDARD:
        print(table.tab_separated(), end="")
    else:
        texts = {path: table.tab_separated(), cautions_beside(options, other) or path: text_beside(path.name)}
        write_files(texts, replace=options.force)
        print(f"table written to {path}, its cautions beside it", file=sys.stderr)

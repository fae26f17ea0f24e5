"""``camcalc new FILE``: a build sheet to fill in, or a copy of an invented example."""

from __future__ import annotations

import argparse
from pathlib import Path

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("file", type=Path, help="build sheet (TOML) to write; a file that is there is never replaced")
    parser.add_argument("--from", dest="example", metavar="EXAMPLE", help="copy this invented example, e.g. quarry-road, instead of a sheet to fill in")


def run(options: argparse.Namespace) -> int:
    """Write the sheet and say what to do with it."""
    from ..sheet.examples import example_files
    from ..sheet.saving import write_new
    from ..sheet.template import sheet_template

    if options.example is None:
        write_new({options.file: sheet_template(options.file.name)})
        print(f'{options.file}: put your figures in place of each "?", then run: camcalc brief {options.file}')
        return 0
    sheet, others = example_files(options.example)
    texts = {options.file: sheet, **{options.file.parent / other.name: other for other in others}}
    write_new({path: source.read_text(encoding="utf-8") for path, source in texts.items()})
    print(f"{', '.join(map(str, texts))}: the invented example {options.example}. Change it to your own figures, then run: camcalc brief {options.file}")
    return 0

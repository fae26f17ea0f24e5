"""Reads logs named on standard input, one path a line, and answers each: a file that ends the process ends this one only."""

from __future__ import annotations

import json
import sys
import traceback
from pathlib import Path


def main() -> None:
    """Answer until there are no more; an empty answer is a promise kept."""
    from .harnesses import quiet, read_as_a_log

    quiet()
    for line in sys.stdin:
        try:
            read_as_a_log(Path(line.rstrip("\n")))
        except BaseException:  # a panic of compiled code is no Exception
            told = traceback.format_exc()
        else:
            told = ""
        print(json.dumps(told), flush=True)


if __name__ == "__main__":
    main()

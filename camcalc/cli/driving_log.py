"""A driving log as an argument of a command: read, and its columns listed on the error stream, so that no unit is taken unseen."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ..logs import DriveLog

__all__ = ["listed_log"]


def listed_log(path: Path, columns: Path | None, **how: Any) -> DriveLog:
    """Return a log, with which column was read as which channel on the error stream; arguments as for ``read_log``."""
    from ..logs import read_log
    from ..words.driving_log import log_columns_words

    log = read_log(path, columns, **how)
    print(log_columns_words(log), file=sys.stderr)
    return log

"""One door to the words of every record."""

from __future__ import annotations

import functools
from typing import Any

__all__ = ["describe"]


@functools.singledispatch
def describe(record: Any) -> str:
    """Return what a record says, in words, as the command line prints it without its tables.

    Parameters
    ----------
    record : Record
        Any result; one that has no words of its own comes back as its table of figures.

    Returns
    -------
    str
        Lines of text, a finding or a next step each.

    Examples
    --------
    >>> from camcalc import load_build
    >>> describe(load_build("examples/quarry-road/build.toml").site).splitlines()[0].split()[0]
    'altitude'
    """
    return str(record)

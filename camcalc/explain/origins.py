"""Where a figure of an explanation comes from, in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["CYCLE", "SHEET", "of_barometer", "of_sheet"]

SHEET, CYCLE = "build sheet", "settled cycle"


def of_sheet(build: Build, section: str, key: str) -> str:
    """Return whether the build sheet gives a figure or leaves it out, and on what ground it is then assumed.

    >>> from camcalc.sheet import load_build
    >>> build = load_build("examples/quarry-road/build.toml")
    >>> of_sheet(build, "vehicle", "mass"), of_sheet(build, "vehicle", "loss_factor")
    ('build sheet', 'assumed, ESTIMATE')
    """
    why = {a.key: a.why for a in build.assumed}.get(f"[{section}] {key}")
    return SHEET if why is None else f"assumed, {why.split(':')[0]}"


def of_barometer(build: Build) -> str:
    """Return whether the sheet gives the barometer or it follows from the altitude."""
    return "from the sheet's altitude" if math.isnan(build.site.si.barometer) else SHEET

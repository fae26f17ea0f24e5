"""Fuel on the old filling table in words: how far it is off at idle, by what to multiply its cells, and where the factors hold."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from ..advice.fuel_factors import FuelFactors
from ..sheet.sections import CARBURETTOR, INDIVIDUAL_THROTTLES
from .describing import describe
from .figures import kilopascals, set_rpm

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["fuel_lines", "idle_fuel_words", "no_factors"]

# A change of fuel below this share is within the closed loop's reach; ESTIMATE.
SAME = 0.05
NO_OLD_TABLE = "No fuel factors: the sheet has no [replaced_cam] that the old filling table was made for."
WHERE_THEY_HOLD = (
    "The factors hold for a filling table by engine speed and manifold pressure. A table by throttle opening needs others, an air meter none.",
    "They rest on the spark shown. Later spark leaves less residual and needs more fuel.",
    "Between two cells take the value between. Start with these, then tune with a wideband.",
)


@describe.register
def fuel_words(factors: FuelFactors) -> str:
    """Return what the old filling table does at idle, what to do, and where the factors hold, as one text.

    Parameters
    ----------
    factors : FuelFactors
    """
    return "\n".join([idle_fuel_words(factors), *WHERE_THEY_HOLD])


def no_factors(build: Build) -> str:
    """Return why a build gets no factors.

    Parameters
    ----------
    build : Build

    Examples
    --------
    >>> from camcalc import load_build
    >>> no_factors(load_build("examples/quarry-road/build.toml").replace(replaced_cam=None)) == NO_OLD_TABLE
    True
    """
    if build.replaced_cam is None:
        return NO_OLD_TABLE
    if build.fuel.system == CARBURETTOR:
        return "No fuel factors: a carburettor has no filling table."
    if build.engine.intake == INDIVIDUAL_THROTTLES:
        return "No fuel factors: with a throttle for each cylinder a filling table goes by throttle opening, not by manifold pressure."
    return "No fuel factors from this model: it is for learning."


def fuel_lines(factors: FuelFactors | None, build: Build) -> list[str]:
    """Return what the old filling table does at idle, what to do before cranking, and where the factors hold, a line each.

    Parameters
    ----------
    factors : FuelFactors, optional
    build : Build
        Tells why there are no factors.
    """
    return [idle_fuel_words(factors), *WHERE_THEY_HOLD] if factors is not None else [no_factors(build)]


def idle_fuel_words(factors: FuelFactors) -> str:
    """Return how far the old filling table is off at idle, and by what to multiply its idle cells.

    Parameters
    ----------
    factors : FuelFactors

    Examples
    --------
    >>> import numpy as np
    >>> none = np.full((1, 1), np.nan)
    >>> idle_fuel_words(FuelFactors(speed=none[0], manifold_pressure=none[0], spark=none, factor=none, idle_pressure=6.4e4, idle_factor=0.45,
    ...     idle_excess=1.0 / 0.45 - 1.0))
    'An old table by speed and MAP fuels 120 % too rich at idle. Multiply its idle cells by 0.45 before cranking.'
    """
    si = factors.si
    if not (math.isfinite(si.idle_factor) and si.idle_factor > 0.0):
        return f"No fuel factor at idle: an engine does not run at {set_rpm(si.speed[0])} and {kilopascals(si.idle_pressure)}."
    if abs(si.idle_excess) < SAME:
        return f"The old filling table serves at idle: factor {si.idle_factor:.2f}."
    size = 100.0 * abs(si.idle_excess)
    way = "rich" if si.idle_excess > 0.0 else "lean"
    off = f"{round(size, -1) if size >= 100.0 else size:.0f} % too {way}"
    return f"An old table by speed and MAP fuels {off} at idle. Multiply its idle cells by {si.idle_factor:.2f} before cranking."

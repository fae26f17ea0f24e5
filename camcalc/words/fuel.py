"""Fuel on the old filling table in words: how far it is off at idle, by what to multiply its cells, and where the factors hold."""

from __future__ import annotations

import math

from ..advice.fuel_factors import FuelFactors
from .describing import describe
from .figures import kilopascals, set_rpm

__all__ = ["fuel_lines", "idle_fuel_words"]

# A change of fuel below this share is within the closed loop's reach; ESTIMATE.
SAME = 0.05
NO_OLD_TABLE = "No fuel factors: the sheet has no [replaced_cam] that the old filling table was made for."
FOR_LEARNING = "No fuel factors from this model: it is for learning."
WHERE_THEY_HOLD = (
    "The factors hold for a filling table by engine speed and manifold pressure. A table by throttle, or an air meter, needs none or others.",
    "They rest on the spark shown. Later spark leaves less residual and needs more fuel.",
    "Between two cells take the value between. Start with these, then tune with a wideband.",
)


@describe.register
def fuel_words(factors: FuelFactors) -> str:
    """Return the lines of ``fuel_lines`` as one text.

    Parameters
    ----------
    factors : FuelFactors
    """
    return "\n".join(fuel_lines(factors))


def no_factors(replaced_cam: object) -> str:
    """Return why there are no factors, by whether the sheet has a replaced cam.

    Parameters
    ----------
    replaced_cam : CamCard, optional

    Examples
    --------
    >>> no_factors(None) == NO_OLD_TABLE
    True
    """
    return NO_OLD_TABLE if replaced_cam is None else FOR_LEARNING


def fuel_lines(factors: FuelFactors | None, replaced_cam: object = None) -> list[str]:
    """Return what the old filling table does at idle, what to do before cranking, and where the factors hold, a line each.

    Parameters
    ----------
    factors : FuelFactors, optional
    replaced_cam : CamCard, optional
        Of the sheet: tells why there are no factors.
        Nothing where the sheet has no cam that is replaced.
    """
    return [idle_fuel_words(factors), *WHERE_THEY_HOLD] if factors is not None else [no_factors(replaced_cam)]


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
    'The old table fuels 120 % too rich at idle. Multiply its idle cells by 0.45 before cranking.'
    """
    si = factors.si
    if not math.isfinite(si.idle_factor):
        return f"No fuel factor at idle: an engine does not run at {set_rpm(si.speed[0])} and {kilopascals(si.idle_pressure)}."
    if abs(si.idle_excess) < SAME:
        return f"The old filling table serves at idle: factor {si.idle_factor:.2f}."
    size = 100.0 * abs(si.idle_excess)
    way = "rich" if si.idle_excess > 0.0 else "lean"
    off = f"{round(size, -1) if size >= 100.0 else size:.0f} % too {way}"
    return f"The old table fuels {off} at idle. Multiply its idle cells by {si.idle_factor:.2f} before cranking."

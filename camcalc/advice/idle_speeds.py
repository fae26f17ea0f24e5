"""The lowest speeds of an idle: at which torque balances at all, at which hardly a cycle misses, and from which it is steady."""

from __future__ import annotations

import math
from collections.abc import Callable

from ..cycle.operating import EngineModel
from ..errors import NoSolutionError
from ..marks import Mark, ends_of_search
from .idle_balance import IdleBalance, idle_balance

__all__ = ["FASTEST", "SLOWEST", "lowest_idle", "lowest_idle_without_misses", "lowest_mark"]

SLOWEST, FASTEST = 350.0 / 60.0, 2000.0 / 60.0
STEP, WITHIN = 150.0 / 60.0, 10.0 / 60.0


def lowest_idle(engine: EngineModel, *, drive: bool = False, accessories: bool = False, steady: bool = True) -> float:
    """Return the lowest speed [rev/s] at which the engine carries itself, with IMEP steady to the sheet's limit if asked; NaN if none is found.

    Parameters
    ----------
    engine : EngineModel
    drive : bool
        Whether an automatic is in gear.
    accessories : bool
        Whether they are switched on.
    steady : bool
        Whether COV of IMEP must be under the sheet's limit as well.
    """
    limit = engine.build.limits.stability
    return _lowest(engine, lambda found: not steady or found.spread.variation <= limit, drive, accessories)


def lowest_idle_without_misses(engine: EngineModel, *, drive: bool = False, accessories: bool = False) -> float:
    """Return the lowest speed [rev/s] at which no more than 1 % of cycles miss on the idle's own spark; NaN if none is found.

    Parameters
    ----------
    engine : EngineModel
    drive : bool
        Whether an automatic is in gear.
    accessories : bool
        Whether they are switched on.
    """
    return _lowest(engine, lambda found: not found.misses, drive, accessories)


def lowest_mark(lowest: float) -> Mark | None:
    """Return what a lowest idle speed [rev/s] is, as ``lowest_idle`` found it, if it is an end of its search."""
    if math.isnan(lowest):
        return Mark.NONE_FOUND
    return Mark.OR_LESS if ends_of_search(lowest, least=SLOWEST) else None


def _lowest(engine: EngineModel, serves: Callable[[IdleBalance], bool], drive: bool, accessories: bool) -> float:
    """Return the lowest speed [rev/s] whose idle serves: in steps about the speed wanted, then halved."""

    def good(speed: float) -> bool:
        try:
            return serves(idle_balance(engine, speed, drive=drive, accessories=accessories))
        except NoSolutionError:
            return False

    middle = engine.build.idle.si.speed
    if good(middle):
        high, low = middle, middle - STEP
        while low > SLOWEST and good(low):
            high, low = low, low - STEP
        if low <= SLOWEST:
            if good(SLOWEST):
                return SLOWEST
            low = SLOWEST
    else:
        low, high = middle, middle + STEP
        while not good(high):
            low, high = high, high + STEP
            if high > FASTEST:
                return math.nan
    while high - low > WITHIN:
        middle = (low + high) / 2.0
        low, high = (low, middle) if good(middle) else (middle, high)
    return high

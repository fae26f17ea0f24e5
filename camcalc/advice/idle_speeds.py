"""The lowest speeds of an idle: at which torque balances at all, at which hardly a cycle misses, and from which it is steady."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from typing import NamedTuple

from ..cycle.operating import EngineModel
from ..errors import NoSolutionError
from ..marks import Mark, ends_of_search
from .idle_balance import IdleBalance, idle_balance

__all__ = ["FASTEST", "SLOWEST", "LowestIdles", "lowest_idle", "lowest_idles", "lowest_mark"]

Serves = Callable[[IdleBalance], bool]

SLOWEST, FASTEST = 350.0 / 60.0, 2000.0 / 60.0
# Steps down and up from the speed wanted, and how closely an edge is halved in [rev/s].
DOWN, UP, WITHIN = 150.0 / 60.0, 300.0 / 60.0, 10.0 / 60.0


class LowestIdles(NamedTuple):
    """Lowest speeds [rev/s]: at which the engine carries itself, at which no more than 1 % of cycles miss, from which it is steady; NaN if none is found."""

    carries: float
    without_misses: float
    steady: float


def lowest_idles(engine: EngineModel, *, drive: bool = False, accessories: bool = False) -> LowestIdles:
    """Return the lowest speeds of an idle, each on the idle's own spark.

    Parameters
    ----------
    engine : EngineModel
    drive : bool
        Whether an automatic is in gear.
    accessories : bool
        Whether they are switched on.
    """
    balance = _balances(engine, drive, accessories)
    return LowestIdles(*(_lowest(engine, balance, serves) for serves in (_runs, lambda found: not found.misses, _steady_for(engine))))


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
    return _lowest(engine, _balances(engine, drive, accessories), _steady_for(engine) if steady else _runs)


def lowest_mark(lowest: float) -> Mark | None:
    """Return what a lowest idle speed [rev/s] is, as ``lowest_idle`` found it, if it is an end of its search."""
    if math.isnan(lowest):
        return Mark.NONE_FOUND
    return Mark.OR_LESS if ends_of_search(lowest, least=SLOWEST) else None


def _runs(found: IdleBalance) -> bool:
    return True


def _steady_for(engine: EngineModel) -> Serves:
    limit = engine.build.limits.stability
    return lambda found: found.spread.variation <= limit


def _balances(engine: EngineModel, drive: bool, accessories: bool) -> Callable[[float], IdleBalance | None]:
    """Return what gives the balance at a speed [rev/s], None where there is none: several searches ask for the same speeds."""

    @functools.cache
    def balance(speed: float) -> IdleBalance | None:
        try:
            return idle_balance(engine, speed, drive=drive, accessories=accessories)
        except NoSolutionError:
            return None

    return balance


def _lowest(engine: EngineModel, balance: Callable[[float], IdleBalance | None], serves: Serves) -> float:
    """Return the lowest speed [rev/s] whose idle serves: in steps about the speed wanted, then halved."""

    def good(speed: float) -> bool:
        found = balance(speed)
        return found is not None and serves(found)

    middle = engine.build.idle.si.speed
    if good(middle):
        high, low = middle, middle - DOWN
        while low > SLOWEST and good(low):
            high, low = low, low - DOWN
        if low <= SLOWEST:
            if good(SLOWEST):
                return SLOWEST
            low = SLOWEST
    else:
        low, high = middle, min(middle + UP, FASTEST)
        while not good(high):
            if high >= FASTEST:
                return math.nan
            low, high = high, min(high + UP, FASTEST)
    while high - low > WITHIN:
        middle = (low + high) / 2.0
        low, high = (low, middle) if good(middle) else (middle, high)
    return high

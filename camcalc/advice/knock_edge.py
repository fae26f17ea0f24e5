"""The low edge of the knock limit: what a starting table keeps under, since knock is the least certain and the dearest of its limits."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..cycle.operating import Tolerances
from ..errors import NoSolutionError
from .bands import sample_bands

if TYPE_CHECKING:
    from ..cycle.operating import EngineModel
    from .spark import SparkCeilings

__all__ = ["SEARCHED", "UNSAMPLED", "KnockEdge", "knock_edge", "knock_grid", "knock_grids", "loads_that_knock", "speeds_sampled"]

Array = NDArray[np.float64]

# An engine model looks for knock up to this far beyond best torque [crank deg].
SEARCHED = 5.0
# Where the band has a gap, or nobody sampled one, the low edge lies so far under the lesser of the nominal limit and best torque [crank deg];
# ESTIMATE, above the widest bands seen: 10.6 over six cams (both of each example, 60 to 90 kPa, 800 to 2800 rpm), and of the tests' own engine at 60
# and 75 kPa, 800 and 1200 rpm, 21.5 or more with a compression ratio of 12.5 and lobes 106 cam degrees apart, 24.9 on E85. Another engine may pass
# it: a brief samples its own.
UNSAMPLED = 30.0


class KnockEdge(NamedTuple):
    """The low edge of the knock limit [crank deg before top dead centre] on the grid of the ceilings, infinite where no spark searched
    knocks; and whether it is that of a sampled band."""

    low: Array
    sampled: bool


def loads_that_knock(ceilings: SparkCeilings) -> Array:
    """Return the manifold pressures [Pa] whose knock is worth sampling: from one below the lightest that knocks at any speed."""
    knocks = np.flatnonzero(np.isfinite(ceilings.si.knock).any(axis=1))
    return np.asarray(ceilings.si.manifold_pressure[max(knocks[0] - 1, 0) :] if knocks.size else ceilings.si.manifold_pressure[:0])


def speeds_sampled(ceilings: SparkCeilings) -> Array:
    """Return the speeds [rev/s] at which knock is sampled: every second one and the last; the width of the band is smooth between them."""
    speeds = ceilings.si.speed
    return np.asarray(np.unique(np.append(speeds[::2], speeds[-1])))


def knock_grid(engine: EngineModel, speeds: Array, pressures: Array) -> Array:
    """Return the knock limit over speeds [rev/s] and pressures [Pa]; where nothing searched knocks, the end of the search; not-a-number where
    no throttle gives that pressure."""

    def limit(speed: float, pressure: float) -> float:
        try:
            knock = engine.knock_spark(speed, pressure)
            return knock if math.isfinite(knock) else engine.best_spark(speed, pressure) + SEARCHED
        except NoSolutionError:
            return math.nan

    return np.array([[limit(s, p) for s in map(float, speeds)] for p in map(float, pressures)])


def knock_grids(
    engine_of: Callable[..., EngineModel], engine: EngineModel, ceilings: SparkCeilings, say: Callable[[float], None]
) -> Mapping[str, tuple[Array, Array]]:
    """Return the band of the knock limit alone, by the same samples as all other bands, as ``knock_edge`` takes it.

    Parameters
    ----------
    engine_of : callable
        Makes an engine from a build and tolerances.
    engine : EngineModel
        The nominal.
    ceilings : SparkCeilings
        Whose speeds and loads are sampled.
    say : callable
        Gets the share done.
    """
    speeds, pressures = speeds_sampled(ceilings), loads_that_knock(ceilings)
    if not pressures.size:
        return {"knock": (np.empty((0, speeds.size)),) * 2}
    return sample_bands(lambda t: {"knock": knock_grid(engine_of(engine.build, Tolerances(**t)), speeds, pressures)}, engine.uncertain, progress=say).grids


def knock_edge(ceilings: SparkCeilings, grids: Mapping[str, tuple[Array, Array]] | None = None) -> KnockEdge:
    """Return the low edge of the knock limit: of the band in ``grids["knock"]``, or that of the widest band where none was sampled."""
    si, pressures = ceilings.si, loads_that_knock(ceilings)
    low = np.full_like(si.best_spark, np.inf)
    if not pressures.size:
        return KnockEdge(low, grids is not None and "knock" in grids)
    rows = slice(si.manifold_pressure.size - pressures.size, None)
    nominal = np.where(np.isfinite(si.knock), si.knock, si.best_spark + SEARCHED)[rows]
    widest = nominal - (np.minimum(nominal, si.best_spark[rows]) - UNSAMPLED)
    if grids is None or "knock" not in grids:
        low[rows] = nominal - widest
        return KnockEdge(low, False)
    columns = np.searchsorted(si.speed, speeds_sampled(ceilings))
    width = np.maximum(nominal[:, columns] - grids["knock"][0], 0.0)
    width = np.where(np.isfinite(width), width, widest[:, columns])
    low[rows] = nominal - np.array([np.interp(si.speed, si.speed[columns], row) for row in width])
    return KnockEdge(low, True)

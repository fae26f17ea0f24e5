"""An engine's settled cycles tabulated over speed, plenum pressure and spark: what dynamics and maps look up.

Between the tabulated points values are trilinear; where no cycle runs, and next to there, ``runs`` is false and nothing is answered.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from ..errors import NoSolutionError
from .memory_field import MemoryField, memory_field
from .operating import EngineModel, barometer
from .work_variation import work_spread

__all__ = ["FIELDS", "PRESSURES", "SPARKS", "SPEEDS", "EngineTables", "engine_tables", "look_up", "look_up_into", "nodes_about"]

Array = NDArray[np.float64]

SPEEDS = np.arange(600.0, 3601.0, 200.0) / 60.0
PRESSURES = np.arange(15e3, 100.1e3, 5e3)
SPARKS = np.array([2.0, 10.0, 18.0, 26.0, 34.0, 42.0, 52.0])
# Per cylinder: gross and net IMEP [Pa], standard deviation of gross IMEP [Pa], air trapped per cycle [kg], burned fraction, blow-back share,
# share of cycles that miss.
FIELDS = ("net", "gross", "deviation", "air", "burned_fraction", "blow_back", "missed")


class EngineTables(NamedTuple):
    """Tabulated cycles: axes [rev/s, Pa, crank deg before top dead centre] and values by field, speed, pressure, spark.

    ``runs`` says at which speeds, pressures and sparks a cycle settles; ``memory`` what a cycle leaves to those after it.
    """

    speeds: Array
    pressures: Array
    sparks: Array
    values: Array
    runs: NDArray[np.bool_]
    memory: MemoryField | None = None

    def at(self, speed: float, pressure: float, spark: float) -> dict[str, float]:
        """Return every field at a point by name; not-a-number where no cycle runs or outside the axes."""
        found = look_up(self.speeds, self.pressures, self.sparks, self.values, speed, pressure, spark)
        return dict(zip(FIELDS, map(float, found), strict=True))


def engine_tables(
    engine: EngineModel,
    speeds: Array = SPEEDS,
    pressures: Array = PRESSURES,
    sparks: Array = SPARKS,
    *,
    net: bool = True,
    progress: Callable[[float], None] = lambda share: None,
) -> EngineTables:
    """Tabulate an engine model; loads at and above the barometer are left out.

    Parameters
    ----------
    engine : EngineModel
    speeds, pressures, sparks : array, shape (n,) each
        Axes [rev/s], [Pa], [crank deg before top dead centre], rising.
    net : bool
        Whether what cycles leave to those after them is interpolated on a net of its own, for many points, or computed at each point asked for.
    progress : callable
        Called with the share done, 0 to 1.
    """
    pressures = pressures[pressures < barometer(engine)]

    def sheet(speed: float) -> Array:
        out = np.full((len(FIELDS), pressures.size, sparks.size), np.nan)
        alive = list(range(sparks.size))
        # From high load down, the easy end first; a spark whose cycles die at one load has none at lighter ones.
        for j in range(pressures.size - 1, -1, -1):
            for k in tuple(alive):
                try:
                    spread = work_spread(engine, speed, float(pressures[j]), float(sparks[k]))
                except NoSolutionError:
                    alive.remove(k)  # cycles that never repeat: strong and weak ones by turns
                    continue
                mean = spread.mean
                if not mean.runs:
                    alive.remove(k)
                    continue
                out[:, j, k] = mean.net, mean.gross, spread.deviation, mean.air, mean.burned_fraction, mean.blow_back / mean.trapped, spread.missed
        return out

    sheets = []
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        for k, found in enumerate(pool.map(sheet, map(float, speeds))):
            sheets.append(found)
            progress((k + 1) / speeds.size)
    values = np.stack(sheets, axis=1)
    return EngineTables(speeds, pressures, sparks, values, np.isfinite(values[0]), memory_field(engine, net=net))


def nodes_about(axis: Array, low: float, high: float) -> Array:
    """Return the nodes of an axis from the one at or below ``low`` to the one at or above ``high``, two at least: all that a look-up in between takes.

    >>> nodes_about(np.array([10.0, 20.0, 30.0, 40.0, 50.0]), 21.0, 27.0).tolist()
    [20.0, 30.0]
    """
    first = max(int(np.searchsorted(axis, low, side="right")) - 1, 0)
    last = min(int(np.searchsorted(axis, high)), axis.size - 1)
    return axis[min(first, axis.size - 2) : max(last, 1) + 1]


@compiled
def look_up(speeds: Array, pressures: Array, sparks: Array, values: Array, speed: float, pressure: float, spark: float) -> Array:
    """Return every field at a point, trilinear; not-a-number outside speeds and pressures, sparks held at their ends.

    Parameters
    ----------
    speeds, pressures, sparks : array, shape (n,) each
        Axes of the tables [rev/s], [Pa], [crank deg].
    values : array, shape (fields, speeds, pressures, sparks)
        In inner units.
    speed, pressure, spark : float
        The point [rev/s], [Pa], [crank deg].
    """
    out = np.empty(values.shape[0])
    look_up_into(out, speeds, pressures, sparks, values, speed, pressure, spark)
    return out


@compiled
def look_up_into(out: Array, speeds: Array, pressures: Array, sparks: Array, values: Array, speed: float, pressure: float, spark: float) -> None:
    """Do what ``look_up`` does without a new array.

    Parameters
    ----------
    out : array, shape (fields,)
        Written to, in inner units.
    speeds, pressures, sparks : array, shape (n,) each
        Axes of the tables [rev/s], [Pa], [crank deg].
    values : array, shape (fields, speeds, pressures, sparks)
        In inner units.
    speed, pressure, spark : float
        The point [rev/s], [Pa], [crank deg].
    """
    if not (speeds[0] <= speed <= speeds[-1] and pressures[0] <= pressure <= pressures[-1]):
        out[:] = np.nan
        return
    i = min(max(int(np.searchsorted(speeds, speed)) - 1, 0), speeds.size - 2)
    j = min(max(int(np.searchsorted(pressures, pressure)) - 1, 0), pressures.size - 2)
    held = min(max(spark, sparks[0]), sparks[-1])
    k = min(max(int(np.searchsorted(sparks, held)) - 1, 0), sparks.size - 2)
    a = (speed - speeds[i]) / (speeds[i + 1] - speeds[i])
    b = (pressure - pressures[j]) / (pressures[j + 1] - pressures[j])
    c = (held - sparks[k]) / (sparks[k + 1] - sparks[k])
    for f in range(values.shape[0]):
        v = values[f]
        low = (1.0 - b) * ((1.0 - c) * v[i, j, k] + c * v[i, j, k + 1]) + b * ((1.0 - c) * v[i, j + 1, k] + c * v[i, j + 1, k + 1])
        high = (1.0 - b) * ((1.0 - c) * v[i + 1, j, k] + c * v[i + 1, j, k + 1]) + b * ((1.0 - c) * v[i + 1, j + 1, k] + c * v[i + 1, j + 1, k + 1])
        out[f] = (1.0 - a) * low + a * high

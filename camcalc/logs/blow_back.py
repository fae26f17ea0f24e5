"""The blow-back share at a logged load: what the swing of a load signal is measured against."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..cycle.load_axis import air_charge_of, pressure_of_load
from ..errors import NoSolutionError

if TYPE_CHECKING:
    from ..cycle.engine_tables import EngineTables
    from ..cycle.operating import EngineModel
    from ..sheet import Build

__all__ = ["BlowBack", "blow_back_at"]

# Half step over which load is followed along manifold pressure [Pa], as the loop of the surge prediction does.
PRESSURE_STEP = 2.5e3


class BlowBack(NamedTuple):
    """At a speed and load: blow-back over trapped mass, manifold pressure [Pa], load by pressure [load per Pa]."""

    share: float
    pressure: float
    load_by_pressure: float


def blow_back_at(build: Build, engine: EngineModel | EngineTables, *, speed: float, load: float, spark: float, kind: str) -> BlowBack | None:
    """Return blow-back at a speed [rev/s], a load of a kind (SI) and a spark [crank deg]; None where no cycle runs."""
    reference = air_charge_of(build, 1.0) if kind == "relative charge" else 1.0
    pressure = _pressure(engine, speed, load, spark, kind, reference)
    share, _ = _answer(engine, speed, pressure, spark)
    slope = 1.0
    if kind != "manifold pressure":
        low, high = (_answer(engine, speed, pressure + step, spark)[1] / reference for step in (-PRESSURE_STEP, PRESSURE_STEP))
        slope = (high - low) / (2.0 * PRESSURE_STEP)
    found = BlowBack(share, pressure, slope)
    return found if all(map(math.isfinite, found)) else None


def _answer(engine: EngineModel | EngineTables, speed: float, pressure: float, spark: float) -> tuple[float, float]:
    """Return blow-back share and air [kg] per cylinder and cycle; not-a-number where no cycle runs."""
    from ..cycle.engine_tables import EngineTables

    if isinstance(engine, EngineTables):
        at = engine.at(speed, pressure, spark)
        return at["blow_back"], at["air"]
    try:
        state = engine.state(speed, pressure, spark)
    except NoSolutionError:
        return math.nan, math.nan
    return state.blow_back / state.trapped, state.air


def _pressure(engine: EngineModel | EngineTables, speed: float, load: float, spark: float, kind: str, reference: float) -> float:
    """Return the manifold pressure [Pa] of a load; not-a-number where none gives it."""
    from ..cycle.engine_tables import EngineTables

    if kind == "manifold pressure":
        return load
    if isinstance(engine, EngineTables):
        loads = np.array([_answer(engine, speed, float(p), spark)[1] for p in engine.pressures]) / reference
        runs = np.isfinite(loads)
        return float(np.interp(load, loads[runs], engine.pressures[runs], left=math.nan, right=math.nan)) if runs.any() else math.nan
    try:
        return pressure_of_load(engine, speed, load, spark, kind)
    except NoSolutionError:
        return math.nan

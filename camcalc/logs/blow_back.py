"""The share of exhaust blown back at a logged load: what the swing of a load signal is measured against."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..cycle.load_axis import MANIFOLD_PRESSURE, RELATIVE_CHARGE, air_charge_of, pressure_of_load
from ..errors import InputError, NoSolutionError

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


class _Engine(NamedTuple):
    """What answers for the engine: tables of it, or the engine itself."""

    engine: EngineModel | None
    tables: EngineTables | None

    def answer(self, speed: float, pressure: float, spark: float) -> tuple[float, float]:
        """Return blow-back share and air [kg] per cylinder and cycle; not-a-number where no cycle runs."""
        if self.tables is not None:
            at = self.tables.at(speed, pressure, spark)
            return at["blow_back"], at["air"]
        assert self.engine is not None
        try:
            state = self.engine.state(speed, pressure, spark)
        except NoSolutionError:
            return math.nan, math.nan
        return state.blow_back / state.trapped, state.air

    def pressure(self, speed: float, load: float, spark: float, kind: str, reference: float) -> float:
        """Return the manifold pressure [Pa] of a load; not-a-number where none gives it."""
        if kind == MANIFOLD_PRESSURE:
            return load
        if self.tables is not None:
            loads = np.array([self.answer(speed, float(p), spark)[1] for p in self.tables.pressures]) / reference
            runs = np.isfinite(loads)
            return float(np.interp(load, loads[runs], self.tables.pressures[runs], left=math.nan, right=math.nan)) if runs.any() else math.nan
        assert self.engine is not None
        try:
            return pressure_of_load(self.engine, speed, load, spark, kind)
        except NoSolutionError:
            return math.nan


def blow_back_at(
    build: Build, *, speed: float, load: float, spark: float, kind: str, engine: EngineModel | None = None, engine_tables: EngineTables | None = None
) -> BlowBack | None:
    """Return blow-back at a speed and load; nothing where no cycle runs.

    Parameters
    ----------
    build : Build
    speed : float [rev/s]
    load : float [Pa, kg or ratio]
        Of the kind, SI.
    spark : float [crank deg before top dead centre]
    kind : str
        ``manifold pressure``, ``air charge`` or ``relative charge``.
    engine : EngineModel
        Asked where no tables are given.
    engine_tables : EngineTables
        Of the build's engine; one of the two is needed.

    Returns
    -------
    BlowBack or None

    Raises
    ------
    InputError
        If neither the engine nor its tables are given.
    """
    if engine is None and engine_tables is None:
        raise InputError("engine", came="nothing", expected="engine or engine_tables", fix="give engine=ResolvedEngine(build)")
    asked = _Engine(engine, engine_tables)
    reference = air_charge_of(build, 1.0) if kind == RELATIVE_CHARGE else 1.0
    pressure = asked.pressure(speed, load, spark, kind, reference)
    share, _ = asked.answer(speed, pressure, spark)
    slope = 1.0
    if kind != MANIFOLD_PRESSURE:
        low, high = (asked.answer(speed, pressure + step, spark)[1] / reference for step in (-PRESSURE_STEP, PRESSURE_STEP))
        slope = (high - low) / (2.0 * PRESSURE_STEP)
    found = BlowBack(share, pressure, slope)
    return found if all(map(math.isfinite, found)) else None

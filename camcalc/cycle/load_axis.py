"""Load by three names; one becomes another through the cycle.

Manifold pressure is absolute; air charge is the air trapped per cylinder and cycle; relative charge is air charge over swept volume times a
reference density, that of air at 101.325 kPa and 20 degC unless the sheet says otherwise.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..constants import AIR_GAS_CONSTANT
from ..errors import InputError, NoSolutionError, did_you_mean
from .operating import EngineModel, barometer

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["AIR_CHARGE", "LOAD_KINDS", "MANIFOLD_PRESSURE", "RELATIVE_CHARGE", "air_charge_of", "grid_over", "load_of", "pressure_of_load"]

Array = NDArray[np.float64]

LOAD_KINDS = MANIFOLD_PRESSURE, AIR_CHARGE, RELATIVE_CHARGE = ("manifold pressure", "air charge", "relative charge")
LEAST_PRESSURE = 15e3


def air_charge_of(build: Build, relative_charge: float) -> float:
    """Return the air charge [kg per cylinder and cycle] of a relative charge: that share of the swept volume at the sheet's reference density."""
    from ..engine.geometry import geometry_of

    limits = build.limits.si
    return float(relative_charge * geometry_of(build.engine).swept * limits.reference_pressure / (AIR_GAS_CONSTANT * limits.reference_temperature))


def load_of(engine: EngineModel, speed: float, pressure: float, spark: float, kind: str) -> float:
    """Return a load [Pa, kg or ratio] by its kind, at a speed [rev/s], manifold pressure [Pa] and spark [crank deg before top dead centre].

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    pressure : float
        Manifold pressure [Pa], absolute.
    spark : float
        Before top dead centre [crank deg].
    kind : str
        "manifold pressure", "air charge" or "relative charge".
    """
    _check(kind)
    if kind == MANIFOLD_PRESSURE:
        return pressure
    air = engine.state(speed, pressure, spark).air
    return air if kind == AIR_CHARGE else air / air_charge_of(engine.build, 1.0)


def pressure_of_load(engine: EngineModel, speed: float, load: float, spark: float, kind: str) -> float:
    """Return the manifold pressure [Pa] that gives a load at a speed and spark.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    load : float
        Of that kind [Pa, kg or ratio].
    spark : float
        Before top dead centre [crank deg].
    kind : str
        "manifold pressure", "air charge" or "relative charge".

    Raises
    ------
    NoSolutionError
        If the load cannot be had without boost, with the greatest reachable load; or is too light for the cycle to run.
    """
    from scipy.optimize import toms748

    _check(kind)
    if kind == MANIFOLD_PRESSURE:
        return load
    top = barometer(engine)
    most = load_of(engine, speed, top, spark, kind)
    if load > most:
        raise NoSolutionError(f"a load of {_words(load, kind)} is beyond reach at {speed * 60:.0f} rpm; the most is {_words(most, kind)}", reachable=most)
    low = top
    while low > LEAST_PRESSURE:
        low *= 0.8
        if load_of(engine, speed, low, spark, kind) <= load:
            return float(toms748(lambda p: load_of(engine, speed, p, spark, kind) - load, low, top, xtol=10.0, rtol=1e-6))
    raise NoSolutionError(f"a load of {_words(load, kind)} is too light at {speed * 60:.0f} rpm: no cycle runs so", reachable=None)


def grid_over(grid: Array, loads_of_rows: Array, loads: Array) -> Array:
    """Return a grid over (load row, speed) moved to other loads: linear between known neighbours, the nearer one's where only one is.

    ``loads_of_rows`` has the new kind of load of every cell of the grid; NaN stays where the grid does not reach.
    """
    out = np.full((loads.size, grid.shape[1]), np.nan)
    for k in range(grid.shape[1]):
        at, values = loads_of_rows[:, k], grid[:, k]
        known = np.isfinite(at)
        at, values = at[known], values[known]
        for j, load in enumerate(loads):
            if at.size < 2 or not at[0] <= load <= at[-1]:
                continue
            right = int(np.clip(np.searchsorted(at, load), 1, at.size - 1))
            share = (load - at[right - 1]) / (at[right] - at[right - 1])
            pair = values[right - 1 : right + 1]
            out[j, k] = (1.0 - share) * pair[0] + share * pair[1] if np.isfinite(pair).all() else pair[int(share >= 0.5)]
    return out


def _words(load: float, kind: str) -> str:
    return f"{load * 1e6:.0f} mg" if kind == AIR_CHARGE else f"{load * 100:.0f} % relative charge"


def _check(kind: str) -> None:
    if kind not in LOAD_KINDS:
        raise InputError("load axis", came=kind, expected=" or ".join(LOAD_KINDS), fix=did_you_mean(kind, LOAD_KINDS))

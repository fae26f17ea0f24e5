"""Maps: operating points over a grid of speeds and loads, on all cores."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord
from ..errors import InputError, NoSolutionError
from ..results import Measure, measure
from ..units import to_si
from .operating import Ending, EngineModel, OperatingState
from .resolved import ResolvedEngine
from .simulate import PRESSURE, SPARK, SPEED

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["CycleMap", "map_of", "simulate_map"]

Array = NDArray[np.float64]
MAP_RTOL, MAP_TOLERANCE = 1e-5, 5e-5


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CycleMap(ArrayRecord):
    """Settled cycles over speed (columns) and manifold pressure (rows); not-a-number where the engine does not run."""

    AXES = ("manifold_pressure", "speed")

    cam: str
    speed: Measure = measure("crank_rps", "rpm")
    manifold_pressure: Measure = measure("Pa", "kPa")
    spark: Measure = measure("crank_deg")
    burned_fraction: Measure = measure("", "percent")
    blow_back: Measure = measure("", "percent", doc="overlap blow-back over trapped mass")
    fresh_air: Measure = measure("kg", "mg")
    net_imep: Measure = measure("Pa", "kPa")
    pumping_mep: Measure = measure("Pa", "kPa")
    exhaust_temperature: Measure = measure("K", "degC")
    outcomes: tuple[tuple[Ending, ...], ...] = dataclasses.field(repr=False)


def simulate_map(
    build: Build,
    *,
    speeds: Sequence[Any],
    manifold_pressures: Sequence[Any],
    spark: Any = None,
    progress: Callable[[float], None] | None = None,
    **options: Any,
) -> CycleMap:
    """Run a grid of operating points.

    Parameters
    ----------
    build : Build
    speeds : sequence of quantity [crank speed]
    manifold_pressures : sequence of quantity [pressure]
        Cycle means in the plenum, up to the barometer.
    spark : quantity [crank angle]
        One spark for all points; best torque of each when left out.
    progress : callable
        Told the share done.
    **options
        As ``ResolvedEngine`` takes them.

    Returns
    -------
    CycleMap

    Raises
    ------
    InputError
        On a figure outside its range, or an empty axis.

    Examples
    --------
    >>> from camcalc import load_build
    >>> build = load_build("examples/quarry-road/build.toml")
    >>> found = simulate_map(build, speeds=["2000 rpm", "3000 rpm"], manifold_pressures=["60 kPa"], spark="30 crank_deg")
    >>> bool(found.burned_fraction[0, 0] > found.burned_fraction[0, 1])
    True
    """
    columns = np.array([float(to_si(s, "speeds", SPEED)) for s in speeds])
    rows = np.array([float(to_si(p, "manifold_pressures", PRESSURE)) for p in manifold_pressures])
    if not columns.size or not rows.size:
        raise InputError("simulate_map", came="an empty axis", expected="at least one speed and one manifold pressure")
    angle = None if spark is None else float(to_si(spark, "spark", SPARK))
    options.setdefault("rtol", MAP_RTOL)
    options.setdefault("tolerance", MAP_TOLERANCE)

    return map_of(ResolvedEngine(build, **options), columns, rows, angle, progress)


def map_of(engine: EngineModel, speeds: Array, pressures: Array, spark: float | None, progress: Callable[[float], None] | None = None) -> CycleMap:
    """Run a grid of operating points of any engine model.

    Parameters
    ----------
    engine : EngineModel
    speeds : array, shape (n,)
        Crank speeds [rev/s].
    pressures : array, shape (m,)
        Manifold pressures [Pa], absolute, up to the barometer.
    spark : float
        One spark for all points [crank deg before top dead centre]; best torque of each if None.
    progress : callable
        Told the share done.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> found = map_of(QuickEngine(load_build("examples/quarry-road/build.toml")), np.array([2000.0, 3000.0]) / 60.0, np.array([60e3]), 30.0)
    >>> bool(found.burned_fraction[0, 0] > found.burned_fraction[0, 1])
    True
    """

    def row_of(pressure: float) -> list[OperatingState | None]:
        # From high speed down: blow-back grows as speed falls, so below a speed at which the engine dies it is dead, and not run again.
        row: list[OperatingState | None] = [None] * speeds.size
        dead: OperatingState | None = None
        for k in np.argsort(speeds)[::-1]:
            row[k] = dead if dead is not None else _point(engine, float(speeds[k]), pressure, spark)
            here = row[k]
            if here is not None and not here.runs:
                dead = here
        return row

    found: list[list[OperatingState | None]] = []
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        for row in pool.map(row_of, map(float, pressures)):
            found.append(row)
            if progress:
                progress(len(found) / pressures.size)

    def field(value: Callable[[OperatingState], float]) -> Array:
        return np.array([[value(s) if s is not None and s.runs else np.nan for s in row] for row in found])

    return CycleMap(
        cam=engine.build.cam.name,
        speed=speeds,
        manifold_pressure=pressures,
        spark=field(lambda s: s.spark),
        burned_fraction=field(lambda s: s.burned_fraction),
        blow_back=field(lambda s: s.blow_back / s.trapped),
        fresh_air=field(lambda s: s.air),
        net_imep=field(lambda s: s.net),
        pumping_mep=field(lambda s: s.pumping),
        exhaust_temperature=field(lambda s: s.exhaust_temperature),
        outcomes=tuple(tuple(Ending.NOT_SETTLED if s is None else s.outcome for s in row) for row in found),
    )


def _point(engine: EngineModel, speed: float, pressure: float, spark: float | None) -> OperatingState | None:
    try:
        angle = engine.best_spark(speed, pressure) if spark is None else spark
        return engine.state(speed, pressure, angle)
    except NoSolutionError:
        return None

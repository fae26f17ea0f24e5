"""Maps: settled cycles over a grid of speeds and loads, on all cores."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError, NoSolutionError
from ..results import Measure, Record, measure
from ..units import to_si
from .operating import OperatingState
from .resolved import ResolvedEngine
from .simulate import PRESSURE, SPARK, SPEED

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["CycleMap", "simulate_map"]

Array = NDArray[np.float64]
MAP_RTOL, MAP_TOLERANCE = 1e-5, 5e-5


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CycleMap(Record):
    """Settled cycles over speed (columns) and manifold pressure (rows); not-a-number where the engine does not run."""

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
    outcomes: tuple[tuple[str, ...], ...] = dataclasses.field(repr=False)


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

    engine = ResolvedEngine(build, **options)

    def row_of(pressure: float) -> list[OperatingState | None]:
        # From high speed down: blow-back grows as speed falls, so below a speed at which the engine dies it is dead, and not run again.
        row: list[OperatingState | None] = [None] * columns.size
        dead: OperatingState | None = None
        for k in np.argsort(columns)[::-1]:
            row[k] = dead if dead is not None else _point(engine, float(columns[k]), pressure, angle)
            here = row[k]
            if here is not None and here.air <= 0.0:
                dead = here
        return row

    found: list[list[OperatingState | None]] = []
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        for row in pool.map(row_of, map(float, rows)):
            found.append(row)
            if progress:
                progress(len(found) / rows.size)

    def field(value: Callable[[OperatingState], float]) -> Array:
        return np.array([[np.nan if s is None or s.air <= 0.0 else value(s) for s in row] for row in found])

    return CycleMap(
        cam=build.cam.name,
        speed=columns,
        manifold_pressure=rows,
        spark=field(lambda s: s.spark),
        burned_fraction=field(lambda s: s.burned_fraction),
        blow_back=field(lambda s: s.blow_back / s.trapped),
        fresh_air=field(lambda s: s.air),
        net_imep=field(lambda s: s.net),
        pumping_mep=field(lambda s: s.pumping),
        exhaust_temperature=field(lambda s: s.exhaust_temperature),
        outcomes=tuple(tuple("no answer" if s is None else "dying" if s.air <= 0.0 else "settled" for s in row) for row in found),
    )


def _point(engine: ResolvedEngine, speed: float, pressure: float, spark: float | None) -> OperatingState | None:
    try:
        angle = engine.best_spark(speed, pressure) if spark is None else spark
        return engine.state(speed, pressure, angle)
    except NoSolutionError:
        return None

"""A log reviewed for a build: with the engine's own ceilings, knock limits and torque per degree of spark."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from ..advice.table_ceilings import ceilings_on_table
from ..constants import torque_of_mean_pressure
from ..cycle.load_axis import pressure_of_load
from ..cycle.models import engine_kind
from ..cycle.operating import EngineModel
from ..sheet import Build
from ..tables.table import SparkTable
from .drive_log import DriveLog
from .review import LogReview, review_log

__all__ = ["review_for_build", "torque_per_degree"]

# Half step of spark over which torque is followed [crank deg]; ESTIMATE, well above the cycle's own scatter.
SPARK_STEP = 2.0


def review_for_build(
    log: DriveLog,
    build: Build,
    table: SparkTable | None = None,
    *,
    engine: EngineModel | None = None,
    ceilings: bool = True,
    no_knock_heard: bool = False,
) -> LogReview:
    """Review a log against what its build allows: ceilings, knock limits, torque per degree of spark. Some minutes with a table.

    Parameters
    ----------
    log : DriveLog
    build : Build
    table : SparkTable
        The table that was in the car.
    engine : EngineModel
        Of the build; made when left out.
    ceilings : bool
        Whether the engine is asked at all. Without it cells are judged by slopes alone, in seconds, and no spark is given back.
    no_knock_heard : bool
        Somebody listened all the time and heard no knock; counts only where the log cannot tell, and for one degree at a time.

    Returns
    -------
    LogReview

    Raises
    ------
    InputError
        If log and table do not have the same kind of load, or the engine model is for teaching only.

    Examples
    --------
    >>> from camcalc import load_build, read_log, read_table
    >>> build = load_build("examples/quarry-road/build.toml")
    >>> log, table = read_log("examples/steep-table/before.csv"), read_table("examples/steep-table/steep.csv")
    >>> review_for_build(log, build, table, ceilings=False).main_cause.code
    'table'
    """
    if not ceilings:
        return review_log(log, table, build=build, no_knock_heard=no_knock_heard)
    model: EngineModel = engine_kind("resolved")(build) if engine is None else engine
    about: dict[str, Any] = {}
    if table is not None:
        found = ceilings_on_table(model, table.si.speed, table.loads, table.load_kind)
        about = {"ceiling": found.ceiling, "best": found.best, "knock": found.knock, "raise_margin": build.limits.spark_margin}
        about |= {"floor": found.floor, "uncured": np.isfinite(found.ceiling) & ~found.cured}
        about["torque_per_degree"] = torque_per_degree(model, table)
    return review_log(log, table, build=build, engine=model, no_knock_heard=no_knock_heard, **about)


def torque_per_degree(engine: EngineModel, table: SparkTable) -> Callable[[float, float], float]:
    """Return a function for torque per degree of spark on a table [N m per crank deg], of speed [rev/s] and load [inner unit of the table's].

    Parameters
    ----------
    engine : EngineModel
    table : SparkTable
    """

    def per_degree(speed: float, load: float) -> float:
        spark = float(table.spark_at(speed, load))
        pressure = pressure_of_load(engine, speed, load, spark, table.load_kind)
        rise = engine.state(speed, pressure, spark + SPARK_STEP).net - engine.state(speed, pressure, spark - SPARK_STEP).net
        return float(torque_of_mean_pressure(rise, engine.geometry.displacement) / (2.0 * SPARK_STEP))

    return per_degree

"""Every gear of a car on one spark table, with the idle in neutral: what ``camcalc surge`` shows."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from ..codes import AppliesTo
from ..cycle.models import engine_kind
from ..logs.swing import measure_swing
from ..results import Record
from ..vehicle.coupling import Coupling
from .engine_loop import surge_tables
from .idle_swing import IdleSwing, idle_swing_in_neutral
from .no_answer import NoRoadError, SkippedPoint
from .risk import risks_in, surge_risk
from .road_surge import RoadSurge

if TYPE_CHECKING:
    from ..cycle.engine_tables import EngineTables
    from ..cycle.operating import EngineModel
    from ..logs import DriveLog
    from ..sheet import Build
    from ..tables import SparkTable

__all__ = ["GearsOnTable", "surge_in_gears"]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class GearsOnTable(Record):
    """Each gear on the level road, the gears without any answer point by point, and how the idle in neutral swings, where the engine idles."""

    gears: tuple[RoadSurge, ...]
    no_answer: tuple[SkippedPoint, ...] = ()
    idle: IdleSwing | None = None
    swing_measured: bool = False
    applies_to: AppliesTo = AppliesTo.FINAL_SPARK

    @property
    def bad_gears(self) -> tuple[RoadSurge, ...]:
        """The gears with a speed not to go below."""
        return tuple(gear for gear in self.gears if gear.last_bad >= 0)


def surge_in_gears(
    build: Build,
    table: SparkTable,
    *,
    gears: Iterable[int] | None = None,
    coupling: Coupling | str = Coupling.LOCKED,
    swing_log: DriveLog | None = None,
    sources: bool = False,
    engine: EngineModel | None = None,
    engine_tables: EngineTables | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> GearsOnTable:
    """Return how hard a car surges on a spark table in each gear on the level road, and whether its idle hunts.

    Parameters
    ----------
    build : Build
    table : SparkTable
        Taken as final spark.
    gears : iterable of int
        Counted from 1; every gear when left out.
    coupling : Coupling or str
        ``"locked"``: clutch or locked converter. ``"converter"``: open converter.
    swing_log : DriveLog
        Take how far the signals swing from this log instead of the sheet's estimate.
    sources : bool
        Whether each gear is also driven without each of what shakes it, and on level tables.
    engine : EngineModel
        Of the build; made when left out.
    engine_tables : EngineTables
        Of the engine; made when left out, which takes most of the time.
    progress : callable
        Called with the share done, 0 to 1.

    Returns
    -------
    GearsOnTable

    Raises
    ------
    InputError
        If there is no such gear, or the table does not cover the road.

    Examples
    --------
    >>> import numpy as np
    >>> from camcalc import QuickEngine, load_build, read_table
    >>> from camcalc.cycle.engine_tables import engine_tables
    >>> build = load_build("examples/long-meadow/build.toml")
    >>> engine = QuickEngine(build)
    >>> coarse = engine_tables(engine, np.array([15.0, 25.0, 35.0]), np.linspace(20e3, 95e3, 6), np.array([10.0, 25.0, 40.0]))
    >>> table = read_table("examples/quarry-road/spark.csv")
    >>> found = surge_in_gears(build, table, gears=[3], engine=engine, engine_tables=coarse)
    >>> [gear.gear for gear in found.gears], abs(found.idle.si.damping) < 0.1
    ([3], True)
    """
    model: EngineModel = engine_kind("resolved")(build) if engine is None else engine
    tables = surge_tables(model) if engine_tables is None else engine_tables
    swing = measure_swing(swing_log, build=build, engine_tables=tables) if swing_log is not None else None
    asked = list(gears or range(1, len(build.vehicle.gear_ratios) + 1))
    shares = dict.fromkeys(asked, 0.0)

    def risk(gear: int) -> RoadSurge:
        def on(share: float) -> None:
            shares[gear] = share
            progress(sum(shares.values()) / len(asked))

        return surge_risk(build, table, gear=gear, engine_tables=tables, coupling=coupling, sources=sources, swing=swing, progress=on)

    risks = risks_in(asked, risk)
    return GearsOnTable(
        gears=tuple(one for one in risks if not isinstance(one, NoRoadError)),
        no_answer=tuple(skipped for one in risks if isinstance(one, NoRoadError) for skipped in one.skipped),
        idle=idle_swing_in_neutral(model, table),
        swing_measured=swing is not None,
    )

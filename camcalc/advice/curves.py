"""The curves and maps a brief is drawn from, computed once and kept as figures: drawing them computes nothing."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from ..array_record import ArrayRecord, ScalarMeasure
from ..cam.card import CamCard
from ..cycle.grid import CycleMap, map_of
from ..cycle.operating import EngineModel, barometer
from ..results import Measure, Record, measure

if TYPE_CHECKING:
    pass

__all__ = ["BriefCurves", "ResidualCurve", "ValveLifts", "brief_curves", "residual_curve", "valve_lifts"]

# Where a brief's map has its points [rpm], [kPa], and the spark of map and curve [crank deg before top dead centre]: common practice.
MAP_SPEEDS = range(600, 3601, 300)
MAP_LOADS = range(30, 96, 8)
SPARK = 30.0
# Where the curve of residual has its points [rev/s], and at which manifold pressure [Pa]: a cruise.
CURVE_SPEEDS = np.arange(600.0, 4001.0, 200.0) / 60.0
CURVE_PRESSURE = 60e3


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ValveLifts(ArrayRecord):
    """Lift of both valves along the crank, 0 at the top dead centre of the overlap, and where each leaves its seat and meets it."""

    AXES = ("angle",)

    cam: str
    angle: Measure = measure("crank_deg", doc="from overlap top dead centre")
    intake: Measure = measure("m", "mm")
    exhaust: Measure = measure("m", "mm")
    intake_opens: ScalarMeasure = measure("crank_deg", doc="seat, from overlap top dead centre")
    intake_closes: ScalarMeasure = measure("crank_deg")
    exhaust_opens: ScalarMeasure = measure("crank_deg")
    exhaust_closes: ScalarMeasure = measure("crank_deg")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ResidualCurve(ArrayRecord):
    """Residual over engine speed at one manifold pressure and spark; not-a-number where the engine does not run."""

    AXES = ("speed",)

    cam: str
    speed: Measure = measure("crank_rps", "rpm")
    residual: Measure = measure("", "percent", doc="burned gas over trapped charge, by mass")
    manifold_pressure: ScalarMeasure = measure("Pa", "kPa")
    spark: ScalarMeasure = measure("crank_deg", doc="before top dead centre")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class BriefCurves(Record):
    """What the plots of a brief show, new cam first; no maps from a model for teaching."""

    lifts: tuple[ValveLifts, ...]
    residual: tuple[ResidualCurve, ...]
    maps: tuple[CycleMap, ...]


def valve_lifts(cam: CamCard) -> ValveLifts:
    """Return the lift curves of a cam's valves as figures, every half crank degree.

    >>> from camcalc import load_build
    >>> lifts = valve_lifts(load_build("examples/quarry-road/build.toml").cam)
    >>> bool(lifts.si.intake_opens < 0.0 < lifts.si.exhaust_closes)
    True
    """
    angle = np.linspace(-330.0, 330.0, 1321)
    intake, exhaust = cam.lift_curve("intake"), cam.lift_curve("exhaust")
    edges = (*intake.seat_edges(), *exhaust.seat_edges())
    return ValveLifts(
        cam=cam.name,
        angle=angle,
        intake=intake.lift(angle),
        exhaust=exhaust.lift(angle),
        **dict(zip(("intake_opens", "intake_closes", "exhaust_opens", "exhaust_closes"), edges, strict=True)),
    )


def residual_curve(engine: EngineModel, *, pressure: float = CURVE_PRESSURE, spark: float = SPARK) -> ResidualCurve:
    """Return residual over engine speed.

    Parameters
    ----------
    engine : EngineModel
    pressure : float
        Manifold pressure [Pa], absolute, below the barometer.
    spark : float
        Spark [crank deg before top dead centre].

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> curve = residual_curve(QuickEngine(load_build("examples/quarry-road/build.toml")))
    >>> bool(curve.si.residual[0] > curve.si.residual[-1])
    True
    """
    # From high speed down: the easy end first.
    states = [engine.state(speed, pressure, spark) for speed in CURVE_SPEEDS[::-1]][::-1]
    found = np.array([state.burned_fraction if state.runs else np.nan for state in states])
    return ResidualCurve(cam=engine.build.cam.name, speed=CURVE_SPEEDS, residual=found, manifold_pressure=pressure, spark=spark)


def brief_curves(engine: EngineModel, replaced: EngineModel | None, progress: Callable[[float], None] | None = None) -> BriefCurves:
    """Return every curve and map of a brief.

    Parameters
    ----------
    engine, replaced : EngineModel
        With the new cam, and with the one it replaces where there is one.
    progress : callable
        Gets the share done.
    """
    say = progress or (lambda share: None)
    engines = [one for one in (engine, replaced) if one is not None]
    lifts = tuple(valve_lifts(one.build.cam) for one in engines)
    residual = tuple(residual_curve(one) for one in engines)
    maps = []
    if not engine.teaching_only:
        for k, one in enumerate(engines):
            say((k + 0.5) / (len(engines) + 0.5))
            maps.append(residual_map(one))
    say(1.0)
    return BriefCurves(lifts=lifts, residual=residual, maps=tuple(maps))


def residual_map(engine: EngineModel) -> CycleMap:
    """Return the map of residual over engine speed and the manifold pressures below the barometer."""
    loads = np.array([1e3 * load for load in MAP_LOADS if 1e3 * load < barometer(engine)])
    return map_of(engine, np.array(MAP_SPEEDS) / 60.0, loads, SPARK)

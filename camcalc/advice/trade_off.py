"""One cell at equal torque: what later spark does to vacuum, steadiness, heat, fuel, residual and torque per degree."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..array_record import ArrayRecord, ScalarMeasure
from ..cautions import AT_TRADE_OFF, Caution
from ..codes import Code
from ..constants import mean_pressure_of_torque, torque_of_mean_pressure
from ..cycle.best_torque import EARLIEST, spark_ends
from ..cycle.operating import EngineModel, barometer
from ..cycle.work_variation import Spread, best_counted, work_spread
from ..errors import InputError, NoSolutionError
from ..marks import Mark, Marks, marks_where, merged_marks
from ..results import Measure, Record, measure
from ..units import Bounds, to_si
from .equal_torque import cycles_holding, equal_torque_line
from .idle_balance import load_terms
from .late_burn import past_limit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ..cycle.operating import OperatingState
    from ..units import Quantity

    Floats = NDArray[np.float64]

__all__ = ["LineEnd", "ToCeiling", "TradeOff", "to_ceiling", "trade_off", "trade_off_at"]

SPEED = Bounds("crank_rps", 300.0 / 60.0, 9000.0 / 60.0, "rpm")
TORQUE = Bounds("N*m", 0.0, 3000.0)
PRESSURE = Bounds("Pa", 10e3, 110e3, "kPa")
CEILING = Bounds("crank_deg", -20.0, 70.0)
# Sparks ahead of best torque that show it as the top of a curve [crank deg].
AHEAD = (8.0, 4.0)
# Half step over which torque per degree is taken [crank deg].
HALF_STEP = 2.0
# An exhaust that moves less than this over the whole strip does not answer to spark in the model [K].
UNMOVED = 1e-6
# A ceiling this near to the lesser of best torque and knock changes nothing [crank deg].
NO_CHANGE = 0.5


class LineEnd(Code):
    """Why a line of equal torque ends where it does."""

    LATEST_BURN = "the last spark burns later than the sheet allows"
    HOTTEST_EXHAUST = "the last spark makes the exhaust hotter than the sheet allows"
    NO_MORE_AIR = "beyond the last spark no throttle opening gives the torque, or the search ends"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ToCeiling(Record):
    """What going from the lesser of best torque and knock to the ceiling does at equal torque; changes are at the ceiling less at the other.

    The exhaust is missing where the model's does not answer to spark.
    """

    from_spark: Measure = measure("crank_deg", doc="lesser of best torque and knock limit")
    to_spark: Measure = measure("crank_deg", doc="the ceiling")
    fuel_change: Measure = measure("", "percent", doc="over the fuel at the first spark")
    exhaust_change: Measure = measure("K", "K")
    variation_change: Measure = measure("", "percent", doc="points of COV of IMEP")
    missed_change: Measure = measure("", "percent", doc="points of missed cycles")
    torque_per_degree_from: Measure = measure("N*m/crank_deg")
    torque_per_degree_to: Measure = measure("N*m/crank_deg")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class TradeOff(ArrayRecord):
    """One torque at one speed, over spark: earliest first. Each point holds the torque with its own manifold pressure.

    ``torque_per_degree`` is taken at held pressure: what a table's slope of one degree per cell does to torque from one cell to
    the next. It is nought at best torque, and grows with retard: so does all that comes through the table's slopes. Where the earliest
    spark searched stands in for best torque, it is not yet nought there.

    ``marks`` says which sparks knock or pass the sheet's limits, and which figures are an end of the search. Without
    ``knock_known`` the model computes no knock, and no mark does not mean that none is there.
    """

    AXES = ("spark",)

    model: str
    speed: ScalarMeasure = measure("crank_rps", "rpm")
    torque: ScalarMeasure = measure("N*m", doc="at the crank, rubbing friction paid, accessories off")
    best_spark: ScalarMeasure = measure("crank_deg", doc="best torque on this line, before top dead centre")
    knock_spark: ScalarMeasure = measure(
        "crank_deg", doc="earliest without knock at best torque's pressure; missing where none searched knocks or the model does not know"
    )
    ceiling: ScalarMeasure = measure("crank_deg", doc="of the cell, if given")
    spark: Measure = measure("crank_deg", doc="before top dead centre")
    knock_limit: Measure = measure("crank_deg", doc="earliest without knock at each spark's own pressure; missing as knock_spark")
    manifold_pressure: Measure = measure("Pa", "kPa")
    manifold_vacuum: Measure = measure("Pa", "inHg")
    imep_variation: Measure = measure("", "percent", doc="coefficient of variation of gross IMEP, missed cycles counted")
    missed: Measure = measure("", "percent", doc="cycles whose flame dies at the plug")
    partial: Measure = measure("", "percent", doc="cycles that burn over a fifth less fuel than the usual one there")
    burned_fraction: Measure = measure("", "percent", doc="burned gas over trapped charge by mass")
    half_burned: Measure = measure("crank_deg", doc="half burned, after top dead centre")
    exhaust_temperature: Measure = measure("K", "degC", doc="at the port, as computed here; missing where the model's does not answer to spark")
    fuel_flow: Measure = measure("kg/s", "g/s")
    fuel_per_work: Measure = measure("kg/J", "g/kW/hour", doc="over work at the crank; missing without torque")
    torque_per_degree: Measure = measure("N*m/crank_deg", doc="what a slope of one degree per cell does to torque, from cell to cell")
    latest_half_burned: ScalarMeasure = measure("crank_deg", doc="the sheet's limit, after top dead centre")
    hottest_exhaust: ScalarMeasure = measure("K", "degC", doc="the sheet's limit")
    barometer: ScalarMeasure = measure("Pa", "kPa")
    knock_known: bool
    ends: LineEnd
    to_ceiling: ToCeiling | None = None
    cautions: tuple[Caution, ...] = AT_TRADE_OFF
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


def trade_off(
    engine: EngineModel,
    *,
    speed: Quantity | str,
    torque: Quantity | str | None = None,
    manifold_pressure: Quantity | str | None = None,
    ceiling: Quantity | str | None = None,
) -> TradeOff:
    """Return what spark trades at a cell: vacuum, variation, misses, heat, fuel, residual and torque per degree along the line of equal torque.

    Parameters
    ----------
    engine : EngineModel
    speed : quantity [crank speed]
    torque : quantity [torque]
        At the crank. Either this or ``manifold_pressure``.
    manifold_pressure : quantity [pressure]
        Absolute; the torque is then what best-torque spark makes there.
    ceiling : quantity [crank angle]
        The cell's spark ceiling, to be marked.

    Raises
    ------
    InputError
        If neither or both of torque and pressure are given, or the engine does not carry itself at that pressure.
    NoSolutionError
        If the torque is out of reach, with the most there is.

    Notes
    -----
    The line runs from a little ahead of best torque to the latest burn or hottest exhaust that the sheet allows, which its last point passes.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> strip = trade_off(QuickEngine(load_build("examples/quarry-road/build.toml")), speed="1400 rpm", manifold_pressure="50 kPa")
    >>> bool(strip.manifold_vacuum[-1] < strip.manifold_vacuum[2])
    True
    """
    if (torque is None) == (manifold_pressure is None):
        came = "neither" if torque is None else "both"
        raise InputError("torque and manifold_pressure", came=came, expected="one of them", fix='e.g. torque="60 N m", or manifold_pressure="50 kPa"')
    turns = float(to_si(speed, "speed", SPEED))
    limit = math.nan if ceiling is None else float(to_si(ceiling, "ceiling", CEILING))
    rubbing = load_terms(engine, turns, drive=False, accessories=False).friction
    if torque is not None:
        net = mean_pressure_of_torque(float(to_si(torque, "torque", TORQUE)), engine.geometry.displacement) + rubbing
        return trade_off_at(engine, turns, net, ceiling=limit)
    pressure = float(to_si(manifold_pressure, "manifold_pressure", PRESSURE))
    if pressure > barometer(engine):
        raise InputError("manifold_pressure", came=f"{manifold_pressure}", expected=f"at most the barometer, {barometer(engine) / 1e3:.1f} kPa here")
    net = work_spread(engine, turns, pressure, best_counted(engine, turns, pressure)).net
    if net < rubbing:
        raise InputError("manifold_pressure", came=f"{manifold_pressure}", expected="enough for the engine to carry itself", fix="ask for a fuller cell")
    return trade_off_at(engine, turns, net, ceiling=limit)


def trade_off_at(engine: EngineModel, speed: float, net: float, *, ceiling: float = math.nan) -> TradeOff:
    """Return the strip at a speed [rev/s] for a net IMEP [Pa]; ``ceiling`` in crank deg.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    net : float
        Net IMEP to be held [Pa].
    ceiling : float
        The cell's, before top dead centre [crank deg]; not a number where there is none.

    Raises
    ------
    NoSolutionError
        If the torque is out of reach.
    """
    line = equal_torque_line(engine, speed, net)
    if not line:
        raise NoSolutionError(f"no line of equal torque was found at {speed * 60:.0f} rpm", fix="ask for a little more torque")
    best, near = line[0].spark, line[0].spread.mean.manifold_pressure
    early = [(s, cycles_holding(engine, speed, net, s, near=near)) for s in (best + a for a in AHEAD) if s <= EARLIEST]
    held = [*((s, spread) for s, spread in early if spread is not None), *line]
    return _strip(engine, speed, net, best, ceiling, held)


def _strip(engine: EngineModel, speed: float, net: float, best: float, ceiling: float, held: Sequence[tuple[float, Spread]]) -> TradeOff:
    states = [spread.mean for _, spread in held]
    displacement = engine.geometry.displacement
    torque = torque_of_mean_pressure(net - load_terms(engine, speed, drive=False, accessories=False).friction, displacement)
    pressure = np.array([s.manifold_pressure for s in states])
    fuel = np.array([s.fuel for s in states]) * engine.geometry.cylinders * speed / 2.0
    exhaust = np.array([s.exhaust_temperature for s in states])
    slopes = [_torque_per_degree(engine, speed, s.manifold_pressure, spark) for spark, s in zip((spark for spark, _ in held), states, strict=True)]
    knocks = np.array([engine.knock_spark(speed, float(p)) for p in pressure])
    knock = float(knocks[min(len(pressure) - 1, sum(s > best for s, _ in held))])
    if np.ptp(exhaust) < UNMOVED:
        exhaust = np.full_like(exhaust, np.nan)
    limits = engine.build.limits.si
    strip = TradeOff(
        model=engine.name,
        speed=speed,
        torque=torque,
        best_spark=best,
        knock_spark=float(_known(knock)),
        ceiling=ceiling,
        spark=np.array([spark for spark, _ in held]),
        knock_limit=_known(knocks),
        manifold_pressure=pressure,
        manifold_vacuum=barometer(engine) - pressure,
        imep_variation=np.array([spread.variation for _, spread in held]),
        missed=np.array([spread.missed for _, spread in held]),
        partial=np.array([spread.partial for _, spread in held]),
        burned_fraction=np.array([s.burned_fraction for s in states]),
        half_burned=np.array([s.half_burned for s in states]),
        exhaust_temperature=exhaust,
        fuel_flow=fuel,
        fuel_per_work=fuel / (2.0 * math.pi * speed * torque) if torque > 0.0 else np.full_like(fuel, np.nan),
        torque_per_degree=np.array(slopes),
        latest_half_burned=limits.latest_half_burned,
        hottest_exhaust=limits.hottest_exhaust,
        barometer=barometer(engine),
        knock_known=not math.isnan(knock),
        ends=_end(engine, states[-1]),
    )
    marks = _marks(strip, knocks=knocks, late=np.array([past_limit(engine, s) for s in states]))
    return strip.replace(to_ceiling=to_ceiling(strip), marks=marks)


def _known(knock: Floats | float) -> Floats:
    """Return knock limits [crank deg], missing where none searched knocks."""
    return np.where(np.isfinite(knock), knock, np.nan)


def _marks(strip: TradeOff, *, knocks: Floats, late: NDArray[np.bool_]) -> dict[str, Marks]:
    """Return which sparks knock or pass the sheet's limits, and which figures are an end of the search for spark."""
    si = strip.si
    return {
        "spark": merged_marks(marks_where(si.spark > knocks, Mark.KNOCKS), marks_where(late, Mark.PAST_LIMIT)),
        "best_spark": merged_marks(marks_where(si.best_spark > si.knock_spark, Mark.KNOCKS), spark_ends(si.best_spark)),
        "knock_spark": spark_ends(si.knock_spark),
        "knock_limit": spark_ends(si.knock_limit),
        "ceiling": spark_ends(si.ceiling),
    }


def to_ceiling(strip: TradeOff) -> ToCeiling | None:
    """Return what going down to the ceiling does on a strip; None where the strip does not reach it, or it asks for nothing."""
    si = strip.si
    top = float(np.fmin(si.best_spark, si.knock_spark))
    if not float(si.spark.min()) <= si.ceiling < top - NO_CHANGE:
        return None

    def at(values: Floats) -> Floats:
        return np.interp([top, si.ceiling], si.spark[::-1], values[::-1])

    fuel, exhaust, varies, misses, slope = (at(v) for v in (si.fuel_flow, si.exhaust_temperature, si.imep_variation, si.missed, si.torque_per_degree))
    return ToCeiling(
        from_spark=top,
        to_spark=si.ceiling,
        fuel_change=float(fuel[1] / fuel[0] - 1.0),
        exhaust_change=float(exhaust[1] - exhaust[0]),
        variation_change=float(varies[1] - varies[0]),
        missed_change=float(misses[1] - misses[0]),
        torque_per_degree_from=float(slope[0]),
        torque_per_degree_to=float(slope[1]),
    )


def _torque_per_degree(engine: EngineModel, speed: float, pressure: float, spark: float) -> float:
    """Return how torque [N m] of all cycles moves per degree of spark at a held pressure [Pa]."""
    late, early = (work_spread(engine, speed, pressure, spark + by).net for by in (-HALF_STEP, HALF_STEP))
    return torque_of_mean_pressure((early - late) / (2.0 * HALF_STEP), engine.geometry.displacement)


def _end(engine: EngineModel, last: OperatingState) -> LineEnd:
    """Return why the line ends at its last cycle."""
    limits = engine.build.limits.si
    if last.half_burned > limits.latest_half_burned:
        return LineEnd.LATEST_BURN
    return LineEnd.HOTTEST_EXHAUST if last.exhaust_temperature > limits.hottest_exhaust else LineEnd.NO_MORE_AIR

"""Why one cell of the spark table gets the ceiling it gets."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import sympy

from ..advice.equal_torque import LevelOfSpark
from ..advice.spark import PRESSURES, uncured_mark
from ..advice.spark_limits import (
    BINDS_BELOW,
    NORMAL_RUNNING,
    WIDEST_SWING,
    Binds,
    CeilingCell,
    CeilingColumn,
    CellState,
    Swing,
    ceiling_column,
    charge_spread,
    half_swing,
    least_road_pressure,
)
from ..cautions import OVER_SPARK_TABLE, Caution
from ..codes import Code
from ..cycle.best_torque import spark_ends
from ..cycle.operating import EngineModel, OperatingState, barometer
from ..cycle.simulate import PRESSURE, SPEED
from ..cycle.work_variation import work_spread
from ..errors import InputError, NoSolutionError
from ..marks import Mark
from ..units import quantity, to_si
from .idle_topics import resolved_engine
from .origins import CYCLE, of_barometer, of_sheet
from .worksheet import Explanation, Worksheet

if TYPE_CHECKING:
    from ..sheet import Build
    from ..units import Quantity

__all__ = ["explain_ceiling"]

# Looked at when no speed is asked for: where street cars with long cams cruise in a tall gear, and where the zone most often lies.
USUAL_SPEED = 1400.0 / 60.0


class _Visit(NamedTuple):
    """The state that a swing starts from, and its variation."""

    state: OperatingState
    variation: float


def explain_ceiling(
    build: Build, *, speed: Quantity | str | None = None, manifold_pressure: Quantity | str | None = None, engine: EngineModel | None = None
) -> Explanation:
    """Explain the limits of one cell, which of them binds, and what the floor makes of it; by default a cell that has a ceiling at 1400 rpm.

    Parameters
    ----------
    build : Build
    speed : quantity [crank speed]
        1400 rpm when left out.
    manifold_pressure : quantity [pressure]
        Absolute. A cell that has a ceiling when left out.
    engine : EngineModel
        Of the build; a crank-resolved one is made when left out.
    """
    engine = resolved_engine(build) if engine is None else engine
    n = USUAL_SPEED if speed is None else float(to_si(speed, "speed", SPEED))
    column, cell = _cell(engine, n, None if manifold_pressure is None else float(to_si(manifold_pressure, "manifold_pressure", PRESSURE)))
    if not math.isfinite(cell.limit):
        raise NoSolutionError(f"{n * 60:.0f} rpm, {cell.pressure / 1e3:.1f} kPa: {cell.state}", fix="ask for a fuller cell or a higher speed")
    sheet = Worksheet()
    best = _spark(sheet, "a_best", "MBT spark of the mean cycle", cell.best, Mark.KNOCKS if cell.best > cell.knock else None)
    own = [best] if not math.isfinite(cell.knock) else [best, _spark(sheet, "a_knock", "knock limit", cell.knock)]
    words = "The cell's own limit: MBT spark" + (", since no spark searched knocks." if len(own) == 1 else " or knock limit, whichever is less.")
    own_limit = sheet.step(words, "a_own", "MBT spark and knock limit", sympy.Min(*own), "crank_deg", _end)
    asked = _asked(sheet, engine, column, cell)
    if math.isfinite(cell.steadiness):
        asked.append(_spark(sheet, "a_steady", f"largest steady spark at equal torque, at {cell.steady_pressure / 1e3:.1f} kPa", cell.steadiness))
    answers, reading = _verdict(sheet, cell, own_limit, asked)
    return Explanation(
        topic="ceiling",
        question=f"How much final spark may the cell at {n * 60:.0f} rpm and {cell.pressure / 1e3:.0f} kPa have, and which limit decides?",
        build=build.name,
        steps=tuple(sheet.steps),
        answers=sheet.answers(*answers),
        reading=reading,
        limits=(
            "A ceiling limits final spark, the table plus every correction. A ceiling is no target.",
            "Knock is an estimate from a published induction time for the mean cycle. No figure replaces listening.",
            "Only cells with an unsteady charge have a ceiling, and only where the level road needs them in a gear to be kept smooth.",
            "How far a swing reaches, and how late a burn may be, are estimates and inputs of the sheet.",
        ),
        try_it="Ask for a cell 10 kPa fuller. Is its MBT spark more or less than this one's? What would a steep step between them do?",
        cautions=(*OVER_SPARK_TABLE, Caution.KNOCK_IS_ESTIMATED),
        source_keys=("heywood1988", "daw1996", "douaud1978", "livengood1955", "metghalchi1982", "practice", "estimate"),
        carried_by=("a_lim", "a_ceil"),
    )


def _spark(sheet: Worksheet, name: str, meaning: str, value: float, mark: Mark | None = None) -> Any:
    mark = mark or _end(value)
    return sheet.given(name, f"{meaning}, BTDC", quantity(value, "crank_deg"), CYCLE, mark)


def _end(value: float) -> Mark | None:
    """Return the mark of a spark [crank deg] that is an end of the search."""
    found = spark_ends(value)
    return found if isinstance(found, Mark) else None


def _cell(engine: EngineModel, speed: float, pressure: float | None) -> tuple[CeilingColumn, CeilingCell]:
    """Return the column of a speed and the cell asked for: else one that spark cures, else one with a ceiling, else the one next to the road's load."""
    ambient = barometer(engine)
    if pressure is not None and pressure >= ambient:
        came = f"{pressure / 1e3:.1f} kPa"
        raise InputError("manifold_pressure", came=came, expected=f"less than the barometer's {ambient / 1e3:.1f} kPa", fix="give it absolute, not as vacuum")
    loads = {float(p) for p in PRESSURES if p < ambient} | ({pressure} if pressure is not None else set())
    column = ceiling_column(engine, speed, sorted(loads))
    if pressure is not None:
        return column, next(c for c in column.cells if c.pressure == pressure)
    ranked = sorted(column.cells, key=lambda c: (not math.isfinite(c.ceiling), c.binds is Binds.LATEST_USEFUL))
    if math.isfinite(ranked[0].ceiling):
        return column, ranked[0]
    road = least_road_pressure(engine, speed, near=min(loads)) or max(loads)
    running = [c for c in column.cells if math.isfinite(c.limit)] or column.cells
    return column, min(running, key=lambda c: abs(c.pressure - road))


def _swing_at(engine: EngineModel, speed: float, pressure: float) -> tuple[Swing, _Visit]:
    """Return the swing about a pressure [Pa] and the state it starts from."""
    best = engine.best_spark(speed, pressure)
    spread = work_spread(engine, speed, pressure, best)
    width = half_swing(engine, spread.mean, spread.variation)
    full = min(pressure * (1.0 + width), barometer(engine))
    fuller = min(engine.best_spark(speed, full), _finite(engine.knock_spark(speed, full)))
    strong = engine.best_spark(speed, pressure, burned_fraction=max(charge_spread(engine, spread.mean).cleanest, 0.0))
    return Swing(pressure, width, strong, fuller), _Visit(spread.mean, spread.variation)


def _finite(spark: float) -> float:
    return math.inf if math.isnan(spark) else spark


def _asked(sheet: Worksheet, engine: EngineModel, column: CeilingColumn, cell: CeilingCell) -> list[Any]:
    """Work out the least spark that a swing visiting the cell stands; nothing where none visits."""
    if not math.isfinite(cell.cleanest):
        return []
    swings = [c.own_swing for c in column.cells if math.isfinite(c.strong)]
    visiting = [s for s in [_swing_at(engine, cell.speed, column.restless_to)[0], *swings] if s.visits(cell.pressure)]
    decides = min(visiting, key=lambda s: s.asked)
    swing, visit = _swing_at(engine, cell.speed, decides.pressure)
    p_s = sheet.given("p_s", f"load of the swing with the least limit, where up to {column.restless_to / 1e3:.1f} kPa cycles vary more than "
                      f"the {NORMAL_RUNNING:.0%} of normal running", quantity(swing.pressure, "Pa", "kPa"), CYCLE)  # fmt: skip
    width = _width(sheet, engine, visit)
    p = sheet.given("p", "the cell's own load", quantity(cell.pressure, "Pa", "kPa"), "cell")
    words = "The lookup follows the load swing. It visits this cell: the cell is no further away than the swing is wide."
    sheet.step(words, "D", "distance of the cell over the load", sympy.Abs(p / p_s - 1), "percent")
    p_b = sheet.given("p_b", "barometer", quantity(barometer(engine), "Pa", "kPa"), of_barometer(engine.build))
    full = sheet.step("The fullest charge of the swing.", "p_full", "load at the top of the swing", sympy.Min(p_s * (1 + width), p_b), "kPa")
    return [_least(sheet, engine, cell.speed, swing, sheet.number(full, "Pa"))]


def _width(sheet: Worksheet, engine: EngineModel, visit: _Visit) -> Any:
    back = sheet.given("m_o", "reversion during overlap there", quantity(visit.state.blow_back, "kg", "mg"), CYCLE)
    trapped = sheet.given("m_t", "charge trapped there", quantity(visit.state.trapped, "kg", "mg"), CYCLE)
    variation = sheet.given("V_c", "COV of gross work there", quantity(visit.variation, "", "percent"), CYCLE)
    factor = sheet.given("k_w", "the sheet's swing factor", engine.build.limits.swing_factor, of_sheet(engine.build, "limits", "swing_factor"))
    widest = sheet.given("w_max", "widest swing followed", quantity(WIDEST_SWING, "", "percent"), "ESTIMATE")
    words = "In the low-speed zone the charge is unsteady. It swings with reversion and with the strength of the cycles."
    formula = sympy.Min(factor * (back / trapped + sympy.Min(variation, widest)), widest)
    return sheet.step(words, "w", "half the load swing, over the load", formula, "percent")


def _least(sheet: Worksheet, engine: EngineModel, speed: float, swing: Swing, full: float) -> Any:
    states = [_spark(sheet, "a_strong", "MBT spark of the strong cycle that follows a weak one", swing.strong)]
    states.append(_spark(sheet, "a_full", "MBT spark of the fullest charge", engine.best_spark(speed, full)))
    knock = engine.knock_spark(speed, full)
    if math.isfinite(knock):
        states.append(_spark(sheet, "a_fullknock", "knock limit of the fullest charge", knock))
    words = "All states of the swing get nearly the same spark, so the one with the least limit decides."
    return sheet.step(words, "a_clean", "least limit in the load swing", sympy.Min(*states), "crank_deg", _end)


def _verdict(sheet: Worksheet, cell: CeilingCell, own_limit: Any, asked: list[Any]) -> tuple[list[Any], str]:
    """Put the limits together: which binds, and what the floor makes of it."""
    if not asked:
        least = sheet.step("No load swing visits this cell, so nothing else limits it.", "a_lim", "least limit", own_limit, "crank_deg", _end)
        return [least], "No ceiling: this cell is outside the low-speed zone. MBT spark and knock limit decide here." + _said(cell)
    ask = asked[0]
    if len(asked) > 1:
        ask = sheet.step("The lesser of steadiness and load swing.", "a_ask", "limit by the low-speed zone", sympy.Min(*asked), "crank_deg", _end)
    least = sheet.step("The least of all limits.", "a_lim", "least limit", sympy.Min(own_limit, ask), "crank_deg", _end)
    words = f"It is a ceiling where it is {BINDS_BELOW:g} degrees or more below MBT spark and knock limit, or where cycles are too rough."
    margin = sheet.step(words, "q", "by how much less", own_limit - ask, "crank_deg")
    if not math.isfinite(cell.ceiling):
        return [least, margin], "No ceiling: MBT spark or knock limit decides here." + _said(cell)
    late = Mark.OR_MORE if cell.floor >= cell.best else None  # even best torque burns too late
    floor = _spark(sheet, "a_floor", "latest useful spark: later, the burn is too late or the exhaust too hot", cell.floor, late)
    words = "Never later than the latest useful spark, and never above MBT spark and knock limit."
    uncured = cell.binds is Binds.LATEST_USEFUL
    formula = sympy.Max(ask, sympy.Min(floor, own_limit))
    ceiling = sheet.step(words, "a_ceil", "ceiling of final spark", formula, "crank_deg", lambda value: uncured_mark(value) if uncured else _end(value))
    bracket = ""
    if uncured:
        bracket = " Spark alone cannot fix this cell. The latest useful spark is shown in brackets: do not enter it. Raise speed, change gear or cam."
    return [ceiling, least], (_limit(cell) + bracket + _said(cell)).strip()


def _limit(cell: CeilingCell) -> str:
    """Return which limit the ceiling rests on, where spark keeps it."""
    return "" if cell.binds is None or cell.binds is Binds.LATEST_USEFUL else f"It rests on: {cell.binds}."


def _said(cell: CeilingCell) -> str:
    """Return what else is found of a cell: that idle rules count there, or that the level of spark does not make it steady."""
    told: list[Code] = [cell.state] if cell.state is not CellState.RUNS else []
    told += [cell.level] if cell.level in (LevelOfSpark.FLATTEN, LevelOfSpark.NOT_CURED) else []
    return "".join(f" {str(code)[:1].upper()}{str(code)[1:]}." for code in told)

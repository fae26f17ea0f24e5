"""Why one cell of the spark table gets the ceiling it gets."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import sympy

from ..advice.load_swing import DEVIATIONS, STILL, WIDEST_SWING
from ..advice.spark import PRESSURES, uncured_mark
from ..advice.spark_limits import (
    BEYOND_DATA,
    BINDS_BELOW,
    SETTLED_BY,
    Binds,
    CeilingCell,
    CellState,
    ceiling_column,
    least_road_pressure,
)
from ..cautions import OVER_SPARK_TABLE, Caution
from ..cycle.best_torque import spark_ends
from ..cycle.operating import EngineModel, barometer
from ..cycle.simulate import PRESSURE, SPEED
from ..cycle.work_variation import MOST_MISSED
from ..errors import InputError, NoSolutionError
from ..marks import Mark
from ..units import quantity, to_si
from .idle_topics import resolved_engine
from .kernel_steps import kernel_steps
from .origins import CYCLE, of_barometer
from .worksheet import Explanation, Worksheet

if TYPE_CHECKING:
    from ..sheet import Build
    from ..units import Quantity

__all__ = ["USUAL_SPEED", "cell_of", "explain_ceiling"]

# The step that carries the point, by what binds: the spark energy that a young flame asks for, or the fullest charge.
CARRIES = {
    Binds.MISSED_CYCLES: "E_k",
    Binds.MISSES_COUNTED: "E_k",
    Binds.LATEST_USEFUL: "E_k",
    Binds.FULLEST_CHARGE: "f",
    Binds.KNOCK_OF_FULLEST: "f",
}
# Looked at when no speed is asked for: where street cars with long cams cruise in a tall gear, and where the zone most often lies.
USUAL_SPEED = 1400.0 / 60.0


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
    cell = cell_of(engine, n, None if manifold_pressure is None else float(to_si(manifold_pressure, "manifold_pressure", PRESSURE)))
    if not math.isfinite(cell.limit):
        raise NoSolutionError(f"{n * 60:.0f} rpm, {cell.pressure / 1e3:.1f} kPa: {cell.state}", fix="ask for a fuller cell or a higher speed")
    sheet = Worksheet()
    best = _spark(sheet, "a_best", "MBT spark of the mean cycle", cell.best, Mark.KNOCKS if cell.best > cell.knock else None)
    own = [best] if not math.isfinite(cell.knock) else [best, _spark(sheet, "a_knock", "knock limit", cell.knock)]
    words = "The cell's own limit: MBT spark" + (", since no spark searched knocks." if len(own) == 1 else " or knock limit, whichever is less.")
    own_limit = sheet.step(words, "a_own", "MBT spark and knock limit", sympy.Min(*own), "crank_deg", _end)
    kernel_steps(sheet, engine, cell, cell.own)
    asked = _asked(sheet, engine, cell)
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
            f"Ignition figures come from one ordinary engine. Above {BEYOND_DATA:.0%} residual nothing is measured: direction, not degrees.",
            "Wet walls, charge left in layers and other cylinders' exhaust pulses are not in it. How late a burn may be is an input of the sheet.",
        ),
        try_it="Ask for a cell 10 kPa fuller. Is its residual more or less than this one's? What does that do to the energy asked for?",
        cautions=(*OVER_SPARK_TABLE, Caution.KNOCK_IS_ESTIMATED),
        source_keys=("ballal1981", "abdelgayed1987", "huang2007", "daw1996", "douaud1978", "livengood1955", "practice", "estimate"),
        carried_by=("a_own" if cell.binds is None else CARRIES[cell.binds], "a_ceil" if math.isfinite(cell.ceiling) else "a_lim"),
    )


def _spark(sheet: Worksheet, name: str, meaning: str, value: float, mark: Mark | None = None) -> Any:
    mark = mark or _end(value)
    return sheet.given(name, f"{meaning}, BTDC", quantity(value, "crank_deg"), CYCLE, mark)


def _end(value: float) -> Mark | None:
    """Return the mark of a spark [crank deg] that is an end of the search."""
    found = spark_ends(value)
    return found if isinstance(found, Mark) else None


def cell_of(engine: EngineModel, speed: float, pressure: float | None) -> CeilingCell:
    """Return the cell asked for: else one that spark cures, else one with a ceiling, else the one next to the road's load."""
    ambient = barometer(engine)
    if pressure is not None and pressure >= ambient:
        came = f"{pressure / 1e3:.1f} kPa"
        raise InputError("manifold_pressure", came=came, expected=f"less than the barometer's {ambient / 1e3:.1f} kPa", fix="give it absolute, not as vacuum")
    loads = [pressure] if pressure is not None else sorted(float(p) for p in PRESSURES if p < ambient)
    column = ceiling_column(engine, speed, loads)
    if pressure is not None:
        return column.cells[0]
    ranked = sorted(column.cells, key=lambda c: (not math.isfinite(c.ceiling), c.binds is Binds.LATEST_USEFUL))
    if math.isfinite(ranked[0].ceiling):
        return ranked[0]
    road = least_road_pressure(engine, speed, near=min(loads)) or max(loads)
    running = [c for c in column.cells if math.isfinite(c.limit)] or column.cells
    return min(running, key=lambda c: abs(c.pressure - road))


def _asked(sheet: Worksheet, engine: EngineModel, cell: CeilingCell) -> list[Any]:
    """Work out what the zone's limits ask for; nothing where none does."""
    found = []
    p = sheet.given("p", "the cell's own load", quantity(cell.pressure, "Pa", "kPa"), "cell")
    swing = cell.swing
    s_p, s_q = (quantity(value, "", "percent") for value in (swing.pressure, swing.charge))
    origin = "log, by the build sheet" if swing.measured else "scatter of the cycles through plenum and load filter"
    wander = sheet.given("s_p", "manifold pressure about the load signal, standard deviation", s_p, origin)
    if math.isfinite(cell.misfire):
        words = "The lookup follows the load signal. Now and then the manifold is below it: the light edge of the load swing"
        words += "." if swing.lighter >= STILL else f", followed from {STILL:.0%} on."
        sheet.step(words, "p_l", "light edge of the load swing", p * (1 - int(DEVIATIONS) * wander), "kPa")
        found.append(_spark(sheet, "a_miss", f"spark above which more than {MOST_MISSED:.0%} of cycles miss there", cell.misfire))
    if math.isfinite(cell.counted):
        found.append(_spark(sheet, "a_count", "MBT spark with missed cycles counted", cell.counted))
    if math.isfinite(cell.fuller_best):
        own = sheet.given("s_q", "a cylinder's own charge about the manifold's, standard deviation", s_q, CYCLE)
        p_b = sheet.given("p_b", "barometer", quantity(barometer(engine), "Pa", "kPa"), of_barometer(engine.build))
        words = "A clean cycle after a missed or weak one is full. It burns fast, so the same spark is too early for it."
        whole = wander**2 + own**2
        most = sheet.given("f_m", "widest swing that is followed", WIDEST_SWING, "estimate")
        fuller = sheet.step(words, "f", "by how much the fullest charge is fuller", sympy.Min(int(DEVIATIONS) * sympy.sqrt(whole), most), "percent")
        full = sympy.Min(p * (1 + fuller * wander**2 / whole), p_b)
        sheet.step("What the manifold has of that is pressure.", "p_full", "manifold pressure of the fullest charge", full, "kPa")
        sheet.step("The rest is fresh charge in place of residual.", "g_full", "its fresh share over the mean one's", 1 + fuller * own**2 / whole, "")
        found.append(_spark(sheet, "a_full", "MBT spark of the fullest charge", cell.fuller_best))
        if math.isfinite(cell.fuller_knock):
            found.append(_spark(sheet, "a_fullknock", "knock limit of the fullest charge", cell.fuller_knock))
    return found


def _verdict(sheet: Worksheet, cell: CeilingCell, own_limit: Any, asked: list[Any]) -> tuple[list[Any], str]:
    """Put the limits together: which binds, what the floor makes of it, and how far the cautious ignition figures lower it."""
    if not asked:
        words = "Next to no cycle misses, and the charge is steady: nothing else limits it."
        least = sheet.step(words, "a_lim", "least limit", own_limit, "crank_deg", _end)
        return [least], "No ceiling: this cell is outside the low-speed zone. MBT spark and knock limit decide here." + _said(cell)
    ask = sheet.step("The least of what missed cycles and the fullest charge ask for.", "a_ask", "limit by the zone", sympy.Min(*asked), "crank_deg", _end)
    least = sheet.step("The least of all limits.", "a_lim", "least limit", sympy.Min(own_limit, ask), "crank_deg", _end)
    words = f"It is a ceiling where it is {BINDS_BELOW:g} degrees or more below MBT spark and knock limit."
    margin = sheet.step(words, "q", "by how much less", own_limit - ask, "crank_deg")
    if not math.isfinite(cell.ceiling):
        return [least, margin], "No ceiling: MBT spark or knock limit decides here." + _said(cell)
    late = Mark.OR_MORE if cell.floor >= cell.best else None  # even best torque burns too late
    floor = _spark(sheet, "a_floor", "latest useful spark: later, the burn is too late or the exhaust too hot", cell.floor, late)
    words = "Never later than the latest useful spark, and never above MBT spark and knock limit."
    uncured = cell.binds is Binds.LATEST_USEFUL
    formula = sympy.Max(ask, sympy.Min(floor, own_limit))
    ceiling = sheet.step(words, "a_ceil", "ceiling of final spark", formula, "crank_deg", lambda value: uncured_mark(value) if uncured else _end(value))
    answers = [ceiling, least]
    if cell.ceiling_low < cell.ceiling:
        low = cell.misfire_low
        asked_low = _spark(sheet, "a_low", "the misfire limit with cautious ignition figures", low)
        words = "The low end of the range, with the cautious ignition figures."
        answers.insert(1, sheet.step(words, "a_ceil_low", "low end of the range", sympy.Max(asked_low, sympy.Min(floor, own_limit)), "crank_deg", _end))
    bracket = ""
    if uncured:
        bracket = " Spark alone cannot fix this cell. The latest useful spark is shown in brackets: do not enter it. Raise speed, change gear or cam."
    return answers, (_limit(cell) + bracket + _said(cell)).strip()


def _limit(cell: CeilingCell) -> str:
    """Return which limit the ceiling rests on and what would settle it, where spark keeps it."""
    if cell.binds is None or cell.binds is Binds.LATEST_USEFUL:
        return ""
    return f"It rests on: {cell.binds}. To settle it, {SETTLED_BY[cell.binds]}."


def _said(cell: CeilingCell) -> str:
    """Return what else is found of a cell: idle rules, the cautious ceiling, cycles that miss, residual beyond what was measured."""
    told = f" {str(cell.state)[:1].upper()}{str(cell.state)[1:]}." if cell.state is not CellState.RUNS else ""
    if math.isnan(cell.ceiling) and math.isfinite(cell.ceiling_low):
        told += f" With cautious ignition figures it has a ceiling: {cell.ceiling_low:.0f} deg BTDC."
    if cell.missed > MOST_MISSED:
        told += f" At MBT spark {cell.missed:.0%} of cycles miss."
    return told + (f" Residual is above {BEYOND_DATA:.0%}: direction, not degrees." if cell.burned_fraction > BEYOND_DATA else "")

"""Why a big cam wants less spark down low, though a slow burn wants more: one cell, with the new cam and with the one it replaces."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

from ..advice.spark_limits import BEYOND_DATA
from ..cautions import OVER_SPARK_TABLE, Caution
from ..cycle.best_torque import spark_ends
from ..cycle.operating import EngineModel, OperatingState
from ..cycle.simulate import PRESSURE, SPEED
from ..cycle.work_variation import work_spread
from ..errors import InputError, NoSolutionError
from ..marks import Mark
from ..units import quantity, to_si
from .ceiling_topic import USUAL_SPEED, cell_of
from .idle_topics import resolved_engine
from .kernel_steps import energy_asked, energy_given
from .origins import CYCLE, of_sheet
from .worksheet import Explanation, Worksheet

if TYPE_CHECKING:
    from ..advice.spark_limits import CeilingCell
    from ..sheet import Build
    from ..units import Quantity

__all__ = ["explain_less_spark"]


class _Cam(NamedTuple):
    """A cam at the cell: MBT spark of its mean cycle [crank deg], that cycle, the energy it asks of a spark there [J], the share that misses."""

    best: float
    mean: OperatingState
    energy: float
    missed: float

    @staticmethod
    def of(engine: EngineModel, speed: float, pressure: float) -> _Cam:
        """Return a cam's figures; an error where the engine does not run."""
        best = engine.best_spark(speed, pressure)
        found = work_spread(engine, speed, pressure, best)
        if not found.mean.runs:
            raise NoSolutionError(f"{speed * 60:.0f} rpm, {pressure / 1e3:.1f} kPa: {found.mean.outcome}", fix="ask for a fuller cell or a higher speed")
        return _Cam(best, found.mean, energy_asked(engine, speed, pressure, best), found.missed)


def explain_less_spark(
    build: Build,
    *,
    speed: Quantity | str | None = None,
    manifold_pressure: Quantity | str | None = None,
    engine: EngineModel | None = None,
    before: EngineModel | None = None,
) -> Explanation:
    """Explain why the new cam gets less spark than its slow burn asks for; by default in a cell with a ceiling at 1400 rpm.

    Parameters
    ----------
    build : Build
        With a cam that is replaced.
    speed : quantity [crank speed]
        1400 rpm when left out.
    manifold_pressure : quantity [pressure]
        Absolute. A cell that has a ceiling when left out.
    engine, before : EngineModel
        Of the build, and of it with the cam that is replaced; crank-resolved ones are made when left out.

    Raises
    ------
    InputError
        Without a replaced cam.
    NoSolutionError
        If an engine does not run there.
    """
    if build.replaced_cam is None:
        raise InputError("replaced_cam", came="none", expected="the cam that was in the engine, to compare with", fix="add [replaced_cam] to the sheet")
    engine = resolved_engine(build) if engine is None else engine
    before = resolved_engine(build.with_replaced_cam()) if before is None else before
    n = USUAL_SPEED if speed is None else float(to_si(speed, "speed", SPEED))
    cell = cell_of(engine, n, None if manifold_pressure is None else float(to_si(manifold_pressure, "manifold_pressure", PRESSURE)))
    new, old = _Cam.of(engine, n, cell.pressure), _Cam.of(before, n, cell.pressure)
    sheet = Worksheet()
    early, best = _slow_burn(sheet, new, old)
    asked = _kernels(sheet, engine, new, old, cell)
    answers = [early]
    if math.isfinite(cell.ceiling):
        answers += _less(sheet, engine, cell, best, asked)
    return Explanation(
        topic="less spark",
        question="A slow burn wants more spark. Why does a big cam get less of it down low?",
        build=build.name,
        steps=tuple(sheet.steps),
        answers=sheet.answers(*answers),
        reading=_reading(new, old, cell),
        limits=(
            "Ignition figures come from one ordinary engine: other plugs, coils and chambers miss sooner or later. A spark sweep in this cell settles it.",
            f"Flames were computed to 60 % residual and measured less far. Above {BEYOND_DATA:.0%} this shows a direction, not degrees.",
            "The two cams are set side by side at one manifold pressure. On the road the long cam needs more pressure for the same torque.",
            "Charge in layers, wet walls and other cylinders' exhaust pulses are not in it.",
        ),
        try_it="Ask for the same cell at 2400 rpm. Is residual still high there, and is spark still held back?",
        cautions=(*OVER_SPARK_TABLE, Caution.KNOCK_IS_ESTIMATED),
        source_keys=("ballal1981", "abdelgayed1987", "huang2007", "daw1996", "practice", "estimate"),
        carried_by=("q_E", "less"),
    )


def _slow_burn(sheet: Worksheet, new: _Cam, old: _Cam) -> tuple[Any, Any]:
    """Work out that the new cam's mean cycle asks for an earlier spark; return by how much, and its MBT spark."""

    def given(name: str, meaning: str, value: float, unit: str, shown: str = "") -> Any:
        end = spark_ends(value) if name in ("a_n", "a_o") else None
        return sheet.given(name, meaning, quantity(value, unit, shown or None), CYCLE, end if isinstance(end, Mark) else None)

    x_n = given("x_n", "residual with the new cam", new.mean.burned_fraction, "", "percent")
    x_o = given("x_o", "residual with the old cam", old.mean.burned_fraction, "", "percent")
    sheet.step("While both valves are open, exhaust comes back at low speed and low pressure.", "dx", "more residual", x_n - x_o, "percent")
    f = (1 - x_n) / (1 - x_o)
    sheet.step("Residual takes the place of fresh charge.", "q_f", "fresh share, new over old", f, "percent")
    b_n = given("b_n", "spark to the end of rapid burning, new cam", new.mean.development + new.mean.rapid_burn, "crank_deg")
    b_o = given("b_o", "spark to the end of rapid burning, old cam", old.mean.development + old.mean.rapid_burn, "crank_deg")
    sheet.step("A flame in diluted charge is slow.", "q_b", "length of the burn, new over old", b_n / b_o, "")
    a_n = given("a_n", "MBT spark of the mean cycle, new cam, BTDC", new.best, "crank_deg")
    a_o = given("a_o", "MBT spark of the mean cycle, old cam, BTDC", old.best, "crank_deg")
    words = "A slow burn must begin early to be half done just after TDC. The mean cycle asks for more spark."
    mark = _of_difference(new.best, old.best)
    return sheet.step(words, "da", "more spark asked for", a_n - a_o, "crank_deg", lambda _: mark), a_n


def _of_difference(later: float, less: float) -> Mark | None:
    """Return the mark of a difference of two sparks [crank deg], the first of which or the second of which the search may have ended at."""
    ends = [isinstance(spark_ends(spark), Mark) for spark in (later, less)]
    return {(True, False): Mark.OR_MORE, (False, True): Mark.OR_LESS}.get((ends[0], ends[1]))


def _kernels(sheet: Worksheet, engine: EngineModel, new: _Cam, old: _Cam, cell: CeilingCell) -> Any:
    """Work out what the spark must do at that angle, and how many cycles fail; return the energy asked for, nothing where no spark lights the mean cycle."""
    if not (math.isfinite(new.energy) and math.isfinite(old.energy)):
        return None
    plug = sheet.given(
        "E_s", "spark energy that reaches the charge", quantity(energy_given(engine), "J", "mJ"), of_sheet(engine.build, "engine", "spark_energy")
    )
    e_n = sheet.given("E_n", "energy that the new cam's charge asks for at its MBT spark", quantity(new.energy, "J", "mJ"), CYCLE)
    e_o = sheet.given("E_o", "energy that the old cam's charge asks for at its own", quantity(old.energy, "J", "mJ"), CYCLE)
    words = "The young flame must first feed itself. Diluted charge that is still thin and cold asks for more of the spark."
    sheet.step(words, "q_E", "energy asked for, new over old", e_n / e_o, "")
    sheet.step("What the plug has over that. Cycles with more residual than the mean have less.", "m_n", "spark energy over energy asked for", plug / e_n, "")
    missed = sheet.given("M", "share of cycles that miss at that spark", quantity(new.missed, "", "percent"), CYCLE)
    turning = sheet.given("N", "engine speed", quantity(cell.speed, "crank_rps", "rpm"), "cell")
    cylinders = sheet.given("z", "cylinders", float(engine.geometry.cylinders), "build sheet")
    cycle = sheet.given("c", "crank angle of a cycle", quantity(2.0, "crank_rev"), "definition")
    words = "Cycles that miss blow unburned charge out, and the clean, full cycles after them burn fast. The car feels both."
    sheet.step(words, "m", "missed cycles of the engine", missed * cylinders * turning / cycle, "1/minute")
    return e_n


def _less(sheet: Worksheet, engine: EngineModel, cell: CeilingCell, best: Any, asked: Any) -> list[Any]:
    """Work out what later spark changes, and how much less it comes to.

    Parameters
    ----------
    sheet : Worksheet
        Gets the steps.
    engine : EngineModel
    cell : CeilingCell
        With a ceiling.
    best, asked : symbol
        MBT spark, and the energy that the charge asks for there, if a spark lights it.
    """
    later = energy_asked(engine, cell.speed, cell.pressure, cell.ceiling)
    if math.isfinite(later) and asked is not None:
        e_c = sheet.given("E_c", "energy asked for at the ceiling", quantity(later, "J", "mJ"), CYCLE)
        sheet.step("Nearer to TDC the charge is hotter and denser. The same spark lights it more surely.", "q_l", "early over late", asked / e_c, "")
    ceiling = sheet.given("a_c", "ceiling of the cell, BTDC", quantity(cell.ceiling, "crank_deg"), CYCLE)
    mark = _of_difference(sheet.number(best, "crank_deg"), cell.ceiling)
    less = sheet.step("So the ceiling is below what the slow burn asks for.", "less", "less spark than MBT", best - ceiling, "crank_deg", lambda _: mark)
    at_best, at_ceiling = (work_spread(engine, cell.speed, cell.pressure, spark) for spark in (sheet.number(best, "crank_deg"), cell.ceiling))
    if at_best.gross > 0.0:
        w_b = sheet.given("w_b", "gross IMEP of all cycles at MBT spark, missed ones counted", quantity(at_best.gross, "Pa", "kPa"), CYCLE)
        w_c = sheet.given("w_c", "the same at the ceiling", quantity(at_ceiling.gross, "Pa", "kPa"), CYCLE)
        sheet.step("What later spark costs or brings when missed cycles count.", "q_w", "work at the ceiling over work at MBT spark", w_c / w_b, "percent")
    return [less]


def _reading(new: _Cam, old: _Cam, cell: CeilingCell) -> str:
    """Return what the steps come to."""
    if not math.isfinite(cell.ceiling):
        return "In this cell the new cam gets its MBT spark: few cycles miss and the charge is steady. Look at a lower speed or a lighter load."
    more = "more" if new.best > old.best else "no more"
    return f"The mean cycle asks for {more} spark than with the old cam. The cycles that fail, and the full ones after them, do not stand it."

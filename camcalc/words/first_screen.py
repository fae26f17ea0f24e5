"""The brief in one screen: what a calibrator needs at first fire, in the order of the job. Each answer: result, figure, condition, next step."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from ..advice.brakes import BrakeVerdict
from ..advice.headlines import CRUISE, headline_gear
from ..advice.idle import IdleVerdict, gearbox_of, switched
from ..advice.idle_balance import IdleSparkRule
from ..advice.idle_spark import TableMeetsIdle
from ..advice.idle_speeds import FASTEST
from ..advice.picks import answer_near, low_speed_zone
from ..brief import Brief
from ..cautions import AT_BRAKES, AT_FIRST_CRANK, AT_IDLE_SPARK, Caution
from ..drive.usable_gears import GearUse
from ..marks import Mark, marked, marks_in
from ..unit_system import vacuum_text
from ..vehicle.coupling import Coupling
from .describing import describe
from .engine_model import model_use_words
from .figures import before_overlap, btdc, found_rpm, percent, set_rpm
from .fuel import idle_fuel_words, no_factors
from .idle import missed_words, verdict_words
from .injection import delivery_words
from .phrases import counted
from .readings import rests_words
from .small_tables import aligned, ordinal

if TYPE_CHECKING:
    from ..advice.brakes import BrakeAssist
    from ..advice.idle import IdleState
    from ..advice.idle_advice import IdleAdvice, ThrottleOpening
    from ..unit_system import UnitSystem

__all__ = ["MORE", "Part", "first_screen", "first_text", "title_lines"]

# Where the rest is.
MORE = ["More: --full, --section NAME (assumed, fuel, surge ...), --html FILE (with plots), --tables DIR."]

BRAKES = {
    BrakeVerdict.ENOUGH: "Enough for a common booster.",
    BrakeVerdict.REDUCED: "Less than a common booster wants: expect a harder pedal.",
    BrakeVerdict.TOO_LITTLE: "Too little for a common booster: fit a vacuum pump or a reservoir, and prove the brakes before driving.",
}
# Over the spark table; cranking stands at the idle spark above it, and what final spark is in the head.
OVER_THE_TABLE = (Caution.KNOCK, Caution.ADDING_SPARK)
# Loads of the table of fuel factors that the screen has room for [Pa]; the section on fuel has all.
FACTOR_LOADS = (40e3, 60e3, 90e3)
# A throttle opening closer than this share is the same: the idle control makes up for it; ESTIMATE.
SAME = 0.05


class Excerpt(NamedTuple):
    """A small table: where in the data its figures are, which rows and columns of a grid, the whole as texts, and what marks in it mean."""

    path: str
    name: str = ""
    rows: tuple[int, ...] = ()
    columns: tuple[int, ...] = ()
    texts: Sequence[Sequence[str]] = ()
    legend: tuple[str, ...] = ()

    def lines(self) -> list[str]:
        """Return the table as lines of text."""
        return [*aligned(self.texts), *self.legend]


class Part(NamedTuple):
    """A numbered answer of the screen: its head; cautions, which begin with "!", words and tables in their order."""

    head: str
    lines: Sequence[str | Excerpt]


@describe.register
def first_text(brief: Brief) -> str:
    """Return the first screen as text: title, five answers, where the rest is; lines are not yet wrapped."""
    lines = [line for part in first_screen(brief) for line in (part.head, *part.lines)]
    texts = [text for line in lines for text in (line.lines() if isinstance(line, Excerpt) else [line])]
    return "\n".join([*title_lines(brief), *texts, *MORE])


def title_lines(brief: Brief) -> list[str]:
    """Return whose brief it is, and what its bands hold."""
    build = brief.build
    label = f" ({build.label})" if build.label else ""
    cams = brief.cam.cam + (f" for {brief.replaced_cam.cam}" if brief.replaced_cam else "")
    bands = "In brackets: 10 to 90 % of the samples." if brief.sure else "No bands were sampled."
    lines = [f"First-fire brief: {build.name}{label}. Model: {brief.model}.", f"{cams}. {bands}"]
    lines += [rests_words(brief.readings)] if brief.readings is not None else []
    return [*lines, f"! {model_use_words(brief.not_for)}"] if brief.not_for else lines


def first_screen(brief: Brief) -> list[Part]:
    """Return the five answers, each with its cautions where the hazard is.

    Parameters
    ----------
    brief : Brief

    Returns
    -------
    list of Part
        Tables with their place in the data.

    Examples
    --------
    >>> from camcalc import load_build, make_brief
    >>> brief = make_brief(load_build("examples/long-meadow/build.toml"), model="quick", bands=False, cures=False, curves=False)
    >>> [part.head.split(":")[0] for part in first_screen(brief)]
    ['1. Idle, warm', '2. Starting spark', '3. Fuel', '4. Lowest usable speed by gear', '5. Before the key is turned']
    """
    return [_idle(brief), _spark(brief), _fuel(brief), _gears(brief), _checks(brief)]


def _idle(brief: Brief) -> Part:
    idle = brief.idle
    lines: list[str | Excerpt] = [_idle_state(brief, idle.new[0], "in neutral", idle.bands.get("vacuum")), *_in_drive(brief)]
    rest = [missed_words(idle.new[0])] if idle.new[0].verdict is IdleVerdict.ROUGH else []
    rest += ([] if idle.steady else [_steady_from(idle)]) + ([_direction(idle.new[0])] if idle.new[0].beyond_data else [])
    lines += [" ".join(rest)] if rest else []
    # A model for learning gives no spark and no work to do.
    if not brief.not_for:
        lines += [caution_line(AT_IDLE_SPARK), _idle_spark(brief), _throttle(idle.throttle)]
    if idle.brakes is not None:
        lines.append(f"{caution_line(AT_BRAKES)} {_brakes(idle.brakes, brief.build.units)}")
    return Part("1. Idle, warm", lines)


def _idle_state(brief: Brief, state: IdleState, where: str, band: Any = None) -> str:
    low, high = band or (math.nan, math.nan)
    vacuum = vacuum_text(state.si.manifold_vacuum, brief.build.units, low=low, high=high)
    return f"{verdict_words(state, where)}: {vacuum} of vacuum, COV of IMEP {percent(state.si.imep_variation)}."


def _steady_from(idle: IdleAdvice) -> str:
    steady = idle.si.lowest_steady_speed
    if math.isnan(steady):
        return f"No idle up to {set_rpm(FASTEST)} is steady. Fit less overlap."
    return f"Steady from {found_rpm(steady, idle.mark('lowest_steady_speed'))} up. Raise the idle speed or fit less overlap."


def _direction(state: IdleState) -> str:
    """Return that an idle lies beyond what was ever measured, in the least words."""
    return f"Residual {percent(state.si.burned_fraction)} is beyond any engine data: a direction, not degrees."


def _in_drive(brief: Brief) -> list[str]:
    if brief.build.vehicle.transmission != "converter":
        return []
    found = state_in_drive(brief)
    if found is None:
        return [f"In drive the engine will not idle at {set_rpm(brief.idle.new[0].si.speed)}. Raise the idle speed or fit a looser converter."]
    return [_idle_state(brief, found, "in drive")]


def state_in_drive(brief: Brief) -> IdleState | None:
    """Return the idle in drive with accessories off, if there is one."""
    return next((state for state in brief.idle.new if (state.gearbox, state.accessories) == (gearbox_of(True), switched(False))), None)


def _idle_spark(brief: Brief) -> str:
    idle, found = brief.idle_spark, brief.idle_spark.table
    if not math.isfinite(idle.si.idle_spark):
        return "Idle spark: no answer. The engine does not run at its idle speed."
    line = f"Idle spark: {btdc(idle.si.idle_spark, idle.mark('idle_spark'))}, in the idle-spark table."
    if idle.rule is IdleSparkRule.LATEST_USEFUL:
        line += " Cycles miss even there; later spark burns too late."
    if idle.rule is IdleSparkRule.MISFIRE:
        line += f" Earlier spark misses; the cautious limit is {btdc(idle.si.idle_misfire_limit_cautious, idle.mark('idle_misfire_limit_cautious'))}."
    if found is None or found.meets is TableMeetsIdle.SAME:
        return line
    if found.meets is TableMeetsIdle.BLANK:
        return f"{line} The starting table is blank at idle: knock leaves no spark there."
    vacuum = found.si.vacuum_on_table_spark
    then = f", {vacuum_text(vacuum, brief.build.units)}" if math.isfinite(vacuum) else ""
    return f"{line} Without one: {btdc(found.si.table_spark)}{then}."


def _throttle(opening: ThrottleOpening) -> str:
    area, ratio = f"Throttle: {1e6 * opening.si.throttle_area:.0f} mm2 at idle", opening.of_replaced
    if not math.isfinite(ratio):
        return f"{area}. Set the stop so that the idle control is at mid-travel."
    if abs(ratio - 1.0) < SAME:
        return f"{area}, as with the old cam. Leave the throttle stop."
    turn = "Open" if ratio > 1.0 else "Close"
    return f"{area}, {ratio:.1f} times the old. {turn} the stop until the idle control is at mid-travel."


def _brakes(assist: BrakeAssist, units: UnitSystem) -> str:
    share = f", {percent(assist.si.of_replaced)} of the old cam's" if math.isfinite(assist.si.of_replaced) else ""
    return f"Brakes: {vacuum_text(assist.si.vacuum, units, brakes=True)}{share}. {BRAKES[assist.verdict]}"


def _spark(brief: Brief) -> Part:
    table = brief.starting_table
    head = "2. Starting spark"
    if table is None:
        return Part(head, ["No answer from this model: it computes no knock. Use the crank-resolved model for spark."])
    rows, columns = low_speed_zone(table, brief.idle.new[0].si.speed)
    speeds, loads = table.speed.magnitude, table.manifold_pressure.magnitude
    texts = table.texts("spark")
    grid = [["MAP, kPa \\ rpm", *(f"{speeds[j]:.0f}" for j in columns)], *([f"{loads[k]:.0f}", *(texts[k][j] for j in columns)] for k in reversed(rows))]
    shown = [table.mark("spark", k, j) for k in rows for j in columns]
    blank = any(not texts[k][j] for k in rows for j in columns)
    legend = tuple(map(str, marks_in(Mark.BLANK if blank else None, *shown)))
    lines: list[str | Excerpt] = [caution_line(OVER_THE_TABLE), Excerpt("starting_table", "spark", tuple(rows), tuple(columns), grid, legend)]
    avoid = table.avoid[rows[-1] + 1 :].any(axis=0)
    last = int(np.flatnonzero(avoid)[-1]) if avoid.any() else -1
    over = f" below {speeds[last + 1]:.0f} rpm" if 0 <= last < speeds.size - 1 else ""
    above = f"Do not load above {loads[rows[-1]]:.0f} kPa{over}: knock leaves cells blank. " if avoid.any() else ""
    lines.append(f"{above}{Caution.LAW}")
    return Part(f"{head}: final spark (table plus every correction), low-speed zone, deg BTDC", lines)


def _fuel(brief: Brief) -> Part:
    return Part("3. Fuel: factors for the old filling table by speed and manifold pressure; end of injection", [*_filling(brief), *_injection(brief)])


def _filling(brief: Brief) -> list[str | Excerpt]:
    factors = brief.fuel_factors
    return [no_factors(brief.build)] if factors is None else [idle_fuel_words(factors), *_factor_table(brief)]


def _factor_table(brief: Brief) -> list[Excerpt]:
    factors = brief.fuel_factors
    assert factors is not None
    texts = factors.texts("factor", 2)
    head = ["MAP, kPa \\ rpm", *(f"{speed:.0f}" for speed in factors.speed.magnitude)]
    kept = [k for k, load in enumerate(factors.si.manifold_pressure) if any(abs(load - one) < 1.0 for one in FACTOR_LOADS)]
    grid = [head, *([f"{factors.manifold_pressure.magnitude[k]:.0f}", *(text or "-" for text in texts[k])] for k in reversed(kept))]
    return [Excerpt("fuel_factors", "factor", tuple(kept), tuple(range(len(head) - 1)), grid)]


def _injection(brief: Brief) -> list[str | Excerpt]:
    windows = brief.injection
    if not windows.applies:
        return [delivery_words(windows.reason)]
    first, drive = brief.idle.new[0].si, state_in_drive(brief)
    wanted = [("at idle", first.speed, first.manifold_pressure)]
    wanted += [("in drive", drive.si.speed, drive.si.manifold_pressure)] if drive is not None else []
    wanted.append(("at a cruise", *CRUISE))
    ends = windows.si.end_of_injection
    found = [(what, ends[answer_near(windows, "end_of_injection", speed, pressure)]) for what, speed, pressure in wanted]
    if not any(math.isfinite(end) for _, end in found):
        return ["End of injection: no window is left at idle or at a cruise."]
    after = [end < 0.0 for _, end in found if math.isfinite(end)]
    if any(after) and not all(after):
        return [f"End of injection: {', '.join(f'{before_overlap(end)} {what}' for what, end in found)}."]
    told = ", ".join(f"{abs(end):.0f} {what}" if math.isfinite(end) else f"none {what}" for what, end in found)
    return [f"End of injection, deg {'after' if all(after) else 'before'} overlap TDC: {told}."]


def _gears(brief: Brief) -> Part:
    head, unit = "4. Lowest usable speed by gear: below it, use a lower gear", brief.build.vehicle.road_speed_unit
    if brief.not_for:
        return Part(head, ["No answer from this model: it computes no spark table to drive on."])
    found = brief.usable_gears
    if not found:
        return Part(head, ["No answer: the engine holds the car in no gear."])
    converter = brief.build.vehicle.transmission == "converter"
    rows = [["gear", *(_gear_name(one, converter) for one in found)]]
    rows.append(["rpm", *(_lowest(60.0 * one.si.lowest, one.mark("lowest"), -1) for one in found)])
    rows.append([unit, *(_lowest(one.lowest_road_speed.to(unit).magnitude, one.mark("lowest_road_speed"), 0) for one in found)])
    rows.append(["below it", *(str(one.below) for one in found)])
    lines: list[str | Excerpt] = [Excerpt("usable_gears", texts=rows)]
    if brief.sure and "unstable_below" in brief.sure.bands:
        low, high = brief.sure.bands["unstable_below"]
        lines.append(f"In {ordinal(headline_gear(brief.build))} rough running ends at {found_rpm(low)} to {found_rpm(high)}.")
    return Part(head, lines)


def _gear_name(one: GearUse, converter: bool) -> str:
    return ordinal(one.gear) + ("" if not converter else " open" if one.coupling is Coupling.CONVERTER else " locked")


def _lowest(value: float, mark: Mark | None, digits: int) -> str:
    return marked(f"{round(value, digits):.0f}", mark) if math.isfinite(value) else "-"


def _checks(brief: Brief) -> Part:
    build = brief.build
    lines = [caution_line([c for c in AT_FIRST_CRANK if c is not Caution.BRAKES or brief.not_for])]
    moves = brief.sure.matters.get("vacuum", ()) if brief.sure else ()
    notes = f", and the {counted(len(build.notes), 'note')} on the cards" if build.notes else ""
    hangs = f" The idle vacuum hangs most on {moves[0].meaning.split(':')[0]}." if moves else ""
    lines.append(f"Read the {counted(len(build.assumed), 'assumed figure')}{notes}.{hangs}")
    lines.append(caution_line([Caution.STARTING_VALUE]))
    return Part("5. Before the key is turned", lines)


def caution_line(cautions: Any) -> str:
    """Return cautions as one paragraph."""
    return "! " + " ".join(map(str, cautions))

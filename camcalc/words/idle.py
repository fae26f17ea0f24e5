"""Idle in words: rough or steady, from which speed, throttle opening, idles out of reach, and the idle spark."""

from __future__ import annotations

import math

from ..advice.idle import IdleState, IdleVerdict
from ..advice.idle_advice import IdleAdvice, IdleGap, ThrottleOpening
from ..advice.idle_balance import IdleSparkRule
from ..advice.idle_spark import IdleSpark, IdleSparkBesideTable, TableMeetsIdle
from ..advice.idle_speeds import FASTEST
from ..unit_system import UnitSystem, shown_text, vacuum_text
from .brakes import brakes_words
from .describing import describe
from .figures import btdc, found_rpm, percent, set_rpm

__all__ = [
    "WHY_IDLE_SPARK_DIFFERS", "beside_table_words", "beyond_data_words", "candidates_words", "gap_words", "idle_spark_words", "idle_verdict", "idle_words",
    "lowest_speed_words", "missed_words", "state_words", "throttle_words", "verdict_words",
]  # fmt: skip

# Openings closer than this are the same.
SAME_OPENING = 0.05
WHY_IDLE_SPARK_DIFFERS = (
    "Idle spark must not rise with engine speed. Early spark meets a charge that is cold, thin and full of burned gas, and some flames die at the plug. "
    "Later spark lets more of them live and needs more air. In the low-speed zone above idle the car answers: keep spark level from cell to cell."
)
# What the idle spark rests on.
RULES = {
    IdleSparkRule.RESERVE: "MBT spark less the spark reserve decides.",
    IdleSparkRule.MISFIRE: "The misfire limit decides: earlier sparks miss more than 1 % of cycles.",
    IdleSparkRule.LATEST_USEFUL: "More than 1 % of cycles miss even there. Later sparks burn too late.",
    IdleSparkRule.STATED: "The sheet allows no earlier spark.",
}


@describe.register
def idle_words(idle: IdleAdvice, units: UnitSystem = UnitSystem.IMPERIAL) -> str:
    """Return the verdict on the new cam's idle, lowest speeds, vacuum loss, throttle, brakes and idles out of reach, a line each.

    Parameters
    ----------
    idle : IdleAdvice
    units : UnitSystem
        Of vacuum.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.idle_advice import idle_advice, idle_set
    >>> engine = QuickEngine(load_build("examples/long-meadow/build.toml"))
    >>> idle = idle_advice(engine, idle_set(engine, 13.0, search=False), None)
    >>> idle_words(idle).splitlines()[0] == idle_verdict(idle)
    True
    """
    lines = [idle_verdict(idle, units), lowest_speed_words(idle)]
    if math.isfinite(idle.si.vacuum_penalty):
        lines.append(_loss_words(idle, units))
    lines.append(throttle_words(idle.throttle, units))
    lines += [brakes_words(idle.brakes, units)] if idle.brakes is not None else []
    lines += [gap_words(gap) for gap in idle.unreachable]
    lines += [beyond_data_words(idle.new[0])] if idle.new[0].beyond_data else []
    return "\n".join(lines)


def _loss_words(idle: IdleAdvice, units: UnitSystem) -> str:
    loss, equal = idle.si.vacuum_penalty, idle.si.vacuum_penalty_at_equal_speed
    said = f"Vacuum loss, new cam against old cam: {vacuum_text(loss, units)}, each at its own idle speed"
    return f"{said}; {vacuum_text(equal, units)} at the new cam's idle speed." if math.isfinite(equal) else said + "."


def idle_verdict(idle: IdleAdvice, units: UnitSystem = UnitSystem.IMPERIAL) -> str:
    """Return whether the new cam's idle is steady, rough or misses, with speed, vacuum, COV and its limit, in one line.

    Parameters
    ----------
    idle : IdleAdvice
    units : UnitSystem
        Of vacuum.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.idle_advice import idle_advice, idle_set
    >>> engine = QuickEngine(load_build("examples/long-meadow/build.toml"))
    >>> idle = idle_advice(engine, idle_set(engine, 13.0, search=False), None)
    >>> steady = idle.new[0].replace(verdict=IdleVerdict.STEADY, manifold_vacuum="54.5 kPa", imep_variation=0.08)
    >>> idle_verdict(idle.replace(new=[steady]))
    'Steady idle at 780 rpm: 16.1 inHg of vacuum, COV of IMEP 8 %, limit 10 %.'
    """
    first = idle.new[0]
    cov = f"COV of IMEP {percent(first.si.imep_variation)}, limit {percent(idle.si.stability_limit)}"
    said = f"{verdict_words(first)}: {vacuum_text(first.si.manifold_vacuum, units)} of vacuum, {cov}."
    if first.verdict is IdleVerdict.ROUGH:
        said += f" {missed_words(first)}"
    return f"{said} It does not idle in every state of the car." if idle.unreachable else said


def verdict_words(state: IdleState, where: str = "") -> str:
    """Return how an idle runs, at which speed, as the head of a sentence.

    Parameters
    ----------
    state : IdleState
    where : str
        In which gear, e.g. "in drive".

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.idle import idle_state
    >>> state = idle_state(QuickEngine(load_build("examples/long-meadow/build.toml"))).replace(verdict=IdleVerdict.ROUGH)
    >>> verdict_words(state), verdict_words(state.replace(verdict=IdleVerdict.MISSES, missed_per_minute="312 1/minute"))
    ('Rough idle at 780 rpm, but alive', 'Idle at 780 rpm misses about 300 cycles a minute')
    """
    at = f"at {set_rpm(state.si.speed)}" + (f" {where}" if where else "")
    return {
        IdleVerdict.STEADY: f"Steady idle {at}",
        IdleVerdict.ROUGH: f"Rough idle {at}, but alive",
        IdleVerdict.MISSES: f"Idle {at} misses about {_per_minute(state)} cycles a minute",
    }[state.verdict]


def missed_words(state: IdleState) -> str:
    """Return how many cycles miss at an idle, one digit of them: constants of ignition carry no more.

    Parameters
    ----------
    state : IdleState

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.idle import idle_state
    >>> state = idle_state(QuickEngine(load_build("examples/long-meadow/build.toml")))
    >>> missed_words(state.replace(missed_per_minute="34 1/minute")), missed_words(state.replace(missed_per_minute="0.2 1/minute"))
    ('About 30 cycles a minute miss.', 'No cycle misses.')
    """
    count = _per_minute(state)
    if count == 0:
        return "No cycle misses."
    return "About one cycle a minute misses." if count == 1 else f"About {count} cycles a minute miss."


def _per_minute(state: IdleState) -> int:
    count = 60.0 * state.si.missed_per_minute
    return int(round(count, -math.floor(math.log10(count)))) if count >= 1.0 else round(count)


def lowest_speed_words(idle: IdleAdvice) -> str:
    """Return from which speeds up the idle is steady, hardly misses and runs at all, and the next step where it is rough.

    Parameters
    ----------
    idle : IdleAdvice

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.idle_advice import idle_advice, idle_set
    >>> engine = QuickEngine(load_build("examples/long-meadow/build.toml"))
    >>> idle = idle_advice(engine, idle_set(engine, 13.0, search=False), None)
    >>> steady = [idle.new[0].replace(verdict=IdleVerdict.STEADY)]
    >>> lowest_speed_words(idle.replace(new=steady, lowest_steady_speed=9.0, lowest_speed_without_misses=8.0, lowest_speed=8.0, marks={}))
    'Steady from 540 rpm. Runs at all from 480 rpm.'
    """
    steady, misses, lowest = idle.si.lowest_steady_speed, idle.si.lowest_speed_without_misses, idle.si.lowest_speed
    most = set_rpm(FASTEST)
    said = f"Steady from {found_rpm(steady, idle.mark('lowest_steady_speed'))}." if math.isfinite(steady) else f"Steady at no idle speed up to {most}."
    runs = f"from {found_rpm(lowest, idle.mark('lowest_speed'))}" if math.isfinite(lowest) else f"at no idle speed up to {most}"
    if not misses <= lowest:
        few = f"from {found_rpm(misses, idle.mark('lowest_speed_without_misses'))}" if math.isfinite(misses) else f"at no idle speed up to {most}"
        said += f" No more than 1 % of cycles miss {few}."
    said += f" Runs at all {runs}."
    if idle.steady:
        return said
    return f"{said} Raise the idle speed or fit less overlap." if math.isfinite(steady) else f"{said} Fit less overlap for a steady idle."


@describe.register
def throttle_words(opening: ThrottleOpening, units: UnitSystem = UnitSystem.METRIC) -> str:
    """Return how far the throttle is open at idle and where to set its stop before the first start.

    Parameters
    ----------
    opening : ThrottleOpening
    units : UnitSystem
        Of the air.

    Examples
    --------
    >>> throttle_words(ThrottleOpening(air_flow=6.5e-3, throttle_area=40e-6, replaced_throttle_area=27e-6, of_replaced=1.5)).split(". ")[:2]
    ['Throttle at idle: 40 mm2 open for 6.50 g/s of air, 1.5 times the old cam', 'Open the throttle stop that far before the first start']
    """
    si = opening.si
    said = f"Throttle at idle: {1e6 * si.throttle_area:.0f} mm2 open for {shown_text(si.air_flow, 'kg/s', units)} of air"
    middle = "Keep the idle control near the middle of its travel."
    if not math.isfinite(opening.of_replaced):
        return f"{said}. Set the throttle stop to that. {middle}"
    if abs(opening.of_replaced - 1.0) < SAME_OPENING:
        return f"{said}, as with the old cam. Leave the throttle stop as it is."
    turn = "Open" if opening.of_replaced > 1.0 else "Close"
    return f"{said}, {opening.of_replaced:.1f} times the old cam. {turn} the throttle stop that far before the first start. {middle}"


@describe.register
def gap_words(gap: IdleGap) -> str:
    """Return which idle is out of reach, the lowest speed that is not, and what to do.

    Parameters
    ----------
    gap : IdleGap

    Examples
    --------
    >>> gap_words(IdleGap(cam="A 290 (invented)", gearbox="drive", accessories="on", speed=11.0, lowest_speed=14.0))
    'A 290 (invented) will not idle at 660 rpm, drive, accessories on. Lowest speed found: 840 rpm. Raise the idle speed, fit less overlap or take load off.'
    """
    lowest = gap.si.lowest_speed
    found = f"Lowest speed found: {found_rpm(lowest, gap.mark('lowest_speed'))}" if math.isfinite(lowest) else f"Nor at any speed up to {set_rpm(FASTEST)}"
    where = f"{gap.cam} will not idle at {set_rpm(gap.si.speed)}, {gap.gearbox}, accessories {gap.accessories}"
    return f"{where}. {found}. Raise the idle speed, fit less overlap or take load off."


@describe.register
def state_words(state: IdleState, units: UnitSystem = UnitSystem.IMPERIAL) -> str:
    """Return one idle state: gearbox, speed, vacuum, COV, spark, missed cycles.

    Parameters
    ----------
    state : IdleState
    units : UnitSystem
        Of vacuum.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.idle import idle_state
    >>> state = idle_state(QuickEngine(load_build("examples/long-meadow/build.toml")))
    >>> state_words(state.replace(manifold_vacuum="54.5 kPa", imep_variation=0.08, spark="36 crank_deg", marks={})).split(". ")[0]
    'Neutral, accessories off, 780 rpm: 16.1 inHg of vacuum, COV of IMEP 8 %, spark 36 deg BTDC'
    """
    si = state.si
    spark = btdc(si.spark, state.mark("spark"))
    figures = f"{vacuum_text(si.manifold_vacuum, units)} of vacuum, COV of IMEP {percent(si.imep_variation)}, spark {spark}"
    said = f"{state.gearbox.capitalize()}, accessories {state.accessories}, {set_rpm(si.speed)}: {figures}. {missed_words(state)}"
    return f"{said} {beyond_data_words(state)}".strip()


def beyond_data_words(state: IdleState) -> str:
    """Return that an idle's residual is beyond any data; nothing where it is not.

    Parameters
    ----------
    state : IdleState

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.idle import idle_state
    >>> beyond_data_words(idle_state(QuickEngine(load_build("examples/long-meadow/build.toml")))).split(". ")[0]
    'Residual 44 % of charge at idle is beyond any engine data'
    """
    if not state.beyond_data:
        return ""
    return f"Residual {percent(state.si.burned_fraction)} of charge at idle is beyond any engine data. These idle figures show a direction, not degrees."


@describe.register
def idle_spark_words(idle: IdleSpark, units: UnitSystem = UnitSystem.IMPERIAL) -> str:
    """Return the one idle spark, what it rests on, how the starting table meets it, and why idle and low-speed zone differ, a line each.

    Parameters
    ----------
    idle : IdleSpark
    units : UnitSystem
        Of vacuum.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.idle_spark import idle_spark_advice
    >>> idle = idle_spark_advice(QuickEngine(load_build("examples/long-meadow/build.toml")))
    >>> idle_spark_words(idle.replace(idle_spark="36 crank_deg", marks={})).splitlines()[0]
    'Idle spark: 36 deg BTDC.'
    """
    spark = idle.si.idle_spark
    known = f"Idle spark: {btdc(spark, idle.mark('idle_spark'))}." if math.isfinite(spark) else "No idle spark: the engine does not run at its idle speed."
    rests = [candidates_words(idle)] if idle.rule is not None else []
    return "\n".join([beside_table_words(idle.table, units) if idle.table is not None else known, *rests, WHY_IDLE_SPARK_DIFFERS])


def candidates_words(idle: IdleSpark) -> str:
    """Return what the idle spark was chosen from, and what decided.

    Parameters
    ----------
    idle : IdleSpark
        Of an engine that idles.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.idle_spark import idle_spark_advice
    >>> idle = idle_spark_advice(QuickEngine(load_build("examples/long-meadow/build.toml")))
    >>> found = {"idle_reserve_spark": 38.0, "idle_misfire_limit": 27.0, "idle_misfire_limit_cautious": 12.0, "marks": {}}
    >>> candidates_words(idle.replace(rule=IdleSparkRule.MISFIRE, **found)).split(". ")[0]
    'MBT spark less the reserve is 38 deg BTDC, the misfire limit 27 deg BTDC, or 12 deg BTDC with cautious constants of ignition'
    """
    assert idle.rule is not None
    reserve, limit, cautious = (
        btdc(getattr(idle.si, name), idle.mark(name)) for name in ("idle_reserve_spark", "idle_misfire_limit", "idle_misfire_limit_cautious")
    )
    return f"MBT spark less the reserve is {reserve}, the misfire limit {limit}, or {cautious} with cautious constants of ignition. {RULES[idle.rule]}"


@describe.register
def beside_table_words(found: IdleSparkBesideTable, units: UnitSystem = UnitSystem.IMPERIAL) -> str:
    """Return which of two tables gets which spark, and what the idle is on either.

    Parameters
    ----------
    found : IdleSparkBesideTable
        One number serves where both agree. Elsewhere the idle's own belongs to an idle-spark table.
    units : UnitSystem
        Of vacuum.

    Examples
    --------
    >>> beside_table_words(IdleSparkBesideTable(meets=TableMeetsIdle.SAME, idle_spark=24.0, table_spark=24.2, vacuum_on_idle_spark=4e4,
    ...     vacuum_on_table_spark=4e4, variation_on_idle_spark=0.08, variation_on_table_spark=0.08, missed_on_idle_spark=0.0, missed_on_table_spark=0.0))
    'One spark serves the idle: 24 deg BTDC, in an idle-spark table and in the starting table.'
    """
    si = found.si
    own = btdc(si.idle_spark, found.mark("idle_spark"))
    if found.meets is TableMeetsIdle.SAME:
        return f"One spark serves the idle: {own}, in an idle-spark table and in the starting table."
    if found.meets is TableMeetsIdle.BLANK:
        return f"Idle-spark table: {own}. The starting table is blank where the engine idles: knock leaves no spark there."
    said = f"Idle-spark table: {own}. Starting table where the engine idles: {btdc(si.table_spark)}, for an open pedal."
    figures = (si.vacuum_on_idle_spark, si.vacuum_on_table_spark, si.variation_on_idle_spark, si.variation_on_table_spark)
    if not all(map(math.isfinite, figures)):
        return f"{said} Without an idle-spark table the engine idles on the starting table."
    there = f"{vacuum_text(si.vacuum_on_table_spark, units)} (was {vacuum_text(si.vacuum_on_idle_spark, units)})"
    cov = f"COV of IMEP {percent(si.variation_on_table_spark)} (was {percent(si.variation_on_idle_spark)})"
    missed = f"missed cycles {percent(si.missed_on_table_spark)} (was {percent(si.missed_on_idle_spark)})"
    return f"{said} Without an idle-spark table the engine idles on the starting table: {there}, {cov}, {missed}."

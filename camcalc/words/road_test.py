"""The road test in words: what each step settles, how it is driven, what its reading shows."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from ..advice.bands import TOLERANCES
from ..marks import marked
from ..road_test.plan import Basis, NotTestedBecause, RoadTest, Settling
from ..road_test.readings import CYCLE_MEANS, FASTER, SHUT, STEP, ReadingKind
from .describing import describe
from .phrases import capitalised

if TYPE_CHECKING:
    from ..road_test import NotTested, TestStep

__all__ = [
    "basis_words", "direct_words", "do_words", "input_words", "not_tested_words", "reading_words", "road_test_words", "settling_words", "where_words",
]  # fmt: skip

# How each input is found out without a drive.
DIRECT = {
    "overlap": "Degree the cam. Measure valve lift at overlap TDC with the valve lash as run.",
    "residual_kept": "Measure the clearance volume.",
    "residual_temperature": "Put a fast thermocouple into the port. A log does not show it.",
    "friction": "Motor the engine, or coast in gear with fuel cut.",
    "efficiency": "Use a dynamometer with a fuel meter.",
    "burn": "Log cylinder pressure with a crank encoder.",
    "dilution": "Log cylinder pressure at idle. Read how long burns take.",
    "kernel_turbulence": "Log cylinder pressure at a steady light load. Raise spark step by step. Count the cycles that miss.",
    "spark_energy": "Measure the coil's energy and the gap. Then count missed cycles on a wider gap.",
    "plug_scatter": "Log cylinder pressure. Take the spread of the angle from spark to 10 % burned.",
    "turbulence_scatter": "Log cylinder pressure at a clean cruise. Take the spread of the angle from spark to 10 % burned.",
    "residual_scatter": "Log cylinder pressure. Take the COV of IMEP over some hundred cycles.",
    "back_pressure": "Put a gauge at the sensor's bung. Read it at full load and speed on a dynamometer.",
    "port_heat": "Put a thermocouple into the intake runner near the valve. Read it at idle.",
    "octane": "Use fuel of a known octane number, from one drum. A log shows it only by driving into knock: do not.",
    "wall_heat": "Measure coolant flow and its rise of temperature on a dynamometer.",
    "plenum_heat": "Put thermocouples into the plenum and a runner. Read both at idle.",
    "lift_loss": "Measure valve lift with running springs and pumped-up tappets, over the cam's own.",
    "exhaust_pulse": "Log exhaust port pressure with a crank encoder. Read its mean while both valves are open.",
}
DO = {
    ReadingKind.IDLE_PRESSURE: "Idle in neutral, accessories off, spark held, until nothing drifts. Average MAP over 20 s.",
    ReadingKind.IDLE_AIR: (
        "Idle in neutral, accessories off, spark held. Log air charge per cylinder from an air meter well before the throttle and plenum. "
        "A meter close to the runners counts reversion as air. Average over 20 s."
    ),
    ReadingKind.IDLE_SPARK_STEP: (
        f"Idle with spark held. Take {STEP:.0f} crank deg off and bring the speed back with air. Read how far MAP rose. Do it twice."
    ),
    ReadingKind.IDLE_SPEED_CHANGE: (
        "Idle with air and spark held, no idle control. Log speed at least once a cycle. Take the r.m.s. of its change between cycles at the same crank angle. "
        f"Where the log holds means over a cycle, divide by {CYCLE_MEANS:.2f}."
    ),
    ReadingKind.FAST_IDLE_PRESSURE: f"Stay in neutral. Hold idle speed plus {FASTER * 60.0:.0f} rpm with the pedal, spark held. Average MAP over 20 s.",
    ReadingKind.ROAD_PRESSURE: "Hold the road speed on the level, spark held. Average MAP over 15 s. Drive once each way.",
    ReadingKind.ROAD_SPARK_STEP: (
        f"Hold the road speed on the level. Take {STEP:.0f} crank deg off and bring the speed back with the pedal. Read how far MAP rose. Drive once each way."
    ),
    ReadingKind.COASTING: (
        "Let go of the pedal above this speed. With fuel cut, read how fast road speed falls as the engine passes this speed. Drive once each way. "
        f"A MAP of {SHUT / 1e3:.0f} kPa is assumed."
    ),
}  # fmt: skip
WHY_NOT = {
    NotTestedBecause.NOTHING_MOVES: "No reading of a log moves with it.",
    NotTestedBecause.STOPS_AT_LOW: "At its low end the engine does not run everywhere a reading is taken. That alone is a sign.",
    NotTestedBecause.STOPS_AT_HIGH: "At its high end the engine does not run everywhere a reading is taken. That alone is a sign.",
    NotTestedBecause.STOPS_AT_BOTH: "At either end the engine does not run everywhere a reading is taken. That alone is a sign.",
}


def input_words(name: str) -> str:
    """Return what an input of the engine model is, by its name.

    >>> input_words("friction")
    'rubbing friction'
    """
    return TOLERANCES[name][1].meaning


def direct_words(name: str) -> str:
    """Return how an input is found out without a drive.

    >>> direct_words("residual_kept")
    'Measure the clearance volume.'
    """
    return DIRECT[name]


def where_words(step: TestStep, road_speed_unit: str) -> str:
    """Return how a step is run: gear, speed, pedal, spark."""
    words = ["neutral" if step.gear == 0 else f"gear {step.gear}", f"{step.si.speed * 60.0:.0f} rpm"]
    if step.gear:
        words.append(f"{step.road_speed.to(road_speed_unit).magnitude:.0f} {road_speed_unit}")
    words.append("pedal released" if step.si.pedal == 0.0 else f"pedal about {100.0 * step.si.pedal:.0f} %")
    if math.isfinite(step.si.spark):
        words.append(f"spark {marked(f'{step.si.spark:.0f} deg BTDC', step.mark('spark'))}")
    return ", ".join(words)


def do_words(step: TestStep) -> str:
    """Return how the reading of a step is taken."""
    return f"{'Lock the converter. ' if step.converter_locked else ''}{DO[step.read]}"


def reading_words(step: TestStep) -> str:
    """Return which channels are logged, and what the reading shows at both ends of the input."""
    channels, unit = ", ".join(step.channels).replace("_", " "), step.unit.replace("**2", "²")
    return f"Log {channels}. Read {step.read.meaning}, {unit}: {step.low:.3g} if the input is low, {step.expected:.3g} as assumed, {step.high:.3g} if high."


def settling_words(step: TestStep) -> str:
    """Return how far the reading settles its input, in a sentence or two; nothing where the reading settles it."""
    if step.settling is Settling.SETTLES:
        return ""
    other = input_words(step.moved_most_by)
    if step.settling is Settling.LEANS:
        return f"This shows which way the input is off and settles nothing alone. Also moved by: {other}."
    return f"This shows little by itself; take it together with the other steps. Moved as much or more by: {other}."


def not_tested_words(one: NotTested) -> str:
    """Return why no step settles an input, and how it is found out instead."""
    return f"{capitalised(input_words(one.input))}. {WHY_NOT[one.because]} Instead: {direct_words(one.input)[0].lower()}{direct_words(one.input)[1:]}"


def basis_words(plan: RoadTest) -> str:
    """Return how the inputs were chosen, in a sentence."""
    if plan.basis is Basis.IN_TURN:
        return "The inputs that matter most were found by moving each to both ends of its tolerance."
    return f"The inputs that matter most were found by {plan.samples} samples over all tolerances."


def road_test_words(plan: RoadTest) -> list[str]:
    """Return the whole plan, a line each: cautions first, then the steps.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build, plan_road_test
    >>> plan = plan_road_test(load_build("examples/quarry-road/build.toml"), engine_of=QuickEngine)
    >>> road_test_words(plan)[0].startswith("! Drive tests on a closed course only")
    True
    """
    lines = [f"! {text}" for text in plan.cautions]
    lines.append(f"{len(plan.steps)} steps, {plan.seconds / 60.0:.0f} minutes. {basis_words(plan)}")
    for step in plan.steps:
        lines += [
            f"{step.step}. {capitalised(input_words(step.input))}",
            f"   {capitalised(step.place.meaning)}: {where_words(step, plan.road_speed_unit)}.",
            f"   {do_words(step)}",
            f"   {reading_words(step)}",
            *([f"   {settling_words(step)}"] if settling_words(step) else []),
        ]
    return [*lines, *(f"Not tested: {not_tested_words(one)}" for one in plan.not_tested)]


@describe.register
def _(record: RoadTest) -> str:
    return "\n".join(road_test_words(record))

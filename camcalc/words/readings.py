"""What a car's readings say, in words: whether they agree with the sheet, what they narrow, what may be wrong with the car, what to read next."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from ..advice.idle import BEYOND_DATA
from ..cautions import ON_THE_ROAD
from ..measured.likelihood import CONTRADICTS
from ..measured.prior import Fault
from ..measured.records import Learning
from ..unit_system import WRITTEN, UnitSystem, output_unit
from ..units import quantity
from .describing import describe
from .phrases import capitalised

if TYPE_CHECKING:
    from ..logs import DriveLog
    from ..measured import FaultFound, LearnedFigure, LearnedInput, NextReading, ReadingFound
    from ..measured.candidates import Candidate
    from ..measured.from_log import SteadyPoint

__all__ = [
    "doubted", "fault_words", "figure_words", "input_words", "learning_words", "next_words", "outcome_words", "reading_words", "rests_words", "rows_words",
    "steady_words", "time_words",
]  # fmt: skip

# A reading this many deviations off what all others expect is named.
DOUBTED = 2.0
FAULTS = {
    Fault.CAM_TURNED: ("the cam stands {size} {way} than on the card", ("later", "earlier"), "Degree the cam."),
    Fault.ROCKER_RATIO: ("rockers lift {size} {way} than on the sheet", ("more", "less"), "Measure valve lift over lobe lift."),
    Fault.LASH: ("valves lift {size} {way} later, from lash or soft tappets", ("", ""), "Set lash, or check that tappets pump up."),
    Fault.GAUGE: ("the manifold gauge or sensor reads {size} {way}", ("high", "low"), "Compare it with the barometer, engine off, and with another gauge."),
    Fault.UNMETERED_AIR: ("{size} of air {way} gets in past the air meter", ("", ""), "Search for the leak."),
}
UNCERTAIN_SIZE = "size not settled"


def _value(value: float, unit: str, system: UnitSystem, digits: int = 3) -> str:
    """Return a figure in the user's unit with so many digits."""
    own = output_unit(unit, system)
    found = float(quantity(value, unit, own).magnitude) if math.isfinite(value) else value
    if not math.isfinite(found):
        return "none"
    decimals = max(digits - 1 - math.floor(math.log10(abs(found))), 0) if found else 0
    rounded = round(found, digits - 1 - math.floor(math.log10(abs(found)))) if found else 0.0
    return f"{rounded:.{decimals}f}"


def _unit(unit: str, system: UnitSystem) -> str:
    own = output_unit(unit, system)
    return WRITTEN.get(own, own)


def outcome_words(found: Learning) -> list[str]:
    """Return whether the readings agree with the sheet, and where not, what contradicts it most."""
    count = sum(one.used for one in found.readings)
    lines = []
    if found.contradicts:
        share = f"{100.0 * found.by_chance:.1g} %" if found.by_chance >= 1e-4 else "less than 0.01 %"
        who = "1 reading contradicts" if count == 1 else f"{count} readings contradict"
        lines.append(f"The {who} the sheet or one another: {share} of cars that it allows read so far off. Find out why first.")
        worst = doubted(found)
        for one in worst:
            side = "above" if one.off > 0.0 else "below"
            lines.append(f"{capitalised(_where(one))} is {abs(one.off):.1f} deviations {side} what all others expect.")
        lines.append("No band below should be relied on, and nothing is written into a sheet.")
    else:
        share = f"{100.0 * found.by_chance:.0f} %" if found.by_chance < 0.99 else "more than 99 %"
        agree = "1 reading agrees" if count == 1 else f"{count} readings agree"
        lines.append(f"The {agree} with the sheet: {share} of cars that it allows read as far off or further.")
    if found.contradicts and not any(one.by_chance >= CONTRADICTS for one in found.faults):
        lines.append("No single fault looked at explains the readings: look for a wrong figure first.")
    elif found.learned is None and not found.contradicts:
        lines.append("A fault of the car explains them far better than none. Bands below assume no fault, and nothing is written into a sheet.")
    elif found.faults:
        lines.append("Bands below assume no fault.")
    unused = [one for one in found.readings if not one.used]
    if unused:
        names = ", ".join(_where(one) for one in unused)
        lines.append(f"Not used, since the model has no answer there for many cars: {names}.")
    residual = next((one for one in found.figures if one.name == "burned_fraction"), None)
    if residual is not None and max(residual.before, residual.after) > 100.0 * BEYOND_DATA:
        lines.append("So much residual is beyond any engine data: figures at idle show a direction, not degrees.")
    if found.effective < FEW:
        lines.append(f"Only {found.effective:.0f} effective draws carry these figures: read them roughly.")
    return lines


def rests_words(found: Learning) -> str:
    """Return what a brief's first screen says of the readings: whether its figures rest on them."""
    count = sum(one.used for one in found.readings)
    read = "1 reading of this car" if count == 1 else f"{count} readings of this car"
    if found.contradicts:
        verb = "contradicts" if count == 1 else "contradict"
        return f"! {read} {verb} the sheet or one another. Nothing below rests on them. Find out why before first fire: --section readings."
    if found.learned is None:
        return f"! A fault of the car explains {read} far better than none. Nothing below rests on them: --section readings."
    return f"Figures rest on {read}, which {'agrees' if count == 1 else 'agree'} with the sheet."


# Fewer effective draws than this leave bands rough by a tenth and more.
FEW = 100.0


def _where(one: ReadingFound) -> str:
    return f"row {one.row}, {one.name.replace('_', ' ')}"


def doubted(found: Learning) -> list[ReadingFound]:
    """Return the readings furthest off what all others expect, the furthest first; at most two, at least one."""
    ranked = sorted((one for one in found.readings if one.used), key=lambda one: -abs(one.off))
    return [one for one in ranked[:2] if abs(one.off) >= DOUBTED] or ranked[:1]


def reading_words(one: ReadingFound, system: UnitSystem) -> str:
    """Return a reading in words: which, what was read, what the sheet allows, what all others expect, how far off."""
    unit = _unit(one.unit, system)
    read = f"{capitalised(_where(one))}: {_value(one.value, one.unit, system)} {unit}"
    if not one.used:
        return f"{read}, not used."
    low, high, expected = (_value(value, one.unit, system) for value in (one.allowed_low, one.allowed_high, one.expected))
    return f"{read}. The sheet allows {low} to {high}; all others expect {expected}, {one.off:+.1f} deviations from it."


def figure_words(one: LearnedFigure, system: UnitSystem) -> str:
    """Return a headline figure in words: before, after, what is left of its band."""
    what = capitalised(one.headline.meaning) if one.name != "ceiling" else "Spark ceiling at 1400 rpm and 60 kPa"
    unit = _unit(one.unit, system)

    def band(middle: float, low: float, high: float) -> str:
        return f"{_value(middle, one.unit, system)} ({_value(low, one.unit, system)} to {_value(high, one.unit, system)}) {unit}"

    left = f"; {100.0 * one.narrowed:.0f} % of the band is left" if math.isfinite(one.narrowed) else ""
    return f"{what}: {band(one.before, one.before_low, one.before_high)} before, {band(one.after, one.after_low, one.after_high)} after{left}."


def input_words(one: LearnedInput) -> str:
    """Return how far an input moved, in a sentence."""
    change = 100.0 * (one.factor - 1.0)
    low, high = 100.0 * (one.low - 1.0), 100.0 * (one.high - 1.0)
    return f"{capitalised(one.input.meaning)}: {change:+.0f} % ({low:+.0f} to {high:+.0f} %), {100.0 * one.narrowed:.0f} % of its spread left."


def fault_words(one: FaultFound, system: UnitSystem) -> str:
    """Return what may be wrong with the car, how well it explains the readings, and how to check it."""
    text, ways, check = FAULTS[one.fault]
    way = ways[0] if one.size >= 0.0 else ways[1]
    # A fault that has one sign only is settled where its band keeps off none.
    settled = one.low * one.high > 0.0 and min(abs(one.low), abs(one.high)) > 0.1 * max(abs(one.low), abs(one.high))
    size = f"{_value(abs(one.size), one.unit, system, 2)} {_unit(one.unit, system)}" if settled else "a little"
    words = " ".join(text.format(size=size, way=way).split())
    reach = sorted((abs(one.low), abs(one.high)))
    size += " (the end of what was tried)" if one.mark("size") is not None else ""
    between = f" ({_value(reach[0], one.unit, system, 2)} to {_value(reach[1], one.unit, system, 2)})" if settled else f" ({UNCERTAIN_SIZE})"
    return f"{capitalised(words)}{between}: explains the readings {one.times_better:.2g} times as well as no fault. {check}"


def time_words(seconds: float) -> str:
    """Return a time as people write it.

    >>> time_words(40.0), time_words(300.0)
    ('40 s', '5 min')
    """
    return f"{seconds:.0f} s" if seconds < 90.0 else f"{seconds / 60.0:.0f} min"


def next_words(one: NextReading) -> str:
    """Return what to read next, how long it takes and what it should leave."""
    row = ", ".join(line.replace('"', "") for line in one.row.splitlines()[1:] if "?" not in line).replace("what = ", "")
    return f"{capitalised(row)}: {time_words(one.seconds)}, should leave {100.0 * one.leaves:.0f} % of the bands; helps most: {one.helps.meaning}."


def rows_words(candidates: Sequence[Candidate], *, replaced: bool) -> list[str]:
    """Return rows for a sheet, ready to be filled in, with their cautions and how each is read.

    Parameters
    ----------
    candidates : sequence of Candidate
    replaced : bool
        Whether the sheet has the cam that is in the car before.
    """
    lines = [f"# ! {text}" for text in ON_THE_ROAD]
    lines.append("# Put a figure in place of each ?, take rows out that you do not read.")
    lines.append('# How closely it was read may stand behind it, as one standard deviation: "55.5 kPa +- 0.8 kPa".')
    if replaced:
        lines += ['# Read compression and idle before the change too, with cam = "replaced":', "# against these it shows how the new cam was fitted."]
    for one in candidates:
        lines += ["", f"# {HOW[one.row.said.what]} About {time_words(one.seconds)}.", *one.text.splitlines()]
    return lines


HOW = {
    "cranking": "Warm, all plugs out, throttle wide open: the gauge's peak, the mean of all cylinders.",
    "idle": "Neutral, warm, accessories off, spark held, until nothing drifts: means over 20 s.",
    "road": "Level, steady, spark held: means over 15 s, once each way.",
    "coasting": "Second gear, pedal released, fuel cut: how fast road speed falls at 2500 rpm, once each way.",
    "misfire limit": "At idle, spark raised degree by degree: the last at which no cycle is heard to miss.",
}


def steady_words(points: Sequence[SteadyPoint], log: DriveLog) -> list[str]:
    """Return rows for a sheet from where a log is steady, each with where that was; where nothing is, why."""
    if not points:
        from ..measured.from_log import LEAST, LEAST_ROWS, WINDOW, NotSteady, why_not_steady

        match why_not_steady(log):
            case NotSteady.FEW_ROWS:
                return [f"# The log has {log.si.sampling_rate:.2g} rows a second: too few to tell what is steady. Log {LEAST_ROWS / WINDOW:g} or more."]
            case NotSteady.NO_LOAD:
                return ["# The log has no manifold pressure and no air charge: nothing to read. Log one of them."]
            case NotSteady.NO_SPARK:
                return ["# The log has no spark: a reading without it says little. Log final spark."]
            case _:
                return [f"# The log has no {LEAST:.0f} s of steady idle or road. Hold speed and spark for longer."]
    lines: list[str] = []
    for point in points:
        lines += [f"# steady for {point.seconds:.0f} s, from {point.begins:.0f} s", *point.text.splitlines(), ""]
    return lines[:-1]


@describe.register
def _learning(found: Learning) -> str:
    return "\n".join(learning_words(found, UnitSystem.METRIC))


def learning_words(found: Learning, system: UnitSystem) -> list[str]:
    """Return all that readings say, a line each."""
    lines = [f"! {text}" for text in found.cautions]
    lines += outcome_words(found)
    lines += [figure_words(one, system) for one in found.figures]
    lines += [fault_words(one, system) for one in found.faults]
    return lines + [next_words(one) for one in found.next[:3]]

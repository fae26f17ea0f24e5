"""Brakes in words: what a common booster has of the idle's vacuum, and what to do about it."""

from __future__ import annotations

import math

from ..advice.brakes import BrakeAssist, BrakeVerdict
from ..constants import STANDARD_PRESSURE
from ..unit_system import UnitSystem, vacuum_text
from .describing import describe
from .figures import percent, set_rpm

__all__ = ["brakes_words", "no_idle_no_vacuum"]

VERDICTS = {
    BrakeVerdict.ENOUGH: "Enough vacuum for a common brake booster",
    BrakeVerdict.REDUCED: "Less vacuum than a common brake booster wants",
    BrakeVerdict.TOO_LITTLE: "Too little vacuum for a common brake booster",
}
NEXT = {
    BrakeVerdict.ENOUGH: "Test the brakes at a standstill before the road all the same.",
    BrakeVerdict.REDUCED: ("Expect a harder pedal and fewer presses in reserve. Test the brakes at a standstill, then at walking pace, before the road."),
    BrakeVerdict.TOO_LITTLE: (
        "Plan a vacuum pump, a reservoir or another brake system. Do not drive until the brakes are proved at a standstill and at walking pace."
    ),
}
# Share of the standard barometer that altitude may take off before it is worth a sentence.
WORTH_A_WORD = 0.015


@describe.register
def brakes_words(assist: BrakeAssist, units: UnitSystem = UnitSystem.IMPERIAL) -> str:
    """Return the verdict on brake assist at idle, its figures, and what to do.

    Parameters
    ----------
    assist : BrakeAssist
    units : UnitSystem
        Of vacuum.

    Returns
    -------
    str
        Sentences on one line.

    Examples
    --------
    >>> from camcalc.advice.brakes import brake_assist
    >>> brakes_words(brake_assist(36.9e3, ambient=101e3, replaced_vacuum=70e3))[:98]
    'Too little vacuum for a common brake booster: 10.9 inHg at idle, 53 % of that with the old cam. Pl'
    """
    si = assist.si
    parts = [f"{VERDICTS[assist.verdict]}: {vacuum_text(si.vacuum, units, brakes=True)} at idle"]
    if math.isfinite(si.of_replaced):
        parts[0] += f", {percent(si.of_replaced)} of that with the old cam"
    if si.lost_to_altitude > WORTH_A_WORD * STANDARD_PRESSURE:
        parts.append(f"At sea level the barometer is {vacuum_text(si.lost_to_altitude, units)} higher, and vacuum with it")
    return ". ".join(parts) + ". " + NEXT[assist.verdict]


def no_idle_no_vacuum(speed: float) -> str:
    """Return what to say of the brakes where the engine does not idle at a speed [rev/s].

    >>> no_idle_no_vacuum(650.0 / 60.0)
    'No vacuum for the brakes: the engine does not idle at 650 rpm.'
    """
    return f"No vacuum for the brakes: the engine does not idle at {set_rpm(speed)}."

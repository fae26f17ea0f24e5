"""What idle vacuum is left for the brakes."""

from __future__ import annotations

import dataclasses
import math

from ..codes import Code
from ..constants import STANDARD_PRESSURE
from ..results import Measure, Record, measure

__all__ = ["COMFORTABLE", "BrakeAssist", "BrakeVerdict", "brake_assist", "too_little"]

# Vacuum that serves a common booster, and where the pedal feels hard: 0.5 bar and about 11 inHg, from memory
# (medium confidence). Cures rank the want of brakes by the first.
COMFORTABLE, HARD = 50e3, 37e3


class BrakeVerdict(Code):
    """What a common brake booster has in an idle's vacuum."""

    ENOUGH = "enough vacuum for a common booster"
    REDUCED = "less vacuum than a common booster wants: a harder pedal, and fewer presses in reserve"
    TOO_LITTLE = "too little vacuum for a common booster"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class BrakeAssist(Record):
    """Idle vacuum as brake assist. What is compared with a cam that is replaced is missing without one."""

    verdict: BrakeVerdict
    vacuum: Measure = measure("Pa", "inHg", doc="at idle")
    replaced_vacuum: Measure = measure("Pa", "inHg", doc="at idle with the cam that is replaced")
    of_replaced: Measure = measure("", "percent", doc="vacuum over that with the cam that is replaced")
    lost_to_altitude: Measure = measure("Pa", "inHg", doc="what the barometer lacks of the standard one; no idle can have it as vacuum")


def too_little(vacuum: float) -> bool:
    """Return whether a manifold vacuum [Pa] is less than a common booster can do with."""
    return vacuum < HARD


def brake_assist(vacuum: float, *, ambient: float, replaced_vacuum: float = math.nan) -> BrakeAssist:
    """Return what is left of brake assist at idle.

    Parameters
    ----------
    vacuum : float [Pa]
        Manifold vacuum at idle.
    ambient : float [Pa]
        Barometer.
    replaced_vacuum : float [Pa]
        At idle with the cam that is replaced; not-a-number without one.

    Examples
    --------
    >>> brake_assist(40e3, ambient=101e3).verdict is BrakeVerdict.REDUCED
    True
    """
    verdict = BrakeVerdict.ENOUGH if vacuum >= COMFORTABLE else BrakeVerdict.TOO_LITTLE if too_little(vacuum) else BrakeVerdict.REDUCED
    return BrakeAssist(
        verdict=verdict,
        vacuum=vacuum,
        replaced_vacuum=replaced_vacuum,
        of_replaced=vacuum / replaced_vacuum if replaced_vacuum > 0.0 else math.nan,
        lost_to_altitude=max(STANDARD_PRESSURE - ambient, 0.0),
    )

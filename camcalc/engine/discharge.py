"""Effective flow areas of the valves, forward and backward, over lift."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .valve_flow import ValveShape, intake_discharge, valve_area_kernel

__all__ = ["effective_area", "exhaust_discharge"]

Array = NDArray[np.float64]

# Exhaust discharge coefficient on curtain area: about 0.7 at low lift, 0.6 near a quarter of the diameter, from memory
# (medium confidence). A valve run backwards behaves like one of the other kind (low confidence): an ESTIMATE with a band.
EXHAUST_LOW, EXHAUST_HIGH, EXHAUST_AT = 0.70, 0.60, 0.25
# Published coefficients end at this lift over diameter; above it the effective area grows no more.
DATA_END = 0.25
# No jet fills more of the least geometric area than this; ESTIMATE, the attached jet at small lift.
MOST_OF_LEAST_AREA = 0.95


def exhaust_discharge(lift_over_diameter: float) -> float:
    """Return the exhaust discharge coefficient on curtain area."""
    x = min(max(lift_over_diameter, 0.0), EXHAUST_AT) / EXHAUST_AT
    return EXHAUST_LOW + (EXHAUST_HIGH - EXHAUST_LOW) * x


def effective_area(lifts: Array, shape: ValveShape, *, like: str, factor: float = 1.0) -> Array:
    """Return effective area [m2] of all valves of a kind at lifts [m].

    Parameters
    ----------
    lifts : array [m], shape (n,)
    shape : ValveShape
    like : str
        ``"intake"``: into the cylinder past an intake valve, or back past an exhaust valve; ``"exhaust"``: the other two.
    factor : float
        Multiplies the coefficient.

    Notes
    -----
    Published coefficients stand on curtain area; three-stage least area times 0.95 is never exceeded.
    """
    coefficient: Any = intake_discharge if like == "intake" else exhaust_discharge
    areas = np.empty(lifts.size)
    for k, lift in enumerate(lifts):
        flowing = min(lift, DATA_END * shape.head)
        curtain = np.pi * shape.head * flowing * coefficient(flowing / shape.head)
        least = valve_area_kernel(lift, shape.head, shape.seat_width, shape.seat_angle, shape.port, shape.stem)
        areas[k] = shape.valves * factor * min(curtain, MOST_OF_LEAST_AREA * least)
    return areas

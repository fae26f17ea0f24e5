"""Effective flow areas of the valves, forward and backward, over lift."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from .valve_flow import ValveShape, intake_discharge, valve_area_kernel

__all__ = ["effective_area", "exhaust_discharge"]

Array = NDArray[np.float64]

# Exhaust discharge coefficient on curtain area: about 0.7 at low lift, 0.6 near a quarter of the diameter, from memory
# (medium confidence). A valve run backwards behaves like one of the other kind (low confidence): an ESTIMATE with a band.
EXHAUST_LOW, EXHAUST_HIGH, EXHAUST_AT = 0.70, 0.60, 0.25
# Published coefficients end at this lift over diameter; above it the effective area grows no more.
DATA_END = 0.25
# No jet fills more of the least geometric area than this: at low lift the flow fills the gap between the seats, 0.88 to 0.97 of the
# conical area (Annand & Roe 1974, from memory, medium).
MOST_OF_LEAST_AREA = 0.95


@compiled
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

    During overlap the valves are low, and there the gap between the seats rules in both directions: the conical area is 0.66 to 0.68 of
    the curtain with a 45 degree seat, so that both coefficients above (0.69 and 0.70 of the curtain) meet 0.95 of the cone first.
    Forwards and backwards are then one figure, and have bounds of their own:

    - at most the cone itself, 1.05 of what is used: an ideal nozzle of the least area, choked or not, passes no more;
    - at least some 0.8: friction between the seats, laminar loss ``96 / Re L / D_h`` over the seat's width. Hot gas of 1000 K at 300 m/s has
      a Reynolds number of 1800 at 0.5 mm of lift, which costs 5 % of the flow, and 700 at 0.2 mm, which costs 23 %; most of what crosses
      during overlap crosses above 0.5 mm. Separation at the seat's edges does not add to it at pressure ratios that choke.

    What a tolerance of the valves' timing does comes on top: one cam degree of lobe separation is some 8 % of a long cam's overlap area.
    The band of 0.85 to 1.15 that advice samples (``Tolerances.overlap``) is the two together; an ESTIMATE from these bounds.
    No measured coefficient for reverse flow at so little lift was found.
    """
    return _areas(np.ascontiguousarray(lifts, dtype=float), shape, like == "intake", factor)


@compiled
def _areas(lifts: Array, shape: ValveShape, inward: bool, factor: float) -> Array:
    areas = np.empty(lifts.size)
    for k in range(lifts.size):
        flowing = min(lifts[k], DATA_END * shape.head)
        share = flowing / shape.head
        coefficient = intake_discharge(share) if inward else exhaust_discharge(share)
        least = valve_area_kernel(lifts[k], shape.head, shape.seat_width, shape.seat_angle, shape.port, shape.stem)
        areas[k] = shape.valves * factor * min(np.pi * shape.head * flowing * coefficient, MOST_OF_LEAST_AREA * least)
    return areas

"""Published closed forms: residual gas fraction and overlap factor."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from ..units import checked

if TYPE_CHECKING:
    from ..cam.card import CamCard
    from ..sheet.sections import Engine

__all__ = ["RESIDUAL_DATA_END", "blow_back_share", "overlap_factor", "overlap_factor_fit", "residual_fraction", "soft_clamp"]

# Beyond this burned mass fraction no residual model has data (Fox et al. 1993 and later studies; from memory).
RESIDUAL_DATA_END = 0.40
MOST_RESIDUAL = 0.95
# The correlation is unbounded. From here on camcalc bends it towards the most burned gas that a spark-ignited charge has
# been run with; both figures are ESTIMATES, and results above RESIDUAL_DATA_END are flagged.
CLAMP_FROM, CLAMP_TO = 0.30, 0.45
BAR = 1e5


def overlap_factor(cam: CamCard, engine: Engine) -> float:
    """Return the overlap factor [deg/m] by its integral definition, from the lift curves.

    ``(D_i A_i + D_e A_e)/V_d``: lift integrals up to and from the angle of equal lift, inner seat diameters, all valves of
    one cylinder (Fox et al. 1993). Zero where the valves are never open together.
    """
    si = engine.si
    overlap = cam.overlap.si
    swept = math.pi / 4.0 * si.bore**2 * si.stroke
    inner_intake = (si.intake_valve_diameter - 2.0 * si.valve_seat_width) * engine.intake_valves
    inner_exhaust = (si.exhaust_valve_diameter - 2.0 * si.valve_seat_width) * engine.exhaust_valves
    return float((inner_intake * overlap.intake_area + inner_exhaust * overlap.exhaust_area) / swept)


@checked("deg/m", overlap=("crank_deg", 0.0, 200.0), bore=("m", 0.03, 0.2), max_lift=("m", 1e-3, 0.03), valve_diameter=("m", 0.01, 0.1))
def overlap_factor_fit(overlap: float, *, bore: float, max_lift: float, valve_diameter: float) -> float:
    """Return the overlap factor by the published fit for typical profiles.

    Parameters
    ----------
    overlap : quantity [crank angle]
        At 0.15 mm of valve lift.
    bore, max_lift, valve_diameter : quantity [length]

    Notes
    -----
    ``(1.45/B)(107 + 7.8 d + d^2) L D / B^2`` with B in mm. It exceeds the integral definition by up to half; camcalc uses
    the definition and shows this beside it.

    References
    ----------
    Fox, Cheng & Heywood 1993, SAE 931025 (from memory; unit of B verified by integration).

    Examples
    --------
    >>> round(overlap_factor_fit("30 crank_deg", bore="83 mm", max_lift="8.6 mm", valve_diameter="34 mm").magnitude, 4)
    0.9202
    """
    return 1.45 / (bore * 1e3) * (107.0 + 7.8 * overlap + overlap**2) * max_lift * valve_diameter / bore**2


def blow_back_share(overlap_factor: float, speed: float, p_intake: float, p_exhaust: float) -> float:
    """Return the overlap term of the residual: burned gas that came back during overlap, as a share of the trapped charge.

    Parameters
    ----------
    overlap_factor : float
        By its integral definition [deg/m].
    speed : float
        Crank speed [rev/s].
    p_intake, p_exhaust : float
        Mean pressures of intake and exhaust [Pa].

    References
    ----------
    Fox, Cheng & Heywood 1993, SAE 931025 (from memory).
    """
    return 1.266 * overlap_factor / speed * (p_intake / p_exhaust) ** -0.87 * math.sqrt(max(p_exhaust - p_intake, 0.0) / BAR)


def soft_clamp(burned: float) -> float:
    """Return a burned fraction that follows the correlation up to 0.30 and then bends towards 0.45.

    >>> soft_clamp(0.2), round(soft_clamp(0.6), 3)
    (0.2, 0.445)
    """
    if burned <= CLAMP_FROM:
        return burned
    room = CLAMP_TO - CLAMP_FROM
    return CLAMP_FROM + room * math.tanh((burned - CLAMP_FROM) / room)


@checked(
    "",
    overlap_factor=("deg/m", 0.0, 50.0),
    speed=("crank_rps", 3.0, 200.0),
    intake_pressure=("Pa", 5e3, 1.2e5),
    exhaust_pressure=("Pa", 4e4, 2.5e5),
    phi=("", 0.6, 1.4),
    compression_ratio=("", 5.0, 18.0),
)
def residual_fraction(
    overlap_factor: float, *, speed: float, intake_pressure: float, exhaust_pressure: float, phi: float = 1.0, compression_ratio: float
) -> float:
    """Return burned gas over trapped charge by mass, by the published correlation, clamped below 1.

    Parameters
    ----------
    overlap_factor : quantity [plane angle / length]
        By definition, or by the fit.
    speed : quantity [crank speed]
    intake_pressure, exhaust_pressure : quantity [pressure]
        Absolute, mean.
    phi : float
        Equivalence ratio; counts up to 1.
    compression_ratio : float

    Notes
    -----
    Overlap term ``1.266 OF/N (pi/pe)^-0.87 sqrt(pe - pi)`` (N in rev/s, p in bar) plus trapped term
    ``0.632 phi (pi/pe)^-0.74 / r``. Warm engines, ordinary overlaps; no data above about 0.40, where results are flagged.

    References
    ----------
    Fox, Cheng & Heywood 1993, SAE 931025 (from memory).

    Examples
    --------
    >>> pressures = dict(intake_pressure="0.5 bar", exhaust_pressure="1.05 bar")
    >>> round(residual_fraction("0.92 deg/m", speed="1500 rpm", compression_ratio=9.0, **pressures).magnitude, 4)
    0.1875
    """
    overlap = blow_back_share(overlap_factor, speed, intake_pressure, exhaust_pressure)
    kept = 0.632 * min(phi, 1.0) * (intake_pressure / exhaust_pressure) ** -0.74 / compression_ratio
    return min(overlap + kept, MOST_RESIDUAL)

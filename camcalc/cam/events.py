"""Valve events and overlap: when the valves pass a checking height, read as the trade reads them."""

from __future__ import annotations

import dataclasses

from ..results import Measure, Record, measure
from ..units import checked

__all__ = ["ValveEvents", "events_from_angles", "intake_opening", "overlap_of"]


@checked("crank_deg", duration="crank_deg", centreline="crank_deg")
def intake_opening(duration: float, centreline: float) -> float:
    """Return how far before top dead centre the intake valve opens; negative is after.

    Parameters
    ----------
    duration : quantity [crank angle]
        Intake duration at the checking height.
    centreline : quantity [crank angle]
        Intake centreline after top dead centre.

    Notes
    -----
    ``IVO = D/2 - ICL``, exact for a lobe whose midpoint is its centreline.

    Examples
    --------
    >>> intake_opening("280 crank_deg", centreline="106 crank_deg").magnitude
    34.0
    """
    return duration / 2.0 - centreline


@checked("crank_deg", intake_duration="crank_deg", exhaust_duration="crank_deg", lobe_separation="crank_deg")
def overlap_of(intake_duration: float, exhaust_duration: float, lobe_separation: float) -> float:
    """Return valve overlap from both durations and the lobe separation.

    Parameters
    ----------
    intake_duration, exhaust_duration : quantity [crank angle]
        Durations at one checking height.
    lobe_separation : quantity [crank angle]
        Usually in ``cam_deg``; converted like any other unit.

    Notes
    -----
    ``overlap = (Di + De)/2 - separation``, with the separation in crank degrees. Advance does not enter. Exact geometry for lobes that are
    symmetric about their centrelines.

    Examples
    --------
    >>> overlap_of(intake_duration="280 crank_deg", exhaust_duration="280 crank_deg", lobe_separation="110 cam_deg").magnitude
    60.0
    """
    return (intake_duration + exhaust_duration) / 2.0 - lobe_separation


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ValveEvents(Record):
    """Valve events at one checking height.

    Signs are the trade's: intake opening before top dead centre, intake closing after bottom dead centre, exhaust opening
    before bottom dead centre, exhaust closing after top dead centre. A negative figure lies on the other side.
    """

    height: Measure = measure("m", "mm", doc="checking height")
    measured_at: str
    intake_opens: Measure = measure("crank_deg", doc="before top dead centre")
    intake_closes: Measure = measure("crank_deg", doc="after bottom dead centre")
    exhaust_opens: Measure = measure("crank_deg", doc="before bottom dead centre")
    exhaust_closes: Measure = measure("crank_deg", doc="after top dead centre")
    intake_duration: Measure = measure("crank_deg")
    exhaust_duration: Measure = measure("crank_deg")
    overlap: Measure = measure("crank_deg", doc="crank angle with both valves open beyond the checking height; negative if they never are")
    source: str = "card"


def events_from_angles(height: float, side: str, intake: tuple[float, float], exhaust: tuple[float, float], source: str) -> ValveEvents:
    """Return events from opening and closing angles [crank deg], 0 at the top dead centre between exhaust and intake stroke.

    Parameters
    ----------
    height : float
        Checking height [m].
    side : str
        "tappet" or "valve", where the height is measured.
    intake, exhaust : tuple of two floats
        Opening and closing angle of each lobe at that height [crank deg].
    source : str
        Where the angles come from: the card, or the fitted curve.
    """
    return ValveEvents(
        height=height,
        measured_at=side,
        intake_opens=-intake[0],
        intake_closes=intake[1] - 180.0,
        exhaust_opens=-180.0 - exhaust[0],
        exhaust_closes=exhaust[1],
        intake_duration=intake[1] - intake[0],
        exhaust_duration=exhaust[1] - exhaust[0],
        overlap=exhaust[1] - intake[0],
        source=source,
    )

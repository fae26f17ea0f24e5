"""What a cam is, by geometry alone: events, overlap, effective compression."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

from ..cam.card import CamCard, Overlap
from ..cam.events import ValveEvents
from ..cycle.closed_form import overlap_factor, overlap_factor_fit
from ..engine.geometry import effective_compression, geometry_of
from ..results import Measure, Record, measure

if TYPE_CHECKING:
    from ..sheet.sections import Engine

__all__ = ["CamFacts", "cam_facts"]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CamFacts(Record):
    """What a cam is, by geometry alone."""

    cam: str
    lobe_separation: Measure = measure("crank_deg", "cam_deg")
    advance: Measure = measure("crank_deg")
    intake_centreline: Measure = measure("crank_deg")
    exhaust_centreline: Measure = measure("crank_deg")
    intake_lift: Measure = measure("m", "mm", doc="at the valve, lash taken up")
    exhaust_lift: Measure = measure("m", "mm")
    overlap: Overlap
    overlap_factor: Measure = measure("deg/m", doc="by the integral definition; the one used")
    overlap_factor_by_fit: Measure = measure("deg/m", doc="by the published fit, shown beside it")
    effective_compression: float
    events: tuple[ValveEvents, ...]
    engine_lacks: tuple[str, ...] = ()


def cam_facts(cam: CamCard, engine: Engine | None, lacks: tuple[str, ...] = ()) -> CamFacts:
    """Return what follows from a cam by geometry, in an engine.

    Parameters
    ----------
    cam : CamCard
    engine : Engine or None
        Without one, effective compression and overlap factor are left out (not a number).
    lacks : tuple of str
        What ``[engine]`` lacks then.
    """
    intake, exhaust = cam.lift_curve("intake"), cam.lift_curve("exhaust")
    at_seat = cam.events(at="0.15 mm", measured_at="valve")
    printed = [cam.events(at=f"{h!r} m", measured_at=side) for h, side in cam.checked_heights()]
    factor, fit, compression = (math.nan,) * 3 if engine is None else _in_engine(cam, engine, at_seat)
    return CamFacts(
        cam=cam.name,
        lobe_separation=cam.intake.si.centreline + cam.exhaust.si.centreline,
        advance=(cam.exhaust.si.centreline - cam.intake.si.centreline) / 2.0,
        intake_centreline=cam.intake.si.centreline,
        exhaust_centreline=cam.exhaust.si.centreline,
        intake_lift=intake.max_lift,
        exhaust_lift=exhaust.max_lift,
        overlap=cam.overlap,
        overlap_factor=factor,
        overlap_factor_by_fit=fit,
        effective_compression=compression,
        events=(*printed, *(() if any(e.measured_at == "valve" and abs(e.si.height - at_seat.si.height) < 1e-9 for e in printed) else (at_seat,))),
        engine_lacks=lacks,
    )


def _in_engine(cam: CamCard, engine: Engine, at_seat: ValveEvents) -> tuple[float, float, float]:
    """Return overlap factor by definition and by fit, and effective compression."""
    geometry = geometry_of(engine)
    fit = 0.0
    if at_seat.si.overlap > 0.0:
        lift, head = cam.lift_curve("intake").max_lift, engine.si.intake_valve_diameter
        fit = overlap_factor_fit.kernel(at_seat.si.overlap, bore=engine.si.bore, max_lift=lift, valve_diameter=head)
    compression = effective_compression.kernel(geometry.compression_ratio, at_seat.si.intake_closes, geometry.rod_over_crank)
    return overlap_factor(cam, engine), fit, compression

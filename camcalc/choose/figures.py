"""Settled figures of a card as records, and each want held against them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from ..advice.idle_speeds import lowest_idle, lowest_mark
from ..advice.reversion import reversion_in_gear
from ..cam.card import CamCard, Lobe
from ..cycle.models import engine_kind
from ..marks import Mark
from ..units import factor
from ..vehicle.acceleration_weighting import SurgeGrade
from .asking import Asked, Road, Settled
from .cards import main_height
from .records import CamFigures, ChosenCam, KeptWant, RankedCards
from .wants import Demand, Figure, Want, Wants

if TYPE_CHECKING:
    from ..sheet import Build
    from ..sheet.sections import Wanted

__all__ = ["UNITS", "build_with", "cam_figures", "duration_at", "kept_wants", "limit_of", "nearest_value", "usable", "want_value"]

# The unit that a want's limit and figure are written in.
UNITS = {
    Want.IDLE_SPEED: "rpm", Want.IDLE_VACUUM: "inHg", Want.MISSED_CYCLES_AT_IDLE: "percent", Want.LOWEST_USABLE: "percent",
    Want.EFFECTIVE_COMPRESSION_LEAST: "", Want.EFFECTIVE_COMPRESSION_MOST: "", Want.KEEP_FILLING: "",
}  # fmt: skip


def duration_at(lobe: Lobe, cam: CamCard, height: float, side: str) -> float:
    """Return a lobe's duration [crank deg] at a checking height [m]: the card's own figure where it has one, else the lift curve's; NaN without either.

    Parameters
    ----------
    lobe : Lobe
    cam : CamCard
        The card it is on.
    height : float
        [m]
    side : str
        ``"tappet"`` or ``"valve"``.
    """
    printed = [c.duration for c in lobe.checks if not c.assumed and c.side == side and abs(c.si.height - height) < 1e-8]
    if printed:
        return printed[0]
    edges = cam.lift_curve(lobe.kind).edges(height, side=side)
    return math.nan if edges is None else edges[1] - edges[0]


def cam_figures(build: Build, cam: CamCard, wants: Wants, settled: Settled, road: Road | None = None) -> CamFigures:
    """Return a settled card as a record.

    Parameters
    ----------
    build : Build
        Its own card says at which height durations are taken.
    cam : CamCard
    wants : Wants
    settled : Settled
        Nominal.
    road : Road
        Where the gear asked about was looked at on the road.
    """
    check = main_height(build.cam)
    height, side = check.si.height, check.side
    idles, driven = wants.idles, bool(wants.gear)
    return CamFigures(
        cam=cam.name,
        duration=duration_at(cam.intake, cam, height, side),
        exhaust_duration=duration_at(cam.exhaust, cam, height, side),
        height=height,
        lobe_separation=cam.intake.si.centreline + cam.exhaust.si.centreline,
        advance=(cam.exhaust.si.centreline - cam.intake.si.centreline) / 2.0,
        intake_centreline=cam.intake.si.centreline,
        intake_lift=cam.intake.si.valve_lift,
        exhaust_lift=cam.exhaust.si.valve_lift,
        effective_compression=settled.compression,
        idles=settled.rule is not None if idles else None,
        idle_speed=wants.idle_speed if idles else None,
        vacuum=settled.vacuum,
        missed=settled.missed,
        idle_spark=settled.spark,
        rule=settled.rule,
        imep_variation=settled.idle_variation,
        held=math.isfinite(settled.road_variation) if driven else None,
        gear=wants.gear,
        road_speed=wants.road_speed if driven else None,
        road_variation=settled.road_variation,
        road_variation_above=None if road is None else road.variation,
        surge=None if road is None else road.grade,
        surge_peaks=None if road is None else road.peaks,
        filling=settled.filling,
        filling_speed=wants.filling_speed,
    )


def want_value(demand: Demand, wants: Wants, settled: Settled) -> float:
    """Return the settled figure of a want in its own unit; not-a-number where there is none."""
    if demand.want is Want.IDLE_SPEED:
        return 60.0 * wants.idle_speed if settled.rule is not None else math.nan
    found = {
        Want.IDLE_VACUUM: settled.vacuum / factor("inHg", "Pa"),
        Want.MISSED_CYCLES_AT_IDLE: 100.0 * settled.missed,
        Want.LOWEST_USABLE: 100.0 * settled.road_variation,
        Want.EFFECTIVE_COMPRESSION_LEAST: settled.compression,
        Want.EFFECTIVE_COMPRESSION_MOST: settled.compression,
        Want.KEEP_FILLING: settled.filling,
    }
    return found[demand.want]


def limit_of(build: Build, demand: Demand, wants: Wants) -> float:
    """Return a want's limit in its own unit; of the lowest usable speed the COV of IMEP that the sheet allows."""
    found = {
        Want.IDLE_SPEED: 60.0 * wants.idle_speed,
        Want.IDLE_VACUUM: wants.wanted.si.idle_vacuum / factor("inHg", "Pa"),
        Want.MISSED_CYCLES_AT_IDLE: 100.0 * wants.most_missed,
        Want.LOWEST_USABLE: 100.0 * build.limits.stability,
    }
    return found.get(demand.want, demand.limit)


def kept_wants(
    build: Build, wants: Wants, settled: Settled | None, *, road: Road | None = None, fails: Sequence[float] | None = None, compression: float = math.nan
) -> tuple[KeptWant, ...]:
    """Return every want held against settled figures; what was not computed is neither kept nor broken.

    Parameters
    ----------
    build : Build
    wants : Wants
    settled : Settled or None
        Nothing of a card that was only screened.
    road : Road
        Where the gear was looked at on the road: a gear that surges there, or is rougher above, is not usable. A gear that nothing else rules out
        is not known to be usable without it.
    fails : sequence of float
        Share of cars in which each want fails, by the surrogate.
    compression : float
        Effective compression ratio, which is geometry alone: known of a card that was only screened too.
    """
    out = []
    for k, demand in enumerate(wants.demands):
        known, value, kept = settled is not None or demand.figure is Figure.COMPRESSION, math.nan, None
        if known:
            kept = bool(demand.margin(compression if settled is None else settled.figures[demand.figure]) >= 0.0)
            value = compression if settled is None else want_value(demand, wants, settled)
        if kept and demand.want is Want.LOWEST_USABLE:
            kept = None if road is None or _not_told(build, road) else usable(build, road)
        share = math.nan if fails is None else float(fails[k])
        out.append(KeptWant(demand.want, limit_of(build, demand, wants), value, UNITS[demand.want], kept, share))
    return tuple(out)


def _not_told(build: Build, road: Road) -> bool:
    """Return whether nothing that was found rules a gear out, and surge has no answer."""
    return road.grade is SurgeGrade.UNKNOWN and usable(build, road)


def usable(build: Build, road: Road) -> bool:
    """Return whether a gear is usable as it was found on the road: held, no rougher than the sheet allows at and above the speed, and without surge."""
    return road.held and not road.grade.bad and road.variation <= build.limits.stability


def nearest_value(asked: Asked, demand: Demand, settled: Settled) -> tuple[float, str]:
    """Return what a card reaches of a want, and its unit: of speeds the lowest that serves [rpm], searched on the engine; NaN where none does."""
    build = asked.build.replace(cam=asked.cam)
    if demand.want is Want.IDLE_SPEED:
        lowest = lowest_idle(engine_kind(asked.model)(build), drive=asked.wants.in_drive, steady=False)
        # Where it idles down to the slowest searched, the wanted speed is had.
        return 60.0 * (asked.wants.idle_speed if lowest_mark(lowest) is Mark.OR_LESS else lowest), "rpm"
    if demand.figure is Figure.ROUGHNESS:
        found = reversion_in_gear(engine_kind(asked.model)(build), asked.wants.gear)
        mark = found.mark("unstable_below")
        # Rough up to the fastest searched: none serves. Even down to the slowest: the wanted one does.
        if mark is Mark.OR_MORE:
            return math.nan, "rpm"
        return 60.0 * (asked.wants.road_speed if mark is Mark.NONE_FOUND else found.si.unstable_below), "rpm"
    return want_value(demand, asked.wants, settled), UNITS[demand.want]


def build_with(build: Build, cam: CamCard, wanted: Wanted | None = None, *, found: ChosenCam | RankedCards | None = None) -> Build:
    """Return a build with a card in it that idles at the speed wanted: what a brief of that card is made of.

    Parameters
    ----------
    build : Build
    cam : CamCard
    wanted : Wanted
        The sheet's own when left out.
    found : ChosenCam or RankedCards
        Where given, what it has learned from readings goes with the card. The readings themselves do not: they were taken on the sheet's own cam.

    Examples
    --------
    >>> from camcalc import load_build
    >>> build = load_build("examples/quarry-road/build.toml")
    >>> made = build_with(build, build.cam.advanced("2 crank_deg"), build.wanted.replace(idle_speed="900 rpm"))
    >>> made.cam.advance.magnitude, round(60.0 * made.idle.si.speed)
    (6.0, 900)
    """
    speed = (build.wanted if wanted is None else wanted).si.idle_speed
    made = build.replace(cam=cam)
    if found is not None and build.measured:
        made = made.replace(learned=found.learned, measured=())
    return made if math.isnan(speed) else made.replace(idle=made.idle.replace(speed=speed))

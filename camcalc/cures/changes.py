"""What can be tried against low-speed trouble besides spark, and how far each goes."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any, NamedTuple

from ..codes import Code
from ..engine.geometry import effective_compression, geometry_of
from ..errors import InputError
from ..results import Measure, Record, measure
from ..sheet.sections import LOCKED_AUTOMATIC
from ..units import quantity
from ..vehicle.coupling import Coupling

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["Change", "ChangeFigures", "ChangeKind", "NoFigure", "changes_of"]

# What is tried; steps that the trade takes, common practice, no source.
FASTER_IDLE, CAM_TURN, LOOSER_CONVERTER = 100.0 / 60.0, 4.0, 400.0 / 60.0
# A heavier flywheel in place of a light one [kg m2]; ESTIMATE of a common swap.
FLYWHEEL = 0.05
# Where compression is counted from: camcalc's seat.
SEAT = {"at": "0.15 mm", "measured_at": "valve"}


class ChangeKind(Code):
    """What is changed on the build."""

    NONE = "the build as it is"
    FASTER_IDLE = "faster idle"
    CAM_ADVANCED = "cam advanced"
    CAM_RETARDED = "cam retarded"
    LOWER_GEAR = "one gear lower"
    HEAVIER_FLYWHEEL = "heavier flywheel"
    LOOSER_CONVERTER = "looser converter"
    OPEN_CONVERTER = "converter left open"


class NoFigure(Code):
    """Why a change cannot be tried, or why a figure of it is missing."""

    IDLE_OUT_OF_RANGE = "the idle would be faster than a build sheet may ask for"
    NO_LOWER_GEAR = "there is no lower gear"
    CONVERTER_INSTEAD_OF_FLYWHEEL = "there is no flywheel to swap: the converter is most of the inertia"
    PLATE_INSTEAD_OF_FLYWHEEL = "there is no flywheel to swap: an automatic has a thin plate"
    NO_CONVERTER = "there is no converter"
    STAYS_LOCKED = "the gearbox stays locked"
    CANNOT_IDLE = "the engine cannot idle at this speed"
    CANNOT_HOLD_THE_ROAD = "the engine cannot hold the car on the level road there"
    SHAKING_UNKNOWN = "no answer for damping and shaking there"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ChangeFigures(Record):
    """How far a change goes, and what it moves by geometry alone; missing where the change moves something else."""

    idle_speed: Measure = measure("crank_rps", "rpm", doc="asked for")
    advance: Measure = measure("crank_deg", doc="given to the cam; below zero it is retarded")
    intake_closes: Measure = measure("crank_deg", doc="after bottom dead centre, at 0.15 mm valve lift, with the change")
    intake_closed: Measure = measure("crank_deg", doc="the same, as it is")
    effective_compression: Measure = measure("", doc="counted from there, with the change")
    effective_compression_before: Measure = measure("", doc="the same, as it is")
    added_inertia: Measure = measure("kg*m**2", doc="of the flywheel")
    slower_revs: Measure = measure("", "percent", doc="share by which the free engine gains speed more slowly")
    like_mass: Measure = measure("kg", doc="that the added inertia stands for in first gear")
    added_stall_speed: Measure = measure("crank_rps", "rpm", doc="of the converter, at the same stall torque")


def change_figures(**known: Any) -> ChangeFigures:
    """Return the figures of a change, those not given missing."""
    return ChangeFigures(**{name: known.get(name, math.nan) for name in ChangeFigures.measures()})


class Change(NamedTuple):
    """One thing changed: the sheet with it, gear and coupling then, how far it goes; ``reason`` says why it cannot be tried."""

    kind: ChangeKind
    build: Build
    gear: int
    figures: ChangeFigures
    coupling: Coupling = Coupling.LOCKED
    reason: NoFigure | None = None


def changes_of(build: Build, gear: int) -> list[Change]:
    """Return what can be tried on a build driven in a gear, and what cannot be tried, with the reason.

    Examples
    --------
    >>> from camcalc import load_build
    >>> found = changes_of(load_build("examples/quarry-road/build.toml"), 1)
    >>> [change.kind.code for change in found if change.reason is NoFigure.NO_LOWER_GEAR]
    ['lower_gear']
    """
    return [_faster_idle(build, gear), *_turned_cams(build, gear), _lower_gear(build, gear), _heavier_flywheel(build, gear), *_converters(build, gear)]


def _faster_idle(build: Build, gear: int) -> Change:
    figures = change_figures(idle_speed=build.idle.si.speed + FASTER_IDLE)
    try:
        faster = build.idle.replace(speed=figures.idle_speed)
    except InputError:
        return Change(ChangeKind.FASTER_IDLE, build, gear, figures, reason=NoFigure.IDLE_OUT_OF_RANGE)
    return Change(ChangeKind.FASTER_IDLE, build.replace(idle=faster), gear, figures)


def _turned_cams(build: Build, gear: int) -> list[Change]:
    found = []
    for kind, turn in ((ChangeKind.CAM_ADVANCED, CAM_TURN), (ChangeKind.CAM_RETARDED, -CAM_TURN)):
        turned = build.replace(cam=build.cam.advanced(quantity(turn, "crank_deg")))
        (was, compressed), (closes, compresses) = (_closing(b) for b in (build, turned))
        figures = change_figures(
            advance=turn, intake_closes=closes, intake_closed=was, effective_compression=compresses, effective_compression_before=compressed
        )
        found.append(Change(kind, turned, gear, figures))
    return found


def _closing(build: Build) -> tuple[float, float]:
    """Return where the intake closes [crank deg after BDC] and the effective compression."""
    closes = float(build.cam.events(**SEAT).si.intake_closes)
    geometry = geometry_of(build.engine)
    return closes, float(effective_compression.kernel(geometry.compression_ratio, closes, geometry.rod_over_crank))


def _lower_gear(build: Build, gear: int) -> Change:
    return Change(ChangeKind.LOWER_GEAR, build, max(gear - 1, 1), change_figures(), reason=NoFigure.NO_LOWER_GEAR if gear == 1 else None)


def _heavier_flywheel(build: Build, gear: int) -> Change:
    engine, vehicle = build.engine, build.vehicle
    inertia = engine.si.rotating_inertia
    first = vehicle.gear_ratios[0] * vehicle.final_drive / vehicle.si.tyre_radius
    figures = change_figures(added_inertia=FLYWHEEL, slower_revs=FLYWHEEL / (FLYWHEEL + inertia), like_mass=FLYWHEEL * first**2)
    if vehicle.transmission != "clutch":
        why = NoFigure.CONVERTER_INSTEAD_OF_FLYWHEEL if vehicle.transmission == "converter" else NoFigure.PLATE_INSTEAD_OF_FLYWHEEL
        return Change(ChangeKind.HEAVIER_FLYWHEEL, build, gear, figures, reason=why)
    heavier = engine.replace(rotating_inertia=quantity(inertia + FLYWHEEL, "kg*m**2"))
    return Change(ChangeKind.HEAVIER_FLYWHEEL, build.replace(engine=heavier), gear, figures)


def _converters(build: Build, gear: int) -> list[Change]:
    vehicle = build.vehicle
    looser, unlocked = change_figures(added_stall_speed=LOOSER_CONVERTER), change_figures()
    if vehicle.transmission != "converter":
        why = NoFigure.STAYS_LOCKED if vehicle.transmission == LOCKED_AUTOMATIC else NoFigure.NO_CONVERTER
        return [
            Change(ChangeKind.LOOSER_CONVERTER, build, gear, looser, reason=why),
            Change(ChangeKind.OPEN_CONVERTER, build, gear, unlocked, reason=why),
        ]
    stall = quantity(vehicle.si.converter_stall_speed + LOOSER_CONVERTER, "crank_rps")
    return [
        Change(ChangeKind.LOOSER_CONVERTER, build.replace(vehicle=vehicle.replace(converter_stall_speed=stall)), gear, looser),
        Change(ChangeKind.OPEN_CONVERTER, build, gear, unlocked, Coupling.CONVERTER),
    ]

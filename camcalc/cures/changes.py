"""What can be tried against low-speed trouble besides spark, and what each costs in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from ..engine.geometry import effective_compression, geometry_of
from ..errors import InputError
from ..units import quantity

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["Change", "changes_of"]

# What is tried; steps that the trade takes, common practice, no source.
FASTER_IDLE, CAM_TURN, LOOSER_CONVERTER = 100.0 / 60.0, 4.0, 400.0 / 60.0
# A heavier flywheel in place of a light one [kg m2]; ESTIMATE of a common swap.
FLYWHEEL = 0.05


class Change(NamedTuple):
    """One thing changed: the sheet with it, gear and coupling then, what it costs in words; ``reason`` says why it cannot be tried."""

    name: str
    what: str
    cost: str
    build: Build
    gear: int
    coupling: str = "locked"
    reason: str = ""


def changes_of(build: Build, gear: int) -> list[Change]:
    """Return what can be tried on a build driven in a gear, what it costs in words, and what cannot be tried, with the reason."""
    return [_faster_idle(build, gear), *_turned_cams(build, gear), _lower_gear(build, gear), _heavier_flywheel(build, gear), *_converters(build, gear)]


def _faster_idle(build: Build, gear: int) -> Change:
    name, what = "faster idle", f"idle {FASTER_IDLE * 60:.0f} rpm faster"
    cost = "louder, more fuel standing" + (", a harder shift into gear, more creep" if build.vehicle.transmission == "converter" else "")
    try:
        faster = build.idle.replace(speed=quantity(build.idle.si.speed + FASTER_IDLE, "crank_rps"))
    except InputError as error:
        return Change(name, what, cost, build, gear, reason=f"{(build.idle.si.speed + FASTER_IDLE) * 60:.0f} rpm is not {error.expected}")
    return Change(name, what, cost, build.replace(idle=faster), gear)


def _turned_cams(build: Build, gear: int) -> list[Change]:
    found = []
    for name, turn, valve in (("cam advanced", CAM_TURN, "intake"), ("cam retarded", -CAM_TURN, "exhaust")):
        turned = build.replace(cam=build.cam.advanced(quantity(turn, "crank_deg")))
        (was, compressed), (closes, compresses) = (_closing(b) for b in (build, turned))
        cost = (
            f"timing set again; intake closes {closes:.0f} for {was:.0f} crank deg after BDC (0.15 mm at the valve), effective compression "
            f"{compresses:.2f} for {compressed:.2f}: torque moves {'down' if turn > 0.0 else 'up'} the speed range, "
            f"knock comes {'nearer' if turn > 0.0 else 'less soon'}; {valve} valve nearer the piston: measure the clearance"
        )
        found.append(Change(name, f"{name} by {CAM_TURN:.0f} crank deg", cost, turned, gear))
    return found


def _closing(build: Build) -> tuple[float, float]:
    """Return where the intake closes [crank deg after BDC] and the effective compression."""
    closes = float(build.cam.events(at="0.15 mm", measured_at="valve").si.intake_closes)
    geometry = geometry_of(build.engine)
    return closes, float(effective_compression.kernel(geometry.compression_ratio, closes, geometry.rod_over_crank))


def _lower_gear(build: Build, gear: int) -> Change:
    what = "one gear lower at the same road speed"
    cost = "faster crank: more fuel and noise, a shift more"
    reason = "there is no lower gear" if gear == 1 else ""
    return Change("one gear lower", what, cost, build, max(gear - 1, 1), reason=reason)


def _heavier_flywheel(build: Build, gear: int) -> Change:
    engine, vehicle = build.engine, build.vehicle
    first = vehicle.gear_ratios[0] * vehicle.final_drive / vehicle.si.tyre_radius
    cost = (
        f"revs move {100.0 * FLYWHEEL / (FLYWHEEL + engine.si.rotating_inertia):.0f} % more slowly, in first gear as if {FLYWHEEL * first**2:.0f} kg "
        "came on board; more work for the clutch at each start and shift; the gearbox comes out"
    )
    what = f"flywheel heavier by {FLYWHEEL:g} kg m2"
    if vehicle.transmission != "clutch":
        why = "the converter is the greater part of it" if vehicle.transmission == "converter" else "an automatic carries a thin plate"
        return Change("heavier flywheel", what, cost, build, gear, reason=f"there is no flywheel to swap: {why}")
    heavier = engine.replace(rotating_inertia=quantity(engine.si.rotating_inertia + FLYWHEEL, "kg*m**2"))
    return Change("heavier flywheel", what, cost, build.replace(engine=heavier), gear)


def _converters(build: Build, gear: int) -> list[Change]:
    vehicle = build.vehicle
    looser = f"converter looser by {LOOSER_CONVERTER * 60:.0f} rpm at the same stall torque"
    unlocked = "converter left open on the road"
    cost = "slip: fuel and heat on the road while it is open, softer pulling away; oil cooler; nothing gained where it is locked"
    slips = "slip: more fuel and heat in the oil, a softer answer to the pedal"
    if vehicle.transmission != "converter":
        return [
            Change(name, what, c, build, gear, reason="it stays locked" if vehicle.transmission == "locked automatic" else "there is no converter")
            for name, what, c in (("looser converter", looser, cost), ("converter open", unlocked, slips))
        ]
    stall = quantity(vehicle.si.converter_stall_speed + LOOSER_CONVERTER, "crank_rps")
    return [
        Change("looser converter", looser, cost, build.replace(vehicle=vehicle.replace(converter_stall_speed=stall)), gear),
        Change("converter open", unlocked, slips, build, gear, "converter"),
    ]

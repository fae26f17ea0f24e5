"""Road load: what torque the engine must make to hold a speed in a gear, and how far the converter drags it at rest."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from ..constants import AIR_GAS_CONSTANT, STANDARD_GRAVITY
from ..engine.atmosphere import barometer_of
from ..units import checked

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["converter_drag", "engine_torque_on_road", "resistance", "road_force", "road_speed"]

# Share of torque that gearbox, axle and joints pass on at light load; ESTIMATE.
DRIVELINE_EFFICIENCY = 0.92


@checked(
    "N",
    road_speed=("m/s", 0.0, 100.0),
    mass=("kg", 100.0, 1e4),
    rolling_coefficient=("", 0.0, 0.1),
    drag_coefficient=("", 0.0, 2.0),
    frontal_area=("m**2", 0.1, 10.0),
    air_density=("kg/m**3", 0.3, 2.0),
)
def road_force(road_speed: float, *, mass: float, rolling_coefficient: float, drag_coefficient: float, frontal_area: float, air_density: float) -> float:
    """Return the force that holds a car at a steady speed on the level.

    Parameters
    ----------
    road_speed : quantity [speed]
    mass : quantity [mass]
    rolling_coefficient, drag_coefficient : float
    frontal_area : quantity [area]
    air_density : quantity [density]

    Notes
    -----
    By the textbook: ``m g Crr + rho Cd A v^2 / 2``, still air.

    Examples
    --------
    >>> car = dict(mass="1600 kg", rolling_coefficient=0.0115, drag_coefficient=0.34, frontal_area="2.05 m2", air_density="1.2 kg/m**3")
    >>> round(road_force("65 mph", **car).magnitude, 1)
    533.5
    """
    return mass * STANDARD_GRAVITY * rolling_coefficient + 0.5 * air_density * drag_coefficient * frontal_area * road_speed**2


def road_speed(vehicle: Any, speed: float, gear_ratio: float) -> float:
    """Return road speed [m/s] at a crank speed [rev/s] with the drive locked."""
    return float(2.0 * math.pi * vehicle.si.tyre_radius * speed / (gear_ratio * vehicle.final_drive))


def resistance(build: Build, v: float) -> float:
    """Return road load [N] at a road speed [m/s]: coast-down terms if the sheet gives them, else rolling and drag."""
    vehicle = build.vehicle
    a = vehicle.si.coast_down_a
    if not math.isnan(a):
        return float(a + vehicle.si.coast_down_b * v + vehicle.si.coast_down_c * v * v)
    density = barometer_of(build.site) / (AIR_GAS_CONSTANT * build.site.si.air_temperature)
    return float(
        road_force.kernel(
            v,
            mass=vehicle.si.mass,
            rolling_coefficient=vehicle.rolling_coefficient,
            drag_coefficient=vehicle.drag_coefficient,
            frontal_area=vehicle.si.frontal_area,
            air_density=density,
        )
    )


def engine_torque_on_road(build: Build, speed: float, gear_ratio: float) -> float:
    """Return engine torque [N m] that holds the car on the level at a crank speed [rev/s] in a gear."""
    v = road_speed(build.vehicle, speed, gear_ratio)
    return resistance(build, v) * build.vehicle.si.tyre_radius / (gear_ratio * build.vehicle.final_drive * DRIVELINE_EFFICIENCY)


def converter_drag(vehicle: Any, speed: float) -> float:
    """Return torque [N m] that a stalled converter takes at a crank speed [rev/s]; it grows with speed squared."""
    if vehicle.transmission != "converter":
        return 0.0
    return float(vehicle.si.converter_stall_torque * (speed / vehicle.si.converter_stall_speed) ** 2)

"""Figures of a build sheet checked against each other, across keys and sections."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from ..engine.gas import fuel_data
from ..errors import InputError
from ..units import factor
from .sheet import Doubt

if TYPE_CHECKING:
    from .section_reading import Problems
    from .sections import Engine, Vehicle

__all__ = ["FULL_LOAD", "check_together", "injector_doubts"]

# Fuel that one cylinder asks for at full load and the share of time an injector may be open: 90 % of the swept volume filled with air of
# 1.2 kg/m3 at 6000 rpm, lambda 0.85, open 85 % of the time. ESTIMATE, each; good enough to tell grams a second from pounds an hour.
FULL_LOAD = {"relative_charge": 0.9, "air_density": 1.2, "speed": 100.0, "mixture": 0.85, "duty": 0.85}
# An injector with less than the one or more than the other times that flow is doubted; ESTIMATE, wide on purpose.
LEAST_FLOW, MOST_FLOW = 0.5, 3.0


def check_together(sections: Mapping[str, Any], problems: Problems) -> None:
    """Check figures against each other across keys."""
    _check_engine(sections["engine"], problems)
    _check_vehicle(sections["vehicle"], problems)
    fuel, injector, site = (sections[k] for k in ("fuel", "injector", "site"))
    if fuel.system == "sequential port" and injector is None:
        problems.add(InputError("[injector]", came="nothing", expected="the injector of a sequential port system", fix='add [injector] flow = "... g/s"'))
    if "altitude" in site.given and "barometer" in site.given:
        fix = "keep the barometer if you read it there (absolute, not reduced to sea level)"
        problems.add(InputError("[site]", came="altitude and barometer", expected="one of the two", fix=fix))


def _check_engine(engine: Engine, problems: Problems) -> None:
    if engine.si.rod_length < 0.85 * engine.si.stroke:
        came = f"{engine.si.rod_length * 1e3:.1f} mm with a stroke of {engine.si.stroke * 1e3:.1f} mm"
        problems.add(InputError("[engine] rod_length", came=came, expected="a rod at least 0.85 of the stroke", fix="check both figures and their units"))
    for kind, count in (("intake", engine.intake_valves), ("exhaust", engine.exhaust_valves)):
        head = getattr(engine.si, f"{kind}_valve_diameter")
        if count * head**2 > 0.5 * engine.si.bore**2:
            came = f"{count} of {head * 1e3:.1f} mm in a bore of {engine.si.bore * 1e3:.1f} mm"
            problems.add(InputError(f"[engine] {kind}_valve_diameter", came=came, expected="valves that fit the bore", fix="check both diameters"))
        if getattr(engine.si, f"{kind}_port_diameter") >= head or getattr(engine.si, f"{kind}_stem_diameter") >= 0.5 * head:
            came, expected = f"port or stem too large for a head of {head * 1e3:.1f} mm", "port smaller than the head, stem under half of it"
            problems.add(InputError(f"[engine] {kind}_port_diameter", came=came, expected=expected))


def _check_vehicle(vehicle: Vehicle, problems: Problems) -> None:
    ratios = vehicle.gear_ratios
    if any(g > len(ratios) for g in vehicle.smooth_gears):
        came, expected = str(list(vehicle.smooth_gears)), f"gears counted from 1 to {len(ratios)}"
        problems.add(InputError("[vehicle] smooth_gears", came=came, expected=expected, fix="count gears from 1, first gear first"))
    if any(a <= b for a, b in itertools.pairwise(ratios)):
        problems.add(InputError("[vehicle] gear_ratios", came=str(list(ratios)), expected="ratios that fall from first gear to top"))
    coast = [vehicle.si.coast_down_a, vehicle.si.coast_down_b, vehicle.si.coast_down_c]
    if 0 < sum(math.isnan(c) for c in coast) < 3:
        problems.add(InputError("[vehicle] coast_down_a, _b, _c", came="some of the three", expected="all three or none"))
    if vehicle.transmission == "converter" and math.isnan(vehicle.si.converter_stall_speed):
        expected, fix = "the speed it is sold by", 'add converter_stall_speed = "... rpm" to [vehicle]; the torque at it has a default'
        problems.add(InputError("[vehicle] converter_stall_speed", came="a converter without its stall speed", expected=expected, fix=fix))


def injector_doubts(sections: Mapping[str, Any]) -> tuple[Doubt, ...]:
    """Return what to check where an injector's flow does not suit the engine, with the other reading where one fits."""
    engine, fuel, injector = (sections[k] for k in ("engine", "fuel", "injector"))
    if injector is None or "port" not in fuel.system:  # elsewhere one injector may feed several cylinders
        return ()
    air = math.pi / 4.0 * engine.si.bore**2 * engine.si.stroke * FULL_LOAD["relative_charge"] * FULL_LOAD["air_density"] * FULL_LOAD["speed"] / 2.0
    needed = air / (fuel_data(fuel.kind).stoichiometric * FULL_LOAD["mixture"] * FULL_LOAD["duty"])
    over = injector.si.flow * math.sqrt(injector.si.fuel_pressure / injector.si.rated_pressure) / needed
    if LEAST_FLOW <= over <= MOST_FLOW:
        return ()
    size = f"{over:.1f} times" if over >= 1.0 else f"{100.0 * over:.0f} % of"
    given = str(injector.given["flow"])
    said = f'[injector] flow = "{given}" is {size} what full load asks of one injector here, about {needed * 1e3:.2g} g/s'
    number, _, own = given.partition(" ")
    others = [unit for unit in ("g/s", "lb/h") if unit != own.strip() and _suits(number, unit, needed)]
    meant = f'if its label says {number} {others[0]}, type flow = "{number} {others[0]}"' if others else "check the figure and its unit"
    return (Doubt(f"{said}: {meant}"),)


def _suits(number: str, unit: str, needed: float) -> bool:
    try:
        return LEAST_FLOW <= float(number) * factor(unit, "kg/s") / needed <= MOST_FLOW
    except ValueError:
        return False

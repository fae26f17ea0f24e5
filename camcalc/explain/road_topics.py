"""What happens on the level road in a gear: blow-back, and work that varies from cycle to cycle."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import sympy

from ..advice.headlines import headline_gear
from ..advice.reversion import SLOWEST, GearReversion, reversion_in_gear, road_point
from ..cautions import AT_SURGE
from ..constants import AIR_GAS_CONSTANT, STANDARD_GRAVITY
from ..cycle.operating import EngineModel, OperatingState
from ..cycle.simulate import SPEED
from ..cycle.work_variation import work_spread
from ..engine.atmosphere import barometer_of
from ..engine.friction import rubbing_friction
from ..errors import InputError
from ..marks import marked
from ..units import quantity, to_si
from ..vehicle.road_load import DRIVELINE_EFFICIENCY
from .idle_topics import resolved_engine
from .origins import CYCLE, SHEET, of_sheet
from .worksheet import Explanation, Worksheet

if TYPE_CHECKING:
    from ..sheet import Build
    from ..units import Quantity

__all__ = ["checked_gear", "explain_reversion"]

# Work of one cycle is asked at no smaller a change of the burned fraction than this.


def checked_gear(build: Build, gear: int | None) -> int:
    """Return a gear that the gearbox has; the one nearest to direct drive when left out."""
    count = len(build.vehicle.gear_ratios)
    if gear is None:
        return headline_gear(build)
    if gear not in range(1, count + 1):
        raise InputError("gear", came=str(gear), expected=f"1 to {count}", fix="count gears from 1 as in [vehicle] gear_ratios")
    return gear


def explain_reversion(build: Build, *, gear: int | None = None, speed: Quantity | str | None = None, engine: EngineModel | None = None) -> Explanation:
    """Explain blow-back and unsteadiness on the level road in a gear, at the speed below which trouble begins or at another.

    Parameters
    ----------
    build : Build
    gear : int
        Counted from 1; the one nearest to direct drive when left out.
    speed : quantity [crank speed]
        Below which trouble begins when left out.
    engine : EngineModel
        Of the build; a crank-resolved one is made when left out.
    """
    engine = resolved_engine(build) if engine is None else engine
    gear = checked_gear(build, gear)
    found = reversion_in_gear(engine, gear)
    n = _troubled(found) if speed is None else float(to_si(speed, "speed", SPEED))
    point = road_point(engine, n, found.ratio)
    state = engine.state(n, point.pressure, point.spark)
    sheet = Worksheet()
    n_symbol = sheet.given("N", "crank speed", quantity(n, "crank_rps", "rpm"), "asked for" if speed is not None else "search down from high speed")
    asked = _road(sheet, engine, found.ratio, n_symbol)
    name = f"net indicated pressure at {point.pressure / 1e3:.1f} kPa, spark {point.spark:.0f} deg BTDC"
    net = sheet.given("p_found", name, quantity(point.net, "Pa", "kPa"), CYCLE)
    words = "At this manifold pressure the engine makes that. This rest is what the search left over."
    sheet.step(words, "delta", "left over", (net - asked) / asked, "percent")
    share, over = _blow_back(sheet, engine, state)
    variation, uneven = _variation(sheet, engine, state)
    below = [f"{name} below {marked(f'{v * 60:.0f} rpm', found.mark(field))}" for name, field, v in _limits(found) if not math.isnan(v)]
    return Explanation(
        topic="reversion",
        question=f"What goes wrong on the level road in gear {gear} at {n * 60:.0f} rpm?",
        build=build.name,
        steps=tuple(sheet.steps),
        answers=sheet.answers(share, over, variation, uneven),
        reading=f"Gear {gear}: {' and '.join(below) or f'neither figure passes its limit down to {SLOWEST * 60:.0f} rpm'}. The search ends within 20 rpm.",
        limits=(
            "The limits are inputs of the sheet: the textbook's for COV of IMEP, an estimate for reversion.",
            "Steady driving on the level at MBT spark, or at a later misfire limit; drive locked. A slipping converter lets the engine run faster than this.",
            "Unlike cylinders, worn rings or a leaking manifold make it worse than the mean cycle says.",
        ),
        try_it="Take the next lower gear at the same road speed: the engine turns faster with less load. Which of the two figures improves? See --gear.",
        cautions=AT_SURGE,
        source_keys=("road", "guzzella", "heywood1988", "estimate"),
        carried_by=("b", "V_c"),
    )


def _limits(found: GearReversion) -> tuple[tuple[str, str, float], ...]:
    names = (("COV of IMEP over its limit", "unstable_below"), ("reversion over its limit", "blow_back_below"))
    return tuple((name, field, float(getattr(found.si, field))) for name, field in names)


def _troubled(found: GearReversion) -> float:
    """Return the speed [rev/s] below which the engine runs unevenly, else blow-back is over its limit; the slowest looked at if neither ever is."""
    return next((v for _, _, v in _limits(found) if not math.isnan(v)), SLOWEST)


def _road(sheet: Worksheet, engine: EngineModel, gear_ratio: float, n: Any) -> Any:
    """Work out what the level road asks of the engine, up to the net indicated pressure."""
    build, vehicle = engine.build, engine.build.vehicle
    r = sheet.given("r", "rolling radius of the tyre", vehicle.tyre_radius, SHEET)
    ratio = sheet.given("i", "gear ratio times final drive", gear_ratio * vehicle.final_drive, SHEET)
    turn = sheet.given("u", "one turn of the crank", quantity(1.0, "crank_rev"), "definition")
    words = "A turn of the crank is part of a turn of the wheels, and so a distance on the road."
    v = sheet.step(words, "v", "road speed", 2 * sympy.pi * r * n / (ratio * turn), vehicle.road_speed_unit)
    force = _road_force(sheet, build, v)
    passed = sheet.given("eta", "share of torque that gearbox and axle pass on", DRIVELINE_EFFICIENCY, "ESTIMATE")
    words = "The force at the tyre is a torque at the wheels. Gears and their losses turn it into one at the crank."
    torque = sheet.step(words, "T", "engine torque", force * r / (ratio * passed), "N*m")
    volume = sheet.given("V", "displacement", quantity(engine.geometry.displacement, "m**3", "L"), SHEET)
    rubbing = engine.tolerances.friction * build.engine.friction_factor * rubbing_friction.kernel(sheet.number(n, "crank_rps"))
    friction = sheet.given("p_f", "rubbing friction as mean pressure (see idle vacuum)", quantity(rubbing, "Pa", "kPa"), "textbook engine")
    words = "As mean pressure over the displacement, with friction added. It is little: the throttle is nearly closed, and reversion is strong."
    return sheet.step(words, "p_n", "net indicated pressure that holds the car", 4 * sympy.pi * torque / volume + friction, "kPa")


def _road_force(sheet: Worksheet, build: Build, v: Any) -> Any:
    vehicle = build.vehicle
    if not math.isnan(vehicle.si.coast_down_a):
        a, b, c = (sheet.given(name, f"coast-down term {name}", getattr(vehicle, f"coast_down_{name}"), SHEET) for name in ("a", "b", "c"))
        return sheet.step("The sheet gives coast-down terms.", "F", "road load", a + b * v + c * v**2, "N")
    density = barometer_of(build.site) / (AIR_GAS_CONSTANT * build.site.si.air_temperature)
    m = sheet.given("m", "mass of the car", vehicle.mass, SHEET)
    g = sheet.given("g", "gravity", quantity(STANDARD_GRAVITY, "m/s**2"), "standard")
    rolling = sheet.given("C_r", "rolling coefficient", vehicle.rolling_coefficient, of_sheet(build, "vehicle", "rolling_coefficient"))
    rho = sheet.given("rho", "density of the air outside", quantity(density, "kg/m**3"), "barometer and temperature of the sheet")
    drag = sheet.given("C_d", "drag coefficient", vehicle.drag_coefficient, of_sheet(build, "vehicle", "drag_coefficient"))
    area = sheet.given("A", "frontal area", vehicle.frontal_area, of_sheet(build, "vehicle", "frontal_area"))
    return sheet.step("Rolling resistance goes with weight, drag with speed squared.", "F", "road load", m * g * rolling + rho * drag * area * v**2 / 2, "N")


def _blow_back(sheet: Worksheet, engine: EngineModel, state: OperatingState) -> tuple[Any, Any]:
    where = f"at {state.manifold_pressure / 1e3:.1f} kPa, spark {state.spark:.0f} deg BTDC"
    back = sheet.given("m_o", f"reversion: blown up the intake during overlap, {where}", quantity(state.blow_back, "kg", "mg"), CYCLE)
    trapped = sheet.given("m_t", "charge trapped", quantity(state.trapped, "kg", "mg"), CYCLE)
    words = "During overlap the exhaust is at higher pressure than the manifold, and blows into the intake."
    share = sheet.step(words, "b", "reversion, share of charge", back / trapped, "percent")
    limit = sheet.given(
        "b_lim", "the sheet's limit for it", quantity(engine.build.limits.blow_back_share, "", "percent"), of_sheet(engine.build, "limits", "blow_back_share")
    )
    return share, sheet.step("Over its limit: above 1 is too much.", "q_b", "reversion over its limit", share / limit, "")


def _variation(sheet: Worksheet, engine: EngineModel, state: OperatingState) -> tuple[Any, Any]:
    spread = work_spread(engine, state.speed, state.manifold_pressure, state.spark)
    origin = "scatter of residual and turbulence, cycle after cycle"
    mean = sheet.given("p_g", "gross indicated pressure, mean of all cycles", quantity(spread.gross, "Pa", "kPa"), origin)
    missed = f"its standard deviation; {spread.missed:.1%} of cycles miss" if spread.missed else "its standard deviation; none of them misses"
    deviation = sheet.given("sigma", missed, quantity(spread.deviation, "Pa", "kPa"), origin)
    words = "No two cycles keep the same residual or meet the same turbulence. The textbook judges an engine by this figure."
    variation = sheet.step(words, "V_c", "COV of IMEP", deviation / mean, "percent")
    limit = sheet.given(
        "V_lim", "the sheet's limit for it", quantity(engine.build.limits.stability, "", "percent"), of_sheet(engine.build, "limits", "stability")
    )
    return variation, sheet.step("Over its limit: above 1 is too much.", "q_V", "COV of IMEP over its limit", variation / limit, "")

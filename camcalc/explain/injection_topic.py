"""How long an injector must be open, how much of the crank's turn that takes, and when it must end."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import sympy

from ..advice.fuel_placement import InjectionReason
from ..advice.headlines import CRUISE
from ..advice.injection import CYCLE as WHOLE_CYCLE
from ..advice.injection import LARGEST_DUTY, InjectionPoint, delivery_of, point_at
from ..cycle.operating import EngineModel, barometer
from ..cycle.simulate import PRESSURE, SPEED
from ..errors import InputError
from ..sheet.sections import MANIFOLD_REFERENCED, SEQUENTIAL_PORT
from ..units import quantity, to_si
from ..words.injection import point_words
from .idle_topics import resolved_engine
from .origins import CYCLE, SHEET, of_barometer, of_sheet
from .worksheet import Explanation, Worksheet

if TYPE_CHECKING:
    from ..sheet import Build
    from ..units import Quantity

__all__ = ["explain_injection"]

CURVE = "lift curves through the card's figures"


def explain_injection(
    build: Build, *, speed: Quantity | str | None = None, manifold_pressure: Quantity | str | None = None, engine: EngineModel | None = None
) -> Explanation:
    """Explain pulse width and end of injection at a speed and manifold pressure: a cruise of 1600 rpm and 60 kPa by default.

    Parameters
    ----------
    build : Build
    speed : quantity [crank speed]
        1600 rpm when left out.
    manifold_pressure : quantity [pressure]
        Absolute. 60 kPa when left out.
    engine : EngineModel
        Of the build; a crank-resolved one is made when left out.
    """
    if build.fuel.system != SEQUENTIAL_PORT or build.injector is None:
        raise InputError("topic", came=f"injection, with [fuel] system {build.fuel.system}", expected=SEQUENTIAL_PORT, fix=str(delivery_of(build.fuel.system)))
    engine = resolved_engine(build) if engine is None else engine
    n = CRUISE[0] if speed is None else float(to_si(speed, "speed", SPEED))
    pressure = CRUISE[1] if manifold_pressure is None else float(to_si(manifold_pressure, "manifold_pressure", PRESSURE))
    point = point_at(engine, n, pressure)
    if math.isnan(point.end):
        raise InputError("speed and manifold_pressure", came=f"{n * 60:.0f} rpm, {pressure / 1e3:.1f} kPa: {point.reason}", expected="a point that can be run")
    sheet = Worksheet()
    width = _width(sheet, engine, n, pressure)
    angle, duty, transit = _angles(sheet, build, width, n)
    end = _end(sheet, build, point, angle, transit)
    answers, reading = [width, angle, duty, end], f"By the valve events alone: {point.window.reason}."
    if point.shut is not None:
        e_rec = sheet.given("E_rec", f"end by following the fuel in the flows of the settled cycle: {point.reason}", quantity(point.end, "crank_deg"), CYCLE)
        words = "The pulse begins earlier by its own length. Angles count before overlap TDC."
        answers.append(sheet.step(words, "S_rec", "start of injection recommended", e_rec + angle, "crank_deg"))
        reading += f" By the flows, and recommended: {point_words(point)}"
    return Explanation(
        topic="injection",
        question=f"How long must the injector be open at {n * 60:.0f} rpm and {pressure / 1e3:.0f} kPa, and when must the pulse end?",
        build=build.name,
        steps=tuple(sheet.steps),
        answers=sheet.answers(*answers),
        reading=reading,
        limits=(
            "Warm engine. A cold one needs more fuel, which camcalc does not compute.",
            f"More than {LARGEST_DUTY:.0%} of the cycle open leaves no room: the injector is too small for the point.",
            "The opening delay is a straight line over voltage, good within about 2 V of the figure on the sheet.",
            "Valve events do not show how the gas moves. With long overlap, use the end found by following the fuel.",
        ),
        try_it="Battery voltage falls by 2 V with the lamps on. Which step changes, and by how many degrees does the pulse grow at this speed?",
        source_keys=("geometry", "guzzella", "nasa4513", "practice", "estimate"),
        carried_by=("t", "E"),
    )


def _width(sheet: Worksheet, engine: EngineModel, speed: float, pressure: float) -> Any:
    """Work out the pulse width from the air in the cylinder."""
    build, injector = engine.build, engine.build.injector
    assert injector is not None
    state = engine.state(speed, pressure, engine.best_spark(speed, pressure))
    air = sheet.given("m_a", "air charge per cylinder, MBT spark", quantity(state.air, "kg", "mg"), CYCLE)
    lam = sheet.given("lambda", "mixture: air over what burns the fuel exactly", build.idle.mixture, of_sheet(build, "idle", "mixture"))
    afr = sheet.given("Z_st", f"air that one part of {build.fuel.kind} burns with exactly", engine.fuel.stoichiometric, "composition of the fuel")
    fuel = sheet.step("The air sets the fuel.", "m_f", "fuel per injection", air / (lam * afr), "mg")
    across = sheet.given("p_f", "fuel pressure", injector.fuel_pressure, of_sheet(build, "injector", "fuel_pressure"))
    if injector.regulator != MANIFOLD_REFERENCED:
        p_b = sheet.given("p_b", "barometer", quantity(barometer(engine), "Pa", "kPa"), of_barometer(build))
        p_m = sheet.given("p_m", "manifold pressure", quantity(pressure, "Pa", "kPa"), "asked for")
        words = "The regulator holds fuel pressure over the air outside. The tip sprays into the manifold."
        across = sheet.step(words, "dp", "pressure across the tip", across + p_b - p_m, "kPa")
    rated_flow = sheet.given("Q_r", "flow at the rated pressure", injector.flow, SHEET)
    rated = sheet.given("p_r", "rated pressure", injector.rated_pressure, SHEET)
    flow = sheet.step("Flow through an orifice goes with the root of the pressure across it.", "Q", "flow", rated_flow * sympy.sqrt(across / rated), "g/s")
    delay = sheet.given("t_r", "opening delay on the sheet", injector.dead_time, of_sheet(build, "injector", "dead_time"))
    slope = sheet.given("k_U", "how it grows as voltage falls", injector.dead_time_slope, of_sheet(build, "injector", "dead_time_slope"))
    u_r = sheet.given("U_r", "voltage that it holds at", injector.dead_time_voltage, of_sheet(build, "injector", "dead_time_voltage"))
    u = sheet.given("U", "battery voltage while running", injector.battery_voltage, of_sheet(build, "injector", "battery_voltage"))
    none = sheet.given("t_0", "no delay", quantity(0.0, "s", "ms"), "definition")
    words = "The injector needs time to open, and more on a weak battery."
    dead = sheet.step(words, "t_d", "opening delay", sympy.Max(delay + slope * (u_r - u), none), "ms")
    return sheet.step("Time for the fuel, and the delay on top.", "t", "pulse width", fuel / flow + dead, "ms")


def _angles(sheet: Worksheet, build: Build, width: Any, speed: float) -> tuple[Any, Any, Any]:
    injector = build.injector
    assert injector is not None
    n = sheet.given("N", "crank speed", quantity(speed, "crank_rps", "rpm"), "asked for")
    cycle = sheet.given("c", "one cycle", quantity(WHOLE_CYCLE, "crank_deg"), "four-stroke")
    angle = sheet.step("The crank turns during the pulse.", "A", "pulse in crank angle", width * n, "crank_deg")
    duty = sheet.step("Over the whole cycle.", "q", "share of the cycle open", angle / cycle, "percent")
    way = sheet.given("d", "from the injector's tip to the valve", injector.distance_to_valve, of_sheet(build, "injector", "distance_to_valve"))
    v = sheet.given("v", "speed of the spray", injector.spray_speed, of_sheet(build, "injector", "spray_speed"))
    transit = sheet.step("The spray needs this angle to reach the valve.", "A_t", "transit in crank angle", way / v * n, "crank_deg")
    return angle, duty, transit


def _end(sheet: Worksheet, build: Build, point: InjectionPoint, angle: Any, transit: Any) -> Any:
    """Work out the ends by valve events and choose one, as the strategy says."""
    intake = build.cam.lift_curve("intake").seat_edges()
    opens = sheet.given("A_o", "intake leaves its seat, before overlap TDC", quantity(-intake[0], "crank_deg"), CURVE)
    shuts = sheet.given("A_s", "intake meets its seat, after overlap TDC", quantity(intake[1], "crank_deg"), CURVE)
    margin = sheet.given("A_m", "margin between fuel and valve", build.limits.injection_margin, of_sheet(build, "limits", "injection_margin"))
    cycle = next(symbol for symbol in sheet.values if symbol.name == "c")
    words = "Closed-valve injection: the last fuel arrives a margin before the intake opens. The pulse ends earlier by the transit."
    shut_latest = sheet.step(words, "E_sl", "latest end for closed-valve injection, before overlap TDC", opens + margin + transit, "crank_deg")
    words = "The first fuel must arrive after the valve has closed in the cycle before."
    sheet.step(words, "E_se", "earliest end for closed-valve injection", cycle - shuts + transit - angle, "crank_deg")
    # A pulse short enough for the open valve alone, under 60 degrees, fits the shut valve too: these two are all there is.
    words = (
        "The pulse fits, so end at the latest."
        if point.window.reason is InjectionReason.FITS_CLOSED_VALVE
        else "The pulse is too long for either valve: begin earlier rather than end later."
    )
    return sheet.step(words, "E", "end of injection by valve events", shut_latest, "crank_deg")

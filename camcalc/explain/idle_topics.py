"""What long overlap costs at idle: burned gas left in the charge, and the vacuum that is left."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import sympy

from ..advice.brakes import brake_assist
from ..advice.idle import IdleState, idle_state
from ..advice.idle_balance import IdleSparkRule, load_terms
from ..cautions import AT_BRAKES
from ..constants import STANDARD_PRESSURE
from ..cycle.ledger import BurnedLedger
from ..cycle.operating import EngineModel, barometer
from ..cycle.simulate import PRESSURE, SPEED
from ..cycle.work_variation import work_spread
from ..engine import atmosphere, friction
from ..errors import InputError
from ..marks import marked
from ..units import quantity, to_si
from ..words.brakes import brakes_words
from ..words.idle import RULES
from .origins import CYCLE, SHEET, of_sheet
from .worksheet import Explanation, Worksheet

if TYPE_CHECKING:
    from ..sheet import Build
    from ..units import Quantity

__all__ = ["explain_idle_vacuum", "explain_residual", "resolved_engine"]


def resolved_engine(build: Build) -> EngineModel:
    """Return the engine that the brief's figures come from."""
    from ..cycle.models import engine_kind

    made: EngineModel = engine_kind("resolved")(build)
    return made


def explain_residual(
    build: Build, *, speed: Quantity | str | None = None, manifold_pressure: Quantity | str | None = None, engine: EngineModel | None = None
) -> Explanation:
    """Explain where the burned gas in the charge comes from: at the sheet's idle, or at a speed and manifold pressure on best-torque spark.

    Parameters
    ----------
    build : Build
    speed : quantity [crank speed]
        The sheet's idle when left out.
    manifold_pressure : quantity [pressure]
        Absolute. What the idle needs when left out.
    engine : EngineModel
        Of the build; a crank-resolved one is made when left out.
    """
    engine = resolved_engine(build) if engine is None else engine
    n, pressure, spark, where = _point(engine, speed, manifold_pressure)
    ledger = engine.ledger(n, pressure, spark)
    if ledger is None:
        expected = "an engine model that keeps account of where burned gas comes from, as the crank-resolved cycle does"
        raise InputError("engine", came=engine.name, expected=expected, fix="leave the engine out, or give a ResolvedEngine")
    state = engine.state(n, pressure, spark)
    if not state.runs:
        raise InputError(
            "--speed and --manifold-pressure",
            came=f"{n * 60:.0f} rpm, {pressure / 1e3:.1f} kPa: the engine does not run there",
            expected="a point at which it burns",
            fix="give a higher manifold pressure or speed",
        )
    sheet = Worksheet()
    stays, through, blown, returned, plenum = _burned(sheet, ledger)
    m = sheet.given("m", "charge trapped at intake closing", quantity(state.trapped, "kg", "mg"), CYCLE)
    words = "Burned gas is neither made nor lost between the valves. What the charge holds at intake closing came from these places."
    burned = sheet.step(words, "m_b", "burned gas in the charge", stays + through + blown + returned + plenum, "mg")
    x = sheet.step("Its share of the charge slows the burn.", "x", "residual, share of charge by mass", burned / m, "percent")
    words = "What was in the cylinder as the intake opened. Part of it still leaves before the exhaust closes. The next step subtracts it."
    kept = sheet.step(words, "y_c", "share that was in the cylinder as the intake opened", stays / burned, "percent")
    words = "Through the exhaust valve from then on: what comes back less what still leaves. Longer overlap brings more back."
    overlap = sheet.step(words, "y_ex", "net share through the exhaust valve", through / burned, "percent")
    words = (
        "What went into the intake comes in again, through this cylinder or another. In a settled engine both are equal, "
        "so reversion adds nothing of its own. This small rest is what the settling left open."
    )
    intake = sheet.step(words, "y_in", "share by way of the intake, drawn in less blown out", (blown + returned + plenum) / burned, "percent")
    return Explanation(
        topic="residual",
        question=f"Where does the residual come from at {where}?",
        build=build.name,
        steps=tuple(sheet.steps),
        answers=sheet.answers(x, kept, overlap, intake),
        reading="What reversion blows into the intake comes back, through this cylinder or another: the plenum is one for all.",
        limits=(
            f"The masses are of a settled cycle: its end agrees with its start within {state.repeats_within:.1g}.",
            "All cylinders count as alike and the plenum as well mixed. A real manifold gives its end cylinders other shares.",
            "Backward flow through a nearly closed valve is the least certain input. 20 % of that flow moves idle vacuum by about 2 inHg on a long cam.",
            "Residual above 35 % is beyond any engine data: a direction, not degrees.",
        ),
        try_it="Ask again at the same manifold pressure and twice the speed. Which part falls most, and why? (Overlap lasts half the time.)",
        source_keys=("guzzella", "nasa4513", "fox1993", "heywood1988", "estimate"),
        carried_by=("m_b", "x"),
    )


def _point(engine: EngineModel, speed: Quantity | str | None, manifold_pressure: Quantity | str | None) -> tuple[float, float, float, str]:
    """Return speed [rev/s], manifold pressure [Pa], spark [crank deg] and words for them."""
    if speed is None and manifold_pressure is None:
        idle = idle_state(engine).si
        return idle.speed, idle.manifold_pressure, idle.spark, f"idle, {idle.speed * 60:.0f} rpm, {idle.manifold_pressure / 1e3:.1f} kPa"
    if speed is None or manifold_pressure is None:
        came = "speed alone" if manifold_pressure is None else "manifold pressure alone"
        raise InputError("speed and manifold pressure", came=came, expected="both, or neither for the sheet's idle", fix='e.g. "1400 rpm" and "55 kPa"')
    n, pressure = float(to_si(speed, "speed", SPEED)), float(to_si(manifold_pressure, "manifold_pressure", PRESSURE))
    return n, pressure, engine.best_spark(n, pressure), f"{n * 60:.0f} rpm, {pressure / 1e3:.1f} kPa, MBT spark"


def _burned(sheet: Worksheet, ledger: BurnedLedger) -> list[Any]:
    parts = (
        ("m_c", "burned gas in the cylinder as the intake opens", ledger.in_cylinder_at_intake_opening),
        ("m_x", "in through the exhaust valve, less out, from intake opening to exhaust closing", ledger.net_through_exhaust_valve),
        ("m_i", "reversion: out through the intake valve (negative)", ledger.blown_into_intake),
        ("m_r", "of that drawn in again from the runner", ledger.returned_blow_back),
        ("m_p", "brought by all that is drawn in, at the plenum's own residual", ledger.plenum_background),
    )
    return [sheet.given(name, meaning, value, CYCLE) for name, meaning, value in parts]


def explain_idle_vacuum(build: Build, *, drive: bool = False, accessories: bool = False, engine: EngineModel | None = None) -> Explanation:
    """Explain how much vacuum is left at idle: what the engine must carry, what that takes of pressure, and the barometer less that.

    Parameters
    ----------
    build : Build
    drive : bool
        Whether an automatic is in gear.
    accessories : bool
        Whether they are switched on.
    engine : EngineModel
        Of the build; a crank-resolved one is made when left out.
    """
    if drive and build.vehicle.transmission != "converter":
        raise InputError("drive", came=f"a {build.vehicle.transmission}", expected="a converter to idle against", fix="leave it out: this car idles in neutral")
    engine = resolved_engine(build) if engine is None else engine
    idle = idle_state(engine, drive=drive, accessories=accessories)
    sheet = Worksheet()
    load = _load(sheet, engine, drive=drive, accessories=accessories)
    spread = work_spread(engine, idle.si.speed, idle.si.manifold_pressure, idle.si.spark)
    state = spread.mean
    spark = _spark(sheet, build, idle)
    gross = sheet.given("p_g", f"gross indicated pressure, mean of all cycles, spark {spark} BTDC", quantity(spread.gross, "Pa", "kPa"), CYCLE)
    pump = sheet.given("p_p", "pumping: the work of filling and emptying", quantity(state.pumping, "Pa", "kPa"), CYCLE)
    words = "The work of the burn, missed cycles counted, less the work of drawing against the throttle."
    net = sheet.step(words, "p_n", "net indicated pressure at the manifold pressure found", gross - pump, "kPa")
    words = "At idle, net work and load are equal. This rest of the load is what the search left over."
    sheet.step(words, "delta", "left over", (net - load) / load, "percent")
    p_b = _barometer(sheet, build)
    p_m = sheet.given("p_m", "manifold pressure, the answer of the balance", idle.manifold_pressure, CYCLE)
    vacuum = sheet.step("Vacuum is the barometer less the manifold pressure.", "v", "manifold vacuum", p_b - p_m, "inHg")
    return Explanation(
        topic="idle vacuum",
        question="Why does the engine idle on this vacuum and no more?",
        build=build.name,
        steps=tuple(sheet.steps),
        answers=sheet.answers(vacuum),
        reading=(
            f"{idle.gearbox.capitalize()}, accessories {idle.accessories}: residual is {100.0 * idle.si.burned_fraction:.0f} % of the charge. "
            "More residual needs more charge, and so more manifold pressure, for the same work. "
            f"{brakes_words(brake_assist(idle.si.manifold_vacuum, ambient=barometer(engine)))}"
        ),
        limits=(
            "Warm engine. Friction is a textbook engine's by displacement. Other engines differ by 10 to 20 %.",
            "With much residual, two pressures can give one torque. The upper one is steady, and camcalc shows that one.",
            "A gauge shows vacuum that swings. This is the mean over the cycle.",
            "The misfire limit rests on constants of ignition from published ranges. Count missed cycles over spark at idle to settle it.",
            *(("Residual above 35 % of charge is beyond any engine data: a direction, not degrees.",) if idle.beyond_data else ()),
        ),
        try_it="Altitude reduces vacuum without a change of the engine. How much is left at 1500 m if the manifold pressure stays? Does it stay?",
        cautions=AT_BRAKES,
        source_keys=("guzzella", "us1976", "heywood1988", "estimate", "practice"),
        carried_by=("p_n", "v"),
    )


def _spark(sheet: Worksheet, build: Build, idle: IdleState) -> str:
    """Work out the idle spark, the later of MBT spark less the reserve and the misfire limit; return it with its mark."""
    si = idle.si
    best = sheet.given("s_b", "MBT spark of all cycles, BTDC", idle.best_spark, CYCLE)
    reserve = sheet.given("s_r", "spark reserve", build.idle.spark_reserve, of_sheet(build, "idle", "spark_reserve"))
    kept = sheet.step("The idle control adds torque by adding spark, so some is kept.", "s_i", "MBT spark less the reserve, BTDC", best - reserve, "crank_deg")
    low, high = (marked(f"{getattr(si, name):.0f}", idle.mark(name)) for name in ("cautious_misfire_limit", "misfire_limit"))
    words = f"misfire limit, BTDC: earlier sparks miss more than 1 % of cycles; {low} to {high} deg, cautious to anchored"
    limit = sheet.given("s_m", words, idle.misfire_limit, CYCLE)
    words = f"The later of both is the idle spark. {RULES[idle.rule]}"
    if idle.rule is IdleSparkRule.LATEST_USEFUL:
        useful = sheet.given("s_u", "latest useful spark, BTDC: later ones burn too late", idle.spark, CYCLE)
        sheet.step(words, "s", "idle spark, BTDC", sympy.Min(kept, sympy.Max(limit, useful)), "crank_deg")
    elif idle.rule is IdleSparkRule.STATED:
        cap = sheet.given("s_c", "earliest idle spark, BTDC", build.idle.earliest_spark, of_sheet(build, "idle", "earliest_spark"))
        sheet.step(words, "s", "idle spark, BTDC", sympy.Min(cap, kept), "crank_deg")
    else:
        sheet.step(words, "s", "idle spark, BTDC", sympy.Min(kept, limit), "crank_deg")
    return marked(f"{si.spark:.1f} deg", idle.mark("spark"))


def _load(sheet: Worksheet, engine: EngineModel, *, drive: bool, accessories: bool) -> Any:
    """Work out what the engine carries at idle, as mean effective pressure."""
    build, known = engine.build, load_terms(engine, engine.build.idle.si.speed, drive=drive, accessories=accessories)
    book = "textbook engine (Guzzella & Onder, appendix B)"
    n = sheet.given("N", "idle speed", build.idle.speed, of_sheet(build, "idle", "speed"))
    t_0 = sheet.given("T_0", "friction torque of a textbook engine at no speed", quantity(friction.TORQUE, "N*m"), book)
    per_square = quantity(friction.TORQUE_PER_W2 * (2.0 * math.pi) ** 2, "N*m/crank_rps**2", "N*m/krpm**2")
    c_2 = sheet.given("c_2", "by how much it grows with speed squared", per_square, book)
    v_0 = sheet.given("V_0", "its displacement", quantity(friction.DISPLACEMENT, "m**3", "L"), book)
    factor = sheet.given(
        "k_f", "the sheet's friction factor", engine.tolerances.friction * build.engine.friction_factor, of_sheet(build, "engine", "friction_factor")
    )
    words = "Torque T over the two turns of a cycle is 4 pi T of work. Over the displacement it is a pressure that fits any size of engine."
    total = sheet.step(words, "p_f", "rubbing friction as mean pressure", factor * 4 * sympy.pi * (t_0 + c_2 * n**2) / v_0, "kPa")
    if known.accessories == known.converter == 0.0:
        return total
    volume = sheet.given("V", "displacement", quantity(engine.geometry.displacement, "m**3", "L"), SHEET)
    if known.accessories > 0.0:
        power = sheet.given("P", "power of the accessories", build.engine.accessory_power, of_sheet(build, "engine", "accessory_power"))
        turns = sheet.given("c", "crank turns of a cycle", quantity(2.0, "crank_rev"), "four-stroke")
        words = "Power over cycles per second is work per cycle. Over the displacement it is a pressure again."
        total += sheet.step(words, "p_a", "accessories as mean pressure", power * turns / (n * volume), "kPa")
    if known.converter > 0.0:
        stall = sheet.given(
            "T_s", "torque of the converter at stall", build.vehicle.converter_stall_torque, of_sheet(build, "vehicle", "converter_stall_torque")
        )
        n_s = sheet.given("N_s", "stall speed", build.vehicle.converter_stall_speed, of_sheet(build, "vehicle", "converter_stall_speed"))
        words = "A stalled converter's torque goes with speed squared."
        total += sheet.step(words, "p_c", "converter as mean pressure", 4 * sympy.pi * stall * (n / n_s) ** 2 / volume, "kPa")
    return sheet.step("Net work must carry the sum.", "p_l", "load as mean pressure", total, "kPa")


def _barometer(sheet: Worksheet, build: Build) -> Any:
    """Take the barometer from the sheet, or work it out from the altitude."""
    if not math.isnan(build.site.si.barometer):
        return sheet.given("p_b", "barometer", build.site.barometer, of_sheet(build, "site", "barometer"))
    book = "US Standard Atmosphere 1976"
    z = sheet.given("Z", "altitude", build.site.altitude, of_sheet(build, "site", "altitude"))
    r = sheet.given("R_e", "earth's radius", quantity(atmosphere.EARTH_RADIUS, "m", "km"), book)
    h = sheet.step("Gravity weakens a little with height: the altitude that counts.", "H", "geopotential altitude", r * z / (r + z), "m")
    p_0 = sheet.given("p_0", "pressure at sea level", quantity(STANDARD_PRESSURE, "Pa", "kPa"), book)
    t_0 = sheet.given("T_air", "temperature at sea level", quantity(atmosphere.STANDARD_TEMPERATURE, "K"), book)
    lapse = sheet.given("L", "how temperature falls with altitude", quantity(atmosphere.LAPSE, "K/m", "K/km"), book)
    n = sheet.given("n", "exponent, from gravity and the weight of air", atmosphere.EXPONENT, book)
    return sheet.step("The sheet gives no barometer, so the standard one.", "p_b", "barometer", p_0 * (1 - lapse * h / t_0) ** n, "kPa")

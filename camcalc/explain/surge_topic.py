"""Why a car bucks in a gear: what swings, what a table does to the swing, and how steep it may be."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import sympy

from ..advice.equal_torque import road_net_imep
from ..cautions import AT_SURGE
from ..cycle.engine_tables import EngineTables, engine_tables
from ..cycle.operating import EngineModel, barometer, pressure_for_net_imep
from ..cycle.simulate import SPEED
from ..drive.engine_loop import LoopPoint, engine_side_of, loop_point
from ..drive.risk import RoadSurge, surge_risk
from ..errors import InputError, NoSolutionError
from ..marks import Mark
from ..units import quantity, to_si
from ..words.phrases import graded
from .idle_topics import resolved_engine
from .origins import CYCLE, SHEET, of_sheet
from .printing import quantity_text
from .road_topics import checked_gear
from .worksheet import Explanation, Worksheet

if TYPE_CHECKING:
    from ..sheet import Build
    from ..tables import SparkTable
    from ..units import Quantity

__all__ = ["explain_surge", "nearby_tables"]

USUAL_SPEED = 1400.0 / 60.0
TABLE, LOOP = "spark table", "loop of engine, table and driveline about this point"
# Cycles tabulated about the point [rev/s, Pa, crank deg]: a little wider than the steps of the slopes taken from them.
AROUND = np.array([-200.0, 0.0, 200.0]) / 60.0
LOADS = np.arange(-3, 8) * 4e3
SPARKS = np.array([8.0, 18.0, 28.0, 38.0, 50.0])


def nearby_tables(engine: EngineModel, *, speed: float, gear: int) -> EngineTables:
    """Return tables of settled cycles about a gear's level road at a speed [rev/s]: a few seconds.

    Raises
    ------
    NoSolutionError
        If the road load is beyond reach.
    """
    ratio = engine.build.vehicle.gear_ratios[gear - 1]
    road = pressure_for_net_imep(engine, speed, road_net_imep(engine, speed, ratio), None)
    loads = np.asarray(road + LOADS, dtype=np.float64)
    return engine_tables(engine, speed + AROUND, loads[(loads > 12e3) & (loads < barometer(engine))], SPARKS, net=False)


def explain_surge(
    build: Build,
    *,
    gear: int | None = None,
    speed: Quantity | str | None = None,
    table: SparkTable | None = None,
    engine: EngineModel | None = None,
    engine_tables: EngineTables | None = None,
) -> Explanation:
    """Explain what shakes the car in a gear on the level road with a spark table (the sheet's own by default), at 1400 rpm or another speed.

    Parameters
    ----------
    build : Build
    gear : int
        Counted from 1; the one nearest to direct drive when left out.
    speed : quantity [crank speed]
        1400 rpm when left out.
    table : SparkTable
        The sheet's own when left out.
    engine : EngineModel
        Of the build; a crank-resolved one is made when left out.
    engine_tables : EngineTables
        Of the same engine, where they are made already.
    """
    gear = checked_gear(build, gear)
    n = USUAL_SPEED if speed is None else float(to_si(speed, "speed", SPEED))
    if table is None:
        table = _own_table(build)
    if engine_tables is None:
        engine_tables = nearby_tables(resolved_engine(build) if engine is None else engine, speed=n, gear=gear)
    found = surge_risk(build, table, gear=gear, engine_tables=engine_tables, speeds=np.array([n]), over_time=False)
    point = loop_point(engine_side_of(build, engine_tables), table, n, float(found.si.manifold_pressure[0]))
    if point is None:
        raise NoSolutionError(f"cycles do not settle close to {n * 60:.0f} rpm on the road in gear {gear}, so that no slopes can be taken")
    sheet = Worksheet()
    frequency, damping, per_torque = _driveline(sheet, build, gear)
    jitter = _jitter(sheet, build, found, point, n)
    words = "The car's acceleration if nothing swung. Near the mode's frequency it is several times that, and more with less damping."
    quiet = sheet.step(words, "a_q", "acceleration of the car without any swing", per_torque * jitter, "m/s**2")
    answers = [frequency, damping, jitter, quiet, *_margin(sheet, found)]
    return Explanation(
        topic="surge",
        question=f"What makes the car surge in gear {gear} at {n * 60:.0f} rpm on the level? How steep may the spark table be there?",
        build=build.name,
        steps=tuple(sheet.steps),
        answers=sheet.answers(*answers),
        reading=_reading(found),
        limits=(
            "The first mode has engine and car as two inertias on the shafts' springs, without tyre slip. Slip adds damping, and engine and table change it.",
            "Small swings under load. Through the driveline's backlash there is no one frequency.",
            "The load swing is an estimate and an input of the sheet. Halve and double it.",
            "The table counts as final spark. Corrections that move with speed or load have slopes of their own.",
        ),
        try_it="Level the table about this point. Which share of the shaking goes, and which stays because cycles vary?",
        cautions=AT_SURGE,
        source_keys=("pettersson1996", "crossley1991", "cook1988", "iso2631", "road", "estimate"),
        carried_by=("a_j", "T_j"),
    )


def _own_table(build: Build) -> SparkTable:
    from ..tables import read_table

    if build.spark_table is None:
        raise InputError("table", came="none", expected="a spark table", fix="give --table, or name one under [spark] table on the sheet")
    return read_table(build.spark_table)


def _driveline(sheet: Worksheet, build: Build, gear: int) -> tuple[Any, Any, Any]:
    """Work out the first mode of engine and car, and the car's acceleration per torque of the engine."""
    vehicle = build.vehicle
    i_g = sheet.given("i_g", f"ratio of gear {gear}", vehicle.gear_ratios[gear - 1], SHEET)
    i_f = sheet.given("i_f", "final drive", vehicle.final_drive, SHEET)
    i = sheet.step("Turns of the crank for one turn of the wheels.", "i", "ratio from crank to wheels", i_g * i_f, "")
    j_e = sheet.given("J_e", "inertia of crank, flywheel and clutch", build.engine.rotating_inertia, of_sheet(build, "engine", "rotating_inertia"))
    words = "Seen from the wheels the engine is heavy: the ratio counts for speed and for torque, so its square for inertia."
    j_1 = sheet.step(words, "J_1", "engine's inertia at the wheels", j_e * i**2, "kg*m**2")
    m, r = sheet.given("m", "mass of the car", vehicle.mass, SHEET), sheet.given("r", "rolling radius of the tyre", vehicle.tyre_radius, SHEET)
    j_w = sheet.given("J_w", "inertia of all wheels", vehicle.wheel_inertia, of_sheet(build, "vehicle", "wheel_inertia"))
    j_2 = sheet.step("The car is an inertia too, at the tyre's radius.", "J_2", "car's inertia at the wheels", m * r**2 + j_w, "kg*m**2")
    k_s = sheet.given(
        "k_s", "stiffness of the shafts, per radian of twist", _per_radian(vehicle.si.shaft_stiffness), of_sheet(build, "vehicle", "shaft_stiffness")
    )
    k_c = sheet.given(
        "k_c",
        "stiffness of the clutch's springs at the crank, per radian",
        _per_radian(vehicle.si.clutch_stiffness),
        of_sheet(build, "vehicle", "clutch_stiffness"),
    )
    words = "Clutch and shafts twist in series. The clutch counts with the ratio squared, so it is the softer part in tall gears."
    k = sheet.step(words, "k", "stiffness between engine and car, per radian", 1 / (1 / k_s + 1 / (k_c * i**2)), "N*m")
    words = "Two masses on a spring swing against each other."
    omega = sheet.step(words, "omega", "angular frequency, radians per second", sympy.sqrt(k * (1 / j_1 + 1 / j_2)), "1/s")
    frequency = sheet.step("In full swings per second.", "f", "frequency of the first mode", omega / (2 * sympy.pi), "Hz")
    loss = sheet.given(
        "eta", "loss factor: share of the shafts' torque that lags by a quarter swing", vehicle.loss_factor, of_sheet(build, "vehicle", "loss_factor")
    )
    c = sheet.step("As a dashpot that loses as much at this frequency.", "c", "damping of the shafts", loss * k / omega, "N*m*s")
    words = "Damping over that at which nothing swings. Tyre slip, engine and table change it."
    damping = sheet.step(words, "zeta", "damping ratio of the first mode", c * omega / (2 * k), "")
    words = "What the car does for one newton metre at the crank when nothing twists."
    per_torque = sheet.step(words, "g_T", "acceleration per engine torque", i * r / (j_1 + j_2), "m/s**2/(N*m)")
    return frequency, damping, per_torque


def _per_radian(value: float) -> Quantity:
    return quantity(value, "N*m")


def _jitter(sheet: Worksheet, build: Build, found: RoadSurge, point: LoopPoint, speed: float) -> Any:
    """Work out the torque that restless signals make through the slopes of the table."""
    limits, turn = build.limits, 2.0 * math.pi
    p = sheet.given(
        "p", f"manifold pressure that holds the car at {speed * 60:.0f} rpm on the table's {point.spark:.1f} degrees", _one(found, "manifold_pressure"), LOOP
    )
    b = sheet.given("b", "reversion there, share of charge", quantity(point.blow_back, "", "percent"), CYCLE)
    k_j = sheet.given("k_j", "load swing over that share", limits.load_jitter, of_sheet(build, "limits", "load_jitter"))
    words = "Reversion makes the charge unsteady, and the load signal with it, from cycle to cycle."
    p_j = sheet.step(words, "p_j", "load swing, r.m.s.", k_j * b * p, "kPa")
    n_j = sheet.given("N_j", "sensor noise of the speed signal, r.m.s.", limits.speed_jitter, of_sheet(build, "limits", "speed_jitter"))
    s_p = sheet.given("s_p", "slope of the table along load, as manifold pressure", quantity(point.spark_by_pressure, "crank_deg/Pa", "crank_deg/kPa"), TABLE)
    s_n = sheet.given("s_n", "slope of the table along speed", quantity(point.spark_by_speed * turn, "crank_deg/crank_rps", "crank_deg/krpm"), TABLE)
    words = "The table turns both into spark. They are independent, so squares add."
    spark = sheet.step(words, "a_j", "swing of spark, r.m.s.", sympy.sqrt((s_p * p_j) ** 2 + (s_n * n_j) ** 2), "crank_deg")
    t_a = sheet.given("t_a", "torque per degree of spark", quantity(point.torque_by_spark, "N*m/crank_deg"), CYCLE)
    words = "Spark that swings is torque that swings. A level table makes none."
    return sheet.step(words, "T_j", "swing of torque, r.m.s.", sympy.Abs(t_a) * spark, "N*m")


def _margin(sheet: Worksheet, found: RoadSurge) -> list[Any]:
    """Work out how much of the critical slope along speed the table uses."""
    critical_slope = found.si.critical_along_speed[0]
    if critical_slope <= 0.0 or found.mark("critical_along_speed", 0) is Mark.OR_MORE:
        return []  # no slope mends that, or none was found as far as the search goes, which the reading says
    critical = sheet.given("s_cr", "slope along speed at which no damping is left", _one(found, "critical_along_speed"), LOOP)
    half = sheet.step("Keep to half of that: springs and delays are not known better.", "s_half", "half the critical slope", critical / 2, "crank_deg/krpm")
    slope = next(symbol for symbol in sheet.values if symbol.name == "s_n")
    return [half, sheet.step("The table's own slope over that.", "q_s", "slope over half the critical", sympy.Abs(slope) / half, "")]


def _one(found: RoadSurge, name: str) -> Quantity:
    """Return a field of a road with one point as a single quantity."""
    field = RoadSurge.measures()[name]
    return quantity(float(getattr(found.si, name)[0]), field.unit, field.show)


def _reading(found: RoadSurge) -> str:
    si = found.si
    said = [f"With tyre slip, delays and table the car swings at {si.frequency[0]:.2f} Hz, damping ratio {si.damping[0]:.3f}."]
    if parts := ", ".join(f"{part} {change:+.3f}" for part, change in zip(found.parts, si.takes[:, 0], strict=True)):
        said.append(f"Parts of that damping ratio: {parts}.")
    if si.damping[0] <= 0.0:
        return " ".join([*said, f"The swing grows without end: {graded(found.verdict[0])}."])
    said.append(f"Load swing and sensor noise shake the car by {si.from_jitter[0]:.3g} m/s² r.m.s., COV of IMEP by {si.from_burn[0]:.3g} m/s².")
    said.append(f"Verdict: {graded(found.verdict[0])}.")
    if found.mark("critical_along_speed", 0) is Mark.OR_MORE:
        said.append(f"Damping is left at every slope along speed up to {quantity_text(_one(found, 'critical_along_speed'))}, where the search ends.")
    said.append(f"For a trace of shaking or less by load noise, keep the slope along load within {quantity_text(_one(found, 'limit_along_load'))}.")
    return " ".join(said)

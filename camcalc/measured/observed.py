"""What rows of ``[[measured]]`` show: each reading with what the model says it would be, how closely it was read, and how far the model itself may be off."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

from ..advice.equal_torque import road_net_imep
from ..advice.idle_balance import standing_balance
from ..codes import Code
from ..cycle.best_torque import EARLIEST, LATEST
from ..cycle.operating import EngineModel, barometer, pressure_for_net_imep
from ..cycle.work_variation import misfire_spark
from ..errors import InputError
from ..road_test.readings import COAST_CLOSENESS, COAST_GEAR, coasting
from ..sheet import Build
from ..sheet.measured_rows import COASTING, CRANKING, IDLE, MISFIRE_LIMIT, ROAD, Measured, MeasuredRow
from .cranking import CRANKING_SPEED, cranking_pressure

__all__ = ["CLOSENESS", "DISCREPANCIES", "Discrepancy", "Observed", "Quantity", "observed_of"]


class Quantity(Code):
    """What is read: the kinds whose errors, of gauge and of model, have something in common."""

    IDLE_PRESSURE = "manifold pressure at a standstill"
    ROAD_PRESSURE = "manifold pressure on the road"
    AIR = "air flow"
    FUEL = "fuel flow"
    EXHAUST_TEMPERATURE = "exhaust gas temperature"
    COASTING = "slowing down with fuel cut"
    CRANKING = "compression pressure while cranking"
    MISFIRE_LIMIT = "spark above which cycles miss at idle"


class Discrepancy(NamedTuple):
    """How far the model may be off whatever its inputs: in common to all readings of the kind, and for each by itself; standard deviations.

    Absolute in the inner unit, or as a share of the figure.
    """

    common: float
    own: float
    share: bool


# ESTIMATE, each. Pressures: mild idles come out 0 to 4 inHg over common practice, an inch of that is taken for the model's own; ranges 1 to 4 kPa.
# Air and fuel at a given load follow friction and efficiency, which are inputs; what is left is the cycle's closeness to a real one, 2 to 5 %.
# Exhaust: the polynomial of measurements that the cycle was held against lies 130 to 260 K lower at full load. Cranking: the exponent's range.
DISCREPANCIES: dict[Quantity, Discrepancy] = {
    Quantity.IDLE_PRESSURE: Discrepancy(2.0e3, 1.0e3, False),
    Quantity.ROAD_PRESSURE: Discrepancy(2.0e3, 2.0e3, False),
    Quantity.AIR: Discrepancy(0.03, 0.015, True),
    Quantity.FUEL: Discrepancy(0.03, 0.015, True),
    Quantity.EXHAUST_TEMPERATURE: Discrepancy(80.0, 20.0, False),
    Quantity.COASTING: Discrepancy(0.05, 0.02, True),
    Quantity.CRANKING: Discrepancy(0.06, 0.01, True),
    Quantity.MISFIRE_LIMIT: Discrepancy(2.0, 1.5, False),
}
# How closely a reading is taken where its row does not say: absolute in the inner unit, and as a share; standard deviations. ESTIMATE, each.
CLOSENESS: dict[str, tuple[float, float]] = {
    "manifold_pressure": (0.5e3, 0.0),
    "manifold_vacuum": (0.8e3, 0.0),
    "air_flow": (0.0, 0.03),
    "fuel_flow": (0.0, 0.04),
    "exhaust_temperature": (20.0, 0.0),
    "deceleration": COAST_CLOSENESS,
    "cranking_pressure": (15e3, 0.01),
    "spark": (1.5, 0.0),
}


# At the pressure that an idle on this spark has, its misfire limit is asked [crank deg before top dead centre]; the limit moves little with it. ESTIMATE.
COMMON_SPARK = 20.0


class Observed(NamedTuple):
    """One reading: its row and figure, value and closeness in the inner unit, and what a model says of it.

    ``before``: read with the cam that was in the car before, so that what is wrong with the new one's fitting does not touch it.
    """

    row: int
    name: str
    quantity: Quantity
    value: float
    closeness: float
    key: tuple[object, ...]
    answer: Callable[[EngineModel], float]
    before: bool = False


def observed_of(build: Build, rows: tuple[MeasuredRow, ...]) -> list[Observed]:
    """Return every reading of a sheet's rows; logs are read before, see ``from_log``.

    Raises
    ------
    InputError
        If a row drives in a gear that the car has not, or was read with a cam that the sheet does not have.

    Examples
    --------
    >>> from camcalc import load_build
    >>> from camcalc.sheet.measured_reading import read_measured
    >>> from camcalc.sheet.section_reading import Problems
    >>> rows = read_measured([{"what": "cranking", "cranking_pressure": "165 psi"}], Problems())
    >>> [one.quantity.code for one in observed_of(load_build("examples/quarry-road/build.toml"), rows)]
    ['cranking']
    """
    found = []
    for row in rows:
        if row.said.cam == "replaced" and build.replaced_cam is None:
            fix = "add [replaced_cam], or take the row out"
            raise InputError(f"[measured, row {row.number}] cam", came='"replaced"', expected="a sheet with [replaced_cam]", fix=fix)
        for name in row.responses():
            value = float(getattr(row.said.si, name))
            absolute, share = CLOSENESS[name]
            closeness = row.within.get(name, math.hypot(absolute, share * abs(value)))
            kind, answer = _answer(build, row.number, row.said, name)
            key = (row.said.what, name, *(round(v, 9) for v in _where(row.said, name)), row.said.gearbox, row.said.accessories, row.said.cam)
            found.append(Observed(row.number, name, kind, value, closeness, key, answer, row.said.cam == "replaced"))
    return found


def _where(said: Measured, name: str) -> tuple[float, ...]:
    """Return where a figure was read; a spark that was read is none of it."""
    spark = math.nan if name == "spark" else said.si.spark
    return tuple(0.0 if math.isnan(v) else v for v in (said.si.speed, spark, float(said.gear)))


def _answer(build: Build, number: int, said: Measured, name: str) -> tuple[Quantity, Callable[[EngineModel], float]]:
    vehicle = build.vehicle
    if said.gearbox == "drive" and vehicle.transmission != "converter":
        expected = "a car with a converter, which idles in drive"
        raise InputError(f"[measured, row {number}] gearbox", came='"drive"', expected=expected, fix="take the key out: this one idles in neutral")
    if said.what == COASTING:
        if vehicle.transmission == "converter" or len(vehicle.gear_ratios) < COAST_GEAR:
            expected = "a car that coasts in second gear with its engine turning: a clutch and two gears or more"
            raise InputError(f"[measured, row {number}] what", came=f'"{COASTING}"', expected=expected, fix="take the row out")
        return Quantity.COASTING, coasting
    if said.what == CRANKING:
        speed = CRANKING_SPEED if math.isnan(said.si.speed) else said.si.speed
        return Quantity.CRANKING, lambda engine: cranking_pressure(engine, speed)
    if said.what == MISFIRE_LIMIT:
        return Quantity.MISFIRE_LIMIT, lambda engine: _misfire(engine, said)
    if said.what == ROAD and said.gear > len(build.vehicle.gear_ratios):
        top = len(build.vehicle.gear_ratios)
        raise InputError(f"[measured, row {number}] gear", came=str(said.gear), expected=f"1 to {top}, as [vehicle] gear_ratios has them")
    return _KINDS[name] if said.what == IDLE or name not in ("manifold_pressure", "manifold_vacuum") else Quantity.ROAD_PRESSURE, _steady(said, name)


_KINDS = {
    "manifold_pressure": Quantity.IDLE_PRESSURE,
    "manifold_vacuum": Quantity.IDLE_PRESSURE,
    "air_flow": Quantity.AIR,
    "fuel_flow": Quantity.FUEL,
    "exhaust_temperature": Quantity.EXHAUST_TEMPERATURE,
}


def _steady(said: Measured, name: str) -> Callable[[EngineModel], float]:
    speed, spark = said.si.speed, said.si.spark

    def answer(engine: EngineModel) -> float:
        if said.what == IDLE:
            drive, accessories = said.gearbox == "drive", said.accessories == "on"
            state = standing_balance(engine, speed, spark, drive=drive, accessories=accessories).mean
        else:
            net = road_net_imep(engine, speed, engine.build.vehicle.gear_ratios[said.gear - 1])
            state = engine.state(speed, pressure_for_net_imep(engine, speed, net, spark), spark)
        cycles = speed / 2.0 * engine.geometry.cylinders
        return {
            "manifold_pressure": state.manifold_pressure,
            "manifold_vacuum": barometer(engine) - state.manifold_pressure,
            "air_flow": state.air * cycles,
            "fuel_flow": state.fuel * cycles / engine.fuel.density,
            "exhaust_temperature": state.exhaust_temperature,
        }[name]

    return answer


def _misfire(engine: EngineModel, said: Measured) -> float:
    """Return the misfire limit at an idle [crank deg before top dead centre], no further than the ends of the search."""
    drive, accessories = said.gearbox == "drive", said.accessories == "on"
    pressure = standing_balance(engine, said.si.speed, COMMON_SPARK, drive=drive, accessories=accessories).mean.manifold_pressure
    return min(max(misfire_spark(engine, said.si.speed, pressure), LATEST), EARLIEST)

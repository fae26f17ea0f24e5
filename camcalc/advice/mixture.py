"""What oxygen sensor and load sensor read at an idle with partial burns and reversion."""

from __future__ import annotations

import dataclasses
import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..codes import Code
from ..constants import AIR_GAMMA, AIR_GAS_CONSTANT
from ..engine.gas import FuelData
from ..engine.valve_flow import orifice_flow_kernel
from ..errors import InputError
from ..results import Measure, Record, measure

__all__ = [
    "ClosedLoop",
    "LoadSensing",
    "MeterReading",
    "Plenum",
    "SensorReading",
    "TableReading",
    "lambda_shown",
    "load_sensing",
    "meter_over_reading",
    "sensor_reading",
    "table_over_reading",
    "throttled_over_reading",
    "unburned_as_hexane",
]

Array = NDArray[np.float64]

# What an exhaust gas analyser counts unburned fuel in: propane and hexane were the standards, hexane with six carbon atoms is what meters show.
HEXANE_CARBON = 6.0
# A flame leaves some fuel in crevices, oil and deposits: 9 % escapes it and two thirds of that burns later, so that 1.8 % leaves a warm engine
# (Cheng, Hamrin, Heywood et al., SAE 932708, from memory, medium to high). What missed and partial burns leave comes on top.
ALWAYS_LEFT = 0.018
# ESTIMATE: an error of the mixture that a driver does not notice and a closed loop may well correct.
NOTICED = 0.02
ROUNDING = 1e-6  # what a computed share may lie outside 0 to 1


class ClosedLoop(Code):
    """What to do about closed-loop trim at idle."""

    MAY_STAY_ON = "the sensor shows the mixture as it is: closed-loop trim may stay on"
    SWITCH_OFF = "missed and partial burns make the sensor read lean: switch closed-loop trim off at idle, or limit it"


class MeterReading(Code):
    """What an air meter that counts reversed flow as air reads."""

    TRUE = "it reads the air that the cylinders keep"
    DAMPED = "plenum and throttle keep reversion away from a meter before the throttle; close to the runners it would read too much"
    TOO_MUCH = "it counts air again that reversion sends back and forth"


class TableReading(Code):
    """What a pressure sensor reads through the replaced cam's table of volumetric efficiency."""

    TRUE = "the table serves the new cam as well"
    TOO_MUCH = "it reads more air than the cylinders keep: map volumetric efficiency again"
    TOO_LITTLE = "it reads less air than the cylinders keep: map volumetric efficiency again"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SensorReading(Record):
    """The mixture, what an exhaust oxygen sensor shows of it, and what that means for closed-loop trim."""

    true_lambda: Measure = measure("", doc="air over stoichiometric air, as it goes in")
    shown_lambda: Measure = measure("", doc="as an exhaust oxygen sensor reads it")
    burned_share: Measure = measure("", "percent", doc="share of the fuel that burns before it leaves, missed cycles counted")
    hydrocarbons: Measure = measure("", "ppm", doc="unburned fuel in wet exhaust as hexane, none burnt in the exhaust; by mole")
    reads_lean_by: Measure = measure("", "percent", doc="shown over true lambda, less one")
    closed_loop: ClosedLoop


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class LoadSensing(Record):
    """By how much a load sensor reads more air than the cylinders keep."""

    air_meter: Measure = measure("", "percent", doc="a meter before the throttle that counts reversed flow as air, behind plenum and throttle")
    air_meter_at_most: Measure = measure("", "percent", doc="the same meter, were there neither plenum nor throttle to damp the swing")
    pressure_sensor: Measure = measure("", "percent", doc="pressure with the replaced cam's table of volumetric efficiency")
    meter: MeterReading
    table: TableReading


def lambda_shown(true_lambda: float, burned_share: float, seen: float) -> float:
    """Return the lambda that an exhaust oxygen sensor shows when part of the charge leaves unburned.

    Parameters
    ----------
    true_lambda : float
    burned_share : float, 0 to 1
        Share of the fuel, and of the air with it, that burns.
    seen : float, 0 to 1
        Share of the unburned fuel that burns on the sensor's electrode (``fuel_seen`` of the build sheet's limits).

    Raises
    ------
    InputError
        On a share outside 0 to 1, or nothing burned and nothing seen.

    Notes
    -----
    The sensor sees all the air, which ``lambda`` counts, but of the fuel only ``b + seen (1 - b)`` with ``b`` burned:
    ``lambda / (1 - (1 - seen)(1 - b))``. Lean and rich alike, since products of rich burning are seen whole.

    Examples
    --------
    >>> round(lambda_shown(1.0, 0.9, 0.3), 4)
    1.0753
    """
    for name, share in (("burned_share", burned_share), ("seen", seen)):
        if not -ROUNDING <= share <= 1.0 + ROUNDING:
            raise InputError(name, came=f"{share:g}", expected="a share from 0 to 1")
    fuel = 1.0 - (1.0 - min(max(seen, 0.0), 1.0)) * (1.0 - min(max(burned_share, 0.0), 1.0))
    if fuel <= 0.0:
        raise InputError("burned_share", came="0, with seen 0", expected="some fuel that burns or is seen: without any the sensor shows pure air")
    return true_lambda / fuel


def unburned_as_hexane(fuel: FuelData, true_lambda: float, burned_share: float) -> float:
    """Return the share of unburned fuel in the exhaust, counted as hexane, by mole of wet gas.

    Parameters
    ----------
    fuel : FuelData
        Of that mixture.
    true_lambda : float
        Air over stoichiometric air.
    burned_share : float, 0 to 1
        Share of the fuel, and of the air with it, that burns.

    Notes
    -----
    Carbon of the fuel that does not burn, over six, over the moles of exhaust: burned gas of what burns and fresh charge of what does not.
    A meter that dries the gas reads some 15 % more. Fuel that burns on in a hot exhaust is not counted out.

    Examples
    --------
    One missed firing in a hundred:

    >>> from camcalc.engine.gas import fuel_data
    >>> round(1e6 * unburned_as_hexane(fuel_data("gasoline"), 1.0, 0.99))
    223
    """
    carbon = fuel.carbon / (1.0 + true_lambda * fuel.stoichiometric)
    moles = burned_share / fuel.burned_molar_mass + (1.0 - burned_share) / fuel.fresh_molar_mass
    return (1.0 - burned_share) * carbon / HEXANE_CARBON / moles


def sensor_reading(true_lambda: float, burned_share: float, seen: float, fuel: FuelData) -> SensorReading:
    """Return what the sensor shows, what an analyser counts, and what to do about closed-loop trim at idle.

    Parameters
    ----------
    true_lambda : float
    burned_share : float, 0 to 1
        Share of the fuel in reach of the flame that burns; what crevices, oil and deposits hide is counted here.
    seen : float, 0 to 1
        As ``lambda_shown`` has it; so are the errors.
    fuel : FuelData
        Of that mixture.

    Examples
    --------
    >>> from camcalc.engine.gas import fuel_data
    >>> sensor_reading(1.0, 1.0, 0.3, fuel_data("gasoline")).closed_loop is ClosedLoop.MAY_STAY_ON
    True
    """
    burned = burned_share * (1.0 - ALWAYS_LEFT)
    shown = lambda_shown(true_lambda, burned, seen)
    error = shown / true_lambda - 1.0
    return SensorReading(
        true_lambda=true_lambda,
        shown_lambda=shown,
        burned_share=burned,
        hydrocarbons=unburned_as_hexane(fuel, true_lambda, burned),
        reads_lean_by=error,
        closed_loop=ClosedLoop.MAY_STAY_ON if error <= NOTICED else ClosedLoop.SWITCH_OFF,
    )


def meter_over_reading(runner_flow: Array, cylinders: int) -> float:
    """Return by how much an air meter over-reads that counts reversed flow as air: at most, as if nothing damped the swing on its way.

    Parameters
    ----------
    runner_flow : array
        From plenum into one cylinder's runner, positive inwards, evenly spaced over one cycle of 720 crank degrees; any unit.
    cylinders : int
        On the plenum that the meter feeds, evenly fired; 1 where each has its own throttle and meter.

    Returns
    -------
    float
        Mean of the flow's size over the mean flow, less one.

    Raises
    ------
    InputError
        If no air is drawn over the cycle.

    Examples
    --------
    >>> round(meter_over_reading(np.array([3.0, 3.0, -1.0, -1.0]), 1), 6)
    1.0
    >>> round(meter_over_reading(np.array([3.0, 3.0, -1.0, -1.0]), 2), 6)
    0.0
    """
    mean = float(np.mean(runner_flow))
    if mean <= 0.0:
        raise InputError("runner_flow", came=f"a mean of {mean:g}", expected="air drawn over the cycle")
    size = len(runner_flow)
    at = np.arange(size)
    total = sum(np.interp(at - k * size / cylinders, at, runner_flow, period=size) for k in range(cylinders))
    return float(np.mean(np.abs(total)) / np.mean(total) - 1.0)


class Plenum(NamedTuple):
    """What stands between runners and meter: volume [m3], mean pressure [Pa] and temperature [K] in it, air pressure [Pa] before the throttle."""

    volume: float
    pressure: float
    temperature: float
    ambient: float


def throttled_over_reading(runner_flow: Array, cylinders: int, *, speed: float, plenum: Plenum) -> float:
    """Return by how much a meter before the throttle over-reads: flow there reverses only while the plenum swings above the air before it.

    Parameters
    ----------
    runner_flow : array [kg]
        From plenum into one cylinder's runner in each of evenly spaced steps of one cycle, positive inwards.
    cylinders : int
        On the plenum.
    speed : float [rev/s]
    plenum : Plenum

    Notes
    -----
    The plenum's pressure swings by what the runners draw unevenly, ``gamma R T / V`` times it; the throttle passes what an
    orifice does at that pressure, either way. First order: the swing itself is taken from steady plenum pressure.
    """
    size = len(runner_flow)
    at = np.arange(size)
    total = sum(np.interp(at - k * size / cylinders, at, runner_flow, period=size) for k in range(cylinders))
    missing = np.cumsum(np.mean(total) - total)
    swing = AIR_GAMMA * AIR_GAS_CONSTANT * plenum.temperature / plenum.volume * (missing - np.mean(missing))
    pressures = plenum.pressure + swing
    flow = np.array([_through_throttle(float(p), plenum) for p in pressures])
    mean = float(np.mean(flow))
    return float(np.mean(np.abs(flow)) / mean - 1.0) if mean > 0.0 else math.inf


def _through_throttle(pressure: float, plenum: Plenum) -> float:
    high, low = max(pressure, plenum.ambient), min(pressure, plenum.ambient)
    size = orifice_flow_kernel(1.0, high, max(low, 1.0), plenum.temperature, AIR_GAS_CONSTANT, AIR_GAMMA)
    return size if pressure <= plenum.ambient else -size


def table_over_reading(air_replaced: float, air_new: float) -> float:
    """Return by how much the replaced cam's table of volumetric efficiency over-reads at equal manifold pressure.

    Parameters
    ----------
    air_replaced, air_new : float
        Air per cylinder and cycle at one speed and manifold pressure, with either cam; the same unit.

    Raises
    ------
    InputError
        If the new cam draws no air.

    Examples
    --------
    >>> table_over_reading(150.0, 120.0)
    0.25
    """
    if air_new <= 0.0:
        raise InputError("air_new", came=f"{air_new:g}", expected="more than nothing: the engine must run with the new cam")
    return air_replaced / air_new - 1.0


def load_sensing(runner_flow: Array, cylinders: int, *, speed: float, plenum: Plenum, air_replaced: float, air_new: float) -> LoadSensing:
    """Return both sensors' errors at one operating point; parameters as the functions above.

    Parameters
    ----------
    runner_flow : array, shape (n,)
        From plenum into one cylinder's runner [kg/s], positive inwards, evenly spaced over one cycle of 720 crank degrees.
    cylinders : int
        That breathe from the same plenum.
    speed : float
        Crank speed [rev/s].
    plenum : Plenum
    air_replaced, air_new : float
        Trapped with the replaced cam and with the new one at the same manifold pressure, in the same unit.

    Examples
    --------
    >>> calm = Plenum(volume=4e-3, pressure=60e3, temperature=320.0, ambient=101e3)
    >>> flow = 1e-6 * np.array([3.0, 3.0, -1.0, -1.0])
    >>> found = load_sensing(flow, 1, speed=15.0, plenum=calm, air_replaced=150.0, air_new=120.0)
    >>> found.si.air_meter, round(found.si.air_meter_at_most, 6), found.si.pressure_sensor
    (0.0, 1.0, 0.25)
    """
    most, table = meter_over_reading(runner_flow, cylinders), table_over_reading(air_replaced, air_new)
    meter = throttled_over_reading(runner_flow, cylinders, speed=speed, plenum=plenum)
    return LoadSensing(
        air_meter=meter,
        air_meter_at_most=most,
        pressure_sensor=table,
        meter=MeterReading.TOO_MUCH if meter > NOTICED else MeterReading.DAMPED if most > NOTICED else MeterReading.TRUE,
        table=TableReading.TRUE if abs(table) <= NOTICED else TableReading.TOO_MUCH if table > 0.0 else TableReading.TOO_LITTLE,
    )

"""Sensors at idle in words: what the oxygen sensor and the load sensor read, and what to do about it."""

from __future__ import annotations

import math

from ..advice.mixture import ClosedLoop, LoadSensing, MeterReading, SensorReading, TableReading
from ..advice.sensing import IdleSensing
from .describing import describe
from .figures import percent

__all__ = ["load_lines", "mixture_words", "sensing_words"]


@describe.register
def sensing_words(sensing: IdleSensing) -> str:
    """Return what the sensors read at idle, oxygen sensor first, a line each.

    Parameters
    ----------
    sensing : IdleSensing

    Examples
    --------
    >>> from camcalc.advice.mixture import sensor_reading
    >>> from camcalc.engine.gas import fuel_data
    >>> sensing_words(IdleSensing(mixture=sensor_reading(0.95, 1.0, 0.3, fuel_data("gasoline", 0.95)), load=None)).split(". ")[0]
    'Oxygen sensor: lambda 0.96 shown, 0.95 true'
    """
    return "\n".join([mixture_words(sensing.mixture), *(load_lines(sensing.load) if sensing.load is not None else [])])


@describe.register
def mixture_words(reading: SensorReading) -> str:
    """Return what the oxygen sensor shows at idle, and whether closed-loop trim may stay on.

    Parameters
    ----------
    reading : SensorReading

    Examples
    --------
    >>> from camcalc.advice.mixture import sensor_reading
    >>> from camcalc.engine.gas import fuel_data
    >>> mixture_words(sensor_reading(1.0, 1.0, 0.3, fuel_data("gasoline"))).split(". ")[1]
    'Closed-loop trim may stay on at idle'
    """
    si = reading.si
    said = f"Oxygen sensor: lambda {si.shown_lambda:.2f} shown, {si.true_lambda:.2f} true."
    if reading.closed_loop is ClosedLoop.MAY_STAY_ON:
        return f"{said} Closed-loop trim may stay on at idle. {_meter_words(si.hydrocarbons)}"
    return (
        f"{said} {percent(si.burned_share)} of the fuel burns, and the oxygen that is left reads {percent(si.reads_lean_by)} too lean. "
        "Switch closed-loop trim off at idle, or limit it: it adds fuel to an engine that is not lean. Tune by idle quality. "
        f"{_meter_words(si.hydrocarbons)} The smell of raw fuel comes from missed and partial burns, not from a rich mixture."
    )


def _meter_words(hydrocarbons: float) -> str:
    """Return what a gas analyser counts of unburned fuel, as hexane: two digits, steps of ten at least."""
    counted = 1e6 * hydrocarbons
    rounded = round(counted, -max(math.floor(math.log10(max(counted, 1.0))) - 1, 1))
    return f"Gas analyser ahead of any catalyst: about {rounded:.0f} ppm HC (hexane); count it to check the missed cycles."


@describe.register
def load_words(load: LoadSensing) -> str:
    """Return what an air meter and a pressure sensor read, a line each.

    Parameters
    ----------
    load : LoadSensing

    Examples
    --------
    >>> load_words(LoadSensing(air_meter=0.4, air_meter_at_most=0.9, pressure_sensor=0.0, meter=MeterReading.TOO_MUCH, table=TableReading.TRUE)).splitlines()[0]
    'Air meter that counts both ways: reads 40 % too much: reversion passes it more than once.'
    """
    return "\n".join(load_lines(load))


def load_lines(load: LoadSensing) -> list[str]:
    """Return a line for the air meter and one for the pressure sensor.

    Parameters
    ----------
    load : LoadSensing

    Examples
    --------
    >>> load_lines(LoadSensing(air_meter=0.0, air_meter_at_most=0.0, pressure_sensor=0.25, meter=MeterReading.TRUE, table=TableReading.TOO_MUCH))[1]
    "Pressure sensor with the old cam's volumetric efficiency: reads 25 % too much air. Map volumetric efficiency again."
    """
    si = load.si
    meter = {
        MeterReading.TRUE: "reads the air that the cylinders keep",
        MeterReading.DAMPED: (f"reads true before throttle and plenum. Close to the runners it could read up to {percent(si.air_meter_at_most)} too much"),
        MeterReading.TOO_MUCH: f"reads {percent(si.air_meter)} too much: reversion passes it more than once",
    }[load.meter]
    amount = percent(abs(si.pressure_sensor))
    table = {
        TableReading.TRUE: "reads the air that the cylinders keep",
        TableReading.TOO_MUCH: f"reads {amount} too much air. Map volumetric efficiency again",
        TableReading.TOO_LITTLE: f"reads {amount} too little air. Map volumetric efficiency again",
    }[load.table]
    return [f"Air meter that counts both ways: {meter}.", f"Pressure sensor with the old cam's volumetric efficiency: {table}."]

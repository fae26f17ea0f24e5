"""What an engine model tells about one operating point, and what advice may ask of any model.

Advice is written against ``EngineModel`` alone; the quick closed forms and the resolved cycle both are one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Protocol

from ..errors import NoSolutionError

if TYPE_CHECKING:
    from ..build import Build
    from ..engine.geometry import Geometry

__all__ = ["EngineModel", "OperatingState", "pressure_for_net_imep"]


class OperatingState(NamedTuple):
    """One operating point per cylinder and cycle, SI floats; speeds rev/s, angles crank deg, spark before top dead centre."""

    speed: float
    manifold_pressure: float
    exhaust_pressure: float
    spark: float
    burned_fraction: float
    diluent: float
    trapped: float
    air: float
    fuel: float
    blow_back: float
    gross: float
    pumping: float
    net: float
    development: float
    rapid_burn: float
    half_burned: float
    completeness: float
    exhaust_temperature: float


class EngineModel(Protocol):
    """An engine on one build sheet, asked for operating points."""

    build: Build
    geometry: Geometry
    name: str

    def state(self, speed: float, pressure: float, spark: float, *, burned_fraction: float | None = None) -> OperatingState:
        """Return an operating point; with ``burned_fraction``, that of a single cycle whose charge is so diluted."""
        ...

    def best_spark(self, speed: float, pressure: float, *, burned_fraction: float | None = None) -> float:
        """Return the spark of greatest net IMEP."""
        ...


LEAST_PRESSURE = 8e3


def pressure_for_net_imep(model: EngineModel, speed: float, net: float, spark: float | None, *, spark_offset: float = 0.0, samples: int = 14) -> float:
    """Return the lowest manifold pressure [Pa] that gives a net IMEP [Pa] with torque rising through it.

    ``spark`` None means best-torque spark less ``spark_offset``. With much dilution two pressures can give one torque;
    the upper one is steady, and it is the one returned.

    Raises
    ------
    NoSolutionError
        If the torque is out of reach without boost, with the greatest reachable net IMEP [Pa].
    """
    from scipy.optimize import brentq

    def short(pressure: float) -> float:
        angle = model.best_spark(speed, pressure) - spark_offset if spark is None else spark
        return model.state(speed, pressure, angle).net - net

    ambient = barometer(model)
    high, most = ambient, short(ambient)
    if most < 0.0:
        raise NoSolutionError(
            f"net IMEP of {net / 1e3:.0f} kPa is beyond reach at {speed * 60:.0f} rpm; the most is {(most + net) / 1e3:.0f} kPa", reachable=most + net
        )
    step = (ambient - LEAST_PRESSURE) / samples
    for k in range(1, samples + 1):
        low = ambient - k * step
        if short(low) < 0.0:
            return float(brentq(short, low, high, xtol=5.0, rtol=1e-6))
        high = low
    return LEAST_PRESSURE


def barometer(model: EngineModel) -> float:
    """Return the air pressure at the model's site [Pa]."""
    from ..engine.atmosphere import barometer_of

    return barometer_of(model.build.site)

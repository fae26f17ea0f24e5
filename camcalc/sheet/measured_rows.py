"""What was measured on the car: rows of ``[[measured]]``, each a figure with how closely it was read."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Any

from ..results import Measure, Record, measure
from .section import Section, plain

__all__ = [
    "BESIDE", "COASTING", "CRANKING", "IDLE", "MISFIRE_LIMIT", "NEEDS", "RESPONSES", "ROAD", "Measured", "MeasuredRow",
]  # fmt: skip

IDLE, ROAD, COASTING, CRANKING, MISFIRE_LIMIT = WHAT = ("idle", "road", "coasting", "cranking", "misfire limit")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Measured(Section):
    """One row: where it was taken and what was read there."""

    what: str = plain(str, choices=WHAT, doc="what was done: idle, road (steady, level), coasting (in gear, fuel cut), cranking, misfire limit (at idle)")
    cam: str = plain(str, choices=("new", "replaced"), default="new", why="most common", doc="the cam that was in the car: new, or the one it replaced")
    speed: Measure = measure("crank_rps", "rpm", low=100 / 60, high=6000 / 60, default="nan", doc="engine speed, held")
    spark: Measure = measure("crank_deg", low=-20.0, high=70.0, default="nan", doc="final spark, held, before top dead centre")
    gear: int = plain(int, low=0, high=12, default=0, why="neutral", doc="gear driven in, counted from 1")
    gearbox: str = plain(str, choices=("neutral", "drive"), default="neutral", why="most common", doc="at idle")
    accessories: str = plain(str, choices=("off", "on"), default="off", why="most common", doc="at idle")
    manifold_pressure: Measure = measure("Pa", "kPa", low=8e3, high=1.1e5, default="nan", doc="absolute")
    manifold_vacuum: Measure = measure("Pa", "kPa", low=2e3, high=9.5e4, default="nan", doc="below the outside air, instead of the pressure")
    air_flow: Measure = measure("kg/s", "g/s", low=2e-4, high=0.6, default="nan", doc="of the whole engine, by an air meter")
    fuel_flow: Measure = measure("m**3/s", "L/h", low=5e-8, high=5e-5, default="nan", doc="of the whole engine")
    exhaust_temperature: Measure = measure("K", "degC", low=400.0, high=1400.0, default="nan", doc="of the gas at the port, averaged")
    deceleration: Measure = measure("m/s**2", low=0.05, high=4.0, default="nan", doc="while coasting in second gear at 2500 rpm, fuel cut")
    cranking_pressure: Measure = measure("Pa", "kPa", low=2e5, high=3e6, default="nan", doc="peak on a compression gauge, throttle wide open")


# What a row of each kind needs, and what it may bring, of which at least one.
NEEDS: Mapping[str, tuple[str, ...]] = {
    IDLE: ("speed", "spark"), ROAD: ("speed", "spark", "gear"), COASTING: (), CRANKING: (), MISFIRE_LIMIT: ("speed", "spark"),
}  # fmt: skip
# What a row of each kind may say of where it was taken beside that.
BESIDE: Mapping[str, tuple[str, ...]] = {
    IDLE: ("gearbox", "accessories"), ROAD: (), COASTING: (), CRANKING: ("speed",), MISFIRE_LIMIT: ("gearbox", "accessories"),
}  # fmt: skip
STEADY = ("manifold_pressure", "manifold_vacuum", "air_flow", "fuel_flow", "exhaust_temperature")
RESPONSES: Mapping[str, tuple[str, ...]] = {
    IDLE: STEADY, ROAD: STEADY, COASTING: ("deceleration",), CRANKING: ("cranking_pressure",), MISFIRE_LIMIT: ("spark",),
}  # fmt: skip


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class MeasuredRow(Record):
    """A row as read: its figures, how closely each was read in its inner unit where the row says so, the log it is from, and the row's own words."""

    number: int
    said: Measured
    within: Mapping[str, float]
    log: str = ""
    text: Mapping[str, Any] = dataclasses.field(default_factory=dict, repr=False)

    def responses(self) -> list[str]:
        """Return the names of the figures that were read."""
        return [name for name in RESPONSES[self.said.what] if math.isfinite(getattr(self.said.si, name))]

    def __eq__(self, other: object) -> bool:
        return isinstance(other, MeasuredRow) and (self.said, dict(self.within), self.log) == (other.said, dict(other.within), other.log)

    __hash__ = None

"""An engine model of the tests' own, written from the protocol alone: straight lines and one sine.

No figure of it is ever checked against the world; it shows that advice needs nothing but what the protocol promises.
"""

from __future__ import annotations

import copy
import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from camcalc.burn.cycle_map import Kernel
from camcalc.constants import AIR_GAS_CONSTANT
from camcalc.cycle.burn_map import BurnMap, table_of
from camcalc.cycle.ledger import BurnedLedger
from camcalc.cycle.operating import Ending, OperatingState, Tolerances, barometer
from camcalc.cycle.plain_cycle import Course
from camcalc.cycle.port_flow import PortFlow
from camcalc.engine.gas import fuel_data
from camcalc.engine.geometry import geometry_of

if TYPE_CHECKING:
    from camcalc import Build
    from camcalc.cycle.work_variation import Spread

__all__ = ["FlowingEngine", "TinyEngine"]

CHARGE_TEMPERATURE, EFFICIENCY = 340.0, 0.36
# Below this manifold pressure [Pa] it does not run, whatever its other figures say.
LEAST_RUNNING = 22e3


class TinyEngine:
    """Burned gas falls with pressure and speed, torque with the square of the distance from best spark; no flow in the runners, no ledger."""

    name: str = "the tests' straight lines"
    teaching_only: bool = False
    uncertain: tuple[str, ...] = ("friction", "octane")

    def __init__(self, build: Build, tolerances: Tolerances = Tolerances()) -> None:  # noqa: B008 - an immutable tuple
        self.build, self.tolerances = build, tolerances
        self.geometry = geometry_of(build.engine)
        self.fuel = fuel_data(build.fuel.kind, build.idle.mixture)
        self.burn_maps: dict[tuple[float, float, float], BurnMap | None] = {}
        self.spreads: dict[tuple[float, ...], Spread] = {}

    def asking(self, build: Build) -> TinyEngine:
        twin = copy.copy(self)
        twin.build = build
        return twin

    def burned(self, speed: float, pressure: float) -> float:
        return 0.08 + 0.3 * max(1.0 - pressure / barometer(self), 0.0) * min(15.0 / speed, 1.5)

    def state(self, speed: float, pressure: float, spark: float, *, burned_fraction: float | None = None) -> OperatingState:
        x = self.burned(speed, pressure) if burned_fraction is None else burned_fraction
        trapped = pressure * self.geometry.swept / (AIR_GAS_CONSTANT * CHARGE_TEMPERATURE)
        ratio = self.fuel.stoichiometric * self.build.idle.mixture
        fuel = trapped * (1.0 - x) / (1.0 + ratio)
        gross = EFFICIENCY * (1.0 - 0.5 * x * x) * fuel * self.fuel.heating_value / self.geometry.swept * (1.0 - ((spark - self._best(x)) / 70.0) ** 2)
        pumping = barometer(self) - pressure
        return OperatingState(
            speed=speed, manifold_pressure=pressure, exhaust_pressure=barometer(self), spark=spark, burned_fraction=x, diluent=x, trapped=trapped,
            trapped_air=fuel * ratio, air=fuel * ratio, fuel=fuel, blow_back=0.5 * x * trapped, gross=gross, pumping=pumping, net=gross - pumping,
            development=20.0 + 20.0 * x, rapid_burn=25.0 + 25.0 * x, half_burned=8.0 + self._best(x) - spark, completeness=1.0, exhaust_temperature=900.0,
            outcome=Ending.SETTLED if pressure >= LEAST_RUNNING else Ending.NO_FRESH_CHARGE,
        )  # fmt: skip

    def _best(self, burned: float) -> float:
        return 20.0 + 50.0 * burned

    def best_spark(self, speed: float, pressure: float, *, burned_fraction: float | None = None) -> float:
        return self._best(self.burned(speed, pressure) if burned_fraction is None else burned_fraction)

    def net_imep(self, speed: float, pressure: float, spark: float | None) -> float:
        return self.state(speed, pressure, self.best_spark(speed, pressure) if spark is None else spark).net

    def torque_curve(self, speed: float, pressure: float, sparks: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.array([self.state(speed, pressure, float(spark)).gross for spark in sparks])

    def burn_map(self, speed: float, pressure: float, spark: float) -> BurnMap | None:
        mean = self.state(speed, pressure, spark)
        if not mean.runs or mean.gross <= 0.0:
            return None

        def run(residual: NDArray[np.float64], factors: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
            later = 20.0 * (np.mean(factors, axis=1) - 1.0)
            gross = [[self.state(speed, pressure, spark - late, burned_fraction=float(x)).gross for late in later] for x in residual]
            return np.array(gross), np.ones((residual.size, len(later))), np.full(residual.size, -2e4), 20.0 + 20.0 * residual

        kernel = Kernel(600.0 - 4.0 * max(spark, 0.0), 10.0 * pressure, self.geometry.piston_speed(speed), 0.015)
        return BurnMap(mean, table_of(run, mean, lambda x: 0.9 * math.exp(-3.5 * x)), kernel, 0.5)

    def knock_spark(self, speed: float, pressure: float, *, burned_fraction: float | None = None) -> float:
        return self.best_spark(speed, pressure) - 4.0 if pressure > 75e3 else math.inf

    def port_flow(self, speed: float, pressure: float, spark: float) -> PortFlow | None:
        return None

    def ledger(self, speed: float, pressure: float, spark: float) -> BurnedLedger | None:
        return None


class FlowingEngine(TinyEngine):
    """The same with flows: what the charge weighs goes in by one sine over the valve's opening and out by another, some blown back first."""

    def port_flow(self, speed: float, pressure: float, spark: float) -> PortFlow | None:
        state = self.state(speed, pressure, spark)
        intake, exhaust = (self.build.cam.lift_curve(kind).seat_edges() for kind in ("intake", "exhaust"))
        course = Course(intake[1], 720.0 + exhaust[0], 720.0 + intake[0], 720.0 + exhaust[1])
        angle = np.linspace(course.closes, course.closes + 720.0, 721)

        def moved(start: float, end: float, mass: float) -> NDArray[np.float64]:
            swept = np.cos(np.pi * np.clip((angle - start) / (end - start), 0.0, 1.0))
            return np.asarray(-0.5 * mass * np.diff(swept))

        both = max(course.exhaust_closes, course.intake_opens + 1.0)
        inward = moved(both, course.closes + 720.0, state.trapped + state.blow_back) - moved(course.intake_opens, both, state.blow_back)
        exhausted = moved(course.exhaust_opens, course.exhaust_closes, state.trapped)
        cylinder = 1.2 * state.trapped + np.concatenate([[0.0], np.cumsum(inward - exhausted)])
        e = self.build.engine.si
        runner = np.full(angle.size, pressure * e.intake_runner_volume / (AIR_GAS_CONSTANT * 310.0))
        length = e.intake_runner_volume / (math.pi / 4.0 * e.intake_port_diameter**2)
        return PortFlow(angle, inward, inward, exhausted, runner, cylinder, course, speed, length, plenum_temperature=310.0)

    def ledger(self, speed: float, pressure: float, spark: float) -> BurnedLedger | None:
        state = self.state(speed, pressure, spark)
        burned, blown = state.burned_fraction * state.trapped, state.blow_back
        return BurnedLedger(
            in_cylinder_at_intake_opening=burned, net_through_exhaust_valve=0.0, blown_into_intake=-blown, returned_blow_back=blown, plenum_background=0.0,
            burned_mass=burned,
        )  # fmt: skip

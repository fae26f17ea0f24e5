"""An engine whose every limit is set by hand, straight in load, so that each ceiling is known before it is asked for.

No figure of it is ever checked against the world.
"""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from camcalc.advice import spark_limits
from camcalc.cycle.work_variation import Spread

__all__ = ["StagedEngine", "staged"]

MIDDLE = 60e3  # where the figures are as set [Pa]


class StagedEngine:
    """Figures at 60 kPa, each falling or rising by so many degrees per kPa; ``edge`` is the spark above which all cycles miss, ``None``: never."""

    geometry = SimpleNamespace(cylinders=8, swept=7.4e-4)
    name, uncertain, teaching_only = "staged", (), False

    def __init__(self, build: Any, **figures: Any) -> None:
        self.build = build
        plain = {"best": 40.0, "knock": math.inf, "floor": 5.0, "edge": None, "edge_low": None, "edge_slope": 1.0, "counted": math.nan, "noise": 0.0,
                 "residual": 0.2, "stalls_below": 0.0, "slope": 0.0, "variation": 0.03}  # fmt: skip
        assert set(figures) <= set(plain)
        self.set = SimpleNamespace(**plain | figures)
        self.asked: list[tuple[float, float, float]] = []

    def best_spark(self, speed: float, pressure: float, *, burned_fraction: float | None = None) -> float:
        return float(self.set.best - self.set.slope * (self.as_load(pressure, burned_fraction) - MIDDLE) / 1e3)

    def as_load(self, pressure: float, burned: float | None) -> float:
        """The pressure that would bring as much fresh charge as a single cycle so diluted holds."""
        return pressure if burned is None else pressure * (1.0 - burned) / (1.0 - self.set.residual)

    def knock_spark(self, speed: float, pressure: float, *, burned_fraction: float | None = None) -> float:
        return float(self.set.knock - 1.0 * (self.as_load(pressure, burned_fraction) - MIDDLE) / 1e3)

    def torque_curve(self, speed: float, pressure: float, sparks: Any) -> Any:
        return 4e5 * (1.0 - 3e-4 * (np.asarray(sparks) - self.best_spark(speed, pressure)) ** 2)

    def state(self, speed: float, pressure: float, spark: float, **other: Any) -> Any:
        late = self.build.limits.si.latest_half_burned + self.set.floor - spark
        return SimpleNamespace(
            speed=speed, manifold_pressure=pressure, spark=spark, runs=pressure >= self.set.stalls_below, gross=4e5, net=3.5e5, air=2e-4,
            burned_fraction=self.set.residual, half_burned=late, exhaust_temperature=900.0,
        )  # fmt: skip

    def edge_at(self, pressure: float, *, cautious: bool = False) -> float:
        edge = self.set.edge_low if cautious and self.set.edge_low is not None else self.set.edge
        return math.inf if edge is None else float(edge + self.set.edge_slope * (pressure - MIDDLE) / 1e3)


def work_spread(engine: StagedEngine, speed: float, pressure: float, spark: float, *, cautious: bool = False) -> Spread:
    engine.asked.append((pressure, spark, float(cautious)))
    mean = engine.state(speed, pressure, spark)
    runs = mean.runs
    missed = 1.0 if not runs or spark > engine.edge_at(pressure, cautious=cautious) else 0.0
    # A missed cycle makes the next charge clean and full: the scatter is ten times as wide where cycles miss.
    return Spread(mean, 4e5, engine.set.variation * 4e5, missed, 0.0, 1.0 - missed, engine.set.noise * (10.0 if missed else 1.0))


def misfire_spark(engine: StagedEngine, speed: float, pressure: float, *, cautious: bool = False) -> float:
    return engine.edge_at(pressure, cautious=cautious) if engine.state(speed, pressure, 20.0).runs else math.nan


def staged(patch: pytest.MonkeyPatch) -> None:
    """Let ceilings ask a staged engine's own scatter."""
    patch.setattr(spark_limits, "work_spread", work_spread)
    patch.setattr(spark_limits, "misfire_spark", misfire_spark)
    patch.setattr(spark_limits, "best_counted", lambda engine, speed, pressure: engine.set.counted)

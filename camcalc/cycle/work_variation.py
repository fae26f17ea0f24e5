"""How much the work of a cycle varies, from how much its dilution does."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from .operating import EngineModel, OperatingState

__all__ = ["BASE_VARIATION", "Spread", "imep_variation", "work_spread"]

# Coefficient of variation that a clean charge keeps: 2 to 5 % is normal running (Heywood 1988, from memory), its low end.
BASE_VARIATION = 0.02


class Spread(NamedTuple):
    """The mean cycle, and the standard deviation of its indicated work as IMEP [Pa]."""

    mean: OperatingState
    deviation: float

    @property
    def variation(self) -> float:
        """Coefficient of variation of gross IMEP; infinite where the mean cycle makes no work."""
        return self.deviation / self.mean.gross if self.mean.gross > 0.0 else math.inf


def dilution_noise(engine: EngineModel) -> float:
    """Return the spread (standard deviation over mean) of the burned fraction from cycle to cycle."""
    return float(engine.build.limits.dilution_noise * engine.tolerances.dilution_noise)


def work_spread(engine: EngineModel, speed: float, pressure: float, spark: float, *, noise: float | None = None) -> Spread:
    """Return the mean cycle and how much its work spreads: dilution noise through the model's own torque, and what a clean charge keeps.

    Speed rev/s, pressure Pa, spark crank deg before top dead centre.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    pressure : float
        Manifold pressure [Pa], absolute.
    spark : float
        Before top dead centre [crank deg].
    noise : float
        Standard deviation over mean of the residual from cycle to cycle, as a share; the sheet's when left out.
    """
    mean = engine.state(speed, pressure, spark)
    step = max((dilution_noise(engine) if noise is None else noise) * mean.burned_fraction, 1e-4)
    weak = engine.state(speed, pressure, spark, burned_fraction=min(mean.burned_fraction + step, 0.95))
    strong = engine.state(speed, pressure, spark, burned_fraction=max(mean.burned_fraction - step, 0.0))
    return Spread(mean, math.hypot((strong.gross - weak.gross) / 2.0, BASE_VARIATION * mean.gross))


def imep_variation(engine: EngineModel, speed: float, pressure: float, spark: float, *, noise: float | None = None) -> float:
    """Return the coefficient of variation of gross IMEP, the one the textbook limit of 10 % stands on (Heywood 1988, section 9.4).

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    pressure : float
        Manifold pressure [Pa], absolute.
    spark : float
        Before top dead centre [crank deg].
    noise : float
        Standard deviation over mean of the residual from cycle to cycle, as a share; the sheet's when left out.
    """
    return work_spread(engine, speed, pressure, spark, noise=noise).variation

"""How much the work of a cycle varies, from how much its dilution does."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..cycle.operating import EngineModel

__all__ = ["BASE_VARIATION", "DILUTION_NOISE", "imep_variation"]

# Standard deviation of the burned fraction from cycle to cycle over its mean: ESTIMATE.
DILUTION_NOISE = 0.06
# Coefficient of variation that a clean charge keeps: 2 to 5 % is normal running (Heywood 1988, from memory), its low end.
BASE_VARIATION = 0.02


def imep_variation(model: EngineModel, speed: float, pressure: float, spark: float, *, noise: float = DILUTION_NOISE) -> float:
    """Return the coefficient of variation of net IMEP at an operating point, through the model's own torque.

    Speed rev/s, pressure Pa, spark crank deg before top dead centre. Infinite where the mean cycle makes no work.
    """
    mean = model.state(speed, pressure, spark)
    if mean.net <= 0.0:
        return math.inf
    step = max(noise * mean.burned_fraction, 1e-4)
    weak = model.state(speed, pressure, spark, burned_fraction=min(mean.burned_fraction + step, 0.95))
    strong = model.state(speed, pressure, spark, burned_fraction=max(mean.burned_fraction - step, 0.0))
    spread = (strong.net - weak.net) / 2.0
    return math.hypot(spread / mean.net, BASE_VARIATION)

"""An engine of the tests' own: the quick closed forms with a made-up knock limit, so that tests of words, pages and files take seconds.

No figure of it is ever checked against the world.
"""

from __future__ import annotations

import math

from camcalc import QuickEngine

__all__ = ["CoarseEngine"]


class CoarseEngine(QuickEngine):
    """Knocks earlier with load and slower speed, later with octane; nothing knocks at light load."""

    name = "closed forms with the tests' own knock"
    teaching_only = False
    uncertain = (*QuickEngine.uncertain, "octane")

    def knock_spark(self, speed: float, pressure: float, *, burned_fraction: float | None = None) -> float:
        octane = self.tolerances.octane * self.build.fuel.si.octane
        knock = 14.0 + 0.3 * (speed * 60.0 - 1000.0) / 60.0 - 1.1 * (pressure / 1e3 - 80.0) + 1.5 * (octane - 95.0)
        return knock if knock < self.best_spark(speed, pressure) + 5.0 else math.inf

"""An engine of the tests' own: the quick closed forms with a made-up knock limit, so that tests of words, pages and files take seconds.

No figure of it is ever checked against the world.
"""

from __future__ import annotations

import math
from typing import Any

from camcalc import QuickEngine
from camcalc.cycle.kept_cycles import fingerprint

__all__ = ["CoarseEngine", "forget"]

# What engines of one sheet and tolerances have answered, shared by all of them: briefs of the same examples are made again and again.
_KNOWN: dict[str, tuple[dict[Any, Any], dict[Any, Any]]] = {}


def forget() -> None:
    """Have the next engines work everything out again."""
    _KNOWN.clear()


class CoarseEngine(QuickEngine):
    """Knocks earlier with load and slower speed, later with octane; nothing knocks at light load."""

    name = "closed forms with the tests' own knock"
    teaching_only = False
    uncertain = (*QuickEngine.uncertain, "octane")

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.burn_maps, self.spreads = _KNOWN.setdefault(fingerprint(self.build, tuple(self.tolerances)), ({}, {}))

    def knock_spark(self, speed: float, pressure: float, *, burned_fraction: float | None = None) -> float:
        octane = self.tolerances.octane * self.build.fuel.si.octane
        knock = 14.0 + 0.3 * (speed * 60.0 - 1000.0) / 60.0 - 1.1 * (pressure / 1e3 - 80.0) + 1.5 * (octane - 95.0)
        return knock if knock < self.best_spark(speed, pressure) + 5.0 else math.inf

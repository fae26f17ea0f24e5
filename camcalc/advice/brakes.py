"""What idle vacuum is left for the brakes."""

from __future__ import annotations

from ..constants import STANDARD_PRESSURE
from ..units import quantity

__all__ = ["brake_remark", "too_little"]

# Vacuum that a common booster is happy with, and where the pedal feels hard: 0.5 bar and about 11 inHg, from memory
# (medium confidence). They word a remark; cures rank the want of brakes by the first.
COMFORTABLE, HARD = 50e3, 37e3


def too_little(vacuum: float) -> bool:
    """Return whether a manifold vacuum [Pa] is less than a common booster can do with."""
    return vacuum < HARD


def brake_remark(vacuum: float, ambient: float, replaced_vacuum: float | None) -> str:
    """Word what is left of brake assist at idle; pressures in Pa."""
    share = f"{_inches(vacuum):.1f} inHg of vacuum at idle"
    if replaced_vacuum:
        share += f", {100.0 * vacuum / replaced_vacuum:.0f} % of the assist with the cam it replaces"
    if ambient < 0.985 * STANDARD_PRESSURE:
        share += f"; the thin air alone takes {_inches(STANDARD_PRESSURE - ambient):.1f} inHg of what sea level would give"
    if vacuum >= COMFORTABLE:
        return share + ". A common booster is content with this."
    if not too_little(vacuum):
        return share + ". Less than a common booster wants: expect a harder pedal and fewer presses in reserve; try it standing, then slowly, before the road."
    return share + ". Too little for a common booster: plan a vacuum pump, reservoir or another brake system, and do not drive until the brakes are proved."


def _inches(pressure: float) -> float:
    return float(quantity(pressure, "Pa").to("inHg").magnitude)

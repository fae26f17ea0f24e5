"""The slopes a table may have, in words."""

from __future__ import annotations

from ..drive.slope_rule import SlopeRule
from ..marks import marked
from ..tables.axes import LOADS
from .describing import describe
from .gears import skipped_lines
from .phrases import rpm

__all__ = ["slope_rule_words"]


@describe.register
def slope_rule_words(rule: SlopeRule) -> str:
    """Return the steepest slopes that every gear to be kept smooth allows, and the points that were left out.

    Parameters
    ----------
    rule : SlopeRule

    Returns
    -------
    str
    """
    speed = marked(f"{rule.along_speed.magnitude:.0f} deg per 1000 rpm", rule.mark("along_speed"))
    kind = LOADS[rule.load_kind]
    along_load = marked(f"{rule.load * kind.step:.2g} deg per {kind.step_words}", rule.mark("along_pressure"))
    lines = [
        f"Steepest slope along speed: {speed} (gear {rule.speed_gear}, {rpm(rule.si.speed_at)}).",
        f"Steepest slope along load: {along_load} (gear {rule.load_gear}, {rpm(rule.si.load_at)}).",
        *skipped_lines(rule.skipped),
    ]
    return "\n".join(lines)

"""The account of burned gas: where what stands in the charge at intake closing came from."""

from __future__ import annotations

import dataclasses

from ..results import Measure, Record, measure
from .layout import State
from .steady import Settled

__all__ = ["BurnedLedger", "ledger_of"]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class BurnedLedger(Record):
    """Where the burned gas in the trapped charge came from, as masses that sum to it."""

    in_cylinder_at_intake_opening: Measure = measure("kg", "mg")
    net_through_exhaust_valve: Measure = measure("kg", "mg", doc="from intake opening to exhaust closing")
    blown_into_intake: Measure = measure("kg", "mg", doc="burned gas that left through the intake valve; negative")
    returned_blow_back: Measure = measure("kg", "mg", doc="drawn in again, above the plenum's own share")
    plenum_background: Measure = measure("kg", "mg", doc="what the plenum's burned fraction brings with all that is drawn in")
    burned_mass: Measure = measure("kg", "mg", doc="burned gas at intake closing")


def ledger_of(c: Settled) -> BurnedLedger:
    """Return the account of a cycle, from intake opening to intake closing."""
    course, end = c.course, c.course.closes + 720.0
    opens, shuts = course.intake_opens, max(course.exhaust_closes, course.intake_opens)
    at_opening = float(c.at_stops[c.stop(opens), State.CYLINDER_BURNED])
    through_exhaust = c.total("exhaust_back_burned", opens, shuts) - c.total("exhaust_out_burned", opens, shuts)
    drawn, drawn_burned = c.total("intake_in", opens, end), c.total("intake_in_burned", opens, end)
    background = drawn * c.boundary.plenum_burned if c.setup.has_runner else 0.0
    return BurnedLedger(
        in_cylinder_at_intake_opening=at_opening,
        net_through_exhaust_valve=through_exhaust,
        blown_into_intake=-c.total("intake_back_burned", opens, end),
        returned_blow_back=drawn_burned - background,
        plenum_background=background,
        burned_mass=float(c.at_stops[-1, State.CYLINDER_BURNED]),
    )

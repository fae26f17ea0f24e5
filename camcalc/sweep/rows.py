"""One row of a sweep: what a build idles on and from where it runs well, by one engine, without bands."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from typing import TypeVar

from ..advice.cam_facts import cam_facts
from ..advice.headlines import headline_gear
from ..advice.idle import IdleVerdict, idle_state
from ..advice.reversion import reversion_in_gear
from ..codes import Code
from ..cycle.models import engine_kind
from ..cycle.operating import EngineModel
from ..errors import NoSolutionError
from ..marks import Marks
from ..results import Measure, Record, measure
from .variants import Variant

__all__ = ["SweepOutcome", "SweepRow", "row_of"]

Found = TypeVar("Found")


class SweepOutcome(Code):
    """What came of a build."""

    ANSWERED = "idle and road were worked out"
    NO_IDLE = "it does not idle at the speed asked for; the road was worked out"
    NO_ROAD = "it idles; no speed on the road has an answer"
    NO_ANSWER = "it does not idle at the speed asked for, and no speed on the road has an answer"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SweepRow(Record):
    """One build of a sweep; idle in neutral, warm, accessories off; road in the gear nearest to direct drive."""

    variant: int
    outcome: SweepOutcome
    idle: IdleVerdict | None
    effective_compression: float
    lobe_separation: Measure = measure("crank_deg", "cam_deg")
    intake_centreline: Measure = measure("crank_deg")
    overlap_factor: Measure = measure("deg/m", "deg/m", doc="by the integral definition")
    idle_speed: Measure = measure("crank_rps", "rpm")
    vacuum: Measure = measure("Pa", "inHg", doc="below the barometer; blank where it does not idle")
    residual: Measure = measure("", "percent", doc="burned gas over trapped charge by mass, at idle")
    imep_variation: Measure = measure("", "percent", doc="coefficient of variation of gross IMEP at idle, missed cycles counted")
    missed_per_minute: Measure = measure("Hz", "1/minute", doc="of all cylinders, at idle")
    idle_spark: Measure = measure("crank_deg", doc="before top dead centre")
    rough_below: Measure = measure("crank_rps", "rpm", doc="IMEP varies more than the stability limit below this; blank where it does not down to 600 rpm")
    reversion_below: Measure = measure("crank_rps", "rpm", doc="overlap blow-back exceeds its limit below this; blank where it does not down to 600 rpm")
    varied: Mapping[str, str] = dataclasses.field(default_factory=dict)
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


def row_of(number: int, variant: Variant, model: str) -> SweepRow:
    """Return the row of a build: a function of its own arguments alone, so that any process may work it out.

    Parameters
    ----------
    number : int
        Which variant, counted from 1.
    variant : Variant
    model : str
        As ``make_brief`` takes it.
    """
    engine: EngineModel = engine_kind(model)(variant.build)
    facts = cam_facts(variant.build.cam, variant.build.engine)
    idle = _or_none(lambda: idle_state(engine))
    road = _or_none(lambda: reversion_in_gear(engine, headline_gear(variant.build)))
    held = road is not None and road.held
    by_answer = {
        (True, True): SweepOutcome.ANSWERED,
        (False, True): SweepOutcome.NO_IDLE,
        (True, False): SweepOutcome.NO_ROAD,
        (False, False): SweepOutcome.NO_ANSWER,
    }
    marks = {} if road is None else {"rough_below": road.mark("unstable_below"), "reversion_below": road.mark("blow_back_below")}
    return SweepRow(
        variant=number,
        outcome=by_answer[idle is not None, held],
        idle=None if idle is None else idle.verdict,
        effective_compression=float(facts.effective_compression),
        lobe_separation=facts.si.lobe_separation,
        intake_centreline=facts.si.intake_centreline,
        overlap_factor=facts.si.overlap_factor,
        idle_speed=variant.build.idle.si.speed,
        vacuum=math.nan if idle is None else idle.si.manifold_vacuum,
        residual=math.nan if idle is None else idle.si.burned_fraction,
        imep_variation=math.nan if idle is None else idle.si.imep_variation,
        missed_per_minute=math.nan if idle is None else idle.si.missed_per_minute,
        idle_spark=math.nan if idle is None else idle.si.spark,
        rough_below=math.nan if road is None else road.si.unstable_below,
        reversion_below=math.nan if road is None else road.si.blow_back_below,
        varied=dict(variant.varied),
        marks=marks,
    )


def _or_none(ask: Callable[[], Found]) -> Found | None:
    try:
        return ask()
    except NoSolutionError:
        return None

"""Idle of the new cam beside that of the cam it replaces: every state asked for, vacuum, brakes, throttle opening, lowest speeds."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Any, NamedTuple

from ..cycle.operating import EngineModel, barometer
from ..errors import NoSolutionError
from ..marks import Marks
from ..results import Measure, Record, measure
from .brakes import BrakeAssist, brake_assist
from .idle import IdleState, IdleVerdict, gearbox_of, idle_state, switched
from .idle_speeds import LowestIdles, lowest_idles, lowest_mark

__all__ = ["IdleAdvice", "IdleGap", "IdleSet", "ThrottleOpening", "idle_advice", "idle_set", "replaced_idle", "throttle_opening"]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class IdleGap(Record):
    """An idle that was asked for and that the engine cannot hold."""

    cam: str
    gearbox: str
    accessories: str
    speed: Measure = measure("crank_rps", "rpm", doc="asked for")
    lowest_speed: Measure = measure("crank_rps", "rpm", doc="lowest at which torque balances; missing if no idle does")
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ThrottleOpening(Record):
    """How far the throttle is open at idle, all throttles and bypasses together; missing figures without a cam that is replaced."""

    air_flow: Measure = measure("kg/s", "g/s")
    throttle_area: Measure = measure("m**2", "mm**2")
    replaced_throttle_area: Measure = measure("m**2", "mm**2", doc="at idle with the cam that is replaced")
    of_replaced: float = math.nan


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class IdleAdvice(Record):
    """Idle with the new cam and with the one it replaces; no ``brakes`` with a model that is for teaching only."""

    new: tuple[IdleState, ...]
    replaced: tuple[IdleState, ...]
    unreachable: tuple[IdleGap, ...]
    vacuum: Measure = measure("Pa", "inHg", doc="new cam, neutral, accessories off")
    vacuum_penalty: Measure = measure("Pa", "inHg", doc="each cam at its own idle speed")
    vacuum_penalty_at_equal_speed: Measure = measure("Pa", "inHg", doc="both at the new cam's idle speed")
    lowest_steady_speed: Measure = measure("crank_rps", "rpm", doc="IMEP varies less than the stability limit; missing if no idle does")
    lowest_speed_without_misses: Measure = measure("crank_rps", "rpm", doc="no more than 1 % of cycles miss; missing if no idle does")
    lowest_speed: Measure = measure("crank_rps", "rpm", doc="torque balances at all")
    stability_limit: Measure = measure("", "percent", doc="COV of IMEP up to which an idle is steady")
    brakes: BrakeAssist | None
    throttle: ThrottleOpening
    bands: Mapping[str, Any] = dataclasses.field(default_factory=dict)
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)

    @property
    def steady(self) -> bool:
        """Whether the new cam's idle in neutral with accessories off is steady."""
        return self.new[0].verdict is IdleVerdict.STEADY


class IdleSet(NamedTuple):
    """Idle states of one cam, those out of reach, and the lowest speeds [rev/s]: steady, hardly missing, and at all."""

    states: tuple[IdleState, ...]
    unreachable: tuple[IdleGap, ...]
    lowest_steady: float
    lowest_without_misses: float
    lowest: float


def idle_set(engine: EngineModel, speed: float, *, search: bool) -> IdleSet:
    """Return every idle state asked for at a speed [rev/s]; with ``search``, the lowest speeds too."""
    found, unreachable = [], []
    gearboxes = (False, True) if engine.build.vehicle.transmission == "converter" else (False,)
    for drive in gearboxes:
        for accessories in (False, True):
            try:
                found.append(idle_state(engine, speed, drive=drive, accessories=accessories))
            except NoSolutionError as error:
                unreachable.append(_gap(engine, speed, drive, accessories, error))
    lowest = lowest_idles(engine) if search else LowestIdles(math.nan, math.nan, math.nan)
    return IdleSet(tuple(found), tuple(unreachable), lowest.steady, lowest.without_misses, lowest.carries)


def _gap(engine: EngineModel, speed: float, drive: bool, accessories: bool, error: NoSolutionError) -> IdleGap:
    lowest = math.nan if error.reachable is None else error.reachable / 60.0
    return IdleGap(
        cam=engine.build.cam.name,
        gearbox=gearbox_of(drive),
        accessories=switched(accessories),
        speed=speed,
        lowest_speed=lowest,
        marks={"lowest_speed": lowest_mark(lowest)},
    )


def replaced_idle(before: EngineModel, new_speed: float) -> tuple[IdleSet, IdleState | None]:
    """Return the idle states of a cam that is replaced at its own idle speed, and its idle at the new cam's [rev/s], None where there is none."""
    own = idle_set(before, before.build.idle.si.speed, search=False)
    try:
        return own, idle_state(before, new_speed)
    except NoSolutionError as error:
        return own._replace(unreachable=(*own.unreachable, _gap(before, new_speed, False, False, error))), None


def throttle_opening(idle: IdleState, was: IdleState | None) -> ThrottleOpening:
    """Return how far the throttle is open at idle, beside the idle of the cam that is replaced, if any."""
    area = math.nan if was is None else was.si.throttle_area
    return ThrottleOpening(
        air_flow=idle.si.air_flow, throttle_area=idle.si.throttle_area, replaced_throttle_area=area, of_replaced=float(idle.si.throttle_area / area)
    )


def idle_advice(engine: EngineModel, new: IdleSet, replaced: tuple[IdleSet, IdleState | None] | None) -> IdleAdvice:
    """Put both cams' idle side by side."""
    first = new.states[0]
    own, equal = replaced if replaced else (None, None)
    was = own.states[0] if own and own.states else None
    old_vacuum = math.nan if was is None else was.si.manifold_vacuum
    return IdleAdvice(
        new=new.states,
        replaced=() if own is None else own.states if equal is None else (*own.states, equal),
        unreachable=new.unreachable + (own.unreachable if own else ()),
        vacuum=first.si.manifold_vacuum,
        vacuum_penalty=old_vacuum - first.si.manifold_vacuum,
        vacuum_penalty_at_equal_speed=None if equal is None else equal.si.manifold_vacuum - first.si.manifold_vacuum,
        lowest_steady_speed=new.lowest_steady,
        lowest_speed_without_misses=new.lowest_without_misses,
        lowest_speed=new.lowest,
        stability_limit=engine.build.limits.stability,
        brakes=None if engine.teaching_only else brake_assist(first.si.manifold_vacuum, ambient=barometer(engine), replaced_vacuum=old_vacuum),
        throttle=throttle_opening(first, was),
        marks={
            "lowest_steady_speed": lowest_mark(new.lowest_steady),
            "lowest_speed_without_misses": lowest_mark(new.lowest_without_misses),
            "lowest_speed": lowest_mark(new.lowest),
        },
    )

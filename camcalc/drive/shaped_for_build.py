"""A spark table shaped for a build: its ceilings and knock limits, the slopes its gears stand, and what that costs."""

from __future__ import annotations

import dataclasses
import logging
from collections.abc import Mapping
from typing import Any

import numpy as np

from ..advice.idle import IDLE_REACH
from ..codes import Code
from ..cycle.models import engine_kind
from ..cycle.operating import EngineModel
from ..errors import CamcalcError, InputError
from ..logs.clean_cells import GivingBack, cells_that_may_rise
from ..logs.drive_log import DriveLog
from ..logs.surge_finder import find_surge
from ..results import Measure, Record, measure, plain_data
from ..sheet import Build
from ..tables import ShapedTable, SparkTable, add_back, shape_table
from ..tables.build_limits import BuildLimits, build_limits
from ..tables.late_burn import LateBurn, late_burns
from ..tables.shaping_task import PER_CELL, STEP
from ..units import quantity, to_si
from .engine_loop import surge_tables
from .slope_rule import SlopeRule, slope_rule

__all__ = ["OtherLimits", "ShapedForBuild", "add_back_for_build", "shape_for_build"]


class OtherLimits(Code):
    """Other limits under which a table could have been shaped."""

    WITHOUT_HOLDING_KNOCK = "cells above the knock limit left as they are"
    AT_THREE_DEGREES_PER_CELL = "3 degrees per cell besides (common practice, no source)"
    BY_SLOPES_ALONE = "the slope limits alone"
    HOLDING_FLOOR = "the limit per cell given way beside cells that spark alone cannot fix"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ShapedForBuild(Record):
    """A shaped table and what it rests on.

    ``rule`` are the slopes that the gears to be kept smooth stand, where a limit was not given and they could be judged. ``cells_changed`` says how
    many cells other limits would change; ``near_idle`` how many changed cells lie where the idle runs. ``giving`` is what the log knows of knock,
    where spark was given back.
    """

    shaped: ShapedTable
    rule: SlopeRule | None = None
    adders: Measure = measure("crank_deg", doc="taken off ceilings and knock limits")
    late_burns: tuple[LateBurn, ...] = ()
    cells_changed: Mapping[OtherLimits, int] = dataclasses.field(default_factory=dict)
    near_idle: int = 0
    giving: GivingBack | None = dataclasses.field(default=None, repr=False)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            **self.shaped.to_dict(),
            "slope_rule": plain_data(self.rule),
            "adders": plain_data(self.adders),
            "late_burns": plain_data(self.late_burns),
            "cells_changed": {limits.code: count for limits, count in self.cells_changed.items()},
            "near_idle": self.near_idle,
            "held_back": [plain_data(held._asdict()) for held in self.giving.held] if self.giving else [],
        }


@dataclasses.dataclass(frozen=True)
class _Asked:
    """What both ways share: the build's limits, slope limits as ``shape_table`` takes them, the rule they came from, if any."""

    limits: BuildLimits
    slopes: dict[str, Any]
    rule: SlopeRule | None


def shape_for_build(
    build: Build,
    table: SparkTable,
    *,
    engine: EngineModel | None = None,
    adders: Any = "0 crank_deg",
    along_speed: Any = None,
    along_load: Any = None,
    per_cell: Any = None,
    increment: Any = None,
    hold_knock: bool = True,
    hold_floor: bool = False,
    allow_raise: Any = "0 crank_deg",
) -> ShapedForBuild:
    """Return the least change to a spark table that a build asks for: some minutes.

    Ceilings and knock limits come from the engine; slope limits that are not given from the gears that the sheet keeps smooth.

    Parameters
    ----------
    build : Build
    table : SparkTable
    engine : EngineModel
        Of the build; made when left out.
    adders : quantity [crank angle]
        Most that stands on top of the table, 0 to 40 degrees; ceilings and knock limits are for final spark.
    along_speed : quantity [crank angle per crank speed]
        Slope limit along speed; that of ``slope_rule`` when left out.
    along_load : quantity [crank angle per load]
        Slope limit along load; that of ``slope_rule`` when left out.
    per_cell : quantity [crank angle]
        Most between neighbours that touch the zone besides; none when left out, but 3 degrees along an axis without a slope limit.
    increment : quantity [crank angle]
        Step of changed numbers; the table's own when left out.
    hold_knock : bool
        Whether cells above the knock limit come down to it less ``[limits] spark_margin``.
    hold_floor : bool
        Whether ``per_cell`` gives way beside cells that spark alone cannot fix.
    allow_raise : quantity [crank angle]
        How far cells may rise, never near best torque or knock.

    Returns
    -------
    ShapedForBuild

    Raises
    ------
    InputError
        If the engine model is for teaching only, or ``hold_floor`` comes without ``per_cell``.

    Examples
    --------
    >>> import camcalc as cc
    >>> build = cc.load_build("examples/quarry-road/build.toml")
    >>> try:
    ...     cc.shape_for_build(build, cc.read_table(build.spark_table), hold_floor=True)
    ... except cc.InputError as error:
    ...     print(error.fix)
    give per_cell="3 crank_deg", or leave both out
    """
    _check_floor(hold_floor, per_cell)
    asked = _asked(build, table, engine, adders, along_speed, along_load, {"per_cell": per_cell, "increment": increment})
    how = {"allow_raise": allow_raise, "hold_knock": hold_knock, "uncured": asked.limits.uncured if hold_floor else None}
    shaped = _shaped(asked, how)
    late = late_burns(asked.limits.engine, shaped, asked.limits.found.manifold_pressure, adders=asked.limits.adders)
    return ShapedForBuild(
        shaped=shaped,
        rule=asked.rule,
        adders=asked.limits.adders,
        late_burns=late,
        cells_changed=_other_counts(asked, how),
        near_idle=_near_idle(build, shaped),
    )


def add_back_for_build(
    build: Build,
    current: SparkTable,
    original: SparkTable,
    *,
    log: DriveLog,
    step: Any,
    engine: EngineModel | None = None,
    adders: Any = "0 crank_deg",
    along_speed: Any = None,
    along_load: Any = None,
    per_cell: Any = None,
    increment: Any = None,
    hold_floor: bool = False,
    no_knock_heard: bool = False,
) -> ShapedForBuild:
    """Return a table that gives spark back where a log was driven without surge and knock, under a build's limits.

    Parameters
    ----------
    build : Build
    current : SparkTable
        The table that was driven.
    original : SparkTable
        The table before any shaping; nothing rises above it.
    log : DriveLog
        Of a drive on ``current``.
    step : quantity [crank angle]
        Most that a cell may rise; one degree at most on somebody's word.
    engine : EngineModel
        Of the build; made when left out.
    adders : quantity [crank angle]
        Most that stands on top of the table, 0 to 40 degrees.
    along_speed : quantity [crank angle per crank speed]
        As for ``shape_for_build``.
    along_load : quantity [crank angle per load]
        As for ``shape_for_build``.
    per_cell : quantity [crank angle]
        As for ``shape_for_build``.
    increment : quantity [crank angle]
        As for ``shape_for_build``.
    hold_floor : bool
        As for ``shape_for_build``.
    no_knock_heard : bool
        Somebody listened all the time and heard no knock; counts only where the log cannot tell.

    Returns
    -------
    ShapedForBuild
        With ``giving`` for what the log knows of knock.

    Raises
    ------
    InputError, InputErrors
        As for ``add_back``.
    """
    _check_floor(hold_floor, per_cell)
    asked = _asked(build, original, engine, adders, along_speed, along_load, {"per_cell": per_cell, "increment": increment})
    giving = cells_that_may_rise(log, current, find_surge(log), no_knock_heard=no_knock_heard)
    limits = asked.limits
    shaped = add_back(
        current,
        original,
        visited=giving.cells,
        step=quantity(giving.step(float(to_si(step, "step", STEP))), "crank_deg"),
        uncured=limits.uncured if hold_floor else None,
        ceiling=limits.ceiling,
        best=limits.best,
        raise_margin=build.limits.spark_margin,
        **limits.knock,
        **asked.slopes,
    )
    return ShapedForBuild(shaped=shaped, rule=asked.rule, adders=limits.adders, near_idle=_near_idle(build, shaped), giving=giving)


def _check_floor(hold_floor: bool, per_cell: Any) -> None:
    if hold_floor and per_cell is None:
        expected, fix = "per_cell too, which is what gives way", 'give per_cell="3 crank_deg", or leave both out'
        raise InputError("hold_floor", came="no per_cell", expected=expected, fix=fix)


def _asked(build: Build, table: SparkTable, engine: EngineModel | None, adders: Any, along_speed: Any, along_load: Any, other: dict[str, Any]) -> _Asked:
    limits = build_limits(engine_kind("resolved")(build) if engine is None else engine, table, adders=adders)
    rule = None
    if along_speed is None or along_load is None:
        try:
            rule = slope_rule(build, table, engine_tables=surge_tables(limits.engine))
        except CamcalcError as error:
            # A limit per cell stands in then; the shaped table lists the axes.
            logging.getLogger(__name__).warning("no slope limits from surge: %s", error)
    if rule is not None:
        along_speed = rule.along_speed if along_speed is None else along_speed
        along_load = rule.along_load if along_load is None else along_load
    return _Asked(limits, {"along_speed": along_speed, "along_load": along_load} | other, rule)


def _shaped(asked: _Asked, how: dict[str, Any], **other: Any) -> ShapedTable:
    """Return the shaped table, under the limits asked for or others."""
    limits = asked.limits
    return shape_table(limits.table, limits.ceiling, floor=limits.floor, best=limits.best, **limits.knock, **(asked.slopes | how | other))


def _other_counts(asked: _Asked, how: dict[str, Any]) -> dict[OtherLimits, int]:
    """Return how many cells other limits would change."""

    def changed(**other: Any) -> int:
        return len(_shaped(asked, how, **other).changes)

    counts = {OtherLimits.WITHOUT_HOLDING_KNOCK: changed(hold_knock=False)} if how["hold_knock"] else {}
    if None in (asked.slopes["along_speed"], asked.slopes["along_load"]):
        return counts
    if asked.slopes["per_cell"] is not None:
        apart = {OtherLimits.BY_SLOPES_ALONE: changed(per_cell=None, uncured=None), OtherLimits.HOLDING_FLOOR: changed(uncured=asked.limits.uncured)}
        return counts | apart
    return counts | {OtherLimits.AT_THREE_DEGREES_PER_CELL: changed(per_cell=PER_CELL)}


def _near_idle(build: Build, shaped: ShapedTable) -> int:
    """Return how many changed cells lie within reach of the idle speed."""
    rows = np.array([change.row for change in shaped.changes], dtype=int)
    return int(np.count_nonzero(np.abs(shaped.table.si.speed[rows] - build.idle.si.speed) <= IDLE_REACH))

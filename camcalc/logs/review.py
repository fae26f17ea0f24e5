"""Reviewing a log: surge found, explained, and what to change next. All spark here is final spark: table plus every correction."""

from __future__ import annotations

import dataclasses
import math
from collections import defaultdict
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..codes import AppliesTo, Code
from ..errors import InputError
from ..results import Record, plain_data
from ..tables.shaped import Reason
from ..tables.shaping import RAISE_MARGIN, shape_table
from ..tables.shaping_task import STEP
from ..tables.table import SparkTable
from ..units import to_si
from .cause_shares import ranked, shares_of_episodes
from .causes import Cause, SurgeCause, cell_weights, explain_episode
from .clean_cells import GivingBack, HeldBack, cells_that_may_rise, seconds_driven
from .converter_seen import without_converter
from .delays import SignalDelays, find_delays
from .doing import UNTOLD, owns, step_left, table_share
from .drive_log import DriveLog
from .gear_seen import highest_gear, with_gears
from .manoeuvres import closed_pedal
from .raised_spark import raised
from .surge_finder import BELOW, LEAST_SWING, SurgeFindings, find_surge
from .swing import SignalSwing, measure_swing

if TYPE_CHECKING:
    from ..cycle.engine_tables import EngineTables
    from ..cycle.operating import EngineModel
    from ..sheet import Build

__all__ = ["DRIVEN", "AdviceReason", "CellAdvice", "LogReview", "ReviewNote", "review_log"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Spark is taken out by so much at a time, at most [crank deg], and neighbours visited in surge are brought to within so much; common practice, no source.
AT_A_TIME = 3.0
PER_CELL = 3.0
# Where they are closer than that already, their step is halved, down to this [crank deg]; ESTIMATE.
LEAST_STEP = 0.5
# Given back at a time [crank deg]; common practice, no source.
GIVEN_BACK = 2.0
# A cell counts as visited by a surge from so much time [s] of its weight in the lookup; ESTIMATE.
IN_SURGE = 0.2
# One that the whole log looks up for less [s] was not driven; ESTIMATE.
DRIVEN = 0.2


class AdviceReason(Code):
    """Why the spark of a cell is to change."""

    ABOVE_CEILING = "above its ceiling"
    TOO_STEEP = "too steep beside its neighbours"
    ABOVE_LIGHTER_LOAD = "above a lighter load"
    BLENDS_IN = "eases the step to its neighbours"
    ABOVE_KNOCK = "above the knock limit less its margin"
    DRIVEN_CLEAN = "driven without surge or knock, under its ceiling"


class ReviewNote(Code):
    """What else a review found; the figures are fields of ``LogReview``."""

    OTHER_CAR = "the log drives in a gear that the build sheet has not: is it a log of this car?"
    OTHER_LOAD = "the log has another kind of load than the sheet's table: no table is looked up"
    NOTHING_TO_LOWER = "no cell that the surge visits is worth lowering: neighbours are as close as the table's increment allows"
    NOT_THE_TABLE = "no cell is lowered for a swing that the table does not cause"
    STEP_LEFT = "one review lowers a cell by a little: a step that the surge crosses is still there"
    PART_ONLY = "a level table would take away a part of the swing: cells are lowered for that part only"
    HELD_BY_FLOOR = "some cells stay at their latest useful spark: less burns too late there"
    UNCURED = "some cells that the surge visits are not lowered to a ceiling: spark does not cure them"
    TOGETHER = "add back all cells together, after lowering the others: one alone may lie too far above a neighbour"
    NOT_DRIVEN = "some cells to lower were not driven in this log"
    HELD_BY_NEIGHBOURS = "some cells driven without surge stay: more would lie too far above a neighbour"


class CellAdvice(NamedTuple):
    """What to do with one cell: row and column from 0, its speed and load, spark there now and then [crank deg, of the table], why.

    ``driven`` is for how long it was driven [s]: without surge, where spark is given back; at all, where it is lowered.
    """

    cell: tuple[int, int]
    place: str
    now: float
    then: float
    why: AdviceReason
    driven: float = math.nan


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class LogReview(Record):
    """What a log shows and what to change next.

    ``main_cause`` is that of most of the surging time, nothing without surge. ``giving`` is what the log knows of knock on the table's cells, and
    ``wanted_back`` whether any cell was driven without surge with room under its ceiling. ``above_knock`` counts the cells of the table above their
    knock limit, ``held_by_neighbours`` those that stay for their neighbours, ``held_by_floor`` those that stay on their late-burn floor, ``uncured`` those
    visited that spark does not cure. ``table_share`` is what a level table would take off the swing, over all surging time; not-a-number where that is
    not told; ``step_left`` the largest step [crank deg] that its surge still crosses. ``top_gear`` is the highest gear in the log, ``gears`` those of
    the sheet.
    """

    log: DriveLog
    findings: SurgeFindings
    causes: tuple[SurgeCause, ...]
    main_cause: Cause | None
    swing: SignalSwing
    lower: tuple[CellAdvice, ...] = ()
    add_back: tuple[CellAdvice, ...] = ()
    giving: GivingBack | None = dataclasses.field(default=None, repr=False)
    wanted_back: bool = False
    above_knock: int = 0
    held_by_neighbours: int = 0
    held_by_floor: int = 0
    uncured: int = 0
    delays: SignalDelays | None = None
    table_share: float = math.nan
    step_left: float = math.nan
    top_gear: int = 0
    gears: int = 0
    table: SparkTable | None = dataclasses.field(default=None, repr=False)
    notes: tuple[ReviewNote, ...] = ()
    applies_to: AppliesTo = AppliesTo.FINAL_SPARK

    @property
    def held_back(self) -> tuple[HeldBack, ...]:
        """The cells driven without surge that get no spark back, for knock or because nothing listened there."""
        return () if self.giving is None else self.giving.held

    @property
    def next_table(self) -> SparkTable | None:
        """The table with the advice to lower carried out; nothing where there is none. What may be added back is left to the user."""
        if self.table is None or not self.lower:
            return None
        cells = self.table.si.cells.copy()
        for advice in self.lower:
            cells[advice.cell] = advice.then
        return self.table.with_spark(cells)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        names = (
            "log", "findings", "causes", "main_cause", "swing", "above_knock", "held_by_neighbours", "top_gear", "gears", "notes", "applies_to",
            "held_by_floor", "uncured", "delays", "table_share", "step_left",
        )  # fmt: skip
        data = {name: plain_data(getattr(self, name)) for name in names}
        data["held_back"] = [plain_data(held._asdict()) for held in self.held_back]
        data["knocking"] = [plain_data(held._asdict()) for held in (self.giving.knocking if self.giving else ())]
        data["hearing"] = plain_data(self.giving.knock.hearing if self.giving else None)
        for name in ("lower", "add_back"):
            data[name] = [plain_data(advice._asdict() | {"unit": "crank_deg"}) for advice in getattr(self, name)]
        return data


def review_log(
    log: DriveLog,
    table: SparkTable | None = None,
    *,
    ceiling: Any = None,
    best: Any = None,
    knock: Any = None,
    floor: Any = None,
    uncured: Any = None,
    raise_margin: Any = RAISE_MARGIN,
    no_knock_heard: bool = False,
    along_speed: Any = None,
    along_load: Any = None,
    torque_per_degree: Callable[[Any, Any], Any] | None = None,
    below: Any = BELOW,
    least_swing: Any = LEAST_SWING,
    build: Build | None = None,
    engine: EngineModel | None = None,
    engine_tables: EngineTables | None = None,
) -> LogReview:
    """Review a log: is it surging, where, how hard, why, and what to change next.

    Parameters
    ----------
    log : DriveLog
    table : SparkTable, optional
        The table that was in the car.
    ceiling : array [crank deg before top dead centre], shape (speeds, loads), optional
        Most final spark of each cell; not-a-number where there is none.
    best : array [crank deg before top dead centre], shape (speeds, loads), optional
        The least of best torque and knock, for final spark. Where given, no cell is given back more than it less ``raise_margin``.
    knock : array [crank deg before top dead centre], shape (speeds, loads), optional
        Knock limit of each cell, for final spark. How many cells are above it is reported; ``shape_table`` lists them and brings them down.
    floor : array [crank deg before top dead centre], shape (speeds, loads), optional
        Late-burn floor of each cell, for final spark: none is lowered below it but for knock.
    uncured : mask, shape (speeds, loads), optional
        Cells that spark does not cure: none is lowered to its ceiling there.
    raise_margin : quantity [crank angle]
        2 degrees: ESTIMATE.
    no_knock_heard : bool
        Somebody listened all the time and heard no knock; counts only where the log cannot tell, and for one degree at a time.
    along_speed : quantity [crank angle per crank speed], optional
        Slope limit, as for ``shape_table``.
    along_load : quantity [crank angle per load], optional
        Slope limit, as for ``shape_table``. Besides them visited neighbours are brought to within 3 degrees, or half their step if that is less.
    torque_per_degree : callable, optional
        As for ``explain_episode``.
    below, least_swing : quantity [crank speed]
        As for ``find_surge``.
    build : Build
        As for ``measure_swing``; also for units of road speed, the number of gears, and their ratios where the log has no gear.
    engine : EngineModel
        As for ``measure_swing``.
    engine_tables : EngineTables
        As for ``measure_swing``.

    Returns
    -------
    LogReview

    Raises
    ------
    InputError
        If log and table do not have the same kind of load, or the ceiling has another shape than the table.

    Examples
    --------
    >>> t = np.arange(0.0, 20.0, 0.02)
    >>> speed = 22.0 + 1.5 * np.sin(2.0 * np.pi * 2.5 * t)
    >>> table = SparkTable(load_kind="manifold pressure", speed=np.array([20.0, 24.0]), loads=[3e4, 6e4],
    ...     cells=np.array([[20.0, 20.0], [32.0, 32.0]]), increment=1.0)
    >>> load = np.full(len(t), 4.5e4)
    >>> log = DriveLog.of(time=t, speed=speed, load=load, load_kind="manifold pressure", spark=table.spark_at(speed, load), pedal=0.2 + 0.0 * t)
    >>> review = review_log(log, table)
    >>> review.main_cause.code
    'table'
    >>> review.lower[0].place, review.lower[0].now, review.lower[0].then, review.lower[0].why.code
    ('1440 rpm, 30 kPa', 32.0, 29.0, 'too_steep')
    """
    if table is not None and log.load_kind and log.load_kind != table.load_kind:
        raise InputError("load of the log", came=log.load_kind, expected=f"{table.load_kind}, as in the table")
    log = log if build is None else with_gears(log, build)
    findings = find_surge(log, below=below, least_swing=least_swing)
    notes: list[ReviewNote] = []
    top_gear, gears = highest_gear(log), len(build.vehicle.gear_ratios) if build is not None else 0
    if build is not None:
        findings = without_converter(log, _in_units_of(build, findings), build)
        notes += [ReviewNote.OTHER_CAR] if top_gear > gears else []
    delays = find_delays(log, table)
    about: dict[str, Any] = {"torque_per_degree": torque_per_degree, "closed": closed_pedal(log), "delays": delays}
    taken = shares_of_episodes(log, findings, table, delays, build=build, torque_per_degree=torque_per_degree)
    causes = tuple(ranked(explain_episode(log, e, table, **about), e, away) for e, away in zip(findings.episodes, taken, strict=True))
    main = _main_cause(findings, causes)
    # Without load no table is looked up, and nothing is known of its share.
    share = table_share(findings.episodes, causes) if table is not None and log.loads.size else math.nan
    lower, back = tuple[CellAdvice, ...](), tuple[CellAdvice, ...]()
    found: dict[str, Any] = {}
    if table is not None and log.loads.size:
        slopes = {"along_speed": along_speed, "along_load": along_load}
        offset = _offset(log, table)
        top = _angles(ceiling, "ceiling", table) - offset
        surging = [(e.si.start, e.si.end) for e, cause in zip(findings.episodes, causes, strict=True) if owns(cause)]
        if surging:
            above = Stay(_angles(floor, "floor", table) - offset, np.zeros(table.shape, bool) if uncured is None else uncured)
            lower, found = _to_lower(table, cell_weights(log, table, surging) > IN_SURGE, top, slopes, above)
            notes += _of_stays(found, causes)
            lower = _and_under_knock(lower, table, _angles(knock, "knock", table) - offset, raise_margin, build)
            driven = seconds_driven(log, table)
            lower = tuple(advice._replace(driven=float(driven[advice.cell])) for advice in lower)
            notes += [ReviewNote.NOT_DRIVEN] if any(advice.driven < DRIVEN for advice in lower) else []
            found["step_left"] = step_left(causes, table.with_spark(_with(table.si.cells, lower)))
            notes += [ReviewNote.STEP_LEFT] if lower and found["step_left"] > PER_CELL + 1e-9 else []
            if not lower:
                notes.append(ReviewNote.NOTHING_TO_LOWER)
        elif findings.episodes and (math.isfinite(share) or main not in UNTOLD):
            notes.append(ReviewNote.NOT_THE_TABLE)
        giving = cells_that_may_rise(log, table, findings, no_knock_heard=no_knock_heard)
        top = _under_best(top, best, raise_margin, offset, table)
        back, held = _to_add_back(log, table, findings, top, lower, slopes, giving)
        notes += [ReviewNote.TOGETHER] if back else []
        notes += [ReviewNote.HELD_BY_NEIGHBOURS] if held else []
        wanted = bool(giving.held or back or _room(table, giving.driven, top).any())
        found |= {"giving": giving, "wanted_back": wanted, "held_by_neighbours": held, "above_knock": _above_knock(knock, offset, table)}
    swing = measure_swing(log, findings, build=build, engine=engine, engine_tables=engine_tables)
    return LogReview(
        log=log, findings=findings, causes=causes, main_cause=main, lower=lower, add_back=back, table=table, notes=tuple(notes), swing=swing,
        top_gear=top_gear, gears=gears, delays=delays, table_share=share, **found,
    )  # fmt: skip


def _in_units_of(build: Build, findings: SurgeFindings) -> SurgeFindings:
    """Return the findings with road speeds as the sheet wants them shown."""
    unit = build.vehicle.road_speed_unit
    shown = {name: tuple(e.replace(road_speed_unit=unit) for e in getattr(findings, name)) for name in ("episodes", "combustion")}
    return findings.replace(**shown)


def _main_cause(findings: SurgeFindings, causes: tuple[SurgeCause, ...]) -> Cause | None:
    """Return the cause that most of the surging time has."""
    time: defaultdict[Cause, float] = defaultdict(float)
    for episode, cause in zip(findings.episodes, causes, strict=True):
        time[cause.cause] += episode.si.end - episode.si.start
    return max(time, key=lambda cause: time[cause]) if time else None


def _angles(given: Any, name: str, table: SparkTable) -> Array:
    """Return angles on a table's cells [crank deg]; not-a-number everywhere where none are given."""
    if given is None:
        return np.full(table.shape, np.nan)
    values = np.asarray(getattr(given, "magnitude", given), dtype=float)
    if values.shape != table.shape:
        raise InputError(name, came=f"shape {values.shape}", expected=f"shape {table.shape}: a row for each speed, a column for each load")
    if hasattr(given, "magnitude"):
        values = np.asarray(given.to("crank_deg").magnitude, dtype=float)
    return values


def _offset(log: DriveLog, table: SparkTable) -> float:
    """Return how far logged spark stands above the table, so that ceilings of final spark become the table's; retard is not to be counted on."""
    if not log.values("spark").size:
        return 0.0
    good = np.isfinite(log.si.spark) & np.isfinite(log.loads)
    return max(0.0, float(np.median(log.si.spark[good] - table.spark_at(log.si.speed[good], log.loads[good])))) if good.any() else 0.0


def _with(cells: Array, lower: tuple[CellAdvice, ...]) -> Array:
    """Return cells with those lowered that are to be."""
    out = cells.copy()
    for advice in lower:
        out[advice.cell] = advice.then
    return out


def _of_stays(found: dict[str, Any], causes: tuple[SurgeCause, ...]) -> list[ReviewNote]:
    """Return what to say of cells that stay, and of a table that owns a part only."""
    notes = [ReviewNote.HELD_BY_FLOOR] if found["held_by_floor"] else []
    notes += [ReviewNote.UNCURED] if found["uncured"] else []
    return notes + ([ReviewNote.PART_ONLY] if any(owns(c) and math.isfinite(c.table_share) for c in causes) else [])


class Stay(NamedTuple):
    """Where a table is not to be lowered: the late-burn floor as the table's own spark [crank deg], and cells that spark does not cure."""

    floor: Array
    uncured: Mask


def _to_lower(table: SparkTable, visited: Mask, top: Array, slopes: dict[str, Any], stay: Stay) -> tuple[tuple[CellAdvice, ...], dict[str, Any]]:
    """Return the cells to lower: those over their ceiling, those too steep beside their neighbours, and what blends them in; how many stay, and why.

    Spark does not rise with load from the lightest visited cell of a row on, so fuller loads come down with it.

    Parameters
    ----------
    table : SparkTable
    visited : mask, shape (speeds, loads)
        Cells in which it surges by the table.
    top : array, shape (speeds, loads) [crank deg]
        Ceilings of the table's own spark.
    slopes : dict
        Slope limits, as for ``shape_table``.
    stay : Stay
        Where the table is not to be lowered.
    """
    now, step = table.si.cells, table.si.increment
    steepest = _steepest(now, visited)
    limit = PER_CELL if steepest > PER_CELL else max(steepest / 2.0, LEAST_STEP)
    beyond = visited & (now > top)
    over, found = beyond & ~stay.uncured, {"held_by_floor": 0, "uncured": int(np.count_nonzero(beyond & stay.uncured))}
    if steepest <= LEAST_STEP and not over.any():
        return (), found
    limits = np.where(visited, np.where(np.isfinite(top) & ~stay.uncured, top, 80.0), np.nan)
    shaped = shape_table(table, limits, zone=visited, per_cell=f"{max(limit, step)!r} crank_deg", **slopes)
    rises = {(c.row, c.column) for c in shaped.changes if Reason.RISE in c.reasons and Reason.SLOPE not in c.reasons}
    then = np.maximum(shaped.table.si.cells, np.ceil((now - max(AT_A_TIME, step)) / step - 1e-9) * step)
    least = np.where(np.isfinite(stay.floor), np.minimum(now, np.ceil(stay.floor / step - 1e-9) * step), -np.inf)
    found["held_by_floor"] = int(np.count_nonzero(then < least - 1e-9))
    then = np.maximum(then, least)
    out = []
    for i, j in np.argwhere(then < now - 1e-9):
        blends = AdviceReason.ABOVE_LIGHTER_LOAD if (i, j) in rises else AdviceReason.BLENDS_IN
        why = AdviceReason.ABOVE_CEILING if over[i, j] else (AdviceReason.TOO_STEEP if visited[i, j] else blends)
        out.append(CellAdvice((int(i), int(j)), table.place(int(i), int(j)), float(now[i, j]), float(then[i, j]), why))
    return tuple(out), found


def _and_under_knock(lower: tuple[CellAdvice, ...], table: SparkTable, knock: Array, margin: Any, build: Build | None) -> tuple[CellAdvice, ...]:
    """Return the cells to lower with all that are above knock less the margin brought down to it, at once: no table is written that knocks.

    None comes down below the least spark of the sheet: there the cell is one to keep out of.
    """
    if not lower:
        return lower
    step, by = table.si.increment, float(to_si(margin, "raise_margin", STEP))
    least = build.limits.si.least_spark if build is not None else 0.0
    bound = np.where(np.isfinite(knock), np.maximum(np.floor((knock - by) / step + 1e-9) * step, least), np.inf)
    found = {advice.cell: advice._replace(then=min(advice.then, float(bound[advice.cell]))) for advice in lower}
    for i, j in np.argwhere(table.si.cells > bound + 1e-9).tolist():
        if (i, j) not in found:
            found[i, j] = CellAdvice((i, j), table.place(i, j), float(table.si.cells[i, j]), float(bound[i, j]), AdviceReason.ABOVE_KNOCK)
    return tuple(found[cell] for cell in sorted(found))


def _steepest(cells: Array, visited: Mask) -> float:
    """Return the largest step between neighbours that the surge visits."""
    steps = [np.abs(np.diff(cells, axis=axis))[(visited[1:] & visited[:-1]) if axis == 0 else (visited[:, 1:] & visited[:, :-1])] for axis in (0, 1)]
    whole = np.concatenate(steps)
    return float(whole.max()) if whole.size else 0.0


def _under_best(top: Array, best: Any, margin: Any, offset: float, table: SparkTable) -> Array:
    """Return how far the table's own spark may rise: under its ceilings, and under best torque and knock by a margin where those are given."""
    if best is None:
        return top
    by = float(to_si(margin, "raise_margin", STEP))
    return np.minimum(top, _angles(best, "best", table) - offset - by)


def _above_knock(knock: Any, offset: float, table: SparkTable) -> int:
    """Return how many cells are above their knock limit."""
    return int(np.count_nonzero(table.si.cells + offset > _angles(knock, "knock", table)))


def _room(table: SparkTable, cells: Mask, top: Array) -> Mask:
    """Return the cells of some that have a ceiling at least one increment above them."""
    return np.asarray(cells & np.isfinite(top) & (top >= table.si.cells + table.si.increment - 1e-9))


def _to_add_back(
    log: DriveLog, table: SparkTable, findings: SurgeFindings, top: Array, lower: tuple[CellAdvice, ...], slopes: dict[str, Any], giving: GivingBack
) -> tuple[tuple[CellAdvice, ...], int]:
    """Return cells driven without surge or knock that may rise, all together and with the others lowered, and how many their neighbours hold down.

    None where no ceiling says how far they may rise.
    """
    clean, step = giving.cells.copy(), giving.step(GIVEN_BACK)
    cells = _with(table.si.cells, lower)
    for advice in lower:
        clean[advice.cell] = False
    then = raised(table.with_spark(cells), clean, top, step=step, per_cell=PER_CELL, **slopes)
    driven = cell_weights(log, table, findings.windows)
    out = []
    for i, j in np.argwhere(then > cells):
        cell = (int(i), int(j))
        out.append(CellAdvice(cell, table.place(*cell), float(cells[cell]), float(then[cell]), AdviceReason.DRIVEN_CLEAN, float(driven[cell])))
    room = _room(table.with_spark(cells), clean, top) & (step >= table.si.increment - 1e-9)
    return tuple(out), int(np.count_nonzero(room & (then == cells)))

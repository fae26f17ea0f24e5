"""Reviewing a log: surge found, explained, and what to change next. All spark here is FINAL spark: table plus every adder."""

from __future__ import annotations

import dataclasses
import html
import math
from collections import defaultdict
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..cautions import OVER_SPARK_TABLE, Caution
from ..errors import InputError
from ..results import Record, plain_data
from ..tables.shaped import Reason
from ..tables.shaping import RAISE_MARGIN, shape_table
from ..tables.shaping_task import STEP
from ..tables.table import SparkTable
from ..units import to_si
from .causes import FINAL_SPARK, TABLE, WORDS, SurgeCause, cell_weights, explain_episode
from .clean_cells import GivingBack, HeldBack, cells_that_may_rise
from .drive_log import DriveLog, folded
from .raised_spark import raised
from .surge_finder import BELOW, LEAST_SWING, SurgeFindings, find_surge
from .swing import SignalSwing, measure_swing

if TYPE_CHECKING:
    from ..cycle.engine_tables import EngineTables
    from ..cycle.operating import EngineModel
    from ..sheet import Build

__all__ = ["CellAdvice", "LogReview", "review_log"]

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


class CellAdvice(NamedTuple):
    """What to do with one cell: row and column from 0, its place in words, spark there now and then [crank deg, of the table], and why."""

    cell: tuple[int, int]
    place: str
    now: float
    then: float
    why: str

    def __str__(self) -> str:
        return f"{self.place}: {self.now:g} to {self.then:g} ({self.then - self.now:+.3g} deg), {self.why}"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class LogReview(Record):
    """What a log shows and what to change next."""

    log: DriveLog
    findings: SurgeFindings
    causes: tuple[SurgeCause, ...]
    main_cause: str
    headline: str
    swing: SignalSwing
    lower: tuple[CellAdvice, ...] = ()
    add_back: tuple[CellAdvice, ...] = ()
    held_back: tuple[HeldBack, ...] = ()
    cautions: tuple[str, ...] = ()
    table: SparkTable | None = dataclasses.field(default=None, repr=False)
    notes: tuple[str, ...] = ()
    final_spark: str = FINAL_SPARK

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
        names = ("log", "findings", "causes", "main_cause", "headline", "swing", "cautions", "notes", "final_spark")
        data = {name: plain_data(getattr(self, name)) for name in names}
        data["held_back"] = [plain_data(held._asdict() | {"cell": list(held.cell)}) for held in self.held_back]
        for name in ("lower", "add_back"):
            data[name] = [advice._asdict() | {"cell": list(advice.cell), "unit": "crank_deg"} for advice in getattr(self, name)]
        return data

    def __str__(self) -> str:
        lines = [self.headline, "", str(self.log), "", str(self.findings)]
        for episode, cause in zip(self.findings.episodes, self.causes, strict=True):
            lines += ["", f"{episode.si.start:.1f} to {episode.si.end:.1f} s, {cause}"]
        lines += [""] * bool(self.cautions) + [f"Caution: {caution}" for caution in self.cautions]
        if self.lower or self.add_back:
            lines += ["", f"what next ({self.final_spark}; cells below are the table's own):"]
            lines += [f"  lower    {advice}" for advice in self.lower] + [f"  add back {advice}" for advice in self.add_back]
            lines += [Caution.LAW]
        lines += [f"note: {note}" for note in self.notes]
        return "\n".join([folded(lines), "", str(self.swing)])

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(str(self))}</pre>"


def review_log(
    log: DriveLog,
    table: SparkTable | None = None,
    *,
    ceiling: Any = None,
    best: Any = None,
    knock: Any = None,
    raise_margin: Any = RAISE_MARGIN,
    no_knock_heard: bool = False,
    along_speed: Any = None,
    along_load: Any = None,
    torque_per_degree: Callable[[Any, Any], Any] | None = None,
    below: Any = BELOW,
    least_swing: Any = LEAST_SWING,
    build: Build | None = None,
    engine: EngineModel | EngineTables | None = None,
) -> LogReview:
    """Review a log: is it surging, where, how hard, why, and what to change next.

    Parameters
    ----------
    log : DriveLog
    table : SparkTable, optional
        The table that was in the car.
    ceiling : array [crank deg before top dead centre], on the table's cells, optional
        Most FINAL spark of each cell; not-a-number where there is none.
    best : array [crank deg before top dead centre], on the table's cells, optional
        The least of best torque and knock, for FINAL spark. Where given, no cell is given back more than it less ``raise_margin``.
    knock : array [crank deg before top dead centre], on the table's cells, optional
        Knock limit of each cell, for FINAL spark. How many cells are above it is reported; ``shape_table`` lists them and brings them down.
    raise_margin : quantity [crank angle]
        2 degrees: ESTIMATE.
    no_knock_heard : bool
        Somebody listened all the time and heard no knock; counts only where the log cannot tell, and for one degree at a time.
    along_speed, along_load : quantity, optional
        Slope limits, as for ``shape_table``; besides them visited neighbours are brought to within 3 degrees, or half their step if that is less.
    torque_per_degree : callable, optional
        As for ``explain_episode``.
    below, least_swing : quantity [crank speed]
        As for ``find_surge``.
    build, engine
        As for ``measure_swing``.

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
    >>> review.main_cause
    'the table'
    >>> print(review.lower[0])
    1440 rpm, 30 kPa: 32 to 29 (-3 deg), too steep beside its neighbours
    """
    if table is not None and log.load_kind and log.load_kind != table.load_kind:
        raise InputError("load of the log", came=log.load_kind, expected=f"{table.load_kind}, as in the table")
    findings = find_surge(log, below=below, least_swing=least_swing)
    notes: list[str] = []
    if build is not None:
        findings = _in_units_of(build, findings)
        notes += _unlike(build, log)
    causes = tuple(explain_episode(log, episode, table, torque_per_degree=torque_per_degree) for episode in findings.episodes)
    main = _main_cause(findings, causes)
    lower: tuple[CellAdvice, ...] = ()
    back: tuple[CellAdvice, ...] = ()
    held_back: tuple[HeldBack, ...] = ()
    cautions: list[str] = []
    if table is not None and log.loads.size:
        slopes = {"along_speed": along_speed, "along_load": along_load}
        top = _angles(ceiling, "ceiling", table) - _offset(log, table)
        surging = [(e.si.start, e.si.end) for e, cause in zip(findings.episodes, causes, strict=True) if cause.cause == TABLE]
        if main == TABLE:
            lower = _to_lower(table, cell_weights(log, table, surging) > IN_SURGE, top, slopes)
            lower = _and_under_knock(lower, table, _angles(knock, "knock", table) - _offset(log, table), raise_margin, build)
            if not lower:
                notes.append("no cell that the surge visits is worth lowering: neighbours are as close as the table's increment allows")
        elif findings.episodes:
            notes.append("look elsewhere first: no cell is lowered for a swing that the table does not cause")
        giving = cells_that_may_rise(log, table, findings, no_knock_heard=no_knock_heard)
        top = _under_best(top, best, raise_margin, log, table)
        back, held = _to_add_back(log, table, findings, top, lower, slopes, giving)
        held_back = giving.held
        if held_back or back or _room(table, giving.driven, top).any():
            cautions += giving.cautions
        elif giving.knocking:
            cautions.append(giving.knock_words)
        notes += ["what may be added back goes together, once the cells to lower are lowered: one alone may stand too far above a neighbour"] if back else []
        notes += [f"{held} cells driven without surge under their ceiling stay: more would stand too far above a neighbour"] if held else []
        cautions += _above_knock(knock, log, table)
    if lower or back:
        cautions = [*OVER_SPARK_TABLE, *([Caution.ADDING_SPARK] if back else []), *cautions]
    return LogReview(
        log=log, findings=findings, causes=causes, main_cause=main, headline=_headline(findings, main, lower), lower=lower, add_back=back,
        held_back=held_back, cautions=tuple(cautions), table=table, notes=tuple(notes), swing=measure_swing(log, findings, build=build, engine=engine),
    )  # fmt: skip


def _in_units_of(build: Build, findings: SurgeFindings) -> SurgeFindings:
    """Return the findings with road speeds as the sheet wants them shown."""
    unit = build.vehicle.road_speed_unit
    shown = {name: tuple(e.replace(road_speed_unit=unit) for e in getattr(findings, name)) for name in ("episodes", "combustion")}
    return findings.replace(**shown)


def _unlike(build: Build, log: DriveLog) -> list[str]:
    """Return what shows that the log is of another car."""
    known = log.gear[np.isfinite(log.gear)]
    most, gears = (int(known.max()) if known.size else 0), len(build.vehicle.gear_ratios)
    return [f"the log drives in gear {most}, the build sheet has {gears} gears: is it a log of this car?"] if most > gears else []


def _main_cause(findings: SurgeFindings, causes: tuple[SurgeCause, ...]) -> str:
    """Return the cause that most of the surging time has."""
    time: defaultdict[str, float] = defaultdict(float)
    for episode, cause in zip(findings.episodes, causes, strict=True):
        time[cause.cause] += episode.si.end - episode.si.start
    return max(time, key=lambda name: time[name]) if time else "none"


def _headline(findings: SurgeFindings, main: str, lower: tuple[CellAdvice, ...]) -> str:
    if findings.si.looked_at <= 0.0:
        return "nothing to judge by: no steady driving at low speed in this log"
    if not findings.episodes:
        return f"no surge in {findings.si.looked_at:.0f} s of steady driving"
    hardest = max(findings.episodes, key=lambda e: e.si.speed_amplitude)
    beat = f"{hardest.si.frequency:.1f} Hz" if math.isfinite(hardest.si.frequency) else "at a frequency this sampling does not resolve"
    head = f"surges {100 * findings.share:.0f} % of {findings.si.looked_at:.0f} s, hardest at {60 * hardest.si.speed:.0f} rpm, {beat}"
    what = f"lower {len(lower)} cells, then drive again" if lower else "look elsewhere first"
    return f"{head}: {WORDS[main]}; {what}"


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
    """Return how far logged spark stands above the table, so that ceilings of FINAL spark become the table's; retard is not to be counted on."""
    if not log.values("spark").size:
        return 0.0
    good = np.isfinite(log.si.spark) & np.isfinite(log.loads)
    return max(0.0, float(np.median(log.si.spark[good] - table.spark_at(log.si.speed[good], log.loads[good])))) if good.any() else 0.0


def _to_lower(table: SparkTable, visited: Mask, top: Array, slopes: dict[str, Any]) -> tuple[CellAdvice, ...]:
    """Return the cells to lower: those over their ceiling, those too steep beside their neighbours, and what blends them in.

    Spark does not rise with load from the lightest visited cell of a row on, so fuller loads come down with it.
    """
    steepest = _steepest(table.si.cells, visited)
    limit = PER_CELL if steepest > PER_CELL else max(steepest / 2.0, LEAST_STEP)
    over = visited & (table.si.cells > top)
    if steepest <= LEAST_STEP and not over.any():
        return ()
    limits = np.where(visited, np.where(np.isfinite(top), top, 80.0), np.nan)
    shaped = shape_table(table, limits, zone=visited, per_cell=f"{max(limit, table.si.increment)!r} crank_deg", **slopes)
    rises = {(c.row, c.column) for c in shaped.changes if Reason.RISE in c.reasons and Reason.SLOPE not in c.reasons}
    step = table.si.increment
    then = np.maximum(shaped.table.si.cells, np.ceil((table.si.cells - max(AT_A_TIME, step)) / step - 1e-9) * step)
    out = []
    for i, j in np.argwhere(then < table.si.cells - 1e-9):
        blends = "above a lighter load" if (i, j) in rises else "blends the rest in"
        why = "above its ceiling" if over[i, j] else ("too steep beside its neighbours" if visited[i, j] else blends)
        out.append(CellAdvice((int(i), int(j)), table.place(int(i), int(j)), float(table.si.cells[i, j]), float(then[i, j]), why))
    return tuple(out)


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
            found[i, j] = CellAdvice((i, j), table.place(i, j), float(table.si.cells[i, j]), float(bound[i, j]), "above the knock limit")
    return tuple(found[cell] for cell in sorted(found))


def _steepest(cells: Array, visited: Mask) -> float:
    """Return the largest step between neighbours that the surge visits."""
    steps = [np.abs(np.diff(cells, axis=axis))[(visited[1:] & visited[:-1]) if axis == 0 else (visited[:, 1:] & visited[:, :-1])] for axis in (0, 1)]
    whole = np.concatenate(steps)
    return float(whole.max()) if whole.size else 0.0


def _under_best(top: Array, best: Any, margin: Any, log: DriveLog, table: SparkTable) -> Array:
    """Return how far the table's own spark may rise: under its ceilings, and under best torque and knock by a margin where those are given."""
    if best is None:
        return top
    by = float(to_si(margin, "raise_margin", STEP))
    return np.minimum(top, _angles(best, "best", table) - _offset(log, table) - by)


def _above_knock(knock: Any, log: DriveLog, table: SparkTable) -> list[str]:
    """Return what is to be said of cells above their knock limit."""
    count = int(np.count_nonzero(table.si.cells + _offset(log, table) > _angles(knock, "knock", table)))
    cells = f"{count} cell{'' if count == 1 else 's'}"
    return [f"this table is above camcalc's knock limit in {cells}; knock breaks pistons. camcalc shape lists them and brings them down"] if count else []


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
    cells = table.si.cells.copy()
    for advice in lower:
        cells[advice.cell], clean[advice.cell] = advice.then, False
    then = raised(table.with_spark(cells), clean, top, step=step, per_cell=PER_CELL, **slopes)
    driven = cell_weights(log, table, findings.windows)
    out = []
    for i, j in np.argwhere(then > cells):
        cell = (int(i), int(j))
        why = f"driven {driven[cell]:.0f} s without surge or knock, under its ceiling"
        out.append(CellAdvice(cell, table.place(*cell), float(cells[cell]), float(then[cell]), why))
    room = _room(table.with_spark(cells), clean, top) & (step >= table.si.increment - 1e-9)
    return tuple(out), int(np.count_nonzero(room & (then == cells)))

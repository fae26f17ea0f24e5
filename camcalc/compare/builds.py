"""Two builds compared: the same questions to both, the same samples of the tolerances, one list of figures."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, NamedTuple

from ..advice.bands import SEED, sample_bands
from ..advice.brakes import brake_remark
from ..advice.headlines import CRUISE
from ..array_record import ArrayRecord
from ..cautions import AT_COMPARISON
from ..cycle.models import engine_kind
from ..cycle.operating import EngineModel, Tolerances, barometer
from ..cycle.resolved import ResolvedEngine
from ..drive.risk import VERDICTS
from ..errors import InputError, did_you_mean
from ..marks import Mark, Marks
from ..results import Band, Measure, Record, measure
from ..sources import cite
from ..tables import SparkTable, read_table
from ..tables.proposed import level_table
from ..units import quantity
from .damping import CRUISE_ROAD_SPEED, Damped, DampingPoint, damping_at, damping_points, shaking_of
from .figures import (
    BURNED_SPEEDS,
    IDLE_SPEEDS,
    Shared,
    WorstCell,
    cam_figures,
    curve_marks,
    curves_of,
    engine_figures,
    road_speed_per_rev,
    sampled_figures,
    window_of,
    worst_cell,
)
from .rows import NO_DIFFERENCE, ComparedFigure, Row, compared, rows_of, stand_in
from .verdict import Verdict, converter_build, verdicts_of

if TYPE_CHECKING:
    from ..advice.spark import SparkCeilings
    from ..sheet import Build

__all__ = ["SOURCE_KEYS", "Comparison", "Curves", "compare_builds"]

AIR_SPEEDS = (1000.0 / 60.0, 2000.0 / 60.0, 3000.0 / 60.0)
# Part and nearly full load; the latter within so much of a barometer that stands lower.
AIR_LOADS, BELOW_BAROMETER = (60e3, 95e3), 0.97
# Sampled cycles are settled less closely, a sixth sooner: figures move by less than 0.3 %, bands are tens of times wider. Measured.
SAMPLED: dict[str, Any] = {"resolved": functools.partial(ResolvedEngine, rtol=3e-5, tolerance=5e-4)}
SOURCE_KEYS = ("geometry", "fox1993", "metghalchi1982", "heywood1988", "guzzella", "douaud1978", "livengood1955", "iso2631", "road", "practice", "estimate")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Curves(ArrayRecord):
    """What the plots of a comparison draw, for A and B; blank where the engine gives no answer, or no ceiling is."""

    AXES = ("idle_speed",)
    ALONG = (
        ("vacuum_a", "idle_speed"),
        ("vacuum_b", "idle_speed"),
        ("burned_fraction_a", "burned_speed"),
        ("burned_fraction_b", "burned_speed"),
        ("ceiling_a", "ceiling_speed"),
        ("ceiling_b", "ceiling_speed"),
    )

    idle_speed: Measure = measure("crank_rps", "rpm")
    vacuum_a: Measure = measure("Pa", "inHg", doc="neutral, accessories off")
    vacuum_b: Measure = measure("Pa", "inHg")
    burned_speed: Measure = measure("crank_rps", "rpm")
    burned_fraction_a: Measure = measure("", "percent", doc="at 60 kPa, spark 30 degrees before top dead centre")
    burned_fraction_b: Measure = measure("", "percent")
    ceiling_speed: Measure = measure("crank_rps", "rpm")
    ceiling_a: Measure = measure("crank_deg", doc="the lowest up to 60 kPa")
    ceiling_b: Measure = measure("crank_deg")
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Comparison(Record):
    """Two builds side by side. Every difference is B less A; ``samples`` is zero where none was sampled."""

    a: Build
    b: Build
    model: str
    figures: tuple[ComparedFigure, ...]
    verdicts: tuple[Verdict, ...]
    brakes: tuple[str, str]
    notes: tuple[str, ...]
    samples: int
    curves: Curves
    cautions: tuple[str, ...] = AT_COMPARISON

    def figure(self, name: str) -> ComparedFigure:
        """Return a figure by its name.

        Raises
        ------
        InputError
            If there is none.
        """
        by_name = {figure.name: figure for figure in self.figures}
        if name not in by_name:
            raise InputError("figure", came=name, expected="the name of a compared figure", fix=did_you_mean(name, list(by_name)))
        return by_name[name]

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            "a": {"build": self.a.name, "label": self.a.label, "cam": self.a.cam.name, "brakes": self.brakes[0]},
            "b": {"build": self.b.name, "label": self.b.label, "cam": self.b.cam.name, "brakes": self.brakes[1]},
            "cautions": list(self.cautions),
            "figures": [figure.to_dict() for figure in self.figures],
            "verdicts": [verdict.to_dict() for verdict in self.verdicts],
            "notes": list(self.notes),
            "curves": self.curves.to_dict(),
            "about": {"model": self.model, "samples": self.samples, "seed": SEED if self.samples else None},
            "sources": cite(*SOURCE_KEYS),
        }


class _Side(NamedTuple):
    """What is found of one cam."""

    model: EngineModel
    in_drive: Build
    figures: dict[str, float]
    marks: dict[str, Mark | None]
    ceilings: SparkCeilings
    curves: dict[str, Any]


def compare_builds(
    a: Build, b: Build | None = None, *, model: str = "resolved", bands: bool = True, progress: Callable[[str, float], None] | None = None
) -> Comparison:
    """Compare the street manners of two cams.

    Parameters
    ----------
    a, b : Build
        Each with its own cam and idle speed. Without ``b``: the sheet's new cam against the one it replaces, at the idle
        speeds the sheet gives for each.
    model : str
        ``"resolved"``: the crank-resolved cycle. A model for teaching only is refused.
    bands : bool
        Whether to sample the tolerances, the same samples for both; without it every difference counts that is more than
        the resolution of its figure.
    progress : callable
        Told what is being worked on, and the share done.

    Raises
    ------
    InputError
        If there is nothing to compare with.

    Notes
    -----
    What is not known well is the same for both cams, so errors common to both cancel in the difference: its band is drawn with
    common random numbers.

    Examples
    --------
    >>> from camcalc import load_build
    >>> alone = load_build("examples/dockside/build.toml").replace(replaced_cam=None)
    >>> compare_builds(alone)  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    camcalc.errors.InputError: ...
    """
    say = progress or (lambda what, share: None)
    kind, b = engine_kind(model), a.with_replaced_cam() if b is None else b
    share = 0.35 if bands else 1.0
    pair = (a, b)
    shared = _shared(pair)
    with ThreadPoolExecutor(2) as pool:
        # The two cams are two engines: nothing is shared between the threads.
        second = pool.submit(_side, kind, b, a, shared, lambda what, done: None)
        sides = (_side(kind, a, b, shared, lambda what, done: say(what, 0.8 * share * done)), second.result())
        worst = [worst_cell(side.ceilings) for side in sides]
        tables, table_note = _tables(pair, sides, worst)
        say("surge damping", 0.8 * share)
        points = [damping_points(build, table, shared.equal_speed) for build, table in zip(pair, tables, strict=True)]
        nominal = list(pool.map(lambda k: {name: damping_at(sides[k].model, point) for name, point in points[k].items()}, (0, 1)))
    figures = [side.figures | {key: v for name, found in at.items() for key, v in found.figures(name).items()} for side, at in zip(sides, nominal, strict=True)]
    rows = _rows(pair, shared)
    sampled: Mapping[str, Band] = {}
    silent: Mapping[str, float] = {}
    samples = 0
    if bands:
        # A cam without a zone is sampled where the other's stands: tolerances may give it one.
        cells = [worst[0] or worst[1], worst[1] or worst[0]]
        headline = _differences(SAMPLED.get(model) or engine_kind(model), sides, shared, cells, points, rows)
        sure = sample_bands(headline, sides[0].model.uncertain, progress=lambda done: say("bands", share + (1.0 - share) * done))
        sampled, silent, samples = sure.bands, sure.no_answer, sure.samples
    notes = _row_notes(sides, worst, points, nominal)
    marks = [side.marks | {name: found.mark for name, found in at.items()} for side, at in zip(sides, nominal, strict=True)]
    found = compared(rows, (figures[0], figures[1]), notes, sampled, decided=_felt(nominal), silent=silent, marks=(marks[0], marks[1]))
    converter = _converter_words(pair, sides)
    return Comparison(
        a=a,
        b=b,
        model=sides[0].model.name,
        figures=found,
        verdicts=verdicts_of({i.name: i for i in found}, (a.cam.name, b.cam.name), shared.sampled_gear, converter),
        brakes=(_brakes(sides[0]), _brakes(sides[1])),
        notes=(*_notes(pair, shared), table_note, *((converter,) if converter else ())),
        samples=samples,
        curves=_curves(sides),
    )


def _shared(pair: tuple[Build, Build]) -> Shared:
    """Return what both are asked at; the order of the two does not matter."""
    from ..engine.atmosphere import barometer_of

    gears = range(1, min(len(build.vehicle.gear_ratios) for build in pair) + 1)
    smooth = set(pair[0].vehicle.smooth_gears) & set(pair[1].vehicle.smooth_gears)
    lowest = min(barometer_of(build.site) for build in pair)
    return Shared(
        equal_speed=max(build.idle.si.speed for build in pair),
        gears=tuple(gears),
        sampled_gear=min(smooth, default=gears[-1]),
        air_speeds=AIR_SPEEDS,
        air_loads=tuple(min(load, BELOW_BAROMETER * lowest) for load in AIR_LOADS),
    )


def _side(engine_of: Callable[..., EngineModel], build: Build, other: Build, shared: Shared, say: Callable[[str, float], None]) -> _Side:
    model = engine_of(build)
    in_drive = converter_build(build, other, model.geometry.displacement)[0]
    found = engine_figures(model, in_drive, shared, say)
    return _Side(model, in_drive, cam_figures(build) | found.figures, found.marks, found.ceilings, curves_of(model, found.ceilings))


def _rows(pair: tuple[Build, Build], shared: Shared) -> list[Row]:
    unit = pair[0].vehicle.road_speed_unit
    cruise = f"{quantity(CRUISE_ROAD_SPEED, 'm/s').to(unit).magnitude:.0f} {unit}"
    per_rev = {gear: (road_speed_per_rev(pair[0], gear), road_speed_per_rev(pair[1], gear)) for gear in shared.gears}
    return rows_of(per_rev, sampled_gear=shared.sampled_gear, loads=shared.air_loads, speeds=shared.air_speeds, road_unit=unit, cruise=cruise)


def _tables(pair: tuple[Build, Build], sides: tuple[_Side, _Side], worst: list[WorstCell | None]) -> tuple[tuple[SparkTable, SparkTable], str]:
    """Return the spark tables the two are tried on, and which: each its own, else the one there is for both, else a level one."""
    paths = [build.spark_table for build in pair]
    own = [read_table(path) if path is not None else None for path in paths]
    if own[0] is not None and own[1] is not None:
        alike = "both on the same spark table" if paths[0] == paths[1] else "each on its own sheet's spark table"
        return (own[0], own[1]), f"surge damping: {alike}, taken as FINAL spark"
    for name, table in zip("AB", own, strict=True):
        if table is not None:
            return (table, table), f"surge damping: both on the spark table of {name}'s sheet, taken as FINAL spark"
    ceilings = [cell.ceiling for cell in worst if cell is not None]
    if ceilings:
        spark, missing, what = min(ceilings), "no sheet has a spark table", "the lower of the lowest ceilings"
    else:
        spark, missing = min(side.model.best_spark(*CRUISE) for side in sides), "no sheet has a spark table and no cell a ceiling"
        what = "the lesser best torque at 60 kPa"
    level = level_table(spark)
    return (level, level), f"surge damping: {missing}; both on a level {spark:.1f} deg, {what}"


def _differences(
    engine_of: Callable[..., EngineModel],
    sides: tuple[_Side, _Side],
    shared: Shared,
    worst: list[WorstCell | None],
    points: list[dict[str, DampingPoint]],
    rows: list[Row],
) -> Callable[[Mapping[str, float]], dict[str, float]]:
    """Return the function from tolerances to the differences of every sampled row."""

    def differences(tolerances: Mapping[str, float]) -> dict[str, float]:
        if all(factor == 1.0 for factor in tolerances.values()):
            return {}  # the nominal is known already
        answers = []
        for k, side in enumerate(sides):
            model = engine_of(side.model.build, Tolerances(**tolerances))
            answers.append(sampled_figures(model, side.in_drive, shared, side.figures, worst[k], points[k]))
        asked = [row for row in rows if row.name in answers[0]]
        return {row.name: stand_in(answers[1][row.name], row, 1) - stand_in(answers[0][row.name], row, 0) for row in asked}

    return differences


def _felt(nominal: list[dict[str, Damped]]) -> dict[str, str]:
    """Return whom the rows of shaking speak for: the car whose verdict is better, nobody where both are alike."""
    decided = {}
    for name in nominal[0]:
        said = [side[name].verdict for side in nominal]
        if all(verdict in VERDICTS for verdict in said):
            a, b = (VERDICTS.index(verdict) for verdict in said)
            decided[shaking_of(name)] = NO_DIFFERENCE if a == b else "a" if a < b else "b"
    return decided


def _converter_words(pair: tuple[Build, Build], sides: tuple[_Side, _Side]) -> str:
    """Say which converters were assumed, of both cars where they differ."""
    said = [converter_build(pair[k], pair[1 - k], sides[k].model.geometry.displacement)[1] for k in (0, 1)]
    return said[0] if said[0] == said[1] else "; ".join(f"{name}: {text}" for name, text in zip("AB", said, strict=True) if text)


def _row_notes(sides: tuple[_Side, _Side], worst: list[WorstCell | None], points: list[Any], nominal: list[dict[str, Damped]]) -> dict[str, str]:
    windows = [window_of(side.model)[1] for side in sides]
    notes = {"window_width": _both(windows), "worst_ceiling": _both([_cell_words(cell) for cell in worst])}
    for name in points[0]:
        notes[shaking_of(name)] = _both([f"gear {p[name].gear}, {p[name].speed * 60:.0f} rpm: {n[name].verdict}" for p, n in zip(points, nominal, strict=True)])
    return notes


def _cell_words(cell: WorstCell | None) -> str:
    return "" if cell is None else f"at {cell.speed * 60:.0f} rpm, {cell.pressure / 1e3:.0f} kPa: {cell.binds}"


def _both(words: list[str]) -> str:
    if words[0] == words[1]:
        return words[0] and f"both {words[0]}"
    return "; ".join(f"{name} {word}" for name, word in zip(("A", "B"), words, strict=True) if word)


def _brakes(side: _Side) -> str:
    vacuum = side.figures["vacuum"]
    if math.isnan(vacuum):
        return f"does not idle at {side.model.build.idle.si.speed * 60:.0f} rpm: no vacuum to speak of"
    return brake_remark(vacuum, barometer(side.model), None)


def _notes(pair: tuple[Build, Build], shared: Shared) -> list[str]:
    speeds = [build.idle.si.speed * 60.0 for build in pair]
    notes = [f"idle speeds: A {speeds[0]:.0f} rpm, B {speeds[1]:.0f} rpm; at equal speed: {shared.equal_speed * 60:.0f} rpm"]
    unlike = [name for name in ("engine", "fuel", "injector", "vehicle", "site", "limits") if getattr(pair[0], name) != getattr(pair[1], name)]
    if unlike:
        notes.append(f"the sheets differ in more than the cam ({', '.join(f'[{n}]' for n in unlike)}): differences are not the cam's alone")
    return notes


def _curves(sides: tuple[_Side, _Side]) -> Curves:
    found = {f"{name}_{letter}": side.curves[name] for letter, side in zip("ab", sides, strict=True) for name in side.curves}
    marks = {f"{name}_{letter}": mark for letter, side in zip("ab", sides, strict=True) for name, mark in curve_marks(side.curves).items()}
    return Curves(idle_speed=IDLE_SPEEDS, burned_speed=BURNED_SPEEDS, ceiling_speed=sides[0].ceilings.si.speed, marks=marks, **found)

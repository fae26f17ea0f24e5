"""Builds compared: the same questions to all, the same samples of the tolerances, one list of figures."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple, overload

import numpy as np

from ..advice.bands import SEED, HeadlineBands, sample_bands
from ..advice.brakes import BrakeAssist, brake_assist
from ..cycle.models import engine_kind, sampled_kind
from ..cycle.operating import EngineModel, Tolerances, barometer
from ..results import Band
from ..sheet.sections import LOCKED_AUTOMATIC
from ..vehicle.acceleration_weighting import SurgeGrade
from .comparison import ComparedBuild, Comparison, Curves
from .damping import CRUISE_ROAD_SPEED, shaking_of
from .figures import BURNED_SPEEDS, IDLE_SPEEDS, Shared, WorstCell, curve_marks, road_speed_per_rev, sampled_figures
from .findings import Better
from .judging import compared, stand_in
from .lineup import Lineup, lineup_of
from .names import own_names
from .rows import Row, rows_of
from .sides import Side, Sides, sides_of
from .verdict import verdict_on

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["compare_builds"]

# Sections whose difference makes a comparison one of more than cams.
SECTIONS = ("engine", "fuel", "injector", "vehicle", "site", "limits")
# Crank angles at which lifts are drawn [crank deg after the overlap's top dead centre].
DRAWN = np.arange(-290.0, 291.0, 2.0)
Progress = Callable[[str, float], None]
Pair = tuple[int, int]


class _Sampled(NamedTuple):
    """What sampling found of each pair: bands of differences by row, shares without an answer by row."""

    bands: dict[Pair, dict[str, Band]]
    silent: dict[Pair, dict[str, float]]
    samples: int


@overload
def compare_builds(
    first: Build, second: Build | None = None, /, *, model: str = "resolved", bands: bool = True, progress: Progress | None = None
) -> Comparison: ...
@overload
def compare_builds(
    first: Build, second: Build, third: Build, /, *more: Build, model: str = "resolved", bands: bool = True, progress: Progress | None = None
) -> Lineup: ...
def compare_builds(
    first: Build,
    second: Build | None = None,
    /,
    *more: Build,
    model: str = "resolved",
    bands: bool = True,
    progress: Progress | None = None,
) -> Comparison | Lineup:
    """Compare the street manners of two builds or more.

    Parameters
    ----------
    first, second : Build
        Each with its own cam and idle speed. Without ``second``: the sheet's new cam against the one it replaces, at the idle
        speeds the sheet gives for each.
    *more : Build
        Any others; all are then put in the order of their manners.
    model : str
        ``"resolved"``: the crank-resolved cycle. A model for teaching only is refused.
    bands : bool
        Whether to sample the tolerances, the same samples for all; without it every difference counts that is more than
        the resolution of its figure.
    progress : callable
        Called with what is worked on and the share done, 0 to 1.

    Returns
    -------
    Comparison or Lineup
        Of two builds, or of more.

    Raises
    ------
    InputError
        If there is nothing to compare with.

    Notes
    -----
    What is not known well is the same for all builds, so errors common to them cancel in a difference: its band is drawn with
    common random numbers. The order of three or more follows from the verdicts of all pairs.

    Examples
    --------
    >>> from camcalc import load_build
    >>> alone = load_build("examples/dockside/build.toml").replace(replaced_cam=None)
    >>> compare_builds(alone)  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    camcalc.errors.InputError: ...
    """
    say = progress or (lambda what, share: None)
    engine_of = engine_kind(model)
    builds = (first, first.with_replaced_cam() if second is None else second, *more)
    share = 0.35 if bands else 1.0
    found = sides_of(engine_of, builds, lambda what, done: say(what, share * done))
    places = [(i, j) for i in range(len(builds)) for j in range(i + 1, len(builds))]
    rows = {place: _rows(builds, place, found.shared) for place in places}
    sampled = _Sampled({}, {}, 0)
    if bands:
        sampled = _sample(sampled_kind(model), found, rows, lambda done: say("bands", share + (1.0 - share) * done))
    shown = _compared_builds(builds, found)
    curves = _curves(found.sides)
    pairs = [_pair(place, found, shown, rows[place], sampled, curves if len(builds) == 2 else None) for place in places]
    return pairs[0] if len(builds) == 2 else lineup_of(shown, pairs, curves)


def _pair(place: Pair, found: Sides, shown: Sequence[ComparedBuild], rows: list[Row], sampled: _Sampled, curves: Curves | None) -> Comparison:
    a, b = (found.sides[k] for k in place)
    figures = compared(
        rows,
        (a.figures, b.figures),
        sampled.bands.get(place, {}),
        decided=_felt(a, b),
        silent=sampled.silent.get(place),
        marks=(a.marks, b.marks),
        spots=(a.spots, b.spots),
    )
    shared, by_name = found.shared, {figure.name: figure for figure in figures}
    transmissions = {shown[k].transmission for k in place}
    # A locked automatic beside a clutch is asked the same and would get the same verdict twice.
    kinds = sorted(transmissions - ({LOCKED_AUTOMATIC} if "clutch" in transmissions else set()))
    return Comparison(
        a=shown[place[0]],
        b=shown[place[1]],
        model=a.model.name,
        verdicts=tuple(verdict_on(by_name, kind, shared.sampled_gear) for kind in kinds),
        figures=figures,
        equal_speed=shared.equal_speed,
        cruise_speed=CRUISE_ROAD_SPEED,
        sampled_gear=shared.sampled_gear,
        tables=found.tables,
        level_spark=found.level,
        samples=sampled.samples,
        seed=SEED if sampled.samples else None,
        curves=curves,
    )


def _compared_builds(builds: Sequence[Build], found: Sides) -> tuple[ComparedBuild, ...]:
    return tuple(
        ComparedBuild(
            name=name,
            build=build.name,
            label=build.label,
            cam=build.cam.name,
            transmission=build.vehicle.transmission,
            converter=side.converter,
            units=build.units,
            idle_speed=build.idle.si.speed,
            brakes=_brakes(side),
            unlike=tuple(section for section in SECTIONS if getattr(build, section) != getattr(builds[0], section)),
        )
        for name, build, side in zip(own_names(builds), builds, found.sides, strict=True)
    )


def _brakes(side: Side) -> BrakeAssist | None:
    """Return what is left of brake assist at idle, in neutral; None where the engine does not idle at its own speed."""
    vacuum = side.figures["vacuum"]
    return None if math.isnan(vacuum) else brake_assist(vacuum, ambient=barometer(side.model))


def _rows(builds: Sequence[Build], place: Pair, shared: Shared) -> list[Row]:
    units = {build.vehicle.road_speed_unit for build in builds}
    a, b = (builds[k] for k in place)
    per_rev = {gear: (road_speed_per_rev(a, gear), road_speed_per_rev(b, gear)) for gear in shared.gears}
    return rows_of(
        per_rev,
        sampled_gear=shared.sampled_gear,
        loads=shared.air_loads,
        speeds=shared.air_speeds,
        road_unit=units.pop() if len(units) == 1 else "km/h",
        in_drive=shared.in_drive,
    )


def _felt(a: Side, b: Side) -> dict[str, Better]:
    """Return whom the rows of shaking favour: the car whose grade is milder, neither where both are alike."""
    decided = {}
    for name, one in a.damped.items():
        other = b.damped[name].found
        if isinstance(one.found, SurgeGrade) and isinstance(other, SurgeGrade):
            milder = one.found.severity - other.severity
            decided[shaking_of(name)] = Better.NO_DIFFERENCE if milder == 0 else Better.A if milder < 0 else Better.B
    return decided


def _sample(engine_of: Callable[..., EngineModel], found: Sides, rows: Mapping[Pair, list[Row]], say: Callable[[float], None]) -> _Sampled:
    """Sample the differences of every pair, the same samples for all builds."""
    cells = _sampled_cells(found.sides)

    def differences(tolerances: Mapping[str, float]) -> dict[str, float]:
        if all(factor == 1.0 for factor in tolerances.values()):
            return {}  # the nominal is known already
        answers = [
            sampled_figures(engine_of(side.model.build, Tolerances(**tolerances)), side.in_drive, found.shared, side.figures, cell, side.points)
            for side, cell in zip(found.sides, cells, strict=True)
        ]
        return {
            _key(place, row.name): stand_in(answers[place[1]][row.name], row, 1) - stand_in(answers[place[0]][row.name], row, 0)
            for place, asked in rows.items()
            for row in asked
            if row.name in answers[0]
        }

    sure: HeadlineBands = sample_bands(differences, found.sides[0].model.uncertain, progress=say)

    def of_pair(values: Mapping[str, Any], place: Pair) -> dict[str, Any]:
        start = _key(place, "")
        return {key.removeprefix(start): value for key, value in values.items() if key.startswith(start)}

    return _Sampled({place: of_pair(sure.bands, place) for place in rows}, {place: of_pair(sure.no_answer, place) for place in rows}, sure.samples)


def _key(place: Pair, name: str) -> str:
    return f"{place[0]}/{place[1]}/{name}"


def _sampled_cells(sides: Sequence[Side]) -> list[WorstCell | None]:
    """Return the cell whose ceiling is sampled for each build; one without a zone is sampled where another's lowest is: tolerances may give it one."""
    known = sorted((side.worst for side in sides if side.worst is not None), key=lambda cell: (cell.ceiling, cell.speed, cell.pressure))
    return [side.worst or (known[0] if known else None) for side in sides]


def _curves(sides: Sequence[Side]) -> Curves:
    def rows(name: str) -> Any:
        return np.array([side.curves[name] for side in sides])

    lifts: dict[str, Any] = {f"{kind}_lift": np.array([side.model.build.cam.lift_curve(kind).lift(DRAWN) for side in sides]) for kind in ("intake", "exhaust")}
    axes: dict[str, Any] = {
        "crank_angle": DRAWN, "idle_speed": IDLE_SPEEDS, "burned_speed": BURNED_SPEEDS, "ceiling_speed": sides[0].ceilings.si.speed
    }  # fmt: skip
    drawn = {name: rows(name) for name in ("vacuum", "burned_fraction", "ceiling")}
    return Curves(**axes, **lifts, **drawn, marks={"ceiling": tuple(curve_marks(side.curves)["ceiling"] for side in sides)})

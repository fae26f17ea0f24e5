"""The figures of one build, each not-a-number where the engine gives no answer."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..advice.cam_facts import cam_facts
from ..advice.headlines import CRUISE
from ..advice.idle_balance import idle_balance
from ..advice.idle_speeds import lowest_idle, lowest_mark
from ..advice.injection import InjectionPoint, delivery_of, point_at
from ..advice.reversion import FASTEST, SLOWEST, reversion_in_gear, road_point
from ..advice.spark import SparkCeilings, spark_ceilings
from ..advice.spark_limits import Binds, ceiling_column
from ..codes import Code
from ..cycle.best_torque import spark_ends
from ..cycle.operating import EngineModel, barometer
from ..errors import NoSolutionError
from ..marks import Mark, Marks
from ..sheet.sections import SEQUENTIAL_PORT
from ..vehicle.road_load import road_speed
from .damping import DampingPoint, damping_at
from .findings import NoFigure

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["Idling", "Shared", "WorstCell", "cam_figures", "curves_of", "engine_figures", "idling", "sampled_figures", "worst_cell"]

Array = NDArray[np.float64]

# What the plots show.
IDLE_SPEEDS = np.arange(500.0, 1301.0, 100.0) / 60.0
BURNED_SPEEDS = np.arange(600.0, 4001.0, 200.0) / 60.0
BURNED_AT = 60e3, 30.0  # Pa, crank deg before top dead centre
LIGHT_LOAD = 60e3  # Pa
# Steps of the search for a reversion speed near an expected one, and how closely it ends [rev/s].
SEARCH_STEP, SEARCH_WITHIN = 100.0 / 60.0, 20.0 / 60.0
# Where none is expected: from well above the edges of street cams, down in wider steps [rev/s]; ESTIMATE.
SCAN_FROM, SCAN_STEP = 2200.0 / 60.0, 400.0 / 60.0


class Shared(NamedTuple):
    """What all builds are asked at: the highest idle speed [rev/s], gears, speeds [rev/s] and loads [Pa] of the air charge, idle in drive or not."""

    equal_speed: float
    gears: tuple[int, ...]
    sampled_gear: int
    air_speeds: tuple[float, ...]
    air_loads: tuple[float, ...]
    in_drive: bool


class Idling(NamedTuple):
    """A settled idle: manifold pressure and vacuum [Pa], residual, COV of IMEP and missed cycles as shares.

    Not-a-number where torque does not balance.
    """

    pressure: float
    vacuum: float
    burned_fraction: float
    variation: float
    missed: float


class WorstCell(NamedTuple):
    """The cell with the lowest ceiling: speed [rev/s], pressure [Pa], ceiling [crank deg], what limits it, and its mark."""

    speed: float
    pressure: float
    ceiling: float
    binds: Binds | None
    mark: Mark | None = None


def cam_figures(build: Build) -> dict[str, float]:
    """Return what follows from the cam by geometry alone, inner units."""
    facts = cam_facts(build.cam, build.engine)
    found = {"overlap_angle": facts.overlap.si.angle, "overlap_area": facts.overlap.si.area, "effective_compression": facts.effective_compression}
    for at, events in (("0.050", build.cam.events(at="0.050 inch")), ("seat", build.cam.events(at="0.15 mm", measured_at="valve"))):
        for name in ("intake_opens", "intake_closes", "exhaust_opens", "exhaust_closes", "overlap"):
            found[f"{name}_{at}"] = getattr(events.si, name)
    return found


def idling(engine: EngineModel, speed: float, *, drive: bool = False, near: float = math.nan) -> Idling:
    """Return the idle at a speed [rev/s], accessories off; ``near`` is a manifold pressure [Pa] to start from.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    drive : bool
        Whether an automatic is in gear.
    near : float
        Manifold pressure that the search begins at [Pa].
    """
    try:
        pressure, _, spread = idle_balance(engine, speed, drive=drive, near=near)
    except NoSolutionError:
        return Idling(*(math.nan,) * 5)
    return Idling(pressure, barometer(engine) - pressure, spread.mean.burned_fraction, spread.variation, spread.missed)


def _idle_figures(engine: EngineModel, in_drive: Build, shared: Shared) -> dict[str, float]:
    own = engine.build.idle.si.speed
    neutral = idling(engine, own)
    equal = neutral if own == shared.equal_speed else idling(engine, shared.equal_speed, near=neutral.pressure)
    found = {
        "vacuum": neutral.vacuum,
        "burned_fraction": neutral.burned_fraction,
        "imep_variation": neutral.variation,
        "idle_missed": neutral.missed,
        "vacuum_at_equal_speed": equal.vacuum,
    }
    if not shared.in_drive:
        return found
    drive = idling(engine.asking(in_drive), own, drive=True, near=neutral.pressure)
    return found | {"vacuum_in_drive": drive.vacuum, "variation_in_drive": drive.variation}


def _road_figures(engine: EngineModel, gear: int, sampled: int) -> tuple[dict[str, float], dict[str, Mark | None]]:
    """Return the figures of a gear, and which are an end of the search."""
    found = reversion_in_gear(engine, gear)
    below = found.si.unstable_below if found.held else FASTEST  # a gear that holds the car nowhere is uneven everywhere
    figures = {f"unstable_road_speed_{gear}": below * road_speed_per_rev(engine.build, gear)}
    figures |= {"unstable_below": below} if gear == sampled else {}
    return figures, dict.fromkeys(figures, found.mark("unstable_below") if found.held else Mark.OR_MORE)


def _air_figures(engine: EngineModel, shared: Shared) -> dict[str, float]:
    return {
        f"air_{k}_{j}": _answer(lambda s=speed, p=load: engine.state(s, p, engine.best_spark(s, p)).air)  # type: ignore[misc]
        for j, load in enumerate(shared.air_loads)
        for k, speed in enumerate(shared.air_speeds)
    }


def window_of(engine: EngineModel) -> tuple[InjectionPoint | None, Code]:
    """Return the injection window at the cruise that headlines use, and the strategy it is of or why there is none."""
    build = engine.build
    if build.fuel.system != SEQUENTIAL_PORT:
        return None, delivery_of(build.fuel.system)
    if build.injector is None:
        return None, NoFigure.NO_INJECTOR
    point = point_at(engine, *CRUISE)
    return point, point.strategy or point.reason


def _window_width(engine: EngineModel) -> float:
    point, _ = window_of(engine)
    return math.nan if point is None else point.earliest - point.latest


def worst_cell(ceilings: SparkCeilings) -> WorstCell | None:
    """Return the cell with the lowest ceiling, of those that spark cures if there are any; None where no cell has one."""
    grid = np.where(ceilings.cured, ceilings.si.ceiling, np.nan) if ceilings.cured.any() else ceilings.si.ceiling
    if not np.isfinite(grid).any():
        return None
    row, column = np.unravel_index(int(np.nanargmin(grid)), grid.shape)
    return WorstCell(
        float(ceilings.si.speed[column]),
        float(ceilings.si.manifold_pressure[row]),
        float(grid[row, column]),
        ceilings.binds[row][column],
        ceilings.mark("ceiling", int(row), int(column)),
    )


class EngineFigures(NamedTuple):
    """Figures in their inner units, which of them are an end of a search or marked otherwise, and the ceilings."""

    figures: dict[str, float]
    marks: dict[str, Mark | None]
    ceilings: SparkCeilings


def engine_figures(engine: EngineModel, in_drive: Build, shared: Shared, say: Callable[[str, float], None]) -> EngineFigures:
    """Return every figure that needs the engine to run but no spark table.

    Parameters
    ----------
    engine : EngineModel
    in_drive : Build
        The same build behind the converter that it idles against in drive.
    shared : Shared
        What all builds are asked at.
    say : callable
        Called with what is worked on and the share done, 0 to 1.

    Returns
    -------
    EngineFigures
    """
    say("idle", 0.0)
    found = _idle_figures(engine, in_drive, shared) | {"lowest_steady_speed": lowest_idle(engine)}
    marks = {"lowest_steady_speed": lowest_mark(found["lowest_steady_speed"])}
    for k, gear in enumerate(shared.gears):
        say("reversion", 0.2 + 0.5 * k / len(shared.gears))
        figures, own = _road_figures(engine, gear, shared.sampled_gear)
        found, marks = found | figures, marks | own
    say("trapped air and injection", 0.7)
    found |= _air_figures(engine, shared)
    found["window_width"] = _window_width(engine)
    say("spark ceilings", 0.75)
    ceilings = spark_ceilings(engine, cautious=False)
    worst = worst_cell(ceilings)
    found["worst_ceiling"] = math.nan if worst is None else worst.ceiling
    marks["worst_ceiling"] = Mark.NONE_FOUND if worst is None else worst.mark
    return EngineFigures(found, marks, ceilings)


def sampled_figures(
    engine: EngineModel, in_drive: Build, shared: Shared, nominal: Mapping[str, float], worst: WorstCell | None, points: Mapping[str, DampingPoint]
) -> dict[str, float]:
    """Return the figures that have bands, under the model's own tolerances; searches begin at the nominal.

    Parameters
    ----------
    engine : EngineModel
        With the tolerances of the sample.
    in_drive : Build
        The same build behind the converter that it idles against in drive.
    shared : Shared
        What all builds are asked at.
    nominal : mapping
        The build's figures without tolerances, inner units.
    worst : WorstCell
        The cell whose ceiling is sampled, None where no build has one.
    points : mapping
        Where damping is looked at, by the row's name.

    Returns
    -------
    dict
        By the row's name, inner units.
    """
    gear = shared.sampled_gear
    found = _idle_figures(engine, in_drive, shared) | {"lowest_steady_speed": lowest_idle(engine)}
    found["unstable_below"] = unstable_near(engine, gear, nominal["unstable_below"])
    found[f"unstable_road_speed_{gear}"] = found["unstable_below"] * road_speed_per_rev(engine.build, gear)
    found |= _air_figures(engine, shared)
    found["window_width"] = _window_width(engine)
    found["worst_ceiling"] = math.nan
    if worst is not None:
        found["worst_ceiling"] = ceiling_column(engine, worst.speed, [worst.pressure], cautious=False).cells[0].ceiling
    for name, point in points.items():
        found |= damping_at(engine, point).figures(name)
    return found


def unstable_near(engine: EngineModel, gear: int, expected: float) -> float:
    """Return the speed [rev/s] below which IMEP varies too much on the level road, sought from an expected one up or down.

    NaN, expected or found: even down to the slowest. As ``reversion_in_gear`` near an edge, in less than half the time.
    """
    ratio, limit = engine.build.vehicle.gear_ratios[gear - 1], engine.build.limits.stability
    pressure = math.nan

    def even(speed: float) -> bool:
        nonlocal pressure
        try:
            point = road_point(engine, speed, ratio, near=pressure)
        except NoSolutionError:
            return False
        pressure = point.pressure
        return point.variation <= limit

    # A car that is even at the slowest may be uneven above: where no edge is expected it is sought from well above any.
    step, start = (SCAN_STEP, SCAN_FROM) if math.isnan(expected) else (SEARCH_STEP, expected)
    low, high = _edge_near(even, start, step=step, ends=(SLOWEST, FASTEST), within=SEARCH_WITHIN)
    return math.nan if high <= SLOWEST else (low + high) / 2.0


def _edge_near(good: Callable[[float], bool], start: float, *, step: float, ends: tuple[float, float], within: float) -> tuple[float, float]:
    """Return speeds below and above the edge from bad to good; both the slowest end if even that is good, both the fastest if none is."""
    low = high = start
    if good(start):
        while low >= high:
            if high <= ends[0]:
                return ends[0], ends[0]
            low = max(high - step, ends[0])
            high = low if good(low) else high
    else:
        while not good(high):
            if high >= ends[1]:
                return ends[1], ends[1]
            low, high = high, min(high + step, ends[1])
    while high - low > within:
        middle = (low + high) / 2.0
        low, high = (low, middle) if good(middle) else (middle, high)
    return low, high


def curves_of(engine: EngineModel, ceilings: SparkCeilings) -> dict[str, Array]:
    """Return what the plots draw, inner units: idle vacuum over speed, burned gas over speed, ceilings at light load over speed."""
    light = ceilings.si.ceiling[ceilings.si.manifold_pressure <= LIGHT_LOAD + 1.0]
    known = np.where(np.isfinite(light), light, np.inf).min(axis=0)
    burned = [_answer(lambda s=s: _burned(engine, s)) for s in map(float, BURNED_SPEEDS)]  # type: ignore[misc]
    return {
        "vacuum": np.array([idling(engine, float(s)).vacuum for s in IDLE_SPEEDS]),
        "burned_fraction": np.array(burned),
        "ceiling": np.where(np.isfinite(known), known, np.nan),
    }


def curve_marks(curves: Mapping[str, Array]) -> dict[str, Marks]:
    """Return which points of the curves are an end of the search for spark."""
    return {"ceiling": spark_ends(curves["ceiling"])}


def road_speed_per_rev(build: Build, gear: int) -> float:
    """Return the road speed [m/s] at one crank rev/s in a gear."""
    return road_speed(build.vehicle, 1.0, build.vehicle.gear_ratios[gear - 1])


def _burned(engine: EngineModel, speed: float) -> float:
    """Return the burned fraction the plot shows; not-a-number where the engine does not run."""
    state = engine.state(speed, *BURNED_AT)
    return state.burned_fraction if state.runs else math.nan


def _answer(ask: Callable[[], float]) -> float:
    try:
        return ask()
    except NoSolutionError:
        return math.nan

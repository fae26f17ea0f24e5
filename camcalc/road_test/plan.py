"""How would I find out: the inputs that matter most and are known least, and for each a short test whose reading settles it."""

from __future__ import annotations

import dataclasses
import math
import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from ..advice.bands import TOLERANCES, HeadlineBands
from ..advice.headlines import headline
from ..cautions import ON_THE_ROAD
from ..codes import Code
from ..cycle.models import engine_kind
from ..cycle.operating import EngineModel, Tolerances
from ..errors import CamcalcError
from ..marks import Mark, Marks
from ..results import Measure, Record, measure
from ..units import quantity
from .readings import Ground, Place, Reading, ReadingKind, place_of, readings_of, running_of

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["Basis", "NotTested", "NotTestedBecause", "RoadTest", "Settling", "TestStep", "most_important", "plan_road_test"]

Array = NDArray[np.float64]
Kind = Callable[..., EngineModel]

MOST = 3  # inputs asked about
# A reading whose ends lie so many standard deviations from its middle settles its input, or tells something; common practice, no source.
SETTLES, TELLS = 2.0, 1.0
# A reading that an input moves by less than this share of its blur has nothing to do with it; ESTIMATE.
NOTHING = 0.05
TURN_ROUND = 45.0  # between runs on the road [s]; ESTIMATE


class Settling(Code):
    """How far a reading settles its input."""

    SETTLES = "settles the input"
    LEANS = "shows which way the input is off, settles nothing alone"
    LITTLE = "shows little by itself: something else moves the reading as much"


class Basis(Code):
    """How the inputs that matter most were found."""

    SAMPLES = "samples over all tolerances"
    IN_TURN = "each input moved to both ends of its tolerance in turn"


class NotTestedBecause(Code):
    """Why no step of the plan settles an input."""

    NOTHING_MOVES = "no reading of a log moves with it"
    STOPS_AT_LOW = "the engine does not run everywhere a reading is taken with the input at its low end"
    STOPS_AT_HIGH = "the engine does not run everywhere a reading is taken with the input at its high end"
    STOPS_AT_BOTH = "the engine does not run everywhere a reading is taken with the input at either end"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class TestStep(Record):
    """One step: which input it settles, where and how, and what the reading shows: near ``low`` the input is low, near ``high`` high.

    Readings are in ``unit``. ``tells_apart`` is half their distance over what blurs it: closeness of reading and every other input's tolerance;
    ``moved_most_by`` is the other input that moves the reading most. ``converter_locked``: to be locked by the driver, where there is one.
    """

    __test__ = False  # no test of pytest's

    step: int
    input: str
    input_low: float
    input_high: float
    place: Ground
    gear: int
    converter_locked: bool
    speed: Measure = measure("crank_rps", "rpm")
    road_speed: Measure = measure("m/s", "km/h")
    pedal: Measure = measure("", "percent", doc="about; share of the throttle's whole opening")
    spark: Measure = measure("crank_deg", doc="final, held; missing where there is none")
    seconds: float
    channels: tuple[str, ...]
    read: ReadingKind
    unit: str
    low: float
    expected: float
    high: float
    reads_within: float
    tells_apart: float
    settling: Settling
    moved_most_by: str
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class NotTested(Record):
    """An input that matters and that no step settles."""

    input: str
    because: NotTestedBecause


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class RoadTest(Record):
    """A plan of some ten minutes, cautions first, standing tests before driven ones; ``samples`` is zero where none were drawn."""

    name: str
    model: str
    cautions: tuple[str, ...]
    steps: tuple[TestStep, ...]
    seconds: float
    basis: Basis
    samples: int
    not_tested: tuple[NotTested, ...]
    road_speed_unit: str = "km/h"

    def __str__(self) -> str:
        lines = [f"{self.name}: {self.seconds / 60.0:.1f} minutes", *(f"! {text}" for text in self.cautions)]
        lines += [f"{s.step}. {s.input:<20}  {s.read}: {s.low:.3g} to {s.high:.3g} {s.unit}, {s.expected:.3g} expected" for s in self.steps]
        return "\n".join([*lines, *(f"-  {one.input:<20}  {one.because}" for one in self.not_tested)])


def plan_road_test(
    build: Build, sure: HeadlineBands | None = None, *, engine_of: Kind | None = None, progress: Callable[[float], None] | None = None
) -> RoadTest:
    """Plan a short test that settles the inputs that matter most.

    Parameters
    ----------
    build : Build
    sure : HeadlineBands
        Which inputs matter most, as a brief with bands found it. Without it each input is moved to both ends of its tolerance in turn.
    engine_of : callable
        Makes the engine of a build; the crank-resolved one if left out.
    progress : callable
        Called with the share done, 0 to 1.

    Returns
    -------
    RoadTest

    Raises
    ------
    NoSolutionError
        If the engine cannot idle.

    Notes
    -----
    Inputs are ranked by points over the headline numbers: three where an input matters most, two where second, one where third; of equal
    ones the wider tolerance comes first. Readings are dealt out, each to one input, so that together they tell most.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> plan = plan_road_test(load_build("examples/quarry-road/build.toml"), engine_of=QuickEngine)
    >>> plan.steps[0].place.code, plan.seconds <= 600.0
    ('standing', True)
    """
    say = progress or (lambda share: None)
    kind = engine_kind("resolved") if engine_of is None else engine_of
    nominal: EngineModel = kind(build)
    place = place_of(nominal)
    if sure is None:
        matters = _one_at_a_time(kind, build, nominal.uncertain, lambda share: say(0.6 * share))
    else:
        matters = {key: tuple(one.code for one in inputs) for key, inputs in sure.matters.items()}
    chosen = most_important(matters, nominal.uncertain)
    readings = readings_of(nominal)
    table = _read_all(kind, build, nominal, readings, place, lambda share: say(0.6 + 0.4 * share))
    steps = _steps(nominal, place, readings, table, chosen)
    return RoadTest(
        name=build.name,
        model=nominal.name,
        cautions=ON_THE_ROAD,
        steps=steps,
        seconds=sum(s.seconds for s in steps) + TURN_ROUND * sum(s.place is Ground.ROAD for s in steps),
        basis=Basis.IN_TURN if sure is None else Basis.SAMPLES,
        samples=0 if sure is None else sure.samples,
        not_tested=tuple(NotTested(input=n, because=_why_not(table, n)) for n in chosen if n not in {s.input for s in steps}),
        road_speed_unit=build.vehicle.road_speed_unit,
    )


def _why_not(table: _Table, name: str) -> NotTestedBecause:
    row = table.inputs.index(name)
    runs = np.isfinite(table.expected).any()
    low, high = (bool(runs and np.isnan(values).any()) for values in (table.low[row], table.high[row]))
    if low and high:
        return NotTestedBecause.STOPS_AT_BOTH
    return NotTestedBecause.STOPS_AT_LOW if low else NotTestedBecause.STOPS_AT_HIGH if high else NotTestedBecause.NOTHING_MOVES


def most_important(matters: Mapping[str, Sequence[str]], known: Sequence[str]) -> list[str]:
    """Return the inputs that matter most, by points over the headlines.

    >>> most_important({"vacuum": ("overlap", "friction"), "ceiling": ("overlap", "burn", "friction")}, ("overlap", "friction", "burn"))
    ['overlap', 'friction', 'burn']
    """
    points = dict.fromkeys(known, 0)
    for inputs in matters.values():
        for k, name in enumerate(inputs[:3]):
            if name in points:
                points[name] += 3 - k
    ranked = sorted(points, key=lambda name: (-points[name], -TOLERANCES[name][0]))
    return [name for name in ranked if points[name] > 0][:MOST]


def _ends(name: str) -> tuple[Tolerances, Tolerances]:
    half = TOLERANCES[name][0]
    return Tolerances()._replace(**{name: 1.0 - half}), Tolerances()._replace(**{name: 1.0 + half})


def _at_ends(names: Sequence[str], answer: Callable[[Tolerances], Any], say: Callable[[float], None]) -> list[tuple[Any, Any]]:
    """Return an answer with each input at its low and its high, all others as assumed."""
    wanted = [t for name in names for t in _ends(name)]
    found = []
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        for k, one in enumerate(pool.map(answer, wanted)):
            found.append(one)
            say((k + 1) / len(wanted))
    return list(zip(found[::2], found[1::2], strict=True))


def _one_at_a_time(kind: Kind, build: Build, names: Sequence[str], say: Callable[[float], None]) -> dict[str, tuple[str, ...]]:
    """Return, by headline, the three inputs that move it most between the ends of their tolerances."""

    def answer(t: Tolerances) -> dict[str, Any]:
        try:
            return headline(kind, build, t, None)
        except CamcalcError:
            return {}

    pairs = _at_ends(names, answer, say)
    moves: dict[str, dict[str, float]] = {}
    for name, (low, high) in zip(names, pairs, strict=True):
        for key in low.keys() & high.keys():
            move = abs(high[key] - low[key])
            if math.isfinite(move) and move > 0.0:
                moves.setdefault(key, {})[name] = move
    return {key: tuple(sorted(by, key=lambda name: -by[name])[:3]) for key, by in sorted(moves.items())}


class _Table(NamedTuple):
    """Readings as assumed, and with each input at its low and high: rows inputs, columns readings; not-a-number without an answer."""

    inputs: tuple[str, ...]
    expected: Array
    low: Array
    high: Array
    closeness: Array

    def tells(self, name: str) -> Array:
        """Return, by reading, half the distance of an input's ends over what blurs it: its closeness, and all other inputs' spread."""
        row = self.inputs.index(name)
        # A tolerance is uniform: its standard deviation is its whole width over the square root of twelve.
        # An end at which the engine does not run blurs by as much as the whole reading.
        width = self.high - self.low
        spread = np.where(np.isnan(width), np.abs(np.nan_to_num(self.expected)), width) / math.sqrt(12.0)
        spread[row] = 0.0
        return np.nan_to_num(np.abs(self.high[row] - self.low[row]) / 2.0 / np.hypot(self.closeness, np.sqrt((spread**2).sum(axis=0))))

    def moved_most_by(self, name: str, reading: int) -> str:
        """Return the other input that moves a reading most."""
        moves = np.nan_to_num(np.abs(self.high[:, reading] - self.low[:, reading]))
        moves[self.inputs.index(name)] = -1.0
        return self.inputs[int(np.argmax(moves))]


def _read_all(kind: Kind, build: Build, nominal: EngineModel, readings: Sequence[Reading], place: Place, say: Callable[[float], None]) -> _Table:
    def read(engine: EngineModel) -> list[float]:
        found = []
        for reading in readings:
            try:
                found.append(reading.value(engine, place))
            except CamcalcError:
                found.append(math.nan)
        return found

    expected = np.array(read(nominal))
    pairs = _at_ends(nominal.uncertain, lambda t: read(kind(build, t)), say)
    close = np.array([r.closeness for r in readings])
    low, high = (np.array([pair[k] for pair in pairs]) for k in (0, 1))
    return _Table(tuple(nominal.uncertain), expected, low, high, close[:, 0] + close[:, 1] * np.abs(np.nan_to_num(expected)))


def _steps(engine: EngineModel, place: Place, readings: Sequence[Reading], table: _Table, chosen: Sequence[str]) -> tuple[TestStep, ...]:
    """Deal readings out to inputs, each to one, so that together they tell most; standing ones first."""
    tells = np.array([table.tells(name) for name in chosen])
    # More than settled is no better than settled.
    rows, columns = linear_sum_assignment(np.minimum(tells, SETTLES), maximize=True)
    dealt = [(chosen[r], int(c), float(tells[r, c])) for r, c in zip(rows, columns, strict=True) if tells[r, c] > NOTHING]
    dealt.sort(key=lambda d: (readings[d[1]].ground is Ground.ROAD, -d[2]))
    return tuple(_step(k + 1, engine, place, readings, table, *d) for k, d in enumerate(dealt))


def _step(number: int, engine: EngineModel, place: Place, readings: Sequence[Reading], table: _Table, name: str, column: int, tells: float) -> TestStep:
    reading, row, half = readings[column], table.inputs.index(name), TOLERANCES[name][0]
    running = running_of(engine, place, reading)

    def shown(value: float) -> float:
        return float(quantity(value, reading.unit, reading.show).magnitude)

    return TestStep(
        step=number,
        input=name,
        input_low=1.0 - half,
        input_high=1.0 + half,
        place=reading.ground,
        gear=running.gear,
        converter_locked=reading.ground is Ground.ROAD and engine.build.vehicle.transmission == "converter",
        speed=running.speed,
        road_speed=running.road_speed,
        pedal=running.pedal,
        spark=running.spark,
        seconds=reading.seconds,
        channels=reading.channels,
        read=reading.kind,
        unit=reading.show,
        low=shown(table.low[row, column]),
        expected=shown(table.expected[column]),
        high=shown(table.high[row, column]),
        reads_within=shown(table.closeness[column]),
        tells_apart=tells,
        settling=Settling.SETTLES if tells >= SETTLES else Settling.LEANS if tells >= TELLS else Settling.LITTLE,
        moved_most_by=table.moved_most_by(name, column),
        marks={"spark": Mark.CAP if reading.ground is Ground.STANDING and running.spark >= engine.build.idle.si.earliest_spark else None},
    )

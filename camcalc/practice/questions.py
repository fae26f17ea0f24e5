"""The questions: figures of the user's own build first, then drawn ones, each with its answer, a tolerance and the slips that people make.

An answer and its slips are worked out from the rounded figures that the question shows, so that whoever works by hand gets the same.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, NamedTuple

from ..cam.events import intake_opening, overlap_of
from ..codes import Code
from ..constants import STANDARD_PRESSURE
from ..engine.atmosphere import barometer_of
from ..engine.geometry import effective_compression
from ..errors import InputError
from ..unit_system import UnitSystem
from ..units import factor

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["MOST_QUESTIONS", "Question", "Slip", "Topic", "practice_questions"]

MOST_QUESTIONS = 200
# A slip this many tolerances from the answer, and from other slips, can be told from them.
TOLD_APART = 2.5
# Drawn figures lie so far about the build's own: crank or cam degrees, and as a share. ESTIMATE, for exercise alone.
TURNED, SPREAD = 12, 0.15
# A row of figures that no engine has is drawn again, so often at most.
TRIES = 200
TURN = 2.0 * math.pi


class Topic(Code):
    """What can be practised."""

    EVENTS = "valve events from a card"
    OVERLAP = "overlap from a card"
    ADVANCE = "what advance does"
    COMPRESSION = "effective compression"
    VACUUM = "vacuum from pressure"
    INJECTION = "where a pulse begins"
    GEAR = "which gear, from both speeds"
    TABLE = "spark between four cells"


class Slip(Code):
    """A mistake that has a name."""

    NOT_A_NUMBER = "no number was read"
    NO_UNIT = "the unit is missing"
    OTHER_KIND = "a unit of another kind"
    CAM_FOR_CRANK = "cam degrees where the crank's are asked for"
    CRANK_FOR_CAM = "counted twice from cam to crank"
    SIGN = "the other side of the dead centre"
    OTHER_DEAD_CENTRE = "counted from the other dead centre"
    OTHER_EDGE = "the other edge of the opening"
    NOT_HALVED = "durations added, not halved"
    WRONG_WAY = "moved the wrong way"
    STATIC = "the ratio from bottom dead centre"
    TRAVELLED = "the part of the stroke that is lost"
    AT_SEA_LEVEL = "taken from the standard barometer"
    THE_PRESSURE = "the pressure, not what is missing"
    HALF_SPEED = "the crank turned at cam speed"
    WHICH_ANGLE = "degrees of the crank or of the cam"
    THE_RATIO = "the ratio, not the number of the gear"
    NO_FINAL_DRIVE = "the final drive left out"
    NEAREST_CELL = "the nearest cell, not between cells"
    SHARES_SWAPPED = "the shares swapped"


class Question(NamedTuple):
    """A question: the figures that it shows [in the units beside them], the answer, how close one must come, and the slips by what they come to.

    ``unit`` is that of answer, tolerance and slips, empty for a bare number; ``own`` says that the figures are the build's.
    """

    topic: Topic
    given: Mapping[str, tuple[float, str]]
    answer: float
    unit: str
    tolerance: float
    slips: Mapping[Slip, float]
    own: bool

    def figure(self, name: str) -> float:
        """Return a figure that is given, in its own unit."""
        return self.given[name][0]


Given = dict[str, tuple[float, str]]


class _Draw:
    """Figures about the build's own; the build's own themselves for the first question."""

    def __init__(self, rng: random.Random, *, own: bool) -> None:
        self.rng, self.own = rng, own

    def turned(self, value: float) -> float:
        """An angle to a whole degree."""
        return float(round(value + (0.0 if self.own else self.rng.uniform(-TURNED, TURNED))))

    def about(self, value: float, step: float) -> float:
        """A figure to a step."""
        return round(round(value * (1.0 if self.own else self.rng.uniform(1.0 - SPREAD, 1.0 + SPREAD)) / step) * step, 6)


def practice_questions(build: Build, topic: Topic | str, *, count: int = 5, seed: int = 1) -> tuple[Question, ...]:
    """Return questions on a topic: the first with the build's own figures, the others drawn about them.

    Parameters
    ----------
    build : Build
    topic : Topic or str
    count : int
        1 to 200.
    seed : int
        The same number, the same questions.

    Raises
    ------
    InputError
        On a topic not known, or too many questions.

    Examples
    --------
    >>> from camcalc import load_build
    >>> first, second = practice_questions(load_build("examples/quarry-road/build.toml"), "overlap", count=2)
    >>> first.answer, first.unit, first.own, second.own
    (9.0, 'crank_deg', True, False)
    """
    topic = Topic.chosen(topic, "topic")
    if not 1 <= count <= MOST_QUESTIONS:
        raise InputError("questions", came=str(count), expected=f"1 to {MOST_QUESTIONS}")
    rng = random.Random(f"{topic.code} {seed}")
    found: list[Question] = []
    for k in range(count):
        for attempt in range(TRIES):
            # The build's own figures may make no question, e.g. of a mild cam that has no overlap at that height.
            own = k == 0 and attempt == 0
            question = MAKERS[topic](build, _Draw(rng, own=own))
            if question is not None:
                found.append(_told_apart(question._replace(own=own)))
                break
    return tuple(found)


def _told_apart(question: Question) -> Question:
    """Return a question without the slips that come to the answer, or to an earlier slip's figure, within what is told apart."""
    kept: dict[Slip, float] = {}
    for slip, value in question.slips.items():
        if all(abs(value - other) > TOLD_APART * question.tolerance for other in (question.answer, *kept.values())):
            kept[slip] = value
    return question._replace(slips=kept)


def _card(build: Build, draw: _Draw) -> Given:
    """Return a card's durations and centrelines at its largest checking height, to whole degrees."""
    card = build.cam
    heights = card.checked_heights()
    height, side = heights[min(1, len(heights) - 1)] if heights else (1.27e-3, "tappet")
    events = card.events(at=f"{height!r} m", measured_at=side).si
    separation = draw.turned((card.intake.si.centreline + card.exhaust.si.centreline) / 2.0)
    return {
        "height": (round(height * 1e3, 3), "mm"),
        "intake_duration": (draw.turned(events.intake_duration), "crank_deg"),
        "exhaust_duration": (draw.turned(events.exhaust_duration), "crank_deg"),
        "lobe_separation": (separation, "cam_deg"),
        "intake_centreline": (draw.turned(card.intake.si.centreline), "crank_deg"),
    }


def _events(build: Build, draw: _Draw) -> Question | None:
    """When the intake closes."""
    given = {name: value for name, value in _card(build, draw).items() if name in ("height", "intake_duration", "intake_centreline")}
    duration, centreline = given["intake_duration"][0], given["intake_centreline"][0]
    opens = float(intake_opening.kernel(duration, centreline))
    answer = duration - opens - 180.0
    slips = {
        Slip.OTHER_DEAD_CENTRE: answer + 180.0, Slip.OTHER_EDGE: opens, Slip.SIGN: -answer, Slip.CAM_FOR_CRANK: 0.5 * answer,
        Slip.NOT_HALVED: duration + centreline - 180.0, Slip.CRANK_FOR_CAM: 2.0 * answer,
    }  # fmt: skip
    return Question(Topic.EVENTS, given, answer, "crank_deg", 0.5, slips, own=False)


def _overlap(build: Build, draw: _Draw) -> Question | None:
    """How long both valves are open."""
    given = _card(build, draw)
    del given["intake_centreline"]
    intake, exhaust, separation = (given[name][0] for name in ("intake_duration", "exhaust_duration", "lobe_separation"))
    answer = float(overlap_of.kernel(intake, exhaust, 2.0 * separation))
    slips = {
        Slip.CAM_FOR_CRANK: (intake + exhaust) / 2.0 - separation, Slip.NOT_HALVED: intake + exhaust - 2.0 * separation, Slip.SIGN: -answer,
        Slip.CRANK_FOR_CAM: 2.0 * answer,
    }  # fmt: skip
    return Question(Topic.OVERLAP, given, answer, "crank_deg", 0.5, slips, own=False) if abs(answer) >= 2.0 else None


def _advance(build: Build, draw: _Draw) -> Question | None:
    """When the intake closes after the cam was turned."""
    card = _card(build, draw)
    closes = card["intake_duration"][0] / 2.0 + card["intake_centreline"][0] - 180.0
    by = float(draw.rng.choice([2, 3, 4, 5, 6]))
    given = {"closes": (closes, "crank_deg"), "advance": (by, "crank_deg")}
    slips = {
        Slip.WRONG_WAY: closes + by, Slip.CRANK_FOR_CAM: closes - 2.0 * by, Slip.CAM_FOR_CRANK: closes - 0.5 * by,
        Slip.OTHER_DEAD_CENTRE: closes - by + 180.0,
    }  # fmt: skip
    return Question(Topic.ADVANCE, given, closes - by, "crank_deg", 0.25, slips, own=False)


def _compression(build: Build, draw: _Draw) -> Question | None:
    """What is left of the compression ratio when the intake has closed."""
    engine = build.engine
    closes = draw.turned(build.cam.events(at="0.15 mm", measured_at="valve").si.intake_closes)
    given = {
        "compression_ratio": (draw.about(engine.compression_ratio, 0.1), ""),
        "stroke": (draw.about(engine.si.stroke * 1e3, 0.5), "mm"),
        "rod_length": (draw.about(engine.si.rod_length * 1e3, 0.5), "mm"),
        "closes": (closes, "crank_deg"),
    }
    ratio, stroke, rod = (given[name][0] for name in ("compression_ratio", "stroke", "rod_length"))
    if rod < 1.2 * stroke or not 20.0 <= closes <= 110.0 or not 6.0 <= ratio <= 16.0:
        return None
    answer = float(effective_compression.kernel(ratio, closes, 2.0 * rod / stroke))
    slips = {Slip.STATIC: ratio, Slip.TRAVELLED: 1.0 + ratio - answer}
    return Question(Topic.COMPRESSION, given, answer, "", 0.03, slips, own=False)



def _vacuum(build: Build, draw: _Draw) -> Question | None:
    """What a gauge shows at altitude."""
    unit, closeness, step = ("kPa", 0.3, 0.5) if build.units is UnitSystem.METRIC else ("inHg", 0.1, 0.1)
    kpa = float(barometer_of(build.site)) / 1e3 if draw.own else draw.rng.uniform(76.0, 103.0)
    barometer = round(round(kpa * factor("kPa", unit) / step) * step, 1)
    pressure = float(round(draw.rng.uniform(35.0, 70.0)))
    absolute = pressure * factor("kPa", unit)
    given = {"barometer": (barometer, unit), "manifold_pressure": (pressure, "kPa")}
    slips = {Slip.AT_SEA_LEVEL: STANDARD_PRESSURE * factor("Pa", unit) - absolute, Slip.THE_PRESSURE: absolute, Slip.SIGN: absolute - barometer}
    vacuum = barometer - absolute
    return Question(Topic.VACUUM, given, vacuum, unit, closeness, slips, own=False) if vacuum > 20.0 * closeness else None


def _injection(build: Build, draw: _Draw) -> Question | None:
    """Where a pulse must begin to end at an angle."""
    speed = float(round(draw.about(build.idle.si.speed * 60.0, 50.0)))
    end, pulse = float(5 * draw.rng.randrange(6, 40)), round(draw.rng.uniform(1.8, 9.0), 1)
    given = {"ends": (end, "crank_deg"), "pulse": (pulse, "ms"), "speed": (speed, "rpm")}
    turned = 360.0 * speed / 60.0 * pulse * 1e-3
    slips = {Slip.WRONG_WAY: end - turned, Slip.HALF_SPEED: end + 0.5 * turned, Slip.OTHER_EDGE: end, Slip.CRANK_FOR_CAM: end + 2.0 * turned}
    return Question(Topic.INJECTION, given, end + turned, "crank_deg", 0.5, slips, own=False)


# Road speed is read to so much, so that a gear is told from its neighbours: a share. ESTIMATE.
READ_TO = 0.015


def _gear(build: Build, draw: _Draw) -> Question | None:
    """Which gear a log was driven in."""
    vehicle = build.vehicle
    ratios, final, radius = vehicle.gear_ratios, float(vehicle.final_drive), round(vehicle.si.tyre_radius * 1e3)
    if len(ratios) < 2:
        return None
    gear = draw.rng.randrange(1, len(ratios) + 1)
    speed = float(50 * draw.rng.randrange(24, 60))
    unit = vehicle.road_speed_unit
    exact = TURN * radius * 1e-3 * speed / (60.0 * ratios[gear - 1] * final) * factor("m/s", unit)
    road = float(round(exact))
    if road <= 0.0 or abs(road - exact) > READ_TO * exact:
        return None
    given = {"speed": (speed, "rpm"), "road_speed": (road, unit), "tyre_radius": (float(radius), "mm"), "final_drive": (final, "")}
    given |= {f"ratio_{k}": (float(ratio), "") for k, ratio in enumerate(ratios, 1)}
    taken = TURN * radius * 1e-3 * speed / 60.0 / (road / factor("m/s", unit))
    own = taken / final
    if sorted(abs(math.log(ratio / own)) for ratio in ratios)[1] < 4.0 * READ_TO:
        return None
    forgot = 1 + min(range(len(ratios)), key=lambda k: abs(ratios[k] / taken - 1.0))
    return Question(Topic.GEAR, given, float(gear), "", 0.01, {Slip.NO_FINAL_DRIVE: float(forgot), Slip.THE_RATIO: float(ratios[gear - 1])}, own=False)


def _table(build: Build, draw: _Draw) -> Question | None:
    """What a table gives between four cells."""
    slow, light = float(100 * draw.rng.randrange(8, 20)), float(5 * draw.rng.randrange(6, 14))
    speeds, loads = (slow, slow + draw.rng.choice([200.0, 400.0])), (light, light + 10.0)
    first = draw.rng.randrange(12, 26)
    cells = [float(first + draw.rng.randrange(0, 5) * 2 * k + draw.rng.choice([-4, -2, 0]) * j) for k in (0, 1) for j in (0, 1)]
    s, t = draw.rng.choice([0.25, 0.3, 0.6, 0.75]), draw.rng.choice([0.2, 0.4, 0.7, 0.8])
    speed, load = slow + s * (speeds[1] - slow), light + t * 10.0
    given: Given = {
        "speed": (speed, "rpm"), "load": (load, "kPa"), "slower": (speeds[0], "rpm"), "faster": (speeds[1], "rpm"), "lighter": (loads[0], "kPa"),
        "fuller": (loads[1], "kPa"),
    }  # fmt: skip
    given |= {name: (cell, "crank_deg") for name, cell in zip(("slow_light", "slow_full", "fast_light", "fast_full"), cells, strict=True)}
    between = [cells[2 * k] + t * (cells[2 * k + 1] - cells[2 * k]) for k in (0, 1)]
    swapped = [cells[2 * k] + s * (cells[2 * k + 1] - cells[2 * k]) for k in (0, 1)]
    nearest = cells[2 * round(s) + round(t)]
    answer = between[0] + s * (between[1] - between[0])
    slips = {Slip.NEAREST_CELL: nearest, Slip.SHARES_SWAPPED: swapped[0] + t * (swapped[1] - swapped[0])}
    return Question(Topic.TABLE, given, answer, "crank_deg", 0.15, slips, own=False) if max(cells) - min(cells) >= 4.0 else None


MAKERS: dict[Topic, Callable[[Build, _Draw], Question | None]] = {
    Topic.EVENTS: _events, Topic.OVERLAP: _overlap, Topic.ADVANCE: _advance, Topic.COMPRESSION: _compression, Topic.VACUUM: _vacuum,
    Topic.INJECTION: _injection, Topic.GEAR: _gear, Topic.TABLE: _table,
}  # fmt: skip

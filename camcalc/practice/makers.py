"""How each form of question is made: the build's own figures, or drawn about them, with the answer and what each slip comes to.

An answer and its slips are worked out from the rounded figures that the question shows, so that whoever works by hand gets the same.
A maker returns None where the figures make no question.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from typing import TYPE_CHECKING

from ..cam.events import intake_opening, overlap_of
from ..constants import STANDARD_PRESSURE
from ..engine.atmosphere import barometer_of
from ..engine.geometry import effective_compression
from ..unit_system import UnitSystem
from ..units import factor
from .questions import FORMS, Form, Question, Slip, Topic

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["MAKERS", "Draw"]

# Drawn figures lie so far about the build's own: crank or cam degrees, and as a share. ESTIMATE, for exercise alone.
TURNED, SPREAD = 12, 0.15
TURN = 2.0 * math.pi

Given = dict[str, tuple[float, str]]


class Draw:
    """Figures about the build's own; the build's own themselves for the first question."""

    def __init__(self, rng: random.Random, *, own: bool) -> None:
        self.rng, self.own = rng, own

    def turned(self, value: float) -> float:
        """An angle to a whole degree."""
        return float(round(value + (0.0 if self.own else self.rng.uniform(-TURNED, TURNED))))

    def about(self, value: float, step: float) -> float:
        """A figure to a step."""
        return round(round(value * (1.0 if self.own else self.rng.uniform(1.0 - SPREAD, 1.0 + SPREAD)) / step) * step, 6)


def _card(build: Build, draw: Draw) -> Given:
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
        "exhaust_centreline": (draw.turned(card.exhaust.si.centreline), "crank_deg"),
    }


def _near_top(duration: float, centreline: float) -> float:
    """Return how far from overlap top dead centre an opening has its edge there: before it for the intake, after it for the exhaust [crank deg]."""
    return float(intake_opening.kernel(duration, centreline))


def _near_bottom(duration: float, centreline: float) -> float:
    """Return how far from bottom dead centre an opening has its other edge: after it for the intake, before it for the exhaust [crank deg]."""
    return duration - _near_top(duration, centreline) - 180.0


def _edge(form: Form) -> Callable[[Build, Draw], Question | None]:
    """Return the maker for an edge of an opening."""
    valve = "intake" if form in (Form.INTAKE_OPENS, Form.INTAKE_CLOSES) else "exhaust"
    edges = _near_top, _near_bottom
    edge, other = edges if form in (Form.INTAKE_OPENS, Form.EXHAUST_CLOSES) else edges[::-1]

    def make(build: Build, draw: Draw) -> Question | None:
        duration, centreline = f"{valve}_duration", f"{valve}_centreline"
        given = {name: value for name, value in _card(build, draw).items() if name in ("height", duration, centreline)}
        figures = given[duration][0], given[centreline][0]
        answer = edge(*figures)
        slips = {
            Slip.OTHER_DEAD_CENTRE: answer + 180.0, Slip.OTHER_EDGE: other(*figures), Slip.SIGN: -answer, Slip.CAM_FOR_CRANK: 0.5 * answer,
            Slip.NOT_HALVED: edge(2.0 * figures[0], figures[1]), Slip.CRANK_FOR_CAM: 2.0 * answer,
        }  # fmt: skip
        return Question(form, given, answer, "crank_deg", 0.5, slips) if abs(answer) >= 2.0 else None

    return make


def _overlap(build: Build, draw: Draw) -> Question | None:
    given = _card(build, draw)
    del given["intake_centreline"], given["exhaust_centreline"]
    intake, exhaust, separation = (given[name][0] for name in ("intake_duration", "exhaust_duration", "lobe_separation"))
    answer = float(overlap_of.kernel(intake, exhaust, 2.0 * separation))
    slips = {
        Slip.CAM_FOR_CRANK: (intake + exhaust) / 2.0 - separation, Slip.NOT_HALVED: intake + exhaust - 2.0 * separation, Slip.SIGN: -answer,
        Slip.CRANK_FOR_CAM: 2.0 * answer,
    }  # fmt: skip
    return Question(Form.OVERLAP, given, answer, "crank_deg", 0.5, slips) if abs(answer) >= 2.0 else None


def _separation(build: Build, draw: Draw) -> Question | None:
    card = _card(build, draw)
    intake, exhaust, separation = (card[name][0] for name in ("intake_duration", "exhaust_duration", "lobe_separation"))
    overlap = float(round(overlap_of.kernel(intake, exhaust, 2.0 * separation)))
    given = {name: card[name] for name in ("height", "intake_duration", "exhaust_duration")} | {"overlap": (overlap, "crank_deg")}
    answer = ((intake + exhaust) / 2.0 - overlap) / 2.0
    slips = {Slip.NOT_TO_CAM: 2.0 * answer, Slip.CAM_FOR_CRANK: 0.5 * answer, Slip.NOT_HALVED: (intake + exhaust - overlap) / 2.0}
    return Question(Form.SEPARATION, given, answer, "cam_deg", 0.25, slips) if abs(overlap) >= 2.0 else None


def _advanced(build: Build, draw: Draw) -> Question | None:
    card = _card(build, draw)
    closes = _near_bottom(card["intake_duration"][0], card["intake_centreline"][0])
    by = float(draw.rng.choice([2, 3, 4, 5, 6]))
    given: Given = {"closes": (closes, "crank_deg"), "advance": (by, "crank_deg")}
    slips = {
        Slip.WRONG_WAY: closes + by, Slip.CRANK_FOR_CAM: closes - 2.0 * by, Slip.CAM_FOR_CRANK: closes - 0.5 * by,
        Slip.OTHER_DEAD_CENTRE: closes - by + 180.0,
    }  # fmt: skip
    return Question(Form.ADVANCED, given, closes - by, "crank_deg", 0.25, slips)


def _centreline(build: Build, draw: Draw) -> Question | None:
    separation, by = _card(build, draw)["lobe_separation"], float(draw.rng.choice([2, 3, 4, 5, 6]))
    given: Given = {"lobe_separation": separation, "advance": (by, "crank_deg")}
    # As many crank degrees after the dead centre as the separation has cam degrees, where the cam is set straight: half of what the crank turns.
    straight = separation[0]
    slips = {
        Slip.WRONG_WAY: straight + by, Slip.CRANK_FOR_CAM: straight - 2.0 * by, Slip.CAM_FOR_CRANK: straight - 0.5 * by,
        Slip.NOT_HALVED: 2.0 * straight - by,
    }  # fmt: skip
    return Question(Form.CENTRELINE, given, straight - by, "crank_deg", 0.25, slips)


def _advance_seen(build: Build, draw: Draw) -> Question | None:
    card = _card(build, draw)
    given = {name: card[name] for name in ("intake_centreline", "exhaust_centreline")}
    intake, exhaust = (value for value, _ in given.values())
    answer = (exhaust - intake) / 2.0
    slips = {Slip.SIGN: -answer, Slip.NOT_HALVED: exhaust - intake, Slip.CAM_FOR_CRANK: 0.5 * answer}
    return Question(Form.ADVANCE_SEEN, given, answer, "crank_deg", 0.25, slips) if abs(answer) >= 1.0 else None


def _ratio_left(build: Build, draw: Draw) -> Question | None:
    engine = build.engine
    closes = draw.turned(build.cam.events(at="0.15 mm", measured_at="valve").si.intake_closes)
    given: Given = {
        "compression_ratio": (draw.about(engine.compression_ratio, 0.1), ""),
        "stroke": (draw.about(engine.si.stroke * 1e3, 0.5), "mm"),
        "rod_length": (draw.about(engine.si.rod_length * 1e3, 0.5), "mm"),
        "closes": (closes, "crank_deg"),
    }
    ratio, stroke, rod = (given[name][0] for name in ("compression_ratio", "stroke", "rod_length"))
    if rod < 1.2 * stroke or not 20.0 <= closes <= 110.0 or not 6.0 <= ratio <= 16.0:
        return None
    answer = float(effective_compression.kernel(ratio, closes, 2.0 * rod / stroke))
    slips = {
        Slip.STATIC: ratio,
        Slip.TRAVELLED: 1.0 + ratio - answer,
        Slip.FROM_TOP: float(effective_compression.kernel(ratio, closes - 180.0, 2.0 * rod / stroke)),
        Slip.NO_ROD: 1.0 + (ratio - 1.0) * 0.5 * (1.0 + math.cos(math.radians(closes))),
    }
    return Question(Form.RATIO_LEFT, given, answer, "", 0.03, slips)


def _chamber(build: Build, draw: Draw) -> Question | None:
    engine = build.engine
    given: Given = {
        "compression_ratio": (draw.about(engine.compression_ratio, 0.1), ""),
        "bore": (draw.about(engine.si.bore * 1e3, 0.5), "mm"),
        "stroke": (draw.about(engine.si.stroke * 1e3, 0.5), "mm"),
    }
    ratio, bore, stroke = (value for value, _ in given.values())
    swept = math.pi / 4.0 * bore**2 * stroke * 1e-3
    answer = swept / (ratio - 1.0)
    slips = {Slip.OVER_RATIO: swept / ratio, Slip.BORE_FOR_RADIUS: 4.0 * answer}
    return Question(Form.CHAMBER, given, answer, "cm^3", 0.3, slips) if 6.0 <= ratio <= 16.0 else None


def _barometer(build: Build, draw: Draw) -> tuple[float, str, float]:
    """Return what a barometer shows, its unit in this build's system, and how closely its gauges read."""
    unit, closeness, step = ("kPa", 0.3, 0.5) if build.units is UnitSystem.METRIC else ("inHg", 0.1, 0.1)
    kpa = float(barometer_of(build.site)) / 1e3 if draw.own else draw.rng.uniform(76.0, 103.0)
    return round(round(kpa * factor("kPa", unit) / step) * step, 1), unit, closeness


def _vacuum(build: Build, draw: Draw) -> Question | None:
    barometer, unit, closeness = _barometer(build, draw)
    pressure = float(round(draw.rng.uniform(35.0, 70.0)))
    absolute = pressure * factor("kPa", unit)
    given: Given = {"barometer": (barometer, unit), "manifold_pressure": (pressure, "kPa")}
    vacuum = barometer - absolute
    slips = {
        Slip.AT_SEA_LEVEL: STANDARD_PRESSURE * factor("Pa", unit) - absolute, Slip.THE_PRESSURE: absolute, Slip.SIGN: absolute - barometer,
        Slip.ADDED: barometer + absolute,
    }  # fmt: skip
    return Question(Form.VACUUM, given, vacuum, unit, closeness, slips) if vacuum > 20.0 * closeness else None


def _pressure(build: Build, draw: Draw) -> Question | None:
    barometer, unit, _ = _barometer(build, draw)
    step = 0.5 if unit == "inHg" else 1.0
    vacuum = round(draw.rng.uniform(0.25, 0.6) * barometer / step) * step
    kpa = factor(unit, "kPa")
    given: Given = {"barometer": (barometer, unit), "manifold_vacuum": (vacuum, unit)}
    slips = {
        Slip.AT_SEA_LEVEL: STANDARD_PRESSURE * 1e-3 - vacuum * kpa, Slip.THE_VACUUM: vacuum * kpa, Slip.SIGN: (vacuum - barometer) * kpa,
        Slip.ADDED: (barometer + vacuum) * kpa,
    }  # fmt: skip
    return Question(Form.PRESSURE, given, (barometer - vacuum) * kpa, "kPa", 0.4, slips)


def _speed(build: Build, draw: Draw) -> float:
    """Return an engine speed about the idle [rpm]."""
    return float(round(draw.about(build.idle.si.speed * 60.0, 50.0)))


def _begins(build: Build, draw: Draw) -> Question | None:
    speed, end, pulse = _speed(build, draw), float(5 * draw.rng.randrange(6, 40)), round(draw.rng.uniform(1.8, 9.0), 1)
    given: Given = {"ends": (end, "crank_deg"), "pulse": (pulse, "ms"), "speed": (speed, "rpm")}
    turned = 360.0 * speed / 60.0 * pulse * 1e-3
    slips = {
        Slip.WRONG_WAY: end - turned, Slip.HALF_SPEED: end + 0.5 * turned, Slip.OTHER_EDGE: end, Slip.CRANK_FOR_CAM: end + 2.0 * turned,
        Slip.MINUTES: end + 60.0 * turned,
    }  # fmt: skip
    return Question(Form.BEGINS, given, end + turned, "crank_deg", 0.5, slips)


def _longest(build: Build, draw: Draw) -> Question | None:
    speed = float(50 * draw.rng.randrange(16, 120))
    end = float(5 * draw.rng.randrange(8, 30))
    start = end + float(5 * draw.rng.randrange(30, 100))
    given: Given = {"begins": (start, "crank_deg"), "ends": (end, "crank_deg"), "speed": (speed, "rpm")}
    answer = (start - end) / (360.0 * speed / 60.0) * 1e3
    slips = {
        Slip.HALF_SPEED: 2.0 * answer, Slip.SIGN: -answer, Slip.MINUTES: answer / 60.0, Slip.CRANK_FOR_CAM: 0.5 * answer,
        Slip.ADDED: (start + end) / (360.0 * speed / 60.0) * 1e3,
    }  # fmt: skip
    return Question(Form.LONGEST, given, answer, "ms", 0.01 * answer, slips)


# Road speed is read to so much, so that a gear is told from its neighbours: a share. ESTIMATE.
READ_TO = 0.015


def _wheels(build: Build) -> Given:
    """Return the tyre's radius, to a millimetre, and the final drive."""
    return {"tyre_radius": (float(round(build.vehicle.si.tyre_radius * 1e3)), "mm"), "final_drive": (float(build.vehicle.final_drive), "")}


def _gear(build: Build, draw: Draw) -> Question | None:
    vehicle = build.vehicle
    ratios, wheels = vehicle.gear_ratios, _wheels(build)
    (radius, _), (final, _) = wheels.values()
    if len(ratios) < 2:
        return None
    gear = draw.rng.randrange(1, len(ratios) + 1)
    speed = float(50 * draw.rng.randrange(24, 60))
    unit = vehicle.road_speed_unit
    exact = TURN * radius * 1e-3 * speed / (60.0 * ratios[gear - 1] * final) * factor("m/s", unit)
    road = float(round(exact))
    if road <= 0.0 or abs(road - exact) > READ_TO * exact:
        return None
    given: Given = {"speed": (speed, "rpm"), "road_speed": (road, unit), **wheels}
    given |= {f"ratio_{k}": (float(ratio), "") for k, ratio in enumerate(ratios, 1)}
    taken = TURN * radius * 1e-3 * speed / 60.0 / (road / factor("m/s", unit))
    own = taken / final
    if sorted(abs(math.log(ratio / own)) for ratio in ratios)[1] < 4.0 * READ_TO:
        return None
    forgot = 1 + min(range(len(ratios)), key=lambda k: abs(ratios[k] / taken - 1.0))
    return Question(Form.GEAR, given, float(gear), "", 0.01, {Slip.NO_FINAL_DRIVE: float(forgot), Slip.THE_RATIO: float(ratios[gear - 1])})


def _engine_speed(build: Build, draw: Draw) -> Question | None:
    wheels, unit = _wheels(build), build.vehicle.road_speed_unit
    (radius, _), (final, _) = wheels.values()
    ratio = float(draw.rng.choice(build.vehicle.gear_ratios))
    road = float(5 * draw.rng.randrange(3, 20))
    answer = road / factor("m/s", unit) / (TURN * radius * 1e-3) * 60.0 * ratio * final
    given: Given = {"road_speed": (road, unit), "gear_ratio": (ratio, ""), **wheels}
    slips = {Slip.NO_FINAL_DRIVE: answer / final, Slip.TYRE_DIAMETER: 2.0 * answer, Slip.MINUTES: answer / 60.0}
    return Question(Form.ENGINE_SPEED, given, answer, "rpm", 0.01 * answer, slips) if 700.0 <= answer <= 5000.0 else None


def _four_cells(build: Build, draw: Draw) -> Question | None:
    slow, light = float(100 * draw.rng.randrange(8, 20)), float(5 * draw.rng.randrange(6, 14))
    speeds, loads = (slow, slow + draw.rng.choice([200.0, 400.0])), (light, light + 10.0)
    first = draw.rng.randrange(16, 28)
    # Spark does not rise with load.
    rows = [first, first + draw.rng.choice([-2, 0, 2, 4, 6, 8])]
    cells = [float(row + j * draw.rng.choice([-4, -2, -1, 0])) for row in rows for j in (0, 1)]
    s, t = draw.rng.choice([0.25, 0.3, 0.6, 0.75]), draw.rng.choice([0.2, 0.4, 0.7, 0.8])
    speed, load = slow + s * (speeds[1] - slow), light + t * 10.0
    given: Given = {
        "speed": (speed, "rpm"), "load": (load, "kPa"), "slower": (speeds[0], "rpm"), "faster": (speeds[1], "rpm"), "lighter": (loads[0], "kPa"),
        "fuller": (loads[1], "kPa"),
    }  # fmt: skip
    given |= {name: (cell, "crank_deg") for name, cell in zip(("slow_light", "slow_full", "fast_light", "fast_full"), cells, strict=True)}
    between = [cells[2 * k] + t * (cells[2 * k + 1] - cells[2 * k]) for k in (0, 1)]
    swapped = [cells[2 * k] + s * (cells[2 * k + 1] - cells[2 * k]) for k in (0, 1)]
    answer = between[0] + s * (between[1] - between[0])
    slips = {
        Slip.NEAREST_CELL: cells[2 * round(s) + round(t)], Slip.SHARES_SWAPPED: swapped[0] + t * (swapped[1] - swapped[0]),
        Slip.ONE_AXIS: cells[0] + s * (cells[2] - cells[0]),
    }  # fmt: skip
    return Question(Form.FOUR_CELLS, given, answer, "crank_deg", 0.15, slips) if max(cells) - min(cells) >= 4.0 else None


def _steepness(build: Build, draw: Draw) -> Question | None:
    slow, step = float(100 * draw.rng.randrange(8, 20)), draw.rng.choice([200.0, 250.0, 400.0, 500.0])
    first = float(draw.rng.randrange(14, 30))
    rise = float(draw.rng.choice([-8, -6, -4, 4, 6, 8, 10, 12]))
    given: Given = {
        "slower": (slow, "rpm"), "faster": (slow + step, "rpm"), "slow_light": (first, "crank_deg"), "fast_light": (first + rise, "crank_deg"),
    }  # fmt: skip
    answer = rise / step * 1e3
    return Question(Form.STEEPNESS, given, answer, "", 0.2, {Slip.SIGN: -answer, Slip.THE_DIFFERENCE: rise})


def _swinging_row(build: Build, draw: Draw) -> Question | None:
    """A swing about a row, wide enough that its ends lie nearer to other rows."""
    step = draw.rng.choice([100.0, 150.0, 200.0])
    rows = [600.0 + step * k for k in range(draw.rng.randrange(8, 11))]
    row = draw.rng.choice([one for one in rows[1:-1] if 900.0 <= one <= 1800.0])
    middle = row + float(round(draw.rng.uniform(-0.25, 0.25) * step))
    high, low = (float(round(draw.rng.uniform(0.8, 0.95) * step)) for _ in range(2))
    half = min(high, low)
    course = [middle + half * part for part in (0.1, 0.9, 1.0, 0.3, -0.8, -1.0, -0.2, 0.7)]
    given: Given = {f"row_{k}": (value, "rpm") for k, value in enumerate(rows, 1)}
    given |= {f"logged_{k}": (float(round(value)), "rpm") for k, value in enumerate(course, 1)}
    seen = [value for name, (value, _) in given.items() if name.startswith("logged_")]
    middle = 0.5 * (max(seen) + min(seen))
    fastest = min(rows, key=lambda one: abs(one - max(seen)))
    return Question(Form.SWINGING_ROW, given, row, "rpm", 1.0, {Slip.FASTEST: fastest, Slip.NO_ROW: middle})


MAKERS: dict[Form, Callable[[Build, Draw], Question | None]] = {
    **{form: _edge(form) for form in FORMS[Topic.EVENTS]},
    Form.OVERLAP: _overlap, Form.SEPARATION: _separation, Form.ADVANCED: _advanced, Form.CENTRELINE: _centreline, Form.ADVANCE_SEEN: _advance_seen,
    Form.RATIO_LEFT: _ratio_left, Form.CHAMBER: _chamber, Form.VACUUM: _vacuum, Form.PRESSURE: _pressure, Form.BEGINS: _begins,
    Form.LONGEST: _longest, Form.GEAR: _gear, Form.ENGINE_SPEED: _engine_speed, Form.FOUR_CELLS: _four_cells, Form.STEEPNESS: _steepness,
    Form.SWINGING_ROW: _swinging_row,
}  # fmt: skip

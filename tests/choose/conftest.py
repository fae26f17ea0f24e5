"""What the tests of choosing share: made-up manners that follow from a card alone, so that a search is held against every card there is."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from camcalc.advice.idle_balance import IdleSparkRule
from camcalc.choose import choosing, runs, search
from camcalc.choose.asking import Asked, Road, Settled
from camcalc.choose.wants import Figure
from camcalc.cycle.operating import Tolerances, with_learned
from camcalc.engine.geometry import effective_compression, geometry_of
from camcalc.vehicle.acceleration_weighting import SurgeGrade

# How much a whole half-width of a few tolerances moves the made-up vacuum [Pa] and roughness.
MOVES = {"overlap": (-2.0e3, 0.10), "friction": (-1.0e3, 0.0), "port_heat": (700.0, -0.05)}


CLOSES: dict[tuple[float, float], float] = {}


def compressed(asked: Asked, duration: float) -> float:
    """Effective compression, the lobe's own closing found once for each duration and lift."""
    intake = asked.cam.intake.si
    key = round(duration, 6), round(intake.valve_lift, 9)
    if key not in CLOSES:
        edges = asked.cam.lift_curve("intake").edges(0.15e-3, side="valve")
        assert edges is not None
        CLOSES[key] = edges[1] - intake.centreline
    geometry = geometry_of(asked.build.engine)
    return float(effective_compression.kernel(geometry.compression_ratio, intake.centreline + CLOSES[key] - 180.0, geometry.rod_over_crank))


def made_up(asked: Asked) -> Settled:
    """Manners of no engine: vacuum and filling fall with duration, roughness rises, all three bend, and lobe separation and advance move them."""
    cam, wants = asked.cam, asked.wants
    check = max(cam.intake.checks, key=lambda one: 0 if one.assumed else -abs(cam.intake.tappet_height(one) - 1.27e-3))
    longer = (check.duration - 229.0) / 12.0
    wider = (cam.intake.si.centreline + cam.exhaust.si.centreline - 224.0) / 4.0
    early = (cam.exhaust.si.centreline - cam.intake.si.centreline) / 2.0 - 4.0
    car = with_learned(asked.build, Tolerances(**asked.tolerances))
    off = {name: getattr(car, name) - 1.0 for name in MOVES}
    widths = {"overlap": 0.15, "friction": 0.15, "port_heat": 0.35}
    moved = [sum(MOVES[name][k] * off[name] / widths[name] for name in MOVES) for k in (0, 1)]
    vacuum = 40e3 - 14e3 * math.tanh(0.9 * longer) + 2.2e3 * wider + 250.0 * early - 300.0 * longer * wider + moved[0]
    faster = wants.road_speed - 1400.0 / 60.0 if wants.gear else 0.0
    roughness = -0.05 * faster + 0.2 + 0.5 * longer - 0.12 * wider + 0.02 * early + 0.1 * math.sin(longer) + moved[1]
    filling = 0.96 - 0.03 * longer - 0.012 * wider + 0.006 * early + 0.004 * longer**2
    figures = {
        Figure.COMPRESSION: compressed(asked, check.duration), Figure.VACUUM: vacuum, Figure.ROUGHNESS: roughness, Figure.FILLING: filling,
        Figure.SPARK_LEFT: 30.0 - 6.0 * longer,
    }  # fmt: skip
    limit = asked.build.limits.stability
    return Settled(
        figures=figures, vacuum=vacuum, missed=0.01, spark=20.0, rule=IdleSparkRule.MISFIRE, idle_variation=0.2,
        road_variation=limit * math.exp(roughness), road_pressure=5e4, road_spark=35.0, filling=filling,
        compression=figures[Figure.COMPRESSION],
    )  # fmt: skip


def no_surge(asked: Asked) -> Road:
    """A road on which no gear surges."""
    return Road(True, made_up(asked).road_variation, SurgeGrade.TRACE, 0.1)


@pytest.fixture
def made_up_manners(monkeypatch: pytest.MonkeyPatch) -> Callable[[Asked], Settled]:
    """Let the search ask the made-up manners in place of an engine."""
    from camcalc.choose import ranking

    for module in (runs, choosing):
        monkeypatch.setattr(module, "settle", made_up)
    for module in (search, ranking):
        monkeypatch.setattr(module, "settle_road", no_surge)
    return made_up


@pytest.fixture
def wanted(build_of: Callable[..., Any]) -> Any:
    """Three wants at a time, of the V8 example."""
    build = build_of("quarry-road")
    return build.wanted.replace(
        idle_vacuum="12 inHg", keep_filling_speed="2500 rpm", keep_filling_share=0.95, lowest_usable_gear=4, lowest_usable_speed="1400 rpm"
    )

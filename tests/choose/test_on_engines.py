"""Choosing on the crank-resolved engine: signs over generated engines, the same figures as a brief, odds that cars drawn from the prior bear out."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import pytest

from camcalc import Build, choose_cam
from camcalc.advice.bands import TOLERANCES
from camcalc.advice.idle import idle_state
from camcalc.choose.asking import Asked, settle
from camcalc.choose.cards import CardFamily
from camcalc.choose.figures import build_with
from camcalc.choose.search import Sizes
from camcalc.choose.wants import wants_of
from camcalc.cycle.models import engine_kind

Make = Callable[..., Any]
ENGINES = 30


def generated(build_of: Make, seed: int) -> Build:
    """An engine like none of the examples: bore, stroke, compression, plenum, runner and cam drawn about one of them."""
    rng = np.random.default_rng(seed)
    build = build_of(("quarry-road", "dockside", "long-meadow")[seed % 3])
    engine, si = build.engine, build.engine.si
    bore, stroke = si.bore * rng.uniform(0.96, 1.04), si.stroke * rng.uniform(0.92, 1.08)
    drawn = engine.replace(
        bore=f"{bore} m", stroke=f"{stroke} m", compression_ratio=float(rng.uniform(9.0, 11.0)),
        plenum_volume=f"{si.plenum_volume * rng.uniform(0.7, 1.4)} m**3",
        intake_runner_volume=f"{si.intake_runner_volume * rng.uniform(0.8, 1.3)} m**3", friction_factor=float(rng.uniform(0.9, 1.15)),
    )  # fmt: skip
    family = CardFamily(build.cam)
    own = family.own
    cam = family.card(own._replace(duration=own.duration + rng.uniform(-16.0, 4.0), lobe_separation=own.lobe_separation + rng.uniform(-3.0, 5.0)))
    return build.replace(engine=drawn, cam=cam)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(ENGINES))
def test_signs_over_generated_engines(build_of: Make, seed: int) -> None:
    build = generated(build_of, seed)
    wants = wants_of(build, build.wanted.replace(idle_vacuum="12 inHg"))
    family = CardFamily(build.cam)
    own = family.own

    def at(**moved: float) -> Any:
        card = family.card(own._replace(**{name: getattr(own, name) + by for name, by in moved.items()}))
        return settle(Asked(build, card, None, wants, {}, "resolved"))

    base = at()
    assert at(duration=8.0).vacuum < base.vacuum
    assert at(lobe_separation=-6.0).vacuum < base.vacuum
    assert at(advance=3.0).compression > base.compression


@pytest.mark.slow
def test_a_brief_of_the_cam_shows_what_choosing_printed(build_of: Make) -> None:
    build = build_of("long-meadow")
    wanted = build.wanted.replace(idle_speed="700 rpm", idle_vacuum="14 inHg")
    wants = wants_of(build, wanted)
    card = CardFamily(build.cam).card(CardFamily(build.cam).own._replace(duration=211.0))
    settled = settle(Asked(build, card, build.replaced_cam, wants, {}, "resolved"))
    idle = idle_state(engine_kind("resolved")(build_with(build, card, wanted)), drive=True)
    assert settled.vacuum == idle.si.manifold_vacuum
    assert settled.spark == idle.si.spark
    assert settled.missed == idle.si.missed


@pytest.mark.slow
def test_the_largest_is_that_of_a_fine_grid_on_the_engine(build_of: Make) -> None:
    # Along duration alone, so that the grid is the engine's own at every degree about the edge.
    build = build_of("quarry-road")
    wanted = build.wanted.replace(
        idle_speed="900 rpm", idle_vacuum="12 inHg", keep_filling_speed="2500 rpm", keep_filling_share=0.93, effective_compression_most=8.7
    )
    ranges = {"lobe_separation": ("114 cam_deg", "114 cam_deg"), "advance": ("4 crank_deg", "4 crank_deg")}
    found = choose_cam(build, wanted, ranges=ranges)
    assert found.largest is not None
    wants, family = wants_of(build, wanted), CardFamily(build.cam, ranges)
    edge = found.largest.si.duration
    kept = {}
    for duration in np.arange(edge - 3.0, edge + 4.0):
        card = family.card(family.own._replace(duration=duration, lobe_separation=228.0, advance=4.0))
        settled = settle(Asked(build, card, build.replaced_cam, wants, {}, "resolved"))
        kept[duration] = all(demand.margin(settled.figures[demand.figure]) >= 0.0 for demand in wants.demands)
    assert kept[edge]
    assert abs(max(duration for duration, keeps in kept.items() if keeps) - edge) <= 1.0


@pytest.mark.slow
def test_odds_are_those_of_cars_drawn_from_the_tolerances(build_of: Make) -> None:
    # Along duration alone; what forty cars drawn independently bear out, within two and a half standard deviations of the draw.
    build = build_of("quarry-road")
    wanted = build.wanted.replace(idle_vacuum="12 inHg", sure="80 percent")
    ranges = {"lobe_separation": ("114 cam_deg", "114 cam_deg"), "advance": ("4 crank_deg", "4 crank_deg")}
    found = choose_cam(build, wanted, ranges=ranges, sizes=Sizes(sampled=24, cars=0))
    assert found.chosen is not None
    stated, cars = found.si.probability, 40
    share = kept_of(build, wanted, found.chosen.si.duration, ranges, cars)
    print(f"\nstated {100 * stated:.0f} %, of {cars} cars drawn {100 * share:.0f} % keep the wants at {found.chosen.si.duration:.0f} deg")
    assert abs(share - stated) < 2.5 * (stated * (1.0 - stated) / cars) ** 0.5


def kept_of(build: Build, wanted: Any, duration: float, ranges: dict[str, tuple[str, str]], cars: int) -> float:
    """The share of cars drawn from the tolerances that keep every want with a card of a duration."""
    wants, family = wants_of(build, wanted), CardFamily(build.cam, ranges)
    card = family.card(family.own._replace(duration=duration, lobe_separation=228.0, advance=4.0))
    names = [name for name in engine_kind("resolved")(build).uncertain if name != "octane"]
    rng = np.random.default_rng(11)
    asked = []
    for _ in range(cars):
        car = {name: 1.0 + TOLERANCES[name][0] * rng.uniform(-1.0, 1.0) for name in names}
        asked.append(Asked(build, card, build.replaced_cam, wants, car, "resolved"))
    with ThreadPoolExecutor(2) as pool:
        found = list(pool.map(settle, asked))
    return sum(all(demand.margin(one.figures[demand.figure]) >= 0.0 for demand in wants.demands) for one in found) / cars

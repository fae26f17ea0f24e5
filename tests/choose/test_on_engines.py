"""Choosing on the crank-resolved engine: signs over generated engines, the same figures as a brief, odds that cars drawn from the prior bear out."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc import Build, choose_cam
from camcalc.advice.idle import idle_state
from camcalc.choose.asking import Asked, settle
from camcalc.choose.cards import CardFamily
from camcalc.choose.figures import build_with
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

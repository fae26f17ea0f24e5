"""The low edge of the knock limit: sampled, or the widest band where nobody sampled."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc.advice.bands import TOLERANCES, sample_bands
from camcalc.advice.knock_edge import SEARCHED, UNSAMPLED, knock_edge, knock_grid, loads_that_knock, speeds_sampled
from camcalc.cycle.models import MODELS
from camcalc.cycle.operating import Tolerances

Make = Callable[..., Any]
# Where the bands of the examples' long cams are widest.
SPEEDS, PRESSURES = np.array([800.0, 1200.0]) / 60.0, np.array([60e3, 75e3])


@pytest.mark.slow
def test_no_sampled_band_of_the_examples_is_wider_than_the_one_assumed(build_of: Make, example: str) -> None:
    build, kind = build_of(example), MODELS["resolved"]
    nominal = kind(build)
    found = sample_bands(lambda t: {"knock": knock_grid(kind(build, Tolerances(**t)), SPEEDS, PRESSURES)}, nominal.uncertain)
    low = found.grids["knock"][0]
    best = np.array([[nominal.best_spark(float(s), float(p)) for s in SPEEDS] for p in PRESSURES])
    assumed = np.minimum(knock_grid(nominal, SPEEDS, PRESSURES), best) - UNSAMPLED
    known = np.isfinite(low)
    assert known.sum() >= 3
    assert (low >= assumed)[known].all()


def test_octane_is_one_of_the_inputs_and_moves_knock(resolved_of: Make, build_of: Make) -> None:
    nominal = resolved_of("quarry-road")
    assert "octane" in nominal.uncertain
    half = TOLERANCES["octane"][0]
    sparks = [MODELS["resolved"](build_of("quarry-road"), Tolerances(octane=1.0 + k * half)).knock_spark(1200.0 / 60.0, 85e3) for k in (-1, 0, 1)]
    assert sparks[0] < sparks[1] < sparks[2]
    octane = build_of("quarry-road").fuel.si.octane
    fuel = build_of("quarry-road").fuel.replace(octane=f"{octane * (1.0 + half)!r} RON")
    assert sparks[2] == MODELS["resolved"](build_of("quarry-road").replace(fuel=fuel)).knock_spark(1200.0 / 60.0, 85e3)


def test_the_edge_is_the_band_s_where_it_was_sampled_and_between_the_speeds_sampled(ceilings_of: Make) -> None:
    ceilings = ceilings_of("quarry-road")
    speeds, pressures = speeds_sampled(ceilings), loads_that_knock(ceilings)
    assert {speeds[0], speeds[-1]} == {ceilings.si.speed[0], ceilings.si.speed[-1]}
    rows, columns = np.searchsorted(ceilings.si.manifold_pressure, pressures), np.searchsorted(ceilings.si.speed, speeds)
    nominal = np.where(np.isfinite(ceilings.si.knock), ceilings.si.knock, ceilings.si.best_spark + SEARCHED)
    sampled = nominal[np.ix_(rows, columns)] - 4.0
    edge = knock_edge(ceilings, {"knock": (sampled, sampled + 8.0)})
    assert edge.sampled
    # A width that is the same everywhere is the same between the speeds sampled.
    assert edge.low[rows] == pytest.approx(nominal[rows] - 4.0, abs=1e-12)
    lighter = np.setdiff1d(np.arange(len(nominal)), rows)
    assert np.isinf(edge.low[lighter]).all()


def test_a_band_never_lifts_the_edge_above_the_nominal_and_a_gap_in_it_counts_as_the_widest(ceilings_of: Make) -> None:
    ceilings = ceilings_of("quarry-road")
    rows = np.searchsorted(ceilings.si.manifold_pressure, loads_that_knock(ceilings))
    columns = np.searchsorted(ceilings.si.speed, speeds_sampled(ceilings))
    nominal = np.where(np.isfinite(ceilings.si.knock), ceilings.si.knock, ceilings.si.best_spark + SEARCHED)[np.ix_(rows, columns)]
    high = knock_edge(ceilings, {"knock": (nominal + 5.0, nominal + 9.0)})
    assert (high.low[np.ix_(rows, columns)] <= nominal + 1e-12).all()
    gap = knock_edge(ceilings, {"knock": (np.full_like(nominal, np.nan), nominal)})
    assert gap.low[np.ix_(rows, columns)] == pytest.approx(knock_edge(ceilings).low[np.ix_(rows, columns)])

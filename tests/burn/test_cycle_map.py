"""From one cycle to the next: the published map, and the same map at constant mixture."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtri

from camcalc.burn.cycle_map import burned_fraction_spread, combustion_efficiency, kept_share, next_burned_fraction, next_charge

LOW, HIGH, STOICHIOMETRIC = 0.645, 0.665, 14.6
FRACTIONS = np.linspace(0.0, 0.95, 191)
ALL_BURNS = np.ones_like(FRACTIONS)
# Burns well up to half of burned gas and hardly beyond: one over the rest of a steep sigmoid.
STEEP = 1.0 / (1.0 + np.exp((FRACTIONS - 0.5) / 0.02))
shares = st.floats(0.0, 0.95)


def last_cycles(fresh_phi: float, kept: float, cycles: int = 500) -> list[tuple[float, float]]:
    """Equivalence ratio and fuel burned over fresh fuel of the last four cycles of the published map."""
    fuel, air, seen = 1.0, STOICHIOMETRIC / fresh_phi, []
    for _ in range(cycles):
        phi = STOICHIOMETRIC * fuel / air
        burns = combustion_efficiency(phi, low=LOW, high=HIGH)
        seen.append((phi, burns * fuel))
        fuel, air = next_charge(fuel, air, efficiency=burns, kept=kept, stoichiometric=STOICHIOMETRIC, new_fuel=1.0, new_air=STOICHIOMETRIC / fresh_phi)
    return seen[-4:]


@pytest.mark.reference("burn_efficiency_of_mixture.csv")
def test_the_share_burned_is_as_the_map_says(row: Any) -> None:
    row.check(combustion_efficiency(row.phi, low=LOW, high=HIGH))


@pytest.mark.reference("burn_cycle_map.csv")
def test_cycles_settle_where_the_map_does(row: Any) -> None:
    cycles = last_cycles(row.fresh_phi, row.kept)
    phi, burned = (max if row.cycle == "strong" else min)(cycles, key=lambda c: c[1])
    row.check(phi if row.figure == "phi" else burned)


@pytest.mark.reference("burn_alternation.csv")
def test_strong_and_weak_cycles_alternate_in_the_window_of_the_map(row: Any) -> None:
    searched = [round(0.640 + 0.004 * k, 3) for k in range(21)]
    alternating = []
    for phi in searched:
        a, b, c, d = (cycle[0] for cycle in last_cycles(phi, row.kept))
        if abs(c - d) > 1e-6:
            assert (a, b) == pytest.approx((c, d), abs=1e-6)
            alternating.append(phi)
    row.check(len(alternating))
    # Without a gap, from the first one on.
    assert alternating == [round(row.first + 0.004 * k, 3) for k in range(len(alternating))]


@given(fuel=st.floats(0.5, 2.0), air=st.floats(20.0, 40.0), efficiency=st.floats(0.0, 1.0), kept=st.floats(0.0, 0.5))
def test_what_stays_is_the_kept_share_and_no_fuel_is_lost(fuel: float, air: float, efficiency: float, kept: float) -> None:
    next_fuel, next_air = next_charge(fuel, air, efficiency=efficiency, kept=kept, stoichiometric=STOICHIOMETRIC, new_fuel=1.0, new_air=22.0)
    assert next_fuel - 1.0 == pytest.approx(kept * (1.0 - efficiency) * fuel, abs=1e-12)
    # Air that is not used by the burn stays in the same share.
    assert next_air - 22.0 == pytest.approx(kept * (air - STOICHIOMETRIC * efficiency * fuel), abs=1e-12)


@given(burned=st.floats(0.01, 0.9), completeness=shares)
def test_a_kept_share_brings_its_burned_fraction_back(burned: float, completeness: float) -> None:
    kept = kept_share(burned, completeness)
    assert float(next_burned_fraction(np.array(burned), kept, completeness)) == pytest.approx(burned, rel=1e-12)
    assert kept >= burned


@given(burned=shares, kept=shares)
def test_after_a_complete_burn_all_that_is_kept_is_burned_and_after_a_misfire_it_is_cleaner(burned: float, kept: float) -> None:
    after_full, after_none = (float(next_burned_fraction(np.array(burned), kept, made)) for made in (1.0, 0.0))
    assert after_full == pytest.approx(kept, abs=1e-15)
    assert after_none == pytest.approx(kept * burned, abs=1e-15)
    assert after_none <= after_full


@given(burned=st.floats(0.05, 0.9), kept=st.floats(0.05, 0.9), less=shares, more=shares)
def test_the_less_burns_the_cleaner_the_next_charge(burned: float, kept: float, less: float, more: float) -> None:
    less, more = sorted((less, more))
    assert float(next_burned_fraction(np.array(burned), kept, less)) <= float(next_burned_fraction(np.array(burned), kept, more))


def correlation(completeness: np.ndarray[Any, Any], burned: float, noise: float) -> float:
    """Of the burned fractions of successive cycles, a thousand of them, each keeping its share with noise."""
    kept = kept_share(burned, float(np.interp(burned, FRACTIONS, completeness)))
    rng, x, seen = np.random.default_rng(1), np.array(burned), []
    for draw in rng.standard_normal(1000):
        x = np.clip(next_burned_fraction(x, kept * (1.0 + noise * draw), np.interp(x, FRACTIONS, completeness)), 0.0, 0.98)
        seen.append(float(x))
    return float(np.corrcoef(seen[:-1], seen[1:])[0, 1])


def test_where_completeness_is_steep_a_weak_cycle_is_followed_by_a_strong_one() -> None:
    # Near the dilution limit successive cycles are anti-correlated, away from it they are not (published observation, read for its sign).
    assert correlation(STEEP, 0.48, 0.02) < -0.3
    # A thousand uncorrelated pairs scatter by 1/sqrt(1000); four of those.
    assert abs(correlation(ALL_BURNS, 0.48, 0.02)) < 4.0 / math.sqrt(1000.0)


@given(burned=st.floats(0.05, 0.7), noise=st.floats(0.01, 0.1), percentile=st.floats(0.02, 0.5))
def test_while_all_burns_the_spread_is_that_of_the_share_kept(burned: float, noise: float, percentile: float) -> None:
    found = burned_fraction_spread(burned, FRACTIONS, ALL_BURNS, noise=noise, percentile=percentile)
    sigma = noise * burned
    # A quantile of 6144 draws has a standard error of sqrt(q (1 - q) / 6144) over the normal density there; five of them.
    place = float(ndtri(percentile))
    error = math.sqrt(percentile * (1.0 - percentile) / 6144.0) * math.sqrt(2.0 * math.pi) * math.exp(0.5 * place**2)
    assert found.cleanest == pytest.approx(burned + place * sigma, abs=5.0 * error * sigma)
    assert found.mean == pytest.approx(burned, abs=5.0 * sigma / math.sqrt(6144.0))
    assert found.completeness == 1.0


def test_without_noise_and_away_from_the_limit_nothing_spreads() -> None:
    found = burned_fraction_spread(0.3, FRACTIONS, STEEP, noise=0.0, percentile=0.05)
    assert found.cleanest == pytest.approx(0.3, abs=1e-9)
    assert found.mean == pytest.approx(0.3, abs=1e-9)


@pytest.mark.parametrize("completeness", [ALL_BURNS, STEEP], ids=["all burns", "steep"])
@pytest.mark.parametrize("burned", [0.3, 0.46])
def test_more_noise_spreads_the_charge_further(completeness: Any, burned: float) -> None:
    cleanest = [burned_fraction_spread(burned, FRACTIONS, completeness, noise=n, percentile=0.05).cleanest for n in (0.01, 0.02, 0.04, 0.08)]
    assert all(b < a for a, b in itertools.pairwise(cleanest))


@given(burned=st.floats(0.1, 0.55), one=st.floats(0.001, 0.5), other=st.floats(0.001, 0.5))
def test_a_smaller_share_of_cycles_is_cleaner_still(burned: float, one: float, other: float) -> None:
    one, other = sorted((one, other))
    few, many = (burned_fraction_spread(burned, FRACTIONS, STEEP, noise=0.05, percentile=p).cleanest for p in (one, other))
    assert few <= many


def test_incomplete_burns_make_the_cleanest_cycle_cleaner() -> None:
    full, partial = (burned_fraction_spread(0.48, FRACTIONS, c, noise=0.05, percentile=0.05) for c in (ALL_BURNS, STEEP))
    assert partial.cleanest < full.cleanest - 0.05
    assert partial.completeness < 1.0


def test_the_same_charge_spreads_the_same_each_time() -> None:
    first, second = (burned_fraction_spread(0.45, FRACTIONS, STEEP, noise=0.05, percentile=0.05) for _ in range(2))
    assert first == second

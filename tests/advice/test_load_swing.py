"""How far a cylinder's charge strays from the load its spark was looked up for: closed form against a simulated sequence, and what a log replaces."""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from camcalc import InputError
from camcalc.advice.load_swing import DEVIATIONS, WIDEST_SWING, LoadSwing, firings_held, load_swing, pressure_about_signal
from camcalc.constants import AIR_GAS_CONSTANT

Make = Callable[..., Any]


def simulated(noise: float, firings: float, interval: float, lag: float, count: int = 200_000) -> float:
    """The plenum stepped finely from firing to firing by its own equation, the signal behind it; no closed form in it."""
    rng = np.random.default_rng(5)
    fine = 40
    off, signal, apart = 0.0, 0.0, np.empty(count)
    for k, drawn in enumerate(noise * rng.normal(size=count)):
        for _ in range(fine):  # d(off)/dt = -(off + drawn)/n per firing
            off -= (off + drawn) / firings / fine
        signal += (1.0 - math.exp(-interval / lag)) * (off - signal)
        apart[k] = off - signal
    return float(apart[1000:].std())


@pytest.mark.parametrize(("firings", "lag"), [(16.0, 0.02), (16.0, 1.0), (3.0, 0.05), (0.5, 0.02)])
def test_the_closed_form_is_a_simulated_sequence_s_scatter(firings: float, lag: float) -> None:
    assert pressure_about_signal(0.04, firings, 0.0107, lag) == pytest.approx(simulated(0.04, firings, 0.0107, lag, 60_000), rel=0.03)


@given(noise=st.floats(0.001, 0.2), firings=st.floats(0.3, 60.0), interval=st.floats(0.002, 0.1), lags=st.tuples(st.floats(0.001, 1.0), st.floats(0.001, 1.0)))
def test_a_slower_signal_is_further_off_and_never_further_than_the_plenum_itself_and_what_it_forgot(
    noise: float, firings: float, interval: float, lags: tuple[float, float]
) -> None:
    quick, slow = (pressure_about_signal(noise, firings, interval, lag) for lag in sorted(lags))
    assert quick <= slow + 1e-12
    a = 1.0 - math.exp(-1.0 / firings)
    assert slow <= noise * math.sqrt(a / (2.0 - a)) + 1e-12


def test_without_a_lag_the_signal_is_the_pressure() -> None:
    assert pressure_about_signal(0.1, 10.0, 0.01, 0.0) == 0.0


def an_engine(build: Any) -> Any:
    return SimpleNamespace(build=build, geometry=SimpleNamespace(cylinders=build.engine.cylinders))


def a_spread(charge: float, pressure: float = 50e3) -> Any:
    return SimpleNamespace(mean=SimpleNamespace(speed=1400.0 / 60.0, manifold_pressure=pressure, air=2e-4), charge_deviation=charge)


def test_the_plenum_holds_its_air_over_what_a_firing_draws(build_of: Make) -> None:
    build = build_of("quarry-road")
    held = 50e3 * build.engine.si.plenum_volume / (AIR_GAS_CONSTANT * build.site.si.air_temperature)
    assert firings_held(an_engine(build), a_spread(0.0)) == pytest.approx(held / 2e-4, rel=1e-12)


def test_throttles_of_their_own_swing_wider_than_one_plenum(build_of: Make) -> None:
    build = build_of("quarry-road")
    own = build.replace(engine=build.engine.replace(intake="individual throttles"))
    common, alone = (load_swing(an_engine(b), a_spread(0.04)) for b in (build, own))
    assert firings_held(an_engine(own), a_spread(0.04)) == pytest.approx(firings_held(an_engine(build), a_spread(0.04)) / build.engine.cylinders)
    assert alone.pressure > common.pressure
    assert alone.charge == common.charge == 0.04


def test_a_charge_that_holds_still_swings_nowhere(build_of: Make) -> None:
    swing = load_swing(an_engine(build_of("quarry-road")), a_spread(0.0))
    assert (swing.lighter, swing.fuller, swing.measured) == (0.0, 0.0, False)


def test_a_measured_swing_stands_for_the_computed_one_and_the_cylinder_s_own_scatter_stays(build_of: Make) -> None:
    build = build_of("quarry-road")
    told = build.replace(limits=build.limits.replace(load_swing=0.05))
    swing = load_swing(an_engine(told), a_spread(0.12))
    assert swing == LoadSwing(0.05, 0.12, measured=True)
    assert swing.lighter == pytest.approx(DEVIATIONS * 0.05)
    assert swing.fuller == pytest.approx(DEVIATIONS * 0.13)


def test_two_deviations_leave_a_fortieth_beyond_each_edge_and_no_swing_is_followed_without_end() -> None:
    beyond = (np.random.default_rng(1).normal(size=400_000) > DEVIATIONS).mean()
    assert beyond == pytest.approx(0.0228, abs=0.001)
    assert LoadSwing(0.6, 0.1).lighter == LoadSwing(0.1, 0.6).fuller == WIDEST_SWING


@pytest.mark.parametrize("came", [0.4, "5 %", -0.1])
def test_a_sheet_s_swing_is_a_share_that_a_car_can_make(build_of: Make, came: Any) -> None:
    build = build_of("quarry-road")
    with pytest.raises(InputError, match=r"load_swing"):
        build.limits.replace(load_swing=came)

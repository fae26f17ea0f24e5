"""The plenum: filling an empty vessel and washing one out as textbooks have it, mass, burned gas and energy kept, slopes against finer differences."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from camcalc.cycle.gas_kernel import gas_table, properties
from camcalc.drive.plenum import (
    PlenumGas,
    plenum_gas_of,
    plenum_pressure,
    plenum_rates,
    plenum_slopes,
    plenum_state,
    throttle_area,
    throttle_flow,
)
from camcalc.engine.gas import fuel_data

Make = Callable[..., Any]
Array = NDArray[np.float64]
# Invented: three litres at sea level on a warm day.
PLENUM = PlenumGas(gas_table(fuel_data("gasoline", 1.0)), 3e-3, 101_325.0, 298.0)
AREA = 1e-4


def rates(state: Array, losses: Any, area: float = AREA) -> Array:
    out = np.empty(3)
    plenum_rates(PLENUM, np.asarray(state), area, np.asarray(losses, dtype=float), out)
    return out


def inner_energy(temperature: float, burned: float) -> float:
    """Energy of a kilogram [J]."""
    r, _, h, _, _ = properties(PLENUM.gas, temperature, burned)
    return float(h - r * temperature)


def enthalpy(temperature: float, burned: float) -> float:
    return float(properties(PLENUM.gas, temperature, burned)[2])


OUTSIDE = enthalpy(PLENUM.ambient_temperature, 0.0)


def run(function: Callable[[float, Array], Array], start: Any, lasts: float) -> Array:
    found = solve_ivp(function, (0.0, lasts), start, method="DOP853", rtol=1e-12, atol=1e-14 * np.abs(start).max())
    assert found.success
    return np.asarray(found.y[:, -1])


@pytest.mark.parametrize("share", [0.3, 0.9])
def test_an_empty_vessel_that_fills_ends_with_the_enthalpy_of_the_air(share: float) -> None:
    empty = 1e-8 * plenum_state(PLENUM, share * PLENUM.ambient_pressure, PLENUM.ambient_temperature, 0.0)[0]
    flow = throttle_flow(PLENUM, AREA, 0.0)
    full = PLENUM.volume * share * PLENUM.ambient_pressure / (1.3 * 287.0 * PLENUM.ambient_temperature)

    def fills(t: float, x: Array) -> Array:
        # In the logarithm of mass, since a tiny mass warms at once.
        state = np.array([math.exp(x[0]), x[1], 0.0])
        mass, warms, _ = rates(state, np.zeros(3))
        return np.array([mass / state[0], warms])

    mass, temperature = run(fills, np.array([math.log(empty), PLENUM.ambient_temperature]), full / flow)
    assert math.exp(mass) > 1e6 * empty
    assert inner_energy(temperature, 0.0) == pytest.approx(OUTSIDE, rel=1e-6)
    warm = brentq(lambda t: inner_energy(t, 0.0) - OUTSIDE, 300.0, 600.0, xtol=1e-9)
    assert temperature == pytest.approx(warm, rel=1e-6)
    # Textbook: gamma times the temperature of the air, for a specific heat that does not change; between 298 and 410 K it rises by some 4 %.
    r, cp, *_ = properties(PLENUM.gas, PLENUM.ambient_temperature, 0.0)
    assert temperature == pytest.approx(cp / (cp - r) * PLENUM.ambient_temperature, rel=0.02)


def test_burned_gas_is_washed_out_exponentially() -> None:
    start = plenum_state(PLENUM, 40e3, 350.0, 0.3)
    flow = throttle_flow(PLENUM, AREA, 40e3)
    time = start[0] / flow

    def washes(t: float, x: Array) -> Array:
        return rates(x, [flow, flow * x[2], flow * enthalpy(x[1], x[2])])

    for turns in (0.5, 2.0):
        end = run(washes, start, turns * time)
        assert plenum_pressure(PLENUM, end) < 50e3  # choked throughout, so that the flow stays
        assert end[0] == pytest.approx(start[0], rel=1e-12)
        assert end[2] == pytest.approx(0.3 * math.exp(-turns), rel=1e-9)


@given(pressure=st.floats(30e3, 105e3), temperature=st.floats(290.0, 600.0), burned=st.floats(0.0, 0.6), losses=st.tuples(*[st.floats(-1.0, 1.0)] * 3))
def test_what_is_held_changes_by_what_comes_and_goes(pressure: float, temperature: float, burned: float, losses: tuple[float, ...]) -> None:
    state = plenum_state(PLENUM, pressure, temperature, burned)
    mass, _, _ = state
    into = throttle_flow(PLENUM, AREA, pressure)
    leaves = np.array(losses) * 0.05 * np.array([1.0, 1.0, 4e5])
    gained, warms, mixes = rates(state, leaves)
    r, cp, _, more, more_r = properties(PLENUM.gas, temperature, burned)
    burned_rate = mass * mixes + burned * gained
    energy_rate = gained * inner_energy(temperature, burned) + mass * ((cp - r) * warms + (more - more_r * temperature) * mixes)
    assert gained == pytest.approx(into - leaves[0], abs=1e-15)
    assert burned_rate == pytest.approx(-leaves[1], abs=1e-15)
    assert energy_rate == pytest.approx(into * OUTSIDE - leaves[2], abs=1e-12 * 0.05 * 2e7)  # enthalpies of formation cancel: some 2e7 J/kg of the fuel


@pytest.mark.parametrize(("pressure", "temperature", "burned", "swing"), [(40e3, 420.0, 0.2, 0.8), (70e3, 350.0, 0.05, 0.5), (90e3, 500.0, 0.4, 0.3)])
def test_mass_burned_gas_and_energy_are_kept_over_a_swing(pressure: float, temperature: float, burned: float, swing: float) -> None:
    start = plenum_state(PLENUM, pressure, temperature, burned)
    flow = throttle_flow(PLENUM, AREA, pressure)

    def both(t: float, x: Array) -> Array:
        # What leaves swings; so does the burned part of it, which comes back at times.
        mass = flow * (1.0 + swing * math.sin(60.0 * t))
        losses = mass * np.array([1.0, 0.3 * math.cos(23.0 * t), enthalpy(400.0, 0.2)])
        into = throttle_flow(PLENUM, AREA, plenum_pressure(PLENUM, x[:3]))
        return np.concatenate([rates(x[:3], losses), [into - losses[0], -losses[1], into * OUTSIDE - losses[2]]])

    mass, warm, mixed, *came = run(both, np.array([*start, 0.0, 0.0, 0.0]), 0.1)
    assert abs(mixed - burned) > 0.01
    assert abs(warm - temperature) > 1.0
    before = start[0], start[0] * burned, start[0] * inner_energy(temperature, burned)
    after = mass, mass * mixed, mass * inner_energy(warm, mixed)
    for old, new, more, size in zip(before, after, came, (start[0], start[0], start[0] * abs(OUTSIDE)), strict=True):
        assert new - old == pytest.approx(more, abs=1e-9 * size)


@pytest.mark.parametrize(("pressure", "burned"), [(35e3, 0.02), (52e3, 0.2), (75e3, 0.3), (92e3, 0.0)])
def test_slopes_are_those_of_finer_differences(pressure: float, burned: float) -> None:
    state = plenum_state(PLENUM, pressure, 420.0, burned)
    flow = throttle_flow(PLENUM, AREA, pressure)
    losses = np.array([flow, 0.3 * flow * burned, flow * enthalpy(430.0, burned)])
    found = plenum_slopes(PLENUM, state, AREA, losses)

    def slope(f: Callable[[float], Array], step: float) -> Array:
        # Five points: exact but for the fifth power of the step.
        return (8.0 * (f(step) - f(-step)) - f(2.0 * step) + f(-2.0 * step)) / (12.0 * step)

    for k, step in enumerate((1e-3 * state[0], 0.3, 1e-3)):
        unit = np.eye(3)[k]
        by = slope(lambda h, unit=unit: rates(state + h * unit, losses), step)  # type: ignore[misc]
        assert found.own[:, k] == pytest.approx(by, rel=1e-5, abs=1e-6 * np.abs(by).max())
        seen = slope(lambda h, unit=unit: np.array([plenum_pressure(PLENUM, state + h * unit)]), step)  # type: ignore[misc]
        assert found.seen[0, k] == pytest.approx(seen[0], rel=1e-6)
        assert np.array_equal(found.seen[1:, k], unit[1:])
        more = losses.copy()
        more[k] += 0.1 * flow  # straight: any step
        assert found.losses[:, k] == pytest.approx((rates(state, more) - rates(state, losses)) / (0.1 * flow), rel=1e-6, abs=1e-9 * abs(state[1] / state[0]))
    assert found.area == pytest.approx((rates(state, losses, 2.0 * AREA) - rates(state, losses)) / AREA, rel=1e-9)


@given(pressure=st.floats(20e3, 100e3), temperature=st.floats(280.0, 700.0), burned=st.floats(0.0, 1.0))
def test_a_state_has_the_pressure_that_was_asked_for(pressure: float, temperature: float, burned: float) -> None:
    state = plenum_state(PLENUM, pressure, temperature, burned)
    assert plenum_pressure(PLENUM, state) == pytest.approx(pressure, rel=1e-12)
    assert tuple(state[1:]) == (temperature, burned)


@given(pressure=st.floats(20e3, 101e3), flow=st.floats(1e-3, 0.1))
def test_an_area_lets_in_what_it_was_asked_for(pressure: float, flow: float) -> None:
    area = throttle_area(PLENUM, pressure, flow)
    assert throttle_flow(PLENUM, area, pressure) == pytest.approx(flow, rel=1e-12)


@pytest.mark.parametrize("above", [0.0, 1.0, 20e3])
def test_nothing_flows_back_out_through_the_throttle(above: float) -> None:
    pressure = PLENUM.ambient_pressure + above
    assert throttle_flow(PLENUM, AREA, pressure) == 0.0
    assert throttle_area(PLENUM, pressure, 0.01) == math.inf


def test_a_build_has_its_plenum_with_or_without_its_runners(build_of: Make) -> None:
    build = build_of("quarry-road")
    engine = build.engine.si
    alone, whole = (plenum_gas_of(build, runners=runners) for runners in (False, True))
    assert alone.volume == pytest.approx(engine.plenum_volume, rel=1e-12)
    assert whole.volume - alone.volume == pytest.approx(build.engine.cylinders * engine.intake_runner_volume, rel=1e-12)
    assert (alone.ambient_pressure, alone.ambient_temperature) == (whole.ambient_pressure, whole.ambient_temperature)

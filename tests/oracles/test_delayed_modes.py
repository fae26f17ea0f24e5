"""Modes of loops with delays: exact cases, an independent library's approximants, and a count of all roots by the argument principle."""

from __future__ import annotations

import math
from typing import Any

import control
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from camcalc.errors import InputError, NoSolutionError
from camcalc.vehicle.modes import Mode, oscillating_modes

from .delayed_modes import DelayedModes, delayed_modes


def scalar(value: float) -> Any:
    return np.array([[value]])


@given(delay=st.floats(0.01, 3.0))
def test_an_integrator_of_its_own_past_swings_for_ever_at_a_quarter_turn(delay: float) -> None:
    gain = math.pi / (2.0 * delay)
    found = delayed_modes(scalar(0.0), [(scalar(-gain), delay)], fastest=0.5 / delay)
    (mode,) = found.modes
    assert abs(mode.root - 1j * gain) < 1e-11 * gain
    assert abs(mode.damping) < 1e-11
    assert found.residual < 1e-12


@given(decay=st.floats(-0.95, 0.2), imaginary=st.floats(0.3, 12.0), delay=st.floats(0.02, 0.2))
def test_a_root_put_into_a_loop_is_found(decay: float, imaginary: float, delay: float) -> None:
    # s = a + b exp(-s T) with a and b chosen so that the root is there; modes dead within the delay are not looked for.
    s = complex(decay / delay, imaginary)
    b = s.imag / np.exp(-s * delay).imag
    a = s.real - b * np.exp(-s * delay).real
    roots = [mode.root for mode in delayed_modes(scalar(a), [(scalar(b), delay)], fastest=12.0).modes]
    assert min(abs(root - s) for root in roots) < 1e-9 * abs(s)


def test_without_delays_the_modes_are_the_eigenvalues() -> None:
    state = np.array([[0.0, 1.0, 0.0], [-40.0, -2.0, 1.0], [0.0, 0.0, -1.0]])
    (mode,) = oscillating_modes(state)
    assert delayed_modes(state, [], fastest=10.0) == DelayedModes((mode,), 0)
    assert delayed_modes(state, [(np.zeros((3, 3)), 0.1)], fastest=10.0).modes == (mode,)
    assert mode.frequency == pytest.approx(math.sqrt(40.0) / (2.0 * math.pi), rel=1e-12)
    assert mode.damping == pytest.approx(1.0 / math.sqrt(40.0), rel=1e-12)
    assert delayed_modes(state, [], fastest=0.5).modes == ()


def example_loop() -> tuple[Any, Any]:
    """A lightly damped swing, a lag, and two signals that come late by different times."""
    state = np.array([[0.0, 1.0, 0.0], [-210.0, -2.5, 0.0], [0.0, 7.0, -7.0]])
    first, second = np.zeros((3, 3)), np.zeros((3, 3))
    first[1, 2], second[1, 1] = -2.0, 0.9
    return state, [(first, 0.06), (second, 0.021)]


def test_another_librarys_approximants_close_in_on_the_roots() -> None:
    state, delayed = example_loop()
    exact = delayed_modes(state, delayed, fastest=10.0).least_damped(1.0, 5.0)
    assert exact is not None
    errors = []
    for order in (1, 2, 3, 5):
        plant = control.ss(state, np.array([[0.0, 0.0], [1.0, 1.0], [0.0, 0.0]]), np.array([[0.0, 0.0, -2.0], [0.0, 0.9, 0.0]]), np.zeros((2, 2)))
        late = [control.ss(control.tf(*control.pade(delay, order))) for _, delay in delayed]
        poles = control.feedback(plant, control.append(*late), sign=1).poles()
        errors.append(float(np.min(np.abs(poles - exact.root))))
    assert errors == sorted(errors, reverse=True)
    assert errors[0] > 1e-4
    assert errors[-1] < 1e-9


def turns_around(state: Any, delayed: Any, corners: list[complex], steps: int) -> int:
    """Count roots inside a polygon: turns of the characteristic determinant along it."""
    path = np.concatenate([np.linspace(a, b, steps, endpoint=False) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)])
    values = [np.linalg.det(s * np.eye(len(state)) - state - sum(m * np.exp(-s * t) for m, t in delayed)) for s in path]
    ratio = np.array([*values[1:], values[0]]) / np.array(values)
    assert np.max(np.abs(np.angle(ratio))) < 1.0  # fine enough to follow the phase
    return round(float(np.sum(np.angle(ratio))) / (2.0 * math.pi))


@given(seed=st.integers(0, 10_000), size=st.integers(2, 4), delays=st.lists(st.floats(0.02, 0.15), min_size=1, max_size=2))
@settings(max_examples=15)
def test_no_mode_is_missed(seed: int, size: int, delays: list[float]) -> None:
    random = np.random.default_rng(seed)
    state = 12.0 * random.standard_normal((size, size))
    delayed = [(4.0 * random.standard_normal((size, size)), delay) for delay in delays]
    # The box lies within the frequencies asked for, and right of it no root can be: the matrices' norms are too small.
    left, right, low, high = -0.9 * len(delays) / sum(delays), 120.0, 0.5, 33.0
    found = delayed_modes(state, delayed, fastest=21.0)
    if any(min(abs(m.root.real - left), abs(m.root.imag - low), abs(m.root.imag - high)) < 0.2 for m in found.modes):
        return  # too near the edge to be counted from outside
    inside = [m for m in found.modes if m.root.real > left and low < m.root.imag < high]
    box = [complex(left, low), complex(right, low), complex(right, high), complex(left, high)]
    assert len(inside) == turns_around(state, delayed, box, 1500)


@given(factor=st.floats(0.01, 100.0))
def test_the_unit_of_time_does_not_matter(factor: float) -> None:
    state, delayed = example_loop()
    plain = delayed_modes(state, delayed, fastest=8.0)
    scaled = delayed_modes(state / factor, [(m / factor, t * factor) for m, t in delayed], fastest=8.0 / factor)
    assert [m.root for m in plain.modes] == pytest.approx([m.root * factor for m in scaled.modes], rel=1e-9)


def test_the_least_damped_mode_of_a_band() -> None:
    found = DelayedModes((Mode(-1 + 10j), Mode(-0.5 + 30j), Mode(-0.1 + 90j)), 4)
    assert found.least_damped(1.0, 6.0) == Mode(-0.5 + 30j)
    assert found.least_damped(20.0, 30.0) is None


@pytest.mark.parametrize("delay", [0.0, -0.1, math.nan, math.inf])
def test_a_delay_that_cannot_be_is_refused(delay: float) -> None:
    with pytest.raises(InputError, match="more than 0 s"):
        delayed_modes(scalar(-1.0), [(scalar(1.0), delay)], fastest=1.0)


@pytest.mark.parametrize("matrix", [np.zeros((2, 2)), np.zeros(1), np.array([[math.nan]])])
def test_a_matrix_that_does_not_fit_is_refused(matrix: Any) -> None:
    with pytest.raises(InputError, match="1 by 1"):
        delayed_modes(scalar(-1.0), [(matrix, 0.1)], fastest=1.0)


def test_a_search_beyond_what_approximants_reach_says_so() -> None:
    with pytest.raises(NoSolutionError, match="do not settle"):
        delayed_modes(scalar(0.0), [(scalar(-1.0), 1.0), (scalar(-300.0), 1.0)], fastest=200.0)

"""Roots of a loop as a function of complex frequency: one memory in closed form, polynomials, roots outside, borders that are refused."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from camcalc.errors import NoSolutionError
from camcalc.vehicle.characteristic import Region, count_zeros, followed, newton, roots_in

Complex = NDArray[np.complex128]
INERTIA = 0.25


def one_memory(a: float, b: float, turn: float, late: float) -> Callable[[Complex], Complex]:
    """J s (1 - a exp(-s turn)) - b exp(-s late): an inertia whose torque remembers a share of the cycle before."""
    return lambda s: INERTIA * s * (1.0 - a * np.exp(-s * turn)) - b * np.exp(-s * late)


def on_the_edge(w: float, turn: float, late: float) -> tuple[float, float]:
    """Memory and torque per speed for which i w is a root, from its real and imaginary part."""
    a = math.cos(w * late) / math.cos(w * (late - turn))
    return a, -INERTIA * w * math.sin(w * turn) / math.cos(w * (late - turn))


# Shares from -0.04 to 0.9.
EDGES = [(40.0, 0.06, 0.04), (31.0, 0.07, 0.045), (12.0, 0.15, 0.1), (9.0, 0.2, 0.12), (6.0, 0.14, 0.09)]


@pytest.mark.parametrize(("w", "turn", "late"), EDGES)
def test_a_loop_with_one_memory_has_the_root_that_was_chosen(w: float, turn: float, late: float) -> None:
    function = one_memory(*on_the_edge(w, turn, late), turn, late)
    found = newton(function, 1.03j * w - 0.02 * w)
    assert found is not None
    assert found == pytest.approx(1j * w, rel=1e-12)


@pytest.mark.parametrize(("w", "turn", "late"), EDGES)
def test_as_the_root_crosses_the_axis_one_more_or_less_is_counted(w: float, turn: float, late: float) -> None:
    a, b = on_the_edge(w, turn, late)
    s = 1j * w
    slope = INERTIA * (1.0 - a * cmath.exp(-s * turn)) + INERTIA * s * a * turn * cmath.exp(-s * turn) + b * late * cmath.exp(-s * late)
    moves = (cmath.exp(-s * late) / slope).real * b  # growth per share of the torque, by the implicit function
    grows = Region(0.0, 0.05 * w, 0.95 * w, 1.05 * w)
    more, less = (count_zeros(one_memory(a, b * (1.0 + way * 1e-3), turn, late), grows) for way in (1.0, -1.0))
    assert (more, less) == ((1, 0) if moves > 0.0 else (0, 1))


complexes = st.builds(complex, st.floats(-3.0, 3.0), st.floats(-3.0, 3.0))
BOX = Region(-1.0, 1.5, -1.2, 2.0)


def polynomial(roots: list[complex]) -> Callable[[Complex], Complex]:
    return lambda s: np.prod([s - root for root in roots], axis=0)


def off_the_border(roots: list[complex]) -> bool:
    """Whether no root lies so close to the border that it is a matter of rounding."""
    return all(min(abs(r.real - BOX.left), abs(r.real - BOX.right), abs(r.imag - BOX.low), abs(r.imag - BOX.high)) > 1e-3 for r in roots)


@given(roots=st.lists(complexes, min_size=1, max_size=6))
def test_of_a_polynomial_those_inside_are_counted_and_none_outside(roots: list[complex]) -> None:
    assume(off_the_border(roots))
    assert count_zeros(polynomial(roots), BOX) == sum(BOX.holds(root) for root in roots)


@given(roots=st.lists(complexes, min_size=1, max_size=5), known=st.lists(st.integers(0, 4), max_size=5))
@settings(max_examples=20)
def test_all_inside_are_found_whichever_are_known(roots: list[complex], known: list[int]) -> None:
    assume(off_the_border(roots))
    assume(all(abs(a - b) > 0.2 for k, a in enumerate(roots) for b in roots[:k]))
    assume(all(abs(root) > 1e-2 for root in roots))
    inside = sorted((root for root in roots if BOX.holds(root)), key=abs)
    found = roots_in(polynomial(roots), BOX, [roots[k % len(roots)] for k in known])
    assert len(found) == len(inside)
    for root in inside:
        assert min(abs(root - other) for other in found) < 1e-9


def test_a_root_outside_is_left_out_though_it_is_known() -> None:
    function = polynomial([0.5j, 3.0 + 0.5j])
    assert roots_in(function, BOX, [0.5j, 3.0 + 0.5j]) == [0.5j]
    assert roots_in(function, Region(-1.0, 1.0, 1.0, 2.0), [0.5j]) == []


def test_a_pole_inside_counts_against_a_root_unless_it_is_told() -> None:
    def function(s: Complex) -> Complex:
        return (s - 0.5j) * (s - 1.0) / (s - 0.3)

    assert count_zeros(function, BOX) == 1
    assert len(roots_in(function, BOX, [0.5j], poles=1)) == 2


def test_fewer_found_than_counted_are_refused() -> None:
    with pytest.raises(NoSolutionError, match="of 2 roots"):
        roots_in(polynomial([0.5j]), BOX, [0.5j], poles=1)


@pytest.mark.parametrize("where", [-1.0 + 0.3j, 1.5 + 0.0j, 0.2 - 1.2j, 0.37 + 2.0j, -1.0 - 1.2j], ids=["left", "right", "low", "high", "corner"])
def test_a_zero_or_a_pole_on_the_border_is_refused(where: complex) -> None:
    with pytest.raises(NoSolutionError, match="border"):
        count_zeros(lambda s: s - where, BOX)
    with np.errstate(divide="ignore", invalid="ignore"), pytest.raises(NoSolutionError, match="border"):
        count_zeros(lambda s: 1.0 / (s - where), BOX)


@given(frequency=st.floats(2.0, 40.0), damping=st.floats(-0.2, 0.6), later=st.floats(2.0, 40.0), less=st.floats(-0.2, 0.6))
def test_a_root_is_followed_to_where_it_goes(frequency: float, damping: float, later: float, less: float) -> None:
    def swing(w: float, z: float) -> complex:
        return w * complex(-z, math.sqrt(1.0 - z * z))

    def family(share: float) -> Callable[[Complex], Complex]:
        w, z = frequency + share * (later - frequency), damping + share * (less - damping)
        return lambda s: s * s + 2.0 * z * w * s + w * w

    found = followed(family, swing(frequency, damping))
    assert found is not None
    assert found == pytest.approx(swing(later, less), rel=1e-9)


def test_a_root_that_goes_beyond_all_bounds_is_not_followed() -> None:
    assert followed(lambda share: lambda s: (1.0 - share) * s - 1j, 1j) is None


def test_a_leash_holds_newton_back() -> None:
    def far(s: Complex) -> Complex:
        return s - 10j

    assert newton(far, 1j, leash=5.0) is None
    assert newton(far, 1j) == pytest.approx(10j, rel=1e-12)


def test_where_nothing_changes_there_is_no_root() -> None:
    assert newton(lambda s: np.ones_like(s), 1j) is None

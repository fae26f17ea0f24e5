"""The surrogate: exact in what it claims of itself, and close where a figure is smooth."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from camcalc.choose.emulated import Emulated, emulate

Array = NDArray[np.float64]


def vacuum_like(cards: Array, tolerances: Array) -> Array:
    """A figure that falls along the first feature as an idle vacuum does, whose slopes by tolerances change over cards."""
    fall = 20.0 - 15.0 / (1.0 + np.exp(-4.0 * (cards[:, 0] - 0.5))) + 3.0 * cards[:, 1] - cards[:, 0] * cards[:, 1]
    return fall + (1.0 + cards[:, 0]) * 1.2 * tolerances[:, 0] + 0.5 * tolerances[:, 1] + 0.2 * cards[:, 1] * tolerances[:, 2]


@pytest.fixture(scope="module")
def drawn() -> tuple[Emulated, Array, Array, Array]:
    rng = np.random.default_rng(1)
    cards, tolerances = rng.random((70, 3)), 2.0 * rng.random((70, 14)) - 1.0
    tolerances[:24] = 0.0
    values = vacuum_like(cards, tolerances)
    return emulate(cards, tolerances, values), cards, tolerances, values


def test_what_it_was_not_drawn_through_it_misses_by_about_the_error_it_claims(drawn: tuple[Emulated, Array, Array, Array]) -> None:
    rng = np.random.default_rng(2)
    cards, tolerances = rng.random((400, 3)), 2.0 * rng.random((400, 14)) - 1.0
    found = drawn[0]
    missed = found.nominal(cards) + (found.by_tolerance(cards) * tolerances).sum(axis=1) - vacuum_like(cards, tolerances)
    actual = float(np.sqrt(np.mean(missed**2)))
    assert actual < 0.05 * float(np.std(drawn[3]))
    assert 0.4 < found.error / actual < 2.5


def test_errors_of_runs_left_out_are_those_of_drawing_it_without_them(drawn: tuple[Emulated, Array, Array, Array]) -> None:
    found, cards, tolerances, values = drawn
    for k in (3, 40):
        rest = np.arange(values.size) != k
        # The same scale and middle, so that the prior is the same.
        middle, scale = found.middle, found.scale
        standard = emulate(cards, tolerances, values, start=found.logs)
        assert standard.missed[k] == pytest.approx(found.missed[k])
        without = _without(found, cards[rest], tolerances[rest], (values[rest] - middle) / scale)
        at = middle + scale * without(cards[k], tolerances[k])
        assert values[k] - at == pytest.approx(found.missed[k], rel=1e-6)


def _without(found: Emulated, cards: Array, tolerances: Array, y: Array):  # type: ignore[no-untyped-def]
    """Predict with the same figures of the surrogate through other runs, written out plainly."""
    from camcalc.choose.emulated import FREE, LEAST_NOISE, SLOPE_REACH

    def covariance(a: Array, ta: Array, b: Array, tb: Array) -> Array:
        apart = (((a[:, None] - b[None]) / found.reach) ** 2).sum(axis=2)
        return FREE * (1.0 + a @ b.T) + found.amplitude**2 * np.exp(-0.5 * apart) + ((ta * found.slopes**2) @ tb.T) * np.exp(-0.5 * apart / SLOPE_REACH**2)

    whole = covariance(cards, tolerances, cards, tolerances) + (np.exp(2.0 * found.logs[-1]) + LEAST_NOISE**2) * np.eye(y.size)
    weights = np.linalg.solve(whole, y)
    return lambda card, row: float((covariance(card[None], row[None], cards, tolerances) @ weights)[0])


def test_the_answer_is_the_same_bits_each_time(drawn: tuple[Emulated, Array, Array, Array]) -> None:
    found, cards, tolerances, values = drawn
    again = emulate(cards, tolerances, values)
    assert (again.weights == found.weights).all()

"""Emulators and posteriors against exact answers: polynomials, conjugate normal distributions, another integration."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from camcalc.measured.emulator import Emulators, fit_emulator
from camcalc.measured.posterior import posterior_of, prior_draws
from camcalc.measured.prior import standard_to_unit


def inputs(cars: int, count: int) -> np.ndarray:
    return np.random.default_rng(3).uniform(-1.0, 1.0, (cars, count))


def test_an_emulator_finds_a_polynomial_and_reports_the_noise_on_it() -> None:
    x = inputs(96, 6)
    y = 50.0 + 4.0 * x[:, 0] - 3.0 * x[:, 1] + x[:, 0] * x[:, 1] + 0.5 * x[:, 2] ** 2
    exact = fit_emulator(x, y)
    assert exact is not None
    assert exact.error < 0.02
    noise = 0.3 * np.random.default_rng(4).normal(size=len(x))
    rough = fit_emulator(x, y + noise)
    assert rough is not None
    # What it calls its error is what it misses on cars that it has not seen.
    fresh = np.random.default_rng(5).uniform(-1.0, 1.0, (400, 6))
    truth = 50.0 + 4.0 * fresh[:, 0] - 3.0 * fresh[:, 1] + fresh[:, 0] * fresh[:, 1] + 0.5 * fresh[:, 2] ** 2
    missed = math.sqrt(float(np.mean((rough(fresh) - truth) ** 2)) + 0.3**2)
    assert rough.error == pytest.approx(missed, rel=0.3)


def test_a_figure_without_answers_has_no_emulator() -> None:
    x, y = inputs(64, 3), np.full(64, np.nan)
    y[:30] = 1.0
    assert fit_emulator(x, y) is None


def test_several_emulators_in_one_go_are_each_alone_and_their_slopes_are_differences() -> None:
    x = inputs(64, 7)
    alone = [fit_emulator(x, np.sin(x @ np.random.default_rng(k).normal(size=7))) for k in range(3)]
    together = Emulators.of([one for one in alone if one is not None], 7)
    assert np.allclose(together(x), np.column_stack([one(x) for one in alone if one is not None]), rtol=1e-12, atol=1e-12)
    at, step = x[5], 1e-6
    for k in range(7):
        up, down = at.copy(), at.copy()
        up[k], down[k] = at[k] + step, at[k] - step
        assert together.slopes(at)[:, k] == pytest.approx((together(up[None])[0] - together(down[None])[0]) / (2.0 * step), abs=1e-6)


def test_a_straight_reading_of_normal_inputs_leaves_the_conjugate_answer() -> None:
    # Exact: prior N(0, I), readings y = A z + e, e ~ N(0, S).
    rng = np.random.default_rng(8)
    a, deviations = rng.normal(size=(3, 6)), np.array([0.3, 0.5, 1.0])
    y = a @ rng.normal(size=6) + deviations * rng.normal(size=3)
    covariance = np.linalg.inv(np.eye(6) + a.T @ np.diag(deviations**-2.0) @ a)
    mean = covariance @ a.T @ (y / deviations**2)
    found = posterior_of(lambda z: (y - z @ a.T) / deviations, lambda z: -a / deviations[:, None], 6, scale=float(np.log(deviations).sum()))
    assert found.effective > 1000.0
    assert found.mean(found.draws) == pytest.approx(mean, abs=0.03)
    spread = found.mean(found.draws**2) - found.mean(found.draws) ** 2
    assert spread == pytest.approx(np.diag(covariance), rel=0.05)
    evidence = multivariate_normal(np.zeros(3), a @ a.T + np.diag(deviations**2)).logpdf(y)
    assert found.log_evidence == pytest.approx(float(evidence), abs=0.02)


def test_a_curved_reading_agrees_with_a_plain_integration() -> None:
    # One input, evenly spread from -1 to 1, read through its square: two humps that no straight line has. Integrated by the trapezium rule.
    def misfit(z: np.ndarray) -> np.ndarray:
        return (0.35 - (standard_to_unit(z) + 0.3) ** 2) / 0.1

    def slopes(z: np.ndarray) -> np.ndarray:
        return -2.0 * (standard_to_unit(z) + 0.3)[:, None] * 2.0 * norm.pdf(z)[:, None] / 0.1

    found = posterior_of(misfit, slopes, 1, scale=math.log(0.1))
    grid = np.linspace(-1.0, 1.0, 20001)
    likely = np.exp(-0.5 * ((0.35 - (grid + 0.3) ** 2) / 0.1) ** 2) / (0.1 * math.sqrt(2.0 * math.pi)) / 2.0
    evidence = float(np.trapezoid(likely, grid))
    mean = float(np.trapezoid(grid * likely, grid)) / evidence
    assert found.mean(standard_to_unit(found.draws))[0] == pytest.approx(mean, abs=0.03)
    assert found.log_evidence == pytest.approx(math.log(evidence), abs=0.05)


def test_draws_are_the_same_each_time_and_resampling_keeps_the_distribution() -> None:
    def misfit(z: np.ndarray) -> np.ndarray:
        return np.asarray(1.0 - z[:, :1]) / 0.5

    one, two = (posterior_of(misfit, lambda z: np.array([[-2.0, 0.0]]), 2) for _ in range(2))
    assert np.array_equal(one.draws, two.draws)
    assert np.array_equal(one.weights, two.weights)
    drawn = one.resampled(400)
    assert drawn.mean(axis=0) == pytest.approx(one.mean(one.draws), abs=0.05)
    assert np.array_equal(prior_draws(2), prior_draws(2))
    low, high = one.quantiles(one.draws[:, 0], (0.1, 0.9))
    assert (low, high) == pytest.approx(norm(0.8, math.sqrt(0.2)).ppf([0.1, 0.9]), abs=0.03)

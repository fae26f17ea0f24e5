"""A surrogate of one figure over cards and tolerances, with its error measured by leaving each run out."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Emulated", "emulate"]

Array = NDArray[np.float64]

# Priors of the surrogate's own figures, as logarithms of shares of the spread of what it is drawn through, and how firmly each holds; they keep a fit
# to few runs from reading noise as shape. ESTIMATE, none chosen by a result: a card's figure moves over about a whole range, one tolerance by a tenth.
AMPLITUDE, REACH, SLOPE, NOISE = (0.0, 1.0), (0.0, 0.7), (-2.3, 1.2), (-3.5, 1.0)
# Slopes by the tolerances change over cards half as fast as the figure itself; the straight trend over cards is left free.
SLOPE_REACH, FREE = 2.0, 100.0
LEAST_NOISE = 1e-4


class Emulated(NamedTuple):
    """A figure drawn through runs: ``nominal`` over cards, plus tolerances (from -1 to 1) times slopes that change over cards.

    ``error`` is the root mean square of what each run was missed by when it was left out; ``straight`` is the factor from standardised figures back.
    """

    cards: Array
    scale: float
    middle: float
    reach: Array
    amplitude: float
    slopes: Array
    weights: Array
    drawn: Array
    missed: Array
    values: Array
    logs: Array

    def nominal(self, cards: Array) -> Array:
        """Return the figure of cards, shape (n, features) from 0 to 1, without tolerances."""
        straight = FREE * (1.0 + cards @ self.cards.T)
        found: Array = (straight + self.amplitude**2 * _alike(cards, self.cards, self.reach)) @ self.weights
        return self.middle + self.scale * found

    def by_tolerance(self, cards: Array) -> Array:
        """Return what a whole half-width of each tolerance adds, shape (n, tolerances)."""
        alike = _alike(cards, self.cards, SLOPE_REACH * self.reach)
        return self.scale * (alike @ (self.drawn * self.weights[:, None])) * self.slopes**2

    def at(self, cards: Array, tolerances: Array) -> Array:
        """Return the figure of every card under every set of tolerances, shape (cards, sets)."""
        return self.nominal(cards)[:, None] + self.by_tolerance(cards) @ tolerances.T

    @property
    def error(self) -> float:
        """Root mean square of what runs are missed by when left out, in the figure's measure."""
        return float(np.sqrt(np.mean(self.missed**2)))

    def error_near(self, limit: float) -> float:
        """Return the same of the half of all runs that are nearest to a limit: where a verdict hangs on it."""
        order = np.argsort(np.abs(self.values - limit), kind="stable")[: max(self.values.size // 2, 4)]
        return float(np.sqrt(np.mean(self.missed[order] ** 2)))


def emulate(cards: Array, tolerances: Array, values: Array, *, start: Array | None = None) -> Emulated:
    """Return a surrogate through runs.

    Parameters
    ----------
    cards : array, shape (runs, features)
        From 0 to 1 over the cards' own range.
    tolerances : array, shape (runs, tolerances)
        From -1 to 1 over each half-width; zero where a run is without.
    values : array, shape (runs,)
        The figure, in its own unit.
    start : array, shape (2 + features + tolerances,)
        Logarithms, no unit, of the surrogate's own scale factors, as ``logs`` of an earlier one through fewer of the runs; fitted when left out.

    Notes
    -----
    A Gaussian process: a straight trend left free, a squared-exponential part over cards, and for each tolerance a slope that is one over cards, with a
    nugget. Its figures maximise the likelihood under weak priors. Errors of runs left out are exact for the fitted figures.

    References
    ----------
    Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, equations 2.25, 5.9 and 5.12 (from memory).

    Examples
    --------
    >>> import numpy as np
    >>> cards = np.linspace(0.0, 1.0, 12)[:, None]
    >>> tolerances = np.cos(7.0 * np.arange(12.0))[:, None]
    >>> found = emulate(cards, tolerances, 3.0 * cards[:, 0] ** 2 + 0.5 * tolerances[:, 0])
    >>> float(np.abs(found.at(np.array([[0.5]]), np.array([[1.0], [-1.0]])) - [1.25, 0.25]).max()) < 0.02
    True
    """
    from scipy.optimize import minimize

    middle, scale = float(np.mean(values)), float(np.std(values)) or 1.0
    y = (values - middle) / scale
    features, uncertain = cards.shape[1], tolerances.shape[1]
    apart = (cards[:, None, :] - cards[None, :, :]) ** 2
    straight = FREE * (1.0 + cards @ cards.T)
    means = np.array([AMPLITUDE[0], *[REACH[0]] * features, *[SLOPE[0]] * uncertain, NOISE[0]])
    firm = np.array([AMPLITUDE[1], *[REACH[1]] * features, *[SLOPE[1]] * uncertain, NOISE[1]])

    def parts(logs: Array) -> tuple[Array, Array, Array, Array]:
        amplitude, reach, slopes = np.exp(2.0 * logs[0]), np.exp(logs[1 : 1 + features]), np.exp(2.0 * logs[1 + features : -1])
        away = (apart / reach**2).sum(axis=2)
        over_cards, slow = amplitude * np.exp(-0.5 * away), np.exp(-0.5 * away / SLOPE_REACH**2)
        by_tolerances = ((tolerances * slopes) @ tolerances.T) * slow
        return straight + over_cards + by_tolerances + (np.exp(2.0 * logs[-1]) + LEAST_NOISE**2) * np.eye(y.size), over_cards, by_tolerances, slow

    def cost(logs: Array) -> tuple[float, Array]:
        whole, over_cards, by_tolerances, slow = parts(logs)
        reach, slopes = np.exp(logs[1 : 1 + features]), np.exp(2.0 * logs[1 + features : -1])
        inverse = np.linalg.inv(whole)
        weights = inverse @ y
        gap = inverse - np.outer(weights, weights)
        by_reach = np.tensordot(gap * (over_cards + by_tolerances / SLOPE_REACH**2), apart, axes=2) / reach**2
        by_slope = 2.0 * slopes * ((gap * slow) @ tolerances * tolerances).sum(axis=0)
        slope = np.array([2.0 * np.sum(gap * over_cards), *by_reach, *by_slope, 2.0 * np.exp(2.0 * logs[-1]) * np.trace(gap)])
        away = (logs - means) / firm
        return float(0.5 * y @ weights + 0.5 * np.linalg.slogdet(whole)[1] + 0.5 * away @ away), 0.5 * slope + away / firm

    logs = start
    if logs is None:
        logs = minimize(cost, means, jac=True, method="L-BFGS-B", bounds=[(-8.0, 4.0)] * means.size, options={"maxiter": 150}).x
    whole = parts(logs)[0]
    inverse = np.linalg.inv(whole)
    weights = inverse @ y
    return Emulated(
        cards=cards,
        scale=scale,
        middle=middle,
        reach=np.exp(logs[1 : 1 + features]),
        amplitude=float(np.exp(logs[0])),
        slopes=np.exp(logs[1 + features : -1]),
        weights=weights,
        drawn=tolerances,
        missed=scale * weights / np.diag(inverse),
        values=values,
        logs=logs,
    )


def _alike(one: Array, other: Array, reach: Array) -> Array:
    """Return how alike cards are, shape (n, m)."""
    apart = ((one[:, None, :] - other[None, :, :]) / reach) ** 2
    found: Array = np.exp(-0.5 * apart.sum(axis=2))
    return found

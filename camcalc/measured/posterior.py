"""What readings leave of what was not known: the most likely inputs, and draws of them with weights, on smooth stand-ins for the engine."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import gammaincinv, ndtr, ndtri
from scipy.stats import multivariate_t, qmc

__all__ = ["Posterior", "posterior_of", "prior_draws"]

Array = NDArray[np.float64]

# Degrees of freedom of the draws' distribution, whose tails must be no thinner than the posterior's; common practice, no source.
FREEDOM = 12.0
# Draws are spread wider than the straight-line posterior by this; ESTIMATE.
WIDER = 1.1
# One draw in so many is from the prior; ESTIMATE.
PLAIN = 5
# 2**POWER draws; more, up to the last, where so few of them carry the answer.
POWERS, FEWEST = (13, 15, 17), 200.0
SEED = 20260
JITTER = 1e-9


class Posterior(NamedTuple):
    """Draws of standard normal inputs, shape (draws, inputs), with weights that add up to one; effective number of draws, log of the evidence; the
    most likely inputs, and half the sum of squares of these and of the misfit there."""

    draws: Array
    weights: Array
    effective: float
    log_evidence: float
    centre: Array
    cost: float

    def mean(self, values: Array) -> Array:
        """Return the weighted mean of values of the draws, along their first axis."""
        return np.asarray(self.weights @ values)

    def quantiles(self, values: Array, shares: tuple[float, ...]) -> Array:
        """Return weighted quantiles of values of the draws, shape (draws,)."""
        order = np.argsort(values)
        below = np.cumsum(self.weights[order]) - 0.5 * self.weights[order]
        return np.interp(shares, below, values[order])

    def resampled(self, count: int) -> Array:
        """Return so many draws of equal weight, by systematic resampling: the same ones each time."""
        at = (np.arange(count) + 0.5) / count
        picked = np.searchsorted(np.cumsum(self.weights), at)
        return self.draws[np.minimum(picked, len(self.draws) - 1)]


@functools.lru_cache(maxsize=16)
def prior_draws(inputs: int, power: int = POWERS[0]) -> Array:
    """Return quasi-random draws of standard normal inputs, shape (2**power, inputs).

    >>> prior_draws(3, power=4).shape
    (16, 3)
    """
    points = qmc.Sobol(inputs, rng=np.random.default_rng(SEED)).random_base2(power)
    draws: Array = ndtri(np.clip(points, 1e-6, 1.0 - 1e-6))
    draws.setflags(write=False)
    return draws


def posterior_of(
    misfit: Callable[[Array], Array], slopes: Callable[[Array], Array], inputs: int, *, scale: float = 0.0, start: int | None = None
) -> Posterior:
    """Return what readings leave of standard normal inputs.

    Parameters
    ----------
    misfit : callable
        From inputs, shape (draws, inputs), to readings less predictions, each over its own standard deviation, shape (draws, readings).
    slopes : callable
        From one set of inputs, shape (inputs,), to how the misfit changes with each, shape (readings, inputs).
    inputs : int
        How many; before the readings each is standard normal and by itself.
    scale : float
        Log of the product of the readings' standard deviations, each in its own unit, taken off the evidence.
    start : int
        An input that the search begins at one and at minus one as well as at none: one whose sign is not known, or that cannot be below none.

    Returns
    -------
    Posterior

    Notes
    -----
    The most likely inputs by least squares, then draws from a t distribution about them, weighted by how likely they are over how often they are
    drawn (importance sampling from a mixture with the prior, textbook). The mean of the weights is the evidence.

    Examples
    --------
    One input, one reading of it as close as the input was known: half the variance is left.

    >>> found = posterior_of(lambda z: 1.0 - z[:, :1], lambda z: -np.ones((1, 1)), 1)
    >>> round(float(found.mean(found.draws)[0]), 2), round(float(found.mean(found.draws**2)[0] - 0.25), 2)
    (0.5, 0.5)
    """

    def residuals(z: Array) -> Array:
        return np.concatenate([z, misfit(z[None, :])[0]])

    def steepness(z: Array) -> Array:
        return np.vstack([np.eye(inputs), slopes(z)])

    begins = [np.zeros(inputs)]
    if start is not None:
        begins = [np.where(np.arange(inputs) == start, at, 0.0) for at in (1.0, -1.0, 0.1)]
    found = min((least_squares(residuals, begin, jac=steepness, method="trf") for begin in begins), key=lambda one: float(one.cost))
    centre = found.x
    covariance = np.linalg.inv(found.jac.T @ found.jac + JITTER * np.eye(inputs)) * WIDER**2
    covariance = 0.5 * (covariance + covariance.T)
    shape = covariance * (FREEDOM - 2.0) / FREEDOM
    root = np.linalg.cholesky(shape)
    for power in POWERS:
        # Quasi-random normals over quasi-random chi-squares: the t distribution.
        points = prior_draws(inputs + 1, power)
        chi = 2.0 * gammaincinv(FREEDOM / 2.0, np.clip(ndtr(points[:, -1]), 1e-9, 1.0 - 1e-9)) / FREEDOM
        draws = centre + (points[:, :-1] @ root.T) / np.sqrt(chi)[:, None]
        # A share of the draws is from what was known before, in case the readings leave two places that this one hump does not reach.
        # Which ones is left to chance: a part of a quasi-random series by its numbers is no longer even.
        plain = np.random.default_rng(SEED).permutation(len(draws))[: len(draws) // PLAIN]
        draws[plain] = prior_draws(inputs, power)[: len(plain)]
        off = misfit(draws)
        log_likely = -0.5 * (off**2).sum(axis=1) - 0.5 * off.shape[1] * np.log(2.0 * np.pi) - scale
        log_prior = -0.5 * (draws**2).sum(axis=1) - 0.5 * inputs * np.log(2.0 * np.pi)
        log_drawn = np.atleast_1d(multivariate_t(loc=centre, shape=shape, df=FREEDOM).logpdf(draws))
        log_weight = log_likely + log_prior - np.logaddexp(log_drawn + math.log(1.0 - 1.0 / PLAIN), log_prior - math.log(PLAIN))
        weights = np.exp(log_weight - log_weight.max())
        if weights.sum() ** 2 / (weights**2).sum() >= FEWEST:
            break
    top = float(log_weight.max())
    evidence = top + float(np.log(weights.mean()))
    weights /= weights.sum()
    return Posterior(draws, weights, float(1.0 / (weights**2).sum()), evidence, centre, float(found.cost))

"""What stands in for the engine while thousands of cars are looked at: smooth functions of its unknown inputs, with the error they were seen to have."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Emulator", "Emulators", "fit_emulator"]

Array = NDArray[np.float64]

# How many inputs that move a figure most are also looked at in pairs.
PAIRED = 5
# Ridge penalties tried, over the number of samples; that with the least error left out is taken.
PENALTIES = tuple(10.0**k for k in range(-6, 1))
# A figure with an answer at fewer of the samples than this share has no emulator.
LEAST_ANSWERS = 0.6


class Emulator(NamedTuple):
    """A figure over inputs from -1 to 1: constant, straight and squared terms, pairs of those that matter most; ``error`` is the r.m.s. of each sample
    predicted from the others, ``spread`` the figure's own standard deviation, ``answers`` the share of samples that had one."""

    centre: float
    scale: float
    weights: Array
    pairs: tuple[tuple[int, int], ...]
    error: float
    spread: float
    answers: float

    def __call__(self, x: Array) -> Array:
        """Return the figure at inputs, shape (samples, inputs)."""
        return np.asarray(self.centre + self.scale * (_features(np.atleast_2d(x), self.pairs) @ self.weights))


class Emulators(NamedTuple):
    """Several figures over the same inputs, answered in one go: weights of constant, straight, squared and pair terms, shape (terms, figures)."""

    weights: Array
    pairs: tuple[tuple[int, int], ...]
    inputs: int

    @staticmethod
    def of(several: Sequence[Emulator], inputs: int) -> Emulators:
        """Return figures put together; pairs that only some look at count for those alone."""
        pairs = tuple(sorted({pair for one in several for pair in one.pairs}))
        weights = np.zeros((1 + 2 * inputs + len(pairs), len(several)))
        for k, one in enumerate(several):
            first = 1 + 2 * inputs
            weights[:first, k] = one.scale * one.weights[:first]
            weights[0, k] += one.centre
            for pair, weight in zip(one.pairs, one.weights[first:], strict=True):
                weights[first + pairs.index(pair), k] = one.scale * weight
        return Emulators(weights, pairs, inputs)

    def __call__(self, x: Array) -> Array:
        """Return the figures at inputs, shape (samples, figures)."""
        return np.asarray(_features(x, self.pairs) @ self.weights)

    def slopes(self, x: Array) -> Array:
        """Return the figures' slopes at one set of inputs, shape (figures, inputs)."""
        terms = np.zeros((len(self.weights), self.inputs))
        own = np.arange(self.inputs)
        terms[1 + own, own] = 1.0
        terms[1 + self.inputs + own, own] = 2.0 * x
        for k, (a, b) in enumerate(self.pairs):
            terms[1 + 2 * self.inputs + k, a] += x[b]
            terms[1 + 2 * self.inputs + k, b] += x[a]
        return np.asarray(self.weights.T @ terms)


def _features(x: Array, pairs: tuple[tuple[int, int], ...]) -> Array:
    squares = x**2 - 1.0 / 3.0
    both = [x[:, a] * x[:, b] for a, b in pairs]
    return np.column_stack([np.ones(len(x)), x, squares, *both])


def fit_emulator(x: Array, y: Array) -> Emulator | None:
    """Fit a figure over inputs; None where too few samples have an answer, or it does not move.

    Parameters
    ----------
    x : array, shape (samples, inputs)
        From -1 to 1.
    y : array, shape (samples,)
        The figure; not-a-number without an answer.

    Returns
    -------
    Emulator or None

    Notes
    -----
    Ridge regression; each sample left out in turn by the hat matrix (textbook), so the error is that of figures not fitted to.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> x = rng.uniform(-1.0, 1.0, (64, 4))
    >>> found = fit_emulator(x, 3.0 + 2.0 * x[:, 0] - x[:, 1] ** 2)
    >>> bool(found.error < 0.01), round(float(found(np.array([[0.5, 0.0, 0.0, 0.0]]))[0]), 2)
    (True, 4.0)
    """
    known = np.isfinite(y)
    answers = float(known.mean())
    if answers < LEAST_ANSWERS or known.sum() < 8:
        return None
    x, y = x[known], y[known]
    centre, scale = float(y.mean()), float(y.std())
    if scale <= 1e-12 * max(abs(centre), 1e-300):
        return Emulator(centre, 0.0, np.zeros(1 + 2 * x.shape[1]), (), 0.0, 0.0, answers)
    target = (y - centre) / scale
    straight = np.linalg.lstsq(np.column_stack([np.ones(len(x)), x]), target, rcond=None)[0][1:]
    most = sorted(int(k) for k in np.argsort(-np.abs(straight))[:PAIRED])
    pairs = tuple((a, b) for a in most for b in most if a < b)
    design = _features(x, pairs)
    shrunk = np.ones(design.shape[1])
    # Of a constant nothing is shrunk; of straight terms less than of curved ones.
    shrunk[0], shrunk[1 : 1 + x.shape[1]] = 1e-9, 0.1
    best: tuple[float, Array] | None = None
    for penalty in PENALTIES:
        inverse = np.linalg.inv(design.T @ design + penalty * len(x) * np.diag(shrunk))
        hat = np.einsum("ij,jk,ik->i", design, inverse, design)
        weights = inverse @ design.T @ target
        left_out = (target - design @ weights) / np.maximum(1.0 - hat, 1e-6)
        error = float(np.sqrt(np.mean(left_out**2)))
        if best is None or error < best[0]:
            best = error, weights
    assert best is not None
    return Emulator(centre, scale, best[1], pairs, best[0] * scale, scale, answers)

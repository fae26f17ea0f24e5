"""The mode in which a car swings, told by a log: its damping from short spectra of engine speed, the spark's hold on it from how damping goes with slope.

A mode shaken by a random torque: ``x'' + 2 a x' + w^2 x = g s' + n'`` with engine speed x, spark s and forcing n; a is its decay rate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

__all__ = ["AROUND_MODE", "Belief", "Block", "Hold", "Mode", "decays_of", "fitted", "mode_of", "taper"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# What is within this share of the frequency is taken for the mode's swing; ESTIMATE, as in the surge finder.
AROUND_MODE = 0.35
# Damping ratios of the swing as it is, and of the car on a level table, that are tried; frequencies over the one found.
DAMPING = np.geomspace(5e-4, 0.7, 36)
OWN = np.geomspace(0.004, 0.6, 28)
BESIDE = np.linspace(-0.09, 0.09, 13)
# How far a block's frequency lies from that of all: a share, one standard deviation. ESTIMATE.
STRAYS = 0.02
# White noise of sensors, as a share of all in the band: tried one by one.
FLOORS = np.array([0.0, 0.003, 0.01, 0.03, 0.1])
# Hann windows that overlap by half: their bins are not independent of one another. Their worth, textbook (Welch's method).
WORTH = 0.51
# What spark forces is no more than this share of all.
MOST = 0.97
# Of what a degree of spark does the logarithm is tried so many standard deviations either way, at so many points.
WIDE, POINTS = 2.5, 15


class Belief(NamedTuple):
    """What is known before the log: of the car's own damping ratio on a level table, and of ``g``, what a degree of spark does to the crank
    [rev/s2 per crank deg]; each a middle and a factor, one standard deviation."""

    damping: tuple[float, float]
    per_degree: tuple[float, float]


class Block(NamedTuple):
    """A short piece of the log: its middle [s], the piece before it that overlaps it (-1 for none), angular frequencies of its bins [rad/s], spectra.

    ``x`` is engine speed, ``turned`` is ``x' + w^2`` times its integral, the others spark by its parts and what else may force the swing.
    """

    middle: float
    follows: int
    rows: int
    step: float
    band: Array
    x: Complex
    turned: Complex
    others: dict[str, Complex]


class Mode(NamedTuple):
    """What the log and what was known before it say of the mode, draw by draw over the log's own blocks.

    ``own`` is the decay rate on a level table [1/s], ``per_degree`` is g [rev/s2 per crank deg].
    """

    own: Array
    per_degree: Array


def taper(count: int) -> Array:
    """Return a Hann window with a mean square of one."""
    window = np.sin(np.pi * (np.arange(count) + 0.5) / count) ** 2
    return np.asarray(window / np.sqrt(np.mean(window**2)))


def decays_of(frequency: float) -> Array:
    """Return the decay rates of the swing that are tried [1/s], for a frequency [Hz]."""
    return 2.0 * math.pi * frequency * DAMPING


def fitted(blocks: Sequence[Block], frequency: float) -> Array:
    """Return how likely each decay rate of ``decays_of`` is in each block: logarithms, shape (blocks, decay rates).

    Each block's spectrum is held against that of the mode as its window shows it, so that a narrow line seen through a short window is not taken for
    a well damped one. How strong the forcing is and how large the sensor's noise is left open.

    Parameters
    ----------
    blocks : sequence of Block
    frequency : float [Hz]

    References
    ----------
    Whittle's likelihood with the expected spectrum of the window (from memory: Sykulski and others, Biometrika 2019, the debiased Whittle likelihood).
    """
    shapes: dict[int, tuple[Array, Array]] = {}
    found = np.empty((len(blocks), BESIDE.size, DAMPING.size))
    for k, block in enumerate(blocks):
        if block.rows not in shapes:
            expected = _shapes(block, frequency)
            shapes[block.rows] = 1.0 / expected, np.log(expected).sum(axis=-1)
        inverse, logarithms = shapes[block.rows]
        power = np.abs(block.x) ** 2
        each = -WORTH * (power.size * np.log(inverse @ power / power.size) + logarithms)
        found[k] = each.max(axis=0)
    together = logsumexp(found, axis=2).sum(axis=0)
    middle = BESIDE[int(np.argmax(together))]
    return np.asarray(logsumexp(found - 0.5 * ((BESIDE - middle) / STRAYS)[:, None] ** 2, axis=1))


def _shapes(block: Block, frequency: float) -> Array:
    """Return the spectra that a block's window would show, shape (floors, frequencies, decay rates, bins), with a mean of one."""
    after = np.arange(block.rows) * block.step
    window = taper(block.rows)
    kept = np.correlate(window, window, "full")[block.rows - 1 :] / block.rows
    waves = np.cos(np.outer(after, block.band))
    waves[1:] *= 2.0
    out = np.empty((FLOORS.size, BESIDE.size, DAMPING.size, block.band.size))
    for i, beside in enumerate(BESIDE):
        w = 2.0 * math.pi * frequency * (1.0 + beside)
        a = np.minimum(DAMPING, 0.98)[:, None] * w
        damped = np.sqrt(w**2 - a**2)
        memory = np.exp(-a * after) * (np.cos(damped * after) - a / damped * np.sin(damped * after))
        shape = np.maximum((memory * kept) @ waves, 1e-12)
        shape /= shape.mean(axis=-1, keepdims=True)
        out[:, i] = (1.0 - FLOORS)[:, None, None] * shape + FLOORS[:, None, None]
    return out


class Hold(NamedTuple):
    """What the log itself says of g by the spark that comes without the swing: by draw its logarithm and the doubt
    about that, infinite where it says nothing."""

    logarithm: Array
    doubt: Array


def mode_of(likely: Array, feeds: Array, forced: Array, weights: Array, frequency: float, belief: Belief, hold_seen: Hold, rng: np.random.Generator) -> Mode:
    """Return the car's own decay rate and the spark's hold, one draw for each row of weights.

    In a block where spark goes with speed by f and with the forcing by b the swing decays at ``(own - g f / 2) / (1 - g b)``.

    Parameters
    ----------
    likely : array, shape (blocks, decay rates) [logarithm of a likelihood, no unit]
        Of ``fitted``.
    feeds : array, shape (draws, blocks) [crank deg per rev/s]
        Real part of how spark goes with speed.
    forced : array, shape (draws,) [crank deg per rev/s2]
        Real part of how it goes with the forcing.
    weights : array, shape (draws, blocks) [times, no unit]
        How often each block counts in each draw.
    frequency : float [Hz]
    belief : Belief
        What is known before.
    hold_seen : Hold
        What the log says of g.
    rng : Generator
    """
    w = 2.0 * math.pi * frequency
    standard = np.linspace(-WIDE, WIDE, POINTS)
    own, hold = OWN * w, belief.per_degree[0] * belief.per_degree[1] ** standard
    before = -0.5 * (np.log(OWN / belief.damping[0]) / math.log(belief.damping[1]))[:, None] ** 2 - 0.5 * standard**2
    at, most = np.log(decays_of(frequency)), DAMPING.size - 1
    # The rates tried rise by one factor: a logarithm is a place among them.
    per_place, flat = most / (at[-1] - at[0]), np.ravel(likely)
    drawn = np.empty((len(weights), 2))
    for k, (counts, feed, force) in enumerate(zip(weights, feeds, forced, strict=True)):
        # A draw leaves out a third of the blocks.
        drawn_ones = np.flatnonzero(counts)
        decay = (own[:, None, None] - 0.5 * hold[:, None] * feed[drawn_ones]) / (1.0 - np.clip(hold * force, -MOST, MOST))[:, None]
        where = np.minimum(np.maximum((np.log(np.maximum(decay, 1e-9)) - at[0]) * per_place, 0.0), float(most))
        low = np.minimum(where.astype(np.int64), most - 1)
        share = where - low
        low += drawn_ones * DAMPING.size
        here = flat[low]
        value = here + share * (flat[low + 1] - here)
        counts = counts[drawn_ones]
        seen = 0.5 * ((np.log(hold) - hold_seen.logarithm[k]) / hold_seen.doubt[k]) ** 2
        odds = (before + value @ counts - seen).ravel()
        odds = np.exp(odds - odds.max())
        one = int(np.searchsorted(np.cumsum(odds), rng.random() * odds.sum()))
        i, j = divmod(min(one, odds.size - 1), POINTS)
        drawn[k] = own[i], hold[j]
    return Mode(drawn[:, 0], drawn[:, 1])

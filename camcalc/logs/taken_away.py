"""How far a swing would go without what may cause it: by how much it falls with spark held level, burns half as uneven, the pedal held, a correction frozen.

The swing's energy is lost to the car's own damping, so what spark adds to it in phase with speed, over that loss, is the share of the swing's mean square
that is spark's, whether spark follows speed (feedback, which takes damping away) or comes by itself (forcing). How far the car's own damping and the
torque of a degree of spark are known says how far that share is: from the log where slopes differ over it, from the build, else from what cars have.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..codes import Code
from ..results import Record
from .swing_mode import MOST, WORTH, Belief, Block, Hold, Mode, decays_of, fitted, mode_of
from .swing_parts import PARTS

Array = NDArray[np.float64]

# Forcing has a colour, a swing is no pure mode: the logarithm of what is left without a part of spark is known to this share. ESTIMATE.
MODEL_DOUBT = 0.3
# Of burns half as rough to this: the pure mode has it exactly, fuel and air that follow the swing are not in it. ESTIMATE.
BURN_DOUBT = 0.1
# A pedal that swings by less of its travel, as an amplitude, is held: a twentieth of what a tip-in moves. ESTIMATE.
PEDAL_MOVES = 0.0075
# Places of channels in sums of their products.
SPEED, FIRST_PART, PEDAL, BY_HALF = 0, 2, 2 + len(PARTS), 3 + len(PARTS)

__all__ = ["ANY_CAR", "PEDAL_MOVES", "Remedy", "TakenAway", "Weighed", "taken_away", "weighed"]

# What cars have: a damping ratio of 0.05 to 0.15 in first to third gear (from memory), and 1 N m per degree of spark at light load on an inertia of
# 0.2 kg m2; each within a factor of two, one standard deviation. ESTIMATE.
ANY_CAR = Belief((0.08, 2.0), (1.0 / 0.2 / (2.0 * math.pi), 2.0))
# Draws over the log's blocks, two that overlap taken together; band of 90 %. So few blocks tell nothing.
DRAWS, BAND, LEAST_BLOCKS = 60, (0.05, 0.95), 2
# From so many blocks on an episode is told by its own, else by all of its swing's. ESTIMATE.
OWN_BLOCKS = 8
# No swing decays slower than this share of its angular frequency: a log of minutes does not tell them apart.
STILL = 5e-4
# Two signals go together by chance where their coherence times its bins is no more than this; from exponential statistics, one in fifty (textbook).
TOGETHER = 4.0
# What remains of doubt about g told by forcing: colour of what forces, a swing that is no pure mode. ESTIMATE.
SEEN_DOUBT = 0.3
# Half the variation of burns leaves a quarter of their mean square (exact).
HALVED = 0.75
# Below this share of its squared trace the determinant of a fit is taken for none.
SINGULAR = 1e-9
# Amplitudes over the one there is between which the swing with burns half as rough is looked for, and halvings of the search.
SMALLEST, LARGEST, HALVINGS = 0.02, 1.5, 24


class Remedy(Code):
    """What is held or frozen to see how far the swing goes without it."""

    TABLE_LEVEL = "the spark table level"
    SPARK_LEVEL = "spark held level"
    BURN_HALVED = "burns and fuel half as rough"
    PEDAL_HELD = "the pedal held"
    KNOCK_RETARD_FROZEN = "knock retard frozen"
    CORRECTION_FROZEN = "other spark corrections frozen"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class TakenAway(Record):
    """By which share the swing's amplitude falls with a remedy, and the band of 90 % of it; below zero it grows: what is taken away has damped it.

    ``on_level`` is the share where no slope feeds the swing, of burns half as rough alone.
    """

    remedy: Remedy
    share: float
    low: float
    high: float
    first: float = math.nan
    on_level: float = math.nan


class Weighed(NamedTuple):
    """A swing's mode draw by draw; of its blocks the middles [s], sums of products of channels (blocks, channels, channels), how often each counts.

    ``together`` is the sums of all blocks, draw by draw. ``in_phase`` is the coherence of forcing and of spark that comes by itself, as far as they are
    in phase; ``chance`` is what chance gives of it.
    """

    middle: Array
    sums: NDArray[np.complex128]
    bins: Array
    mode: Mode
    counts: Array
    together: NDArray[np.complex128]
    in_phase: float
    chance: float


class _Follows(NamedTuple):
    """How a part of spark goes with the swing: coefficient on speed [crank deg per rev/s] by draw and block, and on its forcing by draw."""

    feed: Array
    forced: Array


def weighed(blocks: Sequence[Block], frequency: float, belief: Belief, seed: int = 0) -> Weighed | None:
    """Return the mode of a swing from its blocks, nothing where they are too few.

    Parameters
    ----------
    blocks : sequence of Block
    frequency : float [Hz]
    belief : Belief
        What is known of car and engine before the log is.
    seed : int
        Of the draws.
    """
    if len(blocks) < LEAST_BLOCKS:
        return None
    rng = np.random.default_rng(seed)
    counts, sums, bins = _drawn_counts(blocks, rng), _sums(blocks), np.array([float(block.x.size) for block in blocks])
    likely = fitted(blocks, frequency)
    decays = decays_of(frequency)
    all_blocks = np.tensordot(counts, sums, 1)
    each = _follows(sums, all_blocks, PARTS)
    seen = [_hold_seen(whole, float(one @ bins), float(decays[np.argmax(one @ likely)])) for whole, one in zip(all_blocks, counts, strict=True)]
    mode = mode_of(likely, each.feed, each.forced, counts, frequency, belief, Hold(*np.transpose(seen)), rng)
    _, together, in_phase = _forced_alone(sums.sum(axis=0), float(decays[np.argmax(likely.sum(axis=0))]))
    chance = TOGETHER / (WORTH * float(bins.sum()))
    return Weighed(np.array([block.middle for block in blocks]), sums, bins, mode, counts, all_blocks, in_phase * together, chance)


def taken_away(found: Weighed, start: float, end: float, parts: dict[Remedy, tuple[str, ...]], frequency: float) -> tuple[TakenAway, ...]:
    """Return what each remedy takes from the swing of an episode, most first; nothing where too few blocks lie in it.

    Parameters
    ----------
    found : Weighed
        The swing's mode.
    start, end : float [s]
        Of the episode.
    parts : dict of Remedy to tuple of str
        Which parts of spark each remedy holds.
    frequency : float [Hz]
    """
    inside = (found.middle >= start) & (found.middle <= end)
    if inside.sum() < LEAST_BLOCKS:
        return ()
    own = inside.sum() >= OWN_BLOCKS
    # The window's mean square is one, half of a spectrum's is left out.
    pedal = bool(np.sqrt(4.0 * np.mean(found.sums[inside, PEDAL, PEDAL].real)) >= PEDAL_MOVES)
    left, forcing = _draws(found, inside, parts, STILL * 2.0 * math.pi * frequency, own=own, pedal=pedal)
    remedies = [*parts, Remedy.BURN_HALVED] + ([Remedy.PEDAL_HELD] if pedal else [])
    left = np.maximum(left, 1e-12)
    doubt = np.random.default_rng(1).normal(size=(DRAWS, 1))
    left[:, : len(parts)] **= np.exp(MODEL_DOUBT * doubt)
    left[:, len(parts)] **= np.exp(BURN_DOUBT * doubt[:, 0])
    shares = 1.0 - np.sqrt(left)
    best = shares.argmax(axis=1)
    low, middle, high = np.quantile(shares, [BAND[0], 0.5, BAND[1]], axis=0)
    out = [TakenAway(remedy=r, share=float(middle[i]), low=float(low[i]), high=float(high[i]), first=float(np.mean(best == i))) for i, r in enumerate(remedies)]
    burns = len(parts)
    out[burns] = out[burns].replace(on_level=float(np.median(1.0 - np.sqrt(forcing))))
    return tuple(sorted(out, key=lambda one: -one.share))


def _draws(found: Weighed, inside: NDArray[np.bool_], parts: dict[Remedy, tuple[str, ...]], still: float, *, own: bool, pedal: bool) -> tuple[Array, Array]:
    """Return the share of the mean square that each remedy leaves, a row for each draw; and that of the forcing with burns half as rough.

    Parameters
    ----------
    found : Weighed
    inside : mask, shape (blocks,)
        The episode's blocks.
    parts : dict of Remedy to tuple of str
    still : float [1/s]
        The slowest decay.
    own : bool
        Whether the episode is told by its own blocks.
    pedal : bool
        Whether a pedal was logged.
    """
    counts, sums = found.counts[:, inside], found.sums[inside]
    counts[counts.sum(axis=1) <= 0.0] = 1.0
    energy = sums[:, SPEED, SPEED].real / found.bins[inside] * counts
    weight = energy / energy.sum(axis=1, keepdims=True)
    told = np.tensordot(counts, sums, 1) if own else found.together
    rate, hold = found.mode.own[:, None], found.mode.per_degree
    whole = _follows(sums, told, PARTS)
    forced = np.clip(hold * whole.forced, -MOST, MOST)

    def decays(feed: Array) -> Array:
        return np.maximum((rate - 0.5 * hold[:, None] * feed) / (1.0 - forced[:, None]), still)

    decay, left = decays(whole.feed), []
    for names in parts.values():
        part = _follows(sums, told, names)
        without = np.maximum(decay + 0.5 * hold[:, None] * (part.feed - 2.0 * decay * part.forced[:, None]), still)
        left.append(np.sum(weight * decay / without, axis=1) * (1.0 - np.clip(hold * part.forced, -MOST, MOST)))
    if not pedal:
        by_pedal = np.zeros(len(counts))
    elif own:
        by_pedal = _coherence(sums, counts, found.bins[inside], decay)
    else:
        by_pedal = _coherence(found.sums, found.counts, found.bins, decays(_follows(found.sums, told, PARTS).feed))
    forcing = 1.0 - HALVED * np.maximum(1.0 - np.maximum(forced, 0.0) - by_pedal, 0.0)
    steeper = 0.5 * hold[:, None] * _steeper(sums) / (1.0 - forced[:, None])
    left.append(np.sum(weight * _smaller(decay, steeper, forcing[:, None]), axis=1))
    return np.stack(left + ([1.0 - by_pedal] if pedal else []), axis=1), forcing


def _steeper(sums: NDArray[np.complex128]) -> Array:
    """Return by how much more the lookup along speed goes with a swing half as large than with the one there is [crank deg per rev/s], by block."""
    return np.asarray((sums[:, BY_HALF, SPEED] - sums[:, FIRST_PART + PARTS.index("by_speed"), SPEED]).real / sums[:, SPEED, SPEED].real)


def _smaller(decay: Array, steeper: Array, forcing: Array) -> Array:
    """Return the share of its mean square that a swing has left when its forcing falls to a share: it decays at another rate where slopes end.

    ``r^2 a(r) = q a(1)`` for the amplitude r over the one there is, the forcing's share q, and the decay ``a(r) = a(1) - 2 (1 - r) d``, r no less than
    a half, with d what half the swing takes off the decay. The balance of energy of a mode that is shaken; a slope's own part is its describing function.

    Parameters
    ----------
    decay : array [1/s]
        Of the swing as it is.
    steeper : array [1/s]
        What half the swing takes off that.
    forcing : array
        Share of the mean square of what forces the swing.
    """
    low, high = np.full(decay.shape, SMALLEST), np.full(decay.shape, LARGEST)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        over = middle**2 * (decay - 2.0 * (1.0 - np.maximum(middle, 0.5)) * steeper) > forcing * decay
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    return np.asarray((0.5 * (low + high)) ** 2)


def _drawn_counts(blocks: Sequence[Block], rng: np.random.Generator) -> Array:
    """Return how often each block counts in each draw: pairs that overlap are drawn together."""
    chunks: list[list[int]] = []
    for k, block in enumerate(blocks):
        if chunks and block.follows == chunks[-1][-1] and len(chunks[-1]) < 2:
            chunks[-1].append(k)
        else:
            chunks.append([k])
    place = np.empty(len(blocks), dtype=int)
    for number, chunk in enumerate(chunks):
        place[chunk] = number
    drawn = rng.multinomial(len(chunks), np.full(len(chunks), 1.0 / len(chunks)), size=DRAWS).astype(float)
    return np.asarray(drawn[:, place])


def _sums(blocks: Sequence[Block]) -> NDArray[np.complex128]:
    """Return the sums over each block's bins of each channel times another's conjugate."""
    out = np.zeros((len(blocks), BY_HALF + 1, BY_HALF + 1), dtype=complex)
    for k, block in enumerate(blocks):
        rows = np.stack([block.x, block.turned, *(block.others.get(name, np.zeros_like(block.x)) for name in (*PARTS, "pedal", "by_half"))])
        out[k] = rows @ rows.conj().T
    return out


def _follows(sums: NDArray[np.complex128], together: NDArray[np.complex128], names: Sequence[str]) -> _Follows:
    """Return how parts of spark go with the swing, draw by draw (draws, blocks): what the lookup along speed makes of it, the others over all blocks."""
    feed, forced = np.zeros((len(together), len(sums))), np.zeros(len(together))
    if "by_speed" in names:
        feed += sums[:, FIRST_PART + PARTS.index("by_speed"), SPEED].real / sums[:, SPEED, SPEED].real
    places = [FIRST_PART + PARTS.index(name) for name in names if name != "by_speed"]
    if places:
        fit = _fit(together[..., :FIRST_PART], places)
        feed, forced = feed + fit[:, :1].real, fit[:, 1].real
    return _Follows(feed, forced)


def _fit(whole: NDArray[np.complex128], places: list[int]) -> NDArray[np.complex128]:
    """Return how some channels together go with speed and what is turned of it, by least squares from sums of products: one fit, or a row for each."""
    normal = np.swapaxes(whole[..., :FIRST_PART, :FIRST_PART], -1, -2)
    asked = whole[..., places, :FIRST_PART].sum(axis=-2)
    # Two by two and Hermitian: solved by hand where it is not singular, which is most of the time, in a tenth of what a decomposition takes.
    a, b, c, d = normal[..., 0, 0], normal[..., 0, 1], normal[..., 1, 0], normal[..., 1, 1]
    determinant = a * d - b * c
    clear = np.abs(determinant) > SINGULAR * (a.real + d.real) ** 2
    if not np.all(clear):
        return np.asarray((np.linalg.pinv(normal, rcond=1e-12) @ asked[..., None])[..., 0])
    one, other = asked[..., 0], asked[..., 1]
    return np.asarray(np.stack([d * one - b * other, a * other - c * one], axis=-1) / determinant[..., None])


def _hold_seen(whole: NDArray[np.complex128], bins: float, decay: float) -> tuple[float, float]:
    """Return what the log says of g: the logarithm and its doubt.

    Spark that comes by itself forces the swing with g; its part of the forcing is known by how closely the two go together.
    """
    hold, together, in_phase = _forced_alone(whole, decay)
    worth = WORTH * bins
    if not (together * worth > TOGETHER and in_phase > 0.0 and hold > 0.0):
        return 0.0, math.inf
    return math.log(hold), math.sqrt((1.0 - together) / (2.0 * together * worth) + SEEN_DOUBT**2)


def _forced_alone(whole: NDArray[np.complex128], decay: float) -> tuple[float, float, float]:
    """Return g as the spark that comes by itself shows it, how closely that goes with the forcing as far as in phase, and the phase's sign."""
    places = [FIRST_PART + PARTS.index(name) for name in PARTS if name != "by_speed"]
    fit = _fit(whole, places)
    both = np.array([2.0 * decay, 1.0])
    force = float((both @ whole[:FIRST_PART, :FIRST_PART] @ both).real)
    explained = float((fit @ whole[:FIRST_PART, :FIRST_PART] @ fit.conj()).real)
    power = float(whole[np.ix_(places, places)].sum().real)
    alone = abs(fit[1]) ** 2 * force + max(power - explained, 0.0)
    if alone <= 0.0:
        return 0.0, 0.0, 0.0
    return float(fit[1].real) * force / alone, float(fit[1].real) ** 2 * force / alone, float(np.sign(fit[1].real))


def _coherence(sums: NDArray[np.complex128], counts: Array, bins: Array, decay: Array) -> Array:
    """Return the share of the forcing that goes with the pedal, less what chance gives, draw by draw."""
    both = np.stack([2.0 * decay, np.ones(decay.shape)], axis=-1)
    cross = np.abs(np.einsum("kb,kbi,bi->k", counts, both, sums[:, :FIRST_PART, PEDAL])) ** 2
    force = np.einsum("kb,kbi,bij,kbj->k", counts, both, sums[:, :FIRST_PART, :FIRST_PART], both).real
    own, worth = (counts @ sums[:, PEDAL, PEDAL]).real, WORTH * (counts @ bins)
    told = (own > 0.0) & (worth > TOGETHER)
    share = cross / np.where(told, force * own, 1.0)
    chance = 1.0 / np.where(told, worth, math.inf)
    return np.where(told, np.maximum((share - chance) / (1.0 - chance), 0.0), 0.0)

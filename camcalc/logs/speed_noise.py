"""White noise on logged engine speed: how dense it is, the least swing that stands out of it, and a log's swing without what does not."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy import stats
from scipy.ndimage import label, maximum_filter1d, uniform_filter, uniform_filter1d

__all__ = ["lifted_out", "noise_amplitude", "noise_density", "told_from"]

Array = NDArray[np.float64]

# Frames of the spectrum [s], a quarter of one apart: the taper leaves two thirds of one (exact), 1.5 s, the shortest swing that counts as an episode.
FRAME, HOPS = 2.25, 4
# A swing is told from noise where its power in a frame's bin is so many times the noise's there: 13 dB, at which nine of ten are seen and one false
# in a million (detection theory's usual example, from memory). What lasts is told at less: frames are averaged, too, so many at a time (1.3, 5, 18 s),
# each average with the limit that noise passes as rarely. ESTIMATE.
TOLD_AT, AVERAGED = 20.0, (1, 8, 32)
# About what is told all belongs to it that noise alone would pass this rarely: the finder's 0.6 of the least, squared, of the limit of one frame.
BELONGS = math.exp(-TOLD_AT * 0.6**2)
# And that here and now, over three bins and frames, has so many times noise's power: noise has it in 0.5 % of places (computed). 2, 2.5 and 3.5 were
# tried: less lengthens episodes at 10 rpm of noise, more misses swings at 10 rows a second.
HERE = 3.0
# Frames a quarter apart share samples: a sum of their powers scatters as that of so many times fewer, by the taper's own correlation (exact).
SHARED = 1.92
# Noise is there in every frame and as dense in each bin; what is not noise only adds, so a quarter of the frames and of the bins, the quietest, has it.
# ESTIMATE. The median over frames was tried, too: swings in half of the time raised it.
QUIET = 0.25
# Slower than this [Hz] the wandering level of speed is in the frames; ESTIMATE.
SLOWEST = 1.0
# Frames looked at for the noise, at most, spread over the log: more add time, and no sharpness.
MOST_FRAMES = 4000
# Of noise's power in a bin, an exponential distribution: that quantile over its mean, and the quantile's own scatter over frames, as a share, times
# their root (both exact, the second for many frames).
QUARTER = -math.log(1.0 - QUIET)
SCATTER = math.sqrt(QUIET / (1.0 - QUIET)) / QUARTER


def noise_density(parts: Sequence[Array], step: float) -> float:
    """Return the density of white noise on engine speed [(rev/s)^2/Hz], one-sided; 0 where the parts are too short to tell.

    In each bin the level that a quarter of the frames stay under, which swings in less than half of the time barely move; over the bins the
    quarter that is quietest, which a swing all the time does not reach. Both less what chance makes of such a quarter.

    Parameters
    ----------
    parts : sequence of arrays, each of shape (n,) [rev/s]
        Engine speed, evenly spaced.
    step : float [s]
        Between samples.

    Examples
    --------
    >>> t = np.arange(0.0, 200.0, 0.05)
    >>> noisy = np.sin(2.0 * np.pi * 2.0 * t) + 0.1 * np.random.default_rng(1).normal(size=t.size)
    >>> 0.8 < noise_density([noisy], 0.05) / (2.0 * 0.05 * 0.1**2) < 1.25
    True
    """
    count = _rows(step)
    long = [part for part in parts if part.size >= count]
    whole = sum((part.size - count) // (count // 2) + 1 for part in long)
    if whole < 2:
        return 0.0
    every = math.ceil(whole / MOST_FRAMES) * (count // 2)
    frames = np.concatenate([sliding_window_view(part, count)[::every] for part in long])
    line = np.linspace(-1.0, 1.0, count)
    frames = frames - frames.mean(axis=1, keepdims=True)
    frames -= np.outer(frames @ line / (line @ line), line)
    taper = np.hanning(count)
    power = np.quantile(np.abs(np.fft.rfft(frames * taper)) ** 2, QUIET, axis=0) / QUARTER
    inside = power[np.fft.rfftfreq(count, step) > SLOWEST][:-1]
    by_chance = 1.0 + float(stats.norm.ppf(QUIET)) * SCATTER / math.sqrt(len(frames))
    return 2.0 * step / float(taper @ taper) * float(np.quantile(inside, QUIET)) / max(by_chance, QUIET)


def told_from(density: float) -> float:
    """Return the least amplitude [rev/s] of a swing that stands out of white noise: ``A^2 = 3 r D/T``, D its density, T the frame, r what tells.

    A sine of amplitude A has the power ``A^2 (sum w)^2/4`` in its bin of a frame with the taper w, noise ``D rate sum(w^2)/2``.

    >>> round(60.0 * told_from(2.0 * (6.0 / 60.0) ** 2 / 12.5), 1)
    12.4
    """
    return math.sqrt(3.0 * TOLD_AT * density / FRAME)


def noise_amplitude(density: float, width: float) -> float:
    """Return the amplitude of the sine with the r.m.s. of white noise in a band of a width [Hz]."""
    return math.sqrt(2.0 * density * width)


def lifted_out(swing: Array, step: float, density: float) -> Array:
    """Return what of a swing stands out of white noise, frame by frame and bin by bin; the rest is taken away.

    Parameters
    ----------
    swing : array, shape (n,) [rev/s]
        Evenly spaced.
    step : float [s]
        Between samples.
    density : float [(rev/s)^2/Hz]
        Of the noise, one-sided.

    Examples
    --------
    >>> t = np.arange(0.0, 60.0, 0.05)
    >>> rng, wave = np.random.default_rng(2), np.where(t > 30.0, np.sin(2.0 * np.pi * 2.0 * t), 0.0)
    >>> left = lifted_out(wave + 0.3 * rng.normal(size=t.size), 0.05, 2.0 * 0.05 * 0.3**2)
    >>> bool(np.std(left[t < 29.0]) < 0.05), bool(np.std((left - wave)[t > 31.0]) < 0.2)
    (True, True)
    """
    count = _rows(step)
    hop = max(count // HOPS, 1)
    taper = np.sin(np.pi * (np.arange(count) + 0.5) / count) ** 2
    padded = np.pad(swing, (count, count + hop), mode="reflect")
    frames = sliding_window_view(padded, count)[::hop] * taper
    spectrum = np.fft.rfft(frames)
    power = np.abs(spectrum) ** 2 / (density / (2.0 * step) * float(taper @ taper))
    # A sine fills the bins beside its own, too.
    spectrum[~maximum_filter1d(_standing_out(power), 3, axis=1)] = 0.0
    back = np.fft.irfft(spectrum, count) * taper
    out, weight = np.zeros(padded.size), np.zeros(padded.size)
    for quarter in range(0, count, hop):
        # A quarter of every frame at a time: these lie end to end.
        first = quarter + hop * len(back)
        out[quarter:first] += back[:, quarter : quarter + hop].ravel()
        weight[quarter:first] += np.tile(taper[quarter : quarter + hop] ** 2, len(back))
    return np.asarray((out / np.maximum(weight, 1e-12))[count : count + swing.size])


def _standing_out(power: Array) -> NDArray[np.bool_]:
    """Return the frames and bins that hold what stands out of noise; power over that of the noise."""
    told, belongs = np.zeros(power.shape, dtype=bool), np.zeros(power.shape, dtype=bool)
    for frames in AVERAGED:
        mean = uniform_filter1d(power, frames, axis=0, mode="nearest")
        freedom = 2.0 * max(frames / SHARED, 1.0)
        told |= mean > stats.chi2.isf(math.exp(-TOLD_AT), freedom) / freedom
        belongs |= mean > stats.chi2.isf(BELONGS, freedom) / freedom
    places, count = label(belongs | told, structure=np.ones((3, 3)))
    there = np.zeros(count + 1, dtype=bool)
    there[places[told]] = True
    return np.asarray(there[places] & (uniform_filter(power, 3, mode="nearest") > HERE))


def _rows(step: float) -> int:
    """Return how many rows a frame has, by fours."""
    return max(4 * round(FRAME / step / 4.0), 8)

"""How long a swing remembers itself, and how much of it is the sensor's noise: what a comparison of two swings has to know of each."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from .signals import LOWEST, ORDER

__all__ = ["noise_energy", "swing_memory"]

Array = NDArray[np.float64]

# The memory is looked for up to this lag [s], and has ended where the autocorrelation stays under FADED for a second; ESTIMATE.
LONGEST, FADED = 10.0, 0.15
# Noise of a sensor is white: its density is read above this share of the sampling rate, where no swing is looked for. ESTIMATE.
ABOVE = 0.4
# And in the band itself it is no more than the density that this share of the band stays under; ESTIMATE.
QUIET = 0.2


def swing_memory(parts: Sequence[Array], step: float, noise: float = 0.0) -> float:
    """Return how long it takes a swing's energy to become independent of what it was [s]: the integral of its squared autocorrelation.

    Parameters
    ----------
    parts : sequence of arrays, each of shape (n,) [rev/s]
        What swings, evenly spaced, stretch by stretch.
    step : float [s]
        Between samples.
    noise : float [(rev/s)^2]
        White noise in the swing, which has no memory.

    References
    ----------
    Textbook: for a Gaussian process the mean square over a time T scatters as that of T/memory independent samples.

    Examples
    --------
    >>> t = np.arange(0.0, 60.0, 0.05)
    >>> swing = np.exp(-0.5 * (t % 20.0)) * np.sin(15.0 * t)
    >>> 0.5 < swing_memory([swing], 0.05) < 2.0
    True
    """
    most = round(LONGEST / step) + 1
    sums, counts = np.zeros(most), np.zeros(most)
    for part in parts:
        size = min(len(part), most)
        spectrum = np.abs(np.fft.rfft(part, 2 * len(part))) ** 2
        sums[:size] += np.fft.irfft(spectrum, 2 * len(part))[:size]
        counts[:size] += len(part) - np.arange(size)
    known = counts > 0.0
    covariance = sums[known] / counts[known]
    whole = float(covariance[0]) - noise if covariance.size else 0.0
    if not whole > 0.0:
        return step
    squared = np.minimum((covariance[1:] / whole) ** 2, 1.0)
    ahead = max(round(1.0 / step), 1)
    loud = np.flatnonzero(squared > FADED**2)
    gaps = np.flatnonzero(np.diff(loud) > ahead)
    last = 0 if not loud.size or loud[0] > ahead else int(loud[gaps[0]] if gaps.size else loud[-1]) + 1
    return step * (1.0 + 2.0 * float(squared[:last].sum()))


def noise_energy(windows: Sequence[Array], step: float, high: float) -> float:
    """Return the energy of white noise between ``LOWEST`` and a frequency [(rev/s)^2]: its density is read where no swing is, above that band.

    Parameters
    ----------
    windows : sequence of arrays, all of shape (n,) [rev/s]
        Engine speed, evenly spaced.
    step : float [s]
        Between samples.
    high : float [Hz]
        Upper edge of the band that the swing is looked for in.

    Examples
    --------
    >>> noise = np.random.default_rng(1).normal(size=(40, 60))
    >>> 0.65 < noise_energy(list(noise), 0.05, 8.0) < 0.85
    True
    """
    count = min((len(window) for window in windows), default=0)
    if count < 16:
        return 0.0
    taper = np.hanning(count)
    level = np.array([window[:count] for window in windows])
    line = np.linspace(-0.5, 0.5, count)
    level = level - level.mean(axis=1, keepdims=True)
    level -= np.outer(level @ line / float(line @ line), line)
    density = (2.0 * step / float(taper @ taper) * np.abs(np.fft.rfft(level * taper)) ** 2).mean(axis=0)
    frequency = np.fft.rfftfreq(count, step)
    above, inside = density[(frequency > ABOVE / step) & (frequency < 0.5 / step)], density[(frequency >= LOWEST) & (frequency <= high)]
    if not above.size or not inside.size:
        return 0.0
    # A density averaged over so many windows scatters as chi squared with twice as many degrees of freedom; what a quantile of it is to its mean.
    freedom = 2.0 * len(windows)
    quiet = min(float(np.quantile(part, share)) / float(stats.chi2.ppf(share, freedom) / freedom) for part, share in ((above, 0.5), (inside, QUIET)))
    return quiet * _bandwidth(high, step)


def _bandwidth(high: float, step: float) -> float:
    """Return how wide the band is for noise [Hz], its edges as ``band_pass`` has them."""
    frequency = np.linspace(0.0, 0.5 / step, 2001)[1:]
    gain = 1.0 / ((1.0 + (LOWEST / frequency) ** ORDER) * (1.0 + (frequency / high) ** ORDER))
    return float(np.sum(gain**2)) * (0.5 / step) / 2000.0 if math.isfinite(high) else 0.5 / step

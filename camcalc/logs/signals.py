"""Filtering a log's channels: evenly spaced stretches between gaps, and zero-phase bands that do not depend on the sampling rate.

Rows are made even for filtering only; every number that is reported as logged comes from the rows themselves.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.ndimage import uniform_filter1d

from .drive_log import DriveLog, pieces_of
from .spans import rows_between

__all__ = ["LOWEST", "Around", "Spectrum", "Stretch", "amplitude_of", "band_pass", "envelope", "highest_frequency", "stretches", "swing_of", "swings_of"]

Array = NDArray[np.float64]

# Surge is looked for between these [Hz]: driveline modes lie at 2 to 13 by gear, unsteady speed from 0.5; textbook and common practice.
LOWEST, HIGHEST = 0.5, 16.0
# Share of the sampling rate up to which a swing can still be told: 2.5 rows a period. ESTIMATE.
USABLE = 0.4
# Shorter stretches cannot be judged [s]: two periods of the lowest frequency less a little. ESTIMATE.
SHORTEST = 3.0
# Steepness of a band's edges; the gain at the edge is 1/2.
ORDER = 16
# Longer spectra than this have their gain worked out each time [samples].
KEPT_LENGTH = 20_000
# How far a record is drawn out at its ends by reflection before filtering [s].
REFLECTED = 4.0
# How much of a record before and after a span [s] is filtered with it.
CONTEXT = 12.0
# Rows whose spacing strays less than this from even are taken as even: the logger rounds its time stamps.
EVEN = 0.02


class Stretch(NamedTuple):
    """Channels on an even grid between two gaps; ``rows`` are those of the log."""

    rows: slice
    time: Array
    step: float
    values: dict[str, Array]


def highest_frequency(log: DriveLog) -> float:
    """Return the highest frequency [Hz] that the log's sampling leaves to be looked at."""
    return min(HIGHEST, USABLE * log.si.sampling_rate)


def stretches(log: DriveLog, *channels: str, shortest: float = SHORTEST, within: tuple[float, float] | None = None) -> list[Stretch]:
    """Return the stretches between gaps in which all channels hold numbers, long enough to judge, on even grids.

    Parameters
    ----------
    log : DriveLog
    *channels : str
        Names of the channels.
    shortest : float [s]
        Shorter stretches are left out.
    within : tuple of two floats [s]
        A span of time: what lies far from it is left out.
    """
    out = []
    step = 1.0 / log.si.sampling_rate
    first, last = (0, len(log.si.time)) if within is None else np.searchsorted(log.si.time, [within[0] - CONTEXT, within[1] + CONTEXT])
    for rows in pieces_of(log, *channels, rows=slice(int(first), int(last))):
        time = log.si.time[rows]
        if len(time) < 8 or time[-1] - time[0] < shortest:
            continue
        even = time[0] + step * np.arange(int((time[-1] - time[0]) / step * (1.0 + 1e-12) + 1e-6) + 1)
        is_even = len(even) == len(time) and np.abs(even - time).max() < EVEN * step
        values = {name: log.values(name)[rows] for name in channels}
        out.append(Stretch(rows, even, step, {n: v if is_even else CubicSpline(time, v)(even) for n, v in values.items()}))
    return out


def band_pass(values: Array, step: float, low: float, high: float, *, derivative: bool = False) -> Array:
    """Return what lies between two frequencies, without delay; its rate of change if asked for.

    Gain ``1/((1 + (low/f)^16) (1 + (f/high)^16))``, laid on the spectrum, so that it is the same at every sampling rate.

    Parameters
    ----------
    values : array, shape (..., n) [any unit]
        Evenly spaced samples; several records of one length, a row each, take less time together.
    step : float [s]
        Between them.
    low, high : float [Hz]
        Edges, where the gain is a half.
    derivative : bool
        Whether the rate of change [1/s] is returned instead.

    Examples
    --------
    >>> t = np.arange(0.0, 20.0, 0.02)
    >>> kept = band_pass(100.0 * t + np.sin(2.0 * np.pi * 3.0 * t), 0.02, 0.5, 16.0)
    >>> round(float(np.abs(kept[250:750]).max()), 2)
    1.0
    """
    return Spectrum(values, step).band(low, high, derivative=derivative)


class Spectrum:
    """The spectrum of evenly spaced samples, drawn out at their ends, of which bands are taken as ``band_pass`` does."""

    def __init__(self, values: Array, step: float) -> None:
        count = values.shape[-1]
        reach = min(count - 1, math.ceil(REFLECTED / step))
        self.step, self._count, self._reach = step, count, reach
        drawn = np.empty((*values.shape[:-1], count + 2 * reach))
        drawn[..., reach : reach + count] = values
        np.subtract(2.0 * values[..., :1], values[..., reach:0:-1], out=drawn[..., :reach])
        np.subtract(2.0 * values[..., -1:], values[..., -2 : -reach - 2 : -1], out=drawn[..., reach + count :])
        # A straight line through the ends leaves no step where the end of the record meets its beginning.
        first, length = drawn[..., :1].copy(), drawn.shape[-1]
        drawn -= first + (drawn[..., -1:] - first) / (length - 1) * np.arange(length)
        self._size = scipy.fft.next_fast_len(length, real=True)
        self._spectrum: NDArray[np.complex128] = scipy.fft.rfft(drawn, self._size, overwrite_x=True)

    def band(self, low: float, high: float, *, derivative: bool = False, row: int | None = None) -> Array:
        """Return what lies between two frequencies, or its rate of change.

        Parameters
        ----------
        low, high : float
            Edges of the band [Hz].
        derivative : bool
            Whether the rate of change is asked for [unit/s].
        row : int
            Of one row alone; all of them when left out.
        """
        gain = (_kept_gain if self._size <= KEPT_LENGTH else _gain)(self._size, self.step, low, high, derivative)
        spectrum = self._spectrum if row is None else self._spectrum[row]
        return np.asarray(scipy.fft.irfft(spectrum * gain, self._size, overwrite_x=True)[..., self._reach : self._reach + self._count])


def _gain(count: int, step: float, low: float, high: float, derivative: bool) -> NDArray[Any]:
    """Return the gain of a band at the frequencies of a record's spectrum."""
    frequency = np.arange(count // 2 + 1) / (count * step)
    with np.errstate(divide="ignore", over="ignore"):
        gain = 1.0 / ((1.0 + _to_order(low / frequency)) * (1.0 + _to_order(frequency / high)))
    return gain * 2j * np.pi * frequency if derivative else gain


# Many channels of one length pass one band: gains of the last short ones are kept, some 20 MB at most.
_kept_gain = functools.lru_cache(maxsize=128)(_gain)


def _to_order(values: Array) -> Array:
    """Return values to the power ``ORDER``, a power of two: by squares, since a general power takes as long as the transform."""
    for _ in range(ORDER.bit_length() - 1):
        values *= values
    return values


def envelope(swing: Array, step: float, width: float = 1.0) -> Array:
    """Return the amplitude of the equal sine around each sample, over a width [s]."""
    mean = uniform_filter1d(swing**2, max(round(width / step), 1), mode="nearest")
    return np.asarray(np.sqrt(2.0 * np.maximum(mean, 0.0)))


def amplitude_of(swing: Array) -> float:
    """Return the amplitude of the sine with the same r.m.s.; not-a-number of nothing."""
    return float(np.sqrt(2.0 * np.mean(swing**2))) if len(swing) else math.nan


def swing_of(
    log: DriveLog,
    channel: str,
    *,
    start: float,
    end: float,
    low: float,
    high: float,
    derivative: bool = False,
    then: Callable[[Array, float], Array] | None = None,
) -> Array:
    """Return what a channel holds between two frequencies during a time, all stretches in a row; empty if it has none there.

    ``then`` is done to each stretch before it is cut to the time: a function of its samples and the step between them [s].

    Parameters
    ----------
    log : DriveLog
    channel : str
    start, end : float [s]
        The time.
    low, high : float [Hz]
        Edges of the band.
    derivative : bool
        Whether the rate of change is taken.
    then : callable
        Done to each stretch before it is cut to the time: a function of its samples and the step between them [s].
    """
    return Around(log, channel, start, end).band(low, high, derivative=derivative, then=then)


def swings_of(log: DriveLog, channels: Sequence[str], *, start: float, end: float, low: float, high: float) -> list[Array]:
    """Return ``swing_of`` of several channels, filtered together where none of them has a hole.

    Parameters
    ----------
    log : DriveLog
    channels : sequence of str
    start, end : float [s]
        The time.
    low, high : float [Hz]
        Edges of the band.
    """
    near = rows_between(log.si.time, start - CONTEXT, end + CONTEXT)
    whole = [name for name in channels if log.values(name).size and np.isfinite(log.values(name)[near]).all()]
    found: dict[str, list[Array]] = {name: [np.empty(0)] for name in whole}
    for part in stretches(log, *whole, shortest=1.0, within=(start, end)) if whole else []:
        inside = rows_between(part.time, start, end)
        swings = band_pass(np.stack([part.values[name] for name in whole]), part.step, low, high)[:, inside]
        for name, swing in zip(whole, swings, strict=True):
            found[name].append(swing)
    return [np.concatenate(found[name]) if name in found else swing_of(log, name, start=start, end=end, low=low, high=high) for name in channels]


class Around:
    """A channel about a time, transformed once for all the bands that are asked of it.

    Parameters
    ----------
    log : DriveLog
    channel : str
    start, end : float [s]
        The time.
    """

    def __init__(self, log: DriveLog, channel: str, start: float, end: float) -> None:
        found = stretches(log, channel, shortest=1.0, within=(start, end)) if log.values(channel).size else []
        self._parts = [(Spectrum(s.values[channel], s.step), rows_between(s.time, start, end)) for s in found]

    def band(self, low: float, high: float, *, derivative: bool = False, then: Callable[[Array, float], Array] | None = None) -> Array:
        """Return what the channel holds between two frequencies, as ``swing_of`` does.

        Parameters
        ----------
        low, high : float
            Edges of the band [Hz].
        derivative : bool
            Whether the rate of change is asked for [unit/s].
        then : callable
            Done to each part, which it gets with its step [s]; nothing when left out.
        """
        return self.each(low, high, (then,), derivative=derivative)[0]

    def each(self, low: float, high: float, then: Sequence[Callable[[Array, float], Array] | None], *, derivative: bool = False) -> list[Array]:
        """Return what the channel holds between two frequencies, each of some things done to it.

        Parameters
        ----------
        low, high : float
            Edges of the band [Hz].
        then : sequence of callable
            As for ``band``, one for each answer.
        derivative : bool
            Whether the rate of change is asked for [unit/s].
        """
        found: list[list[Array]] = [[np.empty(0)] for _ in then]
        for spectrum, inside in self._parts:
            swing = spectrum.band(low, high, derivative=derivative)
            for done, more in zip(then, found, strict=True):
                more.append((swing if done is None else done(swing, spectrum.step))[inside])
        return [np.concatenate(more) for more in found]

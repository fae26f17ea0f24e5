"""What a swing of engine speed is: its frequency, and whether it keeps step with the crank as a line of combustion does."""

from __future__ import annotations

import math

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.integrate import cumulative_trapezoid

from ..codes import Code
from .signals import LOWEST, Stretch, band_pass

__all__ = ["AROUND", "LINES", "ONE_FREQUENCY", "SwingKind", "folded_to_nothing", "frequency_of", "kind_of"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A swing is of one frequency if this share of its power lies within so much of the peak; ESTIMATE.
ONE_FREQUENCY, AROUND = 0.5, 0.35
# A line of combustion keeps step with the crank to within so much [Hz]; ESTIMATE, and as in the design.
IN_STEP = 0.1
# Between points of a grid four times as fine as a tapered record's own spectrum falls by less than this share of its peak (exact: 2 % at most).
NEAR_PEAK = 0.93


class SwingKind(Code):
    """What swings."""

    DRIVELINE = "surge of the driveline"
    ONCE_PER_CYCLE = "combustion, once per cycle"
    ALTERNATE_CYCLES = "combustion, alternate cycles"
    NO_SINGLE_FREQUENCY = "no single frequency"


# Lines of combustion, per crank revolution.
LINES = {SwingKind.ONCE_PER_CYCLE: 0.5, SwingKind.ALTERNATE_CYCLES: 0.25}


def frequency_of(stretch: Stretch, swing: Array, inside: Mask) -> float:
    """Return the mean frequency of the strongest swing: the spectrum's peak, then the phase's mean rate around it, weighted by power."""
    rows = np.flatnonzero(inside)
    first, last = int(rows[0]), int(rows[-1]) + 1
    peak = _peak(swing[first:last] * np.hanning(last - first)) / stretch.step
    near = band_pass(swing, stretch.step, (1.0 - AROUND) * peak, (1.0 + AROUND) * peak)
    spectrum = scipy.fft.fft(near)
    spectrum[len(near) // 2 + 1 :] = 0.0
    turning = scipy.fft.ifft(spectrum, overwrite_x=True)[first:last]
    return float(np.angle(np.sum(np.conj(turning[:-1]) * turning[1:])) / (2.0 * np.pi * stretch.step))


def _peak(part: Array) -> float:
    """Return where a tapered record's spectrum is highest, per sample, on the grid of a record eight times as long.

    That grid's own transform may be of any length and slow; so the neighbourhood of the peak is found on a coarser one of a good length.
    """
    count = scipy.fft.next_fast_len(4 * len(part), real=True)
    coarse = np.abs(scipy.fft.rfft(part, count))
    there = np.flatnonzero(coarse >= NEAR_PEAK * coarse.max())
    fine = 8 * len(part)
    tried = {k for c in there.tolist() for k in range(math.floor((c - 1) * fine / count), math.ceil((c + 1) * fine / count) + 1) if 0 <= k <= fine // 2}
    turn = np.exp(-2j * np.pi / fine * np.arange(len(part)))
    best, at, last, wave = -1.0, 0, -2, turn
    for k in sorted(tried):
        wave = wave * turn if k == last + 1 else np.exp(-2j * np.pi * k / fine * np.arange(len(part)))
        height = abs(complex((wave * part).sum()))
        best, at, last = (height, k, k) if height > best else (best, at, k)
    return at / fine


def kind_of(stretch: Stretch, swing: Array, inside: Mask) -> SwingKind:
    """Return whether the swing keeps step with the crank as a line of combustion does: turned back by the crank's own angle it would stand still.

    So the line is followed while speed changes, and known where it lies above half the sampling rate.
    """
    turned = cumulative_trapezoid(stretch.values["speed"], dx=stretch.step, initial=0.0)
    back = np.array(list(LINES.values()))[:, None]
    still = _slow(swing * np.exp(-2j * np.pi * back * turned), stretch.step, IN_STEP)[:, inside]
    for name, power in zip(LINES, np.mean(np.abs(still) ** 2, axis=1), strict=True):
        if 2.0 * power > ONE_FREQUENCY * np.mean(swing[inside] ** 2):
            return name
    return SwingKind.DRIVELINE


def folded_to_nothing(frequency: float, stretch: Stretch, inside: Mask) -> SwingKind | None:
    """Return the line that folds down to nearly nothing, where that is all a slow swing may be: the rows then fall on the same place of each cycle."""
    speed, rate = float(np.mean(stretch.values["speed"][inside])), 1.0 / stretch.step
    for name, per_revolution in LINES.items():
        line = speed * per_revolution
        if line > 0.5 * rate and max(abs(line - rate * round(line / rate)), frequency) < 2.0 * LOWEST:
            return name
    return None


def _slow(values: NDArray[np.complex128], step: float, highest: float) -> NDArray[np.complex128]:
    """Return what changes slower than a frequency, either way round; a row for each record."""
    count = 2 * values.shape[-1]
    spectrum = np.fft.fft(values, count)
    spectrum[..., np.abs(np.fft.fftfreq(count, step)) > highest] = 0.0
    return np.asarray(np.fft.ifft(spectrum)[..., : values.shape[-1]])

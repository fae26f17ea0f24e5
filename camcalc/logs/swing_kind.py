"""What a swing of engine speed is: its frequency, and whether it keeps step with the crank as a line of combustion does."""

from __future__ import annotations

import numpy as np
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
    part = swing[inside] * np.hanning(int(inside.sum()))
    count = 8 * len(part)
    peak = float(np.fft.rfftfreq(count, stretch.step)[np.argmax(np.abs(np.fft.rfft(part, count)))])
    near = band_pass(swing, stretch.step, (1.0 - AROUND) * peak, (1.0 + AROUND) * peak)
    spectrum = np.fft.fft(near)
    spectrum[len(near) // 2 + 1 :] = 0.0
    turning = np.fft.ifft(spectrum)[inside]
    return float(np.angle(np.sum(np.conj(turning[:-1]) * turning[1:])) / (2.0 * np.pi * stretch.step))


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

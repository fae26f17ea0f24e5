"""Sounds brought to one level, and as the bytes of a WAV file."""

from __future__ import annotations

import io
import wave
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError

__all__ = ["FULL_SCALE", "PEAK", "Levelled", "levelled", "root_mean_square", "wave_bytes"]

Array = NDArray[np.float64]

# The loudest sample of all sounds that are heard together, over full scale: half of it, so that nothing is clipped on the way and ears are spared. ESTIMATE.
PEAK = 0.5
FULL_SCALE = 32767


class Levelled(NamedTuple):
    """Sounds at one level: samples over full scale, the gain that took each from an r.m.s. of one to there, and the r.m.s. that all of them have."""

    samples: tuple[Array, ...]
    gain: float


def root_mean_square(samples: Array) -> float:
    """Return the r.m.s. of samples, in their own unit; zero without any."""
    return float(np.sqrt(np.mean(samples**2))) if samples.size else 0.0


def levelled(sounds: Sequence[Array], *, peak: float = PEAK) -> Levelled:
    """Return sounds that all have one r.m.s., and one gain for all of them: the loudest sample of all has a given height.

    Parameters
    ----------
    sounds : sequence of array, shape (samples,) each
        In any unit.
    peak : float
        Height of the loudest sample over full scale, 0 to 1.

    Returns
    -------
    Levelled
        Silence stays silence.

    Examples
    --------
    >>> import numpy as np
    >>> found = levelled([np.array([1.0, -1.0]), np.array([3.0, -3.0, 0.0, 0.0])])
    >>> [round(root_mean_square(samples), 4) for samples in found.samples], max(float(abs(samples).max()) for samples in found.samples)
    ([0.3536, 0.3536], 0.5)
    """
    if not 0.0 < peak < 1.0:
        raise InputError("peak", came=f"{peak:g}", expected="a share of full scale, above 0 and below 1")
    even = [samples / root_mean_square(samples) if samples.any() else samples for samples in sounds]
    highest = max((float(np.abs(samples).max()) for samples in even if samples.size), default=0.0)
    gain = peak / highest if highest > 0.0 else 0.0
    return Levelled(tuple(gain * samples for samples in even), gain)


def wave_bytes(samples: Array, rate: int) -> bytes:
    """Return samples over full scale as a WAV file: one channel, 16 bits, the same bytes each time.

    Parameters
    ----------
    samples : array, shape (samples,)
        Over full scale, below 1 either way.
    rate : int [Hz]
        Samples a second.

    Raises
    ------
    InputError
        If a sample reaches full scale.

    Examples
    --------
    >>> import numpy as np
    >>> len(wave_bytes(np.zeros(100), 8000))
    244
    """
    if samples.size and float(np.abs(samples).max()) >= 1.0:
        raise InputError("samples", came=f"{np.abs(samples).max():g}", expected="below full scale, 1", fix="bring them to a level with levelled()")
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes(np.round(FULL_SCALE * samples).astype("<i2").tobytes())
    return out.getvalue()

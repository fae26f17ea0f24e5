"""The sound of a sequence of firings: pulses through a plain pipe, the rhythm of the engine and not the tone of its exhaust."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord, ScalarMeasure
from ..errors import InputError
from ..results import Measure, measure
from ..units import Bounds, to_si
from .levels import root_mean_square, wave_bytes
from .pulses import gas_speed, pulse_train, radiated, through_pipe

if TYPE_CHECKING:
    from ..units import Quantity
    from .firings import Firings

__all__ = ["PIPE", "Pipe", "Sound", "sound_of"]

Array = NDArray[np.float64]

# Samples a second: pulses of an idle have next to nothing above a quarter of it, and a page of some twenty sounds stays small. ESTIMATE of what serves.
RATE = 8000
# Mean temperature of the gas in the pipe [K]; ESTIMATE, 500 to 750 from idle to cruise.
GAS = 600.0
# Share of a wave that comes back from the open end, bends and silencer taken off, and the corner above which less does [Hz]; ESTIMATE, 0.2 to 0.7 and
# 300 to 1500. Nothing here is fitted to a recording.
RETURNED, CORNER = 0.45, 700.0


# A sound rises and falls at its ends within so long [s], lest it clicks where it begins again. Common practice, no source.
EDGES = 10e-3
# From valve to open end.
PIPE = Bounds("m", 0.3, 10.0)


class Pipe(NamedTuple):
    """A plain pipe, closed at the engine and open at its end; every figure is an ESTIMATE.

    Attributes
    ----------
    delay : float [s]
        There and back.
    returned : float
        Share of a wave that comes back, 0 to 1.
    corner : float [Hz]
        Above it less comes back.
    """

    delay: float
    returned: float = RETURNED
    corner: float = CORNER


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Sound(ArrayRecord):
    """Samples of a sound, all of one r.m.s. of 1 where there is any sound; how loud it is to be is settled where sounds are put together."""

    AXES = ("time",)

    rate: int
    pipe_length: ScalarMeasure = measure("m")
    time: Measure = measure("s")
    pressure: Measure = measure("", doc="of the sound, over its r.m.s.")

    def wave(self, gain: float) -> bytes:
        """Return the sound as a WAV file, its r.m.s. at ``gain`` over full scale."""
        return wave_bytes(gain * self.si.pressure, self.rate)


def sound_of(firings: Firings, *, pipe_length: Quantity | str = "3 m", rate: int = RATE, places: Sequence[int] | None = None) -> Sound:
    """Return how a sequence of firings sounds at the end of a plain pipe.

    Parameters
    ----------
    firings : Firings
    pipe_length : quantity [length]
        From valve to open end, 0.3 to 10 m; all cylinders at the same distance. ESTIMATE.
    rate : int [Hz]
        Samples a second, 4000 to 48000.
    places : sequence of int
        Only these places of the firing order, counted from 0, such as one bank's; all cylinders when left out.

    Raises
    ------
    InputError
        If there is no such place, or a figure is out of its range.

    Notes
    -----
    A pulse goes with what its burn gave: an ESTIMATE, since what is left in the cylinder when the exhaust opens goes about with it. A missed cycle has none.
    What comes out of the pipe sounds by its rate of change. Within 10 ms of either end it is faded.

    Examples
    --------
    >>> import numpy as np
    >>> from camcalc.sound.firings import even_firings
    >>> sound = sound_of(even_firings(14.0, np.ones(8), cylinders=8, duration=1.0))
    >>> sound.si.time.size, round(float(np.sqrt(np.mean(sound.si.pressure**2))), 6)
    (8000, 1.0)
    """
    if not 4000 <= rate <= 48000:
        raise InputError("rate", came=str(rate), expected="4000 to 48000 samples a second")
    if places is not None and not set(places) <= set(range(firings.cylinders)):
        raise InputError("places", came=", ".join(map(str, places)), expected=f"places of the firing order, 0 to {firings.cylinders - 1}")
    length = float(to_si(pipe_length, "pipe_length", PIPE))
    pipe = Pipe(delay=2.0 * length / gas_speed(GAS))
    heard = np.isin(firings.place, np.arange(firings.cylinders) if places is None else np.asarray(places))
    si = firings.si
    flow = pulse_train(si.time, si.speed, np.where(heard, si.burn, 0.0), rate=float(rate), duration=firings.duration)
    out = radiated(through_pipe(flow, rate=float(rate), delay=pipe.delay, returned=pipe.returned, corner=pipe.corner), rate=float(rate))
    edge = np.sin(0.5 * np.pi * np.linspace(0.0, 1.0, round(EDGES * rate))) ** 2
    if out.size >= 2 * edge.size:
        out[: edge.size] *= edge
        out[-edge.size :] *= edge[::-1]
    level = root_mean_square(out)
    return Sound(rate=rate, pipe_length=length, time=np.arange(out.size) / rate, pressure=out / level if level > 0.0 else out)

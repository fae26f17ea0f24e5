"""Firings as pulses in a pipe: what a listener at its end would have, of the rhythm alone."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["FINER", "gas_speed", "pipe_answer", "pulse_train", "radiated", "through_pipe"]

Array = NDArray[np.float64]

# A pulse is drawn so many times as finely as it is kept, then filtered: what is above half the rate kept is gone.
FINER = 4
# The gas that a burn leaves rushes out within so much crank angle of the valve's opening [crank deg], at its most: ESTIMATE, 10 to 40; it falls from there
# about three times as slowly.
RISES = 20.0
# A pulse is drawn until so many of its own times after it began: less than 1e-6 of its peak is left.
LASTS = 24.0


def pulse_train(times: Array, speeds: Array, strengths: Array, *, rate: float, duration: float) -> Array:
    """Return pulses of gas flow, one for each time, sampled and without anything above half the rate.

    Parameters
    ----------
    times : array, shape (n,) [s]
        When each begins.
    speeds : array, shape (n,) [rev/s]
        Of the crank: a pulse lasts an angle.
    strengths : array, shape (n,)
        Area of each, in any unit; nothing comes where it is zero.
    rate : float [Hz]
        Samples a second.
    duration : float [s]

    Returns
    -------
    array, shape (samples,)
        Strength over time [1/s].

    Notes
    -----
    ``flow = strength x**2 exp(-x) / (2 tau)`` with x the time after the beginning over tau; it is at its most at two tau. Its shape is an ESTIMATE: steep at
    the front, where the valve opens on hot gas, and slower at the back.

    Examples
    --------
    >>> import numpy as np
    >>> flow = pulse_train(np.array([0.1]), np.array([15.0]), np.array([2.0]), rate=8000.0, duration=0.3)
    >>> round(float(flow.sum() / 8000.0), 3), bool(abs(flow[:780]).max() < 1e-3 * flow.max())
    (2.0, True)
    """
    from scipy.signal import resample_poly

    fine = FINER * rate
    flow = np.zeros(round(duration * rate) * FINER)
    for time, speed, strength in zip(times, speeds, strengths, strict=True):
        if strength == 0.0:
            continue
        tau = 0.5 * RISES / 360.0 / speed
        first, last = math.ceil(time * fine), min(math.ceil((time + LASTS * tau) * fine), flow.size)
        if first < 0 or first >= last:
            continue
        x = (np.arange(first, last) / fine - time) / tau
        flow[first:last] += strength * x**2 * np.exp(-x) / (2.0 * tau)
    return np.asarray(resample_poly(flow, 1, FINER))


def gas_speed(temperature: float) -> float:
    """Return the speed of sound [m/s] in exhaust gas at a temperature [K], taken as air: textbook, ``sqrt(gamma R T)``.

    >>> round(gas_speed(600.0))
    491
    """
    from ..constants import AIR_GAMMA, AIR_GAS_CONSTANT

    return math.sqrt(AIR_GAMMA * AIR_GAS_CONSTANT * temperature)


def _filter(rate: float, delay: float, returned: float, corner: float) -> tuple[Array, Array]:
    """Return numerator and denominator of a pipe's answer: a delay there and back, a share that returns upside down, duller each time."""
    samples = max(round(delay * rate), 2)
    keeps = math.exp(-2.0 * math.pi * corner / rate)
    above, below = np.zeros(2), np.zeros(samples + 1)
    above[:] = 1.0, -keeps
    below[:2] = 1.0, -keeps
    below[samples] += returned * (1.0 - keeps)
    return above, below


def through_pipe(flow: Array, *, rate: float, delay: float, returned: float, corner: float) -> Array:
    """Return the flow out of the open end of a pipe that is fed at its closed end.

    Parameters
    ----------
    flow : array, shape (samples,)
        Into the closed end, in any unit.
    rate : float [Hz]
        Samples a second.
    delay : float [s]
        There and back, taken to the nearest sample.
    returned : float
        Share of a wave that comes back, 0 to 1.
    corner : float [Hz]
        Above it less comes back.

    Notes
    -----
    A wave runs to the open end, where a share of it returns upside down, and from the closed end it goes out again as it came: a line one dimension long
    whose frequencies are the odd multiples of one over twice the delay (textbook, a quarter wave). The share and the corner stand for all that
    a pipe, its bends and its silencer take: ESTIMATE.

    Examples
    --------
    >>> import numpy as np
    >>> knock = np.zeros(64)
    >>> knock[0] = 1.0
    >>> through_pipe(knock, rate=8000.0, delay=2e-3, returned=0.5, corner=1e6)[[0, 16, 32]].round(3).tolist()
    [1.0, -0.5, 0.25]
    """
    from scipy.signal import lfilter

    return np.asarray(lfilter(*_filter(rate, delay, returned, corner), flow))


def pipe_answer(frequencies: Array, *, rate: float, delay: float, returned: float, corner: float) -> NDArray[np.complex128]:
    """Return how a pipe answers at some frequencies, as a complex factor.

    Parameters
    ----------
    frequencies : array, shape (n,) [Hz]
    rate : float [Hz]
        Samples a second.
    delay : float [s]
        There and back.
    returned : float
        Share of a wave that comes back.
    corner : float [Hz]
        Above it less comes back.

    References
    ----------
    Textbook: linear filters, freqz.
    """
    from scipy.signal import freqz

    return np.asarray(freqz(*_filter(rate, delay, returned, corner), worN=frequencies, fs=rate)[1])


def radiated(flow: Array, *, rate: float) -> Array:
    """Return the sound pressure that a flow out of a small opening makes far off, in any unit: textbook, a simple source, the flow's rate of change.

    Parameters
    ----------
    flow : array, shape (samples,)
    rate : float [Hz]
        Samples a second.
    """
    return np.diff(flow, prepend=flow[:1]) * rate

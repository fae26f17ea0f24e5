"""A signal drawn anew each cycle and held, as a log shows it: what the load filter, the rows and the bands leave of its swing."""

from __future__ import annotations

import math

import numpy as np

from .signals import ORDER

__all__ = ["seen_share"]

# Frequencies in the middle of so many parts of the band; what folds down is followed to where so many turns of the sinc have died down.
PARTS, FOLDED = 1000, 40.0


def seen_share(interval: float, rate: float, *, lowest: float, lag: float = 0.0, without: tuple[float, float] | None = None) -> float:
    """Return which share of the power of a signal drawn anew each interval is left in a log.

    Parameters
    ----------
    interval : float [s]
        Between draws.
    rate : float [Hz]
        Rows a second; each row a sample, no mean over what came before it.
    lowest : float [Hz]
        What is slower is taken off as a trend.
    lag : float [s]
        Time constant of a first-order filter before the log.
    without : pair of float [Hz], optional
        A band that is taken out besides.

    Notes
    -----
    The signal has the spectrum ``2 T sinc^2(f T)`` for a variance of one. The filter divides by ``1 + (2 pi f lag)^2``. Rows fold all
    above half their rate down and lose nothing of it. Bands have the edges of ``band_pass``.

    References
    ----------
    Textbook: spectrum of independent draws, each held for an interval; folding by sampling.

    Examples
    --------
    At 1500 rpm, all but the trend; then behind a filter of 20 ms.

    >>> round(seen_share(0.08, 50.0, lowest=0.5), 3)
    0.912
    >>> round(seen_share(0.08, 50.0, lowest=0.5, lag=0.02), 3)
    0.669
    """
    band = rate / 2.0 * (np.arange(PARTS) + 0.5) / PARTS
    folds = math.ceil(FOLDED / (interval * rate))
    at = band + rate * np.arange(-folds, folds + 1)[:, None]
    power = (2.0 * interval * np.sinc(at * interval) ** 2 / (1.0 + (2.0 * math.pi * at * lag) ** 2)).sum(axis=0)
    with np.errstate(over="ignore"):
        gain = 1.0 / (1.0 + (lowest / band) ** ORDER)
        if without is not None:
            low, high = without
            gain *= 1.0 - 1.0 / ((1.0 + (low / band) ** ORDER) * (1.0 + (band / high) ** ORDER))
    return float(np.mean(power * gain**2) * rate / 2.0)

"""How an acceleration feels: the frequency weightings of ISO 2631-1, and grades of our own for surge."""

from __future__ import annotations

import functools
import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..codes import Code
from ..errors import InputError, did_you_mean

__all__ = [
    "BACKREST_FACTOR", "GRADES", "WEIGHTINGS", "ComfortReaction", "SurgeGrade", "Weighting", "comfort_reactions", "grade_of", "vibration_dose", "weighted",
    "weighting_factor",
]  # fmt: skip

Array = NDArray[np.float64]


class SurgeGrade(Code):
    """How hard a car surges, mildest first; ours, of no standard. ``GRADES`` has the limits of acceleration."""

    UNKNOWN = "not known"
    SMOOTH = "smooth"
    TRACE = "trace"
    NOTICEABLE = "noticeable"
    DISTURBING = "disturbing"
    SEVERE_BUCKING = "severe bucking"
    # The loop of engine, table and driveline has no damping left: the swing grows by itself, whatever moves it first.
    SELF_EXCITED_BUCKING = "self-excited bucking"
    STALLS = "stalls"

    @property
    def severity(self) -> int:
        """Place on the scale, from 0; a grade that is not known counts as the mildest."""
        return list(type(self)).index(self)

    @property
    def bad(self) -> bool:
        """Whether a gear is not to be used there: disturbing or worse."""
        return self.severity >= SurgeGrade.DISTURBING.severity

    @classmethod
    def worst(cls, *grades: SurgeGrade) -> SurgeGrade:
        """Return the hardest of some grades.

        >>> str(SurgeGrade.worst(SurgeGrade.TRACE, SurgeGrade.STALLS, SurgeGrade.SMOOTH))
        'stalls'
        """
        return max(grades, key=lambda grade: grade.severity)


class ComfortReaction(Code):
    """The comfort reactions of ISO 2631-1:1997, annex C, in its own words."""

    NOT_UNCOMFORTABLE = "not uncomfortable"
    A_LITTLE_UNCOMFORTABLE = "a little uncomfortable"
    FAIRLY_UNCOMFORTABLE = "fairly uncomfortable"
    UNCOMFORTABLE = "uncomfortable"
    VERY_UNCOMFORTABLE = "very uncomfortable"
    EXTREMELY_UNCOMFORTABLE = "extremely uncomfortable"


class Weighting(NamedTuple):
    """Parameters of a weighting: corner frequencies [Hz] and quality factors of the transition and, where there is one, of the step."""

    transition: float
    quality: float
    step: tuple[float, float, float, float] | None = None


# ISO 2631-1:1997 annex A. Band limits and Wd read in a copy of the same filter in BS 6841; Wk and Wc from memory; the printed
# table of factors, read, agrees with all three except Wd at 10 Hz, where it says 212 and the filter 201.7 thousandths.
WEIGHTINGS = {
    "Wd": Weighting(2.0, 0.63),
    "Wk": Weighting(12.5, 0.63, (2.37, 0.91, 3.35, 0.91)),
    "Wc": Weighting(8.0, 0.63),
}
BAND_LIMITS = (0.4, 100.0)
# Comfort factor of the seat back, fore and aft, with Wc; ISO 2631-1, read.
BACKREST_FACTOR = 0.8
# ISO 2631-1 annex C, comfort reactions to the weighted r.m.s. [m/s2]; the bands overlap on purpose. Read.
COMFORT = (
    (0.0, 0.315, ComfortReaction.NOT_UNCOMFORTABLE),
    (0.315, 0.63, ComfortReaction.A_LITTLE_UNCOMFORTABLE),
    (0.5, 1.0, ComfortReaction.FAIRLY_UNCOMFORTABLE),
    (0.8, 1.6, ComfortReaction.UNCOMFORTABLE),
    (1.25, 2.5, ComfortReaction.VERY_UNCOMFORTABLE),
    (2.0, math.inf, ComfortReaction.EXTREMELY_UNCOMFORTABLE),
)
# Grades of surge by peak-to-peak acceleration [m/s2], each up to and with its limit. Ours, not of any standard: ISO calls 0.3 m/s2 peak
# at 3 Hz "not uncomfortable" though it is some 13 times what is just felt. ESTIMATE.
GRADES = (
    (0.05, SurgeGrade.SMOOTH),
    (0.15, SurgeGrade.TRACE),
    (0.4, SurgeGrade.NOTICEABLE),
    (0.8, SurgeGrade.DISTURBING),
    (math.inf, SurgeGrade.SEVERE_BUCKING),
)


def weighting_factor(frequency: Any, name: str = "Wd") -> Any:
    """Return the complex factor of a weighting at a frequency.

    Parameters
    ----------
    frequency : float or array [Hz]
    name : str
        ``Wd`` (seat, fore and aft), ``Wc`` (seat back, fore and aft) or ``Wk`` (seat, vertical).

    Raises
    ------
    InputError
        If the weighting is not known.

    Notes
    -----
    Two-pole high pass at 0.4 Hz and low pass at 100 Hz, both with Q = 1/sqrt 2; transition ``(1 + s/w3)/(1 + s/(Q w3) + s^2/w3^2)``; for Wk
    the step ``(w5/w6)^2 (1 + s/(Q5 w5) + s^2/w5^2)/(1 + s/(Q6 w6) + s^2/w6^2)``.

    References
    ----------
    ISO 2631-1:1997, annex A.

    Examples
    --------
    >>> round(float(abs(weighting_factor(2.0))), 4)
    0.8902
    """
    if name not in WEIGHTINGS:
        raise InputError("weighting", came=name, expected="Wd, Wc or Wk", fix=did_you_mean(name, WEIGHTINGS))
    corner, quality, step = WEIGHTINGS[name]
    s = 2j * np.pi * np.asarray(frequency, dtype=float)
    low, high, turn = (2.0 * np.pi * f for f in (*BAND_LIMITS, corner))
    out = s**2 / (s**2 + math.sqrt(2.0) * low * s + low**2) * high**2 / (s**2 + math.sqrt(2.0) * high * s + high**2)
    out *= (1.0 + s / turn) / (1.0 + s / (quality * turn) + s**2 / turn**2)
    if step is not None:
        w5, q5, w6, q6 = 2.0 * np.pi * step[0], step[1], 2.0 * np.pi * step[2], step[3]
        out *= (w5 / w6) ** 2 * (1.0 + s / (q5 * w5) + s**2 / w5**2) / (1.0 + s / (q6 * w6) + s**2 / w6**2)
    return out


def weighted(acceleration: Array, step: float, name: str = "Wd") -> Array:
    """Return an evenly sampled acceleration passed through a weighting.

    Parameters
    ----------
    acceleration : array [m/s2]
    step : float [s]
        Between samples.
    name : str
        As for ``weighting_factor``.

    Notes
    -----
    The exact factor at every frequency of the record, which is drawn out with zeros by ten seconds, four periods of the lowest corner, so
    that its end does not run into its beginning. The record should begin and end near zero.

    Examples
    --------
    >>> t = np.arange(0.0, 60.0, 0.01)
    >>> steady = weighted(0.3 * np.sin(2.0 * np.pi * 3.0 * t), 0.01)[1000:5000]
    >>> round(float(np.sqrt(np.mean(steady**2))), 4)
    0.1422
    """
    count = len(acceleration) + math.ceil(10.0 / step)
    spectrum = np.fft.rfft(acceleration, count)
    factor = (_kept_factors if count <= KEPT_LENGTH else _factors)(count, step, name)
    return np.asarray(np.fft.irfft(spectrum * factor, count)[: len(acceleration)])


def _factors(count: int, step: float, name: str) -> Any:
    return weighting_factor(np.fft.rfftfreq(count, step), name)


# A log asks for records of the same few lengths again and again.
KEPT_LENGTH = 20_000
_kept_factors = functools.lru_cache(maxsize=64)(_factors)


def vibration_dose(weighted_acceleration: Array, step: float) -> float:
    """Return the vibration dose value [m/s^1.75]: the fourth root of the integral of the fourth power.

    Examples
    --------
    >>> t = np.arange(0.0, 60.0, 0.001)
    >>> round(vibration_dose(0.3 * np.sqrt(2.0) * np.sin(2.0 * np.pi * 3.0 * t), 0.001), 5)
    0.92402
    """
    return float((np.sum(np.asarray(weighted_acceleration, dtype=float) ** 4) * step) ** 0.25)


def comfort_reactions(weighted_rms: float) -> tuple[ComfortReaction, ...]:
    """Return the comfort reactions of ISO 2631-1 that a weighted r.m.s. acceleration [m/s2] falls under; the bands overlap.

    >>> [reaction.code for reaction in comfort_reactions(0.55)]
    ['a_little_uncomfortable', 'fairly_uncomfortable']
    """
    return tuple(reaction for low, high, reaction in COMFORT if low <= weighted_rms < high)


def grade_of(peak_to_peak: float) -> SurgeGrade:
    """Return our own grade of a surge by its peak-to-peak acceleration [m/s2].

    Notes
    -----
    A limit belongs to the milder grade, so that a slope sized to bring the car to the top of "trace" is graded "trace".

    One scale for logs and predictions, laid on two figures. A logged swing is taken within 1 to 10 Hz and as the sine of its r.m.s. (2.83
    r.m.s. from peak to peak). A predicted one is taken within 0.5 to 16 Hz and as random (4 r.m.s.), so that the same r.m.s. grades up to
    1.41 times higher. The log keeps the narrower band because its acceleration often is the slope of road speed, whose noise grows with
    frequency: white noise of 4 mm/s (invented) at 50 rows a second reads 0.26 m/s2 peak to peak up to 10 Hz, but 0.53 up to 16, a grade
    more out of nothing. A driveline's mode above 10 Hz is felt by the prediction alone.

    Examples
    --------
    >>> grade_of(0.3).code, grade_of(0.15).code, grade_of(math.nan).code
    ('noticeable', 'trace', 'unknown')
    """
    if math.isnan(peak_to_peak):
        return SurgeGrade.UNKNOWN
    return next(grade for limit, grade in GRADES if peak_to_peak <= limit)

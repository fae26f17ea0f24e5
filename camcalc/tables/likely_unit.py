"""A load in the wrong unit that still lies in a possible range: told by what a naturally aspirated engine can do over a whole table or log."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..units import factor

__all__ = ["LowPressure", "axis_error", "fitting_labels", "low_pressure"]

Array = NDArray[np.float64]


class LowPressure(NamedTuple):
    """A log's manifold pressure that never leaves what overrun or a very light idle makes: its top as written, the unit that would fit, its top in kPa then."""

    top: float
    unit: str
    other: float


class _Span(NamedTuple):
    """What a load axis of a naturally aspirated engine reaches at least and begins below at most, and tops out at, in the inner unit; units tried."""

    reaches: float
    begins_below: float
    top: tuple[float, float]
    labels: tuple[str, ...]


# By the inner unit of the load: pressure [Pa], air charge [kg per cylinder and cycle], ratio of relative charge. An axis may leave out idle or full
# load, but not as much as this; ESTIMATE, wide on purpose.
_SPANS = {
    "Pa": _Span(35e3, 65e3, (75e3, 112e3), ("kPa", "inHg", "psi", "bar")),
    "kg": _Span(5e-5, 5e-4, (2e-4, 2e-3), ("mg", "g")),
    "": _Span(0.3, 0.7, (0.7, 1.5), ("percent", "1")),
}
# A manifold under these while the engine runs is a wrong unit or a gauge reading [Pa]: half of a log below the first, all of it below the
# second, or half of it above the third. ESTIMATE: overrun reaches 15 to 20 kPa, and a barometer 108.
LEAST_MIDDLE, LEAST_TOP, MOST_MIDDLE = 14e3, 32e3, 115e3


def fitting_labels(values: Array, unit: str, inner: str) -> list[str]:
    """Return the units under which written values make the axis of a whole table.

    Parameters
    ----------
    values : ndarray
        As written.
    unit : str
        As labelled; not among the answers.
    inner : str
        Inner unit of the load.

    Examples
    --------
    >>> fitting_labels(np.array([5.9, 14.8, 29.5]), "kPa", "Pa")
    ['inHg']
    """
    span = _SPANS[inner]
    found = []
    for label in span.labels:
        scale = factor("" if label == "1" else label, inner)
        if label != unit and span.top[0] <= values[-1] * scale <= span.top[1] and values[0] * scale <= span.begins_below:
            found.append(label)
    return found


def axis_error(values: Array, unit: str, scale: float, inner: str) -> InputError | None:
    """Return an error where a table's load axis makes a whole table in another unit and none in its own.

    Parameters
    ----------
    values : array, shape (n,) [as labelled]
        Loads as written.
    unit : str
        As labelled.
    scale : float
        Factor from the written unit to the inner one.
    inner : str
        Inner unit of the load.

    Examples
    --------
    >>> error = axis_error(np.array([5.9, 14.8, 29.5]), "kPa", 1e3, "Pa")
    >>> error.fix
    'if it is in inHg (20 to 99.9 kPa), write [inHg] into the corner cell; else add loads up to full load'
    """
    span = _SPANS.get(inner)
    if span is None or (values[-1] * scale >= span.reaches and values[0] * scale <= span.begins_below):
        return None
    labels = fitting_labels(values, unit, inner)
    if not labels:
        return None
    short = values[-1] * scale < span.reaches
    shown = span.labels[0]
    meant = " or ".join(f"in {label} ({_range(values, label, inner, shown)})" for label in labels)
    brackets = " or ".join(f"[{label}]" for label in labels)
    return InputError(
        "row 1, the load axis",
        came=f"{values[0]:g} to {values[-1]:g} {unit}",
        expected="loads up to a full one" if short else "loads down to a light one",
        fix=f"if it is {meant}, write {brackets} into the corner cell; else add loads {'up to full load' if short else 'down to idle'}",
    )


def low_pressure(numbers: Array, unit: str, scale: float) -> LowPressure | None:
    """Return what is odd where a log's manifold pressure never leaves what overrun or a very light idle makes; else nothing.

    >>> found = low_pressure(np.array([20e3, 29.5e3]), "kPa", 1e3)
    >>> found.top, found.unit, round(found.other, 1)
    (29.5, 'inHg', 99.9)
    """
    known = numbers[np.isfinite(numbers)]
    top = float(known.max()) if known.size else 100e3
    label = next((label for label in ("inHg", "psi") if label != unit and 60e3 <= top / scale * factor(label, "Pa") <= 108e3), "")
    if top >= LEAST_TOP or not label:
        return None
    return LowPressure(top / scale, label, top / scale * factor(label, "Pa") * 1e-3)


def _range(values: Array, label: str, inner: str, shown: str) -> str:
    scale = factor("" if label == "1" else label, inner) / factor(shown, inner)
    return f"{values[0] * scale:.3g} to {values[-1] * scale:.3g} {shown}"

"""Figures as a card prints them, with how far rounding may have moved them, and what they say about the lobes."""

from __future__ import annotations

from typing import Any, NamedTuple, cast

from ..cam.figures import Figure
from ..units import factor, parse

__all__ = ["Height", "Printed", "edge_of", "middle_of", "overlap_figure", "unit_factor"]


class Printed(NamedTuple):
    """A printed figure: value in the inner unit, and how far rounding may have moved it."""

    value: float
    rounding: float


class Height(NamedTuple):
    """What the card prints for one lobe at one checking height."""

    height: float
    label: str
    duration: Printed | None
    opens: Printed | None
    closes: Printed | None


def unit_factor(value: Any, unit: str) -> float:
    """Return how many ``unit`` one of a quantity string's own unit is."""
    return factor(f"{parse(value).units:~}", unit) if isinstance(value, str) else 1.0


def middle_of(row: Height) -> Printed | None:
    """Return the midpoint the events at one height imply, if they do."""
    if row.opens and row.closes:
        return Printed((row.opens.value + row.closes.value) / 2.0, (row.opens.rounding + row.closes.rounding) / 2.0)
    if row.duration and (row.opens or row.closes):
        event, sign = (row.opens, 1.0) if row.opens else (cast("Printed", row.closes), -1.0)
        return Printed(event.value + sign * row.duration.value / 2.0, event.rounding + row.duration.rounding / 2.0)
    return None


def overlap_figure(name: str, overlap: Printed, intake: Height, exhaust: Height) -> Figure:
    """Return the equation of an overlap: exhaust closing less intake opening, each known or by its centreline.

    Parameters
    ----------
    name : str
        What errors call the figure.
    overlap : Printed
        As printed [crank deg].
    intake, exhaust : Height
        What the card gives of each lobe at the same checking height.
    """
    value, rounding, weights = overlap.value, overlap.rounding, [0.0, 0.0]
    opening, closing = edge_of(intake, "opens"), edge_of(exhaust, "closes")
    for k, (edge, row, sign) in enumerate(((opening, intake, -1.0), (closing, exhaust, 1.0))):
        if edge is not None:
            value, rounding = value - sign * edge.value, rounding + edge.rounding
        else:
            duration = cast("Printed", row.duration)
            value, rounding, weights[k] = value - duration.value / 2.0, rounding + duration.rounding / 2.0, -1.0
    return Figure(name, weights[0], weights[1], value, rounding, overlap.value)


def edge_of(row: Height, which: str) -> Printed | None:
    """Return an opening or closing that the card gives, by itself or by the other one and the duration."""
    own, other = (row.opens, row.closes) if which == "opens" else (row.closes, row.opens)
    if own is not None or other is None or row.duration is None:
        return own
    return Printed(other.value + (-1.0 if which == "opens" else 1.0) * row.duration.value, other.rounding + row.duration.rounding)

"""Which of a sheet's assumptions move the answers most, by what the bands and the variants of the ceilings found."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..codes import Code
from ..sheet.sheet import Assumption
from .bands import HEADLINES, Headline, HeadlineBands, Uncertain
from .sensitivity import CeilingSensitivity, Changes

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["RankedAssumption", "ranked_assumptions"]

# Which keys of a sheet an uncertain input of the model stands for.
KEYS_OF: Mapping[Code, tuple[str, ...]] = {
    Uncertain.OVERLAP: ("[engine] valve_seat_angle", "[engine] valve_seat_width", "[engine] intake_port_diameter", "[engine] exhaust_port_diameter"),
    Uncertain.RESIDUAL_TEMPERATURE: ("[engine] exhaust_wall",),
    Uncertain.FRICTION: ("[engine] friction_factor", "[engine] accessory_power"),
    Uncertain.BURN: ("[idle] mixture", "[idle] spark_reserve"),
    Uncertain.BACK_PRESSURE: ("[engine] exhaust_back_pressure",),
    Uncertain.PORT_HEAT: ("[engine] port_heat_factor", "[engine] intake_wall"),
    Uncertain.PLENUM_HEAT: ("[engine] plenum_wall", "[engine] plenum_volume"),
    Uncertain.LIFT_LOSS: ("[engine] lift_loss", "[engine] leak_down"),
    Uncertain.WALL_HEAT: ("[engine] cylinder_wall",),
    Uncertain.SPARK_ENERGY: ("[engine] spark_energy",),
    Uncertain.OCTANE: ("[fuel] octane",),
    Changes.LOAD_SWING: ("[limits] load_filter",),
    Changes.OCTANE: ("[fuel] octane",),
    Changes.SMOOTH_GEARS: ("[vehicle] smooth_gears",),
}
# Points for the first, second and third of what matters most to a headline figure, and for each degree that a variant moves a ceiling; ESTIMATE.
PLACES, PER_DEGREE = (3.0, 2.0, 1.0), 0.3


class RankedAssumption(NamedTuple):
    """An assumption, and the headline figures that it moves; none where nothing sampled hangs on it."""

    assumption: Assumption
    moves: tuple[Headline, ...]


def ranked_assumptions(build: Build, sure: HeadlineBands | None, sensitivity: CeilingSensitivity | None) -> tuple[RankedAssumption, ...]:
    """Return every assumption of a sheet, those that move the answers most first, the others in the sheet's order.

    Parameters
    ----------
    build : Build
    sure : HeadlineBands, optional
        Which inputs matter most to each headline figure.
    sensitivity : CeilingSensitivity, optional
        How far each variant moves the ceilings.

    Examples
    --------
    >>> from camcalc import load_build
    >>> build = load_build("examples/quarry-road/build.toml")
    >>> len(ranked_assumptions(build, None, None)) == len(build.assumed)
    True
    """
    points: dict[str, float] = {}
    moved: dict[str, list[Headline]] = {}

    def add(cause: Code, size: float, headline: Headline) -> None:
        for key in KEYS_OF.get(cause, ()):
            points[key] = points.get(key, 0.0) + size
            moved.setdefault(key, []).append(headline)

    for name, inputs in sure.matters.items() if sure is not None else ():
        for size, cause in zip(PLACES, inputs, strict=False):
            add(cause, size, HEADLINES[name][2])
    if sensitivity is not None:
        limits = sensitivity.si.least
        for variant, row in zip(sensitivity.variants, limits, strict=True):
            apart = np.abs(row - limits[0])
            if np.isfinite(apart).any():
                add(variant.moved, PER_DEGREE * float(np.nanmax(apart)), Headline.CEILING)
    order = sorted(build.assumed, key=lambda one: -points.get(one.key, 0.0))
    return tuple(RankedAssumption(one, tuple(dict.fromkeys(moved.get(one.key, ())))) for one in order)

"""Slider-crank geometry: piston position, cylinder volume, effective compression."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..units import checked

__all__ = ["Geometry", "effective_compression", "geometry_of", "piston_drop", "swept_fraction"]

Array = NDArray[np.float64]


class Geometry(NamedTuple):
    """One cylinder's geometry in SI floats."""

    bore: float
    stroke: float
    rod: float
    compression_ratio: float
    cylinders: int

    @property
    def swept(self) -> float:
        """Swept volume of one cylinder [m3]."""
        return math.pi / 4.0 * self.bore**2 * self.stroke

    @property
    def clearance(self) -> float:
        """Clearance volume of one cylinder [m3]."""
        return self.swept / (self.compression_ratio - 1.0)

    @property
    def displacement(self) -> float:
        """Swept volume of the whole engine [m3]."""
        return self.swept * self.cylinders

    @property
    def rod_over_crank(self) -> float:
        """Rod length over crank radius."""
        return 2.0 * self.rod / self.stroke

    def piston_speed(self, speed: float) -> float:
        """Return mean piston speed [m/s] at a crank speed [rev/s]."""
        return 2.0 * self.stroke * speed

    def volume(self, angle: Array | float) -> Any:
        """Return cylinder volume [m3] at crank angles [deg], any top dead centre at 0."""
        return self.clearance + self.swept * _swept_fraction(angle, self.rod_over_crank)

    def clearance_height(self, angle: Array | float) -> Any:
        """Return volume over piston area [m] at crank angles [deg]."""
        return self.volume(angle) / (math.pi / 4.0 * self.bore**2)


def geometry_of(engine: Any) -> Geometry:
    """Return the geometry of a build sheet's engine."""
    return Geometry(engine.si.bore, engine.si.stroke, engine.si.rod_length, engine.compression_ratio, engine.cylinders)


def _swept_fraction(angle: Any, rod_over_crank: float) -> Any:
    theta = np.radians(angle)
    return 0.5 * (1.0 - np.cos(theta) + rod_over_crank - np.sqrt(rod_over_crank**2 - np.sin(theta) ** 2))


@checked("", angle=("crank_deg", -720.0, 1440.0), rod_over_crank=("", 1.5, 20.0))
def swept_fraction(angle: float, rod_over_crank: float) -> float:
    """Return the share of the swept volume above the piston.

    Parameters
    ----------
    angle : quantity [crank angle]
        After top dead centre.
    rod_over_crank : float
        Rod length over crank radius.

    Notes
    -----
    ``(1 - cos + l - sqrt(l^2 - sin^2))/2``, exact for a slider-crank without offset.

    Examples
    --------
    >>> round(swept_fraction("246 crank_deg", rod_over_crank=3.5).magnitude, 4)
    0.764
    """
    return float(_swept_fraction(angle, rod_over_crank))


@checked("m", angle=("crank_deg", -720.0, 1440.0), stroke=("m", 0.03, 0.3), rod_length=("m", 0.05, 0.6))
def piston_drop(angle: float, stroke: float, rod_length: float) -> float:
    """Return how far the piston stands below top dead centre.

    Parameters
    ----------
    angle : quantity [crank angle]
        After top dead centre.
    stroke, rod_length : quantity [length]

    References
    ----------
    Exact slider-crank geometry, no pin offset; Heywood 1988, equation 2.5 (from memory).

    Examples
    --------
    >>> round(piston_drop("180 crank_deg", stroke="90 mm", rod_length="150 mm").to("mm").magnitude, 6)
    90.0
    """
    if rod_length <= 0.75 * stroke:
        raise InputError(
            "rod_length",
            came=f"{rod_length * 1e3:.1f} mm with a stroke of {stroke * 1e3:.1f} mm",
            expected="a rod longer than 0.75 of the stroke",
            fix="check both figures and their units",
        )
    return stroke * float(_swept_fraction(angle, 2.0 * rod_length / stroke))


@checked("", compression_ratio=("", 4.0, 20.0), intake_closes=("crank_deg", -60.0, 150.0), rod_over_crank=("", 1.5, 20.0))
def effective_compression(compression_ratio: float, intake_closes: float, rod_over_crank: float) -> float:
    """Return the compression ratio that is left when the intake valve has closed.

    Parameters
    ----------
    compression_ratio : float
        Geometric.
    intake_closes : quantity [crank angle]
        After bottom dead centre.
    rod_over_crank : float
        Rod length over crank radius.

    Notes
    -----
    ``1 + (r - 1) Vf(180 + IVC)``, exact; what closes above the seat lift is a matter of choice, so say at which lift.

    Examples
    --------
    >>> round(effective_compression(10.0, intake_closes="60 crank_deg", rod_over_crank=3.276).magnitude, 3)
    8.274
    """
    return 1.0 + (compression_ratio - 1.0) * float(_swept_fraction(180.0 + intake_closes, rod_over_crank))

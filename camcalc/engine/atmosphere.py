"""The air around the engine: US Standard Atmosphere 1976 up to 11 km."""

from __future__ import annotations

import math
from typing import Any

from ..constants import STANDARD_PRESSURE
from ..units import checked

__all__ = ["STANDARD_TEMPERATURE", "barometer_of", "standard_pressure"]

STANDARD_TEMPERATURE = 288.15
LAPSE = 0.0065
EARTH_RADIUS = 6356766.0
# g0 M / (R L) with the 1976 constants: 9.80665 * 0.0289644 / (8.31432 * 0.0065)
EXPONENT = 9.80665 * 0.0289644 / (8.31432 * LAPSE)


@checked("Pa", altitude=("m", -500.0, 11000.0))
def standard_pressure(altitude: float) -> float:
    """Return standard air pressure at a geometric altitude.

    Parameters
    ----------
    altitude : quantity [length], -500 m to 11 km
        Above sea level.

    Notes
    -----
    ``p = p0 (1 - L H / T0)^5.2559`` with geopotential altitude ``H = Re Z / (Re + Z)``.

    References
    ----------
    U.S. Standard Atmosphere 1976, equation 33a.

    Examples
    --------
    >>> round(standard_pressure("1000 m").to("kPa").magnitude, 3)
    89.876
    """
    height = EARTH_RADIUS * altitude / (EARTH_RADIUS + altitude)
    return STANDARD_PRESSURE * (1.0 - LAPSE * height / STANDARD_TEMPERATURE) ** EXPONENT


def barometer_of(site: Any) -> float:
    """Return a site's air pressure [Pa]: its barometer, else the standard pressure at its altitude."""
    barometer = float(site.si.barometer)
    return standard_pressure.kernel(site.si.altitude) if math.isnan(barometer) else barometer

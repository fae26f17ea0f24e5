"""Outputs in the user's units: metric or imperial, lengths in both, and no more digits than a band carries.

Angles, engine speeds, shares, millisecond times and manifold pressures [kPa absolute] are written alike in both systems. JSON keeps its fixed units.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from .codes import Code
from .units import factor, quantity

__all__ = ["Shown", "UnitSystem", "band_text", "decimals_of", "figure_text", "length_text", "output_unit", "shown", "shown_text", "vacuum_text"]


class UnitSystem(Code):
    """The units a user reads: what a build sheet says or was typed in, or what ``--units`` asks for."""

    METRIC = "mm, km/h, N m, kg, degC, vacuum in kPa"
    IMPERIAL = "in, mph, lb-ft, lb, degF, vacuum in inHg"

    @property
    def road_speed_unit(self) -> str:
        """The unit of road speed, as ``[vehicle] road_speed_unit`` writes it."""
        return "mph" if self is UnitSystem.IMPERIAL else "km/h"


class Shown(NamedTuple):
    """A number, or an array, in the unit that the user reads."""

    value: Any
    unit: str


# The metric unit that each inner unit is shown in, where the caller asks for no other.
METRIC = {"m": "mm", "m**3": "L", "Pa": "kPa", "m/s": "km/h", "K": "degC", "crank_rps": "rpm", "kg/s": "g/s", "W": "kW"}
# What the trade writes in its place where it thinks in inches and pounds; what is not named here is written alike in both systems: port and
# runner volumes in cc, manifold and fuel pressures in kPa absolute and kPa, engine speeds in rpm.
IMPERIAL = {"mm": "inch", "m": "ft", "m**2": "ft**2", "L": "cid", "km/h": "mph", "N*m": "ft*lbf", "kg": "lb", "degC": "degF", "g/s": "lb/h", "kW": "hp"}
# How units are written for people.
WRITTEN = {
    "inch": "in", "cid": "cu in", "ft*lbf": "lb-ft", "N*m": "N m", "m**2": "m2", "ft**2": "sq ft", "crank_deg": "deg", "cam_deg": "cam deg", "percent": "%",
    "dimensionless": "",
}  # fmt: skip
LENGTHS = {"mm": 2, "inch": 3}  # decimals: a hundredth of a millimetre and a thousandth of an inch are what lift and lash are read to
# Digits of a figure that comes without a band: three, common practice, no source.
PLAIN_DIGITS = 3


def output_unit(show: str, system: UnitSystem) -> str:
    """Return the unit that a figure of the data, in its fixed unit, is shown in.

    >>> output_unit("inHg", UnitSystem.METRIC), output_unit("km/h", UnitSystem.IMPERIAL), output_unit("rpm", UnitSystem.IMPERIAL)
    ('kPa', 'mph', 'rpm')
    """
    if system is UnitSystem.METRIC:
        return "kPa" if show == "inHg" else show
    return IMPERIAL.get(show, show)


def shown(value: Any, unit: str, system: UnitSystem, *, show: str = "") -> Shown:
    """Return a number in the unit that the user reads.

    Parameters
    ----------
    value : float or ndarray of any shape
        In ``unit``.
    unit : str
        The inner unit, e.g. "m", "Pa", "m/s".
    system : UnitSystem
        The user's.
    show : str
        The metric unit that it is shown in where several serve, e.g. "m" for an altitude or "cc" for a port; its imperial counterpart follows from it.

    Returns
    -------
    Shown
        Value and unit, the unit as people write it.

    Examples
    --------
    >>> shown(0.0254, "m", UnitSystem.IMPERIAL), shown(0.0254, "m", UnitSystem.METRIC)
    (Shown(value=1.0, unit='in'), Shown(value=25.4, unit='mm'))
    >>> value, unit = shown(100.0, "N*m", UnitSystem.IMPERIAL)
    >>> round(value, 2), unit
    (73.76, 'lb-ft')
    """
    metric = show or METRIC.get(unit, unit)
    own = IMPERIAL.get(metric, metric) if system is UnitSystem.IMPERIAL else metric
    return Shown(quantity(value, unit, own).magnitude, WRITTEN.get(own, own))


def shown_text(value: float, unit: str, system: UnitSystem, *, low: float = math.nan, high: float = math.nan, show: str = "") -> str:
    """Write a number in the unit that the user reads, with its band where it has one.

    Parameters
    ----------
    value : float
        In ``unit``.
    unit : str
        The inner unit.
    system : UnitSystem
        The user's.
    low, high : float
        Band, in ``unit``; not a number where there is none.
    show : str
        As in ``shown``.

    Examples
    --------
    >>> shown_text(11.2, "m/s", UnitSystem.METRIC, low=10.0, high=12.4), shown_text(11.2, "m/s", UnitSystem.IMPERIAL, low=10.0, high=12.4)
    ('40 km/h (36 to 45)', '25.1 mph (22.4 to 27.7)')
    """
    own, unit_text = shown(value, unit, system, show=show)
    return band_text(own, shown(low, unit, system, show=show).value, shown(high, unit, system, show=show).value, unit_text)


def length_text(metres: float, system: UnitSystem) -> str:
    """Write a length of engine or cam in the user's unit, the other one in brackets.

    >>> length_text(0.00127, UnitSystem.IMPERIAL), length_text(0.001, UnitSystem.METRIC)
    ('0.050 in (1.27 mm)', '1.00 mm (0.039 in)')
    """
    texts = [f"{metres / factor(unit, 'm'):.{digits}f} {WRITTEN.get(unit, unit)}" for unit, digits in LENGTHS.items()]
    first, other = texts[::-1] if system is UnitSystem.IMPERIAL else texts
    return f"{first} ({other})"


def vacuum_text(vacuum: float, system: UnitSystem, *, low: float = math.nan, high: float = math.nan, brakes: bool = False) -> str:
    """Write a manifold vacuum, in inHg or in kPa below the barometer.

    Parameters
    ----------
    vacuum : float
        Below the barometer [Pa].
    system : UnitSystem
        The user's.
    low, high : float
        Band [Pa]; not a number where there is none.
    brakes : bool
        Whether brakes are meant: then inHg, which booster figures are given in, stands in brackets beside kPa.

    Examples
    --------
    >>> vacuum_text(36900.0, UnitSystem.IMPERIAL, low=33900.0, high=39300.0), vacuum_text(36900.0, UnitSystem.METRIC, brakes=True)
    ('10.9 inHg (10.0 to 11.6)', '36.9 kPa [10.9 inHg]')
    """

    def text(unit: str) -> str:
        pascals = factor(unit, "Pa")
        return band_text(vacuum / pascals, low / pascals, high / pascals, unit)

    if system is UnitSystem.IMPERIAL:
        return text("inHg")
    return f"{text('kPa')} [{text('inHg')}]" if brakes else text("kPa")


def band_text(value: float, low: float, high: float, unit: str = "") -> str:
    """Write a figure, its unit and its band, all three to the band's last digit; without a band, the figure alone.

    Parameters
    ----------
    value : float
        The figure, in ``unit``.
    low, high : float
        Its band, in the same unit; not a number where there is none.
    unit : str
        As people write it.

    Examples
    --------
    >>> band_text(1131.4, 903.0, 1348.0, "rpm"), band_text(112.25, math.nan, math.nan, "deg"), band_text(math.nan, 1.0, 2.0, "deg")
    ('1130 rpm (900 to 1350)', '112 deg', 'none')
    """
    if not math.isfinite(value):
        return "none"
    text = f"{figure_text(value, low, high)} {unit}".strip()
    if not (math.isfinite(low) and math.isfinite(high)):
        return text
    return f"{text} ({figure_text(low, low, high)} to {figure_text(high, low, high)})"


def figure_text(value: float, low: float = math.nan, high: float = math.nan) -> str:
    """Write a figure with no more digits than its band carries.

    The half width of the band decides, as an error does by the particle physicists' rule: where its three leading digits are 100 to 354 the figure
    is rounded at the second of them, at 355 to 949 at the first, and from 950 on at the second of 1000. Without a band, or with one of no width,
    three significant digits are written, and all digits before the point up to 9999.

    Parameters
    ----------
    value : float
        The figure, or one end of the band.
    low, high : float
        The band, in the same unit.

    References
    ----------
    Particle Data Group, Review of Particle Physics, Introduction, section "Rounding" (from memory). Three digits otherwise: common practice, no source.

    Examples
    --------
    >>> [figure_text(v, 900.0, 1350.0) for v in (1131.0, 900.0, 1350.0)]
    ['1130', '900', '1350']
    >>> figure_text(10.934, 10.04, 11.61), figure_text(0.03217, 0.0290, 0.0334), figure_text(1131.0), figure_text(0.012345)
    ('10.9', '0.0322', '1131', '0.0123')
    """
    if not math.isfinite(value):
        return "none"
    places = decimals_of(low, high)
    if places is None:
        places = 0 if value == 0.0 else max(PLAIN_DIGITS - 1 - math.floor(math.log10(abs(value))), 0)
    rounded = round(value, places)
    return f"{rounded + 0.0:.{max(places, 0)}f}"  # + 0.0: no "-0"


def decimals_of(low: float, high: float) -> int | None:
    """Return the decimals that a band carries, less than 0 where it ends before the point; ``None`` where there is no band.

    >>> decimals_of(900.0, 1350.0), decimals_of(10.0, 11.6), decimals_of(5.0, 5.0)
    (-1, 1, None)
    """
    half = 0.5 * abs(high - low)
    if not math.isfinite(half) or half == 0.0:
        return None
    exponent = math.floor(math.log10(half))
    lead = half / 10.0**exponent
    if lead >= 9.495:
        return -exponent
    return 1 - exponent if lead < 3.545 else -exponent

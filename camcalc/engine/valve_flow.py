"""Flow through valves and throttles: isentropic nozzle with discharge coefficient, and the poppet valve's least area."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from ..compiling import compiled
from ..units import checked

__all__ = [
    "ValveShape",
    "critical_ratio",
    "flow_function",
    "intake_discharge",
    "orifice_flow",
    "orifice_flow_kernel",
    "valve_area",
    "valve_area_kernel",
    "valve_shape_of",
]

# Below this pressure difference over upstream pressure the flow is made linear, so that its slope stays finite; the
# nozzle's square root is met with equal value and slope.
LINEAR_BELOW = 1e-4


class ValveShape(NamedTuple):
    """One valve's seat and port in SI floats; angle in radians, ``valves`` of the kind per cylinder."""

    head: float
    seat_width: float
    seat_angle: float
    port: float
    stem: float
    valves: int


def valve_shape_of(engine: Any, kind: str) -> ValveShape:
    """Return the ``"intake"`` or ``"exhaust"`` valve of a build sheet's engine."""
    si = engine.si
    return ValveShape(
        getattr(si, f"{kind}_valve_diameter"),
        si.valve_seat_width,
        math.radians(si.valve_seat_angle),
        getattr(si, f"{kind}_port_diameter"),
        getattr(si, f"{kind}_stem_diameter"),
        getattr(engine, f"{kind}_valves"),
    )


@checked("", pressure_ratio=("", 0.0, 1.0), gamma=("", 1.05, 1.7))
def flow_function(pressure_ratio: float, gamma: float) -> float:
    """Return dimensionless mass flow ``mdot sqrt(R T0) / (A p0)`` of an ideal nozzle.

    Parameters
    ----------
    pressure_ratio : float
        Downstream static over upstream stagnation pressure.
    gamma : float
        Ratio of specific heats.

    Notes
    -----
    Subcritical ``pr^(1/g) sqrt(2g/(g-1) (1 - pr^((g-1)/g)))``; constant below the critical ratio.

    References
    ----------
    NACA Report 1135; Heywood 1988, appendix C.

    Examples
    --------
    >>> round(flow_function(0.4, gamma=1.4).magnitude, 4)
    0.6847
    """
    return float(_psi(pressure_ratio, gamma))


@checked("", gamma=("", 1.05, 1.7))
def critical_ratio(gamma: float) -> float:
    """Return the pressure ratio at and below which the flow is choked.

    References
    ----------
    Heywood 1988, appendix C, isentropic flow (from memory): ``(2 / (gamma + 1)) ** (gamma / (gamma - 1))``.

    Examples
    --------
    >>> round(critical_ratio(1.4).magnitude, 4)
    0.5283
    """
    return float((2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0)))


@compiled
def _psi(pr: float, g: float) -> float:
    critical = (2.0 / (g + 1.0)) ** (g / (g - 1.0))
    if pr <= critical:
        return float(math.sqrt(g) * (2.0 / (g + 1.0)) ** ((g + 1.0) / (2.0 * (g - 1.0))))
    if pr >= 1.0:
        return 0.0
    edge = 1.0 - LINEAR_BELOW
    if pr > edge:
        # A cubic in the distance from 1: zero there, value and slope of the nozzle at the edge.
        at = edge ** (1.0 / g) * math.sqrt(2.0 * g / (g - 1.0) * (1.0 - edge ** ((g - 1.0) / g)))
        root = 1.0 - edge ** ((g - 1.0) / g)
        slope = -at * (1.0 / (g * edge) - (g - 1.0) / (2.0 * g) * edge ** (-1.0 / g) / root)
        s = (1.0 - pr) / LINEAR_BELOW
        d = slope * LINEAR_BELOW
        return float(s * (1.5 * at - 0.5 * d) + s**3 * (0.5 * d - 0.5 * at))
    return float(pr ** (1.0 / g) * math.sqrt(2.0 * g / (g - 1.0) * (1.0 - pr ** ((g - 1.0) / g))))


@compiled
def orifice_flow_kernel(area: float, p_up: float, p_down: float, t_up: float, r_gas: float, gamma: float) -> float:
    """Return mass flow [kg/s] through an effective area [m2]; ``p_up >= p_down``.

    Parameters
    ----------
    area : float
        Effective area [m2].
    p_up, p_down : float
        Pressures before and behind [Pa].
    t_up : float
        Temperature before the orifice [K].
    r_gas : float
        Gas constant [J/(kg K)].
    gamma : float
        Ratio of specific heats.

    References
    ----------
    As ``orifice_flow``, whose kernel it is.
    """
    return float(area * p_up / math.sqrt(r_gas * t_up) * _psi(p_down / p_up, gamma))


@checked(
    "kg/s",
    area=("m**2", 0.0, 0.1),
    discharge=("", 0.0, 1.2),
    pressure_upstream=("Pa", 1e3, 2e7),
    pressure_downstream=("Pa", 0.0, 2e7),
    temperature_upstream=("K", 150.0, 4000.0),
    gas_constant=("J/kg/K", 100.0, 600.0),
    gamma=("", 1.05, 1.7),
)
def orifice_flow(
    area: float,
    *,
    discharge: float,
    pressure_upstream: float,
    pressure_downstream: float,
    temperature_upstream: float,
    gas_constant: float = 287.05,
    gamma: float = 1.4,
) -> float:
    """Return mass flow through an orifice, valve or throttle; negative when the downstream side has the higher pressure.

    Parameters
    ----------
    area : quantity [area]
        Geometric area.
    discharge : float
        Discharge coefficient.
    pressure_upstream, pressure_downstream : quantity [pressure]
    temperature_upstream : quantity [temperature]
        Of the gas that flows.
    gas_constant : quantity [specific gas constant]
    gamma : float

    References
    ----------
    Heywood 1988, equations C.8 and C.9.

    Examples
    --------
    >>> air = dict(temperature_upstream="300 K", gas_constant="287 J/kg/K", gamma=1.4)
    >>> flow = orifice_flow("100 mm**2", discharge=0.6, pressure_upstream="101325 Pa", pressure_downstream="40530 Pa", **air)
    >>> round(flow.to("g/s").magnitude, 3)
    14.187
    """
    if pressure_upstream >= pressure_downstream:
        return float(orifice_flow_kernel(area * discharge, pressure_upstream, pressure_downstream, temperature_upstream, gas_constant, gamma))
    return -float(orifice_flow_kernel(area * discharge, pressure_downstream, pressure_upstream, temperature_upstream, gas_constant, gamma))


@compiled
def valve_area_kernel(lift: float, head: float, seat_width: float, seat_angle: float, port: float, stem: float) -> float:
    """Return the least flow area [m2] of a poppet valve at a lift [m]; three stages, continuous at both joints.

    Parameters
    ----------
    lift : float
        Valve lift [m]; 0 or less is a closed valve.
    head, seat_width, port, stem : float
        Diameter of the head, width of the seat, diameters of port and stem [m].
    seat_angle : float
        From the plane of the head [rad].

    References
    ----------
    As ``valve_area``, whose kernel it is.
    """
    if lift <= 0.0:
        return 0.0
    sin, cos = math.sin(seat_angle), math.cos(seat_angle)
    throat = math.pi / 4.0 * (port**2 - stem**2)
    if lift < seat_width / (sin * cos):
        area = math.pi * lift * cos * (head - 2.0 * seat_width + lift / 2.0 * math.sin(2.0 * seat_angle))
    else:
        mean = head - seat_width
        area = math.pi * mean * math.sqrt((lift - seat_width * math.tan(seat_angle)) ** 2 + seat_width**2)
    return float(min(area, throat))


@checked(
    "m**2",
    lift=("m", 0.0, 0.03),
    head=("m", 0.01, 0.1),
    seat_width=("m", 1e-4, 5e-3),
    seat_angle=("deg", 10.0, 70.0),
    port=("m", 5e-3, 0.1),
    stem=("m", 0.0, 0.03),
)
def valve_area(lift: float, *, head: float, seat_width: float, seat_angle: float, port: float, stem: float) -> float:
    """Return the least flow area of a poppet valve.

    Parameters
    ----------
    lift : quantity [length]
    head, seat_width, port, stem : quantity [length]
        Head diameter, seat width, port and stem diameter.
    seat_angle : quantity [plane angle]

    Notes
    -----
    Three stages: a frustum of the seat, a frustum from seat to head, the port less the stem.

    References
    ----------
    Heywood 1988, equations 6.7 to 6.9.

    Examples
    --------
    >>> valve = dict(head="49.3 mm", seat_width="1.5 mm", seat_angle="45 deg", port="44 mm", stem="8.7 mm")
    >>> round(valve_area("2 mm", **valve).to("mm**2").magnitude, 2)
    210.15
    """
    return float(valve_area_kernel(lift, head, seat_width, math.radians(seat_angle), port, stem))


@compiled
def intake_discharge(lift_over_diameter: float) -> float:
    """Return the intake discharge coefficient on curtain area, read in Sitthiracha 2006, equation 3-18; for l/D up to 0.3."""
    x = min(max(lift_over_diameter, 0.0), 0.3)
    return float((((190.47 * x - 143.13) * x + 31.248) * x - 2.5999) * x + 0.6913)

"""The rates of the cycle: one cylinder, its intake runner, its exhaust port, over crank angle.

State, first the volumes, then sums that the result needs:

    0 1 2   cylinder: mass [kg], temperature [K], burned mass [kg]
    3 4 5   intake port and runner: mass, temperature, burned mass
    6       flow from plenum into the runner [kg/s]; it has inertia
    7 8     exhaust port at constant pressure: temperature, burned fraction
    9 10 11 plenum (rippling form) or blow-back slug (``held``): mass, temperature, burned mass
    12..    sums, see ``SUMS``
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from .gas_kernel import FAST, flow, properties

__all__ = ["HELD", "LOST", "PLENUM", "RIPPLING", "STATES", "SUMS", "TOTAL", "Setup", "rates"]

Array = NDArray[np.float64]

# Intake models: constant-pressure plenum (default), rippling plenum, and two limiting forms that others can reproduce.
PLENUM, RIPPLING, LOST, HELD = 0, 1, 2, 3
STATES = 12
SUMS = (
    "work", "intake_in", "intake_back", "intake_in_burned", "intake_back_burned",
    "exhaust_out", "exhaust_back", "exhaust_out_burned", "exhaust_back_burned",
    "runner_in", "runner_back", "runner_back_burned", "runner_in_heat", "runner_back_heat",
    "collector_out", "collector_back", "collector_out_burned", "collector_out_heat",
    "cylinder_heat", "runner_heat", "port_heat", "made_burned", "runner_in_burned", "intake_heat",
)  # fmt: skip
TOTAL = STATES + len(SUMS)
TABLE_STEP = 0.25


class Setup(NamedTuple):
    """What does not change while a cycle runs; SI, angles in crank degrees."""

    gas: Array
    areas: Array  # rows: intake in, intake back, exhaust out, exhaust back; one column each 0.25 deg from 0 to 720
    speed: float
    model: int
    clearance: float
    swept: float
    rod_over_crank: float
    bore: float
    stroke: float
    runner_volume: float
    runner_area: float
    runner_length: float
    runner_diameter: float
    runner_loss: float
    port_volume: float
    port_diameter: float
    cylinder_wall: float
    runner_wall: float
    port_wall: float
    wall_factor: float  # multiplies the cylinder's heat transfer; 0 for adiabatic walls
    port_factor: float  # multiplies turbulent pipe heat transfer in runner and port; 0 for adiabatic
    smooth: float
    intake_pressure: float
    intake_temperature: float
    held_temperature: float
    exhaust_pressure: float
    plenum_volume: float
    throttle_area: float
    ambient_pressure: float
    ambient_temperature: float


class Boundary(NamedTuple):
    """What is settled from cycle to cycle: plenum and collector gas, the burn, the trapped state the burn starts from."""

    plenum_temperature: float
    plenum_burned: float
    collector_temperature: float
    collector_burned: float
    burn_start: float
    burn_duration: float
    burn_mass: float  # fresh mass that burns [kg]
    closed_pressure: float
    closed_volume: float
    closed_temperature: float
    closed_angle: float
    opens_angle: float


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _area(areas: Array, row: int, theta: float) -> float:
    x = (theta % 720.0) / TABLE_STEP
    k = int(x)
    f = x - k
    return (1.0 - f) * areas[row, k] + f * areas[row, k + 1]


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _volume(s: Setup, theta: float) -> tuple[float, float]:
    """Return cylinder volume [m3] and its slope [m3/deg]; firing top dead centre at 360."""
    a = math.radians(theta)
    sin, cos = math.sin(a), math.cos(a)
    root = math.sqrt(s.rod_over_crank**2 - sin * sin)
    v = s.clearance + 0.5 * s.swept * (1.0 - cos + s.rod_over_crank - root)
    return v, 0.5 * s.swept * sin * (1.0 + cos / root) * math.pi / 180.0


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _pipe_heat(mdot: float, t: float, diameter: float, area: float, factor: float) -> float:
    """Return heat transfer coefficient [W/m2/K] of turbulent pipe flow, times a factor for bends, valve jets and pulsation."""
    root = math.sqrt(t / 300.0)
    grown = root * math.sqrt(root)  # (T/300 K)^0.75, for viscosity and conductivity of air alike
    reynolds = abs(mdot) * diameter / (area * 1.85e-5 * grown)
    return factor * 0.0262 * grown / diameter * (4.0 + 0.023 * reynolds**0.8 * 0.87)


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _cylinder_heat(s: Setup, b: Boundary, theta: float, p: float, t: float, v: float) -> float:
    """Return heat lost to the cylinder walls [W]: Woschni 1967, pressure in kPa (constants read)."""
    if s.wall_factor == 0.0:
        return 0.0
    piston_speed = 2.0 * s.stroke * s.speed
    w = 6.18 * piston_speed
    closed = theta >= b.closed_angle and theta <= b.opens_angle
    if closed:
        w = 2.28 * piston_speed
        if theta > b.burn_start:
            motored = b.closed_pressure * (b.closed_volume / v) ** 1.32
            w += 3.24e-3 * s.swept * b.closed_temperature / (b.closed_pressure * b.closed_volume) * max(p - motored, 0.0)
    h = s.wall_factor * 3.26 * s.bore**-0.2 * (p * 1e-3 * w) ** 0.8 * t**-0.55
    surface = math.pi * s.bore * (0.5 * s.bore + 4.0 * v / (math.pi * s.bore**2))
    return h * surface * (t - s.cylinder_wall)


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _burn_rate(b: Boundary, theta: float) -> float:
    """Return the burned mass made per degree [kg/deg]: Wiebe, a = 5, m = 2."""
    if b.burn_duration <= 0.0 or theta <= b.burn_start or theta > b.opens_angle:
        return 0.0
    x = (theta - b.burn_start) / b.burn_duration
    if x > 2.0:
        return 0.0
    return b.burn_mass * 15.0 / b.burn_duration * x * x * math.exp(-5.0 * x * x * x)


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _through(s: Setup, row: int, theta: float, pa: float, ta: float, ra: float, cpa: float, pb: float, tb: float, rb: float, cpb: float) -> float:
    """Return the flow through a valve [kg/s], from side a to side b positive; ``row`` and the next hold its areas that way and back."""
    if pa >= pb:
        area = _area(s.areas, row, theta)
        return flow(area, pa, pb, ta, ra, cpa / (cpa - ra), s.smooth) if area > 0.0 else 0.0
    area = _area(s.areas, row + 1, theta)
    return -flow(area, pb, pa, tb, rb, cpb / (cpb - rb), s.smooth) if area > 0.0 else 0.0


@compiled(error_model="numpy", fastmath=FAST)
def rates(theta: float, y: Array, dy: Array, s: Setup, b: Boundary) -> None:
    """Write the rates per crank degree into ``dy``.

    Parameters
    ----------
    theta : float
        Crank angle, firing top dead centre at 360 [crank deg].
    y : array, shape (states,)
        The state, in the order and units of this module's head.
    dy : array, shape (states,)
        Written to [the state's units for each crank degree].
    s : Setup
        Engine and gas.
    b : Boundary
        What this cycle is given.
    """
    seconds = 1.0 / (360.0 * s.speed)
    for k in range(y.size):
        dy[k] = 0.0
    # Cylinder
    v, dv = _volume(s, theta)
    mc, tc, yc = y[0], y[1], y[2] / y[0]
    rc, cpc, hc, dhc, drc = properties(s.gas, tc, yc)
    pc = mc * rc * tc / v
    # What stands before the intake valve
    if s.model <= RIPPLING:
        mr, tr, yr = y[3], y[4], y[5] / y[3]
    elif s.model == HELD and y[9] > 0.0:
        mr, tr, yr = 0.0, s.held_temperature, y[11] / y[9]
    else:
        mr, tr, yr = 0.0, s.intake_temperature, 0.0
    rr, cpr, hr, dhr, drr = properties(s.gas, tr, yr)
    pr = mr * rr * tr / s.runner_volume if s.model <= RIPPLING else s.intake_pressure
    # Exhaust port, at constant pressure
    tx, yx, px = y[7], y[8], s.exhaust_pressure
    rx, cpx, hx, dhx, drx = properties(s.gas, tx, yx)
    # Valves: positive into the cylinder through the intake, out of it through the exhaust
    inward = _through(s, 0, theta, pr, tr, rr, cpr, pc, tc, rc, cpc)
    hi, yi = (hr, yr) if pr >= pc else (hc, yc)
    outward = _through(s, 2, theta, pc, tc, rc, cpc, px, tx, rx, cpx)
    he, ye = (hc, yc) if pc >= px else (hx, yx)
    # Cylinder balance
    lost = _cylinder_heat(s, b, theta, pc, tc, v)
    made = _burn_rate(b, theta) / seconds
    dm = inward - outward
    db = inward * yi - outward * ye + made
    uc, dub = hc - rc * tc, dhc - drc * tc
    dy[0] = dm * seconds
    dy[1] = (inward * hi - outward * he - pc * dv / seconds - lost - uc * dm - dub * (db - yc * dm)) / (mc * (cpc - rc)) * seconds
    dy[2] = db * seconds
    _port(y, dy, s, b, seconds, outward, he, ye, tx, yx, rx, cpx, hx, dhx, drx)
    if s.model <= RIPPLING:
        _runner(y, dy, s, b, seconds, inward, hi, yi, pr, mr, tr, yr, rr, cpr, hr, dhr, drr)
    elif s.model == HELD:
        slug = seconds if inward < 0.0 or y[9] > 0.0 else 0.0
        dy[9] = -inward * slug
        dy[11] = -inward * yi * slug
    n = STATES
    dy[n] = pc * dv
    if inward >= 0.0:
        dy[n + 1], dy[n + 3] = inward * seconds, inward * yi * seconds
    else:
        dy[n + 2], dy[n + 4] = -inward * seconds, -inward * yi * seconds
    if outward >= 0.0:
        dy[n + 5], dy[n + 7] = outward * seconds, outward * ye * seconds
    else:
        dy[n + 6], dy[n + 8] = -outward * seconds, -outward * ye * seconds
    dy[n + 18] = lost * seconds
    dy[n + 21] = made * seconds
    dy[n + 23] = inward * hi * seconds


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _port(
    y: Array,
    dy: Array,
    s: Setup,
    b: Boundary,
    seconds: float,
    outward: float,
    he: float,
    ye: float,
    tx: float,
    yx: float,
    rx: float,
    cpx: float,
    hx: float,
    dhx: float,
    drx: float,
) -> None:
    """Exhaust port: its gas mixes, cools at the wall, and at constant pressure pushes what it cannot hold to the collector."""
    n = STATES
    if s.model >= LOST:
        return  # the limiting models hold a fixed exhaust reservoir
    m = s.exhaust_pressure * s.port_volume / (rx * tx)
    section = math.pi / 4.0 * s.port_diameter**2
    heat = 0.0
    if s.port_factor > 0.0:
        heat = _pipe_heat(outward, tx, s.port_diameter, section, s.port_factor) * 4.0 * s.port_volume / s.port_diameter * (tx - s.port_wall)
    arriving = max(outward, 0.0)
    mixed = arriving * (ye - yx)
    warmed = arriving * (he - hx) - heat - dhx * mixed
    dm = -m * (warmed / (m * cpx * tx) + drx * mixed / (m * rx))
    leaving = outward - dm
    if leaving < 0.0:
        # The collector gives back; what comes mixes too: dm = outward + back, linear in what comes back.
        _, _, hk, _, _ = properties(s.gas, b.collector_temperature, b.collector_burned)
        mix_each = b.collector_burned - yx
        warm_each = hk - hx - dhx * mix_each
        each = -(warm_each / (cpx * tx) + drx * mix_each / rx)
        back = (dm - outward) / (1.0 - each)
        mixed += back * mix_each
        warmed += back * warm_each
        leaving = -back
    dy[7] = warmed / (m * cpx) * seconds
    dy[8] = mixed / m * seconds
    dy[n + 20] = heat * seconds
    if leaving >= 0.0:
        dy[n + 14], dy[n + 16], dy[n + 17] = leaving * seconds, leaving * yx * seconds, leaving * hx * seconds
    else:
        dy[n + 15] = -leaving * seconds


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _runner(
    y: Array, dy: Array, s: Setup, b: Boundary, seconds: float,
    inward: float, hi: float, yi: float, pr: float, mr: float, tr: float, yr: float, rr: float, cpr: float, hr: float, dhr: float, drr: float,
) -> None:  # fmt: skip
    """Intake runner: fed by the plenum through a column of gas with inertia, drawn on by the valve, warmed or cooled by its wall."""
    n = STATES
    tp, yp, pp = b.plenum_temperature, b.plenum_burned, s.intake_pressure
    if s.model == RIPPLING:
        tp, yp = y[10], y[11] / y[9]
    rp, cpp, hp, dhp, drp = properties(s.gas, tp, yp)
    if s.model == RIPPLING:
        pp = y[9] * rp * tp / s.plenum_volume
    q = y[6]
    density = pp / (rp * tp) if q >= 0.0 else pr / (rr * tr)
    drop = s.runner_loss * q * abs(q) / (2.0 * density * s.runner_area**2)
    dy[6] = s.runner_area / s.runner_length * (pp - pr - drop) * seconds
    hq, yq = (hp, yp) if q >= 0.0 else (hr, yr)
    heat = 0.0
    if s.port_factor > 0.0:
        h = _pipe_heat(0.5 * (abs(q) + abs(inward)), tr, s.runner_diameter, s.runner_area, s.port_factor)
        heat = h * 4.0 * s.runner_volume / s.runner_diameter * (tr - s.runner_wall)
    dm = q - inward
    db = q * yq - inward * yi
    ur, dur = hr - rr * tr, dhr - drr * tr
    dy[3] = dm * seconds
    dy[4] = (q * hq - inward * hi - heat - ur * dm - dur * (db - yr * dm)) / (mr * (cpr - rr)) * seconds
    dy[5] = db * seconds
    dy[n + 19] = heat * seconds
    if q >= 0.0:
        dy[n + 9], dy[n + 12], dy[n + 22] = q * seconds, q * hq * seconds, q * yq * seconds
    else:
        dy[n + 10], dy[n + 11], dy[n + 13] = -q * seconds, -q * yq * seconds, -q * hq * seconds
    if s.model == RIPPLING:
        _plenum(y, dy, s, seconds, q, hq, yq, pp, tp, yp, rp, cpp, hp, dhp, drp)


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _plenum(
    y: Array, dy: Array, s: Setup, seconds: float,
    q: float, hq: float, yq: float, pp: float, tp: float, yp: float, rp: float, cpp: float, hp: float, dhp: float, drp: float,
) -> None:  # fmt: skip
    """The plenum: throttle flow in, runner flow out. Each cylinder of an engine brings its share; shares add, since all is linear in the flows."""
    ra, cpa, ha, _, _ = properties(s.gas, s.ambient_temperature, 0.0)
    throttle = 0.0
    if s.ambient_pressure >= pp:
        throttle = flow(s.throttle_area, s.ambient_pressure, pp, s.ambient_temperature, ra, cpa / (cpa - ra), s.smooth)
    dm = throttle - q
    db = -q * yq
    up, dup = hp - rp * tp, dhp - drp * tp
    dy[9] = dm * seconds
    dy[10] = (throttle * ha - q * hq - up * dm - dup * (db - yp * dm)) / (y[9] * (cpp - rp)) * seconds
    dy[11] = db * seconds

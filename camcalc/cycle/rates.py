"""The rates of the cycle: one cylinder, its intake runner, its exhaust port, over crank angle. The state is laid out in ``layout.py``."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from .gas_kernel import FAST, flow, properties
from .layout import ExhaustKind, IntakeKind, State, Sum
from .valve_streams import EXHAUST_AREAS, INTAKE_AREAS, Fed, Stream, before_valve, settled_flows, through
from .volumes import Boundary, Gas, Setup, at_pressure, filled, volume_at, warming, with_runner

__all__ = ["burn_rate", "cylinder_heat", "rates"]

Array = NDArray[np.float64]


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _pipe_heat(mdot: float, t: float, diameter: float, area: float, factor: float) -> float:
    """Return heat transfer coefficient [W/m2/K] of turbulent pipe flow, times a factor for bends, valve jets and pulsation.

    ``Nu = 4 + 0.023 Re^0.8 Pr^0.4``: what a pipe gives standing gas, and Dittus and Boelter's law (textbook, from memory).
    """
    root = math.sqrt(t / 300.0)
    grown = root * math.sqrt(root)  # (T/300 K)^0.75, for viscosity and conductivity of air alike
    reynolds = abs(mdot) * diameter / (area * 1.85e-5 * grown)
    return factor * 0.0262 * grown / diameter * (4.0 + 0.023 * reynolds**0.8 * 0.87)


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def cylinder_heat(s: Setup, b: Boundary, theta: float, p: float, t: float, v: float) -> float:
    """Return heat lost to the cylinder walls [W].

    Parameters
    ----------
    s : Setup
    b : Boundary
    theta : float
        Crank angle [deg after firing top dead centre].
    p : float
        Cylinder pressure [Pa].
    t : float
        Cylinder temperature [K].
    v : float
        Cylinder volume [m3].

    References
    ----------
    Woschni 1967, pressure in kPa (constants read).
    """
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
    # (p w)^0.8 T^-0.55 in one exponential.
    h = s.wall_factor * 3.26 * s.bore**-0.2 * math.exp(0.8 * math.log(p * 1e-3 * w) - 0.55 * math.log(t))
    surface = math.pi * s.bore * (0.5 * s.bore + 4.0 * v / (math.pi * s.bore**2))
    return h * surface * (t - s.cylinder_wall)


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def burn_rate(b: Boundary, theta: float) -> float:
    """Return the burned mass made per degree [kg/deg]: Wiebe, a = 5, with the burn's own power."""
    if b.burn_duration <= 0.0 or theta <= b.burn_start or theta > b.opens_angle or theta > b.burn_end:
        return 0.0
    x = (theta - b.burn_start) / b.burn_duration
    slope = x ** (b.burn_power - 1.0)
    exponent = 5.0 * slope * x
    if exponent > 40.0:
        return 0.0
    return b.burn_mass * 5.0 * b.burn_power / b.burn_duration * slope * math.exp(-exponent)


@compiled(error_model="numpy", fastmath=FAST)
def rates(theta: float, y: Array, dy: Array, s: Setup, b: Boundary) -> None:
    """Write the rates per crank degree into ``dy``.

    Parameters
    ----------
    theta : float
        Crank angle, firing top dead centre at 360 [crank deg].
    y : array, shape (states,)
        The state, in the order and units of ``layout.State`` and ``layout.Sum``.
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
    volume, growth = volume_at(s, theta)
    mass = y[State.CYLINDER_MASS]
    cylinder = filled(s, volume, mass, y[State.CYLINDER_TEMPERATURE], y[State.CYLINDER_BURNED] / mass)
    before = before_valve(s, y)
    port = at_pressure(s, b.exhaust_pressure, s.port_volume, y[State.PORT_TEMPERATURE], y[State.PORT_FRACTION])
    behind = port
    if s.exhaust_pulse != 1.0 and s.overlap_from < theta < s.overlap_to:
        behind = at_pressure(s, s.exhaust_pulse * b.exhaust_pressure, s.port_volume, port.temperature, port.burned)
    # Valves: positive into the cylinder through the intake, out of it through the exhaust
    inward = through(s, INTAKE_AREAS, theta, before, cylinder)
    outward = through(s, EXHAUST_AREAS, theta, cylinder, behind)
    lost = cylinder_heat(s, b, theta, cylinder.pressure, cylinder.temperature, volume)
    made = burn_rate(b, theta) / seconds
    fed = _fed(y, s, b, inward, before)
    if inward.falls > 0.0 or outward.falls > 0.0:
        inward, outward = settled_flows(s, seconds, (inward, outward), (before, cylinder, behind), fed, (growth / (volume * seconds), lost, made))
    dm = inward.flow - outward.flow
    db = inward.flow * inward.burned - outward.flow * outward.burned + made
    energy = inward.flow * inward.enthalpy - outward.flow * outward.enthalpy - cylinder.pressure * growth / seconds - lost
    dy[State.CYLINDER_MASS] = dm * seconds
    dy[State.CYLINDER_TEMPERATURE] = warming(cylinder, energy, dm, db) * seconds
    dy[State.CYLINDER_BURNED] = db * seconds
    if s.exhaust == ExhaustKind.PORT:
        _port(dy, s, b, seconds, outward, port)
    if with_runner(s):
        _runner(dy, s, seconds, inward, before, fed)
    elif s.intake == IntakeKind.HELD:
        slug = seconds if inward.flow < 0.0 or y[State.PLENUM_MASS] > 0.0 else 0.0
        dy[State.PLENUM_MASS] = -inward.flow * slug
        dy[State.PLENUM_BURNED] = -inward.flow * inward.burned * slug
    dy[Sum.WORK] = cylinder.pressure * growth
    if inward.flow >= 0.0:
        dy[Sum.INTAKE_IN], dy[Sum.INTAKE_IN_BURNED] = inward.flow * seconds, inward.flow * inward.burned * seconds
    else:
        dy[Sum.INTAKE_BACK], dy[Sum.INTAKE_BACK_BURNED] = -inward.flow * seconds, -inward.flow * inward.burned * seconds
    if outward.flow >= 0.0:
        dy[Sum.EXHAUST_OUT], dy[Sum.EXHAUST_OUT_BURNED] = outward.flow * seconds, outward.flow * outward.burned * seconds
    else:
        dy[Sum.EXHAUST_BACK], dy[Sum.EXHAUST_BACK_BURNED] = -outward.flow * seconds, -outward.flow * outward.burned * seconds
    dy[Sum.CYLINDER_HEAT] = lost * seconds
    dy[Sum.MADE_BURNED] = made * seconds
    dy[Sum.INTAKE_HEAT] = inward.flow * inward.enthalpy * seconds


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _port(dy: Array, s: Setup, b: Boundary, seconds: float, outward: Stream, gas: Gas) -> None:
    """Exhaust port: its gas mixes, cools at the wall, and at constant pressure pushes what it cannot hold to the collector."""
    m, t = gas.mass, gas.temperature
    section = math.pi / 4.0 * s.port_diameter**2
    heat = 0.0
    if s.port_factor > 0.0:
        heat = _pipe_heat(outward.flow, t, s.port_diameter, section, s.port_factor) * 4.0 * s.port_volume / s.port_diameter * (t - s.port_wall)
    arriving = max(outward.flow, 0.0)
    mixed = arriving * (outward.burned - gas.burned)
    warmed = arriving * (outward.enthalpy - gas.enthalpy) - heat - gas.enthalpy_by_burned * mixed
    dm = -m * (warmed / (m * gas.cp * t) + gas.constant_by_burned * mixed / (m * gas.gas_constant))
    leaving = outward.flow - dm
    if leaving < 0.0:
        # The collector gives back; what comes mixes too: dm = outward + back, linear in what comes back.
        _, _, hk, _, _ = properties(s.gas, b.collector_temperature, b.collector_burned)
        mix_each = b.collector_burned - gas.burned
        warm_each = hk - gas.enthalpy - gas.enthalpy_by_burned * mix_each
        each = -(warm_each / (gas.cp * t) + gas.constant_by_burned * mix_each / gas.gas_constant)
        back = (dm - outward.flow) / (1.0 - each)
        mixed += back * mix_each
        warmed += back * warm_each
        leaving = -back
    dy[State.PORT_TEMPERATURE] = warmed / (m * gas.cp) * seconds
    dy[State.PORT_FRACTION] = mixed / m * seconds
    dy[Sum.PORT_HEAT] = heat * seconds
    if leaving >= 0.0:
        dy[Sum.COLLECTOR_OUT], dy[Sum.COLLECTOR_OUT_BURNED] = leaving * seconds, leaving * gas.burned * seconds
        dy[Sum.COLLECTOR_OUT_HEAT] = leaving * gas.enthalpy * seconds
    else:
        dy[Sum.COLLECTOR_BACK] = -leaving * seconds


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _in_plenum(y: Array, s: Setup, b: Boundary) -> Gas:
    """Return what stands in the plenum: its own state where it breathes, else what is settled from cycle to cycle at constant pressure."""
    if s.intake == IntakeKind.RIPPLING:
        mass = y[State.PLENUM_MASS]
        return filled(s, s.plenum_volume, mass, y[State.PLENUM_TEMPERATURE], y[State.PLENUM_BURNED] / mass)
    return at_pressure(s, s.intake_pressure, s.plenum_volume, b.plenum_temperature, b.plenum_burned)


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _fed(y: Array, s: Setup, b: Boundary, inward: Stream, gas: Gas) -> Fed:
    """Return what feeds the runner through a column of gas with inertia; nothing where there is none."""
    if not with_runner(s):
        return Fed(Stream(0.0, 0.0, 0.0, 0.0), 0.0, 0.0, gas)
    plenum = _in_plenum(y, s, b)
    q = y[State.RUNNER_FLOW]
    source = plenum if q >= 0.0 else gas
    density = source.pressure / (source.gas_constant * source.temperature)
    drop = s.runner_loss * q * abs(q) / (2.0 * density * s.runner_area**2)
    heat = 0.0
    if s.port_factor > 0.0:
        h = _pipe_heat(0.5 * (abs(q) + abs(inward.flow)), gas.temperature, s.runner_diameter, s.runner_area, s.port_factor)
        heat = h * 4.0 * s.runner_volume / s.runner_diameter * (gas.temperature - s.runner_wall)
    grows = s.runner_area / s.runner_length * (plenum.pressure - gas.pressure - drop)
    return Fed(Stream(q, source.enthalpy, source.burned, 0.0), grows, heat, plenum)


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _runner(dy: Array, s: Setup, seconds: float, inward: Stream, gas: Gas, fed: Fed) -> None:
    """Intake runner: fed by the plenum through a column of gas with inertia, drawn on by the valve, warmed or cooled by its wall."""
    q, drawn, heat, plenum = fed.drawn.flow, fed.drawn, fed.heat, fed.plenum
    dy[State.RUNNER_FLOW] = fed.grows * seconds
    dm = q - inward.flow
    db = q * drawn.burned - inward.flow * inward.burned
    dy[State.RUNNER_MASS] = dm * seconds
    dy[State.RUNNER_TEMPERATURE] = warming(gas, q * drawn.enthalpy - inward.flow * inward.enthalpy - heat, dm, db) * seconds
    dy[State.RUNNER_BURNED] = db * seconds
    dy[Sum.RUNNER_HEAT] = heat * seconds
    if q >= 0.0:
        dy[Sum.RUNNER_IN], dy[Sum.RUNNER_IN_HEAT], dy[Sum.RUNNER_IN_BURNED] = q * seconds, q * drawn.enthalpy * seconds, q * drawn.burned * seconds
    else:
        dy[Sum.RUNNER_BACK], dy[Sum.RUNNER_BACK_BURNED] = -q * seconds, -q * drawn.burned * seconds
        dy[Sum.RUNNER_BACK_HEAT] = -q * drawn.enthalpy * seconds
    given = 0.0
    if s.plenum_factor > 0.0:
        conductance = _pipe_heat(q, plenum.temperature, s.runner_diameter, s.runner_area, s.plenum_factor) * s.plenum_area
        given = conductance * (plenum.temperature - s.plenum_wall)
        dy[Sum.PLENUM_CONDUCTANCE], dy[Sum.PLENUM_HEAT] = conductance * seconds, given * seconds
    if s.intake == IntakeKind.RIPPLING:
        _plenum(dy, s, seconds, drawn, plenum, given)


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _plenum(dy: Array, s: Setup, seconds: float, drawn: Stream, gas: Gas, heat: float) -> None:
    """The plenum: throttle flow in, runner flow and wall heat [W] out. Each cylinder of an engine brings its share; shares add, as all is linear."""
    ra, cpa, ha, _, _ = properties(s.gas, s.ambient_temperature, 0.0)
    throttle = 0.0
    if s.ambient_pressure >= gas.pressure:
        throttle = flow(s.throttle_area, s.ambient_pressure, gas.pressure, s.ambient_temperature, ra, cpa / (cpa - ra), s.smooth)
    dm = throttle - drawn.flow
    db = -drawn.flow * drawn.burned
    dy[State.PLENUM_MASS] = dm * seconds
    dy[State.PLENUM_TEMPERATURE] = warming(gas, throttle * ha - drawn.flow * drawn.enthalpy - heat, dm, db) * seconds
    dy[State.PLENUM_BURNED] = db * seconds

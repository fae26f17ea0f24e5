"""The rates of the cycle: one cylinder, its intake runner, its exhaust port, over crank angle. The state is laid out in ``layout.py``."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from .gas_kernel import FAST, flow, nozzle, properties
from .layout import ExhaustKind, IntakeKind, State, Sum

__all__ = ["QUICKEST", "TABLE_STEP", "Boundary", "Setup", "burn_rate", "cylinder_heat", "filled", "rates", "volume_at", "warming"]

Array = NDArray[np.float64]

TABLE_STEP = 0.25
# The quickest that two pressures meet through a valve [1/deg], where they would meet quicker still. Of 1, 1.5, 2, 3, 5 and 10 tried on three engines from
# 700 rpm up, this moves trapped mass and burned fraction by less than 0.02 %, as steps at a relative tolerance of 1e-5 do, and takes half the steps at idle.
QUICKEST = 2.0
# Rows of the table of valve areas: each valve forwards, and in the row after it backwards.
INTAKE_AREAS, EXHAUST_AREAS = 0, 2


class Setup(NamedTuple):
    """What does not change while a cycle runs; SI, angles in crank degrees."""

    gas: Array
    areas: Array  # rows: intake in, intake back, exhaust out, exhaust back; one column each 0.25 deg from 0 to 720
    speed: float
    intake: int  # an IntakeKind
    exhaust: int  # an ExhaustKind
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
    plenum_wall: float
    plenum_area: float  # wall of the plenum, a cylinder's share [m2]
    plenum_factor: float  # as port_factor, in the plenum
    smooth: float
    quickest: float  # two pressures meet through a valve no faster than this [1/deg]; see ``_unhurried``
    intake_pressure: float
    intake_temperature: float
    held_temperature: float
    exhaust_pressure: float
    exhaust_pulse: float  # pressure behind the exhaust valve while both valves are open, over its mean
    overlap_from: float
    overlap_to: float
    plenum_volume: float
    throttle_area: float
    ambient_pressure: float
    ambient_temperature: float

    @property
    def has_runner(self) -> bool:
        """Whether a runner stands before the intake valve; kernels ask ``_with_runner``."""
        return self.intake in (IntakeKind.PLENUM, IntakeKind.RIPPLING)


class Boundary(NamedTuple):
    """What is settled from cycle to cycle: plenum and collector gas, the burn, the trapped state the burn starts from."""

    plenum_temperature: float
    plenum_burned: float
    collector_temperature: float
    collector_burned: float
    exhaust_pressure: float  # in the exhaust port [Pa]
    burn_start: float
    burn_duration: float
    burn_power: float  # of the Wiebe function
    burn_end: float  # where the flame goes out
    burn_mass: float  # fresh mass that burns [kg]
    closed_pressure: float
    closed_volume: float
    closed_temperature: float
    closed_angle: float
    opens_angle: float


class Gas(NamedTuple):
    """What stands in a volume: mass [kg], temperature [K], burned fraction, pressure [Pa], properties of its mixture in SI units."""

    mass: float
    temperature: float
    burned: float
    pressure: float
    gas_constant: float
    cp: float
    enthalpy: float
    enthalpy_by_burned: float  # burned less fresh
    constant_by_burned: float  # burned less fresh


class Stream(NamedTuple):
    """What flows [kg/s], with the enthalpy [J/kg] and the burned fraction of the side that it comes from, and how the flow falls with the pressure
    against it [kg/(s Pa)]."""

    flow: float
    enthalpy: float
    burned: float
    falls: float


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _with_runner(s: Setup) -> bool:
    """Return whether a runner stands before the intake valve."""
    return s.intake == IntakeKind.PLENUM or s.intake == IntakeKind.RIPPLING


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _area(areas: Array, row: int, theta: float) -> float:
    x = (theta - 720.0 if theta >= 720.0 else theta) * (1.0 / TABLE_STEP)
    k = int(x)
    f = x - k
    return (1.0 - f) * areas[row, k] + f * areas[row, k + 1]


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def volume_at(s: Setup, theta: float) -> tuple[float, float]:
    """Return cylinder volume [m3] and its slope [m3/deg]; firing top dead centre at 360."""
    a = math.radians(theta)
    sin, cos = math.sin(a), math.cos(a)
    root = math.sqrt(s.rod_over_crank**2 - sin * sin)
    v = s.clearance + 0.5 * s.swept * (1.0 - cos + s.rod_over_crank - root)
    return v, 0.5 * s.swept * sin * (1.0 + cos / root) * math.pi / 180.0


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


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def filled(s: Setup, volume: float, mass: float, temperature: float, burned: float) -> Gas:
    """Return the gas that fills a volume.

    Parameters
    ----------
    s : Setup
    volume : float
        [m3].
    mass : float
        [kg].
    temperature : float
        [K].
    burned : float
        Burned gas, fraction by mass.
    """
    r, cp, h, dh, dr = properties(s.gas, temperature, burned)
    return Gas(mass, temperature, burned, mass * r * temperature / volume, r, cp, h, dh, dr)


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _at_pressure(s: Setup, pressure: float, volume: float, temperature: float, burned: float) -> Gas:
    """Return the gas that fills a volume [m3] at a pressure [Pa]."""
    r, cp, h, dh, dr = properties(s.gas, temperature, burned)
    return Gas(pressure * volume / (r * temperature), temperature, burned, pressure, r, cp, h, dh, dr)


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _before_valve(s: Setup, y: Array) -> Gas:
    """Return what stands before the intake valve: in the runner, or in a reservoir of a limiting form."""
    if _with_runner(s):
        mass = y[State.RUNNER_MASS]
        return filled(s, s.runner_volume, mass, y[State.RUNNER_TEMPERATURE], y[State.RUNNER_BURNED] / mass)
    if s.intake == IntakeKind.HELD and y[State.PLENUM_MASS] > 0.0:
        return _at_pressure(s, s.intake_pressure, 0.0, s.held_temperature, y[State.PLENUM_BURNED] / y[State.PLENUM_MASS])
    return _at_pressure(s, s.intake_pressure, 0.0, s.intake_temperature, 0.0)


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _through(s: Setup, row: int, theta: float, a: Gas, b: Gas) -> Stream:
    """Return the flow through a valve, from side a to side b positive; ``row`` and the next hold its areas that way and back."""
    if a.pressure >= b.pressure:
        area = _area(s.areas, row, theta)
        if area <= 0.0:
            return Stream(0.0, a.enthalpy, a.burned, 0.0)
        moved, falls = nozzle(area, a.pressure, b.pressure, a.temperature, a.gas_constant, a.cp / (a.cp - a.gas_constant), s.smooth)
        return Stream(moved, a.enthalpy, a.burned, falls)
    area = _area(s.areas, row + 1, theta)
    if area <= 0.0:
        return Stream(0.0, b.enthalpy, b.burned, 0.0)
    moved, falls = nozzle(area, b.pressure, a.pressure, b.temperature, b.gas_constant, b.cp / (b.cp - b.gas_constant), s.smooth)
    return Stream(-moved, b.enthalpy, b.burned, falls)


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _pressing(gas: Gas, energy: float, dm: float, db: float) -> float:
    """Return how fast a volume's pressure rises by what it gains [Pa/s], its size held."""
    dt = warming(gas, energy, dm, db)
    return gas.pressure * (dm / gas.mass + dt / gas.temperature + gas.constant_by_burned * (db - gas.burned * dm) / (gas.mass * gas.gas_constant))


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _unhurried(stream: Stream, a: Gas, b: Gas, meeting: float, by_flow: float, quickest: float) -> Stream:
    """Return a stream from side a to side b slowed towards the one that holds the two pressures' difference.

    The difference relaxes at ``by_flow * falls`` [1/s] onto what the flow of the moment needs. Where that is far quicker than all else, the flow is the one
    that holds it, whatever the nozzle; so the way there may be slower, and the flow stays the same but for how the difference itself changes.

    Parameters
    ----------
    stream : Stream
    a, b : Gas
    meeting : float
        How fast the difference rises with the stream as it is [Pa/s].
    by_flow : float
        How much slower for each kg/s [Pa/kg].
    quickest : float
        [1/s].
    """
    rate = by_flow * stream.falls
    if rate <= quickest:
        return stream
    moved = stream.flow + (1.0 - quickest / rate) * meeting / by_flow
    return Stream(moved, a.enthalpy, a.burned, stream.falls) if moved >= 0.0 else Stream(moved, b.enthalpy, b.burned, stream.falls)


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def warming(gas: Gas, energy: float, dm: float, db: float) -> float:
    """Return how fast a volume's temperature rises [K/s].

    Parameters
    ----------
    gas : Gas
        In the volume.
    energy : float
        Brought in [W].
    dm : float
        Mass gained [kg/s].
    db : float
        Burned mass gained [kg/s].
    """
    u = gas.enthalpy - gas.gas_constant * gas.temperature
    du = gas.enthalpy_by_burned - gas.constant_by_burned * gas.temperature
    return (energy - u * dm - du * (db - gas.burned * dm)) / (gas.mass * (gas.cp - gas.gas_constant))


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
    before = _before_valve(s, y)
    port = _at_pressure(s, b.exhaust_pressure, s.port_volume, y[State.PORT_TEMPERATURE], y[State.PORT_FRACTION])
    behind = port
    if s.exhaust_pulse != 1.0 and s.overlap_from < theta < s.overlap_to:
        behind = _at_pressure(s, s.exhaust_pulse * b.exhaust_pressure, s.port_volume, port.temperature, port.burned)
    # Valves: positive into the cylinder through the intake, out of it through the exhaust
    inward = _through(s, INTAKE_AREAS, theta, before, cylinder)
    outward = _through(s, EXHAUST_AREAS, theta, cylinder, behind)
    lost = cylinder_heat(s, b, theta, cylinder.pressure, cylinder.temperature, volume)
    made = burn_rate(b, theta) / seconds
    fed = _fed(y, s, b, inward, before)
    if inward.falls > 0.0 or outward.falls > 0.0:
        inward, outward = _settled_flows(s, seconds, (inward, outward), (before, cylinder, behind), fed, (growth / (volume * seconds), lost, made))
    dm = inward.flow - outward.flow
    db = inward.flow * inward.burned - outward.flow * outward.burned + made
    energy = inward.flow * inward.enthalpy - outward.flow * outward.enthalpy - cylinder.pressure * growth / seconds - lost
    dy[State.CYLINDER_MASS] = dm * seconds
    dy[State.CYLINDER_TEMPERATURE] = warming(cylinder, energy, dm, db) * seconds
    dy[State.CYLINDER_BURNED] = db * seconds
    if s.exhaust == ExhaustKind.PORT:
        _port(dy, s, b, seconds, outward, port)
    if _with_runner(s):
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
    return _at_pressure(s, s.intake_pressure, s.plenum_volume, b.plenum_temperature, b.plenum_burned)


class Fed(NamedTuple):
    """What the plenum and the wall give the runner: what flows in, with what it comes from; how fast that flow grows [kg/s2]; wall heat out [W]."""

    drawn: Stream
    grows: float
    heat: float
    plenum: Gas


@compiled(inline="always", error_model="numpy", fastmath=FAST)
def _fed(y: Array, s: Setup, b: Boundary, inward: Stream, gas: Gas) -> Fed:
    """Return what feeds the runner through a column of gas with inertia; nothing where there is none."""
    if not _with_runner(s):
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
def _settled_flows(
    s: Setup, seconds: float, streams: tuple[Stream, Stream], gases: tuple[Gas, Gas, Gas], fed: Fed, own: tuple[float, float, float]
) -> tuple[Stream, Stream]:
    """Return the flows through both valves, the one whose pressures meet the quicker unhurried.

    Parameters
    ----------
    s : Setup
    seconds : float
        For each degree.
    streams : tuple of two Streams
        Into the cylinder, out of it.
    gases : tuple of three Gases
        Before the intake valve, in the cylinder, behind the exhaust valve.
    fed : Fed
    own : tuple of three floats
        Of the cylinder: growth of its volume over the volume [1/s], wall heat out [W], burned mass made [kg/s].
    """
    inward, outward = streams
    before, cylinder, behind = gases
    grows, lost, made = own
    quickest = s.quickest / seconds
    dm = inward.flow - outward.flow
    db = inward.flow * inward.burned - outward.flow * outward.burned + made
    energy = inward.flow * inward.enthalpy - outward.flow * outward.enthalpy - lost
    # What the piston takes from the gas: pressure times how fast its volume grows.
    work = cylinder.mass * cylinder.gas_constant * cylinder.temperature * grows
    rising = _pressing(cylinder, energy - work, dm, db)
    rising -= cylinder.pressure * grows
    by_inward = _pressing(cylinder, inward.enthalpy, 1.0, inward.burned)
    feeding = 0.0
    if _with_runner(s):
        drawn = fed.drawn
        gained = drawn.flow * drawn.enthalpy - inward.flow * inward.enthalpy - fed.heat
        feeding = _pressing(before, gained, drawn.flow - inward.flow, drawn.flow * drawn.burned - inward.flow * inward.burned)
        by_inward += _pressing(before, inward.enthalpy, 1.0, inward.burned)
    by_outward = _pressing(cylinder, outward.enthalpy, 1.0, outward.burned)
    if by_inward * inward.falls >= by_outward * outward.falls:
        return _unhurried(inward, before, cylinder, feeding - rising, by_inward, quickest), outward
    return inward, _unhurried(outward, cylinder, behind, rising, by_outward, quickest)


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

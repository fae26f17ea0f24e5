"""One settled cycle as a result: what is trapped, where its burned gas came from, what work it does, and the proof."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord
from ..constants import torque_of_mean_pressure
from ..engine.friction import rubbing_friction
from ..errors import InputError, NoSolutionError
from ..marks import Mark, Marks, merged_marks
from ..results import Measure, Record, measure
from ..units import Bounds, to_si
from .best_torque import spark_ends
from .gas_kernel import properties
from .integrate import run_cycle
from .layout import INDEX, IntakeKind, State, Unknown
from .ledger import BurnedLedger, ledger_of
from .operating import Ending
from .resolved import ResolvedEngine
from .settled_figures import overlap_blow_back
from .steady import Settled
from .volumes import Setup

if TYPE_CHECKING:
    from ..sheet import Build
    from ..units import Quantity

__all__ = ["CycleResult", "CycleTraces", "describe_cycle", "simulate_cycle"]

Array = NDArray[np.float64]

SPEED = Bounds("crank_rps", 300.0 / 60.0, 9000.0 / 60.0, "rpm")
PRESSURE = Bounds("Pa", 5e3, 1.2e5, "kPa")
SPARK = Bounds("crank_deg", -20.0, 70.0)
AIR = Bounds("kg", 1e-6, 5e-3, "mg")
TORQUE = Bounds("N*m", -200.0, 2000.0)
AREA = Bounds("m**2", 1e-7, 5e-2, "mm**2")
LOWEST_TRIED = 8e3


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CycleTraces(ArrayRecord):
    """Traces over crank angle, firing top dead centre at 360, intake closing to intake closing."""

    AXES = ("angle",)

    angle: Measure = measure("crank_deg")
    volume: Measure = measure("m**3", "cc")
    pressure: Measure = measure("Pa", "kPa", doc="cylinder")
    temperature: Measure = measure("K", doc="cylinder")
    burned_fraction: Measure = measure("", doc="cylinder")
    runner_pressure: Measure = measure("Pa", "kPa")
    intake_flow: Measure = measure("kg/s", "g/s", doc="through the intake valve, into the cylinder positive")
    exhaust_flow: Measure = measure("kg/s", "g/s", doc="through the exhaust valve, out of the cylinder positive")
    runner_flow: Measure = measure("kg/s", "g/s", doc="from the plenum, into the runner positive")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CycleResult(Record):
    """One settled cycle of one cylinder."""

    intake_model: str
    outcome: Ending
    speed: Measure = measure("crank_rps", "rpm")
    manifold_pressure: Measure = measure("Pa", "kPa", doc="cycle mean in the plenum")
    exhaust_pressure: Measure = measure("Pa", "kPa")
    spark: Measure = measure("crank_deg", doc="before top dead centre")
    trapped_mass: Measure = measure("kg", "mg")
    fresh_air: Measure = measure("kg", "mg", doc="through the throttle, a cylinder and cycle")
    fuel: Measure = measure("kg", "mg", doc="injected, a cylinder and cycle")
    trapped_air: Measure = measure("kg", "mg", doc="fresh air in the cylinder at intake closing; part of it may have gone round through the plenum")
    burned_fraction: Measure = measure("", "percent", doc="by mass at intake closing")
    ledger: BurnedLedger
    overlap_blow_back: Measure = measure("kg", "mg", doc="through the intake valve, from its opening to exhaust closing; what follows is in push_back")
    push_back: Measure = measure("kg", "mg", doc="through the intake valve, from exhaust closing to its own closing")
    short_circuit: Measure = measure("kg", "mg", doc="fresh charge out through the exhaust valve during overlap")
    closing_pressure: Measure = measure("Pa", "kPa", doc="at intake closing")
    closing_temperature: Measure = measure("K")
    plenum_temperature: Measure = measure("K")
    plenum_burned_fraction: Measure = measure("", "percent")
    volumetric_efficiency: Measure = measure("", "percent", doc="net fresh charge over swept volume at plenum density")
    gross_imep: Measure = measure("Pa", "kPa")
    pumping_mep: Measure = measure("Pa", "kPa")
    net_imep: Measure = measure("Pa", "kPa")
    net_work: Measure = measure("J", doc="one cylinder, one cycle")
    brake_torque: Measure = measure("N*m", doc="whole engine, rubbing friction taken off, no accessories")
    flame_development: Measure = measure("crank_deg", doc="spark to 10 % burned")
    rapid_burn: Measure = measure("crank_deg", doc="10 to 90 % burned")
    half_burned: Measure = measure("crank_deg", doc="after top dead centre")
    completeness: Measure = measure("", "percent", doc="share of the fuel that could burn which does before the exhaust valve opens")
    exhaust_temperature: Measure = measure("K", "degC", doc="mean of what leaves the port")
    peak_pressure: Measure = measure("Pa", "bar")
    throttle_area: Measure = measure("m**2", "mm**2", doc="effective, of the whole engine")
    traces: CycleTraces = dataclasses.field(repr=False)
    cycles: int
    periodicity_residual: float
    mass_error: float
    energy_error: float
    burned_error: float
    history: tuple[float, ...] = dataclasses.field(repr=False)
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)

    def summary(self) -> str:
        """Return a printable table, ledger included, traces left out."""
        rows = [*self.rows(), ("", ""), ("residual came from", "")]
        rows += [("  " + name, value) for name, value in self.ledger.rows()]
        width = max(len(name) for name, _ in rows)
        return "\n".join(f"{name:<{width}}  {value}".rstrip() for name, value in rows)


def simulate_cycle(
    build: Build,
    *,
    speed: Quantity | str,
    manifold_pressure: Quantity | str | None = None,
    air_charge: Quantity | str | None = None,
    brake_torque: Quantity | str | None = None,
    throttle_area: Quantity | str | None = None,
    spark: Quantity | str | None = None,
    **options: Any,
) -> CycleResult:
    """Run one operating point until the cycle repeats itself.

    Parameters
    ----------
    build : Build
    speed : quantity [crank speed], 300 to 9000 rpm
    manifold_pressure : quantity [pressure]
        Mean in the plenum, up to the barometer. Or give one of the next three, and the pressure is solved for.
    air_charge : quantity [mass]
        Through the throttle, a cylinder and cycle.
    brake_torque : quantity [torque]
        Whole engine, rubbing friction taken off, no accessories.
    throttle_area : quantity [area]
        Effective opening of the whole engine.
    spark : quantity [crank angle]
        Before top dead centre; best torque when left out.
    **options
        As ``ResolvedEngine`` takes them: ``intake_model``, ``adiabatic``, ``instantaneous``, ``rtol``, ...

    Returns
    -------
    CycleResult
        With cycles run, residual of periodicity, and closure of mass, energy and burned gas.

    Raises
    ------
    InputError
        On a figure outside its range, or more or less than one load.
    NoSolutionError
        If the load cannot be reached, with the nearest that can; or if the cycle does not settle, with the history.

    Examples
    --------
    >>> from camcalc import load_build
    >>> build = load_build("examples/quarry-road/build.toml")
    >>> cycle = simulate_cycle(build, speed="2000 rpm", manifold_pressure="60 kPa", spark="30 crank_deg")
    >>> cycle.outcome.code, cycle.mass_error < 1e-5
    ('settled', True)
    """
    engine = ResolvedEngine(build, **options)
    n = float(to_si(speed, "speed", SPEED))
    angle = None if spark is None else float(to_si(spark, "spark", SPARK))
    given = {
        "manifold_pressure": (manifold_pressure, PRESSURE),
        "air_charge": (air_charge, AIR),
        "brake_torque": (brake_torque, TORQUE),
        "throttle_area": (throttle_area, AREA),
    }
    stated = {name: float(to_si(v, name, bounds)) for name, (v, bounds) in given.items() if v is not None}
    if len(stated) != 1:
        raise InputError("simulate_cycle load", came=", ".join(stated) or "none", expected="one of " + ", ".join(given))
    name, target = next(iter(stated.items()))
    pressure = target if name == "manifold_pressure" else _solve(engine, n, angle, name, target)
    if angle is not None:
        return describe_cycle(engine, engine.settled(n, pressure, angle), angle)
    angle = engine.best_spark(n, pressure)
    knocks = Mark.KNOCKS if angle > engine.knock_spark(n, pressure) else None
    return describe_cycle(engine, engine.settled(n, pressure, angle), angle).replace(marks={"spark": merged_marks(knocks, spark_ends(angle))})


def _solve(engine: ResolvedEngine, speed: float, spark: float | None, name: str, target: float) -> float:
    """Return the manifold pressure [Pa] at which a load is met; the highest, where several are."""
    from scipy.optimize import brentq

    def value(pressure: float) -> float | None:
        """Return the load at a pressure; None where the engine does not run."""
        try:
            angle = engine.best_spark(speed, pressure) if spark is None else spark
            state = engine.state(speed, pressure, angle)
        except NoSolutionError:
            return None
        if not state.runs:
            return None
        if name == "air_charge":
            return state.air
        if name == "brake_torque":
            return _torque(engine, speed, state.net)
        return _throttle(engine, speed, pressure, state.air)

    factor, unit = {"air_charge": (1e6, "mg"), "brake_torque": (1.0, "N m"), "throttle_area": (1e6, "mm2")}[name]
    high = engine.ambient * (0.9999 if name == "throttle_area" else 1.0)
    above = value(high)
    if above is None or above < target:
        most = "nothing: it does not run" if above is None else f"{above * factor:.4g} {unit}"
        raise NoSolutionError(
            f"{name} of {target * factor:.4g} {unit} is beyond reach at {speed * 60:.0f} rpm; the most is {most}",
            reachable=None if above is None else above * factor,
        )
    step = (high - LOWEST_TRIED) / 12.0
    low, least = high, above
    while low - step >= LOWEST_TRIED - 1.0:
        top, low = low, low - step
        now = value(low)
        dead = now is None
        if now is None:
            # The engine dies somewhere in this step: come as near to that as serves.
            low, now = _edge_of_running(value, low, top)
        least = min(least, now)
        if now <= target:
            return float(brentq(lambda p: (value(p) or 0.0) - target, low, top, xtol=2.0, rtol=1e-7))
        if dead:
            break
    raise NoSolutionError(
        f"{name} of {target * factor:.4g} {unit} is below reach at {speed * 60:.0f} rpm; the least is {least * factor:.4g} {unit}", reachable=least * factor
    )


def _edge_of_running(value: Callable[[float], float | None], dead: float, alive: float) -> tuple[float, float]:
    """Return the lowest pressure [Pa], to 500 Pa, at which the engine runs, and the load there."""
    while alive - dead > 500.0:
        middle = (dead + alive) / 2.0
        dead, alive = (middle, alive) if value(middle) is None else (dead, middle)
    found = value(alive)
    assert found is not None
    return alive, found


def _torque(engine: ResolvedEngine, speed: float, net: float) -> float:
    friction = engine.build.engine.friction_factor * engine.tolerances.friction * rubbing_friction.kernel(speed)
    return torque_of_mean_pressure(net - friction, engine.geometry.displacement)


def _throttle(engine: ResolvedEngine, speed: float, pressure: float, air: float) -> float:
    from .gas_kernel import flow

    s = engine.setup
    r, cp, *_ = properties(s.gas, s.ambient_temperature, 0.0)
    flux = flow(1.0, s.ambient_pressure, min(pressure, s.ambient_pressure), s.ambient_temperature, r, cp / (cp - r), 1e-4)
    charge = air * (1.0 + 1.0 / engine.air_fuel) * speed / 2.0 * engine.geometry.cylinders
    return charge / flux if flux > 0.0 else math.inf


def describe_cycle(engine: ResolvedEngine, c: Settled, spark: float) -> CycleResult:
    """Return a settled cycle as a result."""
    state = engine.describe(c, spark)
    s, z, course = c.setup, c.unknowns, c.course
    traces = _traces(engine, c)
    after = max(course.intake_opens, course.exhaust_closes)
    temperature, burned = (z[Unknown.PLENUM_TEMPERATURE], z[Unknown.PLENUM_FRACTION]) if s.has_runner else (s.intake_temperature, 0.0)
    density = s.intake_pressure / (properties(s.gas, temperature, burned)[0] * temperature)
    net_fresh = c.total("intake_in") - c.total("intake_in_burned") - c.total("intake_back") + c.total("intake_back_burned")
    short = 0.0
    if course.exhaust_closes > course.intake_opens:
        short = c.total("exhaust_out", course.intake_opens, course.exhaust_closes) - c.total("exhaust_out_burned", course.intake_opens, course.exhaust_closes)
    errors = closures(c) if c.runs else (math.nan, math.nan, math.nan)
    return CycleResult(
        intake_model=engine.intake_model,
        outcome=c.outcome,
        speed=s.speed,
        manifold_pressure=s.intake_pressure,
        exhaust_pressure=s.exhaust_pressure,
        spark=spark,
        trapped_mass=z[Unknown.CYLINDER_MASS],
        fresh_air=state.air,
        fuel=state.fuel,
        trapped_air=state.trapped_air,
        burned_fraction=z[Unknown.CYLINDER_FRACTION],
        ledger=ledger_of(c),
        overlap_blow_back=overlap_blow_back(c),
        push_back=c.total("intake_back", after, course.closes + 720.0),
        short_circuit=short,
        closing_pressure=c.boundary.closed_pressure,
        closing_temperature=z[Unknown.CYLINDER_TEMPERATURE],
        plenum_temperature=z[Unknown.PLENUM_TEMPERATURE],
        plenum_burned_fraction=z[Unknown.PLENUM_FRACTION],
        volumetric_efficiency=net_fresh / (density * s.swept),
        gross_imep=state.gross,
        pumping_mep=state.pumping,
        net_imep=state.net,
        net_work=c.total("work"),
        brake_torque=_torque(engine, s.speed, state.net),
        flame_development=c.burn.development,
        rapid_burn=c.burn.rapid,
        half_burned=state.half_burned,
        completeness=state.completeness,
        exhaust_temperature=z[Unknown.COLLECTOR_TEMPERATURE],
        peak_pressure=float(np.max(traces.si.pressure)),
        throttle_area=_throttle(engine, s.speed, s.intake_pressure, state.air),
        traces=traces,
        cycles=c.cycles,
        periodicity_residual=c.residual,
        mass_error=errors[0],
        energy_error=errors[1],
        burned_error=errors[2],
        history=c.history,
    )


def closures(c: Settled) -> tuple[float, float, float]:
    """Return how far mass, energy and burned gas fail to close over the cycle, relative to what passes through."""
    s, z = c.setup, c.unknowns
    trapped = z[Unknown.CYLINDER_MASS]
    if not s.has_runner:
        inward = c.total("intake_in") - c.total("intake_back")
        outward = c.total("exhaust_out") - c.total("exhaust_back")
        made = c.total("made_burned")
        net = (c.total("intake_in_burned") - c.total("intake_back_burned")) - (c.total("exhaust_out_burned") - c.total("exhaust_back_burned")) + made
        return float(abs(inward - outward) / trapped), math.nan, float(abs(net) / max(made, 1e-12))
    drawn, back, out, returned = (c.total(n) for n in ("runner_in", "runner_back", "collector_out", "collector_back"))
    mass = abs((drawn - back) - (out - returned) - _stored(c, -1) + _stored(c, 0)) / trapped
    collector = properties(s.gas, z[Unknown.COLLECTOR_TEMPERATURE], z[Unknown.COLLECTOR_FRACTION])[2]
    heats = c.total("cylinder_heat") + c.total("runner_heat") + c.total("port_heat")
    supplied = c.total("runner_in_heat") - c.total("runner_back_heat")
    if s.intake == IntakeKind.PLENUM:
        # From the throttle on: fresh charge of the ambient, less what the plenum gives its walls.
        supplied = (drawn - back) * properties(s.gas, s.ambient_temperature, 0.0)[2] - c.total("plenum_heat")
    enthalpy = supplied - c.total("collector_out_heat") + returned * collector
    change = _energy(c, -1) - _energy(c, 0)
    made = c.total("made_burned")
    released = made * -properties(s.gas, 298.15, 0.0)[3]
    energy = abs(enthalpy - c.total("work") - heats - change) / max(released, 1e-3 * trapped * 1e6)
    passing = c.total("runner_in_burned") - c.total("runner_back_burned") - c.total("collector_out_burned") + returned * z[Unknown.COLLECTOR_FRACTION]
    return float(mass), float(energy), float(abs(made + passing) / max(made, 1e-3 * trapped))


def _stored(c: Settled, k: int) -> float:
    """Return the mass in cylinder, runner and exhaust port at a stop [kg]."""
    s, y = c.setup, c.at_stops[k]
    return float(y[State.CYLINDER_MASS] + y[State.RUNNER_MASS] + _in_port(s, y))


def _in_port(s: Setup, y: Array) -> float:
    """Return the mass in the exhaust port [kg]."""
    t = y[State.PORT_TEMPERATURE]
    return float(s.exhaust_pressure * s.port_volume / (properties(s.gas, t, y[State.PORT_FRACTION])[0] * t))


def _energy(c: Settled, k: int) -> float:
    """Return internal energy in cylinder, runner and exhaust port at a stop [J]."""
    s, y = c.setup, c.at_stops[k]
    total = 0.0
    for mass, t, burned in (y[: State.CYLINDER_BURNED + 1], y[State.RUNNER_MASS : State.RUNNER_BURNED + 1]):
        r, _, h, _, _ = properties(s.gas, t, burned / mass)
        total += mass * (h - r * t)
    t = y[State.PORT_TEMPERATURE]
    r, _, h, _, _ = properties(s.gas, t, y[State.PORT_FRACTION])
    return float(total + _in_port(s, y) * (h - r * t))


def _constant(s: Setup, burned: Array) -> Array:
    """Return the gas constant [J/(kg K)] of a mixture; the same at any temperature."""
    fresh, made = (properties(s.gas, 500.0, share)[0] for share in (0.0, 1.0))
    return np.asarray(fresh + burned * (made - fresh))


def _traces(engine: ResolvedEngine, c: Settled) -> CycleTraces:
    """Run the settled cycle once more, keeping it at every degree."""
    s = c.setup
    angles = np.arange(math.ceil(c.course.closes), c.course.closes + 720.0, 1.0)
    if engine.instantaneous:
        kept, angles = c.at_stops, c.stops
    else:
        _, kept, _ = run_cycle(c.at_stops[0], c.stops, s, c.boundary, engine.rtol, angles)
    a = np.radians(angles)
    volume = s.clearance + 0.5 * s.swept * (1.0 - np.cos(a) + s.rod_over_crank - np.sqrt(s.rod_over_crank**2 - np.sin(a) ** 2))
    mass, temperature = kept[:, State.CYLINDER_MASS], kept[:, State.CYLINDER_TEMPERATURE]
    burned = kept[:, State.CYLINDER_BURNED] / mass
    runner = np.full(angles.size, s.intake_pressure)
    if s.has_runner:
        standing = kept[:, State.RUNNER_MASS]
        runner = standing * _constant(s, kept[:, State.RUNNER_BURNED] / standing) * kept[:, State.RUNNER_TEMPERATURE] / s.runner_volume
    seconds = 1.0 / (360.0 * s.speed)

    def rate(plus: str, minus: str) -> Array:
        net: Any = kept[:, INDEX[plus]] - kept[:, INDEX[minus]]
        made: Array = np.gradient(net, angles) / seconds
        return made

    return CycleTraces(
        angle=angles,
        volume=volume,
        pressure=mass * _constant(s, burned) * temperature / volume,
        temperature=temperature,
        burned_fraction=burned,
        runner_pressure=runner,
        intake_flow=rate("intake_in", "intake_back"),
        exhaust_flow=rate("exhaust_out", "exhaust_back"),
        runner_flow=rate("runner_in", "runner_back"),
    )

"""One-cylinder four-stroke cycle as a stirred, adiabatic control volume between two constant-pressure reservoirs.

Crank angle is in degrees: 0 is top dead centre between the exhaust and the intake stroke, 360 is firing top dead centre, a cycle
is 720. All other quantities are SI. Gas properties come from Cantera; the integration is LSODA restarted at every valve event.
"""

import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Literal, NamedTuple

import cantera as ct
import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

SPECIES = ("N2", "O2", "Ar", "CO2", "H2O", "C8H18,isooctane", "C7H8", "C2H5OH")
CYCLE = 720.0
FIRING = 360.0
BOTTOM_AFTER_INTAKE = 180.0
BOTTOM_AFTER_EXPANSION = 540.0
REFERENCE_TEMPERATURE = 298.15
LINEAR_BELOW = 1e-4
RTOL = 1e-8
ATOL = 1e-10
SETTLED = 1e-7
MAX_CYCLES = 200
MAX_SWITCHES = 200
MAX_STEP = 2.0

# Places in the state vector. The first five are the state of the cylinder and of the held slug, the rest are sums over the cycle.
MASS, TEMPERATURE, BURNED, SLUG, SLUG_BURNED, WORK, INTAKE_IN, INTAKE_OUT, EXHAUST_OUT, EXHAUST_IN, ENTHALPY_IN, ENTHALPY_OUT = range(12)
FIRST_SUM = WORK

Vector = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """One engine at one operating point.

    Lengths in m, speed in rev/s, pressures in Pa, temperatures in K. The four arrays are effective areas in m2 on a uniform
    crank-angle grid that starts at 0 and stops one step short of 720 degrees; forward is into the cylinder for the intake and out
    of it for the exhaust. `fresh` and `burned` are mole numbers of the same atoms.
    """

    bore: float
    stroke: float
    rod: float
    compression_ratio: float
    speed: float
    p_i: float
    T_i: float
    p_e: float
    T_e: float
    T_held: float
    intake_model: Literal["lost", "held"]
    intake_forward: Vector
    intake_reverse: Vector
    exhaust_forward: Vector
    exhaust_reverse: Vector
    fresh: Mapping[str, float]
    burned: Mapping[str, float]


@dataclass(frozen=True)
class Outcome:
    """The settled cycle: masses in kg, mean effective pressures and pressure in Pa, temperature in K, wall time in s, the rest without unit."""

    trapped_mass: float
    burned_fraction: float
    temperature: float
    pressure: float
    overlap_blow_back: float
    push_back: float
    exhaust_reverse: float
    net_imep: float
    gross_imep: float
    pumping_imep: float
    mass_error: float
    energy_error: float
    cycles: int
    seconds: float


class NotSettledError(RuntimeError):
    """The cycle did not repeat itself; `history` holds mass [kg], temperature [K] and burned fraction at every intake closing."""

    def __init__(self, history: list[tuple[float, float, float]]) -> None:
        super().__init__(f"not settled after {len(history)} cycles; mass [kg], temperature [K], burned fraction at intake closing: {history}")
        self.history = history


class Properties(NamedTuple):
    """Gas constant [J/kg/K], heat capacity at constant pressure [J/kg/K] and enthalpy with formation [J/kg] of one gas."""

    R: float
    cp: float
    h: float


def mixed(fresh: Properties, burned: Properties, b: float) -> Properties:
    """Properties of the mixture with mass fraction `b` of burned gas, both at the same temperature."""
    return Properties(*(f + (g - f) * b for f, g in zip(fresh, burned, strict=True)))


@cache
def _species() -> list[ct.Species]:
    """The species of this model, read once because the data file is long."""
    known = {s.name: s for s in ct.Species.list_from_file("nasa_gas.yaml")}
    return [known[name] for name in SPECIES]


def mixture(moles: Mapping[str, float]) -> ct.Solution:
    """A frozen ideal gas with the given mole numbers."""
    gas = ct.Solution(thermo="ideal-gas", kinetics="gas", species=_species(), reactions=[])
    gas.TPX = 300.0, ct.one_atm, dict(moles)
    return gas


class Gases:
    """The fresh and the burned gas of a case."""

    def __init__(self, fresh: Mapping[str, float], burned: Mapping[str, float]) -> None:
        self.fresh, self.burned = mixture(fresh), mixture(burned)
        for element in self.fresh.element_names:
            if abs(self.fresh.elemental_mass_fraction(element) - self.burned.elemental_mass_fraction(element)) > 1e-6:
                raise ValueError(f"fresh and burned gas hold different amounts of {element}")
        self.R_fresh = ct.gas_constant / self.fresh.mean_molecular_weight
        self.R_burned = ct.gas_constant / self.burned.mean_molecular_weight

    def pure(self, T: float) -> tuple[Properties, Properties]:
        """Properties of the fresh and of the burned gas at T [K]."""
        self.fresh.TP = T, ct.one_atm
        self.burned.TP = T, ct.one_atm
        return Properties(self.R_fresh, self.fresh.cp_mass, self.fresh.enthalpy_mass), Properties(self.R_burned, self.burned.cp_mass, self.burned.enthalpy_mass)

    def gas_constant(self, b: float) -> float:
        """Gas constant [J/kg/K] at burned fraction b."""
        return self.R_fresh + (self.R_burned - self.R_fresh) * b

    def after_combustion(self, T: float, b: float, density: float) -> float:
        """Temperature [K] once everything is burned at constant volume and internal energy, from T [K], b and density [kg/m3]."""
        now = mixed(*self.pure(T), b)
        self.burned.UV = now.h - now.R * T, 1.0 / density
        return float(self.burned.T)


def nozzle(ratio: float, gamma: float) -> float:
    """Isentropic nozzle function of the pressure ratio downstream/upstream (at most 1), without unit.

    Its slope is infinite at ratio 1, so the last 1e-4 is a straight line to zero.
    """
    if 1.0 - ratio < LINEAR_BELOW:
        return nozzle(1.0 - LINEAR_BELOW * (1.0 + 1e-9), gamma) * (1.0 - ratio) / LINEAR_BELOW
    if ratio <= (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0)):
        return math.sqrt(gamma) * (2.0 / (gamma + 1.0)) ** (0.5 * (gamma + 1.0) / (gamma - 1.0))
    return math.sqrt(2.0 * gamma / (gamma - 1.0) * (ratio ** (2.0 / gamma) - ratio ** ((gamma + 1.0) / gamma)))


def mass_flow(area: float, p_up: float, T_up: float, up: Properties, p_down: float) -> float:
    """Mass flow [kg/s] through an effective area [m2] between two pressures [Pa], upstream gas at T_up [K]."""
    if area <= 0.0:
        return 0.0
    return area * p_up / math.sqrt(up.R * T_up) * nozzle(p_down / p_up, up.cp / (up.cp - up.R))


class Valve:
    """Effective areas [m2] over the cycle and the angles [deg] at which they leave and reach zero."""

    def __init__(self, name: str, forward: Vector, reverse: Vector) -> None:
        if forward.shape != reverse.shape or forward.ndim != 1:
            raise ValueError(f"{name}: both area arrays must be of one length")
        if min(forward.min(), reverse.min()) < 0.0:
            raise ValueError(f"{name}: areas must not be negative")
        count = len(forward)
        self.step = CYCLE / count
        self.forward, self.reverse = [*forward.tolist(), float(forward[0])], [*reverse.tolist(), float(reverse[0])]
        lifted = (forward > 0.0) | (reverse > 0.0)
        starts, ends = np.flatnonzero(lifted & ~np.roll(lifted, 1)), np.flatnonzero(lifted & ~np.roll(lifted, -1))
        if len(starts) != 1:
            raise ValueError(f"{name}: the valve must open once per cycle, it opens {len(starts)} times")
        # Linear interpolation starts to rise at the last node that is still zero.
        self.opens = (int(starts[0]) - 1) % count * self.step
        self.closes = (int(ends[0]) + 1) % count * self.step

    def areas(self, theta: float) -> tuple[float, float]:
        """Forward and reverse effective area [m2] at crank angle theta [deg]."""
        place = theta % CYCLE / self.step
        i = min(int(place), len(self.forward) - 2)
        part = place - i
        return self.forward[i] + (self.forward[i + 1] - self.forward[i]) * part, self.reverse[i] + (self.reverse[i + 1] - self.reverse[i]) * part

    def is_open(self, theta: float) -> bool:
        """Whether the valve is off its seat at crank angle theta [deg]."""
        return 0.0 < (theta - self.opens) % CYCLE < (self.closes - self.opens) % CYCLE


class IntakeFlow(NamedTuple):
    """Mass flow into and out of the cylinder [kg/s], enthalpy [J/kg] and burned fraction of what flows in."""

    into: float
    out: float
    h: float
    b: float


class Engine:
    """Rates of change of the state vector for one case."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.gases = Gases(case.fresh, case.burned)
        self.intake = Valve("intake", case.intake_forward, case.intake_reverse)
        self.exhaust = Valve("exhaust", case.exhaust_forward, case.exhaust_reverse)
        if self.intake.is_open(FIRING) or self.exhaust.is_open(FIRING) or self.exhaust.is_open(self.intake.closes):
            raise ValueError("both valves must be closed at firing top dead centre, and the exhaust valve at intake closing")
        self.held = case.intake_model == "held"
        if not self.held and case.intake_model != "lost":
            raise ValueError(f"unknown intake model {case.intake_model!r}")
        self.swept = math.pi / 4.0 * case.bore**2 * case.stroke
        self.clearance = self.swept / (case.compression_ratio - 1.0)
        self.rod_ratio = 2.0 * case.rod / case.stroke
        self.degrees_per_second = 360.0 * case.speed
        self.fresh_supply = self.gases.pure(case.T_i)[0]
        self.held_pure = self.gases.pure(case.T_held)
        self.exhaust_supply = self.gases.pure(case.T_e)[1]
        self.mass_scale = case.p_i * self.volume(self.intake.closes)[0] / (self.gases.R_fresh * case.T_i)
        # True while forward flow comes from the slug, or back flow is building one up.
        self.on_slug = False

    def volume(self, theta: float) -> tuple[float, float]:
        """Cylinder volume [m3] and its slope [m3/deg] at crank angle theta [deg]."""
        angle = math.radians(theta)
        sine, cosine = math.sin(angle), math.cos(angle)
        root = math.sqrt(self.rod_ratio**2 - sine**2)
        slope = 0.5 * self.swept * (sine + sine * cosine / root)
        return self.clearance + 0.5 * self.swept * (1.0 - cosine + self.rod_ratio - root), math.radians(slope)

    def pressure(self, theta: float, y: Vector) -> float:
        """Cylinder pressure [Pa] at crank angle theta [deg]."""
        return float(y[MASS] * self.gases.gas_constant(y[BURNED]) * y[TEMPERATURE] / self.volume(theta)[0])

    def intake_flow(self, theta: float, p: float, T: float, cylinder: Properties, slug_b: float) -> IntakeFlow:
        """Flow through the intake valve at crank angle theta [deg], cylinder at p [Pa] and T [K]."""
        case = self.case
        forward, reverse = self.intake.areas(theta)
        if p > case.p_i:
            return IntakeFlow(0.0, mass_flow(reverse, p, T, cylinder, case.p_i), 0.0, 0.0)
        if self.on_slug:
            slug = mixed(*self.held_pure, slug_b)
            return IntakeFlow(mass_flow(forward, case.p_i, case.T_held, slug, p), 0.0, slug.h, slug_b)
        return IntakeFlow(mass_flow(forward, case.p_i, case.T_i, self.fresh_supply, p), 0.0, self.fresh_supply.h, 0.0)

    def exhaust_flow(self, theta: float, p: float, T: float, cylinder: Properties) -> tuple[float, float]:
        """Mass flow out of and back into the cylinder [kg/s] through the exhaust valve at theta [deg], cylinder at p [Pa] and T [K]."""
        case = self.case
        forward, reverse = self.exhaust.areas(theta)
        if p > case.p_e:
            return mass_flow(forward, p, T, cylinder, case.p_e), 0.0
        return 0.0, mass_flow(reverse, case.p_e, case.T_e, self.exhaust_supply, p)

    def rates(self, theta: float, y: Vector) -> list[float]:
        """Slope of the state vector per degree of crank angle at theta [deg]."""
        m, T, b, slug, slug_b = y[:FIRST_SUM].tolist()
        V, dV = self.volume(theta)
        pure = self.gases.pure(T)
        gas = mixed(*pure, b)
        p = m * gas.R * T / V
        intake = self.intake_flow(theta, p, T, gas, slug_b)
        out, back = (flow / self.degrees_per_second for flow in self.exhaust_flow(theta, p, T, gas))
        drawn, pushed = intake.into / self.degrees_per_second, intake.out / self.degrees_per_second

        dm = drawn + back - pushed - out
        db = (drawn * (intake.b - b) + back * (1.0 - b)) / m
        energy_in, energy_out = drawn * intake.h + back * self.exhaust_supply.h, (pushed + out) * gas.h
        u = gas.h - gas.R * T
        u_step = (pure[1].h - pure[0].h) - (pure[1].R - pure[0].R) * T
        dT = (energy_in - energy_out - p * dV - u * dm - m * u_step * db) / (m * (gas.cp - gas.R))
        d_slug = pushed - drawn if self.on_slug else 0.0
        d_slug_b = pushed * (b - slug_b) / slug if self.on_slug and slug > 0.0 else 0.0
        return [dm, dT, db, d_slug, d_slug_b, p * dV, drawn, pushed, out, back, energy_in, energy_out]

    def tolerances(self) -> list[float]:
        """Absolute tolerance of each place of the state vector, in its own unit."""
        energy = self.mass_scale * 1e6
        scales = [self.mass_scale, 300.0, 1.0, self.mass_scale, 1.0, energy, *[self.mass_scale] * 4, energy, energy]
        return [ATOL * scale for scale in scales]

    def change_over(self) -> Callable[[float, Vector], float]:
        """The function whose zero ends the present use of the slug: it is empty, or back flow begins to fill it."""

        def empty(theta: float, y: Vector) -> float:
            # Back flow keeps this above zero, so that a slug not yet begun does not count as used up.
            return max(float(y[SLUG]) / self.mass_scale, self.pressure(theta, y) / self.case.p_i - 1.0)

        def back_flow(theta: float, y: Vector) -> float:
            return self.pressure(theta, y) / self.case.p_i - 1.0

        event = empty if self.on_slug else back_flow
        event.terminal, event.direction = True, -1.0 if self.on_slug else 1.0  # type: ignore[attr-defined]
        return event

    def advance(self, y: Vector, start: float, stop: float) -> Vector:
        """State at crank angle `stop` from the state at `start` [deg]; no valve may leave or reach its seat in between."""
        uses_slug = self.held and self.intake.is_open(0.5 * (start + stop))
        self.on_slug = uses_slug and bool(y[SLUG] > 0.0 or self.pressure(start, y) > self.case.p_i)
        theta = start
        for _ in range(MAX_SWITCHES):
            y = y.copy()
            if self.on_slug and y[SLUG] <= 0.0:
                y[SLUG_BURNED] = y[BURNED]
            solution = solve_ivp(
                self.rates, (theta, stop), y, "LSODA", rtol=RTOL, atol=self.tolerances(), max_step=MAX_STEP, events=self.change_over() if uses_slug else None
            )
            if solution.status < 0:
                raise RuntimeError(f"integration stopped at {solution.t[-1]} deg: {solution.message}")
            theta, y = float(solution.t[-1]), solution.y[:, -1].copy()
            if solution.status == 0:
                return y
            if self.on_slug:
                y[SLUG] = 0.0
            self.on_slug = not self.on_slug
        raise RuntimeError(f"more than {MAX_SWITCHES} changes between slug and fresh gas before {stop} deg")

    def burn(self, y: Vector, theta: float) -> Vector:
        """The state after instantaneous complete combustion at crank angle theta [deg]."""
        y = y.copy()
        y[TEMPERATURE] = self.gases.after_combustion(y[TEMPERATURE], y[BURNED], y[MASS] / self.volume(theta)[0])
        y[BURNED] = 1.0
        return y


class Cycle:
    """One turn from intake closing to intake closing, with the sums at every event on the way."""

    def __init__(self, engine: Engine, start: Vector) -> None:
        self.closing = engine.intake.closes
        events = (FIRING, BOTTOM_AFTER_INTAKE, BOTTOM_AFTER_EXPANSION, engine.intake.opens, engine.exhaust.opens, engine.exhaust.closes, self.closing)
        self.states: dict[float, Vector] = {}
        y = start.copy()
        y[FIRST_SUM:] = 0.0
        theta = self.closing
        for event in sorted({self.unrolled(event) for event in events}):
            y = engine.advance(y, theta, event)
            if event == self.unrolled(FIRING):
                y = engine.burn(y, event)
            self.states[event] = y
            theta = event
        self.end = y

    def unrolled(self, theta: float) -> float:
        """The same crank angle [deg] after the intake closing this cycle starts from, up to and with the next."""
        return theta + CYCLE * (math.floor((self.closing - theta) / CYCLE) + 1)

    def between(self, place: int, first: float, last: float) -> float:
        """What a sum (by its place in the state vector, in its unit) gains from crank angle `first` to `last` [deg], both events."""
        first, last = self.unrolled(first), self.unrolled(last)
        gained = float(self.states[last][place] - self.states[first][place])
        return gained if last >= first else gained + float(self.end[place])


def default_start(engine: Engine) -> Vector:
    """Cylinder at intake closing full of fresh gas with a tenth of burned gas at the intake pressure, 1.2 times the intake temperature."""
    y = np.zeros(12)
    y[TEMPERATURE], y[BURNED] = 1.2 * engine.case.T_i, 0.1
    y[MASS] = engine.case.p_i * engine.volume(engine.intake.closes)[0] / (engine.gases.gas_constant(0.1) * y[TEMPERATURE])
    return y


def is_settled(engine: Engine, before: Vector, after: Vector) -> bool:
    """Whether cylinder and slug repeat themselves from one intake closing to the next."""
    change = np.abs(after - before)[:FIRST_SUM]
    # The held slug is part of the state too: it can carry a change past one intake closing.
    slug = change[SLUG] / engine.mass_scale < SETTLED and change[SLUG_BURNED] * after[SLUG] / engine.mass_scale < SETTLED
    return bool(slug and np.all(change[:SLUG] <= SETTLED * np.abs(after[:SLUG])))


def energy_throughput(engine: Engine, y: Vector) -> float:
    """Chemical energy of the gas drawn in and released plus sensible enthalpy in and out over a cycle [J], to scale the closure."""
    fresh, burned = engine.gases.pure(REFERENCE_TEMPERATURE)
    unburned = y[MASS] * (1.0 - y[BURNED])
    mass_in, mass_out = y[INTAKE_IN] + y[EXHAUST_IN], y[INTAKE_OUT] + y[EXHAUST_OUT]
    chemical = unburned * (fresh.h - burned.h)
    return float(chemical + abs(y[ENTHALPY_IN] - mass_in * fresh.h) + abs(y[ENTHALPY_OUT] - mass_out * burned.h))


def _outcome(engine: Engine, cycle: Cycle, cycles: int, seconds: float) -> Outcome:
    """Collect the settled cycle."""
    y, intake, exhaust = cycle.end, engine.intake, engine.exhaust
    overlapping = exhaust.is_open(intake.opens) or exhaust.opens == intake.opens
    overlap = cycle.between(INTAKE_OUT, intake.opens, exhaust.closes) if overlapping else 0.0
    pumping = cycle.between(WORK, BOTTOM_AFTER_EXPANSION, BOTTOM_AFTER_INTAKE) / engine.swept
    net = float(y[WORK]) / engine.swept
    mass_in, mass_out = y[INTAKE_IN] + y[EXHAUST_IN], y[INTAKE_OUT] + y[EXHAUST_OUT]
    return Outcome(
        trapped_mass=float(y[MASS]),
        burned_fraction=float(y[BURNED]),
        temperature=float(y[TEMPERATURE]),
        pressure=engine.pressure(intake.closes, y),
        overlap_blow_back=overlap,
        push_back=float(y[INTAKE_OUT]) - overlap,
        exhaust_reverse=float(y[EXHAUST_IN]),
        net_imep=net,
        gross_imep=net - pumping,
        pumping_imep=pumping,
        mass_error=float((mass_in - mass_out) / mass_in),
        energy_error=float(y[ENTHALPY_IN] - y[ENTHALPY_OUT] - y[WORK]) / energy_throughput(engine, y),
        cycles=cycles,
        seconds=seconds,
    )


def run(case: Case, start: Vector | None = None) -> Outcome:
    """Repeat the cycle until it settles.

    `start` is mass [kg], temperature [K], burned fraction, slug mass [kg] and slug burned fraction at intake closing.
    """
    began = time.perf_counter()
    engine = Engine(case)
    y = default_start(engine)
    if start is not None:
        y[:FIRST_SUM] = start
    history = []
    for count in range(1, MAX_CYCLES + 1):
        cycle = Cycle(engine, y)
        if is_settled(engine, y, cycle.end):
            return _outcome(engine, cycle, count, time.perf_counter() - began)
        y = cycle.end
        history.append((float(y[MASS]), float(y[TEMPERATURE]), float(y[BURNED])))
    raise NotSettledError(history)

"""The crank-resolved engine: every operating point a settled cycle."""

from __future__ import annotations

import copy
import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..burn.phasing import DILUTION_EXPONENT, Burn, reference_scales
from ..engine.atmosphere import barometer_of
from ..engine.gas import fuel_data
from ..engine.geometry import geometry_of
from ..errors import InputError, NoSolutionError, did_you_mean
from ..sheet.sections import INDIVIDUAL_THROTTLES
from .best_torque import APART, EARLIEST, FIRST_GUESS, LATEST, MOST_SHIFT, clipped, shift_of, top_of
from .burn_map import IGNITION, BurnMap, burn_map_of, own_share
from .end_gas import induction_used
from .gas_kernel import SMOOTH, properties
from .integrate import run_cycle
from .kept_cycles import KeptStart, keeping
from .lattice import Lattice, Start
from .layout import INDEX, IntakeKind, State, Unknown
from .ledger import BurnedLedger, ledger_of
from .mixing import NO_SECANTS
from .operating import AIR_DENSITY, RATED_SPEED, OperatingState, Tolerances, with_learned
from .plain_cycle import Burning, burn_boundary, burn_layout, burned_out, cycle_stops
from .port_flow import PortFlow, flow_of
from .settled_figures import SingleCycle, dead_state, running_state
from .setup import Conditions, course_of, guess_of, lifts_of, setup_of
from .steady import NO_MARKS, Marching, Settled, settle
from .throttled import turned
from .valve_streams import QUICKEST

if TYPE_CHECKING:
    from ..sheet import Build
    from .work_variation import Spread

__all__ = ["INTAKE_MODELS", "ResolvedEngine"]

Array = NDArray[np.float64]

INTAKE_MODELS = {kind.name.lower(): kind for kind in IntakeKind}
RTOL = 1e-6
# How far [crank deg] a settled cycle's spark may lie from the one asked for when solving for a load.
NEAR_ENOUGH = 1.0
# Knock is searched up to so far beyond best torque [crank deg]. A knock limit that answers its exchange's spark by more than the second, degree for degree,
# is taken as found: ESTIMATE, 0.05 to 0.4 seen over three engines.
KNOCK_BEYOND, MOST_ANSWER = 5.0, 0.7
HELD_TEMPERATURE, EXHAUST_TEMPERATURE = 500.0, 900.0


class ResolvedEngine:
    """An engine whose operating points are settled crank-resolved cycles.

    Parameters
    ----------
    build : Build
    tolerances : Tolerances
        Multipliers for bands.
    intake_model : str
        ``"plenum"`` (default): one plenum for all cylinders at constant mean pressure, burned gas conserved.
        ``"rippling"``: the same plenum breathing with the cylinders. ``"lost"``: a fixed fresh reservoir, blow-back vanishes.
        ``"held"``: blow-back kept as a slug at a set temperature and drawn back first.
    adiabatic, instantaneous : bool
        For comparison with simpler models: no wall heat; all fuel burned at once at top dead centre.
    rtol, tolerance : float
        Relative tolerance of the integration, and of the cycle's repetition.
    """

    name: str = "crank-resolved cycle"
    uncertain: tuple[str, ...] = (
        *("overlap", "lift_loss", "port_heat", "plenum_heat", "wall_heat", "friction", "burn", "dilution", *IGNITION, "back_pressure"),
        *("exhaust_pulse", "octane"),
    )
    teaching_only: bool = False

    def __init__(
        self,
        build: Build,
        tolerances: Tolerances = Tolerances(),  # noqa: B008 - an immutable tuple
        *,
        intake_model: str = "",
        adiabatic: bool = False,
        instantaneous: bool = False,
        rtol: float = RTOL,
        smooth: float = SMOOTH,
        quickest: float = QUICKEST,
        held_temperature: float = HELD_TEMPERATURE,
        exhaust_temperature: float = EXHAUST_TEMPERATURE,
        intake_temperature: float | None = None,
        exhaust_pressure: float | None = None,
        tolerance: float = 5e-6,
    ) -> None:
        individual = build.engine.intake == INDIVIDUAL_THROTTLES
        intake_model = intake_model or ("rippling" if individual else "plenum")
        if intake_model not in INTAKE_MODELS:
            raise InputError("intake_model", came=intake_model, expected=" or ".join(INTAKE_MODELS), fix=did_you_mean(intake_model, INTAKE_MODELS))
        asked, tolerances = tolerances, with_learned(build, tolerances)
        self.build, self.tolerances, self.intake_model = build, tolerances, intake_model
        self.geometry = geometry_of(build.engine)
        self.fuel = fuel_data(build.fuel.kind, build.idle.mixture)
        self.air_fuel = self.fuel.stoichiometric * build.idle.mixture
        self.ambient = barometer_of(build.site)
        self.rtol, self.instantaneous, self.tolerance = rtol, instantaneous, tolerance
        self.plenum_cylinders = 1 if individual else self.geometry.cylinders
        self.exhaust_temperature = exhaust_temperature
        self.lifts = lifts_of(build, tolerances)
        self.course = course_of(build, self.lifts.lost)
        self._areas: dict[float, Array] = {}
        self.setup = setup_of(
            build,
            tolerances,
            INTAKE_MODELS[intake_model],
            Conditions(adiabatic, smooth, quickest, held_temperature, intake_temperature, exhaust_pressure, plenum_cylinders=self.plenum_cylinders),
            self.lifts,
            self.course,
        )
        self.lattice = Lattice(self._calm, self.guess, ambient=self.ambient, tolerance=tolerance)
        settling = (adiabatic, instantaneous, rtol, smooth, quickest, tolerance)
        made = (intake_model, *settling, held_temperature, exhaust_temperature, intake_temperature, exhaust_pressure)
        # What was answered, by the question: remembered, never begun from.
        self.answers = keeping.answers_of(build, asked, made)
        self._settled: dict[tuple[float, float, float], Settled] = {}
        self._never: dict[tuple[float, float, float], NoSolutionError] = {}
        self.burn_maps: dict[tuple[float, float, float], BurnMap | None] = {}
        self.spreads: dict[tuple[float, ...], Spread] = self.answers.spreads

    def asking(self, build: Build) -> ResolvedEngine:
        """Return the same engine and its settled cycles under another sheet's limits, gears, margins or octane."""
        twin = copy.copy(self)
        twin.build = build
        return twin

    def burning(self, spark: float) -> Burning:
        """Return how a charge burns from a spark [crank deg before top dead centre]."""
        phi = min(max(1.0 / self.build.idle.mixture, 0.7), 1.4)
        burnable = self.build.engine.combustion_efficiency
        dilution = DILUTION_EXPONENT * self.tolerances.dilution
        return Burning(float(spark), float(burnable), self.tolerances.burn, phi, self.fuel.ethanol, dilution, self.instantaneous)

    def marching(self, speed: float, pressure: float, spark: float) -> Marching:
        """Return the plain cycle at an operating point."""
        setup = self.setup._replace(speed=speed, intake_pressure=pressure)
        if self.lifts.leak > 0.0:
            if speed not in self._areas:
                self._areas.setdefault(speed, self.lifts.areas(speed))
            setup = setup._replace(areas=self._areas[speed])
        rated = self.geometry.swept * AIR_DENSITY * RATED_SPEED / 2.0
        rise = self.tolerances.back_pressure * self.build.engine.si.exhaust_back_pressure
        return Marching(setup, self.course, self.burning(spark), self.rtol, (self.ambient, rise, rated))

    def guess(self, pressure: float) -> Array:
        """Return a first guess of the unknowns at a manifold pressure [Pa]."""
        return guess_of(self.setup, self.course, pressure, self.exhaust_temperature)

    def settled(
        self, speed: float, pressure: float, spark: float, *, tolerance: float | None = None, accelerate: bool = True, start: Array | None = None
    ) -> Settled:
        """Return the settled cycle at a speed [rev/s], mean plenum pressure [Pa] and spark [crank deg before top dead centre].

        Parameters
        ----------
        speed : float
            Crank speed [rev/s].
        pressure : float
            Mean of the plenum [Pa], absolute.
        spark : float
            Before top dead centre [crank deg].
        tolerance : float
            Of the unknowns, relative; the engine's own when left out.
        accelerate : bool
            Whether cycles are mixed on the way.
        start : array, shape (unknowns,)
            Where to begin, in the units of the unknowns.

        Raises
        ------
        NoSolutionError
            If the pressure is above the barometer, or the cycle does not settle.
        """
        if pressure > self.ambient * 1.0005:
            raise NoSolutionError(f"a manifold pressure of {pressure / 1e3:.1f} kPa is above the barometer: boost is out of scope", reachable=self.ambient)
        if start is not None or not accelerate or tolerance is not None:
            starts = [Start(self.guess(pressure) if start is None else start, NO_SECANTS)]
            return self._found(speed, pressure, spark, starts, self.tolerance if tolerance is None else tolerance, accelerate)
        key = speed, pressure, spark
        if key in self._never:
            raise copy.copy(self._never[key])
        if key not in self._settled:
            try:
                found = self._again(*key) if key in self.answers.starts else self._first(*key)
            except NoSolutionError as error:
                # What never repeats itself takes the most cycles to find out.
                self._never[key] = error.with_traceback(None)
                raise
            self._settled.setdefault(key, found)
        return self._settled[key]

    def _first(self, speed: float, pressure: float, spark: float) -> Settled:
        """Settle at a point from where the lattice says."""
        starts = self.lattice.starts(speed, pressure, spark) if self.setup.has_runner else [Start(self.guess(pressure), NO_SECANTS)]
        found = self._found(speed, pressure, spark, starts, self.tolerance, True)
        if self.setup.has_runner and self.setup.intake == IntakeKind.PLENUM:
            self.answers.starts[speed, pressure, spark] = KeptStart(found.unknowns, found.cycles, found.history, found.outcome)
        return found

    def _again(self, speed: float, pressure: float, spark: float) -> Settled:
        """Return a cycle that has settled before: run once from where its last round began."""
        start = self.answers.starts[speed, pressure, spark]
        _, cycle = self._calm(speed, pressure, spark).cycle(start.unknowns)
        return cycle._replace(cycles=start.cycles, residual=start.history[-1], history=start.history, outcome=start.outcome)

    def _found(self, speed: float, pressure: float, spark: float, starts: list[Start], tolerance: float, accelerate: bool) -> Settled:
        """Settle from the first start that leads to a cycle that runs."""
        calm: Settled | None = None
        alone = self.setup.intake == IntakeKind.RIPPLING and self.plenum_cylinders == 1
        for start in starts:
            try:
                calm = settle(self._calm(speed, pressure, spark), start.unknowns, tolerance=tolerance, accelerate=accelerate, known=start.known)
            except NoSolutionError:
                if start is starts[-1] and not alone:
                    raise
                continue
            if calm.runs:
                break
        running = calm if calm is not None and calm.runs else None
        if self.setup.intake == IntakeKind.RIPPLING and (alone or running is not None):
            return turned(lambda: self.marching(speed, pressure, spark), self.plenum_cylinders, running, self.guess(pressure), tolerance)
        assert calm is not None
        return calm

    def _calm(self, speed: float, pressure: float, spark: float) -> Marching:
        """Return the plain cycle at an operating point, a breathing plenum held still."""
        made = self.marching(speed, pressure, spark)
        if made.setup.intake == IntakeKind.RIPPLING:
            made.setup, made.marks = made.setup._replace(intake=int(IntakeKind.PLENUM)), NO_MARKS
        return made

    def closed_work(self, settled: Settled, spark: float, burned: float | None = None) -> tuple[float, Burn, float]:
        """Run compression to exhaust opening alone; return work [J], the burn, share burned.

        With ``burned``, the same volume, pressure and temperature at intake closing hold so much burned gas.
        """
        ran, _, burn, fresh = self._closed(settled, spark, burned, NO_MARKS)
        return float(ran[-1, INDEX["work"]]), burn, float(ran[-1, INDEX["made_burned"]] / max(fresh, 1e-12))

    def _closed(self, settled: Settled, spark: float, burned: float | None, marks: Array) -> tuple[Array, Array, Burn, float]:
        """Run compression to exhaust opening; return states at stops and at marks, the burn, fresh mass [kg]."""
        s, z, course, burning = settled.setup, settled.unknowns, settled.course, self.burning(spark)
        y0 = settled.at_stops[0].copy()
        mass, temperature, y = z[: Unknown.CYLINDER_FRACTION + 1]
        if burned is not None:
            r_before, r_after = properties(s.gas, temperature, y)[0], properties(s.gas, temperature, burned)[0]
            mass, y = mass * r_before / r_after, burned
        burn = burn_layout(s, burning, (float(mass), float(temperature), float(y)), course, reference_scales())
        start, duration, power, end = burn_boundary(burn)
        made = burning.completeness * mass * (1.0 - y)
        b = settled.boundary._replace(burn_start=start, burn_duration=duration, burn_power=power, burn_end=end, burn_mass=made)
        y0[State.CYLINDER_MASS], y0[State.CYLINDER_BURNED] = mass, y * mass
        stops = cycle_stops(course, start, min(burned_out(burn), course.exhaust_opens))
        stops = stops[stops <= course.exhaust_opens + 1e-9]
        ran, at_marks, _ = run_cycle(y0, stops, s, b, self.rtol, marks)
        return ran, at_marks, burn, mass * (1.0 - y)

    def torque_curve(self, speed: float, pressure: float, sparks: Array) -> Array:
        """Return gross IMEP [Pa] at sparks near the best, on its gas exchange."""
        base = float(round(self.best_spark(speed, pressure)))
        settled = self.settled(speed, pressure, base)
        if not settled.runs:
            return np.zeros(len(sparks))
        gross = self.describe(settled, base).gross
        work = np.array([self.closed_work(settled, float(s))[0] for s in sparks])
        return np.asarray(gross + (work - self.closed_work(settled, base)[0]) / self.geometry.swept)

    def knock_progress(self, settled: Settled, spark: float, burned: float | None = None) -> float:
        """Return the end gas's induction used up by the time nine tenths have burned; it knocks from 1 on. ``burned``: of a single cycle so diluted."""
        angle = np.arange(settled.course.closes + 1.0, settled.course.exhaust_opens, 1.0)
        _, states, *_ = self._closed(settled, spark, burned, angle)
        return induction_used(settled, angle, states, self.tolerances.octane * self.build.fuel.si.octane)

    def knock_spark(self, speed: float, pressure: float, *, burned_fraction: float | None = None) -> float:
        """Return the earliest spark without knock [crank deg before top dead centre]; infinite if none searched knocks.

        Sought on the gas exchange of best torque, then on that of the knock limit found: a later spark leaves hotter, thinner gas behind, and the limit
        comes down with it, by up to 5 degrees at 1000 rpm. Both together tell where limit and exchange are of one spark.
        """
        best, own, settled = self._held_best(speed, pressure, burned_fraction)
        first = self._knock_on(settled, best, burned_fraction)
        other = float(round(first)) if math.isfinite(first) else own
        if abs(other - own) <= NEAR_ENOUGH:
            return first
        exchange = self.settled(speed, pressure, other)
        if not exchange.runs:
            return first
        second = self._knock_on(exchange, best, burned_fraction)
        if not math.isfinite(second):
            return first
        slope = (second - first) / (other - own)
        return clipped((first - slope * own) / (1.0 - slope)) if slope < MOST_ANSWER else second

    def _knock_on(self, settled: Settled, best: float, burned: float | None) -> float:
        """Return the earliest spark without knock on a held gas exchange [crank deg before top dead centre]; infinite if none searched knocks."""
        low, high = LATEST, min(best + KNOCK_BEYOND, EARLIEST)
        if not settled.runs or self.knock_progress(settled, high, burned) < 1.0:
            return math.inf
        while high - low > 0.1:
            middle = 0.5 * (low + high)
            low, high = (low, middle) if self.knock_progress(settled, middle, burned) >= 1.0 else (middle, high)
        return low

    def best_spark(self, speed: float, pressure: float, *, burned_fraction: float | None = None) -> float:
        """Return the spark of greatest net IMEP [crank deg before top dead centre].

        Sought on the gas exchange of a settled cycle within 3 degrees of it, and moved by what the exchange itself does over
        spark; where that is more than the search on a held exchange can tell, sought among settled cycles. A single cycle's
        (``burned_fraction``) has its exchange behind it.
        """
        key = speed, pressure, burned_fraction
        if key not in self.answers.best:
            best, own, settled = self._held_best(*key)
            if burned_fraction is None and settled.runs:
                shift = self._shift(settled, own, best)
                best = clipped(best + shift) if abs(shift) < MOST_SHIFT else top_of(lambda s: self._net(speed, pressure, s), float(round(best)))
            self.answers.best[key] = best
        return self.answers.best[key]

    def _net(self, speed: float, pressure: float, spark: float) -> float:
        """Return net IMEP [Pa] of the settled cycle; next to nothing where no cycle repeats itself, so that a search goes elsewhere."""
        try:
            return self.state(speed, pressure, spark).net
        except NoSolutionError:
            return -self.ambient

    def _held_best(self, speed: float, pressure: float, burned: float | None) -> tuple[float, float, Settled]:
        """Return the spark of greatest torque on a held gas exchange, that exchange's own spark within 3 degrees of it, and its cycle."""
        key = speed, pressure, burned
        if key not in self.answers.held:
            guess = self._best_guess(self.lattice.place(speed, pressure, FIRST_GUESS), burned)
            own = float(round(guess))
            best = self._top(self.settled(speed, pressure, own), guess, burned)
            if abs(best - own) > NEAR_ENOUGH:
                own = float(round(best))
                best = self._top(self.settled(speed, pressure, own), best, burned)
            self.answers.held[key] = best, own
        best, own = self.answers.held[key]
        return best, own, self.settled(speed, pressure, own)

    def _best_guess(self, place: tuple[int, int, int], burned: float | None) -> float:
        """Return the spark of greatest torque on the gas exchange of a lattice point."""
        found = self.lattice.point(place)
        return FIRST_GUESS if found is None else self._top(found[0], FIRST_GUESS, burned)

    def _shift(self, settled: Settled, own: float, best: float) -> float:
        """Return how much later best torque lies than on a held gas exchange [crank deg, negative]: late sparks leave less burned gas behind.

        What the exchange gives per degree is read off a second settled cycle; the torque's own curve weighs it.
        """
        other = own - APART
        second = self.settled(settled.setup.speed, settled.setup.intake_pressure, other)
        if not second.runs:
            return 0.0
        held = self.closed_work(settled, other)[0] - self.closed_work(settled, own)[0]
        per_degree = (second.total("work") - settled.total("work") - held) / -APART
        return shift_of(lambda spark: self.closed_work(settled, spark)[0], best, per_degree)

    def net_imep(self, speed: float, pressure: float, spark: float | None) -> float:
        """Return net IMEP [Pa] of the mean cycle at a spark, or (None) at best torque, on the gas exchange of a cycle settled within 3 degrees of it.

        Parameters
        ----------
        speed : float
            Crank speed [rev/s].
        pressure : float
            Mean of the plenum [Pa], absolute.
        spark : float
            Before top dead centre [crank deg], or None.
        """
        if spark is not None:
            return self.state(speed, pressure, spark).net
        # At best torque a few degrees cost nothing worth a second cycle.
        best, base, settled = self._held_best(speed, pressure, None)
        if not settled.runs:
            return dead_state(speed, pressure, base, settled).net
        change = self.closed_work(settled, best)[0] - self.closed_work(settled, base)[0]
        return (settled.total("work") + change) / self.geometry.swept

    def _top(self, settled: Settled, guess: float, burned: float | None) -> float:
        return top_of(lambda spark: self.closed_work(settled, spark, burned)[0], guess)

    def state(self, speed: float, pressure: float, spark: float, *, burned_fraction: float | None = None) -> OperatingState:
        """Return an operating point: speed rev/s, mean plenum pressure Pa, spark crank deg before top dead centre.

        Parameters
        ----------
        speed : float
            Crank speed [rev/s].
        pressure : float
            Mean of the plenum [Pa], absolute.
        spark : float
            Before top dead centre [crank deg].
        burned_fraction : float
            Residual of the single cycle asked for, fraction by mass; the settled one's when left out.
        """
        return self.describe(self.settled(speed, pressure, spark), spark, burned_fraction)

    def describe(self, c: Settled, spark: float, burned: float | None = None) -> OperatingState:
        """Return a settled cycle as an operating point; one that dies makes nothing."""
        if not c.runs:
            return dead_state(c.setup.speed, c.setup.intake_pressure, spark, c)
        single = None
        if burned is not None:
            work, burn, made = self.closed_work(c, spark, burned)
            single = SingleCycle(burned, work - self.closed_work(c, spark)[0], burn, made)
        return running_state(c, spark, self.fuel, self.air_fuel, self.burning(spark).completeness, single)

    def burn_map(self, speed: float, pressure: float, spark: float) -> BurnMap | None:
        """Return what cycles make of a settled gas exchange; None where the engine does not run."""
        settled = self.settled(speed, pressure, spark)
        if not settled.runs:
            return None
        mean = self.describe(settled, spark)
        return burn_map_of(settled, mean, self.burning(spark), own_share(self._calm(speed, pressure, spark), settled, mean, alone=self.plenum_cylinders == 1))

    def port_flow(self, speed: float, pressure: float, spark: float) -> PortFlow | None:
        """Return the flows at a cylinder's valves; None with an intake model that has no runner, or burning at once.

        Raises
        ------
        NoSolutionError
            If the engine does not run there.
        """
        if not self.setup.has_runner or self.instantaneous:
            return None
        return flow_of(self.settled(speed, pressure, spark), self.rtol)

    def ledger(self, speed: float, pressure: float, spark: float) -> BurnedLedger | None:
        """Return where the burned gas in the charge comes from."""
        return ledger_of(self.settled(speed, pressure, spark))

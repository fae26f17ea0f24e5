"""The quick engine model: published closed forms strung together, a first answer in a millisecond.

Charge: residual correlation and ideal-gas mixing at intake closing. Burn: flame-speed scaling laid out by a Wiebe
function. Work: every slice of heat earns the Otto efficiency of the compression ratio it still sees, scaled to a
textbook engine's indicated efficiency; pumping is exhaust less manifold pressure.
"""

from __future__ import annotations

import copy
import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..burn.cycle_map import Kernel
from ..burn.flame import flame_speed_kernel
from ..burn.phasing import (
    DILUTION_EXPONENT,
    WIEBE_A,
    Burn,
    Closed,
    Cylinder,
    Mixture,
    cylinder_volume,
    laid_out,
    march_burn,
    march_burns,
    motored_state,
    reference_scales,
)
from ..compiling import compiled
from ..engine.atmosphere import barometer_of
from ..engine.gas import fuel_data
from ..engine.geometry import geometry_of
from .burn_map import DISCHARGE_TIME, IGNITION, BurnMap, table_of
from .closed_form import blow_back_share, overlap_factor, residual_fraction, soft_clamp
from .operating import RATED_SPEED, OperatingState, Tolerances, with_learned

if TYPE_CHECKING:
    from ..sheet import Build
    from .ledger import BurnedLedger
    from .port_flow import PortFlow
    from .work_variation import Spread

__all__ = ["QuickEngine"]

Array = NDArray[np.float64]

# Fresh charge is warmed by port and valve between plenum and cylinder [K]; brings 20 degC to the 340 K manifold of the
# textbook engine (Guzzella & Onder, appendix B, read).
CHARGE_HEATING = 47.0
# Exhaust gas temperature [K] against speed in 1000 rpm, full load, 1 to 6 krpm (Sitthiracha 2006, read); held below 1.
EXHAUST_POLYNOMIAL = (3.3955, -51.9, 279.49, 676.21)
# Burned gas that returns has met port walls: mean of gas and wall temperature, ESTIMATE, wall at 420 K.
PORT_WALL = 420.0
# Indicated efficiency at best spark against crank speed in rad/s (Guzzella & Onder, appendix B, read).
EFFICIENCY = (0.37313, 3.25e-4, -5.625e-7)
# Heat losses move the best phasing from top dead centre to 50 % burned at 8 to 10 deg after it (Heywood 1988, from memory).
HEAT_LOSS_SHIFT = 8.5
GAMMA = 1.30
REFERENCE_ANGLES = (20.2, 36.3)
# Of the residual of a closed form nothing says where it was; half of it remembers, ESTIMATE.
OWN_SHARE = 0.5
SLICES = (np.arange(48) + 0.5) / 48.0
SLICE_DONE = -np.log(1.0 - SLICES * (1.0 - math.exp(-WIEBE_A))) / WIEBE_A
# A third of them serves for how burns differ: work moves by less than 0.1 %.
FEW_DONE = -np.log(1.0 - (np.arange(16) + 0.5) / 16.0 * (1.0 - math.exp(-WIEBE_A))) / WIEBE_A
# Earliest spark searched: beyond it the charge is too cold and thin to light well; ESTIMATE.
SPARKS = np.arange(-10.0, 61.0, 1.0)


class Charge(NamedTuple):
    """What is in the cylinder when the intake valve shuts."""

    burned_fraction: float
    diluent: float
    trapped: float
    air: float
    fuel: float
    blow_back: float
    temperature: float
    exhaust_pressure: float
    exhaust_temperature: float


@compiled(nogil=True, error_model="numpy")
def _earned(
    cylinder: Cylinder,
    closed: Closed,
    mixture: Mixture,
    piston_speed: float,
    spark: float,
    opens: float,
    clocks: Array,
    scales: tuple[float, float],
) -> tuple[Array, Array, float]:
    """Return work per unit of heat and burned share of burns with factors on their angles, and the first one's development [crank deg].

    Parameters
    ----------
    cylinder : Cylinder
    closed : Closed
    mixture : Mixture
    piston_speed : float
        Mean [m/s].
    spark : float
        Before top dead centre [crank deg].
    opens : float
        Where the exhaust valve opens [crank deg after top dead centre].
    clocks : array, shape (n, 2)
        Factors on development and rapid burn.
    scales : tuple of float
        Of the burn law.

    References
    ----------
    As ``QuickEngine._work``, in compiled form and with fewer slices.
    """
    works, shares = np.zeros(clocks.shape[0]), np.zeros(clocks.shape[0])
    last = cylinder_volume(cylinder, opens)
    angles = march_burns(cylinder, closed, mixture, piston_speed, spark, opens, clocks, scales)
    for n in range(clocks.shape[0]):
        end = angles[n, 2]
        burn = laid_out(spark, angles[n, 0], angles[n, 1], end)
        for k in range(FEW_DONE.size):
            theta = burn.start + burn.duration * FEW_DONE[k] ** (1.0 / burn.power)
            if theta < min(opens, end):
                shifted = min(max(theta - HEAT_LOSS_SHIFT, -180.0), opens)
                works[n] += (1.0 - (cylinder_volume(cylinder, shifted) / last) ** (GAMMA - 1.0)) / FEW_DONE.size
                shares[n] += 1.0 / FEW_DONE.size
    return works, shares, angles[0, 0]


class QuickEngine:
    """An engine on closed forms.

    Parameters
    ----------
    build : Build
    tolerances : Tolerances
        Multipliers for bands.
    """

    name: str = "quick closed forms"
    teaching_only: bool = True
    uncertain: tuple[str, ...] = (
        "overlap",
        "residual_kept",
        "residual_temperature",
        "friction",
        "efficiency",
        "burn",
        "dilution",
        *IGNITION,
        "back_pressure",
    )

    def __init__(self, build: Build, tolerances: Tolerances = Tolerances()) -> None:  # noqa: B008 - an immutable tuple
        self.build = build
        tolerances = with_learned(build, tolerances)
        self.tolerances = tolerances
        self.geometry = geometry_of(build.engine)
        self.fuel = fuel_data(build.fuel.kind, build.idle.mixture)
        self.ambient = barometer_of(build.site)
        self.overlap_factor = tolerances.overlap * overlap_factor(build.cam, build.engine)
        intake, exhaust = build.cam.lift_curve("intake"), build.cam.lift_curve("exhaust")
        closes = intake.edges(0.15e-3, side="valve") or intake.seat_edges()
        opens = exhaust.edges(0.15e-3, side="valve") or exhaust.seat_edges()
        self.intake_closes = closes[1] - 180.0
        self.exhaust_opens = 360.0 + opens[0]
        self.volume_closed = float(self.geometry.volume(180.0 + self.intake_closes))
        self.mixture = build.idle.mixture
        self.burn_maps: dict[tuple[float, float, float], BurnMap | None] = {}
        self.spreads: dict[tuple[float, ...], Spread] = {}
        self._reference = self._best_work(*REFERENCE_ANGLES)

    def asking(self, build: Build) -> QuickEngine:
        """Return the same engine under another sheet's limits, gears, margins or octane."""
        twin = copy.copy(self)
        twin.build = build
        return twin

    def charge(self, speed: float, pressure: float, burned_fraction: float | None = None) -> Charge:
        """Return what is trapped at a speed [rev/s] and manifold pressure [Pa]."""
        g, t, fuel = self.geometry, self.tolerances, self.fuel
        krpm = max(speed * 0.06, 1.0)
        exhaust_temperature = ((EXHAUST_POLYNOMIAL[0] * krpm + EXHAUST_POLYNOMIAL[1]) * krpm + EXHAUST_POLYNOMIAL[2]) * krpm + EXHAUST_POLYNOMIAL[3]
        flow = pressure / self.ambient * speed / RATED_SPEED
        p_exhaust = self.ambient + t.back_pressure * self.build.engine.si.exhaust_back_pressure * flow**2
        blown = blow_back_share(self.overlap_factor, speed, min(pressure, p_exhaust), p_exhaust)
        x, share = burned_fraction, 0.0
        if x is None:
            kept = t.residual_kept * residual_fraction.kernel(
                0.0, speed=speed, intake_pressure=pressure, exhaust_pressure=p_exhaust, phi=1.0 / self.mixture, compression_ratio=g.compression_ratio
            )
            share = blown / (blown + kept)
            x = soft_clamp(blown + kept)
        # What stayed in the cylinder expands to manifold pressure; what came back has met port walls.
        stayed = exhaust_temperature * min(pressure / p_exhaust, 1.0) ** (1.0 - 1.0 / GAMMA)
        returned = t.residual_temperature * ((1.0 - share) * stayed + share * 0.5 * (exhaust_temperature + PORT_WALL))
        fresh = self.build.site.si.air_temperature + CHARGE_HEATING
        temperature = (1.0 - x) * fresh + x * returned
        gas_constant = (1.0 - x) * fuel.fresh.gas_constant + x * fuel.burned.gas_constant
        trapped = pressure * self.volume_closed / (gas_constant * temperature)
        ratio = fuel.stoichiometric * self.mixture
        air = trapped * (1.0 - x) * ratio / (1.0 + ratio)
        moles = x / fuel.burned_molar_mass, (1.0 - x) / fuel.fresh_molar_mass
        return Charge(x, moles[0] / (moles[0] + moles[1]), trapped, air, air / ratio, x * share * trapped, temperature, p_exhaust, exhaust_temperature)

    def burns(self, charge: Charge, speed: float, pressure: float, sparks: Array, factors: tuple[float, float] = (1.0, 1.0)) -> list[Burn]:
        """Return the burns laid out for sparks.

        Parameters
        ----------
        charge : Charge
        speed : float
            Crank speed [rev/s].
        pressure : float
            Manifold pressure [Pa], absolute.
        sparks : array, shape (n,)
            Before top dead centre [crank deg].
        factors : tuple of float
            On the angles of development and of rapid burn [-].
        """
        cylinder, closed, mixture = self._closed(charge, pressure)
        clocks = self.tolerances.burn * factors[0], self.tolerances.burn * factors[1]
        piston_speed, scales, opens = float(self.geometry.piston_speed(speed)), reference_scales(), float(self.exhaust_opens)
        return [laid_out(float(s), *march_burn(cylinder, closed, mixture, piston_speed, float(s), opens, clocks, scales)) for s in sparks]

    def _closed(self, charge: Charge, pressure: float) -> tuple[Cylinder, Closed, Mixture]:
        """Return what the laws of the burn ask of a charge."""
        g, dilution = self.geometry, DILUTION_EXPONENT * float(self.tolerances.dilution)
        return (
            Cylinder(float(g.clearance), float(g.swept), float(g.rod_over_crank), float(g.clearance_height(0.0))),
            Closed(self.volume_closed, float(pressure), float(charge.temperature), float(charge.fuel * self.fuel.heating_value)),
            Mixture(min(max(1.0 / self.mixture, 0.7), 1.4), float(charge.burned_fraction), float(self.fuel.ethanol), dilution),
        )

    def _work(self, burns: list[Burn]) -> tuple[Array, Array]:
        """Return work per unit of heat and burned share of burns."""
        start, duration, power, end = (np.array([getattr(b, name) for b in burns])[:, None] for name in ("start", "duration", "power", "end"))
        theta = start + duration * SLICE_DONE ** (1.0 / power)
        g = self.geometry
        shifted = np.clip(theta - HEAT_LOSS_SHIFT, -180.0, self.exhaust_opens)
        earned = 1.0 - (g.volume(shifted) / g.volume(self.exhaust_opens)) ** (GAMMA - 1.0)
        burned = theta < np.minimum(self.exhaust_opens, end)
        return np.mean(np.where(burned, earned, 0.0), axis=1), np.mean(burned, axis=1)

    def _best_work(self, development: float, rapid: float) -> float:
        return float(np.max(self._work([laid_out(float(s), development, rapid) for s in SPARKS])[0]))

    def _sweep(self, charge: Charge, speed: float, pressure: float, sparks: Array) -> tuple[Array, Array, list[Burn]]:
        burns = self.burns(charge, speed, pressure, sparks)
        return *self._work(burns), burns

    def state(self, speed: float, pressure: float, spark: float, *, burned_fraction: float | None = None) -> OperatingState:
        """Return an operating point: speed rev/s, pressure Pa, spark crank deg before top dead centre.

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
        charge = self.charge(speed, pressure, burned_fraction)
        works, shares, burns = self._sweep(charge, speed, pressure, np.array([spark]))
        burn = burns[0]
        gross = float(self._gross(charge, speed, works[0]))
        pumping = charge.exhaust_pressure - pressure
        return OperatingState(
            speed=speed,
            manifold_pressure=pressure,
            exhaust_pressure=charge.exhaust_pressure,
            spark=spark,
            burned_fraction=charge.burned_fraction,
            diluent=charge.diluent,
            trapped=charge.trapped,
            # Closed forms know no way round between cylinder and plenum: what is trapped has come through the throttle.
            trapped_air=charge.air,
            air=charge.air,
            fuel=charge.fuel,
            blow_back=charge.blow_back,
            gross=gross,
            pumping=pumping,
            net=gross - pumping,
            development=burn.development,
            rapid_burn=burn.rapid,
            half_burned=burn.half,
            completeness=float(shares[0]),
            exhaust_temperature=charge.exhaust_temperature,
        )

    def _gross(self, charge: Charge, speed: float, work: float) -> float:
        """Return gross IMEP [Pa] of a charge whose heat earns so much work."""
        w = 2.0 * math.pi * speed
        efficiency = self.tolerances.efficiency * (EFFICIENCY[0] + EFFICIENCY[1] * w + EFFICIENCY[2] * w * w) * work / self._reference
        return float(efficiency * charge.fuel * self.fuel.heating_value / self.geometry.swept)

    def burn_map(self, speed: float, pressure: float, spark: float) -> BurnMap | None:
        """Return what cycles make of the charge there: a closed form always runs."""
        mean = self.state(speed, pressure, spark)
        if mean.gross <= 0.0:
            return None

        piston_speed, scales, opens = float(self.geometry.piston_speed(speed)), reference_scales(), float(self.exhaust_opens)

        def run(residual: Array, factors: Array) -> tuple[Array, Array, Array, Array]:
            gross, share, development = np.empty((residual.size, len(factors))), np.empty((residual.size, len(factors))), np.empty(residual.size)
            for i, x in enumerate(residual):
                charge = self.charge(speed, pressure, float(x))
                clocks = np.ascontiguousarray(self.tolerances.burn * factors)
                works, share[i], development[i] = _earned(*self._closed(charge, pressure), piston_speed, spark, opens, clocks, scales)
                gross[i] = [self._gross(charge, speed, float(w)) for w in works]
            return gross, share, np.zeros(residual.size), development

        cylinder, closed, mixture = self._closed(self.charge(speed, pressure), pressure)
        temperature, here = motored_state(cylinder, closed, -spark + 0.5 * DISCHARGE_TIME * 360.0 * speed)

        def flame(x: float) -> float:
            return float(flame_speed_kernel(temperature, here, mixture.phi, x, mixture.ethanol, mixture.dilution))

        height = float(self.geometry.clearance_height(-spark))
        return BurnMap(mean, table_of(run, mean, flame), Kernel(temperature, here, piston_speed, height), OWN_SHARE)

    def net_imep(self, speed: float, pressure: float, spark: float | None) -> float:
        """Return net IMEP [Pa] at a spark, or (None) at best torque.

        Parameters
        ----------
        speed : float
            Crank speed [rev/s].
        pressure : float
            Mean of the plenum [Pa], absolute.
        spark : float
            Before top dead centre [crank deg], or None.
        """
        return self.state(speed, pressure, self.best_spark(speed, pressure) if spark is None else spark).net

    def torque_curve(self, speed: float, pressure: float, sparks: Array) -> Array:
        """Return gross IMEP [Pa] at sparks."""
        return np.array([self.state(speed, pressure, float(s)).gross for s in sparks])

    def knock_spark(self, speed: float, pressure: float, *, burned_fraction: float | None = None) -> float:
        """Return not-a-number: without a pressure trace knock is not known."""
        return math.nan

    def port_flow(self, speed: float, pressure: float, spark: float) -> PortFlow | None:
        """Return None: closed forms know no flow in the runners."""

    def ledger(self, speed: float, pressure: float, spark: float) -> BurnedLedger | None:
        """Return None: closed forms keep no account of where burned gas comes from."""

    def best_spark(self, speed: float, pressure: float, *, burned_fraction: float | None = None) -> float:
        """Return the spark of greatest net IMEP [crank deg before top dead centre]."""
        charge = self.charge(speed, pressure, burned_fraction)
        coarse = SPARKS[::5]
        around = coarse[int(np.argmax(self._sweep(charge, speed, pressure, coarse)[0]))]
        fine = np.minimum(around + np.arange(-5.0, 5.1, 1.25), SPARKS[-1])
        work = self._sweep(charge, speed, pressure, fine)[0]
        k = int(np.clip(np.argmax(work), 1, fine.size - 2))
        left, mid, right = work[k - 1 : k + 2]
        bend = left - 2.0 * mid + right
        if bend >= 0.0:
            return float(fine[k])
        return float(min(fine[k] + 1.25 * np.clip(0.5 * (left - right) / bend, -1.0, 1.0), SPARKS[-1]))

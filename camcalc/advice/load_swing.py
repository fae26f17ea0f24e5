"""How far the charge of a cylinder strays from the load that its spark was looked up for: what one spark has to serve."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from ..constants import AIR_GAS_CONSTANT
from ..cycle.work_variation import Spread
from ..sheet.sections import INDIVIDUAL_THROTTLES

if TYPE_CHECKING:
    from ..cycle.operating import EngineModel

__all__ = ["STILL", "WIDEST_SWING", "LoadSwing", "firings_held", "load_swing", "pressure_about_signal"]

# A swing is followed to so many standard deviations each way: of what is spread evenly about its mean (normal) 2.3 % lie beyond each edge.
DEVIATIONS = 2.0
# Narrower than this share of the load a swing moves no limit by what makes it bind: MBT spark and knock move by 0.4 to 1.2 deg per kPa. ESTIMATE.
STILL = 0.02
# Wider swings are not followed; ESTIMATE.
WIDEST_SWING = 0.5


class LoadSwing(NamedTuple):
    """Standard deviations over the mean: of the manifold pressure about the load signal, and of a cylinder's own charge about the manifold's.

    ``measured`` where the sheet gave the first from a log.
    """

    pressure: float
    charge: float
    measured: bool = False

    @property
    def lighter(self) -> float:
        """How far below the signal the manifold goes, over the load.

        A cylinder's own scatter is left out here: what it does to a flame is in the cycle-to-cycle map already, and counts once.
        """
        return min(DEVIATIONS * self.pressure, WIDEST_SWING)

    @property
    def fuller(self) -> float:
        """How far above the signal the fullest charge goes, over the load."""
        return min(DEVIATIONS * math.hypot(self.pressure, self.charge), WIDEST_SWING)

    @property
    def fuller_by_pressure(self) -> float:
        """What of that is the manifold's pressure: the likeliest way to come so far shares it as the variances do."""
        whole = self.pressure**2 + self.charge**2
        return self.fuller * self.pressure**2 / whole if whole > 0.0 else 0.0

    @property
    def fuller_by_charge(self) -> float:
        """What of it is the cylinder's own charge."""
        return self.fuller - self.fuller_by_pressure


def load_swing(engine: EngineModel, spread: Spread) -> LoadSwing:
    """Return the swing about a settled cycle whose cycles spread so: computed, or as the sheet's log has it.

    Parameters
    ----------
    engine : EngineModel
    spread : Spread
        Of the cycles at that speed, load and spark.

    Notes
    -----
    Every firing draws from the plenum what its own charge holds, and the throttle gives back the mean. The plenum so walks about its mean,
    and the load signal follows with the sheet's ``load_filter``. A throttle that is not choked gives more when the plenum is low, which
    steadies it: the figure is an upper bound. The crank's own speed adds nothing: a missed cycle of a big V8 at 1400 rpm takes some
    30 J of 3 kJ in flywheel and crank, half a per cent of speed, and what a cylinder traps hangs on pressure, hardly on speed.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.cycle.work_variation import work_spread
    >>> engine = QuickEngine(load_build("examples/quarry-road/build.toml"))
    >>> swing = load_swing(engine, work_spread(engine, 1400 / 60, 60e3, 30.0))
    >>> 0.0 <= swing.lighter <= swing.fuller <= WIDEST_SWING, swing.measured
    (True, False)
    """
    limits, state = engine.build.limits.si, spread.mean
    told = engine.build.limits.load_swing
    if not math.isnan(told):
        return LoadSwing(told, spread.charge_deviation, measured=True)
    own = engine.build.engine.intake == INDIVIDUAL_THROTTLES
    # A plenum of one's own is drawn from once a cycle, and the load sensor, which reads all of them, sees next to nothing of its swing.
    interval, lag = (2.0 / state.speed, math.inf) if own else (2.0 / state.speed / engine.geometry.cylinders, float(limits.load_filter))
    return LoadSwing(pressure_about_signal(spread.charge_deviation, firings_held(engine, spread), interval, lag), spread.charge_deviation)


def firings_held(engine: EngineModel, spread: Spread) -> float:
    """Return how many firings' air the plenum holds, at the air temperature of the site; a hotter plenum holds less.

    Parameters
    ----------
    engine : EngineModel
    spread : Spread
        Of the cycles whose air is drawn.
    """
    sheet, state = engine.build.engine, spread.mean
    volume = sheet.si.plenum_volume / (engine.geometry.cylinders if sheet.intake == INDIVIDUAL_THROTTLES else 1)
    held = state.manifold_pressure * volume / (AIR_GAS_CONSTANT * engine.build.site.si.air_temperature)
    return float(held / state.air)


def pressure_about_signal(noise: float, firings: float, interval: float, lag: float) -> float:
    """Return the standard deviation, over the mean, of manifold pressure about a load signal that lags it.

    Parameters
    ----------
    noise : float
        Standard deviation over mean of what each firing draws.
    firings : float
        How many firings' air the plenum holds [-].
    interval : float
        Between firings that draw from it [s].
    lag : float
        Time constant of the load signal [s]; without any the signal is the pressure and the answer is zero, infinite where it stays at the mean.

    Notes
    -----
    Between firings the plenum forgets ``a = 1 - exp(-1/n)`` of what it is off by (1/n where it holds many), n firings held:
    ``d[k+1] = (1 - a) d[k] - a e[k]``, so ``var(d) = noise^2 a/(2 - a)``. The signal goes ``b = 1 - exp(-interval/lag)`` of the way
    to each new pressure: ``s[k] = (1 - b) s[k-1] + b d[k]``. With ``r = 1 - a``, ``q = 1 - b`` and V = var(d),
    ``cov(d, s) = b V/(1 - q r)``, ``var(s) = (2 b q r cov + b^2 V)/(1 - q^2)``; the answer is the root of ``V - 2 cov + var(s)``.

    Examples
    --------
    >>> round(pressure_about_signal(0.04, 16.0, 0.0107, 1000.0), 4), round(0.04 * (0.0606 / (2 - 0.0606)) ** 0.5, 4)
    (0.0071, 0.0071)
    """
    if lag <= 0.0:
        return 0.0
    a, b = -math.expm1(-1.0 / firings), -math.expm1(-interval / lag)
    r, q = 1.0 - a, 1.0 - b
    whole = noise * noise * a / (2.0 - a)
    if b == 0.0:
        return math.sqrt(whole)
    together = b * whole / (1.0 - q * r)
    signal = (2.0 * b * q * r * together + b * b * whole) / (1.0 - q * q)
    return math.sqrt(max(whole - 2.0 * together + signal, 0.0))

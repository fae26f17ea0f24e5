"""What an engine model tells about one operating point, and what advice may ask of any model.

Advice is written against ``EngineModel`` alone; the quick closed forms and the resolved cycle both are one.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from ..codes import Code
from ..errors import InputError, NoSolutionError

if TYPE_CHECKING:
    from ..engine.gas import FuelData
    from ..engine.geometry import Geometry
    from ..sheet import Build
    from .burn_map import BurnMap
    from .ledger import BurnedLedger
    from .port_flow import PortFlow
    from .work_variation import Spread

__all__ = [
    "Ending", "EngineModel", "ModelUse", "OperatingState", "Tolerances", "barometer", "pressure_carrying", "pressure_for_net_imep", "refuse_teaching",
    "with_learned",
]  # fmt: skip

Array = NDArray[np.float64]

# The sheet's exhaust back-pressure is that at this speed [rev/s], with the cylinders filled at this density [kg/m3]; common practice, no source.
RATED_SPEED, AIR_DENSITY = 5500.0 / 60.0, 1.2


class ModelUse(Code):
    """What a model must not be used for."""

    TEACHING_ONLY = "for reading a cam and for learning, not for an engine: it computes no knock, and too much idle vacuum with a long cam"


class Ending(Code):
    """How the search for a cycle that repeats itself ended."""

    SETTLED = "settled: the cycle repeats itself"
    NO_FRESH_CHARGE = "dying: no fresh charge is left"
    NOT_SETTLED = "no cycle repeats itself: strong and weak ones by turns"


class Tolerances(NamedTuple):
    """Multipliers on what is not known well; all 1 at the nominal. Each model uses those that it names in ``uncertain``."""

    overlap: float = 1.0
    residual_kept: float = 1.0
    residual_temperature: float = 1.0
    friction: float = 1.0
    efficiency: float = 1.0
    burn: float = 1.0
    dilution: float = 1.0
    kernel_turbulence: float = 1.0
    spark_energy: float = 1.0
    plug_scatter: float = 1.0
    turbulence_scatter: float = 1.0
    residual_scatter: float = 1.0
    back_pressure: float = 1.0
    port_heat: float = 1.0
    wall_heat: float = 1.0
    octane: float = 1.0
    plenum_heat: float = 1.0
    lift_loss: float = 1.0
    exhaust_pulse: float = 1.0


def with_learned(build: Build, tolerances: Tolerances) -> Tolerances:
    """Return tolerances about what the car's own readings have said, where a sheet has it.

    Parameters
    ----------
    build : Build
    tolerances : Tolerances
        About the sheet's own inputs.

    Examples
    --------
    >>> from camcalc import load_build
    >>> build = load_build("examples/quarry-road/build.toml")
    >>> with_learned(build, Tolerances(friction=1.1)).friction
    1.1
    """
    learned = build.learned
    if learned is None:
        return tolerances
    factors = {name: getattr(learned, name) for name in Tolerances._fields}
    return Tolerances(*(own * (1.0 if math.isnan(factors[name]) else factors[name]) for name, own in tolerances._asdict().items()))


class OperatingState(NamedTuple):
    """One operating point per cylinder and cycle, SI floats; speeds rev/s, angles crank deg, spark before top dead centre.

    Where the engine does not run, ``outcome`` says so, nothing burns, no air is fresh and the burn has no angles (not-a-number).
    ``air`` and ``fuel`` are what passes throttle and injector; ``trapped_air`` is the fresh air in the cylinder at intake closing. With much reversion
    the cylinder holds more, since unburned charge goes round between cylinder and plenum. ``completeness`` is the share of the fuel that could burn
    which does before the exhaust valve opens: 1 less what is left of a late burn, crevices and walls apart. ``blow_back`` flows into the intake while
    both valves are open; residual that expands into it after the exhaust valve has closed is left out. ``repeats_within`` is the largest relative
    change from one cycle to the next, 0 for closed forms.
    """

    speed: float
    manifold_pressure: float
    exhaust_pressure: float
    spark: float
    burned_fraction: float
    diluent: float
    trapped: float
    trapped_air: float
    air: float
    fuel: float
    blow_back: float
    gross: float
    pumping: float
    net: float
    development: float
    rapid_burn: float
    half_burned: float
    completeness: float
    exhaust_temperature: float
    outcome: Ending = Ending.SETTLED
    repeats_within: float = 0.0

    @property
    def runs(self) -> bool:
        """Whether the engine runs here."""
        return self.outcome is Ending.SETTLED


class EngineModel(Protocol):
    """An engine on one build sheet, asked for operating points."""

    build: Build
    geometry: Geometry
    fuel: FuelData
    name: str
    tolerances: Tolerances
    uncertain: tuple[str, ...]
    # Burn maps and how cycles spread, by the question: answers remembered.
    burn_maps: dict[tuple[float, float, float], BurnMap | None]
    spreads: dict[tuple[float, ...], Spread]
    # For reading a cam and for learning: no spark table, no ceiling, no word on the brakes rests on such a model.
    teaching_only: bool

    def asking(self, build: Build) -> EngineModel:
        """Return the same engine, and what it remembers, under another sheet's limits, gears, margins or octane."""
        ...

    def state(self, speed: float, pressure: float, spark: float, *, burned_fraction: float | None = None) -> OperatingState:
        """Return an operating point; with ``burned_fraction``, that of a single cycle whose charge is so diluted.

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
        ...

    def net_imep(self, speed: float, pressure: float, spark: float | None) -> float:
        """Return net IMEP [Pa] of the mean cycle at a spark, or (None) at best torque; good enough to solve with.

        Parameters
        ----------
        speed : float
            Crank speed [rev/s].
        pressure : float
            Mean of the plenum [Pa], absolute.
        spark : float
            Before top dead centre [crank deg], or None.
        """
        ...

    def best_spark(self, speed: float, pressure: float, *, burned_fraction: float | None = None) -> float:
        """Return the spark of greatest net IMEP."""
        ...

    def torque_curve(self, speed: float, pressure: float, sparks: Array) -> Array:
        """Return gross IMEP [Pa] at sparks near the best."""
        ...

    def burn_map(self, speed: float, pressure: float, spark: float) -> BurnMap | None:
        """Return what cycles make of the gas exchange there; None where the engine does not run."""
        ...

    def knock_spark(self, speed: float, pressure: float, *, burned_fraction: float | None = None) -> float:
        """Return the earliest spark without knock; infinite if none searched knocks, not-a-number if the model does not know.

        With ``burned_fraction``, that of a single cycle whose charge is so diluted.
        """
        ...

    def port_flow(self, speed: float, pressure: float, spark: float) -> PortFlow | None:
        """Return the flows at a cylinder's valves; None if the model knows none, ``NoSolutionError`` if it does and the engine does not run there."""
        ...

    def ledger(self, speed: float, pressure: float, spark: float) -> BurnedLedger | None:
        """Return where the burned gas in the charge comes from; None if the model keeps no account."""
        ...


LEAST_PRESSURE = 8e3
# A solved torque is this close to the one asked for.
CLOSE = 2e-4


def pressure_for_net_imep(engine: EngineModel, speed: float, net: float, spark: float | None, *, near: float = math.nan) -> float:
    """Return the manifold pressure [Pa] at which the mean cycle makes a net IMEP [Pa], with torque rising through it.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    net : float
        Net IMEP [Pa].
    spark : float
        Before top dead centre [crank deg], or None for best torque.
    near : float
        A manifold pressure close by [Pa], as in ``pressure_carrying``.

    Raises
    ------
    NoSolutionError
        If the torque is out of reach without boost, with the greatest reachable net IMEP [Pa].
    """
    return pressure_carrying(engine, speed, net, lambda pressure: engine.net_imep(speed, pressure, spark), near=near)


def pressure_carrying(engine: EngineModel, speed: float, net: float, work: Callable[[float], float], *, near: float = math.nan, close: float = CLOSE) -> float:
    """Return the manifold pressure [Pa] that carries a net IMEP [Pa], with torque rising through it.

    With much dilution two pressures can give one torque; the upper one is steady, and it is the one returned.

    Parameters
    ----------
    engine : EngineModel
        Gives the barometer.
    speed : float
        Crank speed [rev/s].
    net : float
        Net IMEP to be carried [Pa].
    work : callable
        Net IMEP [Pa] at a manifold pressure [Pa]: of the mean cycle or of all cycles, on whatever spark belongs there.
    near : float
        A manifold pressure close by [Pa], which saves time; not a number where none is known. It has to follow from the question, never from
        what was asked before.
    close : float
        How close to ``net`` is enough, as a share of it: more where ``work`` rests on a spark that is found in steps.

    Raises
    ------
    NoSolutionError
        If the torque is out of reach without boost, with the greatest reachable net IMEP [Pa].

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> engine = QuickEngine(load_build("examples/long-meadow/build.toml"))
    >>> round(pressure_carrying(engine, 15.0, 2e5, lambda pressure: 10.0 * (pressure - 3e4)))
    50000
    """
    known: dict[float, float] = {}

    def short(pressure: float) -> float:
        if pressure not in known:
            known[pressure] = work(pressure) - net
        return known[pressure]

    high = barometer(engine)
    if not math.isnan(near):
        found = _secant(short, min(near, high), high, close * abs(net))
        if found is not None:
            return found
    if short(high) < 0.0:
        most = short(high) + net
        raise NoSolutionError(f"net IMEP of {net / 1e3:.0f} kPa is beyond reach at {speed * 60:.0f} rpm; the most is {most / 1e3:.0f} kPa", reachable=most)
    # Torque is nearly straight in pressure from the barometer down: aim a little below where the line meets the target.
    step = 0.2 * high
    low = high - step
    while low > LEAST_PRESSURE:
        if short(low) < 0.0:
            return _narrowed(short, low, high, close * abs(net))
        slope = (short(high) - short(low)) / (high - low)
        aimed = short(low) / slope if slope > 0.0 else step
        high, low = low, low - min(max(1.1 * aimed, 1.5e3), step)
    return LEAST_PRESSURE


def _secant(short: Callable[[float], float], near: float, top: float, close: float) -> float | None:
    """Return where torque, rising, crosses its target close to a pressure; None if it is not found there."""
    p0, f0 = near, short(near)
    # Net IMEP rises by some twelve times the pressure.
    p1 = min(max(p0 - f0 / 12.0, 0.8 * p0), top)
    for _ in range(6):
        if abs(f0) <= close:
            return p0
        f1 = short(p1)
        if p1 == p0 or (f1 - f0) / (p1 - p0) <= 0.0:
            return None
        slope = (f1 - f0) / (p1 - p0)
        p0, f0, p1 = p1, f1, min(p1 - f1 / slope, top)
        if not 0.5 * near < p1 < 2.0 * near:
            return None
    return None


def _narrowed(short: Callable[[float], float], low: float, high: float, close: float) -> float:
    """Return where a rising function crosses zero, to within ``close`` of zero: false position, the end that stays halved (Illinois)."""
    f_low, f_high = short(low), short(high)
    stayed = 0  # which end stayed last time: +1 the high one
    for _ in range(60):
        if f_high <= close:
            return high
        middle = (low * f_high - high * f_low) / (f_high - f_low)
        f = short(middle)
        if abs(f) <= close or high - low < 1.0:
            return middle
        if f < 0.0:
            low, f_low = middle, f
            f_high *= 0.5 if stayed == 1 else 1.0
            stayed = 1
        else:
            high, f_high = middle, f
            f_low *= 0.5 if stayed == -1 else 1.0
            stayed = -1
    return middle


def barometer(engine: EngineModel) -> float:
    """Return the air pressure at the model's site [Pa]."""
    from ..engine.atmosphere import barometer_of

    return barometer_of(engine.build.site)


def refuse_teaching(engine: EngineModel, what: str) -> None:
    """Raise where a model for teaching is asked for what somebody would run an engine on.

    Raises
    ------
    InputError
        If the model is for teaching only; ``what`` names the thing asked for.
    """
    if engine.teaching_only:
        raise InputError("model", came=engine.name, expected=f"a model that knows knock, for {what}", fix="leave --model out: resolved is the default")

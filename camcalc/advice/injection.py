"""End-of-injection windows for sequential port injection: when fuel may arrive at the valve, back to when the pulse must end.

Two ways to find them. By the valve events alone, which shift with the cam degree for degree; and, where the engine model knows
the flows in its runners, by following the fuel (``placement``). The second is the one recommended. Angles are crank degrees
before the top dead centre between exhaust and intake stroke.
"""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord, ScalarMeasure
from ..cycle.operating import EngineModel, barometer
from ..cycle.tracer import has_port_flow, port_flow, trace_fuel
from ..errors import InputError, did_you_mean
from ..results import Measure, measure
from ..units import checked
from .fuel_placement import OPEN, SHUT, Placement, Spray, choose_placement, place

if TYPE_CHECKING:
    from ..cycle.resolved import ResolvedEngine

__all__ = [
    "DOES_NOT_APPLY",
    "REFERENCES",
    "InjectionPoint",
    "InjectionWindows",
    "StrategyMap",
    "Window",
    "convert_back",
    "convert_reference",
    "dead_time_at",
    "injection_windows",
    "point_at",
    "pulse_width",
    "window_at",
]

Array = NDArray[np.float64]

DOES_NOT_APPLY = {
    "batch port": "does not apply: injectors fire in groups, so no one end of injection suits every cylinder",
    "throttle body": "does not apply: fuel enters above the throttle and reaches all cylinders through the plenum",
    "carburettor": "does not apply: fuel is metered by air flow, not by pulses",
    "direct": "does not apply: direct-injection windows are out of scope",
}
# Burned gas coming back has spent itself by here, and open-valve fuel should be in by here [crank deg after top dead
# centre]: 30 to 45 read in a published fuel-injection text; greatest intake velocity 70 to 110 from memory.
TAIL, LATEST_ARRIVAL = 40.0, 100.0
SPEEDS = np.array([800.0, 1200.0, 1600.0, 2000.0, 3000.0, 4000.0, 5000.0]) / 60.0
PRESSURES = np.array([40e3, 60e3, 80e3])
CYCLE = 720.0
# Largest share of the cycle to plan with, 85 to 90 % from memory: the rest is for a cold engine, and injectors hardly shut in less.
LARGEST_DUTY = 0.90
BY_FLOWS = "the valve flows of the settled cycle, fuel followed in them"
BY_EVENTS = "valve events alone: this engine model has no flows in its runners"
DEAD = "the engine does not run here"


@checked("s", fuel=("kg", 0.0, 1e-3), flow=("kg/s", 1e-5, 0.1), rated_pressure=("Pa", 1e4, 2e6), pressure=("Pa", 1e4, 2e6), dead_time=("s", 0.0, 1e-2))
def pulse_width(fuel: float, *, flow: float, rated_pressure: float, pressure: float, dead_time: float) -> float:
    """Return injector pulse width.

    Parameters
    ----------
    fuel : quantity [mass]
        Per injection.
    flow : quantity [mass flow]
        Static, at the rated pressure difference.
    rated_pressure, pressure : quantity [pressure]
        Differences across the tip, rated and actual.
    dead_time : quantity [time]

    Notes
    -----
    ``m / (flow sqrt(dp/dp_rated)) + dead time``.

    Examples
    --------
    >>> tip = dict(rated_pressure="3 bar", pressure="3 bar", dead_time="0 ms")
    >>> round(pulse_width("34.01 mg", flow="30 lb/h", **tip).to("ms").magnitude, 2)
    9.0
    """
    return fuel / (flow * math.sqrt(pressure / rated_pressure)) + dead_time


def dead_time_at(injector: Any) -> float:
    """Return an injector's opening delay [s] at the battery voltage while running; never negative.

    Notes
    -----
    ``dead time + slope (its voltage - battery voltage)``, a straight line through a curve: good within about 2 V.

    Examples
    --------
    >>> from camcalc import load_build
    >>> injector = load_build("examples/quarry-road/build.toml").injector
    >>> round(dead_time_at(injector.replace(battery_voltage="12 V")) * 1e3, 3)
    1.3
    """
    si = injector.si
    return float(max(si.dead_time + si.dead_time_slope * (si.dead_time_voltage - si.battery_voltage), 0.0))


class Window(NamedTuple):
    """One operating point's ends of injection by valve events alone; NaN where a strategy does not fit.

    Crank degrees before top dead centre. The whole pulse, its dead time too, is taken for spray.
    """

    pulse: float
    pulse_angle: float
    transit_angle: float
    shut_earliest: float
    shut_latest: float
    open_earliest: float
    open_latest: float
    end: float
    strategy: str


class InjectionPoint(NamedTuple):
    """One operating point: windows by events; each strategy by flows, None without; what is recommended and why."""

    window: Window
    shut: Placement | None
    opened: Placement | None
    earliest: float
    latest: float
    end: float
    strategy: str
    why: str


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class StrategyMap(ArrayRecord):
    """One strategy by the flows, each operating point at its best end; angles before the top dead centre of the overlap."""

    earliest: Measure = measure("crank_deg")
    latest: Measure = measure("crank_deg")
    start: Measure = measure("crank_deg", doc="of the pulse")
    end: Measure = measure("crank_deg", doc="of the pulse, at its best")
    misplaced: Measure = measure("", "percent", doc="arrives at the wrong time, or ends in plenum or exhaust")
    past_injector: Measure = measure("", "percent", doc="has stood upstream of the injector at some time")
    to_plenum: Measure = measure("", "percent", doc="blown into the plenum, where any cylinder may draw it")
    in_cylinder: Measure = measure("", "percent", doc="in its own cylinder by the next intake closing; late closing pushes some of any charge back")
    to_exhaust: Measure = measure("", "percent", doc="out past the exhaust valve, unburned")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class InjectionWindows(ArrayRecord):
    """Ends of injection over speed and manifold pressure, before the top dead centre between exhaust and intake stroke.

    ``shut_`` and ``open_`` edges are by valve events alone: all fuel arrives on the shut intake valve, or after the exhaust
    valve has shut and the backflow is swallowed. ``shut_valve`` and ``open_valve`` are the same strategies by the flows, None
    without them. ``earliest``, ``latest`` and ``end_of_injection`` are of the recommended strategy, by the flows where known.
    """

    AXES = ("manifold_pressure", "speed")

    applies: bool
    reason: str
    basis: str
    speed: Measure = measure("crank_rps", "rpm")
    manifold_pressure: Measure = measure("Pa", "kPa")
    pulse_width: Measure = measure("s", "ms")
    pulse_angle: Measure = measure("crank_deg")
    duty: Measure = measure("", "percent", doc="share of the cycle with the injector open")
    shut_earliest: Measure = measure("crank_deg")
    shut_latest: Measure = measure("crank_deg")
    open_earliest: Measure = measure("crank_deg")
    open_latest: Measure = measure("crank_deg")
    earliest: Measure = measure("crank_deg", doc="of the recommended strategy")
    latest: Measure = measure("crank_deg", doc="of the recommended strategy")
    start_of_injection: Measure = measure("crank_deg", doc="recommended")
    end_of_injection: Measure = measure("crank_deg", doc="recommended")
    intake_opens: ScalarMeasure = measure("crank_deg", doc="seat to seat, before the top dead centre of the overlap")
    strategy: tuple[tuple[str, ...], ...] = ()
    why: tuple[tuple[str, ...], ...] = ()
    angle_reference: str = "before overlap top dead centre"
    shut_valve: StrategyMap | None = None
    open_valve: StrategyMap | None = None

    def in_reference(self, name: str) -> Array:
        """Return an angle field, such as ``"end_of_injection"``, from the reference the build sheet names [crank deg]."""
        angles = getattr(self.si, name)
        return np.asarray(convert_reference(angles, self.si.intake_opens, self.angle_reference))


# How each reference follows from an angle before the overlap's top dead centre: sign, then what is added [crank deg].
REFERENCES: dict[str, tuple[float, float]] = {
    "before overlap top dead centre": (1.0, 0.0),
    "after overlap top dead centre": (-1.0, 0.0),
    "before intake opening": (1.0, 0.0),
    "before firing top dead centre": (1.0, 360.0),
    "after firing top dead centre": (-1.0, 360.0),
    "0-720": (-1.0, 360.0),
}


def _line(intake_opens: float, reference: str) -> tuple[float, float]:
    if reference not in REFERENCES:
        raise InputError("angle_reference", came=reference, expected=" or ".join(f'"{r}"' for r in REFERENCES), fix=did_you_mean(reference, REFERENCES))
    sign, offset = REFERENCES[reference]
    return sign, offset - (intake_opens if reference == "before intake opening" else 0.0)


def convert_reference(angle: Any, intake_opens: float, reference: str) -> Any:
    """Return an angle before the overlap's top dead centre as it counts from another reference [crank deg].

    Parameters
    ----------
    angle : float or array
        Before the top dead centre between exhaust and intake stroke.
    intake_opens : float
        Intake opening, counted the same way.
    reference : str
        ``"before overlap top dead centre"``: as it is. ``"after overlap top dead centre"``. ``"before intake opening"``.
        ``"before firing top dead centre"``: of the charge this fuel goes into, the one after this intake stroke, so that
        fuel for the shut valve has some 400 to 700 degrees. ``"after firing top dead centre"``: after the one before this
        intake stroke. ``"0-720"``: the same on a clock that starts anew at each.

    Raises
    ------
    InputError
        On a reference not known.

    Examples
    --------
    >>> convert_reference(90.0, 30.0, "before intake opening"), convert_reference(90.0, 30.0, "0-720")
    (60.0, 270.0)
    >>> convert_reference(90.0, 30.0, "before firing top dead centre")
    450.0
    """
    sign, offset = _line(intake_opens, reference)
    turned = sign * angle + offset
    # Twice: a hair below nothing comes out of the first as 720 itself.
    return turned % CYCLE % CYCLE if reference == "0-720" else turned


def convert_back(angle: Any, intake_opens: float, reference: str) -> Any:
    """Return an angle counted from a reference as one before the overlap's top dead centre [crank deg]; inverse of ``convert_reference``.

    From the clock of 0 to 720 it comes back between 360 after and 360 before.

    Raises
    ------
    InputError
        On a reference not known.

    Examples
    --------
    >>> convert_back(60.0, 30.0, "before intake opening"), convert_back(270.0, 30.0, "0-720")
    (90.0, 90.0)
    """
    sign, offset = _line(intake_opens, reference)
    return sign * (angle - offset)


def injection_windows(engine: EngineModel, speeds: Array = SPEEDS, pressures: Array = PRESSURES) -> InjectionWindows:
    """Return the windows over speeds [rev/s] and manifold pressures [Pa]."""
    build = engine.build
    pressures = pressures[pressures < barometer(engine)]
    opens = -build.cam.lift_curve("intake").seat_edges()[0]
    if build.fuel.system != "sequential port" or build.injector is None:
        blank: Any = np.zeros((0, 0))
        empty = {name: blank for name in InjectionWindows.measures() if name not in ("speed", "manifold_pressure", "intake_opens")}
        reason = DOES_NOT_APPLY[build.fuel.system]
        return InjectionWindows(applies=False, reason=reason, basis="", speed=np.zeros(0), manifold_pressure=np.zeros(0), intake_opens=opens, **empty)
    grid = [[point_at(engine, float(s), float(p)) for s in speeds] for p in pressures]

    def each(value: Any) -> Array:
        return np.array([[value(point) for point in row] for row in grid])

    pulse_angle = each(lambda p: p.window.pulse_angle)
    by_flows = has_port_flow(engine)
    return InjectionWindows(
        applies=True,
        reason="sequential port injection",
        basis=BY_FLOWS if by_flows else BY_EVENTS,
        speed=speeds,
        manifold_pressure=pressures,
        pulse_width=each(lambda p: p.window.pulse),
        pulse_angle=pulse_angle,
        duty=pulse_angle / CYCLE,
        **{name: each(lambda p, name=name: getattr(p.window, name)) for name in ("shut_earliest", "shut_latest", "open_earliest", "open_latest")},
        earliest=each(lambda p: p.earliest),
        latest=each(lambda p: p.latest),
        start_of_injection=each(lambda p: p.end + p.window.pulse_angle),
        end_of_injection=each(lambda p: p.end),
        intake_opens=opens,
        strategy=tuple(tuple(p.strategy for p in row) for row in grid),
        why=tuple(tuple(p.why for p in row) for row in grid),
        angle_reference=build.injector.angle_reference,
        shut_valve=_strategy_map([[p.shut for p in row] for row in grid]) if by_flows else None,
        open_valve=_strategy_map([[p.opened for p in row] for row in grid]) if by_flows else None,
    )


def _strategy_map(grid: list[list[Placement | None]]) -> StrategyMap:
    return StrategyMap(**{name: np.array([[math.nan if p is None else getattr(p, name) for p in row] for row in grid]) for name in StrategyMap.measures()})


def point_at(engine: EngineModel, speed: float, pressure: float) -> InjectionPoint:
    """Return the windows at one operating point, and the end recommended: speed [rev/s], manifold pressure [Pa]."""
    window = window_at(engine, speed, pressure)
    duty = window.pulse_angle / CYCLE
    nan = math.nan
    if math.isnan(duty):
        return InjectionPoint(window, None, None, nan, nan, nan, DEAD, DEAD)
    if duty >= 1.0:
        never = f"not feasible: injector too small: needs {duty:.0%} of the cycle"
        none = window._replace(shut_earliest=nan, shut_latest=nan, open_earliest=nan, open_latest=nan, end=nan, strategy=never)
        return InjectionPoint(none, None, None, nan, nan, nan, never, never)
    warning = f"; the injector is open {duty:.0%} of the cycle, more than the {LARGEST_DUTY:.0%} to plan with" if duty > LARGEST_DUTY else ""
    if not has_port_flow(engine):
        shut = "open" not in window.strategy
        earliest, latest = (window.shut_earliest, window.shut_latest) if shut else (window.open_earliest, window.open_latest)
        return InjectionPoint(window, None, None, earliest, latest, window.end, window.strategy, f"by {BY_EVENTS}{warning}")
    shut_valve, open_valve = _place_both(cast("ResolvedEngine", engine), speed, pressure, window)
    strategy, why = choose_placement(shut_valve, open_valve)
    best = open_valve if OPEN in strategy else shut_valve
    return InjectionPoint(window, shut_valve, open_valve, best.earliest, best.latest, best.end, strategy, why + warning)


def _place_both(engine: ResolvedEngine, speed: float, pressure: float, window: Window) -> tuple[Placement, Placement]:
    """Return the shut-valve and the open-valve strategy by the flows."""
    injector, limits = engine.build.injector, engine.build.limits
    assert injector is not None
    flow = port_flow(engine, speed, pressure, engine.best_spark(speed, pressure))
    fates = trace_fuel(flow, distance=injector.si.distance_to_valve)
    flowing = max(window.pulse - dead_time_at(injector), 0.0) * 360.0 * speed
    spray = Spray(window.pulse, window.pulse_angle, flowing, window.transit_angle)
    terms = {"limit": limits.misplaced_fuel, "margin": limits.si.injection_margin}
    return place(flow, fates, spray, strategy=SHUT, **terms), place(flow, fates, spray, strategy=OPEN, **terms)


def window_at(engine: EngineModel, speed: float, pressure: float) -> Window:
    """Return the windows by valve events alone at one operating point: speed [rev/s], manifold pressure [Pa]."""
    build, injector = engine.build, engine.build.injector
    assert injector is not None
    intake, exhaust = build.cam.lift_curve("intake").seat_edges(), build.cam.lift_curve("exhaust").seat_edges()
    fuel = engine.state(speed, pressure, engine.best_spark(speed, pressure)).fuel
    if fuel <= 0.0:
        return Window(*(math.nan,) * 8, DEAD)
    difference = _across_tip(injector, pressure, barometer(engine))
    width = pulse_width.kernel(fuel, flow=injector.si.flow, rated_pressure=injector.si.rated_pressure, pressure=difference, dead_time=dead_time_at(injector))
    degrees_per_second = 360.0 * speed
    pulse = width * degrees_per_second
    transit = injector.si.distance_to_valve / injector.si.spray_speed * degrees_per_second
    return choose(width, pulse, transit, opens=-intake[0], closed=720.0 - intake[1], exhaust_shut=exhaust[1], margin=build.limits.si.injection_margin)


def choose(width: float, pulse: float, transit: float, *, opens: float, closed: float, exhaust_shut: float, margin: float) -> Window:
    """Return both windows and the end recommended; all angles [crank deg], ``opens`` and ``closed`` before top dead centre."""
    shut_latest = opens + margin + transit
    shut_earliest = closed + transit - pulse
    open_first = max(exhaust_shut + margin, TAIL)
    open_earliest, open_latest = transit - pulse - open_first, transit - LATEST_ARRIVAL
    shut_fits, open_fits = shut_earliest >= shut_latest, open_earliest >= open_latest
    if shut_fits:
        end, strategy = shut_latest, "shut valve"
    elif open_fits:
        end, strategy = (open_earliest + open_latest) / 2.0, "open valve"
    else:
        # Too long for either: let the pulse begin earlier, on the shut valve, rather than end later.
        end, strategy = shut_latest, "too long for either: ends for the shut valve"
    nan = math.nan
    return Window(
        width,
        pulse,
        transit,
        shut_earliest if shut_fits else nan,
        shut_latest if shut_fits else nan,
        open_earliest if open_fits else nan,
        open_latest if open_fits else nan,
        end,
        strategy,
    )


def _across_tip(injector: Any, manifold: float, ambient: float) -> float:
    if injector.regulator == "manifold referenced":
        return float(injector.si.fuel_pressure)
    return float(injector.si.fuel_pressure + ambient - manifold)

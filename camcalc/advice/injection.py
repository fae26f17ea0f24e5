"""End-of-injection windows for sequential port injection: when fuel may arrive at the valve, back to when the pulse must end.

Two ways to find them. By the valve events alone, which shift with the cam degree for degree; and, where the engine model knows
the flows in its runners, by following the fuel (``fuel_placement``). The second is the one recommended. Angles are crank degrees
before overlap top dead centre, the one between exhaust and intake stroke; negative after it.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord, ScalarMeasure
from ..codes import Code
from ..cycle.operating import EngineModel, barometer
from ..cycle.port_flow import PortFlow
from ..cycle.tracer import trace_fuel
from ..errors import NoSolutionError
from ..results import Measure, measure
from ..sheet import Build
from ..sheet.sections import MANIFOLD_REFERENCED, SEQUENTIAL_PORT, Injector
from ..units import checked
from .fuel_placement import InjectionReason, Placement, Spray, Strategy, choose_placement, place
from .injection_angles import OVERLAP_TDC, convert_reference

__all__ = [
    "FuelDelivery",
    "InjectionBasis",
    "InjectionPoint",
    "InjectionWindows",
    "StrategyJump",
    "StrategyMap",
    "Window",
    "dead_time_at",
    "delivery_of",
    "injection_windows",
    "point_at",
    "pulse_width",
    "strategy_jumps",
    "window_at",
]

Array = NDArray[np.float64]

# Burned gas coming back has spent itself by here, and open-valve fuel should be in by here [crank deg after top dead
# centre]: 30 to 45 read in a published fuel-injection text; greatest intake velocity 70 to 110 from memory.
TAIL, LATEST_ARRIVAL = 40.0, 100.0
SPEEDS = np.array([800.0, 1200.0, 1600.0, 2000.0, 3000.0, 4000.0, 5000.0]) / 60.0
PRESSURES = np.array([40e3, 60e3, 80e3])
CYCLE = 720.0
# Largest share of the cycle to plan with, 85 to 90 % from memory: the rest is for a cold engine, and injectors barely close in less.
LARGEST_DUTY = 0.90
# Ends of injection of two strategies further apart than this have the overlap between them [crank deg]; ESTIMATE.
JUMP = 90.0


class FuelDelivery(Code):
    """How fuel is metered, and whether an end of injection can be chosen."""

    SEQUENTIAL_PORT = "sequential port injection: each cylinder has its own end of injection"
    BATCH_PORT = "injectors fire in groups: no one end of injection suits every cylinder"
    THROTTLE_BODY = "fuel enters above the throttle and reaches all cylinders through the plenum"
    CARBURETTOR = "fuel is metered by air flow, not by pulses"
    DIRECT = "camcalc computes no windows for direct injection"


class InjectionBasis(Code):
    """What the windows rest on."""

    FUEL_FOLLOWED = "fuel followed in the valve flows of the settled cycle"
    VALVE_EVENTS = "valve events alone: this engine model computes no flow in the runners"


def delivery_of(system: str) -> FuelDelivery:
    """Return the fuel delivery of a build sheet's ``[fuel] system``.

    >>> delivery_of("batch port") is FuelDelivery.BATCH_PORT
    True
    """
    return FuelDelivery.of(system.replace(" ", "_"))


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
    ``m / (flow sqrt(dp/dp_rated)) + dead time``: an orifice passes a liquid by the root of the pressure difference (textbook).

    Examples
    --------
    >>> tip = dict(rated_pressure="3 bar", pressure="3 bar", dead_time="0 ms")
    >>> round(pulse_width("34.01 mg", flow="30 lb/h", **tip).to("ms").magnitude, 2)
    9.0
    """
    return fuel / (flow * math.sqrt(pressure / rated_pressure)) + dead_time


def dead_time_at(injector: Injector) -> float:
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

    Crank degrees before overlap top dead centre. The whole pulse, its dead time too, is taken for spray. Without a ``strategy`` there is no end.
    """

    pulse: float
    pulse_angle: float
    transit_angle: float
    shut_earliest: float
    shut_latest: float
    open_earliest: float
    open_latest: float
    end: float
    strategy: Strategy | None
    reason: InjectionReason


class InjectionPoint(NamedTuple):
    """One operating point: windows by events; each strategy by flows, None without; what is recommended and why."""

    window: Window
    shut: Placement | None
    opened: Placement | None
    earliest: float
    latest: float
    end: float
    strategy: Strategy | None
    reason: InjectionReason

    @property
    def duty(self) -> float:
        """Share of the cycle with the injector open."""
        return self.window.pulse_angle / CYCLE


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class StrategyMap(ArrayRecord):
    """One strategy by the flows, each operating point at its best end; angles before overlap top dead centre."""

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
    """Ends of injection over speed and manifold pressure [crank deg before overlap top dead centre; negative after it].

    ``shut_`` and ``open_`` edges are by valve events alone: all fuel arrives on the closed intake valve, or after the exhaust
    valve has closed and the backflow is swallowed. ``shut_valve`` and ``open_valve`` are the same strategies by the flows, None
    without them. ``earliest``, ``latest`` and ``end_of_injection`` are of the recommended strategy, by the flows where known.
    ``strategy`` is None, and ``why`` says so, where there is none. ``controller_end`` alone counts otherwise: from the build
    sheet's ``[injector] angle_reference``.
    """

    AXES = ("manifold_pressure", "speed")

    applies: bool
    reason: FuelDelivery
    basis: InjectionBasis | None
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
    intake_opens: ScalarMeasure = measure("crank_deg", doc="seat to seat")
    controller_end: Measure = measure("crank_deg", doc="end_of_injection as the controller counts it")
    strategy: tuple[tuple[Strategy | None, ...], ...] = ()
    why: tuple[tuple[InjectionReason, ...], ...] = ()
    angle_reference: str = OVERLAP_TDC
    controller_reference: str = OVERLAP_TDC
    shut_valve: StrategyMap | None = None
    open_valve: StrategyMap | None = None

    @property
    def counts_otherwise(self) -> bool:
        """Whether the controller counts its angles from another reference than camcalc does."""
        return self.controller_reference != self.angle_reference

    def in_reference(self, name: str) -> Array:
        """Return an angle field, such as ``"end_of_injection"``, as the controller counts it [crank deg]."""
        return np.asarray(convert_reference(getattr(self.si, name), self.si.intake_opens, self.controller_reference))


def injection_windows(engine: EngineModel, speeds: Array = SPEEDS, pressures: Array = PRESSURES) -> InjectionWindows:
    """Return the windows over speeds [rev/s] and manifold pressures [Pa]."""
    build = engine.build
    pressures = pressures[pressures < barometer(engine)]
    opens = -build.cam.lift_curve("intake").seat_edges()[0]
    if build.fuel.system != SEQUENTIAL_PORT or build.injector is None:
        blank: Any = np.zeros((0, 0))
        empty: Any = {name: blank for name in InjectionWindows.measures() if name not in ("speed", "manifold_pressure", "intake_opens")}
        reason = delivery_of(build.fuel.system)
        return InjectionWindows(applies=False, reason=reason, basis=None, speed=np.zeros(0), manifold_pressure=np.zeros(0), intake_opens=opens, **empty)
    grid = [[point_at(engine, float(s), float(p)) for s in speeds] for p in pressures]

    def each(value: Any) -> Array:
        return np.array([[value(point) for point in row] for row in grid])

    pulse_angle = each(lambda p: p.window.pulse_angle)
    by_flows = _by_flows(engine, [point for row in grid for point in row])
    reference = build.injector.angle_reference
    return InjectionWindows(
        applies=True,
        reason=FuelDelivery.SEQUENTIAL_PORT,
        basis=InjectionBasis.FUEL_FOLLOWED if by_flows else InjectionBasis.VALVE_EVENTS,
        speed=speeds,
        manifold_pressure=pressures,
        pulse_width=each(lambda p: p.window.pulse),
        pulse_angle=pulse_angle,
        duty=pulse_angle / CYCLE,
        shut_earliest=each(lambda p: p.window.shut_earliest),
        shut_latest=each(lambda p: p.window.shut_latest),
        open_earliest=each(lambda p: p.window.open_earliest),
        open_latest=each(lambda p: p.window.open_latest),
        earliest=each(lambda p: p.earliest),
        latest=each(lambda p: p.latest),
        start_of_injection=each(lambda p: p.end + p.window.pulse_angle),
        end_of_injection=each(lambda p: p.end),
        intake_opens=opens,
        controller_end=each(lambda p: convert_reference(p.end, opens, reference)),
        strategy=tuple(tuple(p.strategy for p in row) for row in grid),
        why=tuple(tuple(p.reason for p in row) for row in grid),
        controller_reference=reference,
        shut_valve=_strategy_map([[p.shut for p in row] for row in grid]) if by_flows else None,
        open_valve=_strategy_map([[p.opened for p in row] for row in grid]) if by_flows else None,
    )


class StrategyJump(NamedTuple):
    """Two neighbouring cells of different strategy whose ends of injection have the overlap between them.

    Speeds rev/s and manifold pressures Pa of both, and how far their ends are apart [crank deg].
    """

    speeds: tuple[float, float]
    pressures: tuple[float, float]
    apart: float


def strategy_jumps(windows: InjectionWindows) -> tuple[StrategyJump, ...]:
    """Return where the end of injection moves so far between neighbouring cells that a controller interpolates through the overlap."""
    ends, speeds, pressures = windows.si.end_of_injection, windows.si.speed, windows.si.manifold_pressure
    found = []
    for row, column in np.ndindex(ends.shape):
        for other in ((row, column - 1), (row - 1, column)):
            if min(other) < 0 or windows.strategy[row][column] is windows.strategy[other[0]][other[1]]:
                continue
            apart = float(abs(ends[row, column] - ends[other]))
            if apart > JUMP:
                at = (float(speeds[other[1]]), float(speeds[column])), (float(pressures[other[0]]), float(pressures[row]))
                found.append(StrategyJump(*at, apart))
    return tuple(found)


def _by_flows(engine: EngineModel, points: list[InjectionPoint]) -> bool:
    """Return whether the windows rest on flows; where no point has an end of injection, whether the engine model knows any."""
    told = [point.shut is not None for point in points if point.strategy is not None]
    if told or not points:
        return any(told)
    idle = engine.build.idle.si.speed
    pressure = 0.9 * barometer(engine)
    try:
        return engine.port_flow(idle, pressure, engine.best_spark(idle, pressure)) is not None
    except NoSolutionError:
        return True  # it knows them, where the engine runs


def _strategy_map(grid: list[list[Placement | None]]) -> StrategyMap:
    return StrategyMap(**{name: np.array([[math.nan if p is None else getattr(p, name) for p in row] for row in grid]) for name in StrategyMap.measures()})


def point_at(engine: EngineModel, speed: float, pressure: float) -> InjectionPoint:
    """Return the windows at one operating point, and the end recommended: speed [rev/s], manifold pressure [Pa]."""
    window = window_at(engine, speed, pressure)
    nan = math.nan
    if window.strategy is None:
        return InjectionPoint(window, None, None, nan, nan, nan, None, window.reason)
    if window.pulse_angle >= CYCLE:
        never = InjectionReason.INJECTOR_TOO_SMALL
        none = window._replace(shut_earliest=nan, shut_latest=nan, open_earliest=nan, open_latest=nan, end=nan, strategy=None, reason=never)
        return InjectionPoint(none, None, None, nan, nan, nan, None, never)
    flow = engine.port_flow(speed, pressure, engine.best_spark(speed, pressure))
    if flow is None:
        opened = window.strategy is Strategy.OPEN_VALVE
        earliest, latest = (window.open_earliest, window.open_latest) if opened else (window.shut_earliest, window.shut_latest)
        return InjectionPoint(window, None, None, earliest, latest, window.end, window.strategy, window.reason)
    shut_valve, open_valve = _place_both(engine.build, flow, window)
    strategy, reason = choose_placement(shut_valve, open_valve)
    best = open_valve if strategy is Strategy.OPEN_VALVE else shut_valve
    return InjectionPoint(window, shut_valve, open_valve, best.earliest, best.latest, best.end, strategy, reason)


def _place_both(build: Build, flow: PortFlow, window: Window) -> tuple[Placement, Placement]:
    """Return the closed-valve and the open-valve strategy by the flows."""
    injector, limits = build.injector, build.limits
    assert injector is not None
    fates = trace_fuel(flow, distance=injector.si.distance_to_valve)
    flowing = max(window.pulse - dead_time_at(injector), 0.0) * 360.0 * flow.speed
    spray = Spray(window.pulse, window.pulse_angle, flowing, window.transit_angle)
    terms = {"limit": limits.misplaced_fuel, "margin": limits.si.injection_margin}
    return place(flow, fates, spray, strategy=Strategy.CLOSED_VALVE, **terms), place(flow, fates, spray, strategy=Strategy.OPEN_VALVE, **terms)


def window_at(engine: EngineModel, speed: float, pressure: float) -> Window:
    """Return the windows by valve events alone at one operating point: speed [rev/s], manifold pressure [Pa]."""
    build, injector = engine.build, engine.build.injector
    assert injector is not None
    intake, exhaust = build.cam.lift_curve("intake").seat_edges(), build.cam.lift_curve("exhaust").seat_edges()
    state = engine.state(speed, pressure, engine.best_spark(speed, pressure))
    if not state.runs:
        return Window(*(math.nan,) * 8, None, InjectionReason.NOT_RUNNING)
    difference = _across_tip(injector, pressure, barometer(engine))
    width = pulse_width.kernel(
        state.fuel, flow=injector.si.flow, rated_pressure=injector.si.rated_pressure, pressure=difference, dead_time=dead_time_at(injector)
    )
    degrees_per_second = 360.0 * speed
    pulse = width * degrees_per_second
    transit = injector.si.distance_to_valve / injector.si.spray_speed * degrees_per_second
    return choose(width, pulse, transit, opens=-intake[0], closed=720.0 - intake[1], exhaust_shut=exhaust[1], margin=build.limits.si.injection_margin)


def choose(width: float, pulse: float, transit: float, *, opens: float, closed: float, exhaust_shut: float, margin: float) -> Window:
    """Return both windows and the end recommended; all angles [crank deg], ``opens`` and ``closed`` before overlap top dead centre.

    Parameters
    ----------
    width : float
        The pulse's width in time [s].
    pulse : float
        Its width along the crank [crank deg].
    transit : float
        How far the crank turns while fuel flies to the valve [crank deg].
    opens, closed : float
        Where the intake valve opens, and where it closed in the cycle before [crank deg].
    exhaust_shut : float
        Where the exhaust valve closes [crank deg after overlap top dead centre].
    margin : float
        Kept between fuel and valve [crank deg].
    """
    shut_latest = opens + margin + transit
    shut_earliest = closed + transit - pulse
    open_first = max(exhaust_shut + margin, TAIL)
    open_earliest, open_latest = transit - pulse - open_first, transit - LATEST_ARRIVAL
    shut_fits, open_fits = shut_earliest >= shut_latest, open_earliest >= open_latest
    if shut_fits:
        end, strategy, reason = shut_latest, Strategy.CLOSED_VALVE, InjectionReason.FITS_CLOSED_VALVE
    elif open_fits:
        end, strategy, reason = (open_earliest + open_latest) / 2.0, Strategy.OPEN_VALVE, InjectionReason.TOO_LONG_FOR_CLOSED_VALVE
    else:
        # Too long for either: let the pulse begin earlier, on the closed valve, rather than end later.
        end, strategy, reason = shut_latest, Strategy.CLOSED_VALVE, InjectionReason.TOO_LONG_FOR_BOTH
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
        reason,
    )


def _across_tip(injector: Injector, manifold: float, ambient: float) -> float:
    if injector.regulator == MANIFOLD_REFERENCED:
        return float(injector.si.fuel_pressure)
    return float(injector.si.fuel_pressure + ambient - manifold)

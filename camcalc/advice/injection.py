"""End-of-injection windows for sequential port injection: when fuel may arrive at the valve, back to when the pulse must end.

Angles are crank degrees before the top dead centre between exhaust and intake stroke.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..cycle.operating import EngineModel, barometer
from ..results import Measure, Record, measure
from ..units import checked

__all__ = ["DOES_NOT_APPLY", "InjectionWindows", "Window", "convert_reference", "injection_windows", "pulse_width"]

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
LATENT_CYCLE = 720.0


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


class Window(NamedTuple):
    """One operating point's ends of injection [crank deg before top dead centre]; NaN where a strategy does not fit."""

    pulse: float
    pulse_angle: float
    transit_angle: float
    shut_earliest: float
    shut_latest: float
    open_earliest: float
    open_latest: float
    end: float
    strategy: str


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class InjectionWindows(Record):
    """Ends of injection over speed and manifold pressure, before the top dead centre between exhaust and intake stroke.

    ``shut`` windows let all fuel arrive on the shut intake valve, ``open`` windows after the exhaust valve has shut and
    the backflow is swallowed.
    """

    applies: bool
    reason: str
    speed: Measure = measure("crank_rps", "rpm")
    manifold_pressure: Measure = measure("Pa", "kPa")
    pulse_width: Measure = measure("s", "ms")
    pulse_angle: Measure = measure("crank_deg")
    shut_earliest: Measure = measure("crank_deg")
    shut_latest: Measure = measure("crank_deg")
    open_earliest: Measure = measure("crank_deg")
    open_latest: Measure = measure("crank_deg")
    end_of_injection: Measure = measure("crank_deg", doc="recommended")
    strategy: tuple[tuple[str, ...], ...] = ()


def convert_reference(angle: float, intake_opens: float, reference: str) -> float:
    """Return an angle before the overlap top dead centre in another reference [crank deg].

    ``reference`` is ``"before intake opening"``, ``"before firing top dead centre"`` (the one before this intake stroke) or
    ``"0-720"`` after the firing top dead centre.

    >>> convert_reference(90.0, 30.0, "before intake opening"), convert_reference(90.0, 30.0, "0-720")
    (60.0, 270.0)
    """
    if reference == "before intake opening":
        return angle - intake_opens
    if reference == "before firing top dead centre":
        return angle - 360.0
    if reference == "0-720":
        return (360.0 - angle) % 720.0
    from ..errors import InputError

    raise InputError("reference", came=reference, expected='"before intake opening", "before firing top dead centre" or "0-720"')


def injection_windows(model: EngineModel, speeds: Array = SPEEDS, pressures: Array = PRESSURES) -> InjectionWindows:
    """Return the windows over speeds [rev/s] and manifold pressures [Pa]."""
    build = model.build
    pressures = pressures[pressures < barometer(model)]
    if build.fuel.system != "sequential port" or build.injector is None:
        blank: Any = np.zeros((0, 0))
        empty = dict.fromkeys(("pulse_width", "pulse_angle", "shut_earliest", "shut_latest", "open_earliest", "open_latest", "end_of_injection"), blank)
        return InjectionWindows(applies=False, reason=DOES_NOT_APPLY[build.fuel.system], speed=np.zeros(0), manifold_pressure=np.zeros(0), **empty)
    grid = [[window_at(model, float(s), float(p)) for s in speeds] for p in pressures]

    def field(name: str) -> Array:
        return np.array([[getattr(w, name) for w in row] for row in grid])

    return InjectionWindows(
        applies=True,
        reason="sequential port injection",
        speed=speeds,
        manifold_pressure=pressures,
        pulse_width=field("pulse"),
        pulse_angle=field("pulse_angle"),
        shut_earliest=field("shut_earliest"),
        shut_latest=field("shut_latest"),
        open_earliest=field("open_earliest"),
        open_latest=field("open_latest"),
        end_of_injection=field("end"),
        strategy=tuple(tuple(w.strategy for w in row) for row in grid),
    )


def window_at(model: EngineModel, speed: float, pressure: float) -> Window:
    """Return the window at one operating point."""
    build, injector = model.build, model.build.injector
    assert injector is not None
    intake, exhaust = build.cam.lift_curve("intake").seat_edges(), build.cam.lift_curve("exhaust").seat_edges()
    fuel = model.state(speed, pressure, model.best_spark(speed, pressure)).fuel
    if fuel <= 0.0:
        return Window(*(math.nan,) * 8, "the engine does not run here")
    difference = _across_tip(injector, pressure, barometer(model))
    width = pulse_width.kernel(fuel, flow=injector.si.flow, rated_pressure=injector.si.rated_pressure, pressure=difference, dead_time=injector.si.dead_time)
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

"""What a build sheet may say: each section with its keys, units, ranges, defaults and where each default comes from.

These declarations are the schema: reading, saving, the list of assumptions and the documentation all follow from them.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

from ..results import Measure, measure
from .engine_section import ESTIMATE, ICE, INDIVIDUAL_THROTTLES, Engine
from .learned import Learned
from .section import Section, plain
from .wanted_section import Wanted

__all__ = [
    "INDIVIDUAL_THROTTLES",
    "OPTIONAL",
    "SECTIONS",
    "STALL_TORQUE_PER_DISPLACEMENT",
    "WRITTEN_BY_COMMANDS",
    "Engine",
    "Fuel",
    "Idle",
    "Injector",
    "Learned",
    "Limits",
    "Section",
    "Site",
    "Vehicle",
    "Wanted",
    "plain",
]

SEQUENTIAL_PORT = "sequential port"
CARBURETTOR = "carburettor"
SYSTEMS = (SEQUENTIAL_PORT, "batch port", "throttle body", CARBURETTOR, "direct")
MANIFOLD_REFERENCED = "manifold referenced"
LOCKED_AUTOMATIC = "locked automatic"
TRANSMISSIONS = ("clutch", LOCKED_AUTOMATIC, "converter")
STALL_WHY = "ESTIMATE: the engine's full-load torque at the stall speed, 75 N m a litre (65 to 90: a mean effective pressure of 8 to 11 bar)"
# An engine's full-load torque at the speed where a converter stalls it, over its displacement [N m per m3]: a mean effective pressure of
# 9.4 bar, 8 to 11 in naturally aspirated engines at 2000 to 3500 rpm; ESTIMATE.
STALL_TORQUE_PER_DISPLACEMENT = 75.0 / 1e-3


def _smooth_gears(transmission: str, gears: int) -> tuple[int, ...]:
    """Return the gears kept smooth by default: third to top, or the two tallest of a converter; all of a gearbox with fewer."""
    first = max(gears - 1, 1) if transmission == "converter" else min(3, gears)
    return tuple(range(first, gears + 1))


def _stall_torque(draft: Any) -> float:
    """Return the torque at which a converter stalls, from the engine's displacement; not a number where there is no converter."""
    return STALL_TORQUE_PER_DISPLACEMENT * draft.around.get("displacement", math.nan) if draft.transmission == "converter" else math.nan


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Idle(Section):
    """Warm idle: the speeds wanted and the spark held back."""

    speed: Measure = measure("crank_rps", "rpm", low=350 / 60, high=2000 / 60, doc="idle speed wanted with the new cam")
    replaced_cam_speed: Measure = measure(
        "crank_rps", "rpm", low=350 / 60, high=2000 / 60, default="700 rpm", why=ESTIMATE, doc="idle speed with the cam it replaces"
    )
    spark_reserve: Measure = measure(
        "crank_deg",
        low=0.5,
        high=40.0,
        or_zero=True,
        default="12 crank_deg",
        why="ESTIMATE: spark held back from best torque so that the idle control can add torque at once",
    )
    earliest_spark: Measure = measure(
        "crank_deg",
        low=5.0,
        high=60.0,
        default="nan",
        doc="a cap on the idle spark; without it MBT spark, the reserve and the misfire limit decide",
    )
    mixture: float = plain(float, low=0.7, high=1.15, default=1.0, why="stoichiometric", doc="lambda: air over stoichiometric air")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Fuel(Section):
    """The fuel and how it is metered."""

    kind: str = plain(str, choices=("gasoline", "E10", "E85"), default="gasoline", why="most common", doc="what is in the tank")
    octane_sensitivity: float = plain(
        float,
        low=1.0,
        high=22.0,
        default="nan",
        why="10 (8 to 12) for gasoline and E10, 16 (14 to 19) for E85, used with AKI or MON only; ESTIMATE, from memory, medium",
        doc="research less motor octane number",
    )
    octane: Measure = measure(
        "RON",
        low=80.0,
        high=120.0,
        default="95 RON",
        why="ESTIMATE: a premium fuel",
        doc='octane number with its scale: "98 RON", "93 AKI" (the (R+M)/2 of North American pumps) or "88 MON"; knock is computed from RON',
    )
    system: str = plain(str, choices=SYSTEMS, default=SEQUENTIAL_PORT, why="most common", doc="how it is metered")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Injector(Section):
    """One port injector."""

    flow_density: Measure = measure(
        "kg/m**3",
        low=600.0,
        high=850.0,
        default="nan",
        why="745 kg/m**3, gasoline, used with cc/min only; makers rate on it or on a test liquid of 680 to 780 (common practice, no source)",
        doc="density of the liquid the flow was rated with",
    )
    flow: Measure = measure("kg/s", "g/s", low=4e-4, high=2.5e-2, doc="static flow at the rated pressure, in g/s, lb/h or cc/min")
    rated_pressure: Measure = measure(
        "Pa", "kPa", low=1.5e5, high=8e5, default="300 kPa", why="common practice, no source", doc="pressure difference of the static flow figure"
    )
    fuel_pressure: Measure = measure(
        "Pa", "kPa", low=1.5e5, high=8e5, default=lambda d: d.rated_pressure, why="as rated", doc="rail above barometer, or above the manifold where referenced"
    )
    regulator: str = plain(str, choices=(MANIFOLD_REFERENCED, "fixed"), default=MANIFOLD_REFERENCED, why="common practice, no source")
    dead_time: Measure = measure(
        "s",
        "ms",
        low=1e-4,
        high=5e-3,
        or_zero=True,
        default="1.0 ms",
        why="from memory: 0.7 to 1.2 ms at 13.5 to 14 V",
        doc="opening delay at dead_time_voltage",
    )
    dead_time_voltage: Measure = measure(
        "volt", "V", low=6.0, high=30.0, default="14 V", why="as dead_time", doc="battery voltage at which dead_time was measured"
    )
    dead_time_slope: Measure = measure(
        "s/V",
        "ms/V",
        low=1e-5,
        high=2e-3,
        or_zero=True,
        default="0.15 ms/V",
        why="from memory: 0.1 to 0.2 ms/V near 13 V",
        doc="how much longer dead time is for each volt less",
    )
    battery_voltage: Measure = measure("volt", "V", low=6.0, high=30.0, default="13.8 V", why="common practice, no source", doc="while running")
    spray_speed: Measure = measure("m/s", low=2.0, high=80.0, default="20 m/s", why="from memory: 15 to 25 m/s at these pressures")
    distance_to_valve: Measure = measure("m", "mm", low=0.02, high=0.5, default="100 mm", why="from memory: 80 to 120 mm")
    angle_reference: str = plain(
        str,
        choices=(
            "before overlap top dead centre",
            "after overlap top dead centre",
            "before intake opening",
            "before firing top dead centre",
            "after firing top dead centre",
            "0-720",
        ),
        default="before overlap top dead centre",
        why="used in outputs only",
        doc="where end-of-injection angles count from",
    )


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Vehicle(Section):
    """The car: mass, gearing, road load, clutch or converter."""

    transmission: str = plain(str, choices=TRANSMISSIONS, doc="what couples engine and gearbox")
    mass: Measure = measure("kg", low=300.0, high=8000.0, doc="as driven")
    tyre_radius: Measure = measure("m", "mm", low=0.22, high=0.5, doc='rolling radius of the driven wheels, or the tyre size: "195/50R15"')
    final_drive: float = plain(float, low=1.5, high=8.0, doc="final drive ratio")
    gear_ratios: tuple[float, ...] = plain(list, low=0.3, high=9.0, doc="gearbox ratios, first gear first")
    smooth_gears: tuple[int, ...] = plain(
        tuple,
        low=1,
        high=12,
        default=lambda d: _smooth_gears(d.transmission, len(d.gear_ratios)),
        why="common practice, no source: third to top with a clutch, the two tallest (taken as the locked ones) with a converter",
        doc="gears to be kept smooth on the level road, counted from 1",
    )
    rolling_coefficient: float = plain(float, low=0.003, high=0.05, default=0.0115, why="ESTIMATE: road tyre on asphalt")
    drag_coefficient: float = plain(float, low=0.1, high=1.5, default=0.36, why=ESTIMATE)
    frontal_area: Measure = measure("m**2", "m**2", low=0.8, high=8.0, default="2.1 m2", why=ESTIMATE)
    coast_down_a: Measure = measure(
        "N", low=-50.0, high=3000.0, default="nan", doc="coast-down constant term; with all three terms it replaces rolling and drag"
    )
    coast_down_b: Measure = measure("N*s/m", low=-20.0, high=100.0, default="nan", doc="coast-down term in speed")
    coast_down_c: Measure = measure("N*s**2/m**2", low=0.0, high=10.0, default="nan", doc="coast-down term in speed squared")
    converter_stall_speed: Measure = measure(
        "crank_rps",
        "rpm",
        low=1000 / 60,
        high=6500 / 60,
        default="nan",
        doc="speed at which the converter holds the engine's full torque, needed with one; what it is sold by",
    )
    converter_stall_torque: Measure = measure("N*m", low=40.0, high=1500.0, default=_stall_torque, why=STALL_WHY, doc="engine torque at the stall speed")
    shaft_stiffness: Measure = measure(
        "N*m/rad",
        "kN*m/rad",
        low=500.0,
        high=1e5,
        default="6 kN*m/rad",
        why="ESTIMATE: 5 kN m/rad in a published passenger car's parameters (read); half-shafts 6 to 12 each, tyres 15 to 30 each (from memory, medium)",
        doc="shafts and tyres in series, turned at the driven wheels with the gearbox's input held",
    )
    clutch_stiffness: Measure = measure(
        "N*m/rad",
        "N*m/rad",
        low=100.0,
        high=1e6,
        default="1280 N*m/rad",
        why="ESTIMATE: the middle of 860 to 1700, 15 to 30 N m a degree (main stage, from memory, medium)",
        doc="torsional damper of the clutch or of a locked converter, at the crank; counts with the ratio squared, so most in tall gears",
    )
    loss_factor: float = plain(
        float,
        low=0.01,
        high=0.6,
        or_zero=True,
        default=0.12,
        why="ESTIMATE: 0.06 of critical damping before tyre slip adds to it; 0.05 to 0.15 in low gears (from memory, medium)",
        doc="share of the shafts' torque that lags by a quarter of a swing",
    )
    tyre_slip_stiffness: Measure = measure(
        "N",
        "kN",
        low=1e4,
        high=1e6,
        default="120 kN",
        why="ESTIMATE within 80 to 160 kN of a car's driven axle (from memory, medium)",
        doc="driving force of the driven axle per unit of slip, at small slip",
    )
    wheel_inertia: Measure = measure(
        "kg*m**2", low=0.2, high=100.0, default="4 kg*m**2", why="ESTIMATE: 1 kg m2 a wheel with tyre and brake", doc="all wheels together, half of it driven"
    )
    driveline_lash: Measure = measure(
        "rad",
        "deg",
        low=math.radians(0.1),
        high=math.radians(20.0),
        or_zero=True,
        default="4 deg",
        why="ESTIMATE within 2 to 6 deg, or 20 to 60 at the crank in first gear (from memory, medium)",
        doc="whole free play at the driven wheels with the engine held",
    )
    road_speed_unit: str = plain(
        str,
        choices=("km/h", "mph"),
        default=lambda d: "mph" if d.around.get("imperial") else "km/h",
        why="as the units of [build]; used in outputs only",
    )


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Site(Section):
    """Where it runs: air pressure and temperature."""

    altitude: Measure = measure("m", "m", low=-500.0, high=6000.0, default="0 m", why="sea level")
    barometer: Measure = measure("Pa", "kPa", low=4.5e4, high=1.1e5, default="nan", doc="air pressure; from the altitude when left out")
    air_temperature: Measure = measure("K", "degC", low=ICE - 40, high=ICE + 60, default="20 degC", why="mild day")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Limits(Section):
    """Where camcalc draws its lines. Change them if yours lie elsewhere."""

    blow_back_share: float = plain(
        float,
        low=0.01,
        high=0.8,
        default=0.30,
        why="ESTIMATE, 0.2 to 0.4, overlap blow-back over trapped mass; there gas blown back at 1000 K fills a runner of 0.6 of the swept volume "
        "and reaches the plenum; first chosen so that mild cams show none on the road (common practice, no source)",
    )
    stability: float = plain(
        float,
        low=0.02,
        high=0.3,
        default=0.10,
        why="textbook: coefficient of variation of gross IMEP at the drivability limit (Heywood 1988, ch. 9, from memory)",
    )
    hottest_exhaust: Measure = measure(
        "K",
        "degC",
        low=ICE + 400,
        high=ICE + 1400,
        default="1100 degC",
        why="ESTIMATE: 900 degC at a thermocouple, and 200 more because camcalc's gas at the port is that much hotter than a published measurement",
        doc="hottest lasting exhaust gas at the port, as camcalc computes it",
    )
    spark_margin: Measure = measure(
        "crank_deg", low=0.1, high=15.0, or_zero=True, default="2 crank_deg", why="ESTIMATE: how far a starting table keeps below its ceilings"
    )
    least_spark: Measure = measure(
        "crank_deg",
        low=-10.0,
        high=20.0,
        default="0 crank_deg",
        why="ESTIMATE: least spark of a starting table; later burns run into the exhaust stroke, and a blipped throttle stalls or pops",
    )
    fuel_seen: float = plain(
        float,
        low=0.01,
        high=1.0,
        or_zero=True,
        default=0.3,
        why="ESTIMATE: share of unburned fuel that an exhaust oxygen sensor burns on its electrode and so sees",
    )
    load_filter: Measure = measure(
        "s", "ms", low=5e-4, high=0.5, or_zero=True, default="20 ms", why="ESTIMATE: time constant of the load signal on its way to the spark lookup"
    )
    load_jitter: float = plain(
        float,
        low=0.001,
        high=1.0,
        or_zero=True,
        default=0.10,
        why="ESTIMATE: r.m.s. swing of the load signal from cycle to cycle over load, as a share of the blow-back share; verdicts are shown at half and double",
    )
    speed_jitter: Measure = measure(
        "crank_rps", "rpm", low=0.05 / 60, high=2.0, or_zero=True, default="4 rpm", why="ESTIMATE: r.m.s. swing of the speed signal from cycle to cycle"
    )
    reference_pressure: Measure = measure("Pa", "kPa", low=8e4, high=1.1e5, default="101.325 kPa", why="standard pressure: reference of relative charge")
    reference_temperature: Measure = measure(
        "K", "degC", low=ICE - 20, high=ICE + 50, default="20 degC", why="common practice, no source: reference of relative charge"
    )
    latest_half_burned: Measure = measure(
        "crank_deg", low=10.0, high=70.0, default="35 crank_deg", why="ESTIMATE: latest 50 % burned after top dead centre that the floor allows"
    )
    load_swing: float = plain(
        float,
        low=0.001,
        high=0.25,
        or_zero=True,
        default="nan",
        doc="r.m.s. swing of the load over the load in steady driving, as a share, measured from a log; ceilings compute it when left out",
    )
    injection_margin: Measure = measure(
        "crank_deg", low=0.5, high=60.0, or_zero=True, default="15 crank_deg", why="from memory: 10 to 20 crank degrees between fuel arriving and the valve"
    )
    misplaced_fuel: float = plain(
        float, low=0.005, high=0.4, default=0.05, why="ESTIMATE: share of a pulse that may arrive at the wrong time or end in plenum or exhaust"
    )


SECTIONS: dict[str, type[Section]] = {
    "engine": Engine, "idle": Idle, "fuel": Fuel, "injector": Injector, "vehicle": Vehicle, "site": Site, "limits": Limits, "wanted": Wanted,
    "learned": Learned,
}  # fmt: skip
# Sections that a sheet may do without; the others have defaults, or are needed.
OPTIONAL = ("injector", "learned")
# Sections that a command writes and nobody types.
WRITTEN_BY_COMMANDS = ("learned",)

"""The engine section of a build sheet: geometry, valves and what moves them, volumes, walls and losses."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

from ..results import Measure, measure
from .section import Section, plain

__all__ = ["ESTIMATE", "ICE", "INDIVIDUAL_THROTTLES", "Engine"]

ESTIMATE = "ESTIMATE"
INDIVIDUAL_THROTTLES = "individual throttles"
ICE = 273.15  # 0 degC [K]


def _swept(draft: Any) -> float:
    return math.pi / 4.0 * draft.bore**2 * draft.stroke


def _for_tappet(draft: Any, hydraulic: float, solid: float) -> float:
    """Return what goes with the cam's kind of tappet."""
    return solid if draft.around.get("solid") else hydraulic


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Engine(Section):
    """The engine: geometry, valves, volumes and losses."""

    cylinders: int = plain(int, low=1, high=16, doc="number of cylinders")
    bore: Measure = measure("m", "mm", low=0.045, high=0.14, doc="cylinder bore")
    stroke: Measure = measure("m", "mm", low=0.04, high=0.14, doc="piston stroke")
    rod_length: Measure = measure("m", "mm", low=0.08, high=0.25, doc="connecting rod, centre to centre")
    compression_ratio: float = plain(float, low=6.0, high=16.0, doc="geometric compression ratio")
    intake_valves: int = plain(int, low=1, high=3, default=1, why="two-valve head", doc="intake valves per cylinder")
    exhaust_valves: int = plain(int, low=1, high=3, default=1, why="two-valve head", doc="exhaust valves per cylinder")
    intake_valve_diameter: Measure = measure(
        "m",
        "mm",
        low=0.015,
        high=0.065,
        doc="intake valve head",
        why="ESTIMATE: 0.50 of bore for one valve, 0.40 for two",
        default=lambda d: d.bore * (0.50 if d.intake_valves == 1 else 0.40),
    )
    exhaust_valve_diameter: Measure = measure(
        "m",
        "mm",
        low=0.013,
        high=0.055,
        doc="exhaust valve head",
        why="ESTIMATE: 0.40 of bore for one valve, 0.34 for two",
        default=lambda d: d.bore * (0.40 if d.exhaust_valves == 1 else 0.34),
    )
    valve_seat_angle: Measure = measure("deg", low=20.0, high=60.0, default="45 deg", why="common practice, no source")
    valve_seat_width: Measure = measure("m", "mm", low=0.3e-3, high=4e-3, default="1.5 mm", why=ESTIMATE)
    intake_stem_diameter: Measure = measure("m", "mm", low=3e-3, high=14e-3, default=lambda d: 0.18 * d.intake_valve_diameter, why="ESTIMATE: 0.18 of the head")
    exhaust_stem_diameter: Measure = measure(
        "m", "mm", low=3e-3, high=14e-3, default=lambda d: 0.22 * d.exhaust_valve_diameter, why="ESTIMATE: 0.22 of the head"
    )
    intake_port_diameter: Measure = measure(
        "m", "mm", low=0.01, high=0.06, default=lambda d: 0.88 * d.intake_valve_diameter, why="ESTIMATE: 0.88 of the head", doc="port just below the seat"
    )
    exhaust_port_diameter: Measure = measure(
        "m", "mm", low=0.01, high=0.06, default=lambda d: 0.88 * d.exhaust_valve_diameter, why="ESTIMATE: 0.88 of the head"
    )
    lift_loss: Measure = measure(
        "m",
        "mm",
        low=5e-6,
        high=4e-4,
        or_zero=True,
        default=lambda d: _for_tappet(d, 0.10e-3, 0.05e-3),
        why="ESTIMATE: seat load over stiffness at the valve: hydraulic 0.10 mm (0.05 to 0.18), 350 N over 3.5 N/um (2 to 7, from train frequencies of "
        "400 to 700 Hz, from memory, medium); solid 0.05 mm (0.02 to 0.10), 300 N over 6 N/um",
        doc="valve lift lost to bending of the valve train before the valve moves; the card's lifts and events are those of the lobe",
    )
    leak_down: Measure = measure(
        "m/s",
        "mm/s",
        low=1e-5,
        high=5e-3,
        or_zero=True,
        default=lambda d: _for_tappet(d, 0.5e-3, 0.0),
        why="ESTIMATE: hydraulic 0.5 mm/s (0.2 to 1.4), from bench tests of 20 to 110 s for 3.2 mm at 222 N (service texts, read) at 1200 N; solid 0",
        doc="how fast a hydraulic tappet gives way while the valve is open, at the valve: closes it early, most at low speed",
    )
    intake: str = plain(str, choices=("plenum", INDIVIDUAL_THROTTLES), default="plenum", why="one plenum feeding all cylinders")
    intake_runner_volume: Measure = measure(
        "m**3",
        "cc",
        low=2e-5,
        high=4e-3,
        default=lambda d: 0.6 * _swept(d),
        why="ESTIMATE: 0.6 of one cylinder's swept volume",
        doc="port and runner of one cylinder",
    )
    plenum_volume: Measure = measure(
        "m**3", "L", low=5e-5, high=3e-2, default=lambda d: 0.8 * d.cylinders * _swept(d), why="ESTIMATE: 0.8 of displacement; the whole plenum"
    )
    exhaust_port_volume: Measure = measure(
        "m**3", "cc", low=1e-5, high=2e-3, default=lambda d: 0.12 * _swept(d), why="ESTIMATE: 0.12 of one cylinder's swept volume"
    )
    exhaust_back_pressure: Measure = measure(
        "Pa",
        "kPa",
        low=1e3,
        high=1e5,
        or_zero=True,
        default="20 kPa",
        why="ESTIMATE: at the air flow of 100 % relative charge at 5500 rpm, growing with flow squared",
    )
    cylinder_wall: Measure = measure(
        "K", "degC", low=ICE + 40, high=ICE + 330, default="157 degC", why="ESTIMATE: a warm engine", doc="mean of head, piston and liner"
    )
    intake_wall: Measure = measure(
        "K", "degC", low=ICE + 5, high=ICE + 180, default="80 degC", why="ESTIMATE: near coolant temperature", doc="wall of intake port and runner"
    )
    exhaust_wall: Measure = measure("K", "degC", low=ICE + 40, high=ICE + 700, default="250 degC", why="ESTIMATE: water-cooled", doc="wall of the exhaust port")
    port_heat_factor: float = plain(
        float,
        low=0.1,
        high=20.0,
        or_zero=True,
        default=1.9,
        why="published fit to the data of many engines, Nu = 0.07 Re^0.75 (Depcik & Assanis 2002, SAE 2002-01-0372, abstract read); "
        "1.9 times camcalc's pipe law at Re of 5000 to 30000; 1.4 to 2.6 by fits to two single engines (from memory, medium)",
        doc="heat transfer in ports, runners and plenum over that of steady turbulent flow in a straight pipe",
    )
    plenum_wall: Measure = measure(
        "K", "degC", low=ICE + 5, high=ICE + 180, default="70 degC", why="ESTIMATE, 60 to 80 degC: warm engine, coolant near", doc="wall of the plenum"
    )
    combustion_efficiency: float = plain(
        float,
        low=0.8,
        high=1.0,
        default=0.95,
        why="ESTIMATE, 0.92 to 0.97: 95 to 98 % near stoichiometric (textbook, from memory); 9 % escapes the main flame, part of it burns in time "
        "(Cheng et al. 1993, SAE 932708, from memory)",
        doc="share of the fuel that burns where all of the charge does; crevices, oil film and cold walls keep the rest",
    )
    spark_energy: Measure = measure(
        "J",
        "mJ",
        low=5e-4,
        high=0.2,
        default="10 mJ",
        why="ESTIMATE, 3 to 30 mJ: a coil stores 30 to 100 mJ, and 10 to 30 % of it reaches the gas (Maly & Vogel 1979, from memory)",
        doc="energy that the spark brings into the charge about the plug; not what the coil stores",
    )
    rotating_inertia: Measure = measure(
        "kg*m**2",
        low=0.01,
        high=2.0,
        default=lambda d: 0.05 + 34.0 * d.cylinders * _swept(d),
        why="ESTIMATE: 0.05 kg m2 and 0.034 per litre; crank, flywheel and clutch",
    )
    accessory_power: Measure = measure(
        "W",
        "kW",
        low=100.0,
        high=2e4,
        or_zero=True,
        default=lambda d: 600.0 + 1.5e5 * d.cylinders * _swept(d),
        why="ESTIMATE: 0.6 kW and 0.15 per litre, all switched on at idle",
    )
    friction_factor: float = plain(float, low=0.4, high=2.5, default=1.0, why="rubbing friction as the textbook engine's", doc="multiplies rubbing friction")

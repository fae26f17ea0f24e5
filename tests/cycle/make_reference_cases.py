"""Make ``reference_cases.csv``: settled cycles by the independent reactor model for the limiting intake models.

Run from the repository root with ``python -m tests.cycle.make_reference_cases``; it takes a few minutes. Both models see the same effective
areas, geometry and gases; valves follow the lobes, walls are adiabatic and all fuel burns at once at firing top dead centre.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from camcalc import load_build
from camcalc.cycle.resolved import ResolvedEngine
from camcalc.engine.gas import AIR, ATOMS, fuel_data
from tests.oracles.reactor_network import Case, NotSettledError, run

ROOT = Path(__file__).resolve().parents[2]
TABLE = Path(__file__).with_name("reference_cases.csv")
SOURCE = "tests/oracles/reactor_network.py, computed"
# The conditions of every case; both models take them.
INTAKE_TEMPERATURE, HELD_TEMPERATURE, EXHAUST_TEMPERATURE, EXHAUST_PRESSURE = 330.0, 500.0, 900.0, 102e3
CONDITIONS = {
    "adiabatic": True,
    "instantaneous": True,
    "intake_temperature": INTAKE_TEMPERATURE,
    "held_temperature": HELD_TEMPERATURE,
    "exhaust_temperature": EXHAUST_TEMPERATURE,
    "exhaust_pressure": EXHAUST_PRESSURE,
}
IDEAL = {"lift_loss": "0 mm", "leak_down": "0 mm/s", "combustion_efficiency": 1.0}
TIGHT = {"smooth": 1e-4, "quickest": math.inf, "rtol": 3e-8, "tolerance": 1e-7}
CAMS, MODELS, SPEEDS, PRESSURES = ("long", "mild"), ("held", "lost"), (800, 1500, 3000), (45, 75)


def limiting_engine(cam: str, intake_model: str, **options: Any) -> ResolvedEngine:
    """The quarry-road engine, on its long cam or the mild one it had, with a limiting intake model."""
    build = load_build(ROOT / "examples" / "quarry-road" / "build.toml")
    build = build.replace(engine=build.engine.replace(**IDEAL))
    return ResolvedEngine(build if cam == "long" else build.with_replaced_cam(), intake_model=intake_model, **CONDITIONS, **options)


def moles(kind: str) -> tuple[dict[str, float], dict[str, float]]:
    """Mole numbers of a fuel's stoichiometric charge and of its complete products, under the names of the independent model."""
    fuel = fuel_data(kind).moles
    carbon, hydrogen, oxygen = (sum(n * ATOMS[s][k] for s, n in fuel.items()) for k in range(3))
    need = carbon + hydrogen / 4.0 - oxygen / 2.0
    air = {s: n * need / AIR["O2"] for s, n in AIR.items()}
    fresh = {"C8H18,isooctane" if s == "C8H18" else s: n for s, n in (fuel | air).items()}
    return fresh, {"CO2": carbon, "H2O": hydrogen / 2.0, "N2": air["N2"], "Ar": air["Ar"]}


def case_of(engine: ResolvedEngine, speed: float, pressure: float) -> Case:
    """The same engine as the independent model takes it, at a speed [rev/s] and intake pressure [Pa]."""
    s = engine.setup
    # The table of areas runs from 0 to 720 with both ends; the case stops one step short.
    intake_forward, intake_reverse, exhaust_forward, exhaust_reverse = (row[:-1].copy() for row in s.areas)
    fresh, burned = moles(engine.fuel.name)
    return Case(
        bore=s.bore,
        stroke=s.stroke,
        rod=engine.geometry.rod,
        compression_ratio=engine.geometry.compression_ratio,
        speed=speed,
        p_i=pressure,
        T_i=s.intake_temperature,
        p_e=s.exhaust_pressure,
        T_e=EXHAUST_TEMPERATURE,
        T_held=s.held_temperature,
        intake_model=engine.intake_model,
        intake_forward=intake_forward,
        intake_reverse=intake_reverse,
        exhaust_forward=exhaust_forward,
        exhaust_reverse=exhaust_reverse,
        fresh=fresh,
        burned=burned,
    )


def area_sums(engine: ResolvedEngine) -> tuple[float, float]:
    """Effective area over crank angle [mm2 deg] of intake and exhaust, both directions together: tells when the rows must be made anew."""
    sums = np.trapezoid(engine.setup.areas, dx=0.25, axis=1) * 1e6
    return float(sums[0] + sums[1]), float(sums[2] + sums[3])


def rows() -> Iterator[dict[str, object]]:
    """Every case with its outcome."""
    for cam in CAMS:
        for model in MODELS:
            engine = limiting_engine(cam, model)
            intake, exhaust = area_sums(engine)
            for rpm in SPEEDS:
                for kpa in PRESSURES:
                    row: dict[str, object] = {"id": f"{cam}-{model}-{rpm}-{kpa}", "cam": cam, "intake_model": model, "speed_rpm": rpm, "pressure_kpa": kpa}
                    row |= {"intake_area_mm2_deg": f"{intake:.4f}", "exhaust_area_mm2_deg": f"{exhaust:.4f}"}
                    yield row | outcome(case_of(engine, rpm / 60.0, kpa * 1e3)) | {"source": SOURCE}


def outcome(case: Case) -> dict[str, object]:
    """What the independent model finds; where it does not settle, the charge it ends on."""
    try:
        found = run(case)
    except NotSettledError as error:
        mass, _, burned = error.history[-1]
        return {"outcome": "not settled", "trapped_mg": f"{mass * 1e6:.5f}", "burned_fraction": f"{burned:.7f}", "blow_back_mg": "", "net_imep_kpa": ""}
    return {
        "outcome": "settled",
        "trapped_mg": f"{found.trapped_mass * 1e6:.5f}",
        "burned_fraction": f"{found.burned_fraction:.7f}",
        "blow_back_mg": f"{found.overlap_blow_back * 1e6:.5f}",
        "net_imep_kpa": f"{found.net_imep / 1e3:.5f}",
    }


def main() -> None:
    """Write the table."""
    made = list(rows())
    with TABLE.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(made[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(made)


if __name__ == "__main__":
    main()

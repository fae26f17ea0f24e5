"""Makes the tables of cars beside it with the resolved engine: what the first example's sheet allows, cars with one fault each, and
cars whose truth is other physics. Some fifteen minutes.

``python -m tests.measured.make_cars`` from the root; ``test_cars_are_still_those_of_the_engine`` runs some of them again.
"""

from __future__ import annotations

import csv
import functools
import os
import sys
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

import camcalc as cc
from camcalc.cycle.models import sampled_kind
from camcalc.measured.design import HEADLINE_NAMES, Design, _car, design_of, key_of
from camcalc.measured.observed import Observed, observed_of
from camcalc.measured.prior import FAULTS, Fault, design_build, multipliers
from camcalc.sheet.measured_reading import read_measured
from camcalc.sheet.section_reading import Problems
from tests.oracles.other_exchange_engine import OtherExchangeEngine

HERE = Path(__file__).parent
BUILD = HERE.parents[1] / "examples" / "quarry-road" / "build.toml"
SEED, EACH = 7, 25
HELD_OUT_SEED, HELD_OUT = 17, 32
STEADY = {"manifold_pressure": "50 kPa", "air_flow": "9 g/s"}
ROWS: list[dict[str, Any]] = [
    {"what": "cranking", "cranking_pressure": "1200 kPa"},
    {"what": "idle", "speed": "850 rpm", "spark": "22 crank_deg", **STEADY},
    {"what": "idle", "speed": "1350 rpm", "spark": "22 crank_deg", **STEADY},
    {"what": "idle", "speed": "850 rpm", "spark": "12 crank_deg", **STEADY},
    {"what": "misfire limit", "speed": "850 rpm", "spark": "22 crank_deg"},
    {"what": "road", "gear": 5, "speed": "1600 rpm", "spark": "30 crank_deg", **STEADY},
    {"what": "coasting", "deceleration": "1 m/s**2"},
    {"what": "cranking", "cam": "replaced", "cranking_pressure": "1200 kPa"},
    {"what": "idle", "cam": "replaced", "speed": "700 rpm", "spark": "20 crank_deg", **STEADY},
]
# Rows of the check of faults: an idle in neutral at two speeds and a compression test; the same with the cam before.
NEW, BEFORE = (1, 2, 3), (8, 9)
TRUE_FAULTS = ((Fault.CAM_TURNED, 4.0), (Fault.ROCKER_RATIO, 1.6 / 1.7 - 1.0), (Fault.GAUGE, 0.05), (Fault.UNMETERED_AIR, 1e-3))


def readings(rows: Sequence[int] = ()) -> list[Observed]:
    """What is read of each car, in order; some of the rows alone."""
    every = observed_of(cc.load_build(BUILD), read_measured(ROWS, Problems()))
    return [one for one in every if not rows or one.row in rows]


def title(one: Observed) -> str:
    """The column of a reading."""
    return f"{one.row}:{one.name}"


def read_table(name: str) -> list[dict[str, str]]:
    """The rows of a table beside this file."""
    with (HERE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


class _Known(dict[str, Any]):
    """Readings of the stored cars; one that was not stored has no answer at any of them."""

    def __missing__(self, key: str) -> Any:
        return np.full(64, np.nan)


def stored_design() -> Design:
    """The cars as stored."""
    cars, faults = read_table("cars.csv"), read_table("faults.csv")
    names = tuple(key[2:] for key in cars[0] if key.startswith("x:"))
    every = readings()

    def column(key: str) -> np.ndarray[Any, np.dtype[np.float64]]:
        return np.array([float(row[key]) for row in cars])

    plain = faults[0]
    faulty = {}
    for fault in dict.fromkeys(row["fault"] for row in faults[1:]):
        own = [row for row in faults if row["fault"] == fault]
        changes = {key_of(one): np.array([float(row[title(one)]) - float(plain[title(one)]) for row in own]) for one in every}
        faulty[Fault.of(fault)] = np.array([float(row["size"]) for row in own]), changes
    inputs = np.column_stack([column(f"x:{name}") for name in names])
    known = _Known({key_of(one): column(title(one)) for one in every})
    return Design(names, inputs, known, {name: column(f"h:{name}") for name in HEADLINE_NAMES}, faulty)


def car_reads(fault: Fault | None, size: float, inputs: Sequence[float], rows: Sequence[int] = ()) -> list[float]:
    """What a car reads by the resolved engine, with something wrong or not, at inputs from -1 to 1."""
    kind, build = sampled_kind("resolved"), cc.load_build(BUILD)
    names = kind(build).uncertain
    changed = design_build(build, [fault], [size]) if fault is not None and FAULTS[fault].in_model else build
    tolerances = multipliers(names, np.array(inputs))
    engine, before = kind(changed, tolerances), kind(build.with_replaced_cam(), tolerances)
    return [one.answer(before if one.before else engine) for one in readings(rows)]


def _write(name: str, heads: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    with (HERE / name).open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(heads)
        out.writerows(rows)


def make_allowed() -> None:
    """Write the cars that the sheet allows, and the changes with each fault."""
    build, every = cc.load_build(BUILD), readings()
    design = design_of(sampled_kind("resolved"), build, every, progress=lambda share: print(f"\r{share:.0%}", end="", file=sys.stderr))
    heads = [*(f"x:{name}" for name in design.names), *map(title, every), *(f"h:{name}" for name in HEADLINE_NAMES)]
    columns = [*design.inputs.T, *(design.readings[key_of(one)] for one in every), *(design.headlines[name] for name in HEADLINE_NAMES)]
    _write("cars.csv", heads, [[f"{column[k]:.8g}" for column in columns] for k in range(len(design.inputs))])
    nominal = car_reads(None, 0.0, [0.0] * len(design.names))
    rows: list[list[object]] = [["none", 0.0, *(f"{value:.8g}" for value in nominal)]]
    for fault, (sizes, changes) in design.faulty.items():
        for k, size in enumerate(sizes):
            rows.append([fault.code, size, *(f"{own + changes[key_of(one)][k]:.8g}" for own, one in zip(nominal, every, strict=True))])
    _write("faults.csv", ["fault", "size", *map(title, every)], rows)


def make_faulty() -> None:
    """Write cars with one fault each, at inputs drawn from what the sheet allows."""
    rng, rows = np.random.default_rng(SEED), (*NEW, *BEFORE)
    names = sampled_kind("resolved")(cc.load_build(BUILD)).uncertain
    jobs = [(fault, size, [float(u) for u in rng.uniform(-1.0, 1.0, len(names))]) for fault, size in TRUE_FAULTS for _ in range(EACH)]
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        found = list(pool.map(lambda job: car_reads(*job, rows), jobs))
    heads = ["fault", "size", *map(title, readings(rows)), *(f"x:{name}" for name in names)]
    table = [[f.code, s, *(f"{v:.8g}" for v in own), *(f"{u:.8g}" for u in x)] for (f, s, x), own in zip(jobs, found, strict=True)]
    _write("faulty_cars.csv", heads, table)


def held_out_row(kind: Any, inputs: Sequence[float], names: Sequence[str]) -> list[float]:
    """Readings and headlines of a car whose truth is another engine, at inputs from -1 to 1."""
    car = _car(kind, cc.load_build(BUILD), multipliers(names, np.array(inputs)), {key_of(one): one for one in readings()}, True)
    return [*(car[key_of(one)] for one in readings()), *(car[f"h_{name}"] for name in HEADLINE_NAMES)]


def make_held_out() -> None:
    """Write cars whose truth comes from other physics: the engine with its own flow backwards and heat, and the quick closed forms."""
    kinds = {"other exchange": functools.partial(OtherExchangeEngine, rtol=3e-5, tolerance=5e-4), "quick": sampled_kind("quick")}
    heads = ["truth", *map(title, readings()), *(f"h:{name}" for name in HEADLINE_NAMES)]
    rows: list[list[object]] = []
    for truth, kind in kinds.items():
        names = kind(cc.load_build(BUILD)).uncertain
        drawn = np.random.default_rng(HELD_OUT_SEED).uniform(-1.0, 1.0, (HELD_OUT, len(names))).tolist()
        with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
            found = pool.map(lambda x, kind=kind, names=names: held_out_row(kind, x, names), drawn)  # type: ignore[misc]
            rows += [[truth, *(f"{v:.8g}" for v in row)] for row in found]
    _write("held_out.csv", heads, rows)


if __name__ == "__main__":
    make_faulty()
    make_allowed()
    make_held_out()

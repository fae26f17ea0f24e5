"""What camcalc costs: at import, and at its unit-checked edge. Figures are printed; see them with ``pytest -s tests/bench``."""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import timeit
from collections.abc import Callable
from typing import Any

import pytest

from camcalc.burn.flame import flame_speed
from camcalc.cycle.closed_form import residual_fraction
from camcalc.engine.friction import rubbing_friction
from camcalc.units import parse
from camcalc.vehicle.road_load import road_force

IMPORT_BUDGET = 0.050
# 15 us on a machine where one conversion by the units library takes 11 us; as a ratio, so that a busy or slow machine does not decide.
CALL_BUDGET, CONVERSION = 15e-6, 11e-6


def started(code: str) -> float:
    """Return the processor time [s] of a Python that runs some code: what else the machine does does not count."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-c", code], check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def test_importing_camcalc_costs_next_to_nothing() -> None:
    # Taken in turn, and the least of each: a core shared with other work is slower.
    rounds = [[started(code) for code in ("pass", "import camcalc", "import numpy")] for _ in range(9)]
    bare, with_camcalc, with_numpy = (min(times) for times in zip(*rounds, strict=True))
    own, numpy = with_camcalc - bare, with_numpy - bare
    print(f"\nimport camcalc: {own * 1e3:.1f} ms over bare Python, {own / numpy:.2f} of importing numpy")
    assert own < IMPORT_BUDGET
    assert own < 0.5 * numpy


STATE = {"intake_pressure": parse("45 kPa"), "exhaust_pressure": parse("102 kPa"), "compression_ratio": 9.5}
CAR = {"mass": parse("1600 kg"), "rolling_coefficient": 0.0115, "drag_coefficient": 0.34, "frontal_area": parse("2.05 m2"), "air_density": parse("1.2 kg/m**3")}
FLOATS = {
    "residual_fraction": {"intake_pressure": 45e3, "exhaust_pressure": 102e3, "compression_ratio": 9.5, "speed": 13.3},
    "road_force": {"mass": 1600.0, "rolling_coefficient": 0.0115, "drag_coefficient": 0.34, "frontal_area": 2.05, "air_density": 1.2},
}
IDLE, HOT, DENSE, OVERLAP, ROAD = (parse(text) for text in ("800 rpm", "650 K", "8 atm", "1.5 deg/m", "65 mph"))
CALLS: dict[str, tuple[Callable[[], Any], Callable[[], Any]]] = {
    "rubbing_friction": (lambda: rubbing_friction(IDLE), lambda: rubbing_friction.kernel(13.3)),
    "flame_speed": (lambda: flame_speed(HOT, DENSE), lambda: flame_speed.kernel(650.0, 8e5)),
    "residual_fraction": (lambda: residual_fraction(OVERLAP, speed=IDLE, **STATE), lambda: residual_fraction.kernel(1.5, **FLOATS["residual_fraction"])),
    "road_force": (lambda: road_force(ROAD, **CAR), lambda: road_force.kernel(29.0, **FLOATS["road_force"])),
}


@pytest.mark.parametrize("name", sorted(CALLS))
def test_a_checked_call_costs_little_over_its_kernel(name: str) -> None:
    face, kernel = CALLS[name]
    value = parse("45 kPa")
    calls = (face, kernel, lambda: value.to("inHg"))
    for call in calls:
        call()
    # Taken in turn, so that whatever else the machine does weighs on all alike.
    rounds = [[timeit.timeit(call, number=400) / 400 for call in calls] for _ in range(25)]
    over = statistics.median(checked - bare for checked, bare, _ in rounds)
    share = statistics.median((checked - bare) / conversion for checked, bare, conversion in rounds)
    conversion = statistics.median(r[2] for r in rounds)
    print(f"\n{name}: {over * 1e6:.1f} us over its kernel, {share:.2f} of one conversion by the units library ({conversion * 1e6:.1f} us)")
    assert share < CALL_BUDGET / CONVERSION

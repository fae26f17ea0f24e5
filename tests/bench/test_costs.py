"""What camcalc costs: at import, and at its unit-checked edge. Figures are printed; see them with ``pytest -s tests/bench``."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
import timeit
from collections.abc import Callable
from typing import Any

import pytest

from camcalc.burn.flame import flame_speed
from camcalc.cycle.closed_form import residual_fraction
from camcalc.drive.road_load import road_force
from camcalc.engine.friction import rubbing_friction
from camcalc.units import parse

IMPORT_BUDGET = 0.050
CALL_BUDGET = 15e-6


def started(code: str) -> float:
    begin = time.perf_counter()
    subprocess.run([sys.executable, "-c", code], check=True)
    return time.perf_counter() - begin


def test_importing_camcalc_costs_next_to_nothing() -> None:
    # Taken in turn, so that whatever else the machine does weighs on all alike.
    rounds = [(started("pass"), started("import camcalc"), started("import numpy")) for _ in range(9)]
    own = statistics.median(camcalc - bare for bare, camcalc, _ in rounds)
    numpy = statistics.median(numpy - bare for bare, _, numpy in rounds)
    print(f"\nimport camcalc: {own * 1e3:.1f} ms over bare Python, {own / numpy:.2f} of importing numpy")
    assert own < IMPORT_BUDGET
    assert own < 0.5 * numpy


STATE = {"intake_pressure": parse("45 kPa"), "exhaust_pressure": parse("102 kPa"), "compression_ratio": 9.5}
CAR = {"mass": parse("1600 kg"), "rolling_coefficient": 0.0115, "drag_coefficient": 0.34, "frontal_area": parse("2.05 m2"), "air_density": parse("1.2 kg/m**3")}
FLOATS = {
    "residual_fraction": {"intake_pressure": 45e3, "exhaust_pressure": 102e3, "compression_ratio": 9.5, "speed": 13.3},
    "road_force": {"mass": 1600.0, "rolling_coefficient": 0.0115, "drag_coefficient": 0.34, "frontal_area": 2.05, "air_density": 1.2},
}
CALLS: dict[str, tuple[Callable[[], Any], Callable[[], Any]]] = {
    "rubbing_friction": (lambda q=parse("800 rpm"): rubbing_friction(q), lambda: rubbing_friction.kernel(13.3)),
    "flame_speed": (lambda t=parse("650 K"), p=parse("8 atm"): flame_speed(t, p), lambda: flame_speed.kernel(650.0, 8e5)),
    "residual_fraction": (
        lambda f=parse("1.5 deg/m"), n=parse("800 rpm"): residual_fraction(f, speed=n, **STATE),
        lambda: residual_fraction.kernel(1.5, **FLOATS["residual_fraction"]),
    ),
    "road_force": (lambda v=parse("65 mph"): road_force(v, **CAR), lambda: road_force.kernel(29.0, **FLOATS["road_force"])),
}


def median_call(call: Callable[[], Any], number: int = 1500) -> float:
    call()
    return statistics.median(timeit.repeat(call, number=number, repeat=15)) / number


@pytest.mark.parametrize("name", sorted(CALLS))
def test_a_checked_call_costs_little_over_its_kernel(name: str) -> None:
    face, kernel = CALLS[name]
    checked, bare = median_call(face), median_call(kernel)
    value = parse("45 kPa")
    conversion = median_call(lambda: value.to("inHg"), 300)
    print(f"\n{name}: {(checked - bare) * 1e6:.1f} us over its kernel of {bare * 1e6:.2f} us; one conversion by the units library takes {conversion * 1e6:.1f} us")
    assert checked - bare < CALL_BUDGET

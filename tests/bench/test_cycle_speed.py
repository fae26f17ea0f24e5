"""What the resolved cycle costs: a settled point, a map, beside an independent model, memory. Figures are printed; see them with ``pytest -s tests/bench``."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from camcalc import ResolvedEngine, simulate_map
from tests.cycle.make_reference_cases import case_of, limiting_engine
from tests.oracles.reactor_network import run

Make = Callable[..., Any]
LEAST_RATIO = 100.0
MEMORY_BUDGET = 500e6
# Both models agree this well before their costs are compared.
EQUAL = 1e-3


def median_seconds(call: Callable[[], Any], repeat: int = 9) -> float:
    """Median of calls that find everything compiled."""
    taken = []
    for _ in range(repeat):
        begin = time.perf_counter()
        call()
        taken.append(time.perf_counter() - begin)
    return statistics.median(taken)


POINTS = [(800.0, 75e3), (1500.0, 60e3), (3000.0, 60e3)]


@pytest.mark.parametrize("cam", ["mild", "long"])
def test_a_looser_tolerance_is_not_dearer(build_of: Make, cam: str) -> None:
    engine = ResolvedEngine(build_of("quarry-road", old=cam == "mild"))
    for rpm, pressure in POINTS:
        start = engine.guess(pressure)
        cycles, seconds = {}, {}
        for tolerance in (1e-3, 2e-5, 5e-6):
            cycles[tolerance] = engine.settled(rpm / 60.0, pressure, 30.0, tolerance=tolerance, start=start).cycles
            seconds[tolerance] = median_seconds(lambda t=tolerance, n=rpm, p=pressure, z=start: engine.settled(n / 60.0, p, 30.0, tolerance=t, start=z))
        told = ", ".join(f"{1e3 * seconds[t]:.1f} ms and {cycles[t]} cycles to {t:.0e}" for t in cycles)
        print(f"\n{cam} cam, {rpm:.0f} rpm, {pressure / 1e3:.0f} kPa, from the first guess: {told}")
        assert cycles[1e-3] < cycles[2e-5] <= cycles[5e-6]


@pytest.mark.slow
@pytest.mark.parametrize("cam", ["mild", "long"])
def test_a_point_of_a_map_is_not_dearer_than_a_point_alone(build_of: Make, cam: str) -> None:
    build = build_of("quarry-road", old=cam == "mild")
    speeds, pressures = [f"{600 + 200 * k} rpm" for k in range(16)], [f"{25 + 5 * k} kPa" for k in range(16)]

    def whole() -> None:
        simulate_map(build, speeds=speeds, manifold_pressures=pressures, spark="30 crank_deg")

    def apart() -> None:
        for speed in speeds[::5]:
            for pressure in pressures[::5]:
                simulate_map(build, speeds=[speed], manifold_pressures=[pressure], spark="30 crank_deg")

    alone, mapped = median_seconds(apart, 3) / 16, median_seconds(whole, 3)
    print(f"\n{cam} cam: 16 x 16 points in {mapped:.2f} s, {1e3 * mapped / 256:.1f} ms a point; {1e3 * alone:.1f} ms for a point of it alone")
    assert mapped / 256 < alone


@pytest.mark.slow
def test_a_settled_point_costs_a_hundredth_of_the_independent_model_s_at_equal_accuracy() -> None:
    # Long cam, blow-back held, 1500 rpm, 75 kPa; camcalc at its default tolerances, from its first guess as the other model from its own.
    engine = limiting_engine("long", "held")
    rpm, pressure = 1500.0, 75e3
    case = case_of(engine, rpm / 60.0, pressure)
    start = engine.guess(pressure)
    other = run(case)
    found = engine.settled(rpm / 60.0, pressure, 0.0, start=start)
    assert found.unknowns[0] == pytest.approx(other.trapped_mass, rel=EQUAL)
    assert found.unknowns[2] == pytest.approx(other.burned_fraction, abs=EQUAL)
    own = median_seconds(lambda: engine.settled(rpm / 60.0, pressure, 0.0, start=start), 25)
    ratio = other.seconds / own
    print(f"\nindependent model {other.seconds:.2f} s ({other.cycles} cycles), camcalc {1e3 * own:.1f} ms ({found.cycles} cycles): {ratio:.0f} times")
    assert ratio >= LEAST_RATIO


PROGRAM = """
import resource
from camcalc import load_build, simulate_map
build = load_build({path!r})
simulate_map(build, speeds=[f"{{600 + 200 * k}} rpm" for k in range(16)], manifold_pressures=[f"{{25 + 5 * k}} kPa" for k in range(16)], spark="30 crank_deg")
try:
    # The process's own high-water mark: rusage also counts what the parent held before this program was started in its place.
    print([line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")][0])
except OSError:
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


@pytest.mark.slow
def test_a_map_fits_into_little_memory(root: Path) -> None:
    path = str(root / "examples" / "quarry-road" / "build.toml")
    ran = subprocess.run([sys.executable, "-c", PROGRAM.format(path=path)], check=True, capture_output=True, text=True)
    # Linux counts in kibibytes, macOS in bytes.
    peak = float(ran.stdout) * (1.0 if sys.platform == "darwin" else 1024.0)
    print(f"\npeak memory of a 16 x 16 map in a process of its own: {peak / 1e6:.0f} MB")
    assert peak < MEMORY_BUDGET

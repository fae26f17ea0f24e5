"""A drive over time without lash against the linear loop about the same point: modes from small kicks, r.m.s. acceleration from long runs with noise."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from camcalc import Build
from camcalc.cycle.engine_tables import EngineTables
from camcalc.drive import engine_loop
from camcalc.drive.closed_loop import ClosedLoop
from camcalc.drive.drive_run import DriveRun, simulate_drive
from camcalc.drive.engine_loop import EngineSide, LoopPoint, engine_side_of, loop_point
from camcalc.drive.level_road import level_road
from camcalc.drive.surge import BAND, Surge, surge_at
from camcalc.tables import SparkTable
from camcalc.units import quantity
from camcalc.vehicle.converter import converter_of, converter_slopes, converter_space
from camcalc.vehicle.driveline import StateSpace, driveline_of, road_speed_at, state_space

Make = Callable[..., Any]
Array = NDArray[np.float64]
# A kick so small that tables of cycles stay within one cell, where they are nearly straight.
KICK = "1 rpm"
# Slopes of a table as steep as a steep one's: degrees per rev/s (10 per 1000 rpm) and per pascal (4 per 10 kPa, falling).
STEEP = (0.6, -4e-4)


def plane(rpm: float, pressure: float, slopes: tuple[float, float]) -> SparkTable:
    """A table without an edge in it: 22 degrees at a point, with slopes."""
    speed, load = np.array([8.0, 60.0]), np.array([10e3, 101e3])
    cells = 22.0 + slopes[0] * (speed[:, None] - rpm / 60.0) + slopes[1] * (load[None, :] - pressure)
    return SparkTable(load_kind="manifold pressure", speed=speed, loads=load, cells=cells, increment=0.1)


def poles(samples: Array, step: float, order: int) -> Array:
    """Poles [1/s] of samples of decaying exponentials, by the matrix pencil."""
    rows = np.lib.stride_tricks.sliding_window_view(samples, len(samples) // 2 + 1)
    basis = np.linalg.svd(rows, full_matrices=False)[2][:order].T
    return np.log(np.linalg.eigvals(np.linalg.lstsq(basis[:-1], basis[1:], rcond=None)[0]).astype(complex)) / step


def test_the_pencil_finds_poles_that_are_known() -> None:
    known = np.array([-2.0 + 20.0j, -2.0 - 20.0j, -8.0 + 45.0j, -8.0 - 45.0j, -0.3 + 0.0j])
    time = 4e-3 * np.arange(300)
    found = poles(np.real(np.exp(np.outer(time, known)) @ np.array([1.0, 1.0, 0.4, 0.4, 0.7])), 4e-3, 5)
    assert all(np.abs(found - pole).min() < 1e-6 * abs(pole) for pole in known)


@pytest.fixture(scope="module")
def car(build_of: Make) -> Build:
    """The quarry-road example without free play."""
    build: Build = build_of("quarry-road")
    return build.replace(vehicle=build.vehicle.replace(driveline_lash="0 deg"))


@pytest.fixture(scope="module")
def slipping(car: Build) -> Build:
    """The same with an invented converter."""
    return car.replace(vehicle=car.vehicle.replace(transmission="converter", converter_stall_speed="1800 rpm", converter_stall_torque="400 N*m"))


@pytest.fixture
def close_slopes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have the linear loop's slopes taken within the cell that the run moves in."""
    for name, step in (("SPEED_STEP", 1.0 / 60.0), ("PRESSURE_STEP", 20.0), ("SPARK_STEP", 0.05)):
        monkeypatch.setattr(engine_loop, name, step)


def about(build: Build, tables: EngineTables, gear: int, rpm: float, slopes: tuple[float, float]) -> tuple[SparkTable, StateSpace, EngineSide, LoopPoint]:
    """Table, driveline, engine and loop about the point of the level road."""
    coupling = "converter" if build.vehicle.transmission == "converter" else "locked"
    engine_side, driveline = engine_side_of(build, tables), driveline_of(build, gear, locked=coupling == "locked")
    pressure, turbine = level_road(build, engine_side, driveline, plane(rpm, 50e3, (0.0, 0.0)), rpm / 60.0, gear, coupling)
    table = plane(rpm, pressure, slopes)
    point = loop_point(engine_side, table, rpm / 60.0, pressure)
    assert point is not None
    road = road_speed_at(driveline, turbine)
    if coupling == "locked":
        return table, state_space(driveline, road), engine_side, point
    slopes = converter_slopes(converter_of(build.vehicle), engine_speed=rpm / 60.0, turbine_speed=turbine)
    return table, converter_space(driveline, slopes, road), engine_side, point


def kicked(build: Build, table: SparkTable, tables: EngineTables, gear: int, rpm: float, kick: str) -> Array:
    """Twist of a run, row by row, 2 ms apart."""
    coupling = "converter" if build.vehicle.transmission == "converter" else "locked"
    speed = quantity(rpm / 60.0, "crank_rps")
    asked: dict[str, Any] = {"gear": gear, "speed": speed, "coupling": coupling, "duration": "4 s", "sample_time": "2 ms", "noise": False}
    asked |= {"engine_tables": tables, "fuel_follows": False}
    run: DriveRun = simulate_drive(build, table, kick=kick, **asked)
    return np.asarray(run.si.twist)


def mode_and_run(build: Build, tables: EngineTables, gear: int, rpm: float, slopes: tuple[float, float]) -> tuple[complex, complex]:
    """The least damped root of the linear loop, and the pole of the run closest to it."""
    table, space, engine, point = about(build, tables, gear, rpm, slopes)
    mode = ClosedLoop.of(space, engine, point).mode(BAND)
    assert mode is not None
    # What the kick alone does: the little by which the start is not settled is in both runs.
    moved = kicked(build, table, tables, gear, rpm, KICK) - kicked(build, table, tables, gear, rpm, "0 rpm")
    count = min(int(5.0 / mode.frequency / 2e-3), 1750)
    every = max(count // 300, 1)
    roots = poles(moved[75 : 75 + count : every], every * 2e-3, 10)
    found = complex(roots[np.argmin(np.abs(roots - mode.root))])
    for name, root in (("loop", mode.root), ("run", found)):
        print(f"gear {gear}, {rpm:.0f} rpm, slopes {slopes}, {name}: {abs(root) / 2.0 / math.pi:.4f} Hz, damping {-root.real / abs(root):.4f}")
    return mode.root, found


def agree(root: complex, found: complex) -> None:
    """Fail unless frequency agrees within 0.2 % and damping within 0.002: what is given is one value through a segment, solved for in its middle."""
    assert abs(found) == pytest.approx(abs(root), rel=0.002)
    assert -found.real / abs(found) == pytest.approx(-root.real / abs(root), abs=0.002)


@pytest.mark.parametrize("slopes", [(0.0, 0.0), STEEP], ids=["flat", "steep"])
@pytest.mark.parametrize(("gear", "rpm"), [(1, 1300.0), (1, 1550.0), (2, 1300.0), (2, 1550.0), (3, 1300.0), (4, 1550.0), (6, 1300.0), (6, 1850.0)])
@pytest.mark.usefixtures("close_slopes")
def test_a_small_kick_swings_and_dies_as_the_loop_says(car: Build, tables_of: Make, gear: int, rpm: float, slopes: tuple[float, float]) -> None:
    agree(*mode_and_run(car, tables_of("quarry-road"), gear, rpm, slopes))


@pytest.mark.parametrize(("gear", "rpm"), [(1, 1300.0), (1, 1850.0), (2, 1550.0), (3, 1550.0)])
@pytest.mark.usefixtures("close_slopes")
def test_so_it_does_through_a_converter(slipping: Build, tables_of: Make, gear: int, rpm: float) -> None:
    agree(*mode_and_run(slipping, tables_of("quarry-road"), gear, rpm, STEEP))


# With noise.


def linear(build: Build, tables: EngineTables, gear: int, rpm: float, slopes: tuple[float, float]) -> tuple[SparkTable, Surge]:
    table, space, engine, point = about(build, tables, gear, rpm, slopes)
    jitter = build.limits.load_jitter * point.blow_back * point.pressure
    return table, surge_at(space, engine, point, jitter=jitter, speed_jitter=2.0 * math.pi * build.limits.si.speed_jitter, slopes=False)


def in_band(run: DriveRun) -> float:
    """Mean square acceleration within the band [(m/s2)2], as sharply as the linear loop takes it."""
    values, time = run.si.acceleration, run.si.time
    spectrum = np.abs(np.fft.rfft(values - values.mean())) ** 2
    frequency = np.fft.rfftfreq(values.size, time[1] - time[0])
    return float(2.0 * spectrum[(frequency >= BAND[0]) & (frequency <= BAND[1])].sum() / values.size**2)


@pytest.mark.slow
@pytest.mark.parametrize("slopes", [(0.0, 0.0), (0.6, -6e-4)], ids=["flat", "steep"])
@pytest.mark.parametrize(("gear", "rpm"), [(1, 1850.0), (2, 1550.0), (3, 1550.0), (4, 1550.0), (6, 1550.0)])
def test_long_runs_shake_as_the_loop_says(car: Build, tables_of: Make, gear: int, rpm: float, slopes: tuple[float, float]) -> None:
    tables = tables_of("quarry-road")
    table, loop = linear(car, tables, gear, rpm, slopes)
    seeds, lasting = (1, 2, 3), 240.0
    speed = quantity(rpm / 60.0, "crank_rps")
    asked: dict[str, Any] = {"gear": gear, "speed": speed, "driver": "speed hold", "duration": quantity(lasting, "s"), "sample_time": "2 ms"}
    asked |= {"fuel_follows": False, "without": ["missed"]}  # neither is in the loop
    asked["engine_tables"] = tables
    found = [math.sqrt(in_band(simulate_drive(car, table, seed=seed, **asked).after(5.0))) for seed in seeds]
    whole = math.sqrt(np.mean(np.square(found)))
    # The r.m.s. of a narrow swing of damping z at w over a time T strays by 0.5 / sqrt(z w T) of itself (variance of a mean square, by the
    # square of its autocorrelation); three of these, and 3 % for what is not straight in tables that a swing of some kilopascals spans.
    stray = 0.5 / math.sqrt(loop.damping * 2.0 * math.pi * loop.frequency * len(seeds) * (lasting - 5.0))
    print(f"gear {gear}, slopes {slopes}: loop {loop.total:.4f} (signals {loop.from_jitter:.4f}), runs {np.round(found, 4)}")
    print(f"    ratio {whole / loop.total:.3f}, one stray {stray:.3f}")
    assert whole == pytest.approx(loop.total, rel=3.0 * stray + 0.03)


@pytest.mark.parametrize("gear", [2, 6])
def test_the_shake_of_a_log_is_that_of_the_run(car: Build, tables_of: Make, gear: int) -> None:
    # Rows 20 ms apart take the mean of each: sin(x)/x, some 4 % at 8 Hz; the filter's edges are not sharp.
    asked: dict[str, Any] = {"gear": gear, "speed": "1550 rpm", "driver": "speed hold", "duration": "60 s"}
    asked["engine_tables"] = tables_of("quarry-road")
    table = plane(1550.0, 50e3, (0.0, 0.0))
    logged, fine = (simulate_drive(car, table, sample_time=step, **asked).after(5.0) for step in ("20 ms", "2 ms"))
    print(f"gear {gear}: {logged.shake:.4f} by rows of 20 ms, {math.sqrt(in_band(fine)):.4f} by rows of 2 ms")
    assert logged.shake == pytest.approx(math.sqrt(in_band(fine)), rel=0.06)

"""Fuel followed through a settled cycle."""

from __future__ import annotations

import functools
import math
from collections import deque
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from camcalc import NoSolutionError, ResolvedEngine
from camcalc.cycle.operating import barometer
from camcalc.cycle.plain_cycle import Course
from camcalc.cycle.port_flow import PortFlow
from camcalc.cycle.tracer import CELLS, Fates, trace_fuel

Make = Callable[..., Any]
Array = NDArray[np.float64]
DISTANCE = 0.1
# Speed [rpm] and pressure [kPa]: blow-back beyond the whole runner, into it, and little.
POINTS = [(850, 60), (1200, 40), (1600, 60), (3000, 80)]


@pytest.fixture(scope="module")
def flow_of(build_of: Make) -> Make:
    """Give the quarry-road engine's flows at a point; each is run once."""

    @functools.cache
    def engine(old: bool) -> ResolvedEngine:
        return ResolvedEngine(build_of("quarry-road", old=old))

    @functools.cache
    def flow(rpm: int, kpa: float, *, old: bool = False) -> PortFlow:
        pressure = kpa * 1e3 if kpa else 0.995 * barometer(engine(old))
        return engine(old).port_flow(rpm / 60.0, pressure, engine(old).best_spark(rpm / 60.0, pressure))

    return flow


def total(fates: Fates) -> Array:
    return fates.in_cylinder + fates.to_exhaust + fates.to_plenum + fates.in_runner


@pytest.mark.parametrize(("rpm", "kpa"), POINTS)
def test_flows_balance_in_every_degree(flow_of: Make, rpm: int, kpa: int) -> None:
    flow = flow_of(rpm, kpa)
    trapped = flow.cylinder_mass[0]
    assert len(flow.angle) == 721
    assert flow.angle[-1] - flow.angle[0] == pytest.approx(720.0, abs=1e-9)
    # Both are sums of the same integration: only rounding may part them.
    assert np.abs(np.diff(flow.runner_mass) - flow.drawn + flow.inward).max() < 1e-12 * trapped
    # The table of areas has the valve shut by the next quarter of a degree.
    assert np.abs(flow.inward[: flow.opening]).max() < 1e-10 * trapped
    assert flow.runner_mass[-1] == pytest.approx(flow.runner_mass[0], rel=1e-4)


@pytest.mark.parametrize(("rpm", "kpa"), POINTS)
def test_every_unit_of_fuel_is_somewhere(flow_of: Make, rpm: int, kpa: int) -> None:
    fates = trace_fuel(flow_of(rpm, kpa), distance=DISTANCE)
    assert np.abs(total(fates) - 1.0).max() < 1e-9
    for shares in fates[1:]:
        assert shares.min() >= -1e-12
        assert shares.max() <= 1.0 + 1e-12
    assert (fates.past_injector >= fates.to_plenum - 1e-12).all()


@given(
    moved=st.lists(st.tuples(st.floats(-0.02, 0.02), st.floats(-0.02, 0.02), st.floats(0.0, 0.01)), min_size=12, max_size=40),
    cells=st.integers(2, 60),
    distance=st.floats(0.0, 0.4),
)
def test_fuel_is_neither_made_nor_lost_in_flows_of_any_kind(moved: list[tuple[float, float, float]], cells: int, distance: float) -> None:
    inward, drawn, exhausted = np.array(moved).T
    runner = 1.0 + np.concatenate([[0.0], np.cumsum(drawn - inward)])
    cylinder = 1.0 + np.concatenate([[0.0], np.cumsum(inward - exhausted)])
    steps = len(moved)
    course = Course(0.0, 1.0, 2.0, 3.0)
    angle, standing = np.linspace(0.0, float(steps), steps + 1), (np.maximum(runner, 0.2), np.maximum(cylinder, 0.2))
    flow = PortFlow(angle, inward, drawn, exhausted, *standing, course, speed=20.0, runner_length=0.3, plenum_temperature=320.0)
    assert np.abs(total(trace_fuel(flow, distance=distance, cells=cells)) - 1.0).max() < 1e-9


def test_all_fuel_on_the_shut_valve_shares_one_fate(flow_of: Make) -> None:
    flow = flow_of(850, 60)
    fates = trace_fuel(flow, distance=DISTANCE)
    for shares in fates[1:]:
        assert np.ptp(shares[: flow.opening + 1]) == 0.0


def parcels(flow: PortFlow, start: int) -> tuple[float, float, float, float]:
    """Follow a unit of fuel as a pile of parcels between plenum and valve that never mix; return shares in cylinder, exhaust, plenum and runner."""
    pile: deque[list[float]] = deque([[float(flow.runner_mass[start]), 0.0], [0.0, 1.0]])
    held = gone = lost = 0.0

    def take(mass: float, from_valve: bool) -> float:
        fuel = 0.0
        while mass > 0.0 and pile:
            parcel = pile[-1] if from_valve else pile[0]
            if parcel[0] <= mass:
                fuel, mass = fuel + parcel[1], mass - parcel[0]
                pile.pop() if from_valve else pile.popleft()
                continue
            share = mass / parcel[0]
            fuel += share * parcel[1]
            parcel[0], parcel[1], mass = parcel[0] - mass, parcel[1] * (1.0 - share), 0.0
        return fuel

    parts = 8
    for k in range(start, len(flow.inward)):
        for part in range(parts):
            gas = flow.cylinder_mass[k] + (flow.cylinder_mass[k + 1] - flow.cylinder_mass[k]) * (part + 0.5) / parts
            inward, drawn, out = flow.inward[k] / parts, flow.drawn[k] / parts, flow.exhausted[k] / parts
            if drawn > 0.0:
                pile.appendleft([float(drawn), 0.0])
            if inward < 0.0:
                fuel = held * -math.expm1(inward / gas)
                held -= fuel
                pile.append([float(-inward), fuel])
            leaving = held * -math.expm1(-out / gas)
            held, gone = held - leaving, gone + leaving
            if inward > 0.0:
                held += take(float(inward), True)
            if drawn < 0.0:
                lost += take(float(-drawn), False)
    return held, gone, lost, sum(parcel[1] for parcel in pile)


def reach(flow: PortFlow, start: int) -> tuple[float, float]:
    """Return how near the plenum the gas that stood at the valve comes, as a share of the runner (below nothing: beyond), and its way there."""
    behind = flow.runner_mass[start] + np.concatenate([[0.0], np.cumsum(flow.drawn[start:])])
    place = behind / flow.runner_mass[start:]
    nearest = int(np.argmin(place))
    return float(place[nearest]), float(np.abs(np.diff(place[: nearest + 1])).sum())


@pytest.mark.parametrize(("rpm", "kpa"), [(850, 60), (850, 80), (1200, 40), (1200, 60), (1600, 60), (3000, 80)])
@pytest.mark.parametrize("cells", [CELLS, 320])
def test_parcels_that_never_mix_agree_within_the_smearing_of_the_cells(flow_of: Make, rpm: int, kpa: int, cells: int) -> None:
    flow = flow_of(rpm, kpa)
    start = flow.opening
    nearest, way = reach(flow, start)
    # Taking from the cell before smears a front to a variance of at most its way over the number of cells; no distribution of that
    # variance has more than variance/(variance + distance^2) beyond a distance (Cantelli's inequality).
    variance = way / cells
    allowed = variance / (variance + nearest**2)
    assert allowed < 1.0
    found = trace_fuel(flow, distance=DISTANCE, cells=cells).to_plenum[start]
    exact = parcels(flow, start)[2]
    assert exact == pytest.approx(float(nearest < 0.0), abs=1e-6)
    assert abs(found - exact) <= allowed + 1e-9


# Not where the front turns just at the plenum: there cells must be finer still.
@pytest.mark.parametrize(("rpm", "kpa"), [(850, 70), (1600, 60)])
def test_finer_cells_come_nearer_to_parcels_that_never_mix(flow_of: Make, rpm: int, kpa: int) -> None:
    flow = flow_of(rpm, kpa)
    start = flow.opening
    exact = parcels(flow, start)
    assert sum(exact) == pytest.approx(1.0, abs=1e-9)
    gaps = [max(abs(shares[start] - e) for shares, e in zip(trace_fuel(flow, distance=DISTANCE, cells=n)[1:5], exact, strict=True)) for n in (20, 80, 320)]
    assert gaps == sorted(gaps, reverse=True)
    assert gaps[-1] < 0.02


@pytest.mark.parametrize(("rpm", "kpa"), [(850, 60), (1600, 60), (3000, 80)])
@pytest.mark.parametrize("after", [30, 90, 150, 200])
def test_fuel_past_the_open_valve_fares_as_parcels_do(flow_of: Make, rpm: int, kpa: int, after: int) -> None:
    # Every third degree is traced. The last of 1280 cells takes a moment to empty into the cylinder, parcels enter at once; fuel caught
    # as the flow turns differs by up to about a part in fifty.
    flow = flow_of(rpm, kpa)
    start = flow.opening + after // 3 * 3
    found = [shares[start] for shares in trace_fuel(flow, distance=DISTANCE, cells=1280)[1:5]]
    assert found == pytest.approx(parcels(flow, start), abs=0.02)


def test_without_blow_back_nothing_goes_up_the_runner(flow_of: Make) -> None:
    # The mild cam at full load. Swings of the gas column leave gas at the valve where it is, but cells smear a little of it upwards.
    fates = trace_fuel(flow_of(3000, 0, old=True), distance=DISTANCE)
    assert fates.to_plenum.max() < 1e-6
    assert fates.past_injector[0] < 1e-3
    assert fates.in_cylinder[0] > 0.9


def test_a_long_cam_at_idle_blows_fuel_off_the_shut_valve_but_not_past_the_open_one(flow_of: Make) -> None:
    flow = flow_of(850, 60)
    fates = trace_fuel(flow, distance=DISTANCE)
    late = int(flow.swallowed() - flow.angle[0]) + 20
    assert fates.past_injector[0] > 0.9
    assert fates.to_plenum[0] > 0.5
    assert fates.past_injector[late] < 0.02
    assert fates.to_plenum[late] < 1e-3
    assert fates.in_cylinder[late] > 0.8


def test_blow_back_is_swallowed_when_as_much_has_been_drawn_again(flow_of: Make) -> None:
    flow = flow_of(850, 60)
    at = flow.swallowed()
    whole, part = divmod(at - flow.angle[0], 1.0)
    net = flow.inward[flow.opening : int(whole)].sum() + part * flow.inward[int(whole)]
    assert net == pytest.approx(0.0, abs=1e-9 * flow.cylinder_mass[0])
    assert flow.inward[flow.opening : int(whole)].min() < 0.0
    assert flow.course.intake_opens < at < flow.angle[-1]
    still = flow._replace(inward=np.maximum(flow.inward, 0.0))
    assert still.swallowed() == flow.course.intake_opens


def test_an_injector_farther_up_is_passed_by_less(flow_of: Make) -> None:
    flow = flow_of(1600, 60)
    past = [trace_fuel(flow, distance=d).past_injector[0] for d in (0.05, 0.1, 0.2, flow.runner_length, 1.0)]
    assert past == sorted(past, reverse=True)
    assert past[0] > past[2] > past[3]
    # In the plenum: only what reaches it has passed.
    assert past[3] == past[4] == pytest.approx(trace_fuel(flow, distance=1.0).to_plenum[0], abs=1e-12)


def test_individual_throttles_and_a_rippling_plenum_have_flows_too(build_of: Make) -> None:
    build = build_of("dockside")
    engine = ResolvedEngine(build.replace(engine=build.engine.replace(intake="individual throttles")))
    assert engine.intake_model == "rippling"
    flow = engine.port_flow(2000.0 / 60.0, 80e3, 30.0)
    assert len(flow.inward) == 720
    assert np.abs(np.diff(flow.runner_mass) - flow.drawn + flow.inward).max() < 1e-12 * flow.cylinder_mass[0]
    assert np.abs(total(trace_fuel(flow, distance=DISTANCE)) - 1.0).max() < 1e-9


def test_a_model_without_a_runner_says_so(engine_of: Make, build_of: Make) -> None:
    lost = ResolvedEngine(build_of("quarry-road"), intake_model="lost")
    assert engine_of("quarry-road").port_flow(20.0, 60e3, 30.0) is None
    assert lost.port_flow(20.0, 60e3, 30.0) is None


def test_flows_of_an_engine_that_does_not_run_are_refused(build_of: Make) -> None:
    with pytest.raises(NoSolutionError, match=r"does not run at 800 rpm and 25\.0 kPa"):
        ResolvedEngine(build_of("quarry-road")).port_flow(800.0 / 60.0, 25e3, 30.0)

"""What every settled cycle must keep: mass, energy, burned gas; one answer whatever the way to it."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import pytest

from camcalc import ResolvedEngine
from camcalc.cycle.layout import INDEX
from camcalc.cycle.operating import Ending
from camcalc.cycle.resolved import RTOL, SMOOTH
from camcalc.cycle.simulate import CycleResult, describe_cycle
from camcalc.cycle.steady import Settled
from camcalc.cycle.valve_streams import QUICKEST

Make = Callable[..., Any]
SPARK = 30.0
# The largest relative change over one plain cycle that a cycle called settled may show.
TOLERANCE = 5e-6


class Point(NamedTuple):
    """A cam of the quarry-road engine at a speed [rpm] and manifold pressure [kPa]."""

    cam: str
    rpm: int
    kpa: int


POINTS = [Point("long", 800, 75), *(Point("long", rpm, kpa) for rpm in (1500, 3000) for kpa in (35, 60, 95))]
POINTS += [Point("mild", rpm, kpa) for rpm in (800, 1500, 3000) for kpa in (35, 60, 95)]
each_point = pytest.mark.parametrize("point", POINTS, ids=[f"{p.cam}-{p.rpm}-{p.kpa}" for p in POINTS])


@pytest.fixture(scope="module")
def resolved(build_of: Make) -> Make:
    @functools.cache
    def engine(cam: str, **options: Any) -> ResolvedEngine:
        return ResolvedEngine(build_of("quarry-road", old=cam == "mild"), **options)

    return engine


@pytest.fixture(scope="module")
def settled(resolved: Make) -> Make:
    """Give the settled cycle of a point from the first guess, by accelerated settling; each is run once."""

    @functools.cache
    def cycle(point: Point, **options: Any) -> Settled:
        engine = resolved(point.cam, **options)
        return engine.settled(point.rpm / 60.0, point.kpa * 1e3, SPARK, start=engine.guess(point.kpa * 1e3))

    return cycle


@pytest.fixture(scope="module")
def described(resolved: Make, settled: Make) -> Make:
    @functools.cache
    def result(point: Point) -> CycleResult:
        return describe_cycle(resolved(point.cam), settled(point), SPARK)

    return result


def same(one: Settled, other: Settled, limit: float) -> None:
    """Fail unless trapped mass (relative) and burned fraction (absolute) agree."""
    assert one.outcome is other.outcome is Ending.SETTLED
    assert one.unknowns[0] == pytest.approx(other.unknowns[0], rel=limit)
    assert one.unknowns[2] == pytest.approx(other.unknowns[2], abs=limit)


@each_point
def test_it_settles_and_says_how_well(described: Make, point: Point) -> None:
    found = described(point)
    assert found.outcome is Ending.SETTLED
    assert found.periodicity_residual < TOLERANCE
    assert len(found.history) == found.cycles
    assert found.history[-1] == found.periodicity_residual


@each_point
def test_burned_gas_made_is_burned_gas_sent_out(settled: Make, point: Point) -> None:
    c = settled(point)
    out = c.total("collector_out_burned") - c.total("collector_back") * c.boundary.collector_burned
    assert c.total("made_burned") == pytest.approx(out, rel=1e-4)


@each_point
def test_as_much_burned_gas_leaves_the_plenum_as_comes_back(settled: Make, point: Point) -> None:
    c = settled(point)
    assert c.total("runner_in_burned") == pytest.approx(c.total("runner_back_burned"), abs=1e-4 * c.total("made_burned"))


@each_point
def test_mass_closes(described: Make, point: Point) -> None:
    assert described(point).mass_error < 1e-5


@each_point
def test_energy_closes(described: Make, point: Point) -> None:
    assert described(point).energy_error < 1e-5


@each_point
def test_what_flows_in_less_what_flows_out_stays(settled: Make, point: Point) -> None:
    # An identity of the integration, whether or not the cycle repeats itself.
    c = settled(point)
    gained = c.at_stops[-1] - c.at_stops[0]
    cylinder = c.total("intake_in") - c.total("intake_back") - c.total("exhaust_out") + c.total("exhaust_back")
    runner = c.total("runner_in") - c.total("runner_back") - c.total("intake_in") + c.total("intake_back")
    burned = c.total("intake_in_burned") - c.total("intake_back_burned") - c.total("exhaust_out_burned") + c.total("exhaust_back_burned")
    scale = 1e-11 * c.unknowns[0]
    assert cylinder == pytest.approx(gained[0], abs=scale)
    assert runner == pytest.approx(gained[3], abs=scale)
    assert burned + c.total("made_burned") == pytest.approx(gained[2], abs=scale)


@each_point
def test_the_ledger_of_burned_gas_adds_up(described: Make, point: Point) -> None:
    ledger = described(point).ledger.si
    origins = ledger.in_cylinder_at_intake_opening + ledger.net_through_exhaust_valve + ledger.blown_into_intake
    origins += ledger.returned_blow_back + ledger.plenum_background
    assert origins == pytest.approx(ledger.burned_mass, rel=1e-6)
    # The ledger is that of the charge at the end of the cycle, the figures those at its start: apart by what the tolerance leaves.
    si = described(point).si
    assert ledger.burned_mass == pytest.approx(si.burned_fraction * si.trapped_mass, abs=2.0 * TOLERANCE * si.trapped_mass)


@each_point
def test_the_ledger_tells_the_plenum_s_share_from_what_was_blown_back(described: Make, settled: Make, point: Point) -> None:
    c, found = settled(point), described(point)
    ledger, drawn = found.ledger.si, c.total("intake_in", c.course.intake_opens, c.course.closes + 720.0)
    assert ledger.plenum_background == pytest.approx(found.si.plenum_burned_fraction * drawn, rel=1e-4, abs=1e-12)
    # Some of what was blown back stays in the plenum and comes as its share; the rest comes back at once.
    assert -TOLERANCE * ledger.burned_mass < ledger.returned_blow_back <= -ledger.blown_into_intake


@each_point
def test_back_pressure_grows_with_the_square_of_the_flow(resolved: Make, settled: Make, point: Point) -> None:
    # The sheet's 20 kPa stand at the flow of 100 % relative charge, 1.2 kg/m3, at 5500 rpm.
    c, engine = settled(point), resolved(point.cam)
    share = (c.total("collector_out") - c.total("collector_back")) * point.rpm / (1.2 * engine.geometry.swept * 5500.0)
    rise = c.setup.exhaust_pressure - engine.ambient
    assert rise == pytest.approx(20e3 * share**2, rel=1e-3, abs=0.5)


@each_point
def test_gross_work_less_pumping_is_net_work(described: Make, point: Point) -> None:
    si = described(point).si
    assert si.gross_imep - si.pumping_mep == pytest.approx(si.net_imep, rel=1e-12)


@each_point
def test_acceleration_shortens_the_way_and_leaves_the_answer(resolved: Make, settled: Make, point: Point) -> None:
    engine = resolved(point.cam)
    plain = engine.settled(point.rpm / 60.0, point.kpa * 1e3, SPARK, accelerate=False, start=engine.guess(point.kpa * 1e3))
    same(settled(point), plain, 1e-4)
    assert settled(point).cycles < plain.cycles


# Cylinder temperature and burned fraction, runner and plenum temperature and burned fraction to start from.
STARTS = {"clean and cold": (320.0, 0.0, 295.0, 0.0), "hot and full of burned gas": (600.0, 0.75, 480.0, 0.5)}


@pytest.mark.parametrize("first", STARTS.values(), ids=STARTS)
@each_point
def test_the_answer_does_not_depend_on_the_start(resolved: Make, settled: Make, point: Point, first: tuple[float, float, float, float]) -> None:
    engine = resolved(point.cam)
    start = engine.guess(point.kpa * 1e3)
    start[0] *= 0.6
    start[1], start[2], start[4], start[5] = first
    start[9], start[10] = first[2:]
    start[7], start[11] = 500.0, 1300.0
    other = engine.settled(point.rpm / 60.0, point.kpa * 1e3, SPARK, start=start)
    same(settled(point), other, 1e-4)


@each_point
def test_ten_times_finer_steps_change_nothing_that_matters(settled: Make, point: Point) -> None:
    same(settled(point), settled(point, rtol=0.1 * RTOL, tolerance=0.1 * TOLERANCE), 1e-3)


@each_point
def test_a_ten_times_shorter_straight_part_of_the_nozzle_changes_nothing_that_matters(settled: Make, point: Point) -> None:
    # The nozzle's own: how quickly pressures meet through it has a test of its own, below.
    same(settled(point, quickest=math.inf), settled(point, smooth=0.1 * SMOOTH, quickest=math.inf), 1e-3)


@each_point
def test_how_quickly_pressures_meet_through_a_valve_changes_nothing_that_matters(settled: Make, point: Point) -> None:
    plain = settled(point, quickest=math.inf)
    same(settled(point), plain, 5e-4)
    # Halved, it is still closer than the model is asked to be.
    same(settled(point, quickest=0.5 * QUICKEST), plain, 3e-3)


def test_an_engine_that_cannot_run_is_dying_not_broken(resolved: Make, settled: Make) -> None:
    point = Point("long", 600, 35)
    found = describe_cycle(resolved("long"), settled(point), SPARK)
    assert found.outcome is Ending.NO_FRESH_CHARGE
    assert "dying" in str(found)
    state = resolved("long").state(10.0, 35e3, SPARK)
    assert not state.runs
    assert (state.air, state.gross, state.completeness) == (0.0, 0.0, 0.0)
    # Nothing burns, so the burn has no angles; no number stands in for "never".
    assert np.isnan([state.development, state.rapid_burn, state.half_burned]).all()
    assert state.net == pytest.approx(-(state.exhaust_pressure - 35e3), rel=1e-12)


def test_a_cycle_asked_for_again_is_the_one_remembered(resolved: Make) -> None:
    engine = resolved("mild")
    assert engine.settled(25.0, 50e3, SPARK) is engine.settled(25.0, 50e3, SPARK)


def test_a_search_for_a_load_leaves_best_torque_alone(build_of: Make) -> None:
    searched, asked = (ResolvedEngine(build_of("quarry-road")) for _ in range(2))
    searched.net_imep(25.0, 60e3, None)
    assert searched.best_spark(25.0, 60e3) == asked.best_spark(25.0, 60e3)
    net = asked.net_imep(25.0, 60e3, None)
    # The gas exchange of a spark up to half a degree away stands for its own.
    assert net == pytest.approx(asked.state(25.0, 60e3, asked.best_spark(25.0, 60e3)).net, rel=2e-3)


@each_point
def test_the_traces_repeat_the_cycle(described: Make, settled: Make, point: Point) -> None:
    c, found = settled(point), described(point)
    si = found.traces.si
    assert si.angle[0] >= c.course.closes
    assert np.all(np.diff(si.angle) == 1.0)
    assert si.pressure.max() == found.si.peak_pressure
    # Work from the trace at whole degrees against the work that the integration has summed.
    inside = (si.angle >= 541.0) & (si.angle <= 899.0)
    summed = c.total("work", 540.0, 900.0)
    volumes, pressures = si.volume[inside], si.pressure[inside]
    assert np.trapezoid(pressures, volumes) == pytest.approx(summed, abs=2e-3 * c.at_stops[:, INDEX["work"]].max())

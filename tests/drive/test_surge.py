"""Surge at one point: modes against the driveline alone and another library, critical slopes by their own definition, accelerations by time steps."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import control
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import expm
from scipy.signal import welch

from camcalc.constants import AIR_GAS_CONSTANT
from camcalc.drive.closed_loop import PARTS, ClosedLoop, LoopPart
from camcalc.drive.engine_loop import Delays, EngineSide, LoopPoint, delays_at, engine_side_of, loop_point
from camcalc.drive.surge import BAND, MOST_BY_PRESSURE, MOST_BY_SPEED, Surge, grade, slope_limits, surge_at
from camcalc.vehicle.acceleration_weighting import GRADES, SurgeGrade
from camcalc.vehicle.driveline import Driveline, StateSpace, critical_feedback, driveline_modes, driveline_of, road_speed_at, state_space
from tests.oracles.delay_loop import Loop, loop_matrices, response
from tests.oracles.delayed_modes import delayed_modes

Make = Callable[..., Any]
# Invented: an engine whose tables are not asked, and a point of the size of a long cam's at 1500 rpm.
ENGINE = EngineSide(None, 8, 7e-4, 8e-3, 313.0, 100e3, 1.0, 0.02, 8.4e-4, None)  # type: ignore[arg-type]
POINT = LoopPoint(
    speed=25.0,
    pressure=50e3,
    spark=30.0,
    torque=40.0,
    torque_by_speed=0.25,
    friction_by_speed=-0.08,
    torque_by_pressure=5e-3,
    torque_by_spark=1.5,
    flow_by_speed=1.5e-4,
    flow_by_pressure=8e-7,
    throttle_by_pressure=-1e-7,
    filling_rate=AIR_GAS_CONSTANT * 313.0 / 8e-3,
    spark_by_speed=0.05,
    spark_by_pressure=-4e-4,
    deviation=35.0,
    blow_back=0.1,
    delays=delays_at(25.0, 8),
)
CAR = Driveline(
    ratio=7.08, tyre_radius=0.33, engine_inertia=0.25 * 7.08**2, wheel_inertia=2.0, vehicle_inertia=176.0, shaft_stiffness=6000.0, loss_factor=0.12
)._replace(tyre_slip_stiffness=120e3)
ROAD_SPEED = 2.0 * math.pi * 25.0 / 7.08 * 0.33
SPACE = state_space(CAR, ROAD_SPEED)
SHAKEN: dict[str, Any] = {"jitter": 500.0, "speed_jitter": 0.42}


def point(**changes: Any) -> LoopPoint:
    return POINT._replace(**changes)


def surge(space: StateSpace = SPACE, engine: EngineSide = ENGINE, at: LoopPoint = POINT, **changes: Any) -> Surge:
    return surge_at(space, engine, at, **{**SHAKEN, "slopes": False, **changes})


def delayed(space: StateSpace = SPACE, at: LoopPoint = POINT, engine: EngineSide = ENGINE, parts: Any = PARTS) -> Loop:
    """The same loop written out in states and late signals."""
    assert at.memory is None
    return loop_matrices(space, engine.load_filter, at, [part.name for part in parts])


def least_damping(space: StateSpace, at: LoopPoint, engine: EngineSide = ENGINE, parts: Any = PARTS) -> float:
    """Least damping in the band with every mode looked for, written out in states."""
    loop = delayed(space, at, engine, parts)
    found = delayed_modes(loop.state, loop.delayed, fastest=BAND[1]).least_damped(*BAND)
    assert found is not None
    return found.damping


@pytest.fixture(scope="module")
def real(build_of: Make, tables_of: Make, base: Any) -> Callable[..., tuple[StateSpace, EngineSide, LoopPoint]]:
    """Driveline, engine and point of the quarry-road example in a gear."""
    build = build_of("quarry-road")
    engine_side = engine_side_of(build, tables_of("quarry-road"))

    def made(gear: int, rpm: float, pressure: float) -> tuple[StateSpace, EngineSide, LoopPoint]:
        driveline = driveline_of(build, gear)
        found = loop_point(engine_side, base, rpm / 60.0, pressure)
        assert found is not None
        return state_space(driveline, road_speed_at(driveline, rpm / 60.0)), engine_side, found

    return made


REAL = [(1, 1250.0, 54e3), (1, 1850.0, 45e3), (2, 1400.0, 51e3), (4, 1400.0, 54e3)]


def forgetting(at: LoopPoint) -> LoopPoint:
    """The same point with cycles that leave nothing to those after them."""
    assert at.memory is not None
    return at._replace(memory=None, plenum_slopes=None)


def all_of(space: StateSpace, at: LoopPoint, engine: EngineSide = ENGINE, parts: Any = PARTS) -> float:
    """Least damping in the band with every mode counted; what does not swing is damped fully."""
    found = ClosedLoop.of(space, engine, at, parts).mode(BAND)
    return 1.0 if found is None else found.damping


def test_an_engine_that_answers_nothing_leaves_the_drivelines_own_mode() -> None:
    dead = point(torque_by_speed=0.0, friction_by_speed=0.0, torque_by_pressure=0.0, torque_by_spark=0.0)
    (mode,) = driveline_modes(CAR, ROAD_SPEED)
    found = surge(at=dead, slopes=True)
    assert found.root == pytest.approx(mode.root, rel=1e-9)
    assert (found.frequency, found.damping) == pytest.approx((mode.frequency, mode.damping), rel=1e-9)
    assert found.takes == pytest.approx((0.0,) * len(PARTS), abs=1e-9)


@given(slopes=st.tuples(st.floats(-0.1, 0.1), st.floats(-2e-3, 2e-3)), by_speed=st.floats(0.0, 0.4), late=st.tuples(*[st.floats(2e-3, 0.04)] * 4))
@settings(max_examples=20)
def test_the_root_closes_the_loop_written_out_signal_by_signal(slopes: tuple[float, float], by_speed: float, late: tuple[float, ...]) -> None:
    at = point(spark_by_speed=slopes[0], spark_by_pressure=slopes[1], torque_by_speed=by_speed, delays=Delays(*late))
    s, d = surge(at=at).root, at.delays
    # Per rad/s of the crank: plenum pressure, then torque by friction, charge, spark along speed and spark along load.
    pressure = -at.filling_rate * at.flow_by_speed / (s - at.filling_rate * (at.throttle_by_pressure - at.flow_by_pressure))
    charge = ((at.torque_by_speed - at.friction_by_speed) + at.torque_by_pressure * pressure) * np.exp(-s * d.induction)
    along_speed = at.spark_by_speed * np.exp(-s * d.speed)
    along_load = at.spark_by_pressure * pressure / (1.0 + s * ENGINE.load_filter) * np.exp(-s * d.load)
    torque = at.friction_by_speed + charge + at.torque_by_spark * (along_speed + along_load) * np.exp(-s * d.spark)
    crank = SPACE.crank_speed @ np.linalg.solve(s * np.eye(len(SPACE.state)) - SPACE.state, SPACE.crank_torque)
    assert crank * torque == pytest.approx(1.0, abs=1e-8)


moved = st.builds(
    point,
    torque_by_speed=st.floats(-0.2, 0.8),
    torque_by_pressure=st.floats(1e-3, 1e-2),
    torque_by_spark=st.floats(0.0, 4.0),
    spark_by_speed=st.floats(-0.2, 0.2),
    spark_by_pressure=st.floats(-3e-3, 3e-3),
    delays=st.builds(Delays, *[st.floats(2e-3, 0.05)] * 4),
)


@given(at=moved, parts=st.sets(st.sampled_from(PARTS)))
@settings(max_examples=40)
def test_without_memory_the_least_damped_root_is_that_of_one_delayed_matrix(at: LoopPoint, parts: set[LoopPart]) -> None:
    loop = delayed(at=at, parts=parts)
    theirs = delayed_modes(loop.state, loop.delayed, fastest=BAND[1]).least_damped(*BAND)
    ours = ClosedLoop.of(SPACE, ENGINE, at, parts).mode(BAND)
    assert theirs is not None
    assert ours is not None
    assert ours.root == pytest.approx(theirs.root, rel=1e-9)


@pytest.mark.parametrize("where", REAL)
def test_so_it_is_at_real_points_that_forget(real: Make, where: tuple[int, float, float]) -> None:
    space, engine, at = real(*where)
    bare = forgetting(at)
    loop = delayed(space, bare, engine)
    theirs = delayed_modes(loop.state, loop.delayed, fastest=BAND[1]).least_damped(*BAND)
    assert theirs is not None
    assert surge(space, engine, bare).root == pytest.approx(theirs.root, rel=1e-9)
    # Memory moves it, or the test would show nothing.
    assert abs(surge(space, engine, at).root - theirs.root) > 1e-3 * abs(theirs.root)


@pytest.mark.parametrize("where", REAL)
def test_damping_is_that_of_another_librarys_approximants(real: Make, where: tuple[int, float, float]) -> None:
    space, engine, at = real(*where)
    at = forgetting(at)
    loop = delayed(space, at, engine)
    size = len(loop.state)
    k = int(np.argmax(np.abs(loop.torque)))
    # Every late signal acts on torque: one column in, one row out each.
    into = np.column_stack([loop.torque] * len(loop.delayed))
    out = np.vstack([matrix[k] / loop.torque[k] for matrix, _ in loop.delayed])
    plant = control.ss(loop.state, into, out, np.zeros((len(out), len(out))))
    late = control.append(*(control.ss(control.tf(*control.pade(delay, 6))) for _, delay in loop.delayed))
    poles = control.feedback(plant, late, sign=1).poles()
    inside = [p for p in poles if p.imag > 0.0 and BAND[0] <= abs(p) / (2.0 * math.pi) <= BAND[1]]
    theirs = min(-p.real / abs(p) for p in inside)
    assert size == len(space.state) + 2
    assert surge(space, engine, at).damping == pytest.approx(theirs, abs=1e-5)


ALONG = {"spark_by_speed": (LoopPart.SPARK_ALONG_SPEED, MOST_BY_SPEED), "spark_by_pressure": (LoopPart.SPARK_ALONG_LOAD, MOST_BY_PRESSURE)}


# Torque more sensitive to spark than it is at the table's, as far below best torque, so that a slope does it within the search.
@pytest.mark.parametrize(("where", "sensitive"), [((1, 1700.0, 45e3), 4.0), ((2, 1400.0, 51e3), 4.0), ((4, 1400.0, 54e3), 15.0)])
@pytest.mark.parametrize("name", ALONG)
@pytest.mark.parametrize("remembers", [True, False], ids=["memory", "none"])
def test_at_either_critical_slope_damping_changes_sign_and_nowhere_below(
    real: Make, where: tuple[int, float, float], sensitive: float, name: str, remembers: bool
) -> None:
    space, engine, at = real(*where)
    at = (at if remembers else forgetting(at))._replace(torque_by_spark=sensitive)
    part, most = ALONG[name]
    rising, falling = ClosedLoop.of(space, engine, at).critical(most, BAND, along=part)
    assert -most <= falling < 0.0 < rising <= most
    # Load moves a plenum that breathes so little that none may be found along it.
    assert min(rising, -falling) < most or (remembers and part is LoopPart.SPARK_ALONG_LOAD)
    look = all_of if remembers else least_damping
    print(f"{where} {name} memory {remembers}: falling {falling:.4g}, rising {rising:.4g} of {most:.4g}")
    for critical in (rising, falling):
        at_slope = [look(space, at._replace(**{name: share * critical}), engine) for share in (0.0, 0.25, 0.5, 0.75, 0.9, 0.99, 0.999)]
        assert min(at_slope) > 0.0
        if abs(critical) < most:
            # With memory growth is counted from a damping of -0.002 on.
            assert look(space, at._replace(**{name: (1.05 if remembers else 1.001) * critical}), engine) < 0.0
            if not remembers:
                assert look(space, at._replace(**{name: critical}), engine) == pytest.approx(0.0, abs=1e-7)
    found = surge(space, engine, at, slopes=True)
    assert (found.critical_by_speed if name == "spark_by_speed" else found.critical_by_pressure) == min(rising, -falling)


def test_without_delay_and_filter_the_critical_slope_is_the_drivelines_critical_feedback() -> None:
    silent = dict.fromkeys(("torque_by_speed", "friction_by_speed", "torque_by_pressure", "spark_by_speed", "spark_by_pressure"), 0.0)
    bare = point(**silent, delays=Delays(0.0, 0.0, 0.0, 0.0))
    found = surge(at=bare, slopes=True)
    assert found.critical_by_speed * bare.torque_by_spark == pytest.approx(critical_feedback(CAR, ROAD_SPEED), rel=1e-6)


def test_a_loop_that_swings_by_itself_without_any_slope_stands_none() -> None:
    wild = point(torque_by_speed=3.0, spark_by_pressure=0.0)
    found = surge(at=wild, slopes=True)
    assert found.damping < 0.0
    assert (found.critical_by_speed, found.critical_by_pressure) == (0.0, 0.0)
    assert slope_limits(SPACE, ENGINE, wild, found, jitter=500.0) == (0.0, 0.0)
    assert found.verdict is SurgeGrade.SELF_EXCITED_BUCKING
    # Nothing holds what noise has moved; without a slope the signals move nothing.
    assert math.isinf(found.from_burn)
    assert math.isinf(found.total)
    assert surge(at=wild._replace(spark_by_speed=0.0)).from_jitter == 0.0


def accelerations(loop: Loop, at: LoopPoint, engine: EngineSide, *, jitter: float, speed_jitter: float, burn: float, seed: int) -> float:
    """R.m.s. acceleration in the band of many runs of the loop side by side, step by step: signals and work drawn anew each interval and held.

    The signals' swings enter where they are measured and come through filter, table and delay.
    """
    step, runs, settling, lasting = 1e-3, 48, 12.0, 50.0
    size = len(loop.state)
    k, measured = int(np.argmax(np.abs(loop.torque))), size - 1
    lag = engine.load_filter
    crank = size - 2 - 3  # a twist, then engine, wheels and car
    rows = [matrix[k] / loop.torque[k] for matrix, _ in loop.delayed]
    late = [math.floor(delay / step) for _, delay in loop.delayed]  # held for a step, a signal is late by half of it besides
    push = np.column_stack([loop.torque, np.eye(size)[measured] / lag])
    whole = expm(step * np.block([[loop.state, push], [np.zeros((2, size + 2))]]))
    move, enter = whole[:size, :size], whole[:size, size:]
    per_cycle, per_firing = round(2.0 / at.speed / step), round(2.0 / at.speed / engine.cylinders / step)
    random = np.random.default_rng(seed)
    x = np.zeros((size, runs))
    history = [np.zeros((n + 1, runs)) for n in late]
    seen = np.zeros((round(lasting / step), runs))
    for i in range(round((settling + lasting) / step)):
        if i % per_cycle == 0:
            load_swing, speed_swing = jitter * random.standard_normal(runs), speed_jitter * random.standard_normal(runs)
        if i % per_firing == 0:
            work = burn * random.standard_normal(runs)
        torque = work.copy()
        for j, row in enumerate(rows):
            signal = row @ x
            if abs(row[crank]) > 0.0 and math.isclose(row[crank], at.torque_by_spark * at.spark_by_speed * CAR.ratio):
                signal = signal + at.torque_by_spark * at.spark_by_speed * speed_swing
            history[j][i % (late[j] + 1)] = signal
            torque += history[j][(i + 1) % (late[j] + 1)]
        if i * step >= settling:
            seen[i - round(settling / step)] = loop.acceleration @ x
        x = move @ x + enter @ np.array([torque, load_swing])
    frequency, spectrum = welch(seen, 1.0 / step, nperseg=8192, axis=0, detrend="linear")
    inside = (frequency >= BAND[0]) & (frequency <= BAND[1])
    return math.sqrt(np.trapezoid(spectrum.mean(axis=1)[inside], frequency[inside]))


@pytest.mark.parametrize(("burn", "jitter"), [(1.0, 0.0), (0.0, 1.0)], ids=["burn", "signals"])
def test_accelerations_are_those_of_the_same_loop_in_time(burn: float, jitter: float) -> None:
    # Delays half a step off whole ones, since a held signal is late by half a step.
    at = point(spark_by_pressure=-2e-3, delays=Delays(34.5e-3, 13.5e-3, 5e-3, 5e-3))
    swings = {"jitter": 500.0 * jitter, "speed_jitter": 0.42 * jitter}
    found = surge(at=at, **swings)
    stepped = accelerations(delayed(at=at), at, ENGINE, burn=burn * at.deviation, seed=7, **swings)
    print(f"burn {burn} jitter {jitter}: by spectrum {found.from_burn if burn else found.from_jitter:.5f}, in time {stepped:.5f}, damping {found.damping:.4f}")
    assert (found.from_burn if burn else found.from_jitter) == pytest.approx(stepped, rel=0.05)


@pytest.mark.parametrize("share", [0.55, 0.65, 0.8, 0.97])
def test_the_search_for_the_critical_slope_reaches_its_end(share: float) -> None:
    # An edge put at a share of the end of the search by how much torque a degree is worth.
    at_once = Delays(1e-6, 1e-6, 1e-6, 1e-6)
    worth = critical_feedback(CAR, ROAD_SPEED) / (share * MOST_BY_SPEED)
    bare = point(torque_by_speed=0.0, friction_by_speed=0.0, torque_by_pressure=0.0, torque_by_spark=worth, spark_by_pressure=0.0, delays=at_once)
    assert surge(at=bare, slopes=True).critical_by_speed == pytest.approx(share * MOST_BY_SPEED, rel=5e-4)


@pytest.mark.parametrize("damped", [0.3, 0.02, 0.002])
def test_a_sharp_peak_is_integrated_in_full(damped: float) -> None:
    # Spark slope alone takes the damping down; the reference has a thousand points across the sharpest peak.
    bare = point(torque_by_speed=0.0, friction_by_speed=0.0, torque_by_pressure=0.0, spark_by_pressure=0.0)
    critical = surge(at=bare, slopes=True).critical_by_speed
    at = bare._replace(spark_by_speed=(1.0 - damped) * critical)
    found = surge(at=at)
    f = np.union1d(np.linspace(*BAND, 20_000), found.frequency * np.linspace(0.95, 1.05, 20_000))
    gain = np.abs(response(delayed(at=at), f))
    interval = 2.0 / 25.0 / 8
    whole = math.sqrt(np.trapezoid(gain**2 * 2.0 * interval * np.sinc(f * interval) ** 2, f)) * at.deviation
    assert found.from_burn == pytest.approx(whole, rel=0.01)


@given(jitter=st.floats(0.0, 5e3), speed_jitter=st.floats(0.0, 5.0))
@settings(max_examples=10)
def test_a_flat_table_passes_no_swing_of_the_signals_on(jitter: float, speed_jitter: float) -> None:
    flat = point(spark_by_speed=0.0, spark_by_pressure=0.0)
    found = surge(at=flat, jitter=jitter, speed_jitter=speed_jitter)
    assert found.from_jitter == 0.0
    assert found.total == found.from_burn > 0.0


@given(factor=st.floats(0.1, 10.0))
@settings(max_examples=10)
def test_what_signals_do_goes_with_their_swing_and_moves_nothing_else(factor: float) -> None:
    plain, more = surge(), surge(jitter=factor * SHAKEN["jitter"], speed_jitter=factor * SHAKEN["speed_jitter"])
    assert more.from_jitter == pytest.approx(factor * plain.from_jitter, rel=1e-12)
    assert (more.damping, more.from_burn) == (plain.damping, plain.from_burn)
    assert more.total == pytest.approx(math.hypot(more.from_jitter, more.from_burn), rel=1e-12)
    assert 0.0 < more.weighted < more.total


@pytest.mark.parametrize("parts", [PARTS, (), *((part,) for part in PARTS)], ids=lambda parts: "+".join(part.code for part in parts) or "none")
def test_what_the_car_answers_is_that_of_the_delayed_matrix_part_by_part(parts: tuple[LoopPart, ...]) -> None:
    band = np.geomspace(*BAND, 60)
    theirs = response(delayed(parts=parts), band)
    assert ClosedLoop.of(SPACE, ENGINE, POINT, parts).acceleration(band) == pytest.approx(theirs, rel=1e-9)
    assert any(abs(theirs / response(delayed(parts=other), band) - 1.0).max() > 1e-3 for other in (PARTS, ()) if other != parts)


@pytest.mark.parametrize("where", REAL)
def test_a_part_adds_the_damping_that_is_missing_without_it(real: Make, where: tuple[int, float, float]) -> None:
    space, engine, at = real(*where)
    for here, look in ((at, all_of), (forgetting(at), least_damping)):
        found = surge(space, engine, here, slopes=True)
        assert found.damping == pytest.approx(look(space, here, engine), abs=1e-9)
        for part, adds in zip(PARTS, found.takes, strict=True):
            without = look(space, here, engine, [other for other in PARTS if other != part])
            assert adds == pytest.approx(found.damping - without, abs=1e-9)


def test_spark_that_rises_with_speed_takes_damping_in_a_low_gear() -> None:
    rising, falling = (surge(at=point(spark_by_speed=slope), slopes=True) for slope in (0.1, -0.1))
    assert rising.takes[0] < 0.0 < falling.takes[0]
    assert rising.damping < falling.damping


def test_a_start_close_by_leads_to_the_same_mode() -> None:
    plain = surge()
    near = surge(start=1.05 * plain.root)
    assert near.root == pytest.approx(plain.root, rel=1e-10)
    assert near.total == pytest.approx(plain.total, rel=1e-9)


def test_slope_limits_hold_what_they_say() -> None:
    found = surge(slopes=True)
    by_speed, by_load = slope_limits(SPACE, ENGINE, POINT, found, jitter=3e3, level=0.05)
    assert by_speed == 0.5 * found.critical_by_speed
    assert by_load < 0.5 * found.critical_by_pressure  # here the level decides
    # A slope small enough not to move the mode shakes the car in proportion.
    little = 1e-3 * by_load
    shaken = surge(at=point(spark_by_speed=0.0, spark_by_pressure=little), jitter=3e3, speed_jitter=0.0)
    assert 4.0 * shaken.from_jitter == pytest.approx(1e-3 * 0.05, rel=1e-2)
    still = slope_limits(SPACE, ENGINE, POINT, found, jitter=0.0)
    assert still == (0.5 * found.critical_by_speed, 0.5 * found.critical_by_pressure)


AT_LIMITS = [(0.0, SurgeGrade.SMOOTH), *((0.999 * top, named) for top, named in GRADES[:-1]), (10.0, SurgeGrade.SEVERE_BUCKING)]


@pytest.mark.parametrize(("peak_to_peak", "named"), AT_LIMITS)
def test_grades_go_by_peak_to_peak(peak_to_peak: float, named: SurgeGrade) -> None:
    assert grade(peak_to_peak / 4.0, 0.1) is named


@pytest.mark.parametrize("damping", [0.0, -0.01])
def test_without_damping_no_grade_says_how_little_it_is(damping: float) -> None:
    assert grade(0.0, damping) is SurgeGrade.SELF_EXCITED_BUCKING


@given(a=st.floats(0.0, 2.0), b=st.floats(0.0, 2.0))
def test_more_acceleration_is_never_graded_better(a: float, b: float) -> None:
    low, high = sorted((a, b))
    assert grade(low, 0.1).severity <= grade(high, 0.1).severity

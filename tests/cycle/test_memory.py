"""What a cycle leaves to the next: chains of cycles against settled slopes, maps against the engine's own segments, missed cycles, balances, the net."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc import ResolvedEngine
from camcalc.cycle.memory import LOSSES, OUTPUTS, SIZE, Carried, CycleMemory, Given, Made, segments_of
from camcalc.cycle.memory_field import MIXED, NET, MemoryField, memory_field
from camcalc.cycle.memory_maps import cycle_memory
from camcalc.cycle.segmented import CHARGE, COUNTED, LATCHED, Segmented

Make = Callable[..., Any]
# A long cam at a light cruise, and the mild one it replaced.
WHERE = 1100.0 / 60.0, 55e3, 20.0
POINTS = [(False, WHERE), (False, (1400.0 / 60.0, 50e3, 26.0)), (True, (1200.0 / 60.0, 45e3, 24.0))]
IDS = ["long 1100", "long 1400", "mild 1200"]
INPUTS_STEPPED = [Given.SPEED, Given.PRESSURE, Given.SPARK]
# Speed [rad/s], pressure [Pa], spark [deg].
STEP_OF = {Given.SPEED: 1.0, Given.PRESSURE: 500.0, Given.SPARK: 1.0}


@pytest.fixture(scope="module")
def memory_of(resolved_of: Make) -> Make:
    """Memory of the quarry-road example at a point, each once."""
    known: dict[Any, CycleMemory] = {}

    def found(old: bool, where: tuple[float, float, float]) -> CycleMemory:
        key = old, where
        if key not in known:
            memory = cycle_memory(resolved_of("quarry-road", old=old), *where)
            assert memory is not None
            known[key] = memory
        return known[key]

    return found


def given_at(memory: CycleMemory) -> np.ndarray:
    return np.array([2.0 * math.pi * memory.speed, memory.pressure, memory.spark, *memory.plenum])


def cycles(memory: CycleMemory, given: np.ndarray, count: int) -> np.ndarray:
    """What each of a chain of cycles makes after a lasting step, beyond the settled one."""
    state, made = np.zeros(SIZE), np.zeros((count, OUTPUTS))
    for row in made:
        for a, b, c, d in zip(memory.a, memory.b, memory.c, memory.d, strict=True):
            row += c @ state + d @ given
            state = a @ state + b @ given
    return made


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 6, 8, 10, 12, 16])
def test_a_segment_ends_with_every_firing_interval(count: int) -> None:
    found = segments_of(count)
    assert found % count == 0
    assert 8 <= found < 8 + count


@pytest.mark.parametrize(("old", "where"), POINTS, ids=IDS)
def test_the_answer_to_what_no_longer_changes_is_the_static_one(memory_of: Make, old: bool, where: Any) -> None:
    memory = memory_of(old, where)
    assert np.abs(np.linalg.eigvals(memory.cycle)).max() < 1.0
    # Step by step: what each cycle makes in the end, as torque and flows of all cylinders; faster cycles draw what the settled one draws more often.
    ends = np.stack([cycles(memory, step, 60)[-1] for step in np.eye(len(Given))], axis=-1)
    rate = 0.5 * memory.speed * memory.cylinders
    ends *= np.array([memory.cylinders / (4.0 * math.pi), rate, rate, rate, 1.0])[:, None]
    ends[LOSSES, Given.SPEED] += memory.mean[LOSSES] / (2.0 * math.pi * memory.speed)
    sizes = np.abs(ends).max(axis=1, keepdims=True)
    assert memory.static / sizes == pytest.approx(ends / sizes, rel=1e-6, abs=1e-9)
    for slow in memory.answer(np.array([1e-7j, 1e-7 + 0.0j])):
        assert slow / sizes == pytest.approx(ends / sizes, rel=1e-6, abs=1e-6)
    fast = memory.answer(np.array([2j * np.pi * 3.0]))[0]
    assert abs(fast[Made.WORK, Given.PRESSURE] - memory.static[Made.WORK, Given.PRESSURE]) > 0.05 * memory.static[Made.WORK, Given.PRESSURE]


@pytest.mark.parametrize(("old", "where"), POINTS, ids=IDS)
@pytest.mark.parametrize("name", INPUTS_STEPPED, ids=lambda name: name.name.lower())
def test_a_chain_of_cycles_ends_at_the_slopes_of_settled_cycles(memory_of: Make, resolved_of: Make, old: bool, where: Any, name: Given) -> None:
    # The engine's own settled cycles either side, asked anew.
    memory, engine = memory_of(old, where), resolved_of("quarry-road", old=old)
    apart = {Given.SPEED: 40.0 / 60.0, Given.PRESSURE: 1e3, Given.SPARK: 2.0}[name]
    low, high = [*where], [*where]
    low[name], high[name] = where[name] - apart, where[name] + apart
    over = 2.0 * apart * (2.0 * math.pi if name is Given.SPEED else 1.0)
    settled = (engine.state(*high).net - engine.state(*low).net) * engine.geometry.swept / over
    step = np.eye(5)[name]
    step[[Given.TEMPERATURE, Given.FRACTION]] = memory.follows[:, name]  # the plenum's gas has followed
    made = cycles(memory, step, 60)[:, Made.WORK]
    print(f"{name.name}: chain {made[-1]:.5g}, settled {settled:.5g} J; first shares {np.diff(made, prepend=0.0)[:5] / made[-1]}")
    assert made[-1] == pytest.approx(settled, rel=0.01)
    assert memory.cycle_slopes[Made.WORK, name] == pytest.approx(made[-1], rel=1e-6)
    scale = memory.cylinders / (4.0 * math.pi)
    assert memory.settled_slopes[Made.WORK, name] == pytest.approx(scale * made[-1], rel=1e-6)


@pytest.mark.parametrize(("old", "where"), POINTS, ids=IDS)
def test_what_a_cycle_carries_in_and_makes_is_the_settled_cycles_own(memory_of: Make, resolved_of: Make, old: bool, where: Any) -> None:
    memory, engine = memory_of(old, where), resolved_of("quarry-road", old=old)
    state = engine.state(*where)
    assert memory.made[:, Made.WORK].sum() == pytest.approx(state.net * engine.geometry.swept, rel=2e-3)
    # What comes of the settled cycle comes again: both ends alike.
    off = memory.settled[-1] - memory.settled[0]
    own = np.ones(SIZE, dtype=bool)
    own[COUNTED] = False
    assert np.abs(off[own] / np.maximum(np.abs(memory.settled[0][own]), 1e-6)).max() < 1e-6


@pytest.mark.parametrize(("old", "where"), POINTS, ids=IDS)
def test_mass_is_drawn_as_it_is_trapped_and_no_burned_gas_is_left_in_the_plenum(memory_of: Make, resolved_of: Make, old: bool, where: Any) -> None:
    memory, engine = memory_of(old, where), resolved_of("quarry-road", old=old)
    mean = memory.mean
    air = engine.state(*where).air
    flow = 0.5 * memory.speed * memory.cylinders
    # What leaves the plenum in the end is fresh: as much burned gas comes back as goes.
    assert mean[Made.MASS] > 0.0
    assert abs(mean[Made.BURNED]) < 1e-4 * mean[Made.MASS]
    # Charge is air with its fuel: at a mixture of one some 14.6 to 1.
    assert 1.04 < mean[Made.MASS] / flow / air < 1.10
    # What no flame reached comes back with the residual and counts as fresh once more: some hundredths with a long cam, never less than is drawn.
    assert 1.0 <= mean[Made.FRESH] * flow / mean[Made.MASS] < 1.1


@pytest.mark.parametrize(("old", "where"), POINTS[:2], ids=IDS[:2])
def test_chained_segments_follow_the_engines_own(memory_of: Make, resolved_of: Make, old: bool, where: Any) -> None:
    memory, engine = memory_of(old, where), resolved_of("quarry-road", old=old)
    own = Segmented(engine, *where)
    given = given_at(memory)
    push = {Carried.CYLINDER_MASS: 0.004 * memory.settled[0][Carried.CYLINDER_MASS], Carried.CYLINDER_FRACTION: 0.008, Carried.RUNNER_FRACTION: 0.008}
    moved, off = memory.settled[0].copy(), np.zeros(SIZE)
    for name, size in push.items():
        moved[name] += size
        off[name] = size
    at, base = memory.settled[0], 0.0
    work = real_work = 0.0
    for _ in range(2):
        for k in range(memory.segments):
            work += float(memory.c[k][Made.WORK] @ off)
            off = memory.a[k] @ off
            moved, made = own.step(k, moved, given)
            at, settled = own.step(k, at, given)
            real_work += float(made[Made.WORK] - settled[Made.WORK])
            base += float(settled[Made.WORK])
    real = moved - at
    print(f"work {work:.4f} J of maps, {real_work:.4f} J of the engine, {base:.1f} J in all")
    assert abs(real_work) > 1e-3 * abs(base)
    assert work == pytest.approx(real_work, rel=0.05)
    for name in (Carried.CYLINDER_FRACTION, Carried.RUNNER_FRACTION):
        assert off[name] == pytest.approx(real[name], abs=0.05 * push[name])


@pytest.mark.parametrize(("old", "where"), POINTS[:1], ids=IDS[:1])
def test_each_column_is_the_segments_own_difference(memory_of: Make, resolved_of: Make, old: bool, where: Any) -> None:
    memory, own = memory_of(old, where), Segmented(resolved_of("quarry-road", old=old), *where)
    given, k = given_at(memory), memory.segments // 2
    at = memory.settled[k]
    new, made = own.step(k, at, given)
    for name, size in ((Carried.RUNNER_FRACTION, 0.01), (Carried.CYLINDER_TEMPERATURE, 5.0), (Carried.RUNNER_TEMPERATURE, 2.0)):
        there = at.copy()
        there[name] += size
        other, more = own.step(k, there, given)
        assert memory.a[k][:, name] == pytest.approx((other - new) / size, rel=1e-6, abs=1e-12)
        assert memory.c[k][:, name] == pytest.approx((more - made) / size, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(("old", "where"), POINTS, ids=IDS)
def test_a_missed_cycle_on_the_map_is_the_engines_own(memory_of: Make, resolved_of: Make, old: bool, where: Any) -> None:
    memory, own = memory_of(old, where), Segmented(resolved_of("quarry-road", old=old), *where)
    states, made = own.cycle(memory.settled[0], given_at(memory), misses=True)
    off = np.zeros(SIZE)
    for k in range(memory.segments):
        ours = memory.made[k] + memory.c[k] @ off + memory.missed_made[k]
        assert ours == pytest.approx(made[k], rel=1e-9, abs=1e-12 * np.abs(memory.made).max())
        off = memory.a[k] @ off + memory.missed_carried[k]
        assert memory.settled[k + 1] + off == pytest.approx(states[k + 1], rel=1e-9, abs=1e-12)
    # It burned nothing: work is lost, and what comes back is fresher.
    assert made[:, Made.WORK].sum() < 0.0 < memory.made[:, Made.WORK].sum()
    assert off[Carried.CYLINDER_FRACTION] < 0.0


def test_shares_of_the_long_cam_come_over_some_cycles_and_of_the_mild_one_sooner(memory_of: Make) -> None:
    long, mild = (memory_of(*POINTS[k]).shares(15) for k in (0, 2))
    print("long", np.round(long, 3), "mild", np.round(mild, 3))
    assert long.sum() == pytest.approx(1.0, abs=0.01)
    assert mild.sum() == pytest.approx(1.0, abs=0.01)
    assert mild[:2].sum() > long[:2].sum()
    # Pinned: only to notice drift.
    assert long[:5] == pytest.approx([-1.305, 2.113, 0.218, -0.009, 0.009], abs=0.03)
    assert mild[:5] == pytest.approx([0.265, 0.578, 0.144, 0.011, 0.001], abs=0.03)


def test_what_is_latched_is_taken_where_intake_closes(memory_of: Make, resolved_of: Make) -> None:
    memory = memory_of(*POINTS[0])
    own = Segmented(resolved_of("quarry-road"), *WHERE)
    given = given_at(memory)
    given[Given.SPARK] += 3.0
    first, later = own.latched(0, memory.settled[0], given), own.latched(3, memory.settled[3], given)
    assert first[Carried.SPARK] == memory.spark + 3.0
    assert np.array_equal(first[CHARGE], first[: Carried.CYLINDER_FRACTION + 1])
    assert np.array_equal(later, memory.settled[3])
    # Nothing of the charge before has a part in what comes after.
    assert not memory.a[0][:, LATCHED].any()
    # A spark given later than intake closing moves nothing in this cycle.
    assert np.abs(memory.b[1:, :, Given.SPARK]).max() < 1e-9
    assert np.abs(memory.d[1:, :, Given.SPARK]).max() < 1e-9


@pytest.mark.parametrize("where", [(1100.0 / 60.0, 20e3, 20.0), (700.0 / 60.0, 20e3, 10.0)], ids=["light", "slow"])
def test_where_the_engine_does_not_run_there_is_no_memory(resolved_of: Make, where: tuple[float, float, float]) -> None:
    engine: ResolvedEngine = resolved_of("quarry-road")
    assert cycle_memory(engine, *where) is None
    assert MemoryField(engine).at(*where) is None


def test_what_is_not_integrated_has_none(engine_of: Make, resolved_of: Make) -> None:
    assert memory_field(engine_of("quarry-road")) is None
    assert memory_field(resolved_of("quarry-road")) is not None


# The net.


def node(k: int, j: int, i: int) -> tuple[float, float, float]:
    return float(k * NET[0]), float(j * NET[1]), float(i * NET[2])


def same(a: CycleMemory, b: CycleMemory) -> bool:
    return all(np.array_equal(getattr(a, name), getattr(b, name)) for name in MIXED)


@pytest.fixture(scope="module")
def field(resolved_of: Make) -> MemoryField:
    return MemoryField(resolved_of("quarry-road"))


def test_at_a_node_the_net_is_exact(field: MemoryField, resolved_of: Make) -> None:
    where = node(6, 5, 2)
    found, own = field.at(*where), cycle_memory(resolved_of("quarry-road"), *where)
    assert found is not None
    assert own is not None
    assert same(found, own)


def test_between_nodes_weights_sum_to_one(field: MemoryField) -> None:
    low, high = field.at(*node(6, 5, 2)), field.at(*node(6, 6, 2))
    assert low is not None
    assert high is not None
    for share in (0.25, 0.5, 0.9):
        between = field.at(low.speed, (5.0 + share) * NET[1], low.spark)
        assert between is not None
        for name in MIXED:
            mixed = (1.0 - share) * getattr(low, name) + share * getattr(high, name)
            assert getattr(between, name) == pytest.approx(mixed, rel=1e-9, abs=1e-9 * np.abs(mixed).max())
        assert (between.speed, between.pressure, between.spark) == (low.speed, (5.0 + share) * NET[1], low.spark)


def test_no_answer_depends_on_what_was_asked_before(field: MemoryField, resolved_of: Make) -> None:
    points = [(6.3 * NET[0], 5.4 * NET[1], 2.0 * NET[2]), (6.0 * NET[0], 5.7 * NET[1], 2.0 * NET[2]), (6.6 * NET[0], 5.0 * NET[1], 2.0 * NET[2])]
    forward = [field.at(*point) for point in points]
    other = MemoryField(resolved_of("quarry-road"))
    other.prepare(reversed(points))
    backward = [other.at(*point) for point in reversed(points)][::-1]
    for a, b in zip(forward, backward, strict=True):
        assert a is not None
        assert b is not None
        assert same(a, b)


def test_without_a_net_each_point_is_its_own(resolved_of: Make, memory_of: Make) -> None:
    found = MemoryField(resolved_of("quarry-road"), net=False).at(*WHERE)
    assert found is not None
    assert same(found, memory_of(False, WHERE))


def test_at_the_barometer_nothing_is_asked(resolved_of: Make) -> None:
    assert MemoryField(resolved_of("quarry-road"), net=False).at(WHERE[0], resolved_of("quarry-road").ambient, 20.0) is None

"""What limits spark in a cell: each limit alone by construction, their order, the floor, the range, and how they answer to cam, fuel and sheet."""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from camcalc import InputError, read_build
from camcalc.advice.load_swing import LoadSwing
from camcalc.advice.spark_limits import (
    ASKED_BY,
    BINDS_BELOW,
    NORMAL_RUNNING,
    SETTLED_BY,
    Binds,
    CeilingCell,
    CeilingColumn,
    CellState,
    asked_of,
    ceiling_column,
    ceiling_under,
)
from camcalc.cycle.best_torque import LATEST
from camcalc.cycle.models import MODELS
from camcalc.cycle.operating import barometer
from camcalc.cycle.work_variation import MOST_MISSED, misfire_spark, work_spread
from tests.oracles.staged_engine import StagedEngine, staged

Make = Callable[..., Any]
SPEED = 1400.0 / 60.0


@pytest.fixture
def cell_of(build_of: Make, monkeypatch: pytest.MonkeyPatch) -> Callable[..., CeilingCell]:
    """Give a cell of an engine whose limits are set by hand; ``swing`` is the sheet's measured one."""
    staged(monkeypatch)

    def cell(pressure: float = 60e3, *, swing: float = 0.0, speed: float = SPEED, **figures: Any) -> CeilingCell:
        build = build_of("quarry-road")
        build = build.replace(limits=build.limits.replace(load_swing=swing), site=build.site.replace(altitude="0 m"))
        return ceiling_column(StagedEngine(build, **figures), speed, [pressure]).cells[0]  # type: ignore[arg-type]

    return cell


# Each limit alone.


def test_a_cell_that_nothing_limits_has_no_ceiling(cell_of: Make) -> None:
    cell = cell_of()
    assert (cell.limit, cell.limit_low, cell.binds) == (40.0, 40.0, None)
    assert math.isnan(cell.ceiling)
    assert math.isnan(cell.ceiling_low)
    assert asked_of(cell)[1] is None


def test_above_its_edge_cycles_miss_and_the_ceiling_stands_there(cell_of: Make) -> None:
    cell = cell_of(edge=25.0)
    assert (cell.ceiling, cell.limit, cell.binds) == (25.0, 25.0, Binds.MISSED_CYCLES)
    assert cell.missed > MOST_MISSED


def test_the_edge_counts_at_the_light_end_of_a_measured_swing(cell_of: Make) -> None:
    # 5 % r.m.s., two deviations: 10 % of 60 kPa below, a degree per kPa.
    cell = cell_of(edge=25.0, swing=0.05)
    assert cell.ceiling == pytest.approx(25.0 - 6.0)
    assert cell.lighter == pytest.approx(0.10)


def test_a_cylinder_s_own_scatter_does_not_count_twice_at_the_light_end(cell_of: Make) -> None:
    # It is in the cycles that are drawn already; only the manifold's swing moves the load they are drawn at.
    assert cell_of(edge=25.0, noise=0.04).misfire == 25.0


def test_an_edge_above_best_torque_and_knock_says_nothing(cell_of: Make) -> None:
    for figures in ({"edge": 41.0}, {"edge": 35.0, "knock": 34.0}):
        cell = cell_of(**figures)
        assert math.isnan(cell.misfire)
        assert math.isnan(cell.ceiling)


def test_where_the_light_end_does_not_run_every_spark_misses(cell_of: Make) -> None:
    cell = cell_of(edge=25.0, swing=0.05, stalls_below=57e3)
    assert cell.misfire == LATEST
    assert cell.binds is Binds.LATEST_USEFUL


def test_best_torque_with_missed_cycles_counted(cell_of: Make) -> None:
    cell = cell_of(edge=30.0, counted=22.0)
    assert (cell.ceiling, cell.binds) == (22.0, Binds.MISSES_COUNTED)
    assert math.isnan(cell_of(counted=22.0).counted)  # none miss


def test_the_fullest_charge_s_best_torque(cell_of: Make) -> None:
    # Two deviations of 4 % of 60 kPa are 4.8 kPa, each of which takes a degree.
    cell = cell_of(slope=1.0, noise=0.04)
    assert (cell.ceiling, cell.binds) == (pytest.approx(35.2, abs=0.02), Binds.FULLEST_CHARGE)


def test_the_fullest_charge_s_knock(cell_of: Make) -> None:
    cell = cell_of(knock=38.0, noise=0.04)
    assert (cell.ceiling, cell.binds) == (pytest.approx(33.2, abs=0.02), Binds.KNOCK_OF_FULLEST)


def test_a_swing_too_narrow_to_bind_is_not_followed(cell_of: Make) -> None:
    cell = cell_of(slope=1.0, knock=39.0, noise=0.009)
    assert math.isnan(cell.fuller_best)
    assert math.isnan(cell.fuller_knock)


@given(pressure=st.floats(0.0, 0.2), charge=st.floats(0.0, 0.2))
def test_the_fullest_charge_is_pressure_and_cleanness_together(pressure: float, charge: float) -> None:
    swing = LoadSwing(pressure, charge)
    assert swing.fuller_by_pressure + swing.fuller_by_charge == pytest.approx(swing.fuller, abs=1e-12)
    assert min(swing.fuller_by_pressure, swing.fuller_by_charge) >= -1e-12


def test_the_swing_is_that_under_the_ceiling_not_that_of_missed_cycles(cell_of: Make) -> None:
    # Ten times as wide where cycles miss.
    assert cell_of(edge=25.0, noise=0.04).fuller == pytest.approx(0.08)


# Their order, the floor, the range.


@given(asks=st.lists(st.one_of(st.just(math.nan), st.floats(0.0, 60.0)), min_size=4, max_size=4))
def test_the_least_that_is_asked_for_binds(asks: list[float]) -> None:
    fields = dict.fromkeys(CeilingCell._fields, math.nan) | dict(zip(ASKED_BY.values(), asks, strict=True))
    least, binds = asked_of(CeilingCell(**fields))  # type: ignore[arg-type]
    said = [a for a in asks if not math.isnan(a)]
    if not said:
        assert binds is None
        return
    assert least == min(said)
    assert binds is not None
    assert fields[ASKED_BY[binds]] == least


@given(ask=st.floats(-10.0, 60.0), own=st.floats(0.0, 60.0), floor=st.floats(-10.0, 60.0))
def test_a_ceiling_is_what_is_asked_for_or_the_floor_and_never_passes_the_cell_s_own_limit(ask: float, own: float, floor: float) -> None:
    ceiling, cured = ceiling_under(ask, own, floor)
    if ask > own - BINDS_BELOW:
        assert math.isnan(ceiling)
        return
    assert ceiling <= own
    assert cured == (ask >= floor)
    assert ceiling == (ask if cured else min(floor, own))


def test_a_floor_above_what_is_asked_for_is_no_cure(cell_of: Make) -> None:
    cell = cell_of(edge=25.0, floor=30.0)
    assert cell.binds is Binds.LATEST_USEFUL
    assert (cell.ceiling, cell.limit) == (pytest.approx(30.0, abs=0.5), 25.0)


def test_a_floor_above_knock_gives_way_to_it(cell_of: Make) -> None:
    cell = cell_of(edge=25.0, floor=35.0, knock=33.0)
    assert cell.binds is Binds.LATEST_USEFUL
    assert cell.ceiling == cell.knock == 33.0


def test_cautious_figures_lower_the_low_end_and_never_below_the_floor(cell_of: Make) -> None:
    for floor, low in ((5.0, 15.0), (20.0, 20.0)):
        cell = cell_of(edge=25.0, edge_low=15.0, floor=floor)
        assert (cell.ceiling, cell.ceiling_low) == (25.0, pytest.approx(low, abs=0.5))
        assert cell.limit_low == 15.0


def test_only_cautious_figures_may_ask_for_a_ceiling(cell_of: Make) -> None:
    cell = cell_of(edge_low=28.0)
    assert math.isnan(cell.ceiling)
    assert cell.binds is None
    assert cell.ceiling_low == 28.0


def test_more_caution_never_gives_more_spark(cell_of: Make) -> None:
    cell = cell_of(edge=25.0, edge_low=31.0)
    assert cell.ceiling_low == cell.ceiling == 25.0


def test_without_low_ends_no_cautious_cycle_is_asked_for(build_of: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    staged(monkeypatch)
    engine = StagedEngine(build_of("quarry-road"), edge=25.0, edge_low=15.0)
    (cell,) = ceiling_column(engine, SPEED, [60e3], cautious=False).cells  # type: ignore[arg-type]
    assert cell.ceiling_low == cell.ceiling == 25.0
    assert not any(cautious for *_, cautious in engine.asked)


def test_a_cell_that_nothing_limits_costs_no_cycle_but_its_own(build_of: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    staged(monkeypatch)
    engine = StagedEngine(build_of("quarry-road"), noise=0.004)
    ceiling_column(engine, SPEED, [60e3])  # type: ignore[arg-type]
    assert {(pressure, spark) for pressure, spark, _ in engine.asked} == {(60e3, 40.0)}


def test_within_300_rpm_of_idle_there_are_limits_and_no_ceiling(cell_of: Make, build_of: Make) -> None:
    idle = build_of("quarry-road").idle.si.speed
    near, beyond = (cell_of(edge=25.0, speed=idle + rpm / 60.0) for rpm in (300.0, 301.0))
    assert near.state is CellState.AT_IDLE
    assert (near.binds, near.limit) == (None, 25.0)
    assert math.isnan(near.ceiling)
    assert math.isnan(near.ceiling_low)
    assert beyond.ceiling == 25.0


def test_a_cell_in_which_nothing_runs_says_so(cell_of: Make) -> None:
    cell = cell_of(stalls_below=61e3)
    assert cell.state is CellState.NO_TORQUE
    assert math.isnan(cell.limit)


def test_each_limit_says_what_would_settle_it() -> None:
    assert set(SETTLED_BY) == set(Binds)
    assert set(ASKED_BY) == set(Binds) - {Binds.LATEST_USEFUL}


# The resolved engine: signs.

# Moving the exhaust lobe later by so many crank degrees adds as much overlap.
TURNS = (-6.0, 0.0, 6.0)
RPM, LOADS = 1400.0, (45e3, 50e3, 60e3, 70e3)


@pytest.fixture(scope="module")
def columns_of(build_of: Make) -> Callable[[str, float], CeilingColumn]:
    """Give an example's column at 1400 rpm with its exhaust lobe turned."""

    @functools.cache
    def column(name: str, turn: float) -> CeilingColumn:
        build = build_of(name)
        model = MODELS["resolved"](build.replace(cam=build.cam.with_exhaust_turned(f"{turn} crank_deg")))
        return ceiling_column(model, RPM / 60.0, list(LOADS))

    return column


def pairs(columns_of: Make, name: str) -> list[tuple[CeilingCell, CeilingCell]]:
    """Each cell with less and with more overlap."""
    return [pair for less, more in itertools.pairwise(TURNS) for pair in zip(columns_of(name, less).cells, columns_of(name, more).cells, strict=True)]


@pytest.mark.parametrize("name", ["quarry-road", "dockside"])
def test_more_overlap_misses_earlier_and_widens_the_swing(columns_of: Make, name: str) -> None:
    compared = 0
    for less, more in pairs(columns_of, name):
        assert more.burned_fraction > less.burned_fraction
        assert more.variation >= less.variation - 1e-3
        for limit in ("misfire", "misfire_low"):
            edges = [getattr(c, limit) for c in (less, more)]
            if not math.isnan(edges[0]):  # where fewer miss with more overlap, none may be missed with less
                compared += 1
                assert edges[1] <= edges[0] + 0.5, (limit, less, more)
    assert compared >= 3


def test_ranges_are_ordered_and_no_ceiling_passes_its_own_limit(columns_of: Make) -> None:
    ranges = 0
    for name in ("quarry-road", "dockside"):
        for turn in TURNS if name == "quarry-road" else (0.0,):
            for cell in columns_of(name, turn).cells:
                assert cell.limit_low <= cell.limit <= cell.own
                asked, binds = asked_of(cell)
                assert cell.limit == np.fmin(cell.own, asked)
                if math.isfinite(cell.ceiling):
                    assert cell.ceiling_low <= cell.ceiling <= cell.own
                    assert cell.binds is (binds if asked >= cell.floor else Binds.LATEST_USEFUL)
                    assert cell.ceiling_low >= min(cell.floor, cell.own)
                    ranges += cell.ceiling_low < cell.ceiling - 0.5
                else:
                    assert cell.binds is None
    assert ranges > 0


def test_at_the_edge_a_hundredth_of_cycles_miss(build_of: Make, columns_of: Make) -> None:
    model = MODELS["resolved"](build_of("quarry-road"))
    found = [c for c in columns_of("quarry-road", 0.0).cells if LATEST < c.misfire < c.own]
    assert found
    for cell in found:
        light = cell.pressure * (1.0 - cell.lighter) if cell.lighter >= 0.02 else cell.pressure
        assert cell.misfire == misfire_spark(model, cell.speed, light)
        early, late = (work_spread(model, cell.speed, light, cell.misfire + away).missed for away in (1.0, -1.0))
        assert late < MOST_MISSED < early


def test_the_fullest_charge_is_asked_for_at_the_top_of_the_swing(build_of: Make, columns_of: Make) -> None:
    model = MODELS["resolved"](build_of("quarry-road"))
    cells = [c for c in columns_of("quarry-road", 0.0).cells if math.isfinite(c.fuller_best)]
    assert cells
    for cell in cells:
        full = min(cell.pressure * (1.0 + cell.swing.fuller_by_pressure), barometer(model))
        fresh = (1.0 - model.state(cell.speed, full, 30.0).burned_fraction) * (1.0 + cell.swing.fuller_by_charge)
        assert cell.fuller_best == model.best_spark(cell.speed, full, burned_fraction=1.0 - fresh)
        assert cell.fuller_best < model.best_spark(cell.speed, full)
        knock = model.knock_spark(cell.speed, full, burned_fraction=1.0 - fresh)
        assert cell.fuller_knock == knock if math.isfinite(knock) else math.isnan(cell.fuller_knock)


@pytest.fixture(scope="module")
def asked(build_of: Make) -> Callable[..., list[CeilingCell]]:
    """Give an example's cells at 1400 rpm under another measured swing or octane."""
    build = build_of("quarry-road")
    model = MODELS["resolved"](build)

    @functools.cache
    def cells(section: str, **changes: float) -> list[CeilingCell]:
        changed = build.replace(**{section: getattr(build, section).replace(**changes)})
        return ceiling_column(model.asking(changed), RPM / 60.0, [60e3, 70e3, 80e3]).cells

    return cells


def never_lower(rows: list[list[CeilingCell]]) -> None:
    """Fail if a limit falls from row to row."""
    for before, after in itertools.pairwise(rows):
        for low, high in zip(before, after, strict=True):
            assert high.limit >= low.limit - 0.5, (low, high)


def test_a_richer_octane_lowers_no_limit_and_lifts_one_where_knock_binds(asked: Make) -> None:
    rows = [asked("fuel", octane=o) for o in (87.0, 95.0, 104.0)]
    never_lower(rows)
    assert rows[-1][-1].limit > rows[0][-1].limit + 5.0


def test_a_wider_swing_raises_no_limit(asked: Make) -> None:
    rows = [asked("limits", load_swing=s) for s in (0.08, 0.04, 0.0)]
    never_lower(rows)
    assert rows[0][0].limit < rows[-1][0].limit - 1.0


def test_up_to_where_cycles_vary_is_read_between_cells(columns_of: Make, cell_of: Make, build_of: Make) -> None:
    column = columns_of("quarry-road", 0.0)
    restless = [c.pressure for c in column.cells if not c.variation <= NORMAL_RUNNING]
    steady = [c.pressure for c in column.cells if c.variation <= NORMAL_RUNNING]
    assert restless
    assert max(restless) <= column.restless_to
    assert not steady or column.restless_to <= min(steady)


@pytest.fixture(scope="module")
def mild(build_of: Make) -> Any:
    return MODELS["resolved"](build_of("quarry-road", old=True))


def test_the_cam_it_replaced_misses_no_cycle_and_needs_no_ceiling(mild: Any) -> None:
    for rpm in (1200.0, 1800.0):
        for cell in ceiling_column(mild, rpm / 60.0, [40e3, 60e3, 80e3]).cells:
            assert cell.missed <= MOST_MISSED
            assert math.isnan(cell.ceiling)
            assert cell.limit <= cell.own


def test_the_floor_is_the_latest_burn_or_the_hottest_exhaust_that_the_sheet_allows(columns_of: Make, build_of: Make, mild: Any) -> None:
    long = MODELS["resolved"](build_of("quarry-road"))
    cells = [(long, c) for c in columns_of("quarry-road", 0.0).cells]
    cells += [(mild, c) for rpm, load in ((1000.0, 50e3), (1600.0, 60e3), (2400.0, 80e3)) for c in ceiling_column(mild, rpm / 60.0, [load]).cells]
    met = {"burn": 0, "exhaust": 0}
    for model, cell in cells:
        limits = model.build.limits.si
        now = model.state(cell.speed, cell.pressure, cell.floor)
        late, hot = abs(now.half_burned - limits.latest_half_burned) <= 1.5, abs(now.exhaust_temperature - limits.hottest_exhaust) <= 15.0
        assert cell.floor <= cell.best
        assert late or hot or cell.floor == cell.best, (cell, now.half_burned, now.exhaust_temperature)
        met["burn"] += late
        met["exhaust"] += hot
    assert met["burn"] > 0
    assert met["exhaust"] > 0


# The sheet's words.


@pytest.mark.parametrize(
    ("section", "key", "came", "words"),
    [
        ("fuel", "octane", "40 RON", "80 to 120"),
        ("vehicle", "smooth_gears", [3, 9], "gears counted from 1 to 6"),
        ("vehicle", "smooth_gears", 3, "a list of whole numbers"),
        ("vehicle", "smooth_gears", "3, 4", "a list of whole numbers"),
        ("vehicle", "smooth_gears", [1.43, 1.0], "a list of whole numbers"),
        ("vehicle", "smooth_gears", [], "a list of whole numbers"),
        ("vehicle", "smooth_gears", [0, 3], "a list of whole numbers"),
        ("limits", "stability", 10, "0.02 to 0.3"),
        ("limits", "spark_margin", 2, "2 crank_deg"),
        ("limits", "stabilty", 0.1, "stability"),
        ("limits", "load_swing", "wide", "a plain number: 0, or 0.001 to 0.25"),
    ],
)
def test_a_limit_or_gear_that_cannot_be_is_refused_in_the_sheet_s_words(sheet: dict[str, Any], section: str, key: str, came: Any, words: str) -> None:
    sheet.setdefault(section, {})[key] = came
    with pytest.raises(InputError) as told:
        read_build(sheet)
    assert f"[{section}] {key}" in str(told.value)
    assert words in str(told.value)


def test_gears_to_be_kept_smooth_are_put_in_order_and_named_once(sheet: dict[str, Any]) -> None:
    sheet["vehicle"]["smooth_gears"] = [6, 3, 3]
    assert read_build(sheet).vehicle.smooth_gears == (3, 6)


@pytest.mark.parametrize(
    ("transmission", "gears", "kept"), [("clutch", 6, (3, 4, 5, 6)), ("clutch", 3, (3,)), ("clutch", 2, (2,)), ("converter", 4, (3, 4)), ("converter", 1, (1,))]
)
def test_left_out_they_are_third_to_top_or_a_converter_s_two_tallest(sheet: dict[str, Any], transmission: str, gears: int, kept: tuple[int, ...]) -> None:
    sheet["vehicle"] |= {"transmission": transmission, "gear_ratios": [3.0 - 0.4 * k for k in range(gears)]}
    if transmission == "converter":
        sheet["vehicle"] |= {"converter_stall_speed": "2200 rpm", "converter_stall_torque": "200 N m"}
    assert read_build(sheet).vehicle.smooth_gears == kept

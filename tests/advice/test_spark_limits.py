"""What limits spark in a cell, and how the limits answer to the cam, the fuel and the sheet."""

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
from camcalc.advice import spark_limits
from camcalc.advice.equal_torque import LevelOfSpark, SteadyLimit
from camcalc.advice.spark_limits import BINDS_BELOW, CLEANEST, NORMAL_RUNNING, Binds, CeilingCell, CeilingColumn, RoadLoad, Swing, ceiling_column, half_swing
from camcalc.cycle.models import MODELS
from camcalc.cycle.operating import barometer

Make = Callable[..., Any]
# Moving the exhaust lobe later by so many crank degrees adds as much overlap.
TURNS = (-6.0, 0.0, 6.0)
# Where the example's long cam is restless on the road [rpm, Pa]; the third only with its short gears to be kept smooth.
ZONE = {
    "quarry-road": {1400.0: (50e3, 60e3, 70e3), 1800.0: (50e3, 60e3)},
    "dockside": {1400.0: (50e3, 60e3, 70e3), 1600.0: (50e3, 60e3)},
    "long-meadow": {1200.0: (40e3, 50e3)},
}


def in_its_zone(build: Any) -> Any:
    """The build with all gears to be kept smooth where its own two tall ones keep the level road above the restless region."""
    if build.vehicle.transmission == "clutch":
        return build
    return build.replace(vehicle=build.vehicle.replace(smooth_gears=list(range(1, len(build.vehicle.gear_ratios) + 1))))


@pytest.fixture(scope="module")
def columns_of(build_of: Make) -> Callable[[str, float], dict[float, CeilingColumn]]:
    """Give the columns of an example's zone with its exhaust lobe turned."""

    @functools.cache
    def columns(name: str, turn: float) -> dict[float, CeilingColumn]:
        build = in_its_zone(build_of(name))
        model = MODELS["resolved"](build.replace(cam=build.cam.with_exhaust_turned(f"{turn} crank_deg")))
        return {rpm: ceiling_column(model, rpm / 60.0, list(pressures)) for rpm, pressures in ZONE[name].items()}

    return columns


def pairs(columns_of: Make, name: str) -> list[tuple[CeilingCell, CeilingCell]]:
    """Each cell with less and with more overlap."""
    found = []
    for less, more in itertools.pairwise(TURNS):
        for rpm in ZONE[name]:
            found += list(zip(columns_of(name, less)[rpm].cells, columns_of(name, more)[rpm].cells, strict=True))
    return found


# Overlap.


def test_more_overlap_never_raises_what_the_swing_asks_for(columns_of: Make, example: str) -> None:
    both = [(a, b) for a, b in pairs(columns_of, example) if math.isfinite(a.cleanest) and math.isfinite(b.cleanest)]
    assert len(both) >= 2
    for less, more in both:
        assert more.cleanest < less.cleanest


def test_where_steadiness_or_the_cleanest_state_binds_more_overlap_never_raises_the_ceiling(columns_of: Make) -> None:
    own = (Binds.STEADINESS, *CLEANEST)
    bound = [(a, b) for name in ("quarry-road", "dockside") for a, b in pairs(columns_of, name) if a.binds in own and b.binds in own]
    assert len(bound) >= 3
    for less, more in bound:
        assert more.ceiling <= less.ceiling


def test_more_overlap_leaves_more_burned_gas_asks_for_more_spark_and_widens_the_restless_region(columns_of: Make, example: str) -> None:
    for less, more in pairs(columns_of, example):
        assert more.burned_fraction > less.burned_fraction
        assert more.variation > less.variation
        if more.best < 59.0:  # not at the end of what is searched
            assert more.best > less.best
    for rpm in ZONE[example]:
        edges = [columns_of(example, turn)[rpm].restless_to for turn in TURNS]
        edges = [e for e in edges if math.isfinite(e)]
        assert len(edges) >= 2
        assert all(a < b for a, b in itertools.pairwise(edges))


def test_without_overlap_only_best_torque_and_knock_limit(build_of: Make) -> None:
    build = in_its_zone(build_of("quarry-road", old=True))
    card = build.cam.with_exhaust_turned("-30 crank_deg")
    card = card.replace(intake=card.intake.turned(30.0))
    assert card.overlap.si.angle < 0.0
    model = MODELS["resolved"](build.replace(cam=card))
    for rpm in (1200.0, 1600.0):
        for cell in ceiling_column(model, rpm / 60.0, [40e3, 60e3, 85e3]).cells:
            assert cell.limit == min(cell.best, cell.knock)
            assert math.isnan(cell.ceiling)
            assert model.state(rpm / 60.0, cell.pressure, cell.best).blow_back == 0.0
    assert math.isfinite(model.knock_spark(1200.0 / 60.0, 85e3))


# The sheet's limits, under one engine and its settled cycles.


@pytest.fixture(scope="module")
def asked(build_of: Make) -> Callable[..., list[CeilingCell]]:
    """Give an example's cells at 1400 rpm under another stability limit, swing factor or octane."""
    build = in_its_zone(build_of("quarry-road"))
    model = MODELS["resolved"](build)

    @functools.cache
    def cells(section: str, **changes: float) -> list[CeilingCell]:
        changed = build.replace(**{section: getattr(build, section).replace(**changes)})
        return ceiling_column(model.asking(changed), 1400.0 / 60.0, [50e3, 60e3, 75e3, 85e3]).cells

    return cells


def never_lower(rows: list[list[CeilingCell]]) -> None:
    """Fail if a limit or a ceiling falls from row to row; a cell without a ceiling has best torque or knock, its own limit."""
    for before, after in itertools.pairwise(rows):
        for low, high in zip(before, after, strict=True):
            assert high.limit >= low.limit, (low, high)
            own = [c.limit if math.isnan(c.ceiling) else c.ceiling for c in (low, high) if c.binds is not Binds.LATEST_USEFUL]
            assert own == sorted(own), (low, high)


def test_a_looser_stability_limit_lowers_no_limit(asked: Make) -> None:
    never_lower([asked("limits", stability=s) for s in (0.04, 0.07, 0.10, 0.20)])


def test_a_richer_octane_lowers_no_limit_and_lifts_one_where_knock_binds(asked: Make) -> None:
    rows = [asked("fuel", octane=o) for o in (87.0, 92.0, 98.0, 104.0)]
    never_lower(rows)
    assert rows[0][-1].limit == rows[0][-1].knock
    assert rows[-1][-1].limit > rows[0][-1].limit + 5.0


def test_a_wider_swing_raises_no_limit(asked: Make) -> None:
    rows = [asked("limits", swing_factor=f) for f in (2.0, 1.0, 0.5, 0.0)]
    never_lower(rows)
    assert rows[0][0].limit < rows[-1][0].limit - 1.0


def test_a_rarer_cleanest_cycle_asks_for_no_more_spark(asked: Make) -> None:
    rows = [asked("limits", cleanest_percentile=q) for q in (0.01, 0.05, 0.25)]
    for few, many in itertools.pairwise(rows):
        for less, more in zip(few, many, strict=True):
            assert not more.strong < less.strong


# One cell from its parts.


def test_the_limit_is_the_least_of_those_that_apply(columns_of: Make, example: str) -> None:
    for column in columns_of(example, 0.0).values():
        for cell in column.cells:
            assert cell.limit == np.fmin(np.fmin(cell.best, cell.knock), np.fmin(cell.steadiness, cell.cleanest))
            if math.isfinite(cell.ceiling) and cell.binds is not Binds.LATEST_USEFUL:
                assert cell.ceiling == cell.limit
                assert cell.ceiling >= cell.floor
                assert cell.ceiling <= min(cell.best, cell.knock) - BINDS_BELOW or cell.variation > NORMAL_RUNNING
            if cell.binds is Binds.LATEST_USEFUL:
                assert cell.limit < cell.floor
                assert cell.ceiling == min(cell.floor, cell.best, cell.knock)


def test_a_floor_above_knock_gives_way_to_it(build_of: Make) -> None:
    # A floor just under best torque: half burned by 10 degrees.
    build = build_of("quarry-road")
    model = MODELS["resolved"](build.replace(limits=build.limits.replace(latest_half_burned="10 crank_deg")))
    (cell,) = ceiling_column(model, 1400.0 / 60.0, [70e3]).cells
    assert cell.cleanest < cell.knock < cell.floor < cell.best
    assert cell.binds is Binds.LATEST_USEFUL
    assert cell.ceiling == cell.knock


# Made-up road loads: the first reaches up to 1.1 times 56 kPa, the second to 1.1 times 46 kPa, the third has none: level does not decide.
ROADS = (
    RoadLoad(3, 1.2e5, 55e3, 0.10, SteadyLimit(20.0, 56e3, LevelOfSpark.DECIDES)),
    RoadLoad(4, 1.4e5, 45e3, 0.10, SteadyLimit(15.0, 46e3, LevelOfSpark.NOT_CURED)),
    RoadLoad(5, 1.6e5, 60e3, 0.20, SteadyLimit(math.nan, math.nan, LevelOfSpark.FLATTEN)),
)


@pytest.fixture(scope="module")
def under_roads(build_of: Make) -> Callable[..., list[CeilingCell]]:
    """Give the cells of one speed under made-up road loads, with a limit tight enough for road lines to be followed."""
    build = build_of("quarry-road")
    model = MODELS["resolved"](build.replace(limits=build.limits.replace(stability=0.05)))

    @functools.cache
    def cells(*roads: RoadLoad) -> list[CeilingCell]:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(spark_limits, "road_loads", lambda model, speed: list(roads))
            return ceiling_column(model, 1400.0 / 60.0, [50e3, 60e3, 70e3, 80e3]).cells

    return cells


def test_a_steady_limit_holds_from_the_top_of_its_road_s_swing_down_and_the_least_one_counts(under_roads: Make) -> None:
    cells = under_roads(*ROADS)
    assert [c.steadiness for c in cells[:2]] == [15.0, 20.0]
    assert [c.steady_pressure for c in cells[:2]] == [46e3, 56e3]
    assert [c.steady_net for c in cells[:2]] == [1.4e5, 1.2e5]
    assert all(math.isnan(c.steadiness) for c in cells[2:])
    assert [c.level for c in cells[:3]] == [LevelOfSpark.NOT_CURED, LevelOfSpark.DECIDES, LevelOfSpark.FLATTEN]
    # It asks for less than the swing's cleanest state, and the burn is not yet too late.
    assert cells[1].floor < 20.0 < cells[1].cleanest
    assert cells[1].binds is Binds.STEADINESS
    assert cells[1].ceiling == 20.0


def test_what_a_cell_says_of_steadiness_does_not_depend_on_the_order_of_the_gears(under_roads: Make) -> None:
    there, back = (under_roads(*roads)[1] for roads in (ROADS, ROADS[::-1]))
    assert there.steadiness == back.steadiness
    assert there.level is back.level


def test_the_fuller_cell_is_the_least_of_best_torque_and_knock_one_swing_up(build_of: Make, columns_of: Make) -> None:
    cells = [c for c in columns_of("quarry-road", 0.0)[1400.0].cells if math.isfinite(c.fuller)]
    assert cells
    model = MODELS["resolved"](build_of("quarry-road"))
    for cell in cells:
        full = min(cell.pressure * (1.0 + cell.swing), barometer(model))
        assert cell.fuller == min(model.best_spark(cell.speed, full), model.knock_spark(cell.speed, full))
        assert cell.strong <= cell.best


def test_a_cell_that_holds_still_has_no_strong_cycle_and_one_that_does_not_has(columns_of: Make) -> None:
    seen = set()
    for column in columns_of("quarry-road", 0.0).values():
        for cell in column.cells:
            seen.add(cell.variation > NORMAL_RUNNING)
            assert (cell.variation > NORMAL_RUNNING) == math.isfinite(cell.strong)
            assert (cell.variation > NORMAL_RUNNING) == (cell.pressure <= column.restless_to)
    assert seen == {False, True}


def test_at_the_edge_of_the_restless_region_the_charge_varies_as_much_as_normal_running_does(build_of: Make, columns_of: Make) -> None:
    from camcalc.cycle.work_variation import imep_variation

    model = MODELS["resolved"](build_of("quarry-road"))
    for rpm, column in columns_of("quarry-road", 0.0).items():
        best = model.best_spark(rpm / 60.0, column.restless_to)
        # The edge is sought to 200 Pa, over which the variation changes by a few per cent of itself.
        assert imep_variation(model, rpm / 60.0, column.restless_to, best) == pytest.approx(NORMAL_RUNNING, rel=0.05)


def test_the_floor_is_the_latest_burn_or_the_hottest_exhaust_that_the_sheet_allows(columns_of: Make, build_of: Make, ceilings_of: Make) -> None:
    models = {name: MODELS["resolved"](in_its_zone(build_of(name))) for name in ZONE}
    cells = [(name, c.speed, c.pressure, c.best, c.floor) for name in ZONE for column in columns_of(name, 0.0).values() for c in column.cells]
    for name in ZONE:
        mild = ceilings_of(name, old=True)
        models[f"{name} mild"] = MODELS["resolved"](build_of(name, old=True))
        for row, column in ((0, 0), (1, 3), (2, 4), (1, 6)):
            at = float(mild.si.speed[column]), float(mild.si.manifold_pressure[row])
            cells.append((f"{name} mild", *at, float(mild.si.best_spark[row, column]), float(mild.si.floor[row, column])))
    build = build_of("quarry-road")
    models["more overlap"] = MODELS["resolved"](build.replace(cam=build.cam.with_exhaust_turned("6 crank_deg")))
    cells += [("more overlap", c.speed, c.pressure, c.best, c.floor) for c in columns_of("quarry-road", 6.0)[1400.0].cells]
    met = {"burn": 0, "exhaust": 0, "best": 0}
    for name, speed, pressure, best, floor in cells:
        limits = models[name].build.limits.si
        now = models[name].state(speed, pressure, floor)
        late, hot = abs(now.half_burned - limits.latest_half_burned) <= 1.5, abs(now.exhaust_temperature - limits.hottest_exhaust) <= 15.0
        assert floor <= best
        assert late or hot or floor == best, (name, speed * 60.0, pressure, floor, now.half_burned, now.exhaust_temperature)
        met["burn"] += late
        met["exhaust"] += hot
        met["best"] += floor == best
    assert min(met.values()) > 0, met


# Swings.


@given(pressure=st.floats(2e4, 1e5), width=st.floats(0.0, 0.5), other=st.floats(2e4, 1e5), strong=st.floats(5.0, 60.0), fuller=st.floats(5.0, 60.0))
def test_a_swing_visits_what_lies_within_its_half_width_and_asks_for_its_least(
    pressure: float, width: float, other: float, strong: float, fuller: float
) -> None:
    swing = Swing(pressure, width, strong, fuller)
    assert swing.asked == min(strong, fuller)
    assert swing.visits(pressure)
    assert swing.visits(pressure * (1.0 + 0.999 * width))
    assert swing.visits(pressure * (1.0 - 0.999 * width))
    assert not swing.visits(pressure * (1.001 + width))


def test_the_half_swing_is_blow_back_and_variation_times_the_sheet_s_factor_and_has_an_end(build_of: Make) -> None:
    build = build_of("quarry-road")
    model = MODELS["resolved"](build)
    state = model.state(1400.0 / 60.0, 60e3, 40.0)
    share = state.blow_back / state.trapped
    assert 0.0 < share < 0.3
    assert half_swing(model, state, 0.05) == pytest.approx(share + 0.05, rel=1e-12)
    doubled = model.asking(build.replace(limits=build.limits.replace(swing_factor=2.0)))
    assert half_swing(doubled, state, 0.05) == pytest.approx(min(2.0 * (share + 0.05), 0.5), rel=1e-12)
    assert half_swing(model, state, 10.0) == 0.5


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
        ("limits", "cleanest_percentile", 5, "0.001 to 0.5"),
        ("limits", "spark_margin", 2, "2 crank_deg"),
        ("limits", "stabilty", 0.1, "stability"),
        ("limits", "swing_factor", "wide", "a plain number: 0, or 0.01 to 3"),
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

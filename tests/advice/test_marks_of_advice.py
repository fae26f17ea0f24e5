"""What advice gives that is an end of a search, a cap, or a spark that knocks, says so."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc import QuickEngine
from camcalc.advice.bands import HeadlineBands
from camcalc.advice.base_table import compare_with_base
from camcalc.advice.headlines import with_bands, zone_of
from camcalc.advice.idle import idle_state
from camcalc.advice.idle_spark import idle_spark_advice
from camcalc.advice.idle_speeds import SLOWEST, lowest_idle, lowest_mark
from camcalc.advice.load_swing import WIDEST_SWING
from camcalc.advice.reversion import reversion_in_gear
from camcalc.advice.sensitivity import ceiling_sensitivity
from camcalc.advice.spark import spark_ceilings
from camcalc.advice.trade_off import trade_off
from camcalc.cycle.best_torque import EARLIEST, LATEST, spark_ends
from camcalc.marks import Mark, marks_in
from camcalc.results import Band
from tests.oracles.coarse_engine import CoarseEngine

Make = Callable[..., Any]


@pytest.fixture(scope="module")
def ceilings(resolved_of: Make) -> Any:
    return spark_ceilings(resolved_of("quarry-road"), np.arange(1200.0, 1701.0, 200.0) / 60.0)


# --- best torque and what rests on it


def test_a_ceiling_that_spark_does_not_cure_or_that_ends_the_search_is_marked(ceilings: Any) -> None:
    si, cured = ceilings.si, ceilings.cured
    seen = set()
    for (k, j), value in np.ndenumerate(si.ceiling):
        mark = ceilings.mark("ceiling", k, j)
        seen.add(mark)
        if math.isnan(value):
            assert mark is None
        elif not cured[k, j]:
            assert mark is (Mark.UNCURED_OR_MORE if value >= EARLIEST else Mark.UNCURED)
        else:
            assert mark is (Mark.OR_MORE if value >= EARLIEST else Mark.DIRECTION if ceilings.beyond_data[k, j] else None)
    assert seen >= {None, Mark.UNCURED, Mark.DIRECTION}


def test_beyond_the_data_is_a_residual_of_more_than_a_third(ceilings: Any) -> None:
    known = np.isfinite(ceilings.si.burned_fraction)
    assert np.array_equal(ceilings.beyond_data[known], (ceilings.si.burned_fraction > 0.35)[known])
    assert ceilings.beyond_data.any()
    assert not ceilings.beyond_data.all()


@pytest.mark.parametrize("name", ["least_limit", "least_limit_low", "misfire", "misfire_low", "counted", "fuller_best", "fuller_knock", "knock"])
def test_every_spark_of_the_ceilings_that_is_an_end_of_the_search_is_marked(ceilings: Any, name: str) -> None:
    values = getattr(ceilings.si, name)
    assert ceilings.marks[name] == spark_ends(values)
    for at, value in np.ndenumerate(values):
        assert (ceilings.mark(name, *at) is not None) == (math.isfinite(value) and value in (EARLIEST, LATEST))


def test_best_torque_beyond_knock_is_marked_so(ceilings: Any) -> None:
    for at, best in np.ndenumerate(ceilings.si.best_spark):
        if best > ceilings.si.knock[at]:
            assert ceilings.mark("best_spark", *at) is Mark.KNOCKS
        else:
            assert ceilings.mark("best_spark", *at) is (Mark.OR_MORE if best == EARLIEST else None)
    assert {Mark.KNOCKS, Mark.OR_MORE} <= set(marks_in(ceilings.marks["best_spark"]))


def test_a_swing_as_wide_as_is_followed_may_be_wider(build_of: Make) -> None:
    build = build_of("quarry-road")
    wide = build.replace(limits=build.limits.replace(load_swing=0.25))
    found = spark_ceilings(CoarseEngine(wide), np.array([1400.0]) / 60.0)
    for at, swing in np.ndenumerate(found.si.swing_lighter):
        assert (found.mark("swing_lighter", *at) is Mark.OR_MORE) == (swing == WIDEST_SWING)
    assert Mark.OR_MORE in marks_in(found.marks["swing_lighter"])


def test_json_has_the_marks_of_the_ceilings(ceilings: Any) -> None:
    data = ceilings.to_dict()
    for k, row in enumerate(data["ceiling"]["value"]):
        for j, value in enumerate(row):
            if value == EARLIEST:
                assert data["ceiling"]["mark"][k][j] in ("or_more", "uncured_or_more")


def test_edges_of_bands_at_the_end_of_the_search_are_marked(ceilings: Any) -> None:
    zone = zone_of(ceilings)
    assert zone is not None
    low = np.full((zone.pressures.size, zone.speeds.size), 20.0)
    banded = with_bands(ceilings, zone, {"ceilings": (low, np.full_like(low, EARLIEST))})
    marks = [banded.mark("ceiling_high", k, j) for k, j in np.argwhere(np.isfinite(banded.si.ceiling_high))]
    assert set(marks) == {Mark.OR_MORE}
    assert Mark.OR_MORE not in marks_in(banded.marks["ceiling_low"])


def test_a_band_never_narrows_the_range_from_cautious_to_anchored(ceilings: Any) -> None:
    zone = zone_of(ceilings)
    assert zone is not None
    shape = zone.pressures.size, zone.speeds.size
    known = np.isfinite(ceilings.si.ceiling)
    for low, high in ((LATEST, EARLIEST), (EARLIEST, LATEST)):
        banded = with_bands(ceilings, zone, {"ceilings": (np.full(shape, low), np.full(shape, high))})
        assert (banded.si.ceiling_low[known] <= ceilings.si.ceiling_low[known]).all()
        assert (banded.si.ceiling_high[known] >= ceilings.si.ceiling[known]).all()


def test_over_another_load_brackets_are_kept(ceilings: Any) -> None:
    loads, values = ceilings.over("air charge")
    marks = ceilings.marks_over("air charge", loads)
    assert isinstance(marks, tuple)
    known = np.isfinite(values)
    assert any(marks[k][j] in (Mark.UNCURED, Mark.UNCURED_OR_MORE) for k, j in np.argwhere(known))
    uncured = np.isfinite(ceilings.si.ceiling) & ~ceilings.cured
    rows = ceilings.si.air_charge
    for k, j in np.argwhere(known):
        near = [r for r in range(len(rows) - 1) if rows[r, j] <= loads[k] <= rows[r + 1, j]]
        if near and not uncured[near[0] : near[0] + 2, j].any():
            assert marks[k][j] not in (Mark.UNCURED, Mark.UNCURED_OR_MORE)


def test_variants_of_the_ceilings_carry_their_marks(build_of: Make) -> None:
    found = ceiling_sensitivity(CoarseEngine, build_of("quarry-road"), 4)
    assert found.marks["limit"] == spark_ends(found.si.limit)
    data = found.to_dict()
    assert len(data["limit"]["mark"]) == len(found.variants)
    assert len(data["floor"]["mark"]) == found.si.floor.size


def test_headlines_and_their_edges_carry_their_marks() -> None:
    sure = HeadlineBands(
        nominal={"ceiling": 60.0, "unstable_below": 20.0, "vacuum": 30e3},
        bands={"ceiling": Band(24.0, 60.0), "unstable_below": Band(10.0, 4000.0 / 60.0), "vacuum": Band(28e3, 31e3)},
        no_answer={},
        matters={},
        samples=16,
    )
    lines = sure.to_dict()["headlines"]
    assert [lines["ceiling"][key] for key in ("mark", "low_mark", "high_mark")] == ["or_more", None, "or_more"]
    assert [lines["unstable_below"][key] for key in ("mark", "low_mark", "high_mark")] == [None, "or_less", "or_more"]
    assert [lines["vacuum"][key] for key in ("mark", "low_mark", "high_mark")] == [None, None, None]


# --- idle


def test_an_idle_spark_at_the_cap_of_the_sheet_says_so_and_one_below_does_not(engine_of: Make) -> None:
    model = engine_of("quarry-road")
    free = idle_state(model)
    assert free.mark("spark") is None
    assert free.mark("best_spark") is (Mark.OR_MORE if free.si.best_spark == EARLIEST else None)
    held = model.asking(model.build.replace(idle=model.build.idle.replace(earliest_spark="5 crank_deg")))
    found = idle_state(held)
    assert (found.si.spark, found.mark("spark")) == (5.0, Mark.CAP)


def test_idle_spark_around_the_idle_is_marked_point_by_point(engine_of: Make) -> None:
    model = engine_of("quarry-road")
    found = idle_spark_advice(model.asking(model.build.replace(idle=model.build.idle.replace(earliest_spark="5 crank_deg"))))
    capped = found.si.spark >= 5.0
    assert [found.mark("spark", k) is Mark.CAP for k in range(capped.size)] == capped.tolist()
    assert capped.any()
    assert found.to_dict()["spark"]["mark"][int(np.argmax(capped))] == "cap"


def test_a_spark_of_the_idle_sweep_that_knocks_is_marked(build_of: Make) -> None:
    class Knocking(CoarseEngine):
        def knock_spark(self, speed: float, pressure: float, *, burned_fraction: float | None = None) -> float:
            return 22.0

    found = idle_spark_advice(Knocking(build_of("quarry-road")))
    assert [found.mark("swept_spark", k) is Mark.KNOCKS for k in range(found.si.swept_spark.size)] == (found.si.swept_spark > 22.0).tolist()


def test_the_lowest_idle_at_the_end_of_its_search_is_or_less(build_of: Make) -> None:
    build = build_of("quarry-road", old=True)
    easy = QuickEngine(build.replace(engine=build.engine.replace(friction_factor=0.4)))
    lowest = lowest_idle(easy, steady=False)
    assert lowest == SLOWEST
    assert lowest_mark(lowest) is Mark.OR_LESS
    assert lowest_mark(400.0 / 60.0) is None
    assert lowest_mark(math.nan) is Mark.NONE_FOUND


# --- reversion


def test_a_gear_that_is_good_to_the_slowest_speed_is_told_from_one_that_holds_the_car_nowhere(engine_of: Make, build_of: Make) -> None:
    good = reversion_in_gear(engine_of("dockside", old=True), 1)
    assert math.isnan(good.si.blow_back_below)
    assert good.mark("blow_back_below") is Mark.NONE_FOUND
    assert good.to_dict()["blow_back_below"]["mark"] == "none_found"
    build = build_of("dockside")
    heavy = build.replace(vehicle=build.vehicle.replace(drag_coefficient=1.5, frontal_area="5 m**2", gear_ratios=[0.3], smooth_gears=[1]))
    nowhere = reversion_in_gear(engine_of("dockside").__class__(heavy), 1)
    assert not nowhere.held
    assert nowhere.mark("unstable_below") is None


# --- the trade-off


def test_a_spark_beyond_the_knock_limit_of_its_own_pressure_is_marked(resolved_of: Make) -> None:
    model = resolved_of("quarry-road")
    strip = trade_off(model, speed="1200 rpm", manifold_pressure="80 kPa")
    si = strip.si
    knocks = [model.knock_spark(si.speed, float(p)) < spark for spark, p in zip(si.spark, si.manifold_pressure, strict=True)]
    assert [strip.mark("spark", k) is Mark.KNOCKS for k in range(si.spark.size)] == knocks
    assert 0 < sum(knocks) < len(knocks)
    assert strip.mark("best_spark") is Mark.KNOCKS
    assert strip.mark("spark", si.spark.size - 1) is Mark.PAST_LIMIT
    data = strip.to_dict()
    assert data["spark"]["mark"] == ["knocks" if k else "past_limit" if j == len(knocks) - 1 else None for j, k in enumerate(knocks)]
    assert data["knock_known"] is True
    assert data["cautions"] == list(strip.cautions)


def test_best_torque_with_misses_counted_lies_inside_the_search_where_the_mean_cycle_s_does_not(resolved_of: Make) -> None:
    model = resolved_of("quarry-road")
    assert model.best_spark(1300.0 / 60.0, 50e3) == EARLIEST
    strip = trade_off(model, speed="1300 rpm", manifold_pressure="50 kPa", ceiling="60 crank_deg")
    assert strip.si.best_spark < EARLIEST
    assert strip.mark("best_spark") is None
    assert strip.mark("ceiling") is Mark.OR_MORE


def test_a_model_that_knows_no_knock_says_that_nothing_is_checked(engine_of: Make) -> None:
    strip = trade_off(engine_of("quarry-road"), speed="1400 rpm", torque="60 N m")
    assert not strip.knock_known
    assert Mark.KNOCKS not in marks_in(strip.marks["spark"])


def test_the_supplied_table_s_spark_that_knocks_is_marked(resolved_of: Make, ceilings: Any) -> None:
    class Level:
        load_kind = "manifold pressure"

        def spark_at(self, speed: float, load: float) -> float:
            return spark

    # Between the knock limits of the zone's cells that it passes the ceilings of: it knocks in some and not in others.
    spark = 30.0
    cells = compare_with_base(resolved_of("quarry-road"), ceilings, Level())
    assert cells
    where = {(float(s), float(p)): (k, j) for k, p in enumerate(ceilings.si.manifold_pressure) for j, s in enumerate(ceilings.si.speed)}
    for cell in cells:
        at = where[cell.si.speed, cell.si.manifold_pressure]
        assert cell.mark("table_spark") is (Mark.KNOCKS if ceilings.si.knock[at] < spark else None)
        assert cell.mark("ceiling") is ceilings.mark("ceiling", *at)
    assert {cell.mark("table_spark") for cell in cells} == {None, Mark.KNOCKS}

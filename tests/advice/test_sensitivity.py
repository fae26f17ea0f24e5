"""How far the ceilings move when what they rest on does."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc.advice import sensitivity
from camcalc.advice.equal_torque import road_net_imep
from camcalc.advice.sensitivity import COMMON_PRACTICE, WIDE, CeilingSensitivity, ceiling_sensitivity, variants_of
from camcalc.advice.spark_limits import ceiling_column
from camcalc.cycle.models import MODELS

Make = Callable[..., Any]
SPEEDS = np.array([1400.0, 1600.0]) / 60.0
GEAR = 4


@pytest.fixture(scope="module")
def table(build_of: Make) -> CeilingSensitivity:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sensitivity, "SPEEDS", SPEEDS)
        return ceiling_sensitivity(MODELS["resolved"], build_of("quarry-road"), GEAR)


def row(table: CeilingSensitivity, name: str) -> Any:
    return table.si.limit[table.variants.index(name)]


def test_the_rows_are_the_nominal_and_one_change_each(build_of: Make, table: CeilingSensitivity) -> None:
    fixed = (
        "nominal",
        "stability limit 8 %",
        "stability limit 12 %",
        "burn angles -10 %",
        "burn angles +10 %",
        "swing halved",
        "swing doubled",
        "research octane 94",
        "research octane 98",
    )
    assert table.variants == (*fixed, "gear 3 alone", "gear 4 alone", "gear 5 alone", "gear 6 alone")
    assert table.si.limit.shape == (len(table.variants), SPEEDS.size)
    build = build_of("quarry-road")
    nominal, *others = variants_of(build)
    assert nominal.build == build
    for variant in others:
        assert (variant.build != build) != (variant.tolerances != nominal.tolerances)


def test_a_swing_that_is_wide_already_stays_within_what_a_sheet_may_say(build_of: Make) -> None:
    build = build_of("quarry-road")
    wide = build.replace(limits=build.limits.replace(swing_factor=2.5))
    assert [v.build.limits.swing_factor for v in variants_of(wide) if v.what.startswith("swing")] == [1.25, 3.0]


def test_the_nominal_row_is_the_ceiling_at_the_gear_s_road_load(build_of: Make, table: CeilingSensitivity) -> None:
    model = MODELS["resolved"](build_of("quarry-road"))
    for k, speed in enumerate(SPEEDS):
        pressure = float(table.si.manifold_pressure[k])
        # The road load of that gear at best torque.
        net = road_net_imep(model, float(speed), model.build.vehicle.gear_ratios[GEAR - 1])
        assert model.state(float(speed), pressure, model.best_spark(float(speed), pressure)).net == pytest.approx(net, rel=5e-3)
        cell = ceiling_column(model, float(speed), [pressure]).cells[0]
        assert math.isfinite(cell.ceiling)
        # Asked along another way, flat optima are found up to half a degree aside.
        assert row(table, "nominal")[k] == pytest.approx(cell.limit, abs=0.5)
        assert table.si.floor[k] == pytest.approx(cell.floor, abs=0.5)


def test_a_slower_burn_raises_what_every_state_of_the_swing_asks_for(table: CeilingSensitivity) -> None:
    # Its best torque lies earlier, in the cleanest state too; where no limit applies any spark stands.
    slow, nominal, fast = (np.where(np.isnan(v), np.inf, v) for v in (row(table, n) for n in ("burn angles +10 %", "nominal", "burn angles -10 %")))
    assert (slow > nominal).all()
    zone = np.isfinite(fast)
    assert (fast[zone] < nominal[zone]).all()


def test_a_wider_swing_asks_for_less_and_the_stability_limit_does_not_raise_what_it_tightens(table: CeilingSensitivity) -> None:
    halved, nominal, doubled = (np.where(np.isnan(v), np.inf, v) for v in (row(table, n) for n in ("swing halved", "nominal", "swing doubled")))
    assert (doubled <= nominal + 0.5).all()
    assert (nominal <= halved + 0.5).all()
    assert (doubled < halved).any()
    tight, loose = (np.where(np.isnan(v), np.inf, v) for v in (row(table, "stability limit 8 %"), row(table, "stability limit 12 %")))
    assert (tight <= loose + 0.5).all()


def test_more_octane_never_lowers_a_limit_that_knock_of_the_fullest_state_sets(table: CeilingSensitivity) -> None:
    poor, nominal, rich = (np.where(np.isnan(v), np.inf, v) for v in (row(table, n) for n in ("research octane 94", "nominal", "research octane 98")))
    assert (poor <= nominal + 0.5).all()
    assert (nominal <= rich + 0.5).all()
    assert (poor < rich - 1.0).any()


@pytest.mark.parametrize(("octane", "rows"), [(97.5, ["95.5", "99.5"]), (81.0, ["80", "83"]), (80.0, ["82"]), (120.0, ["118"])])
def test_octane_stays_within_what_a_sheet_may_say(build_of: Make, octane: float, rows: list[str]) -> None:
    build = build_of("quarry-road")
    found = variants_of(build.replace(fuel=build.fuel.replace(octane=octane)))
    assert [v.what for v in found if "octane" in v.what] == [f"research octane {row}" for row in rows]


def made_up(limit: list[list[float]]) -> CeilingSensitivity:
    values = np.array(limit)
    return CeilingSensitivity(
        speed=SPEEDS,
        manifold_pressure=np.full(2, 50e3),
        limit=values,
        floor=np.zeros(2),
        variants=tuple(f"variant {k}" for k in range(len(values))),
        gear=GEAR,
    )


def test_the_remark_comes_when_the_spread_passes_ten_degrees() -> None:
    nan = math.nan
    assert WIDE == 10.0
    assert made_up([[20.0, 25.0], [30.0, 34.9]]).remark == ""
    said = made_up([[20.0, 25.0], [24.0, 36.0], [nan, nan]]).remark
    assert "11 degrees" in said
    assert "1600 rpm" in said
    assert "low side" in said
    assert made_up([[nan, nan], [nan, nan]]).remark == ""


def test_common_practice_is_shown_beside_and_named_as_such(table: CeilingSensitivity) -> None:
    assert table.beside == COMMON_PRACTICE == table.to_dict()["beside"]
    assert "no source" in COMMON_PRACTICE
    spread = np.nanmax(table.si.limit, axis=0) - np.nanmin(table.si.limit, axis=0)
    assert bool(table.remark) == bool(spread.max() > WIDE)

"""How far the ceilings move when what they rest on does."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc.advice import sensitivity
from camcalc.advice.equal_torque import road_net_imep
from camcalc.advice.sensitivity import CeilingSensitivity, ChangedInput, Changes, ceiling_sensitivity, variants_of, widest_of
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


def ranked(table: CeilingSensitivity, *variants: tuple[Any, ...]) -> list[Any]:
    """Limits of some variants; where no limit applies any spark stands."""
    return [np.where(np.isnan(v), np.inf, v) for v in (row(table, *variant) for variant in variants)]


def row(table: CeilingSensitivity, what: Changes, value: float = math.nan) -> Any:
    return table.si.limit[table.variants.index(ChangedInput(what=what, value=value))]


def test_the_rows_are_the_nominal_and_one_change_each(build_of: Make, table: CeilingSensitivity) -> None:
    fixed = [
        (Changes.NOTHING, None),
        (Changes.STABILITY_LIMIT, 0.08),
        (Changes.STABILITY_LIMIT, 0.12),
        (Changes.BURN_ANGLES, 0.9),
        (Changes.BURN_ANGLES, 1.1),
        (Changes.SWING_FACTOR, 0.5),
        (Changes.SWING_FACTOR, 2.0),
        (Changes.OCTANE, 94.0),
        (Changes.OCTANE, 98.0),
    ]
    found = [(v.what, None if math.isnan(v.value) else v.value) for v in table.variants]
    assert found == [*fixed, *((Changes.SMOOTH_GEARS, float(gear)) for gear in (3, 4, 5, 6))]
    assert not any(v.capped for v in table.variants)
    assert table.si.limit.shape == (len(table.variants), SPEEDS.size)
    build = build_of("quarry-road")
    nominal, *others = variants_of(build)
    assert nominal.build == build
    for variant in others:
        assert (variant.build != build) != (variant.tolerances != nominal.tolerances)


def test_a_swing_that_is_wide_already_stays_within_what_a_sheet_may_say(build_of: Make) -> None:
    build = build_of("quarry-road")
    wide = build.replace(limits=build.limits.replace(swing_factor=2.5))
    found = [v for v in variants_of(wide) if v.changed.what is Changes.SWING_FACTOR]
    assert [v.build.limits.swing_factor for v in found] == [1.25, 3.0]
    assert [v.changed.capped for v in found] == [False, True]
    assert [v.changed.value for v in found] == [0.5, 1.2]


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
        assert row(table, Changes.NOTHING)[k] == pytest.approx(cell.limit, abs=0.5)
        assert table.si.floor[k] == pytest.approx(cell.floor, abs=0.5)


def test_a_slower_burn_raises_what_every_state_of_the_swing_asks_for(table: CeilingSensitivity) -> None:
    # Its best torque lies earlier, in the cleanest state too; where no limit applies any spark stands.
    slow, nominal, fast = ranked(table, (Changes.BURN_ANGLES, 1.1), (Changes.NOTHING,), (Changes.BURN_ANGLES, 0.9))
    assert (slow > nominal).all()
    zone = np.isfinite(fast)
    assert (fast[zone] < nominal[zone]).all()


def test_a_wider_swing_asks_for_less_and_the_stability_limit_does_not_raise_what_it_tightens(table: CeilingSensitivity) -> None:
    halved, nominal, doubled = ranked(table, (Changes.SWING_FACTOR, 0.5), (Changes.NOTHING,), (Changes.SWING_FACTOR, 2.0))
    assert (doubled <= nominal + 0.5).all()
    assert (nominal <= halved + 0.5).all()
    assert (doubled < halved).any()
    tight, loose = ranked(table, (Changes.STABILITY_LIMIT, 0.08), (Changes.STABILITY_LIMIT, 0.12))
    assert (tight <= loose + 0.5).all()


def test_more_octane_never_lowers_a_limit_that_knock_of_the_fullest_state_sets(table: CeilingSensitivity) -> None:
    poor, nominal, rich = ranked(table, (Changes.OCTANE, 94.0), (Changes.NOTHING,), (Changes.OCTANE, 98.0))
    assert (poor <= nominal + 0.5).all()
    assert (nominal <= rich + 0.5).all()
    assert (poor < rich - 1.0).any()


@pytest.mark.parametrize(("octane", "rows"), [(97.5, [95.5, 99.5]), (81.0, [80.0, 83.0]), (80.0, [82.0]), (120.0, [118.0])])
def test_octane_stays_within_what_a_sheet_may_say(build_of: Make, octane: float, rows: list[float]) -> None:
    build = build_of("quarry-road")
    found = variants_of(build.replace(fuel=build.fuel.replace(octane=octane)))
    assert [v.changed.value for v in found if v.changed.what is Changes.OCTANE] == rows


def test_the_widest_span_is_the_one_between_the_variants_of_one_speed(table: CeilingSensitivity) -> None:
    nan = math.nan
    assert widest_of(np.array([[20.0, 25.0], [24.0, 36.0], [nan, nan]]), SPEEDS) == (11.0, SPEEDS[1])
    assert all(map(math.isnan, widest_of(np.array([[nan, nan], [nan, nan]]), SPEEDS)))
    spread = np.nanmax(table.si.limit, axis=0) - np.nanmin(table.si.limit, axis=0)
    assert table.si.widest_span == spread.max()
    assert table.si.widest_at == SPEEDS[int(np.argmax(spread))]

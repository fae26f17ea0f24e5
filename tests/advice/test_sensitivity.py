"""How far the ceilings move when what they rest on does."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc.advice import sensitivity
from camcalc.advice.bands import TOLERANCES, Uncertain
from camcalc.advice.equal_torque import road_net_imep
from camcalc.advice.sensitivity import TRIED, CeilingSensitivity, ChangedInput, Changes, ceiling_sensitivity, variants_of, widest_of
from camcalc.advice.spark_limits import ceiling_column
from camcalc.cycle.models import MODELS
from camcalc.cycle.operating import Tolerances

Make = Callable[..., Any]
SPEEDS = np.array([1400.0, 1600.0]) / 60.0
GEAR = 4


@pytest.fixture(scope="module")
def table(build_of: Make) -> CeilingSensitivity:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sensitivity, "SPEEDS", SPEEDS)
        return ceiling_sensitivity(MODELS["resolved"], build_of("quarry-road"), GEAR)


def row(table: CeilingSensitivity, what: Changes, value: float = math.nan, which: Uncertain | None = None) -> Any:
    """The least of all limits of one variant, over speed."""
    return table.si.least[table.variants.index(ChangedInput(what=what, value=value, input=which))]


def both(table: CeilingSensitivity, which: Uncertain) -> tuple[Any, Any]:
    """The limits with less and with more of an uncertain input."""
    values = [v.value for v in table.variants if v.input is which]
    less, more = (row(table, Changes.UNCERTAIN, value, which) for value in sorted(values))
    return less, more


def test_the_rows_are_the_nominal_and_one_change_each(build_of: Make, table: CeilingSensitivity) -> None:
    build, known = build_of("quarry-road"), MODELS["resolved"](build_of("quarry-road")).uncertain
    tried = [name for name in TRIED if name in known]
    assert {"kernel_turbulence", "spark_energy", "plug_scatter", "turbulence_scatter", "dilution", "burn", "overlap"} <= set(tried)
    first, *others = table.variants
    assert first == ChangedInput(what=Changes.NOTHING)
    found = [(v.input, v.value) for v in others if v.what is Changes.UNCERTAIN]
    assert found == [(TOLERANCES[name][1], pytest.approx(1.0 + side * TOLERANCES[name][0])) for name in tried for side in (-1.0, 1.0)]
    sheet = [(v.what, v.value) for v in others if v.what is not Changes.UNCERTAIN]
    fixed = [(Changes.LOAD_SWING, 0.0), (Changes.LOAD_SWING, 0.05), (Changes.OCTANE, 94.0), (Changes.OCTANE, 98.0)]
    assert sheet == [*fixed, *((Changes.SMOOTH_GEARS, float(gear)) for gear in (3, 4, 5, 6))]
    assert table.si.limit.shape == table.si.least.shape == (len(table.variants), SPEEDS.size)
    for variant in variants_of(build, known)[1:]:
        assert (variant.build != build) != (variant.tolerances != Tolerances())


def test_a_measured_swing_is_halved_and_doubled_within_what_a_sheet_may_say(build_of: Make) -> None:
    build = build_of("quarry-road")
    for told, tried in ((0.04, [0.02, 0.08]), (0.2, [0.1, 0.25])):
        wide = build.replace(limits=build.limits.replace(load_swing=told))
        assert [v.changed.value for v in variants_of(wide, ()) if v.changed.what is Changes.LOAD_SWING] == tried


def test_the_nominal_row_is_the_ceiling_at_the_gear_s_road_load(build_of: Make, table: CeilingSensitivity) -> None:
    model = MODELS["resolved"](build_of("quarry-road"))
    for k, speed in enumerate(SPEEDS):
        pressure = float(table.si.manifold_pressure[k])
        # The road load of that gear at best torque.
        net = road_net_imep(model, float(speed), model.build.vehicle.gear_ratios[GEAR - 1])
        assert model.state(float(speed), pressure, model.best_spark(float(speed), pressure)).net == pytest.approx(net, rel=5e-3)
        cell = ceiling_column(model, float(speed), [pressure]).cells[0]
        # Asked along another way, flat optima are found up to half a degree aside.
        assert row(table, Changes.NOTHING)[k] == pytest.approx(cell.limit, abs=0.5)
        assert table.si.floor[k] == pytest.approx(cell.floor, abs=0.5)


def test_what_a_kernel_meets_moves_the_limit_the_way_it_must(table: CeilingSensitivity) -> None:
    # More energy never lowers it; more turbulence at the kernel, more scatter and more overlap never raise it.
    weak, strong = both(table, Uncertain.SPARK_ENERGY)
    assert (weak <= strong + 0.5).all()
    for which in (Uncertain.KERNEL_TURBULENCE, Uncertain.PLUG_SCATTER, Uncertain.TURBULENCE_SCATTER, Uncertain.OVERLAP, Uncertain.DILUTION):
        less, more = both(table, which)
        assert (more <= less + 0.5).all(), which
    less, more = both(table, Uncertain.KERNEL_TURBULENCE)
    assert (more < less - 1.0).any()


def test_a_wider_swing_asks_for_less(table: CeilingSensitivity) -> None:
    none, wide = (row(table, Changes.LOAD_SWING, value) for value in (0.0, 0.05))
    assert (wide <= none + 0.5).all()
    assert (wide < none - 0.5).any()


def test_more_octane_never_lowers_a_limit(table: CeilingSensitivity) -> None:
    poor, nominal, rich = (row(table, *variant) for variant in ((Changes.OCTANE, 94.0), (Changes.NOTHING,), (Changes.OCTANE, 98.0)))
    assert (poor <= nominal + 0.5).all()
    assert (nominal <= rich + 0.5).all()


def test_three_inputs_at_most_decide_and_they_are_those_that_move_it_most(table: CeilingSensitivity) -> None:
    assert 0 < len(table.decides) <= 3
    in_zone = np.isfinite(table.si.limit).any(axis=0)
    moved: dict[Any, float] = {}
    for variant, limits in zip(table.variants, table.si.least, strict=True):
        if variant.what not in (Changes.NOTHING, Changes.SMOOTH_GEARS):
            moved[variant.moved] = max(moved.get(variant.moved, 0.0), float(np.abs(limits - table.si.least[0])[in_zone].max()))
    assert list(table.decides) == sorted(moved, key=lambda code: -moved[code])[: len(table.decides)]


@pytest.mark.parametrize(("octane", "rows"), [(97.5, [95.5, 99.5]), (81.0, [80.0, 83.0]), (80.0, [82.0]), (120.0, [118.0])])
def test_octane_stays_within_what_a_sheet_may_say(build_of: Make, octane: float, rows: list[float]) -> None:
    build = build_of("quarry-road")
    found = variants_of(build.replace(fuel=build.fuel.replace(octane=octane)), ())
    assert [v.changed.value for v in found if v.changed.what is Changes.OCTANE] == rows


def test_the_widest_span_is_the_one_between_the_variants_of_one_speed(table: CeilingSensitivity) -> None:
    nan = math.nan
    assert widest_of(np.array([[20.0, 25.0], [24.0, 36.0], [nan, nan]]), SPEEDS) == (11.0, SPEEDS[1])
    assert all(map(math.isnan, widest_of(np.array([[nan, nan], [nan, nan]]), SPEEDS)))
    spread = np.ptp(table.si.least, axis=0)[np.isfinite(table.si.limit).any(axis=0)]
    assert table.si.widest_span == spread.max()


def test_a_table_read_back_from_its_data_is_the_same(table: CeilingSensitivity) -> None:
    again = CeilingSensitivity.from_dict(json.loads(json.dumps(table.to_dict())))
    assert again.decides == table.decides
    assert [v.moved for v in again.variants] == [v.moved for v in table.variants]

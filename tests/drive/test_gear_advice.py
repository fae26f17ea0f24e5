"""Which gear not to use below which speed, and how much of it is the table's doing."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from camcalc.drive.gear_advice import DriveAdvice, GearSurge, LevelHelps, WhichTable, beside_level, drive_advice
from camcalc.vehicle.coupling import Coupling
from camcalc.words.gears import beside_level_words, gear_lines

if TYPE_CHECKING:
    from camcalc.tables import SparkTable

Make = Callable[..., Any]


@pytest.fixture(scope="module")
def advice_on(build_of: Make, tables_of: Make, base: SparkTable) -> Make:
    """Give the quarry-road example's advice on a level table, or on its own."""

    def advise(level: float | None = None) -> DriveAdvice:
        table = base if level is None else base.with_spark(np.full(base.shape, level))
        return drive_advice(build_of("quarry-road"), table, engine_tables=tables_of("quarry-road"))

    return advise


def gear_with(number: int, below: float) -> GearSurge:
    """A gear that is bad below a speed [rpm], or nowhere."""
    nothing: dict[str, Any] = dict.fromkeys(GearSurge.measures())
    return GearSurge(gear=number, coupling=Coupling.LOCKED, worst=None, **nothing | {"bad_below": below / 60.0})


def test_the_low_gears_of_the_long_cam_surge_and_the_tall_ones_do_not(advice_on: Make) -> None:
    found = advice_on()
    below = [g.si.bad_below for g in found.gears]
    assert math.isfinite(below[0])
    assert math.isnan(below[-1])
    bad = [b for b in below if math.isfinite(b)]
    assert bad == sorted(bad, reverse=True)
    assert [gear.si.bad_below for gear in found.bad_gears] == bad
    lines = gear_lines(found, "mph")
    loose = [gear for gear in found.gears if gear.bad_with_a_loose_foot_alone]
    assert len(lines) == len(bad) + len(loose)
    assert lines[0].startswith(f"Do not use gear 1 (locked) below {below[0] * 60:.0f} rpm")
    reason = found.gears[0].reason
    assert reason is not None
    assert reason.si.speed <= below[0]
    assert reason.self_excited == (reason.si.damping <= 0.0)


def test_less_spark_on_a_level_table_damps_the_low_gears_a_little(advice_on: Make) -> None:
    """Found with the model: later spark on a level table makes low gears fit from 200 rpm less at most, since fewer cycles miss; damping hardly moves."""
    low, high = (advice_on(level) for level in (12.0, 28.0))
    for a, b in zip(low.gears, high.gears, strict=True):
        assert a.si.least_damping == pytest.approx(b.si.least_damping, abs=0.02)
    steps = [b.si.bad_below - a.si.bad_below for a, b in zip(low.gears[:2], high.gears[:2], strict=True)]
    assert all(-1.0 / 60.0 <= step <= 201.0 / 60.0 for step in steps)


def test_what_a_level_table_would_do_is_told_gear_by_gear() -> None:
    advice = DriveAdvice(table=WhichTable.STARTING, gears=(gear_with(1, 1600.0), gear_with(2, 1300.0), gear_with(3, 1000.0), gear_with(4, math.nan)))
    level = DriveAdvice(table=WhichTable.YOURS, gears=(gear_with(1, 1400.0), gear_with(2, 1300.0), gear_with(3, math.nan), gear_with(4, math.nan)))
    found = beside_level(advice, level, 11.0)
    assert found is not None
    assert [(gear.gear, gear.helps) for gear in found.gears] == [(1, LevelHelps.FIT_EARLIER), (2, LevelHelps.NO_BETTER), (3, LevelHelps.FIT)]
    assert found.gears[0].si.bad_below * 60.0 == pytest.approx(1400.0)
    first, second, third, _ = beside_level_words(found)
    assert "gear 1 (locked) is fit from 1400 rpm" in first
    assert "no better in gear 2 (locked)" in second
    assert "gear 3 (locked) is fit at every speed" in third
    assert beside_level(level.replace(gears=(gear_with(4, math.nan),)), level, 11.0) is None

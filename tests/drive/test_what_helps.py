"""What would calm a car: each remedy is what its words say, and a lower gear is tried at the same road speed."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc.drive import driven, what_helps
from camcalc.drive.driven import Driven, Drives
from camcalc.drive.level_road import turbine_at
from camcalc.drive.run_setup import Foot
from camcalc.drive.what_helps import LESS_SPARK, SLOWER, Help, blended, in_lower_gear
from camcalc.tables import SparkTable
from camcalc.tables.proposed import level_table
from camcalc.vehicle.acceleration_weighting import SurgeGrade
from camcalc.vehicle.coupling import Coupling
from camcalc.vehicle.driveline import driveline_of, road_speed_at

Make = Callable[..., Any]


def drives(build: Any, table: SparkTable, gear: int, coupling: Coupling) -> Drives:
    return Drives(build, table, gear, coupling, None)  # type: ignore[arg-type]


@pytest.mark.parametrize("gear", [2, 3])
@pytest.mark.parametrize("rpm", [1400.0, 1700.0, 2000.0])
def test_a_lower_gear_is_tried_at_the_same_road_speed_locked_and_through_a_converter(build_of: Make, gear: int, rpm: float) -> None:
    build, ratios = build_of("long-meadow"), build_of("long-meadow").vehicle.gear_ratios
    locked = in_lower_gear(drives(build, level_table(20.0), gear, Coupling.LOCKED), rpm / 60.0)
    assert locked == pytest.approx(rpm / 60.0 * ratios[gear - 2] / ratios[gear - 1], rel=1e-12)
    through = in_lower_gear(drives(build, level_table(20.0), gear, Coupling.CONVERTER), rpm / 60.0)
    pairs = ((gear, rpm / 60.0), (gear - 1, through))
    roads = [road_speed_at(driveline_of(build, number, locked=False), turbine_at(build, crank, number)) for number, crank in pairs]
    print(f"{rpm:.0f} rpm in gear {gear}: {60.0 * through:.0f} rpm below it, {3.6 * roads[0]:.1f} km/h; by the ratios alone {60.0 * locked:.0f} rpm")
    assert roads[1] == pytest.approx(roads[0], rel=1e-5)
    # It slips less where it carries less, so that its engine speeds up by less than the gearbox does.
    assert rpm / 60.0 < through < locked


@pytest.mark.parametrize("coupling", Coupling)
def test_each_remedy_is_what_its_words_say(build_of: Make, monkeypatch: pytest.MonkeyPatch, coupling: Coupling) -> None:
    build = build_of("long-meadow")
    cells = np.array([[-38.0, -2.0, 3.0], [20.0, 40.0, 20.0]])
    table = SparkTable(load_kind="manifold pressure", speed=np.array([10.0, 60.0]), loads=np.array([20e3, 60e3, 100e3]), cells=cells, increment=1.0)
    tried: list[tuple[Drives, float, Foot]] = []

    def run(self: Drives, speed: float, foot: Foot = Foot.STEADY, without: Any = ()) -> Driven:
        tried.append((self, speed, foot))
        return Driven(1.0 / len(tried), math.nan, 0.0, SurgeGrade.NOTICEABLE)

    monkeypatch.setattr(driven.Drives, "run", run)
    found = what_helps.what_helps(drives(build, table, 2, coupling), 25.0)
    assert {one.help for one in found} == set(Help)
    _, smooth, slow, late, steady, lower = tried
    assert np.array_equal(smooth[0].table.si.cells, blended(table).si.cells)
    assert slow[0].build.limits.load_filter.magnitude == pytest.approx(SLOWER * build.limits.load_filter.magnitude)
    assert f"{SLOWER:.0f} times" in str(Help.FILTERED)
    # Later everywhere, also below zero, and no later than a table may have it.
    assert late[0].table.si.cells.tolist() == [[-40.0, -7.0, -2.0], [15.0, 35.0, 15.0]]
    assert f"{LESS_SPARK:.0f} deg" in str(Help.RETARDED)
    assert steady[2] is Foot.STEADY
    assert (lower[0].gear, lower[0].coupling) == (1, coupling)
    assert lower[1] == in_lower_gear(drives(build, table, 2, coupling), 25.0)

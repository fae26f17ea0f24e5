"""Slopes that end their search, damping where nothing swings, and gears that are bad to the fastest speed looked at say so."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc.cycle.engine_tables import EngineTables, engine_tables
from camcalc.drive.gear_advice import SPEEDS, DriveAdvice, GearSurge, WhichTable, drive_advice
from camcalc.drive.risk import surge_risk
from camcalc.drive.run_setup import Foot
from camcalc.drive.slope_rule import slope_rule
from camcalc.drive.surge import MOST_BY_PRESSURE, MOST_BY_SPEED, swing_marks
from camcalc.marks import Mark
from camcalc.tables.proposed import level_table
from camcalc.vehicle.acceleration_weighting import SurgeGrade
from camcalc.vehicle.coupling import Coupling
from camcalc.words.gears import gear_lines
from camcalc.words.slopes import slope_rule_words
from camcalc.words.surge import gear_verdict

Make = Callable[..., Any]
TURN = 2.0 * math.pi


@pytest.fixture(scope="module")
def tables(engine_of: Make) -> EngineTables:
    return engine_tables(engine_of("quarry-road"))


@pytest.fixture(scope="module")
def road(build_of: Make, tables: EngineTables) -> Any:
    return surge_risk(build_of("quarry-road"), level_table(24.0), gear=6, engine_tables=tables, speeds=np.array([1000.0, 1500.0, 2300.0]) / 60.0)


@pytest.mark.parametrize(("along", "most"), [("speed", MOST_BY_SPEED * TURN), ("load", MOST_BY_PRESSURE)])
def test_a_critical_slope_that_ends_its_search_is_or_more_and_so_is_the_limit_from_it(road: Any, along: str, most: float) -> None:
    critical, limit = (getattr(road.si, f"{what}_along_{along}") for what in ("critical", "limit"))
    ended = np.isclose(critical, most, rtol=1e-12)
    assert ended.any()
    assert [road.mark(f"critical_along_{along}", k) is Mark.OR_MORE for k in range(critical.size)] == ended.tolist()
    assert [road.mark(f"limit_along_{along}", k) is Mark.OR_MORE for k in range(limit.size)] == np.isclose(limit, 0.5 * most, rtol=1e-12).tolist()
    data = json.loads(json.dumps(road.to_dict(), allow_nan=False))
    assert data[f"critical_along_{along}"]["mark"] == ["or_more" if end else None for end in ended]


def test_with_nothing_that_swings_damping_is_one_or_more_and_there_is_no_frequency() -> None:
    marks = swing_marks(np.array([2.5, 0.0]))
    assert marks == {"damping": (None, Mark.OR_MORE), "frequency": (None, Mark.NONE_FOUND)}


def test_a_gear_that_is_good_everywhere_and_one_that_is_bad_to_the_fastest_speed_are_told_apart(road: Any) -> None:
    assert road.last_bad == -1
    assert road.bad_below_mark is Mark.NONE_FOUND
    bad = road.replace(verdict=(SurgeGrade.DISTURBING,) * len(road.verdict))
    assert bad.bad_below == road.si.speed[-1]
    assert bad.bad_below_mark is Mark.OR_MORE
    some = road.replace(verdict=(SurgeGrade.DISTURBING, *road.verdict[1:]))
    assert some.bad_below == road.si.speed[1]
    assert some.bad_below_mark is None


def test_a_gear_that_is_bad_with_a_loose_foot_only_has_a_line_with_the_end_of_the_search_marked(road: Any, build_of: Make, tables: EngineTables) -> None:
    count = len(road.verdict)
    fine = road.replace(verdict=(SurgeGrade.SMOOTH,) * count, verdict_driven=((SurgeGrade.SMOOTH,) * count,) * len(road.feet))
    assert (fine.loose_last_bad, fine.loose_bad_below_mark) == (-1, Mark.NONE_FOUND)
    assert "loose" not in gear_verdict(fine)
    loose = road.feet.index(Foot.LOOSE)

    def with_bad(*which: int) -> Any:
        own = tuple(SurgeGrade.DISTURBING if k in which else SurgeGrade.SMOOTH for k in range(count))
        return fine.replace(verdict_driven=tuple(own if k == loose else grades for k, grades in enumerate(fine.verdict_driven)))

    some, all_of_them = with_bad(0), with_bad(count - 1)
    assert (some.last_bad, some.loose_bad_below, some.loose_bad_below_mark) == (-1, some.si.speed[1], None)
    assert gear_verdict(some).endswith("surges below 1500 rpm with a loose foot on the pedal only.")
    assert all_of_them.loose_bad_below_mark is Mark.OR_MORE
    assert gear_verdict(all_of_them).endswith("surges below 2300 rpm or more with a loose foot on the pedal only.")
    # Bad with another foot, too, but not so far up.
    both = all_of_them.replace(verdict=(SurgeGrade.SMOOTH,) * (count - 2) + (SurgeGrade.DISTURBING, SurgeGrade.SMOOTH))
    assert both.bad_below == both.loose_bad_below
    assert gear_verdict(both).endswith("With a loose foot on the pedal, below 2300 rpm or more.")

    nothing: dict[str, Any] = dict.fromkeys(GearSurge.measures())
    one = GearSurge(gear=2, coupling=Coupling.LOCKED, worst=SurgeGrade.SMOOTH, **nothing | {"loose_bad_below": 25.0}, marks={"loose_bad_below": Mark.OR_MORE})
    advice = DriveAdvice(table=WhichTable.YOURS, gears=(one,))
    assert gear_lines(advice) == ["Gear 2 (locked) surges below 1500 rpm or more with a loose foot on the pedal only."]
    worse = one.replace(bad_below="1500 rpm", bad_below_road_speed="20 mph", worst=SurgeGrade.DISTURBING)
    (line,) = gear_lines(advice.replace(gears=(worse,)))
    assert line.endswith("With a loose foot on the pedal, below 1500 rpm or more.")


def test_a_slope_over_a_critical_one_that_was_not_found_is_or_less(build_of: Make, tables: EngineTables) -> None:
    level = level_table(24.0)
    rising = level.with_spark(np.array([[20.0, 20.0], [36.0, 36.0]]))
    advice = drive_advice(build_of("quarry-road"), rising, engine_tables=tables)
    for gear in advice.gears:
        if gear.worst is None:
            continue
        assert gear.mark("slowest") is (Mark.OR_LESS if gear.si.slowest == SPEEDS[0] else None)
        assert gear.mark("slope_over_critical_along_load") is None  # level along load: nought is computed
        assert gear.to_dict()["slope_over_critical_along_speed"]["mark"] in (None, "or_less")
    assert Mark.OR_LESS in {gear.mark("slope_over_critical_along_speed") for gear in advice.gears}


def test_the_advice_names_an_end_of_the_search_as_one(build_of: Make, tables: EngineTables) -> None:
    advice = drive_advice(build_of("quarry-road"), level_table(24.0), engine_tables=tables)
    gear = advice.gears[0].replace(
        bad_below="2300 rpm", bad_below_road_speed="20 mph", worst=SurgeGrade.SEVERE_BUCKING, reason=None, marks={"bad_below": Mark.OR_MORE}
    )
    (line,) = gear_lines(advice.replace(gears=(gear,)), "mph")
    assert line.startswith("Do not use gear 1 (locked) below 2300 rpm, 20 mph: severe bucking (our grade) at worst.")
    assert "fastest speed computed" in line
    assert "fastest" not in gear_lines(advice.replace(gears=(gear.replace(marks={}),)), "mph")[0]


def test_the_slope_rule_says_where_its_limit_is_half_the_end_of_the_search(build_of: Make, tables: EngineTables) -> None:
    found = slope_rule(build_of("quarry-road"), level_table(24.0), engine_tables=tables)
    for name, most in (("along_speed", MOST_BY_SPEED * TURN), ("along_pressure", MOST_BY_PRESSURE)):
        ended = math.isclose(getattr(found.si, name), 0.5 * most, rel_tol=1e-12)
        assert (found.mark(name) is Mark.OR_MORE) == ended
        assert ("or more" in slope_rule_words(found)) >= ended
    ended = found.replace(marks={"along_speed": Mark.OR_MORE, "along_pressure": Mark.OR_MORE})
    assert slope_rule_words(ended).count("or more") == 2

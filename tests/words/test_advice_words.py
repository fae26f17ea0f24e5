"""Idle, brakes, reversion and sensors in words: every code has its own, and the record's figures are in them."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc.advice.brakes import BrakeVerdict, brake_assist
from camcalc.advice.idle import IdleState, IdleVerdict
from camcalc.advice.idle_advice import IdleAdvice, IdleGap, ThrottleOpening
from camcalc.advice.idle_balance import IdleSparkRule
from camcalc.advice.idle_spark import IdleSpark, IdleSparkBesideTable, TableMeetsIdle
from camcalc.advice.mixture import ClosedLoop, LoadSensing, MeterReading, SensorReading, TableReading
from camcalc.advice.reversion import GearReversion
from camcalc.advice.sensing import IdleSensing
from camcalc.cycle.operating import ModelUse
from camcalc.marks import Mark
from camcalc.unit_system import UnitSystem
from camcalc.words import describe
from camcalc.words.brakes import no_idle_no_vacuum
from camcalc.words.idle import RULES, beside_table_words, beyond_data_words, candidates_words, idle_verdict, lowest_speed_words, missed_words
from camcalc.words.reversion import reversion_notes, reversion_words, rough_words

Plain = Callable[[str], str]
INHG = 3386.389
SEA_LEVEL = 101325.0


# Brakes.


def test_each_brake_verdict_has_words_of_its_own_its_vacuum_and_a_next_step(plain: Plain) -> None:
    said = {brake_assist(v * INHG, ambient=SEA_LEVEL).verdict: plain(describe(brake_assist(v * INHG, ambient=SEA_LEVEL))) for v in (18.0, 12.0, 8.0)}
    assert set(said) == set(BrakeVerdict)
    assert "18.0 inHg" in said[BrakeVerdict.ENOUGH]
    assert "harder pedal" in said[BrakeVerdict.REDUCED]
    assert "walking pace" in said[BrakeVerdict.REDUCED]
    assert "Do not drive until the brakes are proved" in said[BrakeVerdict.TOO_LITTLE]
    assert all("%" not in text and "sea level" not in text for text in said.values())


def test_brakes_name_the_share_of_the_old_cam_and_the_loss_to_altitude(plain: Plain) -> None:
    said = plain(describe(brake_assist(12.0 * INHG, ambient=84323.0, replaced_vacuum=20.0 * INHG)))
    assert "12.0 inHg at idle, 60 % of that with the old cam" in said
    assert "At sea level the barometer is 5.02 inHg higher" in said
    assert "sea level" not in describe(brake_assist(12.0 * INHG, ambient=0.986 * SEA_LEVEL))


def test_brakes_are_in_the_units_asked_for() -> None:
    said = describe(brake_assist(40e3, ambient=SEA_LEVEL), units=UnitSystem.METRIC)
    assert "40.0 kPa [11.8 inHg]" in said


def test_without_an_idle_there_is_no_vacuum(plain: Plain) -> None:
    assert "350 rpm" in plain(no_idle_no_vacuum(350.0 / 60.0))


# Idle.


def a_state(**changes: Any) -> IdleState:
    known: dict[str, Any] = {
        "cam": "A 290 (invented)", "gearbox": "neutral", "accessories": "off", "speed": 850.0 / 60.0, "manifold_pressure": 64e3, "manifold_vacuum": 11.0 * INHG,
        "burned_fraction": 0.34, "blow_back": 0.2, "best_spark": 38.0, "reserve_spark": 26.0, "misfire_limit": 21.0, "cautious_misfire_limit": 9.0,
        "spark": 21.0, "rule": IdleSparkRule.MISFIRE, "imep_variation": 0.12, "missed": 0.01, "missed_per_minute": 34.0 / 60.0, "partial": 0.1,
        "verdict": IdleVerdict.ROUGH, "air_flow": 6.5e-3, "throttle_area": 40e-6, "fuel_flow": 1e-6,
    }  # fmt: skip
    return IdleState(**(known | changes))


def an_advice(**changes: Any) -> IdleAdvice:
    known: dict[str, Any] = {
        "new": (a_state(),), "replaced": (), "unreachable": (), "vacuum": 11.0 * INHG, "vacuum_penalty": None, "vacuum_penalty_at_equal_speed": None,
        "lowest_steady_speed": 1281.0 / 60.0, "lowest_speed_without_misses": 642.0 / 60.0, "lowest_speed": 350.0 / 60.0,
        "stability_limit": 0.10, "brakes": None,
        "throttle": ThrottleOpening(air_flow=6.5e-3, throttle_area=40e-6, replaced_throttle_area=None), "marks": {"lowest_speed": Mark.OR_LESS},
    }  # fmt: skip
    return IdleAdvice(**(known | changes))


VERDICTS = {
    IdleVerdict.STEADY: "Steady idle at 850 rpm: 11.0 inHg of vacuum, COV of IMEP 12 %, limit 10 %.",
    IdleVerdict.ROUGH: "Rough idle at 850 rpm, but alive: 11.0 inHg of vacuum, COV of IMEP 12 %, limit 10 %. About 30 cycles a minute miss.",
    IdleVerdict.MISSES: "Idle at 850 rpm misses about 30 cycles a minute: 11.0 inHg of vacuum, COV of IMEP 12 %, limit 10 %.",
}


@pytest.mark.parametrize("verdict", IdleVerdict)
def test_each_verdict_on_an_idle_has_words_of_its_own_and_what_is_not_steady_a_next_step(verdict: IdleVerdict, plain: Plain) -> None:
    idle = an_advice(new=(a_state(verdict=verdict),))
    assert plain(idle_verdict(idle)) == VERDICTS[verdict]
    assert idle.steady is (verdict is IdleVerdict.STEADY)
    assert ("fit less overlap" in lowest_speed_words(idle)) is not idle.steady


@pytest.mark.parametrize(("rate", "words"), [(0.0, "No cycle"), (0.3, "No cycle"), (1.2, "About one cycle a"), (37.0, "About 40 "), (340.0, "About 300 ")])
def test_missed_cycles_a_minute_carry_one_digit(rate: float, words: str, plain: Plain) -> None:
    assert plain(missed_words(a_state(missed_per_minute=rate / 60.0))).startswith(words)


def test_lowest_speeds_are_no_finer_than_their_search_and_say_where_none_was_found(plain: Plain) -> None:
    said = plain(lowest_speed_words(an_advice()))
    assert said.startswith("Steady from 1280 rpm. No more than 1 % of cycles miss from 640 rpm. Runs at all from 350 rpm or less.")
    none = an_advice(lowest_steady_speed=None, lowest_speed_without_misses=None, lowest_speed=None)
    said = plain(lowest_speed_words(none))
    assert said.startswith("Steady at no idle speed up to 2000 rpm. No more than 1 % of cycles miss at no idle speed up to 2000 rpm.")
    assert "Runs at all at no idle speed up to 2000 rpm." in said
    same = an_advice(lowest_speed_without_misses=350.0 / 60.0)
    assert "miss" not in lowest_speed_words(same)


def test_an_idle_in_words_leads_with_the_verdict_and_names_every_figure(plain: Plain) -> None:
    gap = IdleGap(cam="A 290 (invented)", gearbox="drive", accessories="on", speed=850.0 / 60.0, lowest_speed=None)
    idle = an_advice(
        vacuum_penalty=9.0 * INHG, vacuum_penalty_at_equal_speed=8.0 * INHG, brakes=brake_assist(11.0 * INHG, ambient=SEA_LEVEL), unreachable=(gap,),
        new=(a_state(burned_fraction=0.45, beyond_data=True),),
    )  # fmt: skip
    lines = plain(describe(idle)).splitlines()
    assert lines[0].startswith("Rough idle at 850 rpm, but alive")
    assert "not idle in every state of the car" in lines[0]
    text = " ".join(lines)
    told = (
        "9.00 inHg, each at its own idle speed",
        "8.00 inHg at the new cam's",
        "40 mm2",
        "booster",
        "will not idle at 850 rpm, drive",
        "beyond any engine data",
    )
    assert [words for words in told if words not in text] == []
    assert "kPa of vacuum" in describe(idle, units=UnitSystem.METRIC)


@pytest.mark.parametrize(("share", "words"), [(1.5, "Open the throttle stop"), (0.7, "Close the throttle stop"), (1.02, "Leave the throttle stop")])
def test_the_throttle_stop_is_opened_closed_or_left(share: float, words: str, plain: Plain) -> None:
    opening = ThrottleOpening(air_flow=6.5e-3, throttle_area=40e-6, replaced_throttle_area=40e-6 / share, of_replaced=share)
    assert words in plain(describe(opening))
    assert (f"{share:.1f} times" in describe(opening)) is (words != "Leave the throttle stop")
    alone = opening.replace(of_replaced=math.nan)
    assert "Set the throttle stop" in plain(describe(alone))


def test_a_residual_beyond_data_is_said_where_it_is_and_only_there(plain: Plain) -> None:
    assert beyond_data_words(a_state()) == ""
    assert "45 %" in plain(beyond_data_words(a_state(burned_fraction=0.45, beyond_data=True)))


def beside(meets: TableMeetsIdle, **changes: Any) -> IdleSparkBesideTable:
    known: dict[str, Any] = {
        "idle_spark": 36.0, "table_spark": 17.0, "vacuum_on_idle_spark": 11.0 * INHG, "vacuum_on_table_spark": 8.0 * INHG, "variation_on_idle_spark": 0.12,
        "variation_on_table_spark": 0.15, "missed_on_idle_spark": 0.01, "missed_on_table_spark": 0.0, "marks": {"idle_spark": Mark.CAP},
    }  # fmt: skip
    return IdleSparkBesideTable(meets=meets, **(known | changes))


def a_sweep(**changes: Any) -> IdleSpark:
    row, swept = np.array([21.0]), np.array([0.0, 20.0, 40.0])
    known: dict[str, Any] = {
        "speed": np.array([850.0 / 60.0]), "spark": row, "best_spark": row + 17.0, "reserve_spark": row + 5.0, "misfire_limit": row, "swept_spark": swept,
        "manifold_vacuum": 3e4 + swept, "imep_variation": 0.1 + 0.0 * swept, "missed": 0.0 * swept, "partial": 0.0 * swept,
        "burned_fraction": 0.4 + 0.0 * swept,
        "idle_spark": 21.0, "idle_reserve_spark": 26.0, "idle_misfire_limit": 21.0, "idle_misfire_limit_cautious": 9.0, "rule": IdleSparkRule.MISFIRE,
    }  # fmt: skip
    return IdleSpark(**(known | changes))


@pytest.mark.parametrize("rule", IdleSparkRule)
def test_both_candidates_of_the_idle_spark_are_in_words_and_what_decided(rule: IdleSparkRule, plain: Plain) -> None:
    lines = plain(describe(a_sweep(rule=rule))).splitlines()
    assert lines[0] == "Idle spark: 21 deg BTDC."
    assert "reserve is 26 deg BTDC, the misfire limit 21 deg BTDC, or 9 deg BTDC with cautious" in lines[1]
    assert lines[1].endswith(RULES[rule])
    assert len(set(RULES.values())) == len(IdleSparkRule)


def test_an_end_of_the_search_for_misses_says_so(plain: Plain) -> None:
    open_ended = a_sweep(idle_misfire_limit=60.0, marks={"idle_misfire_limit": Mark.OR_MORE})
    assert "the misfire limit 60 deg BTDC or more" in plain(candidates_words(open_ended))


def test_each_way_in_which_idle_spark_and_starting_table_meet_has_words_of_its_own(plain: Plain) -> None:
    said = {meets: plain(beside_table_words(beside(meets))) for meets in TableMeetsIdle}
    assert len(set(said.values())) == len(TableMeetsIdle)
    assert all("36 deg BTDC (cap)" in text for text in said.values())
    assert said[TableMeetsIdle.SAME].startswith("One spark serves the idle")
    assert "knock leaves no spark there" in said[TableMeetsIdle.BLANK]
    assert "17 deg BTDC" in said[TableMeetsIdle.APART]
    assert "8.00 inHg (was 11.0 inHg), COV of IMEP 15 % (was 12 %), missed cycles 0 % (was 1 %)" in said[TableMeetsIdle.APART]
    assert "inHg" not in plain(beside_table_words(beside(TableMeetsIdle.APART, vacuum_on_table_spark=None)))


# Reversion.


def a_gear(number: int, rough: float | None, blown: float | None = None, **changes: Any) -> GearReversion:
    rough_below, blown_below = (None if speed is None else speed / 60.0 for speed in (rough, blown))
    known = {"unstable_below": rough_below, "unstable_below_road_speed": None, "blow_back_below": blown_below, "blow_back_below_road_speed": None}
    return GearReversion(gear=number, ratio=1.0, **(known | changes))


def test_gears_that_are_rough_are_named_with_the_highest_speed(plain: Plain) -> None:
    gears = [a_gear(1, None), a_gear(2, 1500.0), a_gear(3, 1800.0), a_gear(4, 1703.0)]
    assert plain(rough_words(gears)).startswith("Rough on the level road in gears 2 to 4, up to 1800 rpm.")
    assert plain(rough_words(gears[:1])) == "Steady in every gear on the level road, down to 600 rpm."
    assert plain(describe(gears[3].replace(blow_back_below=20.0))) == "Gear 4: rough below 1700 rpm; reversion below 1200 rpm."


def test_a_gear_that_holds_the_car_nowhere_is_no_answer_and_a_converter_is_named(plain: Plain) -> None:
    nowhere = a_gear(5, None, held=False)
    assert "no answer" in plain(describe(nowhere))
    notes = reversion_notes([a_gear(1, None, taken_as_locked=True), nowhere])
    assert len(notes) == 2
    assert "converter" in notes[0]
    assert "Gear 5" in notes[1]
    assert reversion_notes([a_gear(1, 1500.0)]) == []
    assert plain(reversion_words([nowhere])).splitlines()[2:] == [notes[1]]
    blown = plain(reversion_words([a_gear(2, None, 1800.0), a_gear(3, None, 2000.0)]))
    assert "Reversion above its limit in gears 2, 3, up to 2000 rpm." in blown
    assert "Reversion in no gear above its limit" in reversion_words([nowhere])


def test_a_mark_of_a_speed_is_in_the_words() -> None:
    assert "4000 rpm or more" in describe(a_gear(1, 4000.0, marks={"unstable_below": Mark.OR_MORE}))


# Sensors.


def a_reading(closed_loop: ClosedLoop) -> SensorReading:
    return SensorReading(true_lambda=0.95, shown_lambda=1.064, burned_share=0.85, hydrocarbons=3.8e-3, reads_lean_by=0.12, closed_loop=closed_loop)


def test_closed_loop_may_stay_on_or_is_switched_off(plain: Plain) -> None:
    said = {code: plain(describe(a_reading(code))) for code in ClosedLoop}
    assert "may stay on" in said[ClosedLoop.MAY_STAY_ON]
    for words in (
        "1.06 shown, 0.95 true",
        "85 %",
        "12 % too lean",
        "Switch closed-loop trim off",
        "Tune by idle quality",
        "missed and partial burns, not from",
    ):
        assert words in said[ClosedLoop.SWITCH_OFF]
    assert all("about 3800 ppm HC (hexane)" in text for text in said.values())


def test_each_reading_of_meter_and_table_has_words_of_its_own(plain: Plain) -> None:
    def lines(meter: MeterReading, table: TableReading) -> list[str]:
        return plain(describe(LoadSensing(air_meter=0.4, air_meter_at_most=0.9, pressure_sensor=-0.25, meter=meter, table=table))).splitlines()

    meters = {meter: lines(meter, TableReading.TRUE)[0] for meter in MeterReading}
    tables = {table: lines(MeterReading.TRUE, table)[1] for table in TableReading}
    assert len(set(meters.values())) == len(MeterReading)
    assert len(set(tables.values())) == len(TableReading)
    assert "40 % too much" in meters[MeterReading.TOO_MUCH]
    assert "up to 90 % too much" in meters[MeterReading.DAMPED]
    assert "25 % too little" in tables[TableReading.TOO_LITTLE]
    both = IdleSensing(mixture=a_reading(ClosedLoop.SWITCH_OFF), load=None)
    assert plain(describe(both)) == describe(both.mixture)


def test_every_use_that_a_model_must_not_be_put_to_has_words(plain: Plain) -> None:
    for use in ModelUse:
        assert "not for an engine" in plain(describe(use))

"""The first screen: five answers in the order of the job, in one screen, in short sentences, each caution before what it is about."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from typing import Any

import pytest
from rich.console import Console

from camcalc import describe
from camcalc.advice.idle import IdleVerdict
from camcalc.advice.idle_balance import IdleSparkRule
from camcalc.cautions import Caution
from camcalc.report.terminal import print_first_screen
from camcalc.vehicle.coupling import Coupling
from camcalc.words.first_screen import Excerpt, first_screen

Make = Callable[..., Any]
HEADS = ["1. Idle, warm", "2. Starting spark", "3. Fuel", "4. Lowest usable speed by gear", "5. Before the key is turned"]


def printed(brief: Any, width: int = 100) -> str:
    console = Console(width=width, file=io.StringIO())
    print_first_screen(brief, console)
    return str(console.file.getvalue())  # type: ignore[attr-defined]


@pytest.mark.parametrize(("width", "most"), [(100, 45), (80, 60)])
def test_it_fits_one_screen(brief_of: Make, banded_brief: Any, example: str, width: int, most: int) -> None:
    for brief in (brief_of(example), banded_brief):
        lines = printed(brief, width).splitlines()
        assert len(lines) <= most
        assert max(map(len, lines)) <= width
        assert [line for line in lines if "…" in line] == []


def test_a_rough_idle_with_all_that_may_be_said_of_it_still_fits(banded_brief: Any) -> None:
    idle = banded_brief.idle
    marks = {"lowest_steady_speed": None, "lowest_speed": None}
    states = tuple(state.replace(verdict=IdleVerdict.ROUGH, missed_per_minute="34 1/minute") for state in idle.new)
    limits = {"idle_misfire_limit_cautious": "9 crank_deg", "rule": IdleSparkRule.MISFIRE, "marks": {}}
    spark = banded_brief.idle_spark.replace(**limits)
    rough = banded_brief.replace(idle=idle.replace(new=states, lowest_steady_speed="1281 rpm", marks=marks), idle_spark=spark)
    text = " ".join(printed(rough).split())
    assert "Rough idle at 780 rpm in neutral, but alive" in text
    assert "About 30 cycles a minute miss." in text
    assert "Earlier spark misses; the cautious limit is 9 deg BTDC." in text
    assert "Steady from 1280 rpm up. Raise the idle speed or fit less overlap." in text
    assert len(printed(rough).splitlines()) <= 45


def test_an_idle_that_misses_leads_with_how_often(banded_brief: Any) -> None:
    states = tuple(state.replace(verdict=IdleVerdict.MISSES, missed_per_minute="340 1/minute") for state in banded_brief.idle.new)
    text = " ".join(printed(banded_brief.replace(idle=banded_brief.idle.replace(new=states))).split())
    assert "Idle at 780 rpm in neutral misses about 300 cycles a minute" in text


def test_the_answers_come_in_the_order_of_the_job(brief_of: Make, example: str) -> None:
    parts = first_screen(brief_of(example))
    assert [part.head.partition(":")[0] for part in parts] == HEADS
    text = printed(brief_of(example))
    assert sorted(HEADS, key=text.index) == HEADS


def test_it_names_one_idle_spark_and_the_next_step_of_each_answer(brief_of: Make, example: str) -> None:
    brief = brief_of(example)
    idle, spark, fuel, _, _ = (" ".join(line for line in part.lines if isinstance(line, str)) for part in first_screen(brief))
    assert idle.count("Idle spark:") == 1
    assert f"{brief.idle_spark.si.idle_spark:.0f} deg BTDC" in idle
    assert brief.idle_spark.si.idle_spark == brief.idle.new[0].si.spark == brief.idle_spark.table.si.idle_spark
    assert brief.to_dict()["idle_spark"]["idle_spark"]["value"] == brief.to_dict()["idle"]["new"][0]["spark"]["value"]
    assert "mid-travel" in idle
    assert "Local law" in spark
    assert f"{brief.fuel_factors.si.idle_factor:.2f} before cranking" in fuel
    assert "End of injection, deg before overlap TDC" in fuel
    assert "at a cruise" in fuel


def test_the_band_is_shown_and_carries_the_digits(banded_brief: Any) -> None:
    low, high = banded_brief.idle.bands["vacuum"]
    assert re.search(rf"\({low / 1e3:.1f} to {high / 1e3:.1f}\) of vacuum", printed(banded_brief))


def test_each_caution_is_before_what_it_is_about(brief_of: Make, example: str) -> None:
    text = " ".join(printed(brief_of(example)).split())
    hazards = ((Caution.CRANKING, "Idle spark:"), (Caution.KNOCK, "Idle spark:"), (Caution.BRAKES, "Brakes: 1"), (Caution.KNOCK, "MAP, kPa"))
    for caution, tempts in (*hazards, (Caution.ADDING_SPARK, "MAP, kPa")):
        if tempts in text:
            assert str(caution) in text[: text.index(tempts)]
    table = text[text.index("2. Starting spark") :]
    assert table.index(str(Caution.KNOCK)) < table.index("MAP, kPa") < table.index(str(Caution.LAW))
    assert all(str(caution) in text for caution in (Caution.PISTON_TO_VALVE, Caution.SPRINGS, Caution.EXHAUST_GAS, Caution.STARTING_VALUE))


def test_no_sentence_is_longer_than_twenty_five_words(brief_of: Make, banded_brief: Any, example: str) -> None:
    for brief in (brief_of(example), banded_brief):
        for part in first_screen(brief):
            for line in (line for line in part.lines if isinstance(line, str)):
                for sentence in re.split(r"(?<=[.:;])\s", line):
                    assert len(sentence.split()) <= 25, sentence


def test_a_gear_that_cannot_lock_is_not_listed_as_locked(banded_brief: Any) -> None:
    assert banded_brief.build.vehicle.transmission == "converter"
    locked = {one.gear for one in banded_brief.usable_gears if one.coupling is Coupling.LOCKED}
    assert locked <= set(banded_brief.build.vehicle.smooth_gears)
    assert {one.gear for one in banded_brief.usable_gears if one.coupling is Coupling.CONVERTER} > locked
    (table,) = (line for part in first_screen(banded_brief) for line in part.lines if isinstance(line, Excerpt) and line.path == "usable_gears")
    assert sum("locked" in name for name in table.texts[0]) == len(locked)


def test_the_lowest_use_is_the_worst_of_rough_surge_and_stalling(brief_of: Make, example: str) -> None:
    brief = brief_of(example)
    rough = {gear.gear: gear.si.unstable_below for gear in brief.reversion.new}
    for one in brief.usable_gears:
        (surge,) = (gear for gear in brief.surge[0].gears if (gear.gear, gear.coupling) == (one.gear, one.coupling))
        limits = [surge.si.slowest, surge.si.bad_below, rough[one.gear] if one.coupling is Coupling.LOCKED else 0.0]
        assert one.si.lowest == pytest.approx(max(limit for limit in limits if limit == limit), rel=1e-12)


def test_the_words_are_the_printed_screen(brief_of: Make, example: str) -> None:
    assert " ".join(describe(brief_of(example)).split()) == " ".join(printed(brief_of(example)).split())


def test_the_units_are_those_of_the_sheet(brief_of: Make) -> None:
    assert "inHg of vacuum" in printed(brief_of("quarry-road"))
    assert re.search(r"\n  mph ", printed(brief_of("quarry-road")))
    assert "kPa of vacuum" in printed(brief_of("dockside"))
    assert re.search(r"\n  km/h ", printed(brief_of("dockside")))

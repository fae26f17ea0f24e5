"""Which units the outputs are in: what the sheet says, what it was typed in, what the command line asks for."""

from __future__ import annotations

import argparse
import copy
import tomllib
from pathlib import Path
from typing import Any

import pytest

from camcalc.cli.outputs import add_units, in_units
from camcalc.errors import InputError
from camcalc.sheet import load_build, load_cam, read_build, save_build
from camcalc.sheet.typed_units import typed_units
from camcalc.unit_system import UnitSystem

METRIC, IMPERIAL = UnitSystem.METRIC, UnitSystem.IMPERIAL
EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture
def sheet() -> dict[str, Any]:
    return tomllib.loads((EXAMPLES / "quarry-road" / "build.toml").read_text(encoding="utf-8"))


def keyed(sheet: dict[str, Any]) -> dict[str, tuple[str, str]]:
    return {a.key: (a.value, a.why) for a in read_build(sheet).assumed}


@pytest.mark.parametrize(("name", "system"), [("quarry-road", IMPERIAL), ("long-meadow", METRIC), ("dockside", METRIC)])
def test_an_example_is_shown_in_the_units_it_was_typed_in(name: str, system: UnitSystem) -> None:
    build = load_build(EXAMPLES / name / "build.toml")
    assert build.units is system
    assert build.vehicle.road_speed_unit == system.road_speed_unit
    assert load_cam(EXAMPLES / name / "build.toml").units is system


def test_units_taken_from_the_typing_are_listed_as_assumed_and_stated_ones_are_not(sheet: dict[str, Any]) -> None:
    assert keyed(sheet)["[build] units"][0] == "imperial"
    sheet["build"]["units"] = "metric"
    assert "[build] units" not in keyed(sheet)
    assert read_build(sheet).units is METRIC


def test_road_speed_follows_the_units_unless_it_is_stated(sheet: dict[str, Any]) -> None:
    del sheet["vehicle"]["road_speed_unit"]
    assert read_build(sheet).vehicle.road_speed_unit == "mph"
    sheet["build"]["units"] = "metric"
    assert read_build(sheet).vehicle.road_speed_unit == "km/h"
    assert keyed(sheet)["[vehicle] road_speed_unit"] == ("km/h", "as the units of [build]; used in outputs only")
    changed = read_build(sheet).replace(units=IMPERIAL)
    assert changed.vehicle.road_speed_unit == "mph"
    assert {a.key: a.value for a in changed.assumed}["[vehicle] road_speed_unit"] == "mph"
    sheet["vehicle"]["road_speed_unit"] = "mph"
    assert read_build(sheet).vehicle.road_speed_unit == "mph"


def test_a_cams_four_lifts_have_one_vote() -> None:
    lobes = {kind: {"valve_lift": "0.548 inch"} for kind in ("intake", "exhaust")}
    data = {"cam": lobes, "replaced_cam": lobes, "engine": {"bore": "103 mm", "stroke": "88.5 mm"}, "vehicle": {"mass": "1600 kg"}}
    assert typed_units(data) is METRIC
    assert typed_units({"cam": lobes}) is IMPERIAL


def test_equal_parts_go_by_the_road_speed_and_nothing_is_metric() -> None:
    equal = {"engine": {"bore": "4 inch"}, "vehicle": {"mass": "1600 kg"}}
    assert typed_units(equal) is METRIC
    assert typed_units({"engine": {"bore": "4 inch"}, "vehicle": {"mass": "1600 kg", "road_speed_unit": "mph"}, "site": {"altitude": "30 m"}}) is IMPERIAL
    assert typed_units({}) is METRIC
    assert typed_units({"engine": {"bore": 4, "stroke": "? mm"}, "vehicle": "none"}) is METRIC


@pytest.mark.parametrize(("word", "fix"), [("imperal", 'did you mean "imperial"'), ("US", 'did you mean "imperial"'), (1, "")])
def test_other_units_are_refused_with_what_may_be_meant(sheet: dict[str, Any], word: object, fix: str) -> None:
    sheet["build"]["units"] = word
    with pytest.raises(InputError) as error:
        read_build(sheet)
    assert error.value.key == "[build] units"
    assert error.value.expected == '"metric" or "imperial"'
    assert fix in error.value.fix


def test_stated_units_are_saved_and_assumed_ones_stay_assumed(sheet: dict[str, Any], tmp_path: Path) -> None:
    assert "units" not in save_build(read_build(sheet), tmp_path / "one.toml").read_text(encoding="utf-8").partition("[engine]")[0]
    sheet["build"]["units"] = "imperial"
    saved = save_build(read_build(sheet), tmp_path / "two.toml")
    assert load_build(saved).units is IMPERIAL
    assert 'units = "imperial"' in saved.read_text(encoding="utf-8")


def test_a_changed_figure_written_in_metres_turns_no_saved_sheet_metric(sheet: dict[str, Any], tmp_path: Path) -> None:
    del sheet["vehicle"]["road_speed_unit"], sheet["site"]["altitude"]
    build = read_build(sheet)
    assert build.units is IMPERIAL
    heavier = build.replace(vehicle=build.vehicle.replace(mass=build.vehicle.mass * 1.1))
    assert load_build(save_build(heavier, tmp_path / "heavier.toml")).units is IMPERIAL


@pytest.mark.parametrize(
    ("words", "units", "road"), [([], IMPERIAL, "mph"), (["--units", "metric"], METRIC, "km/h"), (["--units", "imperial"], IMPERIAL, "mph")]
)
def test_the_command_line_has_the_last_word(sheet: dict[str, Any], words: list[str], units: UnitSystem, road: str) -> None:
    parser = argparse.ArgumentParser()
    add_units(parser)
    build = in_units(read_build(copy.deepcopy(sheet)), parser.parse_args(words))
    assert build.units is units
    assert build.vehicle.road_speed_unit == road

"""Words of the trade lead to the sheet's own, in hints only; slips of writing are named by line and key."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from camcalc.errors import CamcalcError, InputError, InputErrors
from camcalc.sheet import load_build, read_build
from camcalc.sheet.card_keys import CARD, LOBE
from camcalc.sheet.sections import SECTIONS
from camcalc.sheet.trade_words import KEYS, VALUES
from camcalc.units import parse

SECTION_NAMES = {*SECTIONS, "cam", "replaced_cam", "build", "spark"}
OWN_KEYS = {*SECTION_NAMES, *CARD, *LOBE, *(key for kind in SECTIONS.values() for key in kind.inputs())}
CHOICES = {c for kind in SECTIONS.values() for field in kind.inputs().values() for c in field.metadata.get("choices", ())}


def refused(sheet: dict[str, Any]) -> InputError:
    with pytest.raises(CamcalcError) as caught:
        read_build(sheet)
    return caught.value.problems[0] if isinstance(caught.value, InputErrors) else caught.value  # type: ignore[return-value]


def test_every_word_leads_to_a_key_or_value_that_there_is() -> None:
    assert set(KEYS) - OWN_KEYS == set()
    assert set(VALUES) - CHOICES - {"hydraulic", "solid", "tappet", "valve", "hot", "metric", "imperial"} == set()


def test_a_word_leads_to_one_key_and_is_none_itself() -> None:
    words = [word for group in KEYS.values() for word in group]
    assert len(words) == len(set(words))
    values = [word for group in VALUES.values() for word in group]
    assert len(values) == len(set(values))


@pytest.mark.parametrize(
    ("section", "word", "own"),
    [
        ("site", "air_pressure", "barometer"),
        ("site", "elevation", "altitude"),
        ("vehicle", "weight", "mass"),
        ("vehicle", "tire", "tyre_radius"),
        ("vehicle", "Axle-Ratio", "final_drive"),
        ("engine", "cr", "compression_ratio"),
        ("injector", "latency", "dead_time"),
        ("cam", "lsa", "lobe_separation"),
        ("cam", "ICL", "intake_centreline"),
        ("cam", "intake_centerline", "intake_centreline"),
    ],
)
def test_a_word_of_the_trade_is_refused_with_the_key_it_goes_by(section: str, word: str, own: str, sheet: dict[str, Any]) -> None:
    sheet.setdefault(section, {})[word] = "1 m"
    assert refused(sheet).fix == f'it is called "{own}" here'


@pytest.mark.parametrize(("section", "own"), [("car", "vehicle"), ("camshaft", "cam"), ("stock_cam", "replaced_cam"), ("weather", "site")])
def test_a_section_s_other_name_leads_to_its_own(section: str, own: str, sheet: dict[str, Any]) -> None:
    sheet[section] = {}
    error = refused(sheet)
    assert error.came == "an unknown section"
    assert f'"{own}"' in error.fix


@pytest.mark.parametrize(
    ("section", "word", "fix"),
    [
        ("engine", "octane", "write it under [fuel]"),
        ("engine", "idle_speed", 'write it under [idle] as "speed"'),
        ("engine", "displacement", "leave it out: it follows from bore, stroke and cylinders"),
        ("cam", "duration", "write it under [cam.intake] and [cam.exhaust]"),
        ("vehicle", "tire_diameter", "halve it and write it as tyre_radius"),
        ("injector", "pressure", 'did you mean "fuel_pressure"?'),
    ],
)
def test_a_key_in_the_wrong_place_or_form_is_sent_where_it_belongs(section: str, word: str, fix: str, sheet: dict[str, Any]) -> None:
    sheet[section][word] = "1 m"
    assert refused(sheet).fix == fix


@pytest.mark.parametrize(
    ("section", "key", "word", "own"),
    [
        ("vehicle", "transmission", "manual", "clutch"),
        ("vehicle", "transmission", "automatic", "converter"),
        ("vehicle", "transmission", "Automatic", "converter"),
        ("vehicle", "transmission", "DCT", "locked automatic"),
        ("fuel", "kind", "petrol", "gasoline"),
        ("fuel", "system", "carb", "carburettor"),
        ("fuel", "system", "MPFI", "sequential port"),
        ("injector", "regulator", "returnless", "fixed"),
        ("vehicle", "road_speed_unit", "kph", "km/h"),
        ("cam", "tappet", "hydraulic roller", "hydraulic"),
        ("cam", "measured_at", "lifter", "tappet"),
    ],
)
def test_a_value_of_the_trade_is_refused_with_the_choice_it_means(section: str, key: str, word: str, own: str, sheet: dict[str, Any]) -> None:
    sheet[section][key] = word
    assert refused(sheet).fix == f'did you mean "{own}"?'


@pytest.mark.parametrize("ratio", ["1.6", "1.6:1", "1.6 to 1"])
def test_a_ratio_in_quotes_is_told_how_to_write_it(ratio: str, sheet: dict[str, Any]) -> None:
    sheet["cam"]["rocker_ratio"] = ratio
    assert refused(sheet).fix == "write rocker_ratio = 1.6, without quotes"


# Slips of writing.


def syntax(text: str, folder: Path) -> InputError:
    path = folder / "build.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as error:
        load_build(path)
    return error.value


@pytest.mark.parametrize(
    ("line", "expected", "fix"),
    [
        ("compression_ratio = 10,7", "a decimal point", "write compression_ratio = 10.7"),
        ("bore = 86,5 mm", "a decimal point", 'write bore = "86.5 mm"'),
        ("bore = 4.00 inch", "a quantity in quotes", 'write bore = "4.00 inch"'),
        ("bore = 4.00 inch # as measured", "a quantity in quotes", 'write bore = "4.00 inch"'),
        ('"0.050 inch" = 230 crank_deg', "a quantity in quotes", 'write "0.050 inch" = "230 crank_deg"'),
        ("mass = 1,250 kg", "a decimal point", 'write mass = "1250 kg" or mass = "1.250 kg"'),
        ("altitude = 1,250,000 m", "a decimal point", 'write altitude = "1250000 m"'),
        ("octane = 98 RON", "a quantity in quotes", 'write octane = "98 RON"'),
    ],
)
def test_a_figure_without_quotes_or_point_is_named_by_line_and_key(line: str, expected: str, fix: str, tmp_path: Path) -> None:
    error = syntax(f"[engine]\ncylinders = 8\n{line}\n", tmp_path)
    assert error.came == f"line 3: {line}"
    assert (error.expected, error.fix) == (expected, fix)


def test_another_slip_of_syntax_shows_its_line_and_the_reason(tmp_path: Path) -> None:
    error = syntax('[engine]\nbore "4 inch"\n', tmp_path)
    assert error.came.startswith('line 2: bore "4 inch" (')


@pytest.mark.parametrize(
    ("section", "key", "value", "fix"),
    [
        ("engine", "compression_ratio", "10,7", "write compression_ratio = 10.7, without quotes or unit"),
        ("engine", "compression_ratio", "10.7", "write compression_ratio = 10.7, without quotes or unit"),
        ("engine", "bore", "10,7 cm", 'write "10.7 cm"'),
        ("vehicle", "mass", "1,250 kg", 'write "1250 kg" or "1.250 kg"'),
        ("vehicle", "gear_ratios", [3, 45, 1, 95], "with decimal points: [3.45, 1.95]? A comma parts two figures"),
        ("engine", "bore", "? mm", 'put your figure in place of the "?"'),
        ("engine", "cylinders", "?", 'put your figure in place of "?", without quotes'),
    ],
)
def test_a_comma_or_a_gap_is_told_with_what_to_type(section: str, key: str, value: Any, fix: str, sheet: dict[str, Any]) -> None:
    sheet[section][key] = value
    assert refused(sheet).fix == fix


def test_thousands_and_a_decimal_comma_are_both_offered_where_either_may_be_meant() -> None:
    with pytest.raises(InputError, match=r'write "1200 rpm" or "1\.200 rpm"'):
        parse("1,200 rpm")
    with pytest.raises(InputError, match=r'write "1\.20 rpm"$'):
        parse("1,20 rpm")


# All of it at once.


def test_the_problems_past_the_first_screenful_are_named(sheet: dict[str, Any]) -> None:
    keys = ["bore", "stroke", "rod_length", "intake_valve_diameter", "exhaust_valve_diameter", "intake_runner_volume", "plenum_volume", "rotating_inertia"]
    for key in keys:
        sheet["engine"][key] = 4.0
    sheet["idle"]["speed"] = sheet["vehicle"]["mass"] = 1.0
    with pytest.raises(InputErrors) as error:
        read_build(sheet)
    last = str(error.value).partition("... and 5 more: ")[2]
    assert " ".join(last.split()) == "[engine] intake_runner_volume, plenum_volume, rotating_inertia; [idle] speed; [vehicle] mass"


def test_all_that_is_wrong_on_a_card_is_told_at_once(sheet: dict[str, Any]) -> None:
    sheet["cam"] |= {"lobe_separation": 110, "intake_centreline": "106"}
    del sheet["cam"]["rocker_ratio"]
    for kind in ("intake", "exhaust"):
        sheet["cam"][kind] |= {"valve_lift": "14 inch", "duration": {"0.050 inch": 236}}
    with pytest.raises(InputErrors) as error:
        read_build(sheet)
    assert {p.key for p in error.value.problems} == {
        "[cam] lobe_separation", "[cam] intake_centreline", "[cam] rocker_ratio", "[cam.intake] valve_lift", "[cam.exhaust] valve_lift",
        '[cam.intake] duration."0.050 inch"', '[cam.exhaust] duration."0.050 inch"',
    }  # fmt: skip

"""Reading a build sheet: the examples, what is assumed, and how every bad input is told."""

from __future__ import annotations

import copy
import datetime
import math
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st

from camcalc.errors import CamcalcError, InputError, InputErrors
from camcalc.sheet import Build, load_build, read_build
from camcalc.sheet.reading import SECTIONS

Change = Callable[[dict[str, Any]], None]
ONE_SCREEN = 25
QUARRY = tomllib.loads((Path(__file__).parents[2] / "examples" / "quarry-road" / "build.toml").read_text(encoding="utf-8"))


def test_an_example_loads_without_a_note(example_path: Path) -> None:
    build = load_build(example_path)
    assert build.label == "invented example"
    assert build.notes == ()
    assert build.replaced_cam is not None


def test_figures_come_out_as_they_were_written(sheet: dict[str, Any]) -> None:
    build = read_build(sheet)
    assert build.name == "Test Lane"
    assert build.engine.cylinders == 8
    assert build.engine.si.bore == pytest.approx(0.1015, rel=1e-12)
    assert build.engine.si.rod_length == pytest.approx(0.153, rel=1e-12)
    assert build.idle.si.speed == pytest.approx(850 / 60, rel=1e-12)
    assert build.injector is not None
    assert build.injector.si.flow == pytest.approx(30 * 0.45359237 / 3600, rel=1e-12)
    assert build.vehicle.gear_ratios == (3.1, 2.29, 1.7, 1.26, 0.93, 0.69)
    assert build.vehicle.si.mass == pytest.approx(3500 * 0.45359237, rel=1e-12)
    assert build.site.si.air_temperature == pytest.approx(293.15, rel=1e-12)


def test_everything_left_out_is_listed_as_assumed_with_a_reason(example_path: Path) -> None:
    build = load_build(example_path)
    listed = {a.key for a in build.assumed}
    for name in SECTIONS:
        section = getattr(build, name)
        if section is None:
            # A section that a sheet may do without states nothing, so that it assumes nothing.
            assert name == "learned"
            continue
        left_out = set(section.inputs()) - set(section.given)
        values = {key: getattr(section.si, key) if key in section.measures() else getattr(section, key) for key in left_out}
        known = {key for key, value in values.items() if not (isinstance(value, float) and math.isnan(value))}
        assert {f"[{name}] {key}" for key in known} == {key for key in listed if key.startswith(f"[{name}]")}
    assert all(a.value and a.why for a in build.assumed)


def test_a_default_is_worked_out_from_the_figures_that_were_given(sheet: dict[str, Any]) -> None:
    build = read_build(sheet)
    assert build.engine.si.exhaust_port_volume == pytest.approx(0.12 * math.pi / 4 * 0.1015**2 * 0.09, rel=1e-12)
    assert {a.key: a for a in build.assumed}["[engine] exhaust_port_volume"].why.startswith("ESTIMATE")


def test_a_seat_duration_that_the_card_leaves_out_is_listed_as_assumed(sheet: dict[str, Any]) -> None:
    for lobe in ("intake", "exhaust"):
        sheet["cam"][lobe]["duration"] = {"0.050 inch": sheet["cam"][lobe]["duration"]["0.050 inch"]}
    keys = [a.key for a in read_build(sheet).assumed]
    assert [key for key in keys if key.startswith("[cam.intake]")], keys
    assert [key for key in keys if key.startswith("[cam.exhaust]")], keys


def test_an_engine_without_injectors_needs_no_injector_section(sheet: dict[str, Any]) -> None:
    del sheet["injector"]
    sheet["fuel"]["system"] = "carburettor"
    assert read_build(sheet).injector is None


def test_a_spark_table_is_looked_for_beside_the_sheet(sheet: dict[str, Any], tmp_path: Path) -> None:
    sheet["spark"] = {"table": "base.csv"}
    assert read_build(sheet, path=tmp_path / "build.toml").spark_table == tmp_path / "base.csv"


# Bad input: one change each, and what the error must name.


def put(*path: str, value: Any) -> Change:
    def change(data: dict[str, Any]) -> None:
        for key in path[:-1]:
            data = data.setdefault(key, {})
        data[path[-1]] = value

    return change


def drop(*path: str) -> Change:
    def change(data: dict[str, Any]) -> None:
        for key in path[:-1]:
            data = data[key]
        del data[path[-1]]

    return change


BAD = {
    "wrong dimension": (put("engine", "bore", value="4.00 kg"), "[engine] bore", "4.00 kg", "a length"),
    "plain degrees": (put("cam", "intake", "duration", "0.050 inch", value="236 deg"), '[cam.intake] duration."0.050 inch"', "236 deg", '"236 crank_deg"'),
    "bare number": (put("engine", "bore", value=4.0), "[engine] bore", "4.0 (a bare number)", '"4.0 inch"'),
    "bare number in quotes": (put("engine", "bore", value="4.0"), "[engine] bore", "4.0 (a bare number)", '"4.0 inch"'),
    "inch for mm": (put("cam", "intake", "valve_lift", value="14.2 inch"), "[cam.intake] valve_lift", "14.2 inch", '"14.2 mm"'),
    "mm for inch": (put("engine", "bore", value="4.00 mm"), "[engine] bore", "4.00 mm", '"4.00 inch"'),
    "lobe separation in crank degrees": (put("cam", "lobe_separation", value="110 crank_deg"), "[cam] lobe_separation", "110 crank_deg", '"110 cam_deg"'),
    "negative duration": (put("cam", "intake", "duration", "0.050 inch", value="-9 crank_deg"), '[cam.intake] duration."0.050 inch"', "-9 crank_deg", "check"),
    "decimal comma": (put("engine", "bore", value="4,00 inch"), "[engine] bore", "4,00 inch", '"4.00 inch"'),
    "separation against centrelines": (put("cam", "exhaust_centreline", value="121 crank_deg"), "[cam] lobe_separation", "110.00 cam_deg", "check the card"),
    "durations swapped between heights": (put("cam", "intake", "duration", "0.200 inch", value="240 crank_deg"), "[cam.intake]", "240.0 crank_deg", "swapped"),
    "unknown key": (put("engine", "stoke", value="3.5 inch"), "[engine] stoke", "unknown key", '"stroke"'),
    "unknown cam key": (put("cam", "lobe_seperation", value="110 cam_deg"), "[cam] lobe_seperation", "unknown key", '"lobe_separation"'),
    "unknown lobe key": (put("cam", "intake", "valve_lft", value="14 mm"), "[cam.intake] valve_lft", "unknown key", '"valve_lift"'),
    "unknown section": (put("engin", "bore", value="4 inch"), "[engin]", "unknown section", '"engine"'),
    "boost": (put("engine", "boost", value="50 kPa"), "[engine] boost", "boost", "out of scope"),
    "phaser": (put("cam", "phaser", value=True), "[cam] phaser", "unknown key", "out of scope"),
    "turbocharger section": (put("turbocharger", value={}), "[turbocharger]", "turbocharger", "out of scope"),
    "missing figure": (drop("engine", "stroke"), "[engine] stroke", "nothing", "add stroke"),
    "missing cam": (drop("cam"), "[cam]", "nothing", "add a [cam] section"),
    "missing lift": (drop("cam", "intake", "valve_lift"), "[cam.intake] valve_lift", "nothing", "add valve_lift"),
    "nothing that places the lobes": (drop("cam", "intake_centreline"), "[cam]", "lobe_separation", "centreline"),
    "no lash with solid tappets": (put("cam", "tappet", value="solid"), "[cam.intake] lash", "nothing", "lash ="),
    "lash with hydraulic tappets": (put("cam", "intake", "lash", value="0.2 mm"), "[cam.intake] lash", "0.2 mm", '"solid"'),
    "unknown choice": (put("fuel", "kind", value="E86"), "[fuel] kind", "E86", '"E85"'),
    "number in quotes": (put("engine", "cylinders", value="8"), "[engine] cylinders", "8", "without quotes"),
    "altitude and barometer": (put("site", "barometer", value="98 kPa"), "[site]", "altitude and barometer", "keep the barometer"),
}  # fmt: skip


def told(path: Path) -> tuple[str, InputError]:
    with pytest.raises(CamcalcError) as caught:
        load_build(path)
    assert isinstance(caught.value, InputError | InputErrors), caught.value
    error = caught.value if isinstance(caught.value, InputError) else caught.value.problems[0]
    return str(caught.value), error


def written(data: dict[str, Any], folder: Path) -> Path:
    path = folder / "build.toml"
    path.write_text(tomli_w.dumps(data), encoding="utf-8")
    return path


@pytest.mark.parametrize(("change", "key", "came", "fix"), BAD.values(), ids=list(BAD))
def test_a_bad_input_is_told_with_file_key_what_came_and_the_fix(change: Change, key: str, came: str, fix: str, sheet: dict[str, Any], tmp_path: Path) -> None:
    change(sheet)
    path = written(sheet, tmp_path)
    text, error = told(path)
    assert error.file == str(path)
    assert error.key == key
    assert came in error.came
    assert fix in error.fix
    assert text.startswith(f"{path}: {key}\n")
    assert len(text.splitlines()) < ONE_SCREEN


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    text, error = told(tmp_path / "nowhere.toml")
    assert error.came == "no such file"
    assert "check the path" in text
    assert "nowhere.toml" in text


def test_a_folder_is_not_a_build_sheet(tmp_path: Path) -> None:
    _, error = told(tmp_path)
    assert error.file == str(tmp_path)


def test_toml_syntax_is_told_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "build.toml"
    path.write_text('[engine]\nbore = 4.00 inch\nstroke = "3.5 inch"\n', encoding="utf-8")
    text, error = told(path)
    assert error.key == "TOML syntax"
    assert error.came == "line 2: bore = 4.00 inch"
    assert error.fix == 'write bore = "4.00 inch"'
    assert str(path) in text


@pytest.mark.parametrize(
    "content", [b"\xff\xfe\x00b", b"a = " + b"1" * 5000, b"a = " + b"[" * 5000, b"a" * 1_000_001], ids=["not text", "5000 digits", "nested", "too long"]
)
def test_a_file_that_is_no_build_sheet_at_all_is_told(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "build.toml"
    path.write_bytes(content)
    text, _ = told(path)
    assert text.startswith(str(path))


def test_several_problems_are_told_together_on_one_screen(sheet: dict[str, Any], tmp_path: Path) -> None:
    for key in ("bore", "stroke", "rod_length", "intake_valve_diameter", "exhaust_valve_diameter", "intake_runner_volume", "plenum_volume", "rotating_inertia"):
        sheet["engine"][key] = 4.0
    text, _ = told(written(sheet, tmp_path))
    assert "[engine] bore" in text
    assert "[engine] stroke" in text
    assert "more" in text.splitlines()[-1]
    assert len(text.splitlines()) < ONE_SCREEN


def test_a_problem_in_the_replaced_cam_names_that_section(sheet: dict[str, Any], tmp_path: Path) -> None:
    sheet["replaced_cam"]["intake"]["valve_lift"] = "11.4 inch"
    assert told(written(sheet, tmp_path))[1].key == "[replaced_cam.intake] valve_lift"


def test_an_impossible_lobe_of_the_replaced_cam_names_that_section(sheet: dict[str, Any], tmp_path: Path) -> None:
    sheet["replaced_cam"]["intake"]["duration"] |= {"0.200 inch": "197 crank_deg"}
    assert told(written(sheet, tmp_path))[1].key == "[replaced_cam.intake]"


SENSELESS = {
    "400 digits": put("engine", "bore", value=10**400),
    "zero byte": put("cam", "intake", "lift_table", value="a\x00b"),
    "cam a list": put("cam", value=[]),
    "engine a word": put("engine", value="V8"),
    "a date": put("engine", "bore", value=datetime.date(2000, 1, 1)),
    "mixed ratios": put("vehicle", "gear_ratios", value=[3.1, "2.29"]),
    "no ratios": put("vehicle", "gear_ratios", value=[]),
    "rising ratios": put("vehicle", "gear_ratios", value=[1.0, 2.0]),
    "one coast-down term": put("vehicle", "coast_down_a", value="100 N"),
    "converter without stall": put("vehicle", "transmission", value="converter"),
    "short rod": put("engine", "rod_length", value="60 mm"),
    "big valve": put("engine", "intake_valve_diameter", value="79 mm"),
    "big port": put("engine", "intake_port_diameter", value="70 mm"),
    "nan": put("engine", "compression_ratio", value=math.nan),
    "true": put("engine", "compression_ratio", value=True),
    "name a table": put("build", "name", value={"a": 1}),
    "spark table a number": put("spark", "table", value=5),
    "no injector": drop("injector"),
}


@pytest.mark.parametrize("change", SENSELESS.values(), ids=list(SENSELESS))
def test_a_figure_that_makes_no_sense_is_told(change: Change, sheet: dict[str, Any]) -> None:
    change(sheet)
    with pytest.raises((InputError, InputErrors)):
        read_build(sheet)


# Whatever stands in the sheet, it is read or refused; nothing else comes out.

TOML_LEAVES = (
    st.text(max_size=12)
    | st.integers()
    | st.floats()
    | st.booleans()
    | st.dates()
    | st.times()
    | st.datetimes()
    | st.builds(
        "{} {}".format,
        st.integers(-400, 400) | st.decimals(-400, 400, places=2),
        st.sampled_from(["mm", "inch", "crank_deg", "cam_deg", "kPa", "rpm", "degC", "g/s", "kg", "", "deg", "crank_deg before TDC", "crank_deg after BDC"]),
    )
)
KEYS = st.sampled_from(
    ["intake", "exhaust", "opens", "closes", "duration", "0.050 inch", "1.0 mm", "valve_lift", "lift_table", "lash", "table", "advance", "overlap"]
) | st.text(max_size=4)
TOML_VALUES = st.recursive(TOML_LEAVES, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3), max_leaves=5)


def places(data: dict[str, Any], above: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    found = []
    for key, value in data.items():
        found.append((*above, key))
        if isinstance(value, dict):
            found += places(value, (*above, key))
    return found


def outcome(data: dict[str, Any]) -> Build | str:
    """A build, or the text of the error it is refused with; any other exception comes through."""
    try:
        return read_build(data)
    except CamcalcError as error:
        return str(error)


@pytest.mark.parametrize("figure", ["0e999 crank_deg", "0e-999 crank_deg", "-0 crank_deg", "4e0 crank_deg", "٤ crank_deg"])
def test_an_odd_but_finite_figure_is_read_or_refused(figure: str, sheet: dict[str, Any]) -> None:
    sheet["cam"]["advance"] = figure
    assert outcome(sheet)


@settings(max_examples=120)
@given(st.sampled_from(places(QUARRY)), TOML_VALUES)
def test_a_sheet_with_any_value_anywhere_is_read_or_refused(place: tuple[str, ...], value: Any) -> None:
    data = copy.deepcopy(QUARRY)
    put(*place, value=value)(data)
    assert outcome(data)


@settings(max_examples=60)
@given(st.sampled_from([p for p in places(QUARRY) if len(p) > 1]), KEYS, TOML_VALUES)
def test_a_sheet_with_any_key_added_anywhere_is_read_or_refused(place: tuple[str, ...], key: str, value: Any) -> None:
    data = copy.deepcopy(QUARRY)
    put(*place[:-1], key, value=value)(data)
    assert outcome(data)


@given(
    st.text()
    | st.lists(st.sampled_from(["[engine]", "[cam.intake]", "\n", "bore", "=", '"4 inch"', "4", "[[cam]]", "'", '"""', "{", "}", ".", "é"])).map("".join)
)
def test_a_file_with_any_text_is_read_or_refused(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    path = tmp_path_factory.mktemp("any") / "build.toml"
    path.write_text(text, encoding="utf-8", errors="replace", newline="")
    with pytest.raises(CamcalcError) as caught:
        load_build(path)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize("name", ["\\u001b[2J", "one\\ntwo", "turned \\u202e round"])
def test_text_that_would_move_the_cursor_is_refused(name: str, tmp_path: Path) -> None:
    path = tmp_path / "build.toml"
    path.write_text(f'[build]\nname = "{name}"\n', encoding="utf-8")
    with pytest.raises(InputError, match="plain text on one line"):
        load_build(path)

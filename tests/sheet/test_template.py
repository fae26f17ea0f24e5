"""The sheet to fill in and the README's list of keys: written from the declarations, complete, and true when filled in."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from camcalc.errors import CamcalcError, InputError
from camcalc.sheet import load_build, load_cam
from camcalc.sheet.card_keys import CARD, LOBE
from camcalc.sheet.examples import example_files, example_names
from camcalc.sheet.sections import SECTIONS as EVERY
from camcalc.sheet.sections import WRITTEN_BY_COMMANDS
from camcalc.sheet.template import FIRST, key_list, sheet_template

# Sections that a user types; the others a command writes.
SECTIONS = {name: kind for name, kind in EVERY.items() if name not in WRITTEN_BY_COMMANDS}
# Invented figures for every "?" that must be replaced.
FILLED = {
    "rocker_ratio": "1.5", "lobe_separation": '"111 cam_deg"', "intake_centreline": '"107 crank_deg"', "valve_lift": '"13 mm"', "cylinders": "6",
    "bore": '"90 mm"', "stroke": '"80 mm"', "rod_length": '"140 mm"', "compression_ratio": "10.0", "speed": '"900 rpm"', "flow": '"3.2 g/s"',
    "transmission": '"clutch"', "mass": '"1300 kg"', "tyre_radius": '"195/50R15"', "final_drive": "3.9", "gear_ratios": "[3.2, 1.9, 1.3, 1.0]",
    '"0.006 inch"': '"270 crank_deg"', '"0.050 inch"': '"220 crank_deg"',
}  # fmt: skip


def filled(text: str) -> str:
    """The template with every figure that is asked for, as a user would type it."""

    def figure(line: re.Match[str]) -> str:
        return f"{line['key']} = {FILLED[line['key']]}"

    return re.sub(r'^(?P<key>[\w"][^#=\n]*?) = .*\?.*$', figure, text, flags=re.MULTILINE)


@pytest.fixture
def template_path(tmp_path: Path) -> Path:
    path = tmp_path / "my.toml"
    path.write_text(filled(sheet_template("my.toml")), encoding="utf-8")
    return path


def test_a_filled_in_template_is_a_build(template_path: Path) -> None:
    build = load_build(template_path)
    assert build.name == "my car"
    assert build.engine.cylinders == 6
    assert build.cam.advance.magnitude == pytest.approx(4.0)
    assert build.replaced_cam is None
    assert build.notes == ()


def test_an_unfilled_template_is_refused_by_each_gap_and_by_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "my.toml"
    path.write_text(sheet_template(), encoding="utf-8")
    with pytest.raises(CamcalcError) as caught:
        load_build(path)
    problems = caught.value.problems  # type: ignore[attr-defined]
    assert all("?" in problem.came for problem in problems)
    assert {p.key.partition("] ")[2].rpartition(".")[2] for p in problems} >= {"bore", "transmission", "gear_ratios", "rocker_ratio", "flow"}


def test_every_key_is_there_once_with_its_words() -> None:
    text = sheet_template()
    parts = dict(re.findall(r"^#?\[(\w+(?:\.\w+)?)\]\n(.*?)(?=^#?\[|\Z)", text, re.MULTILINE | re.DOTALL))
    for section, kind in SECTIONS.items():
        assert sorted(re.findall(r"^#?(\w+) = ", parts[section], re.MULTILINE)) == sorted(kind.inputs())
        assert [key for key in kind.inputs() if not re.search(rf"^#   ?.*\n#?{key} = |^# .*\n#?{key} = ", parts[section], re.MULTILINE)] == []
    written = set(re.findall(r"^#?(\w+) = ", parts["cam"] + parts["cam.intake"], re.MULTILINE))
    assert written | {"intake", "exhaust", "duration", "opens", "closes"} == {*CARD, *LOBE}


@pytest.mark.parametrize("section", list(SECTIONS))
def test_what_is_needed_comes_first_and_carries_no_mark(section: str) -> None:
    part = re.search(rf"^\[{section}\]\n(.*?)(?=^#?\[|\Z)", sheet_template(), re.MULTILINE | re.DOTALL)
    assert part is not None
    marks = re.findall(r"^(#?)\w+ = ", part[1], re.MULTILINE)
    assert marks == sorted(marks)
    assert set(FIRST.get(section, ())) <= set(SECTIONS[section].inputs())


def test_every_default_that_is_one_figure_is_shown_and_true(template_path: Path) -> None:
    plain = load_build(template_path)
    text = template_path.read_text(encoding="utf-8")
    stated = re.sub(r"^#(\w+ = (?!.*\?).*)$", r"\1", text, flags=re.MULTILINE)
    # What cannot be stated beside what is: another lobe, a table, the cam it replaces.
    stated = re.sub(r"^(lift_table|overlap|name|table) = .*\n", "", stated, flags=re.MULTILINE)
    stated = "".join(part for part in re.split(r"(?=^# The )", stated, flags=re.MULTILINE) if not part.startswith("# The cam it replaces"))
    path = template_path.with_name("stated.toml")
    path.write_text(stated, encoding="utf-8")
    build = load_build(path)
    for section in SECTIONS:
        assert getattr(build, section) == getattr(plain, section), section
    assert len(build.assumed) < 25 < len(plain.assumed)


def test_a_default_says_its_unit_and_what_it_rests_on() -> None:
    text = sheet_template()
    for words in (
        "# Port and runner of one cylinder: 20 to 4000 cc. Default: ESTIMATE: 0.6 of one cylinder's swept volume.\n#intake_runner_volume",
        '# Valve seat angle: 20 to 60 deg. Default: 45 deg, common practice, no source.\n#valve_seat_angle = "45 deg"',
        '# Cylinder bore: 45 to 140 mm. Needed.\nbore = "? mm"',
    ):
        assert words in text


def test_the_template_is_toml_but_for_nothing() -> None:
    assert tomllib.loads(sheet_template())["build"] == {"name": "my car"}
    assert max(len(line) for line in sheet_template().splitlines()) < 130


def test_the_readme_lists_every_key(root: Path) -> None:
    readme = (root / "README.md").read_text(encoding="utf-8")
    assert key_list() in readme
    for kind in SECTIONS.values():
        assert [key for key in kind.inputs() if key not in key_list()] == []
    assert [key for key in (*CARD, *LOBE) if key not in key_list()] == []


# Examples.


def test_the_examples_are_found_and_load_from_where_they_are_copied() -> None:
    assert len(example_names()) >= 3
    for name in example_names():
        sheet, others = example_files(name)
        assert load_build(sheet).label == "invented example"
        assert [path.name for path in others] == ["spark.csv"]


def test_an_unknown_example_is_refused_with_the_nearest() -> None:
    with pytest.raises(InputError) as error:
        example_files("quary-road")
    assert error.value.fix == 'did you mean "quarry-road"?'


def test_the_package_lists_each_of_its_parts_and_examples(root: Path) -> None:
    settings = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    parts = {".".join(path.parent.relative_to(root).parts) for path in (root / "camcalc").rglob("*.py")}
    examples = {f"camcalc.examples.{name}" for name in example_names()}
    assert set(settings["packages"]) == parts | examples
    for name in example_names():
        assert settings["package-dir"][f"camcalc.examples.{name}"] == f"examples/{name}"
        sheet, others = example_files(name)
        assert settings["package-data"][f"camcalc.examples.{name}"] == [path.name for path in (sheet, *others)]


# The cams of a sheet alone.

CAM = """
[cam]
lobe_separation = "110 cam_deg"
intake_centreline = "106 crank_deg"
rocker_ratio = 1.6
[cam.intake]
valve_lift = "12.7 mm"
duration = {"0.050 inch" = "224 crank_deg"}
[cam.exhaust]
valve_lift = "12.7 mm"
duration = {"0.050 inch" = "230 crank_deg"}
"""


def cam_sheet(folder: Path, more: str = "") -> Path:
    path = folder / "cam.toml"
    path.write_text(CAM + more, encoding="utf-8")
    return path


def test_a_cam_is_read_without_car_idle_or_injector(tmp_path: Path) -> None:
    sheet = load_cam(cam_sheet(tmp_path))
    assert sheet.cam.events(at="0.050 inch").overlap.magnitude == pytest.approx(7.0)
    assert (sheet.replaced_cam, sheet.engine) == (None, None)
    assert sheet.missing == ("cylinders", "bore", "stroke", "rod_length", "compression_ratio")


def test_an_engine_beside_the_cam_is_read_too(tmp_path: Path) -> None:
    engine = '[engine]\ncylinders = 8\nbore = "4 inch"\nstroke = "92 mm"\nrod_length = "155 mm"\ncompression_ratio = 9.5\n'
    sheet = load_cam(cam_sheet(tmp_path, engine))
    assert sheet.engine is not None
    assert sheet.missing == ()
    assert "[engine] valve_seat_angle" in {a.key for a in sheet.assumed}


def test_an_engine_s_figures_are_checked_though_some_are_missing(tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        load_cam(cam_sheet(tmp_path, '[engine]\nbore = "4 m"\n'))
    assert error.value.key == "[engine] bore"


def test_the_rest_of_a_sheet_does_not_matter_to_its_cams(example_path: Path, tmp_path: Path) -> None:
    sheet = load_cam(example_path)
    build = load_build(example_path)
    assert (sheet.cam, sheet.replaced_cam, sheet.engine) == (build.cam, build.replaced_cam, build.engine)
    assert load_cam(cam_sheet(tmp_path, '[vehicle]\nmass = "no figure yet"\n')).cam is not None


@pytest.mark.parametrize("text", ["", "[engine]\ncylinders = 8\n", "[camm]\n"])
def test_a_sheet_without_a_cam_has_none(text: str, tmp_path: Path) -> None:
    path = tmp_path / "none.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(CamcalcError, match=r"\[cam\]"):
        load_cam(path)

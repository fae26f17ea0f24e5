"""Writing a build sheet: it comes back equal, and what is there already is not touched."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from camcalc.errors import CamcalcError, InputError
from camcalc.sheet import Build, load_build, read_build, save_build
from camcalc.sheet.card_reading import read_cam_card


def saved_and_loaded(build: Build, folder: Path, name: str = "again.toml") -> Build:
    return load_build(save_build(build, folder / name))


def test_an_example_comes_back_equal(example_path: Path, tmp_path: Path) -> None:
    build = load_build(example_path)
    assert saved_and_loaded(build, tmp_path) == build


def test_figures_are_written_in_the_words_they_came_in(example_path: Path, tmp_path: Path) -> None:
    text = save_build(load_build(example_path), tmp_path / "again.toml").read_text(encoding="utf-8")
    for line in example_path.read_text(encoding="utf-8").splitlines():
        if line.startswith("table = "):  # a path, written anew from the other folder
            assert Path(tmp_path / tomllib.loads(text)["spark"]["table"]).resolve() == (example_path.parent / tomllib.loads(line)["table"]).resolve()
        elif "=" in line and '"' in line.split("=", 1)[1]:
            assert line in text


def test_assumed_figures_are_not_written_so_that_they_stay_assumed(example_path: Path, tmp_path: Path) -> None:
    assert "valve_seat_angle" not in save_build(load_build(example_path), tmp_path / "again.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("turn", ["4 crank_deg", "-7.3 crank_deg", "2 cam_deg"])
def test_an_example_comes_back_equal_after_the_cam_was_turned(turn: str, example_path: Path, tmp_path: Path) -> None:
    build = load_build(example_path)
    turned = build.replace(cam=build.cam.advanced(turn))
    again = saved_and_loaded(turned, tmp_path)
    assert same_card(again.cam, turned.cam)
    assert again.replace(cam=turned.cam) == turned


def same_card(one: Any, other: Any) -> bool:
    """Equal events and figures, to the last digits of floating point."""
    for kind in ("intake", "exhaust"):
        a, b = one.lobe(kind), other.lobe(kind)
        pairs = [(a.si.valve_lift, b.si.valve_lift), (a.si.centreline, b.si.centreline), (a.si.max_lift_at, b.si.max_lift_at), (a.si.lash, b.si.lash)]
        pairs += [(getattr(p.si, f), getattr(q.si, f)) for p, q in zip(a.checks, b.checks, strict=True) for f in ("height", "opens", "closes")]
        if not all(math.isclose(p, q, rel_tol=1e-12, abs_tol=1e-12) for p, q in pairs):
            return False
    return True


@pytest.mark.parametrize(
    ("section", "changes"),
    [
        ("idle", {"speed": "900 rpm"}),
        ("engine", {"bore": "102 mm"}),
        ("engine", {"compression_ratio": 9.8, "friction_factor": 1.2}),
        ("injector", {"rated_pressure": "350 kPa"}),
        ("vehicle", {"gear_ratios": (3.1, 1.9, 1.2)}),
        ("fuel", {"octane": 91.0}),
        ("site", {"air_temperature": "5 degC"}),
        ("site", {"barometer": "98 kPa"}),
        ("limits", {"stability": 0.08}),
    ],
    ids=lambda v: v if isinstance(v, str) else "-".join(v),
)
def test_an_example_comes_back_equal_after_a_section_was_changed(section: str, changes: dict[str, Any], example_path: Path, tmp_path: Path) -> None:
    build = load_build(example_path)
    changed = build.replace(**{section: getattr(build, section).replace(**changes)})
    again = saved_and_loaded(changed, tmp_path)
    assert getattr(again, section) == getattr(changed, section)
    assert again == changed


def test_a_figure_that_was_changed_is_no_longer_assumed(sheet: dict[str, Any]) -> None:
    build = read_build(sheet)
    changed = build.replace(limits=build.limits.replace(stability=0.08))
    assert "[limits] stability" in {a.key for a in build.assumed}
    assert "[limits] stability" not in {a.key for a in changed.assumed}


@pytest.mark.parametrize(
    ("section", "changes"),
    [
        ("engine", {"bore": 101.6}),
        ("engine", {"bore": "101.6 inch"}),
        ("engine", {"cylinders": 0}),
        ("engine", {"compression_ratio": -3.0}),
        ("fuel", {"kind": "diesel"}),
        ("vehicle", {"gear_ratios": (1.0, "2")}),
    ],
)
def test_a_changed_figure_is_checked_as_the_sheet_is(section: str, changes: dict[str, Any], sheet: dict[str, Any]) -> None:
    before = getattr(read_build(sheet), section)
    with pytest.raises(CamcalcError):
        before.replace(**changes)


def test_the_car_with_its_replaced_cam_comes_back_equal(example_path: Path, tmp_path: Path) -> None:
    stock = load_build(example_path).with_replaced_cam()
    assert stock.replaced_cam is None
    assert saved_and_loaded(stock, tmp_path).cam == stock.cam


def test_a_sheet_without_a_replaced_cam_says_so(sheet: dict[str, Any]) -> None:
    del sheet["replaced_cam"]
    with pytest.raises(InputError, match="replaced_cam"):
        read_build(sheet).with_replaced_cam()


def test_a_file_that_is_there_is_not_written_over(sheet: dict[str, Any], tmp_path: Path) -> None:
    path = tmp_path / "build.toml"
    path.write_text("precious", encoding="utf-8")
    with pytest.raises(InputError) as error:
        save_build(read_build(sheet), path)
    assert str(path) in error.value.came
    assert "overwrite=True" in error.value.fix
    assert path.read_text(encoding="utf-8") == "precious"
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_that_is_there_is_written_over_when_asked(sheet: dict[str, Any], tmp_path: Path) -> None:
    build = read_build(sheet)
    path = tmp_path / "build.toml"
    path.write_text("old", encoding="utf-8")
    save_build(build, path, overwrite=True)
    assert load_build(path) == build
    assert list(tmp_path.iterdir()) == [path]


def test_a_place_that_cannot_be_written_is_told_and_nothing_is_left(sheet: dict[str, Any], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(InputError, match="the file to write"):
        save_build(read_build(sheet), tmp_path / "file" / "build.toml")
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


def test_a_write_that_breaks_off_leaves_nothing_behind(sheet: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises((OSError, InputError), match="No space left"):
        save_build(read_build(sheet), tmp_path / "build.toml")
    assert list(tmp_path.iterdir()) == []


def test_a_spark_table_keeps_its_place_when_the_sheet_moves(sheet: dict[str, Any], tmp_path: Path) -> None:
    sheet["spark"] = {"table": "tables/base.csv"}
    build = read_build(sheet, path=tmp_path / "build.toml")
    (tmp_path / "elsewhere").mkdir()
    again = saved_and_loaded(build, tmp_path / "elsewhere")
    assert again.spark_table is not None
    assert again.spark_table.resolve() == (tmp_path / "tables" / "base.csv").resolve()


def lobe_table(path: Path) -> str:
    """Write an invented measured lobe, (1 - x^2)^4 of 8 mm over 150 crank degrees either side; return its name."""
    rows = [f"{a:.1f},{8.0 * (1 - (a / 150.0) ** 2) ** 4:.5f}" for a in range(-150, 151, 5)]
    path.write_text("angle [crank_deg],lift [mm]\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return path.name


@pytest.fixture
def measured(sheet: dict[str, Any], tmp_path: Path) -> Build:
    """The tests' own car with a measured lobe on both sides of the new cam."""
    for kind in ("intake", "exhaust"):
        sheet["cam"][kind] = {"lift_table": lobe_table(tmp_path / "lobe.csv")}
    return read_build(sheet, path=tmp_path / "build.toml")


def test_a_measured_lobe_comes_back_equal_from_another_folder(measured: Build, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    assert saved_and_loaded(measured, tmp_path / "elsewhere") == measured


def test_a_measured_lobe_comes_back_turned_as_it_was_turned(measured: Build, tmp_path: Path) -> None:
    turned = measured.cam.advanced("5 crank_deg")
    again = saved_and_loaded(measured.replace(cam=turned), tmp_path).cam
    for angle in (-60.0, 0.0, 40.0, 101.0, 250.0):
        assert again.lift_curve("intake").lift(angle) == pytest.approx(turned.lift_curve("intake").lift(angle), abs=1e-12)


def test_the_replaced_cam_does_not_take_over_the_measured_lobe_of_the_new_one(measured: Build, tmp_path: Path) -> None:
    stock = measured.with_replaced_cam()
    assert saved_and_loaded(stock, tmp_path, "stock.toml").cam == stock.cam


def test_a_measured_lobe_put_into_another_build_is_not_lost_in_silence(measured: Build, sheet: dict[str, Any], tmp_path: Path) -> None:
    plain = read_build({**sheet, "cam": sheet["replaced_cam"]})
    mixed = plain.replace(cam=measured.cam)
    try:
        path = save_build(mixed, tmp_path / "mixed.toml")
    except CamcalcError:
        return
    assert load_build(path).cam.lift_curve("intake").lift(40.0) == pytest.approx(mixed.cam.lift_curve("intake").lift(40.0), abs=1e-9)


def test_a_very_early_exhaust_opening_comes_back_equal(sheet: dict[str, Any], tmp_path: Path) -> None:
    sheet["cam"]["exhaust"]["duration"] = {"0.050 inch": "270 crank_deg", "0.006 inch": "322 crank_deg"}
    build = read_build(sheet)
    turned = build.replace(cam=build.cam.advanced("8 crank_deg"))
    assert turned.cam.events(at="0.006 inch").exhaust_opens.magnitude == pytest.approx(103.0, abs=1e-9)
    assert same_card(saved_and_loaded(turned, tmp_path).cam, turned.cam)


@settings(max_examples=25)
@given(st.floats(-15.0, 15.0))
def test_a_cam_turned_by_any_angle_comes_back_turned(tmp_path_factory: pytest.TempPathFactory, by: float) -> None:
    lobe = {"valve_lift": "12.7 mm", "duration": {"0.050 inch": "226 crank_deg", "0.006 inch": "279 crank_deg"}}
    card = read_cam_card({"lobe_separation": "112 cam_deg", "intake_centreline": "110 crank_deg", "rocker_ratio": 1.6, "intake": lobe, "exhaust": lobe})
    build = load_build(Path(__file__).parents[1] / "data" / "build.toml").replace(cam=card.advanced(f"{by!r} crank_deg"))
    assert same_card(saved_and_loaded(build, tmp_path_factory.mktemp("turned")).cam, build.cam)

"""Wants: read in every form, half-given ones refused, limits on the right side."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from camcalc import InputError, InputErrors, load_build, read_wanted, save_build
from camcalc.choose.wants import Figure, Want, wants_of

Make = Callable[..., Any]
ALL = """[wanted]
idle_speed = "900 rpm"
idle_vacuum = "12 inHg"
missed_cycles_at_idle = "1 percent"
lowest_usable = { gear = 4, speed = "1400 rpm" }
effective_compression = ["7.5", "8.7"]
keep_filling = { speed = "2500 rpm", share = 0.95 }
"""


@pytest.fixture
def build(build_of: Make) -> Any:
    return build_of("quarry-road")


def written(folder: Path, text: str) -> Path:
    path = folder / "wanted.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_one_line_forms_are_spelt_out_and_every_want_is_a_limit_on_its_side(tmp_path: Path, build: Any) -> None:
    found = wants_of(build, read_wanted(written(tmp_path, ALL)))
    assert [d.want for d in found.demands] == list(Want)
    limits = {d.want: (d.figure, d.sign, d.limit) for d in found.demands}
    assert limits[Want.IDLE_VACUUM] == (Figure.VACUUM, 1.0, pytest.approx(12 * 3386.39, rel=1e-4))
    assert limits[Want.EFFECTIVE_COMPRESSION_MOST] == (Figure.COMPRESSION, -1.0, 8.7)
    assert limits[Want.KEEP_FILLING] == (Figure.FILLING, 1.0, 0.95)
    assert (found.gear, round(60 * found.road_speed), round(60 * found.filling_speed), round(60 * found.idle_speed)) == (4, 1400, 2500, 900)
    assert found.sure == 0.8  # the convention where the sheet does not say


def test_a_file_may_leave_the_section_out(tmp_path: Path) -> None:
    assert read_wanted(written(tmp_path, ALL.replace("[wanted]\n", ""))) == read_wanted(written(tmp_path, ALL))


def test_a_sheet_keeps_its_wants_and_no_default_is_listed_as_assumed(tmp_path: Path, root: Path, build: Any) -> None:
    assert not build.wanted.asked
    path = written(tmp_path, (root / "examples/quarry-road/build.toml").read_text(encoding="utf-8").replace('table = "spark.csv"', "") + "\n" + ALL)
    loaded = load_build(path)
    assert loaded.wanted.asked
    assert not [one for one in loaded.assumed if "[wanted]" in one.key]
    again = load_build(save_build(loaded, tmp_path / "again.toml"))
    assert again.wanted == loaded.wanted


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('idle_vaccum = "12 inHg"', "idle_vacuum"),
        ("idle_vacuum = 12", "12 inHg"),
        ('idle_vacuum = "95 inHg"', "2.953 to 26.58 inHg"),
        ('lowest_usable = "1400 rpm"', "gear"),
        ("lowest_usable = { gear = 4 }", "gear and speed"),
        ('effective_compression = ["8.7", "7.5"]', '["7.5", "8.7"]'),
        ('effective_compression = "8.7"', '["7.5", "8.7"]'),
        ('missed_cycles_at_idle = "0.1 percent"', "1 to 20 percent"),
    ],
)
def test_what_is_wrong_in_a_file_is_shown_with_the_fix(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises((InputError, InputErrors)) as raised:
        read_wanted(written(tmp_path, text))
    assert said in str(raised.value)
    assert "wanted.toml" in str(raised.value)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "at least one thing"),
        ({"sure": "90 percent"}, "at least one thing"),
        ({"lowest_usable_gear": 4}, "lowest_usable_speed"),
        ({"keep_filling_share": 0.9}, "keep_filling_speed"),
        ({"lowest_usable_gear": 9, "lowest_usable_speed": "1400 rpm"}, "1 to 6"),
        ({"effective_compression_least": 9.0, "effective_compression_most": 8.0}, "less than the most wanted"),
    ],
)
def test_wants_that_cannot_be_are_refused_before_anything_is_computed(build: Any, changes: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError, match=said):
        wants_of(build, build.wanted.replace(**changes))

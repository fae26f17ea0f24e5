"""What surge and drive print: the verdict and the next step first, one screen, no column of blanks, nothing cut off."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from camcalc.cautions import AT_SURGE
from camcalc.cli.drive import STEADY_BURNS
from camcalc.cli.main import main

Said = pytest.CaptureFixture[str]
SCREEN = 45


@pytest.fixture
def sheet(root: Path) -> str:
    return str(root / "examples" / "quarry-road" / "build.toml")


def printed(capsys: Said, *words: str) -> list[str]:
    assert main(list(words)) == 0
    return capsys.readouterr().out.splitlines()


def test_surge_of_all_gears_is_one_screen_of_verdicts(sheet: str, capsys: Said, coarse: None) -> None:
    lines = printed(capsys, "surge", sheet)
    assert lines[0].startswith(("Surge in gear", "No surge in gear"))
    assert len(lines) <= SCREEN
    for gear in range(1, 7):
        assert any(f"ear {gear} (locked)" in line for line in lines), gear
    # Cautions come before the first speed.
    first = next(k for k, line in enumerate(lines) if "(locked)" in line)
    above = " ".join(" ".join(lines[:first]).split())
    assert [caution for caution in AT_SURGE if caution not in above] == []


def test_surge_of_one_gear_has_its_table_without_blank_columns_and_nothing_cut(sheet: str, capsys: Said, coarse: None) -> None:
    short, whole = printed(capsys, "surge", sheet, "--gear", "2"), printed(capsys, "surge", sheet, "--gear", "2", "--full")
    assert len(short) <= SCREEN < len(whole)
    assert not any("…" in line for line in (*short, *whole))
    assert any("your slopes, steepest allowed" in line for line in whole)
    rows = [line for line in short if line[:5].strip().isdigit()]
    assert 5 < len(rows) < len([line for line in whole if line[:5].strip().isdigit()])
    # Every row has all its cells: speed, road speed, spark, frequency, damping, three accelerations, backlash, verdict.
    assert {len(line.split()) >= 10 for line in rows} == {True}


def test_surge_as_data_has_codes_with_their_meaning(sheet: str, capsys: Said, coarse: None) -> None:
    data = json.loads("\n".join(printed(capsys, "surge", sheet, "--gear", "2", "--json")))
    (gear,) = data["gears"]
    assert gear["coupling"] == {"code": "locked", "text": "clutch or locked converter"}
    assert {set(verdict) == {"code", "text"} for verdict in gear["verdict"]} == {True}
    assert data["swing_measured"] is False


def test_a_drive_as_data_has_its_figures_and_says_when_its_burns_are_steady(sheet: str, capsys: Said, coarse: None) -> None:
    words = ("drive", sheet, "--gear", "3", "--speed", "1500 rpm", "--duration", "4 s", "--json")
    noisy, steady = (json.loads("\n".join(printed(capsys, *words, *more))) for more in ((), ("--steady-burns",)))
    assert noisy["cautions"] == list(AT_SURGE)
    assert steady["cautions"] == [*AT_SURGE, STEADY_BURNS]
    assert {name: noisy[name]["unit"] for name in ("shake", "peaks", "missed_rate")} == {"shake": "m/s**2", "peaks": "m/s**2", "missed_rate": "1/s"}
    assert noisy["peaks"]["value"] > noisy["shake"]["value"] > steady["shake"]["value"]
    assert steady["missed_rate"]["value"] == 0.0


def test_a_drive_begins_with_its_verdict(sheet: str, capsys: Said, coarse: None) -> None:
    lines = printed(capsys, "drive", sheet, "--gear", "3", "--speed", "1500 rpm", "--duration", "4 s", "--driver", "tip-in")
    assert "(our grade): the car shakes with " in lines[0]
    assert any("tip in, from 1500 rpm" in line for line in lines)
    assert len(lines) <= SCREEN

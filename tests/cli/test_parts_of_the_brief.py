"""Cures, trade-off and road test asked for by themselves."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from camcalc import load_build, rank_cures, trade_off
from camcalc.advice.spark_limits import ceiling_column
from camcalc.cli.main import COMMANDS, main
from camcalc.cli.outputs import part_of_the_brief
from camcalc.cycle.models import MODELS
from camcalc.report.sections import section_named
from tests.oracles.coarse_engine import CoarseEngine

Said = pytest.CaptureFixture[str]


@pytest.fixture
def sheet(root: Path) -> str:
    """The sheet of the quarry-road example."""
    return str(root / "examples" / "quarry-road" / "build.toml")


def test_cures_are_ranked_as_the_library_ranks_them(sheet: str, capsys: Said, coarse: None) -> None:
    assert main(["cures", sheet, "--against", "cruise", "--gear", "4", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    found = rank_cures(load_build(sheet), engine_of=CoarseEngine, against="cruise", gear=4)
    assert data == found.to_dict()
    assert (data["against"]["code"], data["gear"]) == ("cruise", 4)


def test_cures_are_printed_best_first_and_the_impossible_with_a_reason(sheet: str, capsys: Said, coarse: None) -> None:
    assert main(["cures", sheet, "--against", "cruise"]) == 0
    out = capsys.readouterr().out
    best = out[out.index("Most useful: ") + len("Most useful: ") :].partition(".")[0]
    assert out.index("The build as it is") < out.index(best[0].upper() + best[1:]) < out.index("One gear lower")
    assert "there is no converter" in out


def test_a_gear_that_is_not_there_and_a_table_that_is_none_are_told(sheet: str, capsys: Said, tmp_path: Path, coarse: None) -> None:
    assert main(["cures", sheet, "--gear", "9"]) == 1
    assert "1 to 6" in capsys.readouterr().err
    assert main(["cures", sheet, "--table", str(tmp_path / "none.csv")]) == 1
    assert "none.csv" in capsys.readouterr().err


def test_a_strip_is_that_of_the_library_with_the_ceiling_of_its_cell(sheet: str, capsys: Said, tmp_path: Path) -> None:
    words = ["trade-off", sheet, "--speed", "1400 rpm", "--manifold-pressure", "60 kPa"]
    assert main([*words, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    engine = MODELS["resolved"](load_build(sheet))
    (cell,) = ceiling_column(engine, 1400.0 / 60.0, [60e3]).cells
    assert data["ceiling"]["value"] == pytest.approx(cell.ceiling, abs=0.01)
    strip = trade_off(engine, speed="1400 rpm", manifold_pressure="60 kPa")
    assert data["spark"] == strip.to_dict()["spark"]
    assert main(["trade-off", sheet, "--speed", "1400 rpm", "--torque", "60 N m", "--plots", str(tmp_path)]) == 0
    assert "MBT spark:" in capsys.readouterr().out
    assert (tmp_path / "trade_off.svg").exists()


@pytest.mark.parametrize(("more", "told"), [([], "one of them"), (["--torque", "60 N m", "--manifold-pressure", "50 kPa"], "one of them")])
def test_a_strip_wants_a_torque_or_a_pressure(sheet: str, capsys: Said, more: list[str], told: str) -> None:
    assert main(["trade-off", sheet, "--speed", "1400 rpm", *more]) == 1
    assert told in capsys.readouterr().err


def test_a_road_test_says_gear_speed_pedal_and_channels(sheet: str, capsys: Said, coarse: None) -> None:
    assert main(["road-test", sheet]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Never test on a public road." in out
    assert "neutral, 850 rpm, pedal released" in out
    assert "Log time, speed" in out
    assert main(["road-test", sheet, "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert plan["seconds"] <= 600.0
    assert plan["road_speed_unit"] == "mph"


PARTS = {"cures": ["--against", "cruise"], "road-test": [], "trade-off": ["--speed", "1400 rpm", "--torque", "60 N m"]}


@pytest.mark.parametrize("command", PARTS)
def test_a_part_of_the_brief_says_so_in_its_first_line_and_in_the_help(sheet: str, capsys: Said, coarse: None, command: str) -> None:
    assert main([command, sheet, *PARTS[command], "--units", "metric"]) == 0
    out = capsys.readouterr().out
    assert out.splitlines()[0] == part_of_the_brief(command)
    assert "inHg" not in out
    section_named(command)
    assert COMMANDS[command].startswith("part of the brief")

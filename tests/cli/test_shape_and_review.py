"""``camcalc shape`` and ``camcalc review`` on the command line: what they print, what they write, what they refuse."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import camcalc.drive.shaped_for_build
from camcalc import read_table
from camcalc.cautions import BESIDE_SPARK_TABLE, Caution
from camcalc.cli.main import main
from camcalc.cycle.models import MODELS
from camcalc.errors import NoSolutionError
from tests.oracles import drive_log
from tests.oracles.coarse_engine import CoarseEngine

Said = pytest.CaptureFixture[str]


@pytest.fixture
def coarse(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the tests' own engine answer, so that a test takes seconds."""
    monkeypatch.setitem(MODELS, "resolved", CoarseEngine)


@pytest.fixture
def table_path(tmp_path: Path) -> Path:
    path = tmp_path / "base.csv"
    rows = ["speed [rpm] \\ manifold pressure [kPa],40,60,80"]
    rows += [f"{rpm},{spark},{spark - 4},{spark - 8}" for rpm, spark in ((800, 28), (1200, 36), (1400, 37), (1800, 40), (2400, 42))]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_shape_writes_a_table_under_its_ceilings_and_leaves_its_source_alone(root: Path, table_path: Path, tmp_path: Path, capsys: Said, coarse: None) -> None:
    sheet, out = str(root / "examples" / "quarry-road" / "build.toml"), tmp_path / "new.csv"
    before = table_path.read_bytes()
    assert main(["shape", sheet, "--table", str(table_path), "--out", str(out), "--plots", str(tmp_path / "plots")]) == 0
    said = capsys.readouterr()
    assert said.out.startswith("Shaped table: ")
    assert "Final spark" in said.out
    assert len(said.out.splitlines()) <= 45
    assert table_path.read_bytes() == before
    old, new = read_table(table_path), read_table(out)
    assert (new.si.cells <= old.si.cells).all()
    assert (new.si.cells < old.si.cells).any()
    assert sorted(p.suffix for p in (tmp_path / "plots").iterdir()) == [".svg"] * 4
    # What stands on top of the table comes off the ceilings.
    slopes = ["--along-speed", "60 crank_deg/krpm", "--along-load", "0.5 crank_deg/kPa"]
    assert main(["shape", sheet, "--table", str(table_path), "--adders", "4 crank_deg", *slopes, "--json"]) == 0
    lower = json.loads(capsys.readouterr().out)
    # Three degrees a cell lower more; what it costs below the floor is said.
    assert len(lower["changes"]) <= lower["cells_changed"]["at_three_degrees_per_cell"]
    lowered = {cell["where"] for cell in lower["below_floor"] if cell["spark"]["value"] < cell["spark_before"]["value"]}
    assert {cell["where"] for cell in lower["late_burns"]} == lowered != set()
    assert main(["shape", sheet, "--table", str(table_path), *slopes, "--per-cell", "3 crank_deg", "--full"]) == 0
    held = capsys.readouterr().out
    assert "Lowered below the latest useful spark" in held
    assert "without --per-cell, by the slope limits alone" in held
    assert "with --hold-floor" in held
    # Only the row at 800 rpm lies within 300 rpm of the idle at 850.
    beside = len(re.findall(r"^  800 rpm, \d+ kPa +\d+ \(was \d+\)  ", held, re.MULTILINE))
    told = re.search(r"(\d+) changed cells? within 300 rpm of the idle speed", held)
    assert beside == (int(told[1]) if told else 0) > 0
    assert lower["applies_to"] == {"code": "final_spark", "text": "final spark: table plus every correction"}
    assert np.min(np.array(lower["table"]["spark"]["value"]) - new.si.cells) <= -3.0


def test_shape_never_writes_over_what_is_there_unless_told(root: Path, table_path: Path, capsys: Said) -> None:
    sheet = str(root / "examples" / "quarry-road" / "build.toml")
    for out, more in ((table_path, ["--force"]), (table_path.with_name("there.csv"), [])):
        out.touch()
        before = out.read_bytes()
        assert main(["shape", sheet, "--table", str(table_path), "--out", str(out), *more]) == 1
        assert out.read_bytes() == before
        assert "--out" in capsys.readouterr().err


def test_a_table_over_an_axis_that_is_no_load_is_refused(root: Path, tmp_path: Path, capsys: Said) -> None:
    path = tmp_path / "volts.csv"
    path.write_text("speed [rpm] \\ throttle [V],1,2\n800,20,20\n1200,20,20\n", encoding="utf-8")
    assert main(["shape", str(root / "examples" / "dockside" / "build.toml"), "--table", str(path)]) == 1
    said = capsys.readouterr().err
    assert "volts.csv" in said
    assert "kPa" in said


def test_review_finds_a_surge_that_the_table_hands_on_and_writes_what_to_try_next(root: Path, tmp_path: Path, capsys: Said) -> None:
    time = np.arange(0.0, 20.0, 0.02)
    speed = 1320.0 + 90.0 * np.sin(2.0 * np.pi * 2.5 * time)
    spark = 20.0 + 12.0 * (speed - 1200.0) / 240.0
    log, table = tmp_path / "log.csv", tmp_path / "table.csv"
    lines = ["time [s],engine speed [rpm],spark [crank_deg],manifold pressure [kPa],pedal [%]"]
    lines += [f"{t:.3f},{n:.2f},{s:.3f},45,20" for t, n, s in zip(time, speed, spark, strict=True)]
    log.write_text("\n".join(lines) + "\n", encoding="utf-8")
    table.write_text("speed [rpm] \\ manifold pressure [kPa],30,60\n1200,20,20\n1440,32,32\n", encoding="utf-8")
    sheet, out = str(root / "examples" / "dockside" / "build.toml"), tmp_path / "next.csv"
    words = ["review", str(log), sheet, "--table", str(table), "--no-ceilings"]
    before = tmp_path / "before.csv"
    before.write_bytes(log.read_bytes())
    assert main([*words, "--next", str(out), "--before", str(before), "--plots", str(tmp_path / "plots")]) == 0
    said = capsys.readouterr().out
    assert "Cause: the table. Spark follows its slope." in " ".join(said.split())
    first = [line.split(":")[0] for line in said[: said.index("Before and after: ")].splitlines() if line and not line.startswith(" ")]
    assert first == [said.splitlines()[0], "Where", "How hard", "Whose doing", "Next"]
    assert said.startswith("Surge in ")
    assert (read_table(out).si.cells <= read_table(table).si.cells).all()
    assert (read_table(out).si.cells < read_table(table).si.cells).any()
    assert {p.name for p in (tmp_path / "plots").iterdir()} == {"speed.svg", "spark.svg", "visited.svg", "before_speed.svg", "before_spark.svg"}
    assert main([*words, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["review"]["main_cause"]["code"] == "table"


def test_giving_back_needs_the_table_that_was_driven_and_a_log(root: Path, table_path: Path, capsys: Said) -> None:
    sheet = str(root / "examples" / "dockside" / "build.toml")
    assert main(["shape", sheet, "--table", str(table_path), "--add-back", "2 crank_deg"]) == 1
    assert "--current" in capsys.readouterr().err


# What another table than the sheet's is told about knock, and what is written beside it.


def shaped_json(capsys: Said, *words: str) -> Any:
    assert main(["shape", *words, "--json"]) == 0
    return json.loads(capsys.readouterr().out, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))


def test_shape_holds_knock_unless_told_not_to_and_lists_it_either_way(root: Path, table_path: Path, capsys: Said, coarse: None) -> None:
    words = [str(root / "examples" / "quarry-road" / "build.toml"), "--table", str(table_path), "--along-speed", "70 crank_deg/krpm"]
    words += ["--along-load", "0.8 crank_deg/kPa"]
    held, listed = shaped_json(capsys, *words), shaped_json(capsys, *words, "--no-hold-knock")

    def above(data: Any) -> list[str]:
        return [c["where"] for c in data["knock_cells"] if c["spark_after"]["value"] > c["knock"]["value"] and c["outcome"]["code"] != "avoid"]

    assert above(held) == []
    assert above(listed)
    assert {c["where"] for c in held["knock_cells"]} == {c["where"] for c in listed["knock_cells"]}
    assert held["cells_changed"]["without_holding_knock"] == len(listed["changes"]) < len(held["changes"])
    assert Caution.KNOCK in held["cautions"]
    assert held["knock_margin"]["value"] == 2.0
    assert main(["shape", *words, "--no-hold-knock"]) == 0
    out = capsys.readouterr().out
    assert out.index("are above the knock limit. Knock breaks pistons.") < out.index("(2)")
    assert "with --no-hold-knock" not in out


def test_spark_beyond_what_was_searched_for_knock_is_not_called_free_of_it(root: Path, tmp_path: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch) -> None:
    class Silent(CoarseEngine):
        """Nothing searched knocks; best torque lies well inside the table's spark."""

        def knock_spark(self, speed: float, pressure: float, *, burned_fraction: float | None = None) -> float:
            return math.inf

    monkeypatch.setitem(MODELS, "resolved", Silent)
    table = tmp_path / "high.csv"
    table.write_text("speed [rpm] \\ manifold pressure [kPa],60,95\n2500,30,79\n3000,30,20\n", encoding="utf-8")
    words = ["--along-speed", "70 crank_deg/krpm", "--along-load", "5 crank_deg/kPa"]
    data = shaped_json(capsys, str(root / "examples" / "quarry-road" / "build.toml"), "--table", str(table), *words)
    assert data["knock_known"] == [[True, False], [True, True]]


def test_the_slopes_the_car_needs_are_the_default_and_three_degrees_a_cell_an_option(root: Path, capsys: Said, coarse: None) -> None:
    sheet = str(root / "examples" / "quarry-road" / "build.toml")
    plain, three = shaped_json(capsys, sheet), shaped_json(capsys, sheet, "--per-cell", "3 crank_deg")
    assert plain["slope_rule"] is not None
    assert plain["fallbacks"] == three["fallbacks"] == []
    assert plain["cells_changed"]["at_three_degrees_per_cell"] == len(three["changes"]) > len(plain["changes"])
    assert three["cells_changed"]["by_slopes_alone"] == len(plain["changes"])
    assert main(["shape", sheet, "--full"]) == 0
    out = capsys.readouterr().out
    assert f"{len(plain['changes'])} cells change. It would be" in out
    assert f'  {len(three["changes"])} with --per-cell "3 crank_deg" (common practice, no source)' in out


def test_where_no_gear_holds_the_car_three_degrees_a_cell_stand_in_and_that_is_said(
    root: Path, capsys: Said, coarse: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none_holds(*_: Any, **__: Any) -> None:
        raise NoSolutionError("the engine holds the car in none of these gears")

    monkeypatch.setattr(camcalc.drive.shaped_for_build, "slope_rule", none_holds)
    sheet = str(root / "examples" / "quarry-road" / "build.toml")
    assert main(["shape", sheet]) == 0
    said = capsys.readouterr()
    assert "no slope limits from surge: the engine holds the car in none of these gears" in said.err
    assert [f"No slope limit {axis} is known: 3 deg per cell" in said.out for axis in ("along speed", "along load")] == [True, True]
    assert "Steepest slope" not in said.out
    assert len(shaped_json(capsys, sheet)["changes"]) == len(shaped_json(capsys, sheet, "--per-cell", "3 crank_deg")["changes"])


def test_holding_the_floor_needs_the_limit_that_gives_way(root: Path, table_path: Path, capsys: Said) -> None:
    assert main(["shape", str(root / "examples" / "quarry-road" / "build.toml"), "--table", str(table_path), "--hold-floor"]) == 1
    assert "--per-cell" in capsys.readouterr().err


def test_a_written_table_has_its_cautions_beside_it_and_never_over_somebodys_text(
    root: Path, table_path: Path, tmp_path: Path, capsys: Said, coarse: None
) -> None:
    sheet, out = str(root / "examples" / "quarry-road" / "build.toml"), tmp_path / "new.csv"
    out.with_suffix(".txt").write_text("my notes", encoding="utf-8")
    words = ["shape", sheet, "--table", str(table_path), "--out", str(out)]
    assert main(words) == 1
    assert "the text beside --out" in capsys.readouterr().err
    assert not out.exists()
    assert out.with_suffix(".txt").read_text(encoding="utf-8") == "my notes"
    out.with_suffix(".txt").unlink()
    assert main(words) == 0
    beside = out.with_suffix(".txt").read_text(encoding="utf-8")
    assert [caution for caution in BESIDE_SPARK_TABLE if caution not in beside] == []
    assert "above camcalc's knock limit" in beside
    assert "blank = not computed, not permission" in beside
    assert f"Written to {out}, its cautions beside it" in capsys.readouterr().out


# Giving spark back.


@pytest.fixture
def drive(tmp_path: Path) -> Any:
    """A clean cruise on a table lower than the one before shaping, and what writes it as a log with or without knock."""
    original, current = tmp_path / "original.csv", tmp_path / "current.csv"
    head = "speed [rpm] \\ manifold pressure [kPa]," + ",".join(f"{p:.0f}" for p in drive_log.LOADS)
    for path, lightest, rest in ((original, 34, 30), (current, 30, 24)):
        rows = [f"{n:.0f},{lightest}," + ",".join([str(rest)] * (len(drive_log.LOADS) - 1)) for n in drive_log.SPEEDS]
        path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    log = drive_log.run(drive_log.DRIVES["clean"], seed=1)
    names = {
        "time": "time [s]", "speed": "engine speed [rpm]", "spark": "spark [deg]", "load": "manifold pressure [kPa]", "pedal": "pedal [1]",
        "road_speed": "road speed [m/s]", "gear": "gear",
    }  # fmt: skip

    def write(**more: Any) -> list[str]:
        log.logged.update(more)
        path = log.write_csv(tmp_path / "log.csv", names | {name: f"{name.replace('_', ' ')} [deg]" for name in more})
        return ["--table", str(original), "--current", str(current), "--log", str(path), "--add-back", "2 crank_deg"]

    return write, log


# Knock of the tests' own engine is far off at these loads, and so are its ceilings.
SLOPES = ["--along-speed", "70 crank_deg/krpm", "--along-load", "1.5 crank_deg/kPa"]


def test_adding_back_after_a_clean_log_with_a_knock_channel(root: Path, drive: Any, tmp_path: Path, capsys: Said, coarse: None) -> None:
    write, log = drive
    sheet = str(root / "examples" / "long-meadow" / "build.toml")
    data = shaped_json(capsys, sheet, *write(knock_retard=np.zeros(len(log.logged["time"]))), *SLOPES)
    assert data["changes"]
    assert {c["spark_after"]["value"] - c["spark_before"]["value"] for c in data["changes"]} == {2.0}
    assert data["held_back"] == []


def test_adding_back_gives_nothing_where_the_log_holds_retard_and_names_cell_and_figure(root: Path, drive: Any, capsys: Said, coarse: None) -> None:
    write, log = drive
    sheet, retard = str(root / "examples" / "long-meadow" / "build.toml"), np.zeros(len(log.logged["time"]))
    retard[len(retard) // 2] = 2.6
    words = write(knock_retard=retard)
    data = shaped_json(capsys, sheet, *words, *SLOPES)
    held = {cell["where"] for cell in data["held_back"]}
    assert held
    assert not held & {change["where"] for change in data["changes"]}
    assert {(cell["why"]["code"], cell["figure"], cell["unit"]) for cell in data["held_back"]} == {("retard", 2.6, "deg")}
    assert all("knock retard 2.6 deg" in cell["words"] for cell in data["held_back"])
    assert main(["shape", sheet, *words, *SLOPES, "--no-knock-heard"]) == 0
    out = capsys.readouterr().out
    assert f"Caution: No spark back at {sorted(held)[0]}: knock retard 2.6 deg" in out
    assert out.index("Caution: No spark back") < out.index("(2)")


def test_adding_back_without_a_knock_channel_needs_somebodys_word(root: Path, drive: Any, capsys: Said, coarse: None) -> None:
    write, _ = drive
    sheet, words = str(root / "examples" / "long-meadow" / "build.toml"), write()
    refused = shaped_json(capsys, sheet, *words, *SLOPES)
    assert refused["changes"] == []
    assert any("the log holds no knock channel" in caution for caution in refused["cautions"])
    on_word = shaped_json(capsys, sheet, *words, *SLOPES, "--no-knock-heard")
    assert {c["spark_after"]["value"] - c["spark_before"]["value"] for c in on_word["changes"]} == {1.0}
    assert any("on the word of whoever listened" in caution for caution in on_word["cautions"])


def test_review_writes_the_next_table_with_its_cautions_beside_it(root: Path, tmp_path: Path, capsys: Said) -> None:
    folder, out = root / "examples" / "steep-table", tmp_path / "next.csv"
    words = ["review", str(folder / "before.csv"), str(root / "examples" / "quarry-road" / "build.toml"), "--table", str(folder / "steep.csv")]
    assert main([*words, "--no-ceilings", "--next", str(out)]) == 0
    said = capsys.readouterr()
    assert said.out.index(f"Caution: {Caution.KNOCK}") < said.out.index("  lower ")
    assert said.out.index(Caution.LAW) > said.out.index("  lower ")
    assert Caution.KNOCK in out.with_suffix(".txt").read_text(encoding="utf-8")
    assert "its cautions beside it" in said.err


def test_review_gives_back_under_ceiling_knock_and_best_torque_only_where_knock_was_listened_for(
    root: Path, drive: Any, tmp_path: Path, capsys: Said, coarse: None
) -> None:
    write, log = drive
    sheet = str(root / "examples" / "quarry-road" / "build.toml")
    for more, expected in (({}, False), ({"knock_retard": np.zeros(len(log.logged["time"]))}, True)):
        words = write(**more)
        current, path = words[words.index("--current") + 1], words[words.index("--log") + 1]
        assert main(["review", path, sheet, "--table", current, "--json"]) == 0
        review = json.loads(capsys.readouterr().out)["review"]
        assert bool(review["add_back"]) == expected, review["notes"]
        assert any("No spark back" in caution for caution in review["cautions"]) != expected

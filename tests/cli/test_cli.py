"""The command line: what it prints, what it writes, and how it ends."""

from __future__ import annotations

import functools
import json
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import tomli_w

import camcalc
import camcalc.brief
from camcalc import read_table
from camcalc.cli.main import COMMANDS, main

Said = pytest.CaptureFixture[str]


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the brief be made by the tests' own engine, so that a test takes seconds."""
    monkeypatch.setattr(camcalc.brief, "make_brief", functools.partial(camcalc.brief.make_brief, model="coarse"))


@pytest.fixture
def ready(monkeypatch: pytest.MonkeyPatch, brief_of: Callable[[str], Any]) -> None:
    """Have the brief of the copied example at hand, for tests of what is done with it."""
    brief = brief_of("dockside")
    monkeypatch.setattr(camcalc.brief, "make_brief", lambda build, **options: brief)


@pytest.fixture
def sheet_path(root: Path, tmp_path: Path) -> Path:
    """A copy of an example that a test may spoil."""
    return Path(shutil.copy(root / "examples" / "dockside" / "build.toml", tmp_path / "build.toml"))


def rewrite(path: Path, **sections: dict[str, Any]) -> None:
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    for name, changes in sections.items():
        data[name] = data.get(name, {}) | changes
    path.write_text(tomli_w.dumps(data), encoding="utf-8")


def run(*words: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-W", "error", "-m", "camcalc.cli.main", *words], capture_output=True, text=True, cwd=cwd, check=False)


# --- help


def test_without_arguments_it_welcomes_and_names_three_commands_to_try(capsys: Said) -> None:
    assert main([]) == 0
    out = capsys.readouterr().out
    tried = [line.split() for line in out.splitlines() if line.startswith("  camcalc ")]
    assert len(tried) == 3
    assert {words[1] for words in tried} <= set(COMMANDS)


def test_the_commands_of_the_welcome_run(root: Path, capsys: Said, ready: None, tmp_path: Path) -> None:
    main([])
    tried = [line.split()[1:] for line in capsys.readouterr().out.splitlines() if line.startswith("  camcalc ")]
    for words in tried:
        files = [str(tmp_path / w) if w.endswith(".html") else str(root / w) if w.endswith(".toml") else w for w in words]
        assert main(files) == 0
    assert (tmp_path / "brief.html").stat().st_size > 0


@pytest.mark.parametrize("shell", ["bash", "zsh"])
def test_a_shell_is_given_every_command_and_its_options(shell: str, capsys: Said) -> None:
    assert main(["completion", shell]) == 0
    script = capsys.readouterr().out
    assert [name for name in COMMANDS if name not in script] == []
    assert "--load-axis" in script
    assert "--driver" in script


def test_a_shell_takes_the_script() -> None:
    script = run("completion", "bash").stdout
    done = subprocess.run(["bash", "-c", f"{script}\ncomplete -p camcalc"], capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert "camcalc" in done.stdout


def test_the_version_is_told(capsys: Said) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.strip() == f"camcalc {camcalc.__version__}"


def test_the_installed_command_answers() -> None:
    command = shutil.which("camcalc", path=str(Path(sys.executable).parent))
    assert command is not None
    done = subprocess.run([command, "--version"], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout.strip(), done.stderr) == (0, f"camcalc {camcalc.__version__}", "")


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_command_helps(command: str, capsys: Said) -> None:
    assert main([command, "--help"]) == 0
    assert ("SHELL" if command == "completion" else "BUILD") in capsys.readouterr().out.upper()


@pytest.mark.parametrize("words", [["brief"], ["frobnicate"], ["events", "a.toml", "--no-such-option"], ["events", "a.toml", "--measured-at", "rocker"]])
def test_a_mistake_in_the_command_ends_with_two_and_the_usage(words: list[str], capsys: Said) -> None:
    assert main(words) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "usage: camcalc" in said.err


# --- mistakes in the input


# What a command cannot do without, before and after the sheet.
FIRST = {"review": ["no-such-log.csv"], "explain": ["overlap"], "practise": ["overlap"]}
LAST = {"drive": ["--gear", "1", "--speed", "1400 rpm"]}


def on_sheet(command: str, sheet: str) -> list[str]:
    """A command line with a build sheet and whatever else the command cannot do without."""
    return [command, *FIRST.get(command, []), sheet, *LAST.get(command, [])]


# Commands that read no sheet.
WITHOUT_SHEET = {"completion", "new"}


@pytest.mark.parametrize("command", sorted(set(COMMANDS) - WITHOUT_SHEET))
def test_a_missing_file_is_told_on_one_screen_without_traceback(command: str) -> None:
    done = run(*on_sheet(command, "no-such-folder/build.toml"))
    assert done.returncode == 1
    assert done.stdout == ""
    assert "no-such-folder/build.toml" in done.stderr
    assert "fix:" in done.stderr
    assert "Traceback" not in done.stderr
    assert len(done.stderr.splitlines()) <= 24


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[cam\n", "build.toml"),
        ("", "[engine] cylinders"),
        ("\x00\x01", "build.toml"),
        ("engine = 3\n", "[engine]"),
    ],
)
def test_a_sheet_that_is_none_ends_with_one_and_words(tmp_path: Path, capsys: Said, text: str, words: str) -> None:
    path = tmp_path / "build.toml"
    path.write_text(text, encoding="utf-8")
    for command in set(COMMANDS) - WITHOUT_SHEET:
        assert main(on_sheet(command, str(path))) == 1
        said = capsys.readouterr()
        assert said.out == ""
        # The cams alone need no engine.
        assert ("[cam]" if command == "events" and not words.endswith(".toml") else words) in said.err


def test_a_folder_is_no_sheet(tmp_path: Path, capsys: Said) -> None:
    assert main(["events", str(tmp_path)]) == 1
    assert "expected: a readable build sheet" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"engine": {"bore": "85.5 inch"}}, ("[engine] bore", '"85.5 mm"')),
        ({"cam": {"lobe_separation": "112 deg"}}, ("[cam] lobe_separation", "cam_deg")),
        ({"vehicle": {"mas": "1180 kg"}}, ("[vehicle] mas", 'did you mean "mass"')),
        ({"engine": {"boost": "0.5 bar"}}, ("[engine] boost", "out of scope")),
    ],
)
def test_a_wrong_figure_is_told_with_what_was_expected(sheet_path: Path, capsys: Said, changes: dict[str, Any], words: tuple[str, ...]) -> None:
    rewrite(sheet_path, **changes)
    assert main(["explain", "overlap", str(sheet_path)]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert all(word in said.err for word in words)


def test_an_idle_that_cannot_balance_ends_with_one_and_writes_no_file(root: Path, tmp_path: Path, capsys: Said, quick: None) -> None:
    path = Path(shutil.copy(root / "examples" / "dockside" / "build.toml", tmp_path / "build.toml"))
    rewrite(path, engine={"friction_factor": 2.5}, site={"altitude": "6000 m"}, idle={"speed": "350 rpm", "spark_reserve": "40 crank_deg", "mixture": 1.15})
    page, folder = tmp_path / "brief.html", tmp_path / "tables"
    assert main(["brief", str(path), "--no-bands", "--html", str(page), "--tables", str(folder)]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert "cannot idle at 350 rpm" in said.err
    assert "fix:" in said.err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["build.toml"]


# --- events


def test_events_are_printed_for_both_cams(sheet_path: Path, capsys: Said) -> None:
    assert main(["events", str(sheet_path)]) == 0
    out = capsys.readouterr().out
    assert "DS fast road (invented)" in out
    assert "DS standard (invented)" in out
    assert "Effective compression" in out


def test_events_at_another_height_are_those_of_the_library(sheet_path: Path, capsys: Said) -> None:
    assert main(["events", str(sheet_path), "--at", "2 mm", "--measured-at", "valve", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    card = camcalc.load_build(sheet_path).cam.events(at="2 mm", measured_at="valve")
    (row,) = [e for e in told[0]["events"] if e["height"]["value"] == pytest.approx(2.0)]
    assert row["overlap"]["value"] == pytest.approx(card.overlap.magnitude, rel=1e-9)
    assert len(told) == 2


def test_a_height_above_the_lobe_is_refused(sheet_path: Path, capsys: Said) -> None:
    assert main(["events", str(sheet_path), "--at", "13 mm"]) == 1
    assert "below the intake lobe" in capsys.readouterr().err


CAM_ALONE = """
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


def test_events_need_no_car_no_idle_and_no_injector(tmp_path: Path, capsys: Said) -> None:
    path = tmp_path / "cam.toml"
    path.write_text(CAM_ALONE + '[engine]\nbore = "100 mm"\ncompression_ratio = 10\n', encoding="utf-8")
    assert main(["events", str(path)]) == 0
    out = capsys.readouterr().out
    assert "LSA 110.0 cam deg, 4.0 deg advanced" in " ".join(out.split())
    assert "No effective compression and no overlap factor: [engine] lacks cylinders, stroke, rod_length." in " ".join(out.split())
    assert "nan" not in out
    assert main(["events", str(path), "--json"]) == 0
    (facts,) = json.loads(capsys.readouterr().out, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
    assert facts["effective_compression"] is None
    assert facts["engine_lacks"] == ["cylinders", "stroke", "rod_length"]


def test_a_reading_that_may_be_another_is_said_on_stderr_by_every_command(tmp_path: Path) -> None:
    path = tmp_path / "cam.toml"
    late = CAM_ALONE.replace("110 cam_deg", "108 cam_deg").replace("106 crank_deg", "112 crank_deg")
    path.write_text(late, encoding="utf-8")
    done = run("events", str(path))
    assert done.returncode == 0
    assert done.stderr.startswith(f"camcalc: warning: {path}: [cam] lobe_separation 108 cam_deg with intake_centreline 112 crank_deg")
    assert "note: [cam] lobe_separation 108" in done.stdout


# --- new


def test_a_new_sheet_is_written_once_and_says_what_is_missing(tmp_path: Path, capsys: Said) -> None:
    path = tmp_path / "my.toml"
    assert main(["new", str(path)]) == 0
    assert f"camcalc brief {path}" in capsys.readouterr().out
    text = path.read_text(encoding="utf-8")
    assert main(["new", str(path)]) == 1
    assert "is there already" in capsys.readouterr().err
    assert path.read_text(encoding="utf-8") == text
    assert main(["brief", str(path)]) == 1
    assert "?" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["quarry-road", "long-meadow", "dockside"])
def test_a_new_sheet_from_an_example_is_the_example(name: str, root: Path, tmp_path: Path, capsys: Said) -> None:
    path = tmp_path / "copy" / "mine.toml"
    assert main(["new", str(path), "--from", name]) == 0
    assert "invented example" in capsys.readouterr().out
    copied, own = camcalc.load_build(path), camcalc.load_build(root / "examples" / name / "build.toml")
    assert copied == own
    for table, other in ((copied.spark_table, own.spark_table),):
        assert table is None or other is None or read_table(table).si.cells.tolist() == read_table(other).si.cells.tolist()


def test_a_new_sheet_never_replaces_a_table_that_is_there(tmp_path: Path, capsys: Said) -> None:
    (tmp_path / "spark.csv").write_text("mine", encoding="utf-8")
    assert main(["new", str(tmp_path / "mine.toml"), "--from", "quarry-road"]) == 1
    assert "spark.csv" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["spark.csv"]


def test_an_example_that_is_none_is_refused_with_the_names(tmp_path: Path, capsys: Said) -> None:
    assert main(["new", str(tmp_path / "mine.toml"), "--from", "quarry"]) == 1
    said = capsys.readouterr().err
    assert "quarry-road" in said
    assert "dockside" in said


# --- brief


def test_a_brief_in_json_is_json_and_nothing_else(sheet_path: Path, capsys: Said, ready: None, tmp_path: Path) -> None:
    page = tmp_path / "brief.html"
    assert main(["brief", str(sheet_path), "--json", "--no-bands", "--html", str(page)]) == 0
    said = capsys.readouterr()
    told = json.loads(said.out, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
    assert {"events", "idle", "cautions"} <= set(told)
    assert str(page) in said.err
    vacuum = told["idle"]["vacuum"]
    assert f"{vacuum['value']:.1f}" in page.read_text(encoding="utf-8")


def test_a_brief_on_screen_and_in_files(sheet_path: Path, capsys: Said, ready: None, tmp_path: Path) -> None:
    folder = tmp_path / "tables"
    assert main(["brief", str(sheet_path), "--no-bands", "--tables", str(folder)]) == 0
    out = capsys.readouterr().out
    assert "First-fire brief: Dockside" in out
    assert "5. Before the key is turned" in out
    assert "Sources" not in out
    assert f"{len(list(folder.iterdir()))} tables written" in " ".join(out.split())


def test_a_folder_that_cannot_be_made_ends_with_one(sheet_path: Path, capsys: Said, ready: None) -> None:
    # A file stands where the folder would go.
    assert main(["brief", str(sheet_path), "--no-bands", "--html", str(sheet_path / "brief.html")]) == 1
    assert "is a file" in capsys.readouterr().err


def test_the_sheet_is_never_written_over(sheet_path: Path, capsys: Said, ready: None) -> None:
    before = sheet_path.read_bytes()
    assert main(["brief", str(sheet_path), "--no-bands", "--html", str(sheet_path)]) == 1
    assert sheet_path.read_bytes() == before
    assert "build.toml" in capsys.readouterr().err


# --- cycle


def test_one_operating_point_in_json(sheet_path: Path, capsys: Said) -> None:
    assert main(["cycle", str(sheet_path), "--speed", "1500 rpm", "--manifold-pressure", "70 kPa", "--spark", "25 crank_deg", "--json"]) == 0
    told = json.loads(capsys.readouterr().out, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
    assert told["speed"] == {"value": pytest.approx(1500.0), "unit": "rpm"}
    assert told["manifold_pressure"] == {"value": pytest.approx(70.0), "unit": "kPa"}
    assert 0.0 < told["burned_fraction"]["value"] < 60.0


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "--speed"),
        (["--speed", "1500 rpm"], "manifold_pressure"),
        (["--speed", "1500", "--manifold-pressure", "70 kPa"], "a crank speed (rpm)"),
        (["--speed", "1500 rpm", "--manifold-pressure", "70 kPa", "--brake-torque", "20 N m"], "manifold_pressure, brake_torque"),
        (["--speed", "1500 rpm", "--manifold-pressure", "150 kPa"], "5 to 120 kPa"),
        (["--speed", "1500 rpm", "--manifold-pressure", "70 inch"], "a pressure"),
    ],
)
def test_an_operating_point_that_is_none_ends_with_one_and_words(sheet_path: Path, capsys: Said, words: list[str], told: str) -> None:
    assert main(["cycle", str(sheet_path), *words]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert told in said.err

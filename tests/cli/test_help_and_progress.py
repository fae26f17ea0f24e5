"""The list of commands, and progress where nobody watches a bar."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from camcalc.cli import progress
from camcalc.cli.main import COMMANDS, EVERY_DAY, STEPS, main
from camcalc.cycle.kept_cycles import keeping


def test_help_lists_each_command_once_in_one_line_under_a_step_of_the_job(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 45
    for name, text in COMMANDS.items():
        assert len([line for line in lines if line.lstrip("* ").startswith(f"{name} ") and text in line]) == 1
    assert [line for line in lines if line in STEPS] == list(STEPS)
    assert [name for name in COMMANDS if any(line.startswith(f"  * {name} ") for line in lines)] == [name for name in COMMANDS if name in EVERY_DAY]


def test_without_a_command_the_same_list_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    whole = capsys.readouterr().out
    assert main([]) == 0
    assert capsys.readouterr().out == whole


@pytest.mark.parametrize("name", ["cures", "road-test", "trade-off"])
def test_parts_of_the_brief_say_so(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([name, "--help"]) == 0
    assert "part of the brief" in capsys.readouterr().out


def test_a_misspelt_command_gets_the_nearest_one(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["breif"]) == 2
    said = capsys.readouterr().err
    assert '"breif"' in said
    assert 'did you mean "brief"?' in said


def test_progress_goes_to_the_error_stream_in_lines_where_there_is_no_terminal(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(progress, "EVERY", 0.05)
    with progress.progress_bar() as report:
        report("spark ceilings", 0.12)
        time.sleep(0.3)
    shown = capsys.readouterr()
    assert shown.out == ""
    assert 2 <= len(shown.err.splitlines()) <= 6
    assert "camcalc: spark ceilings, 12% done after 0 s" in shown.err.splitlines()


def test_a_short_command_shows_no_progress(capsys: pytest.CaptureFixture[str]) -> None:
    with progress.progress_bar() as report:
        report("spark ceilings", 0.12)
    assert capsys.readouterr().err == ""


# A command that asks an engine: those that ask none keep nothing.
CYCLE = ["cycle", "--speed", "1500 rpm", "--manifold-pressure", "60 kPa"]


@pytest.mark.parametrize("anew", [[], ["before"], ["after"]])
def test_answers_are_kept_unless_told_otherwise_wherever_it_is_said(
    anew: list[str], root: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    begun = []
    monkeypatch.delenv("CAMCALC_CACHE")
    monkeypatch.setattr(keeping, "begin", lambda folder=None: begun.append(folder))
    told = [*CYCLE, str(root / "examples" / "quarry-road" / "build.toml")]
    flag = ["--no-cache"]
    assert main([*(flag if anew == ["before"] else []), *told, *(flag if anew == ["after"] else [])]) == 0
    assert len(begun) == (0 if anew else 1)
    capsys.readouterr()


def test_nothing_is_kept_where_the_surroundings_say_so(root: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("CAMCALC_CACHE", "0")
    monkeypatch.setattr(keeping, "begin", lambda folder=None: pytest.fail("kept"))
    assert main([*CYCLE, str(root / "examples" / "quarry-road" / "build.toml")]) == 0
    capsys.readouterr()


def test_a_folder_that_takes_nothing_is_told_in_one_line(root: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.delenv("CAMCALC_CACHE")
    monkeypatch.setattr(keeping, "begin", lambda folder=None: None)
    monkeypatch.setattr(keeping, "end", lambda: PermissionError(13, "Permission denied"))
    assert main([*CYCLE, str(root / "examples" / "quarry-road" / "build.toml")]) == 0
    assert "(Permission denied). What was worked out is not kept" in capsys.readouterr().err

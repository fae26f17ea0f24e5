"""The READMEs of the examples: every command runs from the repository root and prints what they say to look for."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import NamedTuple

import pytest

from camcalc.cli.main import main

EXAMPLES = Path(__file__).parents[1] / "examples"
SCENARIOS = ("dockside", "long-meadow", "quarry-road", "steep-table")
# Answered within a second or two; everything else simulates.
QUICK = ("camcalc events", "camcalc cycle", "--no-ceilings")


class Command(NamedTuple):
    """A command of a README, and what it says to look for in its output."""

    scenario: str
    line: str
    phrases: tuple[str, ...]


def commands(scenario: str) -> list[Command]:
    text = (EXAMPLES / scenario / "README.md").read_text(encoding="utf-8")
    found = re.findall(r"^```\n(.*?)\n```\n\n(.*?)\n\n", text + "\n\n", re.DOTALL | re.MULTILINE)
    assert len(found) == text.count("```") // 2, "one command a block, a paragraph after each"
    return [Command(scenario, line, phrases_of(said)) for line, said in found]


def phrases_of(paragraph: str) -> tuple[str, ...]:
    """Return what a paragraph says to look for: what stands in code quotes between "look for" and the end of that part of the sentence."""
    parts = re.findall(r"[Ll]ook\s+for\s((?:`[^`]*`|[^`.:;?])*)", paragraph)
    return tuple(re.findall(r"`([^`]+)`", " ".join(parts)))


ALL = [command for scenario in SCENARIOS for command in commands(scenario)]


def plain(text: str) -> str:
    """Return a text with every run of white space, rule or box line as one blank."""
    return re.sub(r"[\s─]+", " ", text)


def test_every_scenario_has_a_readme_that_calls_it_invented() -> None:
    folders = {path.parent.name for path in EXAMPLES.glob("*/README.md")} - {"questions"}
    assert folders == set(SCENARIOS) == {path.name for path in EXAMPLES.iterdir() if path.is_dir()} - {"questions"}
    for scenario in SCENARIOS:
        assert "INVENTED EXAMPLE. No real" in (EXAMPLES / scenario / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_a_readme_names_files_that_are_there(scenario: str) -> None:
    text = (EXAMPLES / scenario / "README.md").read_text(encoding="utf-8")
    listed = re.findall(r"^\| `([\w.-]+)` \|", text, re.MULTILINE)
    assert listed
    assert [name for name in listed if not (EXAMPLES / scenario / name).is_file()] == []
    assert [path for path in re.findall(r"examples/[\w./-]+", text) if not (EXAMPLES.parent / path).exists()] == []


@pytest.mark.usefixtures("kept_answers")
@pytest.mark.parametrize(
    "command",
    [pytest.param(c, id=f"{c.scenario}-{k}", marks=[] if any(q in c.line for q in QUICK) else [pytest.mark.slow]) for k, c in enumerate(ALL, start=1)],
)
def test_a_command_runs_and_prints_what_to_look_for(
    command: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    # From a folder that sees the examples, so that what a command writes does not stay there.
    (tmp_path / "examples").symlink_to(EXAMPLES, target_is_directory=True)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "160")
    program, *arguments = shlex.split(command.line)
    assert program == "camcalc"
    assert main(arguments) == 0
    out = plain(capsys.readouterr().out)
    assert command.phrases
    assert [phrase for phrase in command.phrases if plain(phrase) not in out] == []
    written = re.findall(r"--out (\S+)", command.line)
    assert [name for name in written if not (tmp_path / name).is_file()] == []

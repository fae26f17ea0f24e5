"""The README: what it shows runs, and the whole check runs what it shows."""

from __future__ import annotations

import argparse
import contextlib
import io
import re
import subprocess
import tomllib
from pathlib import Path

import pytest

from camcalc.cautions import CAUTIONS
from camcalc.cli.main import COMMANDS, module_of, parser_for
from camcalc.marks import Mark


@pytest.fixture(scope="module")
def readme(root: Path) -> str:
    return (root / "README.md").read_text(encoding="utf-8")


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.DOTALL | re.MULTILINE)


@pytest.mark.slow
def test_the_python_block_runs_and_prints_what_its_comments_say(readme: str, at_root: Path) -> None:
    (code,) = blocks(readme, "python")
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        exec(compile(code, "README.md", "exec"), {"__name__": "readme"})
    lines = said.getvalue().splitlines()
    assert len(lines) == code.count("print(")
    assert lines[0] == "9.0 crank_deg"
    assert "# 9.0 crank_deg" in code
    assert "inHg" in lines[-2]
    assert lines[-1] == "31.0 crank_deg"
    assert "# 31.0 crank_deg" in code


def test_the_readme_is_short_and_begins_with_what_it_is_for(readme: str) -> None:
    lines = readme.splitlines()
    assert len(lines) <= 120
    parts = ("street engine", "![", "```bash", "pytest", "## What it answers", "## Cautions", "## Writing a sheet", "## Run times", "## Limits")
    first = [readme.index(part) for part in parts]
    assert first == sorted(first)


def test_there_are_two_commands_to_copy(readme: str) -> None:
    commands = blocks(readme, "bash")
    assert len(commands) == 2
    assert "camcalc brief" in commands[0]
    assert "pytest" in commands[1]


def test_the_whole_check_runs_both_commands_as_they_stand(readme: str, root: Path) -> None:
    check = (root / ".ci" / "run").read_text(encoding="utf-8")
    (extract,) = re.findall(r"^readme_command\(\) \{.*\}$", check, re.MULTILINE)
    for number, command in enumerate(blocks(readme, "bash"), start=1):
        assert re.search(rf'^bash -euo pipefail -c "\$\(readme_command {number}\)"$', check, re.MULTILINE)
        found = subprocess.run(["bash", "-c", f"{extract}\nreadme_command {number}"], cwd=root, capture_output=True, text=True, check=True)
        assert found.stdout.strip() == command.strip()


def test_every_file_the_readme_shows_or_names_is_there(readme: str, root: Path) -> None:
    shown = re.findall(r"!?\[[^\]]*\]\((?!https?:)([^)#]+)\)", readme)
    named = re.findall(r"\bexamples/[\w./-]+\.\w+", readme)
    assert named
    assert [path for path in {*shown, *named} if not (root / path).is_file()] == []


def test_every_option_the_readme_names_is_one(readme: str) -> None:
    known = {option for action in parser_for()._actions for option in action.option_strings}
    for command in COMMANDS:
        parser = argparse.ArgumentParser()
        module_of(command).add_arguments(parser)
        known |= {option for action in parser._actions for option in action.option_strings}
    inline = re.findall(r"`([^`\n]*)`", re.sub(r"```.*?```", "", readme, flags=re.DOTALL))
    named = {option for text in inline for option in re.findall(r"(?<!\S)--[a-z-]+", text)}
    assert {"--html", "--json"} <= named
    assert named <= known


@pytest.mark.parametrize(
    "words",
    [
        "knock sensor",
        "clay or a dial indicator",
        "closed course",
        "Out of scope",
    ],
)
def test_limits_and_cautions_stand_in_the_readme(readme: str, words: str) -> None:
    assert words in readme


def test_the_pythons_the_readme_names_are_those_declared_and_tried(readme: str, root: Path) -> None:
    named = re.findall(r"\b3\.\d+\b", re.findall(r"^Python 3.*$", readme, re.MULTILINE)[0].partition(". ")[0])
    project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["requires-python"] == f">={named[0]}"
    assert [text.rpartition(" ")[2] for text in project["classifiers"] if re.search(r":: 3\.\d+$", text)] == named
    assert f"for version in {' '.join(named)}; do" in (root / ".ci" / "run").read_text(encoding="utf-8")


def test_the_whole_check_uses_the_install_from_elsewhere_and_again_after_another_over_it(root: Path) -> None:
    steps = (root / ".ci" / "run").read_text(encoding="utf-8").partition('readme_command 2)"\n')[2]
    first, again, second = steps.partition("pip install --quiet --force-reinstall --no-deps .\n")
    assert again
    for part in (first, second):
        assert 'try_install "$root/.venv/bin"' in part
        assert 'from_elsewhere "$root/.venv/bin/camcalc" brief "$sheet"' in part


@pytest.mark.parametrize("text", [*CAUTIONS, *Mark], ids=lambda text: text.name)
def test_the_readme_says_every_caution_and_what_every_mark_means(readme: str, text: str) -> None:
    assert f"\n- {text}\n" in readme

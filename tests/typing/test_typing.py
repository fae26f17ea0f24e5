"""Types see behind ``.si``: mypy with the project's plugin refuses each planted slip, and nothing that is spelt well."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
ROOT = HERE.parents[1]


@pytest.fixture(scope="module")
def complaints() -> set[tuple[str, int]]:
    """What mypy says, by file and line, with the project's own settings."""
    files = [str(HERE / name) for name in ("well_spelt.py", "misspelt.py")]
    done = subprocess.run([sys.executable, "-m", "mypy", *files], cwd=ROOT, capture_output=True, text=True, check=False, timeout=600)
    assert done.returncode in (0, 1), done.stderr
    errors = [line.split(":") for line in done.stdout.splitlines() if ": error:" in line]
    return {(Path(file).name, int(line)) for file, line, *_ in errors}


def planted() -> list[int]:
    lines = (HERE / "misspelt.py").read_text(encoding="utf-8").splitlines()
    return [number for number, line in enumerate(lines, 1) if line.endswith("# refused")]


def test_many_slips_are_planted() -> None:
    assert len(planted()) == 16


@pytest.mark.parametrize("line", planted())
def test_a_misspelt_attribute_is_refused(complaints: set[tuple[str, int]], line: int) -> None:
    assert ("misspelt.py", line) in complaints


def test_nothing_else_is_refused(complaints: set[tuple[str, int]]) -> None:
    assert complaints == {("misspelt.py", line) for line in planted()}

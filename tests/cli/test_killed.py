"""Commands killed while they write: no file that was there is harmed, none is half there under its own name, the next run clears up.

``CAMCALC_KILLS`` in the environment sets how many runs are killed; 200 when left out.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from camcalc.files import PART_NAME, write_files

KILLS = int(os.environ.get("CAMCALC_KILLS", "200"))
# How each command is run, which files come of it, and whether they may be there before.
COMMANDS: dict[str, tuple[list[str], tuple[str, ...], bool]] = {
    "new": (["new", "made.toml"], ("made.toml",), False),
    "example": (["new", "made/build.toml", "--from", "dockside"], ("made/build.toml", "made/spark.csv"), False),
    "explain": (["explain", "overlap", "build.toml", "--html", "a.html", "--markdown", "b.md", "--force"], ("a.html", "b.md"), True),
    "shape": (["shape", "build.toml", "--table", "spark.csv", "--out", "new.csv", "--force"], ("new.csv", "new.txt"), True),
    "events": (["events", "build.toml"], (), False),
}
OLD = "what was there before\n"


class Warm:
    """The warm process that starts commands."""

    def __init__(self, root: Path) -> None:
        words = [sys.executable, "-m", "tests.oracles.killed_runs"]
        inside = os.environ | {"CAMCALC_CACHE": "0", "PYTHONPATH": os.pathsep.join([str(root), *sys.path])}
        self.process = subprocess.Popen(words, cwd=root, env=inside, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)

    def run(self, **task: Any) -> int:
        """Run a command and return how it ended."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps({"signal": int(signal.SIGKILL), **task}) + "\n")
        self.process.stdin.flush()
        while not (line := self.process.stdout.readline()).startswith("ended "):
            assert line, "the warm process has ended"
        return int(line.split()[1])


@pytest.fixture(scope="module")
def warm(root: Path) -> Iterator[Warm]:
    made = Warm(root)
    yield made
    made.process.kill()
    made.process.communicate()


def furnished(folder: Path, root: Path, name: str, *, there: bool) -> Path:
    """A folder with a command's inputs, and where asked with old files in the places of its outputs."""
    folder.mkdir(parents=True)
    for kind in ("build.toml", "spark.csv"):
        shutil.copy(root / "examples" / "dockside" / kind, folder / kind)
    (folder / "mine.part").write_text(OLD, encoding="utf-8")
    for output in COMMANDS[name][1] if there else ():
        (folder / output).write_text(OLD, encoding="utf-8")
    return folder


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


@pytest.fixture(scope="module")
def whole(warm: Warm, root: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[dict[str, bytes], float]]:
    """What every command leaves when nothing kills it, and how long it takes [s] in a process that has loaded all."""
    found = {}
    for name, (words, outputs, _) in COMMANDS.items():
        place = tmp_path_factory.mktemp("whole")
        # Loaded in the warm process itself first.
        folder = furnished(place / "warm", root, name, there=False)
        assert warm.run(words=[str(folder / word) if "." in word else word for word in words], warm=True) == 0
        folder = furnished(place / "timed", root, name, there=False)
        begun = time.monotonic()
        assert warm.run(words=words, folder=str(folder)) == 0
        made = contents(folder)
        assert set(outputs) <= set(made)
        found[name] = made, time.monotonic() - begun
    return found


def test_no_kill_harms_a_file_or_leaves_half_of_one(warm: Warm, root: Path, tmp_path: Path, whole: dict[str, tuple[dict[str, bytes], float]]) -> None:
    made, ends = random.Random(20), []
    for k in range(KILLS):
        name = made.choice(["new", "example", "explain", "explain", "shape", "shape", "events"])
        words, outputs, may_be_there = COMMANDS[name]
        there = may_be_there and made.random() < 0.5
        folder = furnished(tmp_path / str(k), root, name, there=there)
        before = contents(folder)
        number = made.choice([signal.SIGKILL, signal.SIGKILL, signal.SIGTERM])
        # At one of the steps of writing, or at any time at all.
        when = {"at": made.randint(1, 14 * max(len(outputs), 1))} if made.random() < 0.75 else {"after": made.uniform(0.0, 1.2 * whole[name][1])}
        ends.append(warm.run(words=words, folder=str(folder), signal=int(number), **when))
        after, case = contents(folder), f"{k}: {words} {number!r} {when}"
        assert {output: after.get(output) for output in before if output not in outputs} == {o: t for o, t in before.items() if o not in outputs}, case
        for output in outputs:
            assert after.get(output) in (before.get(output), whole[name][0][output]), f"{case}: {output}"
        left = [path for path in after if path not in before and path not in outputs]
        assert all(PART_NAME.fullmatch(part) for path in left for part in [next(p for p in reversed(Path(path).parts) if p.startswith("."))]), case
        if number == signal.SIGTERM and ends[-1] == 128 + signal.SIGTERM:
            assert left == [], case
        for place in {(folder / path).parent for path in left}:
            write_files({place / "next": "written"})
        assert [path for path in contents(folder) if ".camcalc-" in path] == [], case
    # Some were killed, some were quicker.
    assert -signal.SIGKILL in ends
    if KILLS >= 40:
        assert 0 in ends
        assert 128 + signal.SIGTERM in ends


def test_a_kill_in_a_process_of_its_own_from_a_cold_start(root: Path, tmp_path: Path, whole: dict[str, tuple[dict[str, bytes], float]]) -> None:
    made = random.Random(21)
    for k in range(2):
        folder = furnished(tmp_path / str(k), root, "explain", there=True)
        words = [sys.executable, "-m", "camcalc.cli.main", *COMMANDS["explain"][0]]
        running = subprocess.Popen(words, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(made.uniform(0.0, 2.0))
        running.kill()
        running.wait()
        after = contents(folder)
        for output in COMMANDS["explain"][1]:
            assert after[output] in (OLD.encode(), whole["explain"][0][output])

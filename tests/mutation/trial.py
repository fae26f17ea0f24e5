"""One fault tried: put into a copy of the repository, and the tests nearest to it run there until one fails."""

from __future__ import annotations

import ast
import enum
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import NamedTuple

from .sites import Fault

ROOT = Path(__file__).resolve().parents[2]
COPIED = ("camcalc", "examples", "tests", "DEVELOPERS.md", "README.md", "pyproject.toml")
# Of what looks at sources or at the machine, not at figures.
ASIDE = ("tests/bench", "tests/fuzz", "tests/mutation", "tests/typing", "tests/cli/test_killed.py", "tests/test_compiling.py")
# Kernels of these packages are small enough to be run as Python by their own tests, instead of being compiled for each fault.
AS_PYTHON = ("cam", "engine")
# A change here compiles every kernel again.
COMPILED = ("burn/", "cam/", "cycle/", "drive/", "engine/", "units.py")
# So many files at most; those that only share the package come last.
MOST_FILES = 30
# Kept machine code is found by a hash of the sources; a fault outside kernels leaves it good.
TAKEN = "SOURCES = source_hash()"


class Ending(enum.Enum):
    """What became of a fault."""

    KILLED = "killed"
    SURVIVED = "survived"
    # Neither: the nearest tests, or as many of them as the time allowed, have not failed.
    UNDECIDED = "time over"


class Trial(NamedTuple):
    """A fault, how it ended, after how long [s], and the test that failed or those that did not."""

    fault: Fault
    ending: Ending
    seconds: float
    by: str


def imports(path: Path) -> set[str]:
    """Return the modules that a file imports, and the names it takes from them, by their full names."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return found


def nearest(fault: str, root: Path = ROOT) -> list[Path]:
    """Return the test files near a module, nearest first: named as it is, of its package and importing it, importing it, of its package."""
    module = Path(fault)
    package, name, full = module.parts[0], module.stem, ".".join(["camcalc", *module.with_suffix("").parts])
    ranks = []
    for path in sorted((root / "tests").rglob("test_*.py")):
        told = path.relative_to(root).as_posix()
        if told.startswith(ASIDE):
            continue
        used, same = imports(path), path.parent.name == package
        named = path.stem == f"test_{name}" or name in path.stem or path.stem.removeprefix("test_").rstrip("s") in name
        direct = full in used
        if same and (named or direct):
            ranks.append((0 if named and direct else 1 if named else 2, path))
        elif direct or (named and not same and len(module.parts) == 1):
            ranks.append((3, path))
        elif same:
            ranks.append((4, path))
    near = [path for _, path in sorted(ranks)]
    if package in AS_PYTHON:
        near = [path for path in near if path.parent.name == package]
    return near[:MOST_FILES]


class Copy:
    """A copy of the repository, in which one fault at a time stands."""

    def __init__(self, place: Path) -> None:
        self.place, self.root = place, place / "copy"
        for name in COPIED:
            source = ROOT / name
            if source.is_dir():
                shutil.copytree(source, self.root / name, ignore=shutil.ignore_patterns("__pycache__", "found"), dirs_exist_ok=True)
            else:
                shutil.copy(source, self.root / name)
        # A module of its own in the copy: the key of kept code is that of the sources without a fault.
        self.compiling = (self.root / "camcalc" / "compiling.py").read_text(encoding="utf-8")
        assert self.compiling.count(TAKEN) == 1
        self.kernels = place / "kernels"

    def tried(self, fault: Fault, seconds: float) -> Trial:
        """Put a fault in, run the tests nearest to it, take it out again."""
        path, compiling = self.root / "camcalc" / fault.path, self.root / "camcalc" / "compiling.py"
        text = path.read_text(encoding="utf-8")
        kernels = self.kernels
        if fault.compiled:
            kernels = self.place / "faulty"
            shutil.rmtree(kernels, ignore_errors=True)
        begun = time.monotonic()
        try:
            path.write_text(fault.applied(text), encoding="utf-8")
            if not fault.compiled:
                taken = 'SOURCES = "without a fault"\n\n\ndef source_hash(package: Path = PACKAGE) -> str:  # noqa: F811\n    return SOURCES\n'
                compiling.write_text(self.compiling.replace(TAKEN, taken), encoding="utf-8")
            as_python = fault.compiled and fault.path.split("/")[0] in AS_PYTHON
            ending, by = self.run(nearest(fault.path, self.root), seconds, {"NUMBA_CACHE_DIR": str(kernels), "NUMBA_DISABLE_JIT": str(int(as_python))})
        finally:
            path.write_text(text, encoding="utf-8")
            compiling.write_text(self.compiling, encoding="utf-8")
        return Trial(fault, ending, time.monotonic() - begun, by)

    def run(self, files: list[Path], seconds: float, numba: dict[str, str]) -> tuple[Ending, str]:
        """Run test files in order until a test fails or the time is over."""
        inside = os.environ | {"PYTHONPATH": str(self.root), "OPENBLAS_NUM_THREADS": "1", "COLUMNS": "200"} | numba
        words = [sys.executable, "-m", "pytest", "-x", "-q", "--no-header", "--tb=no", "-p", "no:cacheprovider", "-m", "not slow"]
        words += [f"--basetemp={self.place / 'basetemp'}", *map(str, files)]
        # A session of its own: what tests start ends with them.
        running = subprocess.Popen(words, cwd=self.root, env=inside, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True)
        try:
            told, _ = running.communicate(timeout=seconds)
        except subprocess.TimeoutExpired:
            os.killpg(running.pid, signal.SIGKILL)
            running.communicate()
            return Ending.UNDECIDED, f"{len(files)} files"
        if running.returncode == 0:
            return Ending.SURVIVED, ", ".join(path.relative_to(self.root / "tests").as_posix() for path in files)
        if running.returncode == 3:
            raise RuntimeError(f"the tests could not be run:\n{told}")
        failed = re.search(r"^(?:FAILED|ERROR) (.*?)(?: - .*)?$", told, re.MULTILINE)
        return Ending.KILLED, failed[1] if failed else told.strip().splitlines()[-1]

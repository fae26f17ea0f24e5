"""What is installed with camcalc, and what is in its wheel."""

from __future__ import annotations

import importlib.metadata
import os
import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import camcalc


@pytest.fixture(scope="module")
def project(root: Path) -> dict[str, Any]:
    return tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))


def test_every_requirement_is_met_and_so_are_theirs(project: dict[str, Any]) -> None:
    left, seen, wrong = list(map(Requirement, project["project"]["dependencies"])), set(), []
    while left:
        wanted = left.pop()
        if wanted.marker is not None and not wanted.marker.evaluate({"extra": ""}):
            continue
        there = importlib.metadata.version(wanted.name)
        if not wanted.specifier.contains(there, prereleases=True):
            wrong.append(f"{wanted}, there is {there}")
        if canonicalize_name(wanted.name) not in seen:
            seen.add(canonicalize_name(wanted.name))
            left += map(Requirement, importlib.metadata.requires(wanted.name) or [])
    assert wrong == []
    assert {"numpy", "pint", "platformdirs"} <= seen


def test_every_library_that_is_imported_is_required(root: Path, project: dict[str, Any]) -> None:
    named = {Requirement(text).name.replace("-", "_") for text in project["project"]["dependencies"]}
    lines = "\n".join(path.read_text(encoding="utf-8") for path in (root / "camcalc").rglob("*.py"))
    used = set(re.findall(r"^\s*(?:import|from) ([a-zA-Z_]\w*)", lines, re.MULTILINE)) - set(sys.stdlib_module_names)
    # jinja2 brings markupsafe, numba brings llvmlite; words of prose begin a line with "from" too.
    libraries = {name for name in used if importlib.metadata.packages_distributions().get(name)} - {"markupsafe", "llvmlite", "camcalc"}
    assert libraries <= named
    assert named - used == set()


@pytest.fixture(scope="module")
def wheel(root: Path, tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    """The wheel of a clean copy of the sources, made without network."""
    import setuptools

    if int(setuptools.__version__.partition(".")[0]) < 77:
        assert "CI" not in os.environ, "the tests' libraries bring setuptools 77"
        pytest.skip("needs setuptools 77, as an install does")
    place = tmp_path_factory.mktemp("wheel")
    files = subprocess.run(["git", "ls-files", "camcalc", "examples", "README.md", "pyproject.toml"], cwd=root, capture_output=True, text=True, check=True)
    for name in files.stdout.splitlines():
        if (root / name).is_file():
            target = place / "sources" / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes((root / name).read_bytes())
    script = "import sys, setuptools.build_meta as made; print(made.build_wheel(sys.argv[1]))"
    done = subprocess.run([sys.executable, "-c", script, str(place)], cwd=place / "sources", capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stderr
    (path,) = place.glob("*.whl")
    return zipfile.ZipFile(path)


def test_the_wheel_holds_all_that_is_needed_and_nothing_else(wheel: zipfile.ZipFile, root: Path) -> None:
    names = [name for name in wheel.namelist() if ".dist-info/" not in name]
    inside = {str(path.relative_to(root)) for kind in ("*.py", "*.html", "*.csv", "units.txt", "py.typed") for path in (root / "camcalc").rglob(kind)}
    examples = {f"camcalc/examples/{name}/{kind}" for name in ("dockside", "long-meadow", "quarry-road") for kind in ("build.toml", "spark.csv")}
    assert set(names) == inside | examples
    assert {"camcalc/py.typed", "camcalc/units.txt", "camcalc/pages/head.html"} <= set(names)


def test_the_wheel_says_what_it_is(wheel: zipfile.ZipFile, project: dict[str, Any]) -> None:
    (meta,) = [name for name in wheel.namelist() if name.endswith(".dist-info/METADATA")]
    text = wheel.read(meta).decode()
    assert f"\nVersion: {camcalc.__version__}\n" in text
    assert "\nRequires-Python: >=3.11\n" in text
    required = {Requirement(line).name for line in re.findall(r"^Requires-Dist: ([^;\n]*)$", text, re.MULTILINE)}
    assert required == {Requirement(line).name for line in project["project"]["dependencies"]}
    (commands,) = [name for name in wheel.namelist() if name.endswith("entry_points.txt")]
    assert "camcalc = camcalc.cli.main:main" in wheel.read(commands).decode()

"""``python tests/lowest_versions.py``: the lowest versions that pyproject names, in an environment of their own; a short trial and quick tests there.

A bound that is not met by what pip can install, or that does not work, is an error.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
import tomllib
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
# What the quick tests themselves need, at its lowest too.
OF_TESTS = ("filelock", "hypothesis", "packaging", "pytest")
SHEET = str(ROOT / "examples" / "quarry-road" / "build.toml")
TRIALS = (
    ["events", SHEET],
    ["cycle", SHEET, "--speed", "850 rpm", "--manifold-pressure", "62 kPa"],
    ["brief", SHEET, "--model", "quick", "--no-bands", "--html", "brief.html", "--tables", "tables"],
)
TESTS = (
    "tests/test_units.py", "tests/test_results.py", "tests/cam", "tests/sheet", "tests/tables/test_table.py", "tests/tables/test_likely_unit.py",
    "tests/logs/test_reading.py", "tests/logs/test_surge_spans.py",
)  # fmt: skip


def lowest(requirement: str) -> str:
    """Return a requirement on the lowest version that it allows.

    >>> lowest("numpy>=1.26")
    'numpy==1.26'
    """
    name, sign, version = requirement.partition(">=")
    if not sign or any(mark in version for mark in ",<>=!~;"):
        sys.exit(f"{requirement}: expected NAME>=VERSION, so that the lowest version is told")
    return f"{name}=={version}"


def main() -> None:
    """Install, try, test; stop at the first failure."""
    parser = argparse.ArgumentParser(prog="python tests/lowest_versions.py", description="Try the lowest versions of all that camcalc rests on.")
    parser.add_argument("--tests", action=argparse.BooleanOptionalAction, default=True, help="quick tests after the trial")
    options = parser.parse_args()
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [lowest(one) for one in project["dependencies"]]
    tools = [lowest(one) for one in project["optional-dependencies"]["test"] if one.partition(">=")[0] in OF_TESTS]
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as place:
        venv.create(Path(place, "venv"), with_pip=True)
        python = str(Path(place, "venv", "bin", "python"))
        inside = os.environ | {"NUMBA_CACHE_DIR": str(Path(place, "kernels")), "PIP_DISABLE_PIP_VERSION_CHECK": "1"}

        def run(*words: str, folder: Path) -> None:
            done = subprocess.run([python, *words], cwd=folder, env=inside, check=False, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
            print(f"{time.monotonic() - begun:4.0f} s  {' '.join(words[:6])}", flush=True)
            if done.returncode != 0:
                sys.exit(f"{done.stdout}\nwith the lowest versions failed: {' '.join(words)}")

        run("-m", "pip", "install", "--quiet", "--no-compile", "--only-binary", ":all:", *wanted, *tools, folder=Path(place))
        run("-m", "pip", "install", "--quiet", "--no-deps", str(ROOT), folder=Path(place))
        run("-m", "pip", "check", folder=Path(place))
        for words in TRIALS:
            run("-W", "error::DeprecationWarning:camcalc", "-m", "camcalc.cli.main", *words, folder=Path(place))
        if options.tests:
            # The whole suite's options are for tools that are not here.
            run("-m", "pytest", "-o", "addopts=", "--import-mode=importlib", "-q", "-x", "-m", "not slow", "-p", "no:cacheprovider", *TESTS, folder=ROOT)


if __name__ == "__main__":
    main()

"""What all tests share: reference tables whose rows become test cases, the repository root, and how hypothesis searches."""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path
from typing import Any

import hypothesis
import pytest

ROOT = Path(__file__).resolve().parents[1]
REFERENCE = ROOT / "tests" / "reference"
EXAMPLES = ("quarry-road", "dockside", "long-meadow")

# Derandomised, so that a run can be repeated; raise max_examples and set derandomize=False to search wider.
hypothesis.settings.register_profile("camcalc", deadline=None, max_examples=40, derandomize=True, database=None)
hypothesis.settings.load_profile("camcalc")


class Row:
    """One row of a reference table: its columns as attributes, numbers as floats."""

    def __init__(self, cells: dict[str, str]) -> None:
        for name, text in cells.items():
            setattr(self, name, _number(text))

    def check(self, found: float) -> None:
        """Fail unless ``found`` is the row's value within its tolerance."""
        assert abs(found - self.value) <= self.tolerance, (
            f"{self.id}: {found!r} instead of {self.value!r} {self.unit} within {self.tolerance!r} ({self.source}; {self.mark})"
        )

    value: float
    tolerance: float
    id: str
    unit: str
    source: str
    mark: str

    def __getattr__(self, name: str) -> Any:
        raise AttributeError(f"the table has no column {name}")


def _number(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def reference_rows(name: str) -> list[Row]:
    """Read one table of ``tests/reference``."""
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return [Row(cells) for cells in csv.DictReader(file, strict=True)]


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "reference(table): run once per row of a table in tests/reference, given as ``row``")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    marker = metafunc.definition.get_closest_marker("reference")
    if marker is not None:
        rows = reference_rows(marker.args[0])
        assert rows, f"{marker.args[0]} is empty"
        metafunc.parametrize("row", rows, ids=[str(row.id) for row in rows])


@pytest.fixture(scope="session")
def root() -> Path:
    """The repository root."""
    return ROOT


@pytest.fixture
def at_root(monkeypatch: pytest.MonkeyPatch) -> Path:
    """Run the test from the repository root."""
    monkeypatch.chdir(ROOT)
    return ROOT


@pytest.fixture(params=EXAMPLES)
def example(request: pytest.FixtureRequest) -> str:
    """The name of each example in turn."""
    return str(request.param)


@pytest.fixture
def example_path(example: str) -> Path:
    """The build sheet of each example in turn."""
    return ROOT / "examples" / example / "build.toml"


@pytest.fixture
def sheet() -> dict[str, Any]:
    """The data of the quarry-road sheet, free to be changed."""
    return tomllib.loads((ROOT / "examples" / "quarry-road" / "build.toml").read_text(encoding="utf-8"))

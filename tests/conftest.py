"""What all tests share: reference tables whose rows become test cases, the repository root, and how hypothesis searches."""

from __future__ import annotations

import csv
import functools
import os
import pickle
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import hypothesis
import pytest
from filelock import FileLock

# Before numpy is loaded: on matrices as small as these, threads of the linear algebra only get in each other's way, tenfold on a busy machine.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Tests change what answers rest on under the feet of whoever would keep them.
os.environ["CAMCALC_CACHE"] = "0"

if os.environ.get("NUMBA_DISABLE_JIT", "0") == "1":
    # For coverage, which sees Python alone. Kernels made of others ask for these as Python, by the name that compiled ones have.
    import numba

    def _left_as_python(function: Any = None, **options: Any) -> Any:
        if function is None:
            return _left_as_python
        function.py_func = function
        return function

    numba.njit = _left_as_python

if TYPE_CHECKING:
    from camcalc import Brief, Build, HeardBuild, QuickEngine, ResolvedEngine

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
    from camcalc.cycle.models import MODELS
    from tests.oracles.coarse_engine import CoarseEngine

    MODELS["coarse"] = CoarseEngine
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


@pytest.fixture(params=EXAMPLES, scope="session")
def example(request: pytest.FixtureRequest) -> str:
    """The name of each example in turn."""
    return str(request.param)


@pytest.fixture
def example_path(example: str) -> Path:
    """The build sheet of each example in turn."""
    return ROOT / "examples" / example / "build.toml"


@pytest.fixture
def sheet() -> dict[str, Any]:
    """The data of the tests' own build sheet, free to be changed."""
    return tomllib.loads((ROOT / "tests" / "data" / "build.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def build_of() -> Callable[..., Build]:
    """Give an example's build by name: as it is or with the cam it had, at its own altitude or another. Each is read once."""

    @functools.cache
    def build(name: str, *, old: bool = False, altitude: str = "") -> Build:
        from camcalc import load_build

        if not old and not altitude:
            return load_build(ROOT / "examples" / name / "build.toml")
        if altitude:
            same = build(name, old=old)
            return same.replace(site=same.site.replace(altitude=altitude))
        return build(name).with_replaced_cam()

    return build


@pytest.fixture
def coarse(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let commands ask the tests' own engine instead of the resolved one, so that tests of words, pages and files take seconds."""
    from camcalc.cycle.models import MODELS

    monkeypatch.setitem(MODELS, "resolved", MODELS["coarse"])


@pytest.fixture(scope="session")
def engine_of(build_of: Callable[..., Build]) -> Callable[..., QuickEngine]:
    """Give an example's quick engine; arguments as for ``build_of``. Each is made once."""

    @functools.cache
    def engine(name: str, *, old: bool = False, altitude: str = "") -> QuickEngine:
        from camcalc import QuickEngine

        return QuickEngine(build_of(name, old=old, altitude=altitude))

    return engine


@pytest.fixture(scope="session")
def resolved_of(build_of: Callable[..., Build]) -> Callable[..., ResolvedEngine]:
    """Give an example's resolved engine as the brief uses it, by name, with its new or (old) its replaced cam. Each is made once."""

    @functools.cache
    def engine(name: str, *, old: bool = False) -> ResolvedEngine:
        from camcalc.cycle.models import engine_kind

        return engine_kind("resolved")(build_of(name, old=old))  # type: ignore[no-any-return]

    return engine


@pytest.fixture(scope="session")
def once(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, Callable[[], Any]], Any]:
    """Give what a function makes, by a name of its own: made by whichever worker asks first, and read by the others."""
    own = tmp_path_factory.getbasetemp()
    folder = own.parent if "PYTEST_XDIST_WORKER" in os.environ else own

    def made(name: str, make: Callable[[], Any]) -> Any:
        path = folder / f"{name}.pickle"
        with FileLock(path.with_suffix(".lock")):
            if not path.exists():
                path.write_bytes(pickle.dumps(make()))
            return pickle.loads(path.read_bytes())

    return made


@pytest.fixture
def kept_answers(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let commands keep what engines answer, as they do for a user, in a folder that the workers of this run share."""
    from camcalc.cycle import kept_cycles

    own = tmp_path_factory.getbasetemp()
    folder = own.parent if "PYTEST_XDIST_WORKER" in os.environ else own
    monkeypatch.setenv("CAMCALC_CACHE", "1")
    monkeypatch.setattr(kept_cycles, "kernel_folder", lambda: folder)


@pytest.fixture(scope="session")
def brief_of(build_of: Callable[..., Build], once: Callable[[str, Callable[[], Any]], Any]) -> Callable[[str], Brief]:
    """Give an example's brief by the tests' own engine, without bands. Each is made once."""

    @functools.cache
    def brief(name: str) -> Brief:
        from camcalc import make_brief

        return once(f"brief of {name}", lambda: make_brief(build_of(name), model="coarse", bands=False))  # type: ignore[no-any-return]

    return brief


@pytest.fixture(scope="session")
def heard_of(build_of: Callable[..., Build], once: Callable[[str, Callable[[], Any]], Any]) -> Callable[[str], HeardBuild]:
    """Give what an example sounds and feels like by the tests' own engine, without the shaped table. Each is made once."""
    from camcalc import hear_build, read_table
    from camcalc.cycle.models import MODELS

    @functools.cache
    def heard(name: str) -> HeardBuild:
        build, table = build_of(name), read_table(ROOT / "examples" / name / "spark.csv")
        return once(f"hearing {name}", lambda: hear_build(build, table, shaped=False, engine_of=MODELS["coarse"]))  # type: ignore[no-any-return]

    return heard


@pytest.fixture(scope="session")
def banded_brief(build_of: Callable[..., Build], once: Callable[[str, Callable[[], Any]], Any]) -> Brief:
    """The long-meadow brief by the tests' own engine, with bands."""
    from camcalc import make_brief

    return once("banded brief", lambda: make_brief(build_of("long-meadow"), model="coarse"))  # type: ignore[no-any-return]

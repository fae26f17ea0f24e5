"""What engines have answered, kept between commands: the same bits, never of another engine, and nothing worse than slow where a file is spoilt."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from camcalc import Build
from camcalc.cycle import kept_cycles, steady
from camcalc.cycle.kept_cycles import Keeping, fingerprint, keeping
from camcalc.cycle.memory_field import memory_field
from camcalc.cycle.models import engine_kind
from camcalc.cycle.operating import Tolerances
from camcalc.cycle.work_variation import work_spread

Make = Callable[..., Any]
PLACE = 1200.0 / 60.0, 52e3, 20.0


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    yield tmp_path
    keeping.end()


def asked(build: Build, folder: Path, *, tolerances: Tolerances | None = None, memory: bool = False) -> list[float]:
    """What an engine answers to a few questions, kept in a folder."""
    keeping.begin(folder)
    engine = engine_kind("resolved")(build, tolerances or Tolerances())
    state, spread = engine.state(*PLACE), work_spread(engine, *PLACE)
    answers = [*map(float, state[:-2]), state.repeats_within, *map(float, spread[1:]), engine.best_spark(*PLACE[:2]), engine.net_imep(*PLACE[:2], None)]
    answers += engine.settled(*PLACE).at_stops.ravel().tolist()
    if memory:
        field = memory_field(engine)
        assert field is not None
        found = field.at(1200.0 / 60.0, 50e3, 24.0)
        assert found is not None
        answers += found.a.ravel().tolist() + found.settled.ravel().tolist()
    keeping.end()
    return answers


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many cycles were run."""
    count, plain = [0], steady.march_plain

    def march(*given: Any) -> Any:
        *found, residuals, ending = plain(*given)
        count[0] += len(residuals)
        return *found, residuals, ending

    monkeypatch.setattr(steady, "march_plain", march)
    return count


def test_what_was_asked_before_comes_back_to_the_last_bit_at_a_cycle_a_point(build_of: Make, folder: Path, counted: list[int]) -> None:
    first = asked(build_of("quarry-road"), folder, memory=True)
    run, counted[0] = counted[0], 0
    again = asked(build_of("quarry-road"), folder, memory=True)
    print(f"{run} cycles at first, {counted[0]} again")
    assert again == first
    assert counted[0] < run / 10
    # Nothing kept: the same.
    other = folder / "other"
    assert asked(build_of("quarry-road"), other, memory=True) == first


def test_nothing_is_kept_unless_asked_for(build_of: Make, tmp_path: Path) -> None:
    assert keeping.folder is None
    engine = engine_kind("resolved")(build_of("quarry-road"))
    engine.state(*PLACE)
    keeping.end()
    assert not list(tmp_path.iterdir())


def test_another_engine_is_not_answered_with_this_one_s(build_of: Make, folder: Path) -> None:
    build: Build = build_of("quarry-road")
    asked(build, folder)
    (first,) = folder.iterdir()
    others = [build.replace(engine=build.engine.replace(spark_energy="25 mJ")), build.with_replaced_cam(), build_of("dockside")]
    names = {fingerprint(one, ()) for one in (build, *others)}
    assert len(names) == len(others) + 1
    asked(others[0], folder)
    assert len(list(folder.iterdir())) == 2
    assert first in folder.iterdir()
    # What is called otherwise, or shown in other units, is the same engine.
    assert fingerprint(build.replace(name="Another name"), ()) == fingerprint(build, ())


def test_engines_of_other_tolerances_are_not_kept(build_of: Make, folder: Path) -> None:
    asked(build_of("quarry-road"), folder, tolerances=Tolerances(burn=1.1))
    assert not list(folder.iterdir())


@pytest.mark.parametrize(
    "spoil",
    [
        lambda b: b[: len(b) // 2],
        lambda b: b"",
        lambda b: b[:40] + bytes(8) + b[48:],
        lambda b: os.urandom(len(b)),
        lambda b: bytes(len(b)),
        lambda b: b[:4096] + bytes(len(b) - 4096),
        lambda b: b[:-1],
    ],
)
def test_a_spoilt_file_is_worked_out_anew_and_replaced(build_of: Make, folder: Path, spoil: Callable[[bytes], bytes]) -> None:
    first = asked(build_of("quarry-road"), folder)
    (path,) = folder.iterdir()
    whole = path.read_bytes()
    path.write_bytes(spoil(whole))
    assert asked(build_of("quarry-road"), folder) == first
    assert [one.name for one in folder.iterdir()] == [path.name]
    assert len(path.read_bytes()) == len(whole)


def test_files_of_no_use_go_first_the_oldest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept_cycles, "MOST_BYTES", 250)
    for k in range(4):
        path = tmp_path / f"{k}.answers"
        path.write_bytes(bytes(100))
        os.utime(path, (time.time() - 100 * k, time.time() - 100 * k))
    kept = Keeping()
    kept.begin(tmp_path)
    kept.end()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["0.answers", "1.answers"]


def test_a_folder_that_takes_nothing_is_no_reason_to_stop(build_of: Make, tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("not a folder")
    assert np.isfinite(asked(build_of("quarry-road"), blocked)[0])
    keeping.begin(blocked)
    engine_kind("resolved")(build_of("quarry-road"), Tolerances()).state(*PLACE)
    assert isinstance(keeping.end(), OSError)
    assert keeping.folder is None

"""What engines have answered, kept between commands: a question asked before is answered at once, to the last bit as when it was asked first.

A file for each engine, under a hash of all that its answers rest on: the sheet, the tolerances, how closely cycles are settled, and the code itself.
Of a settled cycle only its start is kept: one cycle run from there is the settled one again. A file that is damaged or of another making is as none.
"""

from __future__ import annotations

import dataclasses
import hashlib
import io
import json
import os
import time
import uuid
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..compiling import LONGEST_UNUSED, SOURCES, kernel_folder
from .layout import Unknown
from .memory import CycleMemory
from .operating import Ending, OperatingState, Tolerances
from .work_variation import Spread

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["Answers", "Keeping", "KeptStart", "fingerprint", "keeping", "read_arrays", "write_arrays"]

Array = NDArray[np.float64]

FOLDER = "answers"
# All files together are kept to so much [bytes]; those used longest ago go first.
MOST_BYTES = 300 * 2**20
DIGEST_BYTES = 32
ENDINGS = tuple(Ending)
# Of a sheet, what no cycle rests on.
ASIDE = ("name", "label", "notes", "doubts", "assumed", "card_text", "path", "spark_table", "replaced_cam", "units", "measured", "wanted")
# Of a burned fraction or a spark that was not asked for.
NOTHING = -1.0
STATE, SPREAD = OperatingState._fields, Spread._fields[1:]
MEMORY = [field.name for field in dataclasses.fields(CycleMemory)]


class KeptStart(NamedTuple):
    """How a cycle settled: what its last plain cycle began with, how many it took, residuals of each, and how it ended."""

    unknowns: Array
    cycles: int
    history: tuple[float, ...]
    outcome: Ending


class Answers(NamedTuple):
    """What an engine has answered, by the question: starts of settled cycles, how cycles spread, best sparks, best sparks on a held exchange with the
    exchange's own, what cycles leave to those after them."""

    starts: dict[tuple[float, float, float], KeptStart]
    spreads: dict[tuple[float, ...], Spread]
    best: dict[tuple[float, float, float | None], float]
    held: dict[tuple[float, float, float | None], tuple[float, float]]
    memories: dict[tuple[float, float, float], CycleMemory | None]

    @staticmethod
    def none() -> Answers:
        """Return the answers of an engine that was asked nothing."""
        return Answers({}, {}, {}, {}, {})

    @property
    def size(self) -> int:
        """How many there are."""
        return sum(len(one) for one in self)


class Keeping:
    """Whether answers are kept, and of which engines.

    Attributes
    ----------
    folder : Path or None
        Where; None while nothing is kept.
    """

    def __init__(self) -> None:
        self.folder: Path | None = None
        self._known: dict[str, tuple[Answers, int]] = {}

    def begin(self, folder: Path | None = None) -> None:
        """Keep answers from now on, beside the compiled kernels unless a folder is given."""
        kernels = kernel_folder() if folder is None else None
        self.folder = folder if kernels is None else kernels / FOLDER

    def end(self) -> OSError | None:
        """Write what engines have answered since, and keep nothing more; return what stood in the way, if anything did."""
        try:
            for name, (answers, before) in self._known.items():
                if answers.size > before:
                    self._write(name, answers)
            if self.folder is not None:
                _forget(self.folder)
        except OSError as error:
            # Answers are at hand; the next command works them out again.
            return error
        finally:
            self.folder = None
            self._known.clear()
        return None

    def answers_of(self, build: Build, tolerances: Tolerances, made: tuple[Any, ...]) -> Answers:
        """Return what is known of an engine that is just being made; only engines without tolerances are kept.

        Parameters
        ----------
        build : Build
        tolerances : Tolerances
        made : tuple
            How it is settled.
        """
        if self.folder is None or tolerances != Tolerances():
            return Answers.none()
        name = fingerprint(build, made)
        if name not in self._known:
            data = read_arrays(self._path(name))
            answers = Answers.none() if data is None else _read_back(data)
            self._known[name] = answers, answers.size
        return self._known[name][0]

    def _path(self, name: str) -> Path:
        assert self.folder is not None
        return self.folder / f"{name}.answers"

    def _write(self, name: str, answers: Answers) -> None:
        write_arrays(self._path(name), _data(answers))


keeping = Keeping()


def fingerprint(build: Build, made: tuple[Any, ...]) -> str:
    """Return a hash of all that an engine's answers rest on.

    Parameters
    ----------
    build : Build
    made : tuple
        How it is settled.
    """
    sections = {name: value for name, value in build.to_dict().items() if name not in ASIDE}
    told = json.dumps([SOURCES, np.__version__, sections, made], sort_keys=True, default=str)
    return hashlib.sha256(told.encode()).hexdigest()[:32]


def write_arrays(path: Path, data: dict[str, Array]) -> None:
    """Keep arrays by name in a file that is whole or not there.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    whole = io.BytesIO()
    np.savez(whole, allow_pickle=False, **data)
    body = whole.getvalue()
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(f".{uuid.uuid4().hex}.part")
    try:
        part.write_bytes(hashlib.sha256(body).digest() + body)
        part.replace(path)
    except OSError:
        part.unlink(missing_ok=True)
        raise


def read_arrays(path: Path) -> dict[str, Array] | None:
    """Return what a file holds; None if there is none, or it is not whole."""
    try:
        kept = path.read_bytes()
        body = kept[DIGEST_BYTES:]
        if hashlib.sha256(body).digest() != kept[:DIGEST_BYTES]:
            return None
        os.utime(path)
        with np.load(io.BytesIO(body), allow_pickle=False) as data:
            return dict(data)
    except (OSError, ValueError, KeyError):
        return None


def _forget(folder: Path) -> None:
    """Remove files that are old or, all together, too many."""
    found = []
    for path in folder.glob("*"):
        try:
            stat = path.stat()
        except FileNotFoundError:  # another process was quicker
            continue
        found.append((stat.st_mtime, stat.st_size, path))
    total, oldest = 0, time.time() - LONGEST_UNUSED
    for used, size, path in sorted(found, reverse=True):
        total += size
        if total > MOST_BYTES or used < oldest:
            path.unlink(missing_ok=True)


def _or_nothing(key: Iterable[float | None]) -> list[float]:
    return [NOTHING if one is None else float(one) for one in key]


def _asked(key: Array) -> tuple[float, float, float | None]:
    return float(key[0]), float(key[1]), None if key[2] == NOTHING else float(key[2])


def _table(rows: list[Any], width: int) -> Array:
    return np.array(rows, dtype=np.float64).reshape(len(rows), width)


def _data(answers: Answers) -> dict[str, Array]:
    """Return answers as arrays."""
    starts = answers.starts
    histories = [start.history for start in starts.values()]
    states = [[float(ENDINGS.index(v)) if isinstance(v, Ending) else float(v) for v in spread.mean] for spread in answers.spreads.values()]
    data = {
        "start_keys": _table(list(starts), 3),
        "starts": _table([start.unknowns for start in starts.values()], len(Unknown)),
        "start_ends": _table([(start.cycles, len(start.history), ENDINGS.index(start.outcome)) for start in starts.values()], 3),
        "histories": np.array([r for history in histories for r in history]),
        "spread_keys": _table(list(answers.spreads), 4),
        "states": _table(states, len(STATE)),
        "spreads": _table([spread[1:] for spread in answers.spreads.values()], len(SPREAD)),
        "best": _table([[*_or_nothing(key), value] for key, value in answers.best.items()], 4),
        "held": _table([[*_or_nothing(key), *value] for key, value in answers.held.items()], 5),
        "memory_keys": _table(list(answers.memories), 3),
    }
    memories = [found for found in answers.memories.values() if found is not None]
    data["memory_runs"] = np.array([found is not None for found in answers.memories.values()])
    for name in MEMORY:
        data[f"memory_{name}"] = np.array([getattr(found, name) for found in memories])
    return data


def _read_back(data: dict[str, Array]) -> Answers:
    """Return the answers that a file holds."""
    found, first = Answers.none(), 0
    for key, unknowns, (cycles, count, ending) in zip(data["start_keys"], data["starts"], data["start_ends"].astype(int), strict=True):
        history = tuple(map(float, data["histories"][first : first + count]))
        first += count
        found.starts[float(key[0]), float(key[1]), float(key[2])] = KeptStart(unknowns, int(cycles), history, ENDINGS[ending])
    at = STATE.index("outcome")
    for key, state, spread in zip(data["spread_keys"], data["states"], data["spreads"], strict=True):
        values: list[Any] = list(map(float, state))
        values[at] = ENDINGS[int(values[at])]
        speed, pressure, spark, cautious = map(float, key)
        found.spreads[speed, pressure, spark, bool(cautious)] = Spread(OperatingState(*values), *map(float, spread))
    found.best.update({_asked(row): float(row[3]) for row in data["best"]})
    found.held.update({_asked(row): (float(row[3]), float(row[4])) for row in data["held"]})
    k = 0
    for key, runs in zip(data["memory_keys"], data["memory_runs"], strict=True):
        place = float(key[0]), float(key[1]), float(key[2])
        found.memories[place] = None
        if runs:
            fields = {name: data[f"memory_{name}"][k] for name in MEMORY}
            scalars = {name: fields[name].item() for name in MEMORY if fields[name].ndim == 0}
            found.memories[place] = CycleMemory(**{**fields, **scalars})
            k += 1
    return found

"""Cars that the sheet allows, run through the engine model once: what each would read and what its headline figures would be, kept between commands."""

from __future__ import annotations

import hashlib
import math
import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from ..advice.headlines import Zone, headline
from ..cycle.kept_cycles import fingerprint, keeping, read_arrays, write_arrays
from ..cycle.operating import EngineModel, Tolerances
from ..errors import CamcalcError
from ..sheet import Build
from .observed import Observed
from .prior import FAULTS, Fault, design_build, multipliers

__all__ = ["CEILING_AT", "HEADLINE_NAMES", "Design", "design_of"]

Array = NDArray[np.float64]
Kind = Callable[..., EngineModel]

POWER = 6  # 2**POWER cars
SEED = 20261
# Where a spark ceiling is learned: speed [rev/s] and manifold pressure [Pa]; a light cruise, as the brief's own ceilings begin. ESTIMATE.
CEILING_AT = 1400.0 / 60.0, 60e3
HEADLINE_NAMES = ("vacuum", "burned_fraction", "vacuum_penalty", "unstable_below", "blow_back_below", "shut_earliest", "shut_latest", "ceiling")
# Sizes at which a fault in the engine is tried, as shares of the ends of its range.
TRIED = (0.5, 1.0)
# Sources that figures of a car rest on, beside the engine's own.
PARTS = ("advice/*.py", "measured/cranking.py", "measured/observed.py", "measured/prior.py", "measured/design.py", "road_test/readings.py")


class Design(NamedTuple):
    """Inputs of the cars from -1 to 1, shape (cars, inputs); what each reads and its headline figures by name, shape (cars,); the sheet's own car's; and
    how readings change with each fault in the engine: sizes, and changes by reading."""

    names: tuple[str, ...]
    inputs: Array
    readings: Mapping[str, Array]
    headlines: Mapping[str, Array]
    faulty: Mapping[Fault, tuple[Array, Mapping[str, Array]]]


def key_of(one: Observed) -> str:
    """Return a name for what is read and where, that does not hang on the value read."""
    return hashlib.sha256(repr(one.key).encode()).hexdigest()[:24]


def design_of(
    kind: Kind,
    build: Build,
    readings: Sequence[Observed],
    *,
    headlines: bool = True,
    faults: bool = True,
    power: int = POWER,
    progress: Callable[[float], None] = lambda share: None,
) -> Design:
    """Run the cars that a sheet allows through an engine model.

    Parameters
    ----------
    kind : callable
        Makes an engine from a build and tolerances.
    build : Build
        Without anything learned.
    readings : sequence of Observed
        What is to be read of each car.
    headlines : bool
        Whether headline figures are asked for, which takes most of the time.
    faults : bool
        Whether cars with something wrong in the engine are tried.
    power : int
        ``2**power`` cars, quasi-random; the first ones of a larger number are those of a smaller one.
    progress : callable
        Told the share done.

    Notes
    -----
    While commands keep answers for one another, so does this, under a hash of the sheet, the sources and the readings' places.
    """
    nominal = kind(build)
    names = tuple(nominal.uncertain)
    inputs = 2.0 * qmc.Sobol(len(names), rng=np.random.default_rng(SEED)).random_base2(power) - 1.0
    known = _Kept(build, nominal.name, power)
    wanted = {key_of(one): one for one in readings}
    lacking = {key: one for key, one in wanted.items() if f"r_{key}" not in known.data}
    heads = headlines and "h_vacuum" not in known.data
    trials = [(fault, size) for fault in _faults_of(build) for size in _sizes(fault)] if faults else []
    lacking_faulty = {key: one for key, one in wanted.items() if faults and f"f_{key}" not in known.data}
    jobs: list[Callable[[], dict[str, Any]]] = []
    if lacking or heads:
        jobs += [lambda row=row: _car(kind, build, multipliers(names, row), lacking, heads) for row in inputs]  # type: ignore[misc]
    cars = len(jobs)
    if lacking_faulty:
        jobs.append(lambda: _car(kind, build, Tolerances(), lacking_faulty, False))
        jobs += [lambda f=f, s=s: _faulty_car(kind, build, f, s, lacking_faulty) for f, s in trials]  # type: ignore[misc]
    found = _side_by_side(jobs, progress)
    for key in lacking:
        known.data[f"r_{key}"] = np.array([car[key] for car in found[:cars]])
    if heads:
        for name in HEADLINE_NAMES:
            known.data[f"h_{name}"] = np.array([car.get(f"h_{name}", math.nan) for car in found[:cars]])
    for key in lacking_faulty:
        known.data[f"f_{key}"] = np.array([car[key] for car in found[cars:]])
    if found:
        known.write()
    faulty: dict[Fault, tuple[Array, dict[str, Array]]] = {}
    if faults:
        for fault in _faults_of(build):
            at = [k for k, (own, _) in enumerate(trials) if own is fault]
            sizes = np.array([trials[k][1] for k in at])
            faulty[fault] = sizes, {key: known.data[f"f_{key}"][1:][at] - known.data[f"f_{key}"][0] for key in wanted}
    return Design(
        names,
        inputs,
        {key: known.data[f"r_{key}"] for key in wanted},
        {name: known.data[f"h_{name}"] for name in HEADLINE_NAMES} if headlines else {},
        faulty,
    )


def _faults_of(build: Build) -> list[Fault]:
    """Return the faults in the engine that it can have: valves worked without rockers have no other ratio."""
    direct = all(build.cam.lobe(kind).rocker_ratio == 1.0 for kind in ("intake", "exhaust"))
    return [fault for fault, span in FAULTS.items() if span.in_model and not (direct and fault is Fault.ROCKER_RATIO)]


def _sizes(fault: Fault) -> list[float]:
    span = FAULTS[fault]
    return sorted({share * end for share in TRIED for end in (span.low, span.high) if end != 0.0})


def _car(kind: Kind, build: Build, tolerances: Tolerances, readings: Mapping[str, Observed], heads: bool) -> dict[str, Any]:
    found: dict[str, Any] = dict.fromkeys(readings, math.nan)
    engine = kind(build, tolerances)
    before = kind(build.with_replaced_cam(), tolerances) if build.replaced_cam is not None else None
    for key, one in readings.items():
        try:
            own = before if one.before else engine
            assert own is not None
            found[key] = one.answer(own)
        except CamcalcError:
            continue
    if heads:
        speed, pressure = CEILING_AT
        zone = Zone(slice(0, 1), slice(0, 1), np.array([speed]), np.array([pressure]), (0, 0))
        def engine_of(asked: Build, tolerances: Tolerances) -> EngineModel:
            return engine if asked is build or before is None else before

        try:
            heading = headline(engine_of, build, tolerances, None if engine.teaching_only else zone)
        except CamcalcError:
            heading = {}
        found.update({f"h_{name}": heading.get(name, math.nan) for name in HEADLINE_NAMES})
    return found


def _faulty_car(kind: Kind, build: Build, fault: Fault, size: float, readings: Mapping[str, Observed]) -> dict[str, Any]:
    try:
        changed = design_build(build, [fault], [size])
        # The cam that was in the car before was fitted before; what is wrong now was not wrong then.
        own = _car(kind, changed.replace(replaced_cam=None), Tolerances(), {key: one for key, one in readings.items() if not one.before}, False)
        then = {key: one for key, one in readings.items() if one.before}
        return own | (_car(kind, build, Tolerances(), then, False) if then else {})
    except CamcalcError:
        return dict.fromkeys(readings, math.nan)


def _side_by_side(jobs: Sequence[Callable[[], dict[str, Any]]], progress: Callable[[float], None]) -> list[dict[str, Any]]:
    found = []
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        for k, one in enumerate(pool.map(lambda job: job(), jobs)):
            found.append(one)
            progress((k + 1) / len(jobs))
    return found


class _Kept:
    """What cars of a sheet were found to read, from earlier commands; kept only while commands keep answers."""

    def __init__(self, build: Build, model: str, power: int) -> None:
        self.path: Path | None = None
        self.data: dict[str, Array] = {}
        if keeping.folder is not None:
            # An engine's own answers do not rest on the cam before; a car's readings and its vacuum loss do.
            before = None if build.replaced_cam is None else build.replaced_cam.to_dict()
            self.path = keeping.folder / f"{fingerprint(build, (model, power, SEED, _sources(), before))}.cars"
            self.data = read_arrays(self.path) or {}

    def write(self) -> None:
        """Keep what is known by now; a folder that takes no files keeps nothing."""
        if self.path is not None:
            try:
                write_arrays(self.path, self.data)
            except OSError:
                self.path = None


def _sources() -> str:
    """Return a hash of the sources that figures of a car rest on, beside the engine's own."""
    root = Path(__file__).parents[1]
    whole = hashlib.sha256()
    for part in PARTS:
        for path in sorted(root.glob(part)):
            whole.update(path.read_bytes())
    return whole.hexdigest()

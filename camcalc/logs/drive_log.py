"""A driving log in one form: channels in fixed units, what was kept out, and where the record is broken."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord, ScalarMeasure
from ..errors import InputError, did_you_mean
from ..results import Measure, measure, plain_data
from ..tables.axes import LOADS
from ..units import Quantity, quantity
from .columns import CHANNELS, Column, Unused
from .log_notes import LogNote, LogProblem, Loss

__all__ = ["DriveLog", "pieces_of"]

Array = NDArray[np.float64]

# Two rows further apart than this many usual steps have a gap between them; ESTIMATE.
GAP_STEPS = 3.0
ATTRIBUTES = {name: ("loads" if name == "load" else name.replace("lambda", "lambda_")) for name in CHANNELS}


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class DriveLog(ArrayRecord):
    """A driving log; every channel an array over the same rows, not-a-number where the log gives no usable number.

    ``loads`` are floats in the inner unit of ``load_kind``, as in ``SparkTable``. A channel that was not logged is empty.
    ``gear_seen``: the gear is told by engine and road speed, not logged.
    ``piece`` numbers the stretches without a gap or a row left out; nothing is filled in between them.
    """

    AXES = ("time",)

    time: Measure = measure("s")
    speed: Measure = measure("crank_rps", "rpm")
    piece: NDArray[np.int64]
    spark: Measure = measure("crank_deg", doc="final spark as logged, before top dead centre")
    load_kind: str = ""
    loads: Array = dataclasses.field(default_factory=lambda: np.empty(0))
    pedal: Measure = measure("", "percent")
    road_speed: Measure = measure("m/s", "km/h")
    acceleration: Measure = measure("m/s**2")
    gear: Array = dataclasses.field(default_factory=lambda: np.empty(0))
    gear_seen: bool = False
    clutch: Array = dataclasses.field(default_factory=lambda: np.empty(0))
    fuel_cut: Array = dataclasses.field(default_factory=lambda: np.empty(0))
    knock_retard: Measure = measure("crank_deg")
    knock_level: Array = dataclasses.field(default_factory=lambda: np.empty(0))
    lambda_: Array = dataclasses.field(default_factory=lambda: np.empty(0))
    sampling_rate: ScalarMeasure = measure("Hz")
    columns: Mapping[str, Column] = dataclasses.field(default_factory=dict)
    unused: tuple[Unused, ...] = ()
    problems: tuple[LogProblem, ...] = ()
    notes: tuple[LogNote, ...] = ()
    source: str = ""

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels that hold numbers."""
        return tuple(name for name in CHANNELS if self.values(name).size)

    @property
    def missing(self) -> dict[str, Loss]:
        """What was not logged, and what cannot be told without it."""
        there = {name for name in self.channels if name != "gear" or not self.gear_seen}
        return {name: about.loss for name, about in CHANNELS.items() if about.loss is not None and name not in there}

    def plain_units(self) -> Mapping[str, tuple[str, str]]:
        """Return the units of the loads, inside and shown."""
        bounds = LOADS[self.load_kind].bounds if self.load_kind else None
        return {"loads": (bounds.unit, bounds.show)} if bounds else {}

    @property
    def load(self) -> Quantity:
        """Load as a quantity."""
        if not self.load_kind:
            return quantity(self.loads, "")
        bounds = LOADS[self.load_kind].bounds
        return quantity(self.loads, bounds.unit, bounds.show)

    @property
    def duration(self) -> Quantity:
        """Time inside the pieces, gaps left out."""
        step = np.diff(self.si.time)
        return quantity(float(step[np.diff(self.piece) == 0].sum()), "s")

    def values(self, channel: str) -> Array:
        """Return a channel as floats in its inner unit, empty if it was not logged.

        Raises
        ------
        InputError
            If the channel is not known.

        Examples
        --------
        >>> from camcalc.logs.drive_log import DriveLog
        >>> log = DriveLog.of(time=[0.0, 0.1, 0.2], speed=[20.0, 20.1, 20.2])
        >>> log.values("speed").tolist(), log.values("spark").size
        ([20.0, 20.1, 20.2], 0)
        """
        if channel not in ATTRIBUTES:
            raise InputError("channel", came=channel, expected="a channel of a log", fix=did_you_mean(channel, ATTRIBUTES))
        name = ATTRIBUTES[channel]
        values = self.__dict__.get("_si_" + name, self.__dict__.get(name))
        return values if isinstance(values, np.ndarray) else np.empty(0)

    @classmethod
    def of(cls, *, time: Any, speed: Any, load_kind: str = "", breaks: Any = None, **given: Any) -> DriveLog:
        """Make a log from arrays in inner units: seconds, revolutions per second, crank degrees, SI; channels by name.

        Parameters
        ----------
        time : array, shape (n,) [s]
        speed : array, shape (n,) [rev/s]
            Of the crank.
        load_kind : str
            Kind of ``load``, where that is given.
        breaks : mask, shape (n,)
            Rows before which a row was left out.
        **given : array, shape (n,) [inner units]
            Other channels by their names; also ``columns``, ``unused``, ``problems``, ``notes``, ``source``.

        Examples
        --------
        >>> from camcalc.logs.drive_log import DriveLog
        >>> log = DriveLog.of(time=[0.0, 0.1, 0.2, 2.0, 2.1], speed=[20.0] * 5)
        >>> log.piece.tolist(), round(log.si.sampling_rate, 6)
        ([0, 0, 0, 1, 1], 10.0)
        """
        at, count = np.asarray(time, dtype=float), len(speed)
        about = {name: given.pop(name) for name in ("columns", "unused", "problems", "notes", "source") if name in given}
        fields: dict[str, Any] = dict.fromkeys(cls.measures())
        for name, values in {"time": at, "speed": speed, **given}.items():
            if name not in ATTRIBUTES:
                raise InputError("channel", came=name, expected="a channel of a log", fix=did_you_mean(name, ATTRIBUTES))
            fields[ATTRIBUTES[name]] = _own(values)
            if fields[ATTRIBUTES[name]].shape != (count,):
                raise InputError(name, came=f"shape {np.shape(values)}", expected=f"{count} numbers, as many as engine speeds")
        if "load" in given and load_kind not in LOADS:
            raise InputError("load_kind", came=load_kind or "nothing", expected=" or ".join(LOADS), fix=did_you_mean(load_kind, LOADS))
        step = np.diff(at)
        if (step <= 0.0).any():
            raise InputError("time", came=f"{at[1:][step <= 0.0][0]:g} s after a later time or the same", expected="times that rise")
        usual = float(np.median(step)) if step.size else np.nan
        broken = step > GAP_STEPS * usual
        if breaks is not None:
            broken |= np.asarray(breaks, dtype=bool)[1:]
        piece = np.concatenate([[0], np.cumsum(broken)]).astype(np.int64) if count else np.empty(0, dtype=np.int64)
        fields["sampling_rate"] = 1.0 / usual
        return cls(piece=piece, load_kind=load_kind if "load" in given else "", **fields, **about)

    def to_dict(self) -> dict[str, Any]:
        """Return what is known about the log, without its rows."""
        return {
            "source": self.source,
            "rows": len(self.si.time),
            "duration": {"value": float(self.duration.magnitude), "unit": "s"},
            "pieces": int(self.piece[-1]) + 1 if self.piece.size else 0,
            "sampling_rate": {"value": self.si.sampling_rate, "unit": "Hz"},
            "load_kind": self.load_kind,
            "gear_seen": self.gear_seen,
            "columns": {name: _column_data(c) for name, c in self.columns.items()},
            "unused": [column._asdict() for column in self.unused],
            "missing": plain_data(self.missing),
            "problems": [plain_data(problem._asdict()) for problem in self.problems],
            "notes": plain_data(self.notes),
        }


def _own(values: Any) -> Array:
    """Return numbers that nobody else changes: as they are where they cannot be changed, else a copy."""
    if isinstance(values, np.ndarray) and values.dtype == float and values.base is None and not values.flags.writeable:
        return values
    return np.array(values, dtype=float)


def _column_data(column: Column) -> dict[str, Any]:
    about = {"column": column.name, "unit": column.unit, "guessed": column.guessed, "words": column.words, "unit_from": column.unit_from.code}
    return about | {"greatest_age": None if math.isnan(column.age) else {"value": column.age, "unit": "s"}}


def pieces_of(log: DriveLog, *channels: str, rows: slice | None = None) -> list[slice]:
    """Return the stretches of rows without a break in which all named channels hold numbers; of some of the rows where ``rows`` says which."""
    first, last, _ = (rows or slice(None)).indices(len(log.si.time))
    if last <= first:
        return []
    if log.piece[first] == log.piece[last - 1] and all(np.isfinite(log.values(name)[first:last]).all() for name in channels):
        # Pieces are numbered in order: nothing breaks these rows.
        return [slice(first, last)]
    good = np.ones(last - first, dtype=bool)
    for name in channels:
        good &= np.isfinite(log.values(name)[first:last])
    edges = np.flatnonzero(np.concatenate([[True], (np.diff(log.piece[first:last]) != 0) | (good[1:] != good[:-1]), [True]]))
    return [slice(int(a) + first, int(b) + first) for a, b in itertools.pairwise(edges) if good[a]]

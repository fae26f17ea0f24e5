"""Records whose measured fields are arrays over named axes, and tables of any records as polars data frames."""

from __future__ import annotations

import dataclasses
import enum
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, ClassVar

from .codes import Code
from .errors import InputError, did_you_mean
from .marks import Mark, mark_codes
from .results import Measure, Record
from .units import quantity

if TYPE_CHECKING:
    import polars

__all__ = ["ArrayRecord", "ScalarMeasure", "frame_of"]


class ScalarMeasure(Measure):
    """How one number is declared in a record whose other measured fields are arrays: ``increment: ScalarMeasure = measure("crank_deg")``."""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ArrayRecord(Record):
    """Base of records whose measured fields are arrays; ``AXES`` names the fields they run over, rows first.

    A field whose shape is not that of the axes is along one of them, or is one number, or runs over something else and stays out of the frame.
    ``ALONG`` pairs a field with its one axis where lengths do not tell. Arrays without fields of their own for axes (``AXES`` empty) are a part of
    another record, which has them.
    """

    AXES: ClassVar[tuple[str, ...]] = ()
    ALONG: ClassVar[tuple[tuple[str, str], ...]] = ()

    def to_frame(self, *, over: str = "") -> polars.DataFrame:
        """Return the record as a polars data frame: a row for each point of the axes, a column for each field, its unit in the column's name.

        Blanks are null. A field that has a row for each of several things comes as numbered columns. A field that may be marked has a column of mark
        codes beside it: what is marked is no plain answer. Records that are a part of this one, over the same axes, come as columns named after both.

        Parameters
        ----------
        over : str
            Another field as the one axis, for records that hold more than one table: the sparks tried at idle instead of the speeds around it.

        Raises
        ------
        InputError
            If an axis is no array of this record.

        Examples
        --------
        >>> import numpy as np
        >>> from camcalc.tables import SparkTable
        >>> table = SparkTable(load_kind="manifold pressure", speed=np.array([20.0, 40.0]), loads=[4e4, 6e4], cells=np.eye(2), increment=1.0)
        >>> table.to_frame().rows(named=True)[0]
        {'speed [rpm]': 1200.0, 'loads [kPa]': 40.0, 'cells [crank_deg]': 1.0}
        """
        import polars

        return polars.DataFrame(self.frame_columns((over,) if over else self.AXES), infer_schema_length=None)

    def frame_columns(self, axes: tuple[str, ...]) -> dict[str, list[Any]]:
        """Return the columns of ``to_frame`` as plain lists, by their names with units; every column has as many rows as the grid has points."""
        by_name = {name: (unit, values) for name, unit, values in self.frame_fields() if isinstance(values, list)}
        by_name |= {name: ("", list(value)) for name, value in self.items() if isinstance(value, tuple) and value and isinstance(value[0], Record)}
        for name in axes:
            if name not in by_name:
                raise InputError(f"{type(self).__name__}.to_frame", came=name, expected="an array of this record", fix=did_you_mean(name, by_name))
        shape = tuple(len(by_name[name][1]) for name in axes) or max((_shape(values) for _, values in by_name.values()), key=len, default=(0,))
        found: dict[str, list[Any]] = {}
        for k, name in enumerate(axes):
            unit, values = by_name[name]
            # An axis of records, such as what each row changes, has a column for each of their figures and codes.
            parts = _columns_of(values, f"{name} ") if values and isinstance(values[0], Record) else {_title(name, unit): values}
            found |= {title: _spread(part, shape, k) for title, part in parts.items()}
        if not axes:
            found |= {title: _spread(list(range(length)), shape, k) for k, (title, length) in enumerate(zip(("row", "column", "layer"), shape, strict=False))}
        return found | self._over(shape, axes)

    def plain_units(self) -> Mapping[str, tuple[str, str]]:
        """Return the units, inside and shown, of arrays that are kept as plain floats because their unit depends on the record."""
        return {}

    def frame_fields(self) -> Iterable[tuple[str, str, Any]]:
        """Yield name, unit and nested list of every field that may be a column, in the unit shown."""
        measured, plain_units = self.measures(), self.plain_units()
        for name, value in self.items():
            if name in measured:
                own = measured[name]
                yield name, own.show, _listed(quantity(self.__dict__[own.slot], own.unit, own.show).magnitude)
            elif name in plain_units:
                inside, show = plain_units[name]
                yield name, show, _listed(quantity(value, inside, show).magnitude)
            elif hasattr(value, "tolist") or (isinstance(value, tuple) and value and _is_plain(value)):
                yield name, "", _listed(value)

    def _over(self, shape: tuple[int, ...], axes: tuple[str, ...], prefix: str = "") -> dict[str, list[Any]]:
        """Return the columns of all fields that run over the axes or along one of them, and of those records that are a part of this one."""
        marks = getattr(self, "marks", {})
        found: dict[str, list[Any]] = {}
        for name, unit, values in self.frame_fields():
            if name in axes:
                continue
            codes = mark_codes(marks[name]) if name in marks else None
            rows, axis = [(prefix + name, values, codes)], self._axis(name, _shape(values), shape, axes)
            if axis is None:
                # A row for each of several, of parts or builds: columns with numbers.
                axis = self._axis(name, _shape(values)[1:], shape, axes) if isinstance(values, list) else None
                if axis is None:
                    continue
                rows = [(f"{prefix}{name} {k + 1}", row, codes[k] if isinstance(codes, list) else codes) for k, row in enumerate(values)]
            for title, row, mark in rows:
                found[_title(title, unit)] = _placed(row, shape, axis)
                if name in marks:
                    found[f"{title} mark"] = _placed(mark, shape, axis) if isinstance(mark, list) else [mark] * math.prod(shape)
        for name, value in self.items():
            if isinstance(value, ArrayRecord) and not value.AXES:
                found |= value._over(shape, axes, f"{prefix}{name} ")
        return found

    def _axis(self, name: str, own: tuple[int, ...], shape: tuple[int, ...], axes: tuple[str, ...]) -> int | None:
        """Return -1 for a field over all axes, the axis of one along an axis, nothing for any other."""
        along = dict(self.ALONG).get(name)
        if along is not None:
            return axes.index(along) if along in axes and own == (shape[axes.index(along)],) else None
        if own == shape:
            return -1
        fits = [k for k, length in enumerate(shape) if own == (length,)]
        return fits[0] if len(fits) == 1 else None


def frame_of(records: Sequence[Record]) -> polars.DataFrame:
    """Return records of one kind as a polars data frame: a row each, a column for each number, word or code, its unit in the column's name.

    Parameters
    ----------
    records : sequence of Record
        Of one class, e.g. the cells that shaping changed.

    Examples
    --------
    >>> from camcalc import load_build
    >>> build = load_build("examples/quarry-road/build.toml")
    >>> frame = frame_of([build.cam.events(at="0.050 inch"), build.cam.events(at="0.006 inch")])
    >>> frame["intake_duration [crank_deg]"].to_list()
    [229.0, 282.0]
    """
    import polars

    kinds = {type(record) for record in records}
    if len(kinds) > 1:
        raise InputError("frame_of", came=" and ".join(sorted(kind.__name__ for kind in kinds)), expected="records of one kind")
    return polars.DataFrame(_columns_of(records), infer_schema_length=None)


def _columns_of(records: Sequence[Record], prefix: str = "") -> dict[str, list[Any]]:
    rows = [_row(record) for record in records]
    return {f"{prefix}{title}": [row.get(title) for row in rows] for title in dict.fromkeys(title for row in rows for title in row)}


def _row(record: Record) -> dict[str, Any]:
    measured, marks = record.measures(), getattr(record, "marks", {})
    found: dict[str, Any] = {}
    for name, value in record.items():
        if name in measured:
            own = measured[name]
            number = _listed(quantity(record.__dict__[own.slot], own.unit, own.show).magnitude)
            if not isinstance(number, list):
                found[_title(name, own.show)] = number
                if name in marks:
                    found[f"{name} mark"] = mark_codes(marks[name])
        elif isinstance(value, bool | int | float | str | enum.Enum):
            found[name] = _plain(value)
    return found


def _title(name: str, unit: str) -> str:
    return f"{name} [{unit}]" if unit else name


def _plain(value: Any) -> Any:
    if isinstance(value, Code | Mark):
        return value.code
    if isinstance(value, float) and value != value:
        return None
    return value


def _listed(values: Any) -> Any:
    values = values.tolist() if hasattr(values, "tolist") else values
    return [_listed(value) for value in values] if isinstance(values, list | tuple) else _plain(values)


def _is_plain(values: tuple[Any, ...]) -> bool:
    """Whether a tuple, or one of tuples, holds words, codes or numbers only."""
    return all(_is_plain(v) if type(v) is tuple and v else isinstance(v, str | int | float | Code) for v in values)


def _shape(values: Any) -> tuple[int, ...]:
    return (len(values), *(_shape(values[0]) if values else ())) if isinstance(values, list) else ()


def _placed(values: list[Any], shape: tuple[int, ...], axis: int) -> list[Any]:
    """Return values over all axes (-1) or along one of them, for every point of the grid, the last axis running fastest."""
    return _flat(values, len(shape)) if axis < 0 else _spread(values, shape, axis)


def _flat(values: list[Any], depth: int) -> list[Any]:
    return list(values) if depth <= 1 else [one for row in values for one in _flat(row, depth - 1)]


def _spread(values: list[Any], shape: tuple[int, ...], axis: int) -> list[Any]:
    return [value for _ in range(math.prod(shape[:axis])) for value in values for _ in range(math.prod(shape[axis + 1 :]))]

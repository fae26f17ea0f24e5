"""Spark tables: read from CSV, looked up, written back as they were written."""

from __future__ import annotations

import bisect
import dataclasses
import html
import itertools
import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord, ScalarMeasure
from ..errors import InputError, InputErrors, did_you_mean
from ..files import TABLE_BYTES, read_file, write_files
from ..results import Measure, measure, plain_data
from ..units import Quantity, quantity, to_si
from .axes import LOADS, SPEED, Axis, axis_of, corner_of, read_corner
from .layout import Layout, bare_text, decimals_of, number_of, split_text, with_decimals
from .likely_unit import axis_error

__all__ = ["LEAST_INCREMENT", "SparkTable", "TableSlopes", "bilinear", "bilinear_slopes", "read_table", "table_from"]

Array = NDArray[np.float64]

# Crank degrees before top dead centre; what lies outside is no spark of a running engine. ESTIMATE, wide on purpose.
EARLIEST, LATEST = 80.0, -40.0
# Spark is neither set nor felt finer than this [crank deg]; common practice, no source.
LEAST_INCREMENT = 0.1


class TableSlopes(NamedTuple):
    """Slopes of a table at a point: crank degrees per speed and per load."""

    along_speed: Quantity
    along_load: Quantity


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SparkTable(ArrayRecord):
    """Spark over speed and load: a row for each speed, a column for each load, crank degrees before top dead centre.

    ``loads`` are floats in the inner unit of ``load_kind``: manifold pressure [Pa, absolute], air charge [kg per cylinder and
    cycle], or relative charge [ratio: air charge over swept volume times the density of air at 101.325 kPa and 20 degC].
    final spark is the table plus every correction. ``named`` is the corner cell of a table that came without one.
    """

    AXES = ("speed", "loads")

    load_kind: str
    speed: Measure = measure("crank_rps", "rpm")
    loads: Array
    cells: Measure = measure("crank_deg", doc="before top dead centre")
    increment: ScalarMeasure = measure("crank_deg", low=1e-6, high=10.0, doc="numbers that change become multiples of it")
    layout: Layout | None = dataclasses.field(default=None, repr=False)
    path: Path | None = None
    named: str = dataclasses.field(default="", repr=False)

    def __post_init__(self) -> None:
        if self.load_kind not in LOADS:
            raise InputError("load_kind", came=self.load_kind, expected=" or ".join(LOADS), fix=did_you_mean(self.load_kind, LOADS))
        if hasattr(self.loads, "_units"):
            object.__setattr__(self, "loads", to_si(self.loads, "loads", LOADS[self.load_kind].bounds))
        for slot in ("_si_speed", "loads", "_si_cells"):
            own = np.array(self.__dict__[slot], dtype=float)
            own.flags.writeable = False
            self.__dict__[slot] = own
        if math.isnan(self.si.increment):
            raise InputError("increment", came="nothing", expected="an angle, e.g. 1 crank_deg")
        _check_table(self)

    def plain_units(self) -> Mapping[str, tuple[str, str]]:
        """Return the units of the loads, inside and shown."""
        bounds = LOADS[self.load_kind].bounds
        return {"loads": (bounds.unit, bounds.show)}

    @property
    def load(self) -> Quantity:
        """The load axis as a quantity."""
        bounds = LOADS[self.load_kind].bounds
        return quantity(self.loads, bounds.unit, bounds.show)

    @property
    def shape(self) -> tuple[int, int]:
        """Number of speeds and of loads."""
        return len(self.si.speed), len(self.loads)

    def spark(self, speed: Any, load: Any) -> Quantity:
        """Return the spark at a speed and load: bilinear between cells, the edge's own beyond it.

        Parameters
        ----------
        speed : quantity [crank speed]
        load : quantity
            Of the table's kind of load.

        Examples
        --------
        >>> axes = {"load_kind": "relative charge", "speed": np.array([20.0, 40.0]), "loads": [0.2, 0.4]}
        >>> table = SparkTable(**axes, cells=np.array([[10.0, 14.0], [20.0, 24.0]]), increment=1.0)
        >>> table.spark("1800 rpm", "30 percent").magnitude
        17.0
        """
        return quantity(self.spark_at(*self._point(speed, load)), "crank_deg")

    def spark_at(self, speed: Any, load: Any) -> Any:
        """Return ``spark`` on floats or arrays: speed [rev/s], load in its inner unit, spark [crank deg]."""
        speeds, loads, cells = self.si.speed, self.loads, self.si.cells
        if isinstance(speed, float) and isinstance(load, float):
            # Asked a hundred thousand times, one point at a time: the same sums without arrays.
            (i, s), (j, t) = _beside(speeds, speed), _beside(loads, load)
            low, high = ((1.0 - t) * float(cells[k, j]) + t * float(cells[k, j + 1]) for k in (i, i + 1))
            return (1.0 - s) * low + s * high
        found = bilinear(speeds, loads, cells, speed, load)
        return found if found.shape else float(found)

    def slopes(self, speed: Any, load: Any) -> TableSlopes:
        """Return how spark changes with speed and with load, of the same surface as ``spark``.

        On a cell's own speed or load the slope towards the next cell is taken; beyond the edge it is zero.

        Examples
        --------
        >>> axes = {"load_kind": "relative charge", "speed": np.array([20.0, 40.0]), "loads": [0.2, 0.4]}
        >>> table = SparkTable(**axes, cells=np.array([[10.0, 14.0], [20.0, 24.0]]), increment=1.0)
        >>> round(table.slopes("1800 rpm", "30 percent").along_speed.to("crank_deg/krpm").magnitude, 3)
        8.333
        """
        along_speed, along_load = self.slopes_at(*self._point(speed, load))
        bounds = LOADS[self.load_kind].bounds
        load_unit, load_show = (f"crank_deg/{u}" if u else "crank_deg" for u in (bounds.unit, bounds.show))
        return TableSlopes(quantity(along_speed, "crank_deg/crank_rps", "crank_deg/krpm"), quantity(along_load, load_unit, load_show))

    def slopes_at(self, speed: Any, load: Any) -> tuple[Any, Any]:
        """Return ``slopes`` on floats or arrays: crank deg per rev/s, and per inner unit of load."""
        along_speed, along_load = bilinear_slopes(self.si.speed, self.loads, self.si.cells, speed, load)
        return (along_speed, along_load) if along_speed.shape else (float(along_speed), float(along_load))

    def _point(self, speed: Any, load: Any) -> tuple[Any, Any]:
        return to_si(speed, "speed", SPEED), to_si(load, "load", LOADS[self.load_kind].bounds)

    def with_spark(self, cells: Any) -> SparkTable:
        """Return a copy with other spark in its cells: an array [crank deg before top dead centre] or quantity of the same shape."""
        return self.replace(cells=cells if hasattr(cells, "_units") else np.asarray(cells, dtype=float))

    def text(self) -> str:
        """Return the table as CSV text: as it was read, where it still holds the same numbers."""
        layout = self.layout or _plain_layout(self)
        return layout.text(self.si.cells.tolist())

    def tab_separated(self) -> str:
        """Return the table as a spreadsheet takes it from the clipboard: cells apart by tabs, unchanged ones as they were written."""
        layout = self.layout or _plain_layout(self)
        bare = tuple(tuple(bare_text(cell) for cell in row) for row in layout.cells)
        return layout._replace(cells=bare, separator="\t", endings=("\n",) * len(bare), tail="", byte_order_mark=False).text(self.si.cells.tolist())

    def write(self, path: str | Path, overwrite: bool = False) -> Path:
        """Write the table as CSV, whole or not at all.

        Parameters
        ----------
        path : str or Path
            Where to.
        overwrite : bool
            Whether a file that is there may be replaced, be it the table's own source.

        Raises
        ------
        InputError
            If the file is there and ``overwrite`` is false. Nothing is written then.
        """
        path = Path(path)
        if path.exists() and not overwrite:
            own = self.path is not None and self.path.exists() and path.samefile(self.path)
            came = f"{path} is {'the file the table was read from' if own else 'there already'}"
            raise InputError("the file to write", came=came, expected="a new file", fix="give another name, or overwrite=True")
        write_files({path: self.text()}, replace=overwrite)
        return path

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON: both axes and the cells, each with its unit."""
        return {
            "load_kind": self.load_kind,
            "speed": plain_data(self.speed),
            "load": plain_data(self.load),
            "spark": plain_data(self.cells),
            "increment": plain_data(self.increment),
            "path": None if self.path is None else str(self.path),
        }

    def __str__(self) -> str:
        return "\n".join([f"spark, deg BTDC; {self.corner}", *grid_lines(self, self.cell_texts())])

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(str(self))}</pre>"

    @property
    def axes(self) -> tuple[Axis, Axis]:
        """Speed and load axis, in the units the table is written in."""
        return read_corner(self.named or bare_text(self.layout.cells[0][0])) if self.layout else (axis_of("speed"), axis_of(self.load_kind))

    @property
    def corner(self) -> str:
        """What the corner cell names."""
        return corner_of(*self.axes)

    def cell_texts(self) -> list[list[str]]:
        """Return every cell's number as text, all with the decimals that the finest needs."""
        found = [[with_decimals(v, 0) for v in row] for row in np.round(self.si.cells, 6).tolist()]
        decimals = max(decimals_of(text) for row in found for text in row)
        return [[f"{float(text):.{decimals}f}" for text in row] for row in found]

    def place(self, row: int, column: int) -> str:
        """Return a cell's place in words, by its row and column counted from 0, e.g. ``1400 rpm, 50 kPa``."""
        down, along = self.axes
        return f"{self.si.speed[row] / down.scale:.6g} {down.unit}, {self.loads[column] / along.scale:.6g} {along.unit}"


def read_table(path: str | Path, *, increment: Any = None, axes: str = "") -> SparkTable:
    r"""Read a spark table.

    Parameters
    ----------
    path : str or Path
        CSV, cells apart by comma, semicolon or tab; a decimal comma may stand where no comma parts the cells. The first row
        is load, the first column speed; the corner cell names both with their units, ``speed [rpm] \ manifold pressure [kPa]``
        or ``rpm \ kPa``.
    increment : quantity [crank angle]
        The step that changed numbers keep to. Left out: the last decimal any cell is written with, but no less than
        0.1 degree; 1 degree where all are whole.
    axes : str
        What a corner cell would say, for a table whose own says nothing of axes.

    Raises
    ------
    InputError, InputErrors
        If the file is no such table; says where.
    """
    path = Path(path)
    try:
        return table_from(read_file(path, TABLE_BYTES), str(path), increment=increment, axes=axes).replace(path=path)
    except OSError as error:
        raise InputError("the spark table", came=f"{path}: {error.strerror}", expected="a CSV file that can be read") from None


def table_from(data: bytes, source: str, *, increment: Any = None, axes: str = "") -> SparkTable:
    r"""Return the spark table that a file or a pasted text holds.

    Parameters
    ----------
    data : bytes
        As ``read_table`` has it, in UTF-8.
    source : str
        Where it is from, for the errors.
    increment : quantity [crank angle]
        As for ``read_table``.
    axes : str
        As for ``read_table``.

    Examples
    --------
    >>> table = table_from(b"\t40\t60\r\n1000\t12,5\t14\r\n2000\t20\t24,5\r\n", "standard input", axes="rpm \\ kPa")
    >>> table.spark("1000 rpm", "40 kPa").magnitude, table.tab_separated().splitlines()[1].split("\t")
    (12.5, ['1000', '12,5', '14'])
    """
    try:
        text = data.decode("utf-8")
        layout = split_text(_without_blank_edge(text) if "\t" in text else text)
        corner = _corner(bare_text(layout.cells[0][0]), axes)
        named = read_corner(corner)
        numbers = [[number_of(bare_text(cell)) for cell in row[1:]] for row in layout.cells[1:]]
        down = [number_of(bare_text(row[0])) for row in layout.cells[1:]]
        along = [number_of(bare_text(cell)) for cell in layout.cells[0][1:]]
        table = SparkTable(
            load_kind=named[1].kind,
            speed=np.array(down) * named[0].scale,
            loads=np.array(along) * named[1].scale,
            cells=np.array(numbers),
            increment=_written_increment(layout) if increment is None else increment,
            layout=layout,
            named=corner if axes else "",
        )
        wrong = axis_error(np.array(along), named[1].unit, named[1].scale, LOADS[named[1].kind].bounds.unit)
        if wrong is not None:
            raise wrong
        return table
    except UnicodeDecodeError:
        raise InputError("the spark table", came=f"{source}: not UTF-8", expected="text in UTF-8", fix="save it again as CSV in UTF-8") from None
    except InputError as error:
        raise error.in_file(source) from None
    except InputErrors as errors:
        raise InputErrors([problem.in_file(source) for problem in errors.problems]) from None


def _corner(written: str, axes: str) -> str:
    """Return what names the axes: the corner cell, or what was given for a table whose own names none."""
    if not axes:
        return written
    try:
        read_corner(written)
    except InputError:
        return axes
    if written != axes:
        raise InputError("the axes", came=f'"{axes}", and "{written}" in the corner cell', expected="one of the two", fix="leave the option out")
    return written


def _without_blank_edge(text: str) -> str:
    """Return a pasted text without blank columns at its right edge: spreadsheets copy what was marked, and a little more."""
    lines = re.split(r"(\r\n|\n|\r)", text)
    rows = [line.split("\t") for line in lines[::2]]
    width = max((k + 1 for row in rows for k, cell in enumerate(row) if cell.strip()), default=0)
    kept = ["\t".join(row[:width]) if any(cell.strip() for cell in row) else "" for row in rows]
    return "".join(part for pair in zip(kept, [*lines[1::2], ""], strict=True) for part in pair)


def _written_increment(layout: Layout) -> float:
    finest = max(decimals_of(bare_text(cell)) for row in layout.cells[1:] for cell in row[1:])
    return max(10.0**-finest, LEAST_INCREMENT)


def bilinear(speeds: Array, loads: Array, cells: Array, speed: Any, load: Any) -> Any:
    """Return the bilinear surface through a grid's cells (a row for each speed); beyond the edge, the edge's value.

    Parameters
    ----------
    speeds, loads : array, shape (n,) [inner units]
        Breakpoints, rising.
    cells : array, shape (speeds, loads) [any unit]
        A row for each speed, a column for each load.
    speed, load : float or array of any shape [inner units]

    References
    ----------
    Textbook: bilinear interpolation.
    """
    i, s, _ = _between(speeds, speed)
    j, t, _ = _between(loads, load)
    # By places in a row of all cells: half the time of rows and columns.
    flat, at, width = np.ravel(cells), i * cells.shape[1] + j, cells.shape[1]
    back = 1.0 - t
    low, high = (back * flat[k] + t * flat[k + 1] for k in (at, at + width))
    return (1.0 - s) * low + s * high


def bilinear_slopes(speeds: Array, loads: Array, cells: Array, speed: Any, load: Any) -> tuple[Any, Any]:
    """Return the partial derivatives of ``bilinear`` along speed and load; zero beyond the edge.

    Parameters
    ----------
    speeds, loads : array, shape (n,) [inner units]
        As for ``bilinear``.
    cells : array, shape (speeds, loads) [any unit]
        As for ``bilinear``.
    speed, load : float or array of any shape [inner units]

    Returns
    -------
    along_speed, along_load : array
        Per unit of speed and per unit of load.
    """
    i, s, speed_inside = _between(speeds, speed)
    j, t, load_inside = _between(loads, load)
    along_speed = (1.0 - t) * (cells[i + 1, j] - cells[i, j]) + t * (cells[i + 1, j + 1] - cells[i, j + 1])
    along_load = (1.0 - s) * (cells[i, j + 1] - cells[i, j]) + s * (cells[i + 1, j + 1] - cells[i + 1, j])
    return speed_inside * along_speed / (speeds[i + 1] - speeds[i]), load_inside * along_load / (loads[j + 1] - loads[j])


def _between(axis: Array, value: Any) -> tuple[Any, Any, Any]:
    """Return the breakpoint at or below a value, the share of the way to the next, and whether the value lies on the axis."""
    value = np.asarray(value, dtype=float)
    below = np.minimum(np.maximum(axis.searchsorted(value, side="right") - 1, 0), len(axis) - 2)
    share = np.minimum(np.maximum((value - axis[below]) / (axis[1:] - axis[:-1])[below], 0.0), 1.0)
    return below, share, (value >= axis[0]) & (value <= axis[-1])


def _beside(axis: Array, value: float) -> tuple[int, float]:
    """Return what ``_between`` does of one number: the breakpoint below it and the share of the way to the next."""
    below = min(max(bisect.bisect_right(axis, value) - 1, 0), len(axis) - 2)
    low, high = float(axis[below]), float(axis[below + 1])
    return below, min(max((value - low) / (high - low), 0.0), 1.0)


def _check_table(table: SparkTable) -> None:
    """Raise unless axes rise within their ranges and the cells fill the grid with possible spark; rows and columns counted as in the file."""
    down, along = table.axes
    for name, values, bounds, axis in (("row", table.si.speed, SPEED, down), ("column", table.loads, LOADS[table.load_kind].bounds, along)):
        if values.ndim != 1 or len(values) < 2:
            raise InputError("the table", came=f"{values.size} {axis.kind} breakpoints", expected="at least two speeds and two loads")
        for k, value in enumerate(values):
            if not bounds.low <= value <= bounds.high:
                low, high = (f"{edge / axis.scale:.4g}" for edge in (bounds.low, bounds.high))
                came = f"{value / axis.scale:.6g} {axis.unit}"
                raise InputError(f"{name} {k + 2}, {axis.kind}", came=came, expected=f"{low} to {high} {axis.unit}", fix="check the unit in the corner cell")
        for k, (a, b) in enumerate(itertools.pairwise(values)):
            if not b > a:
                came = f"{b / axis.scale:.6g} {axis.unit} after {a / axis.scale:.6g} {axis.unit}"
                fix = "take one of the two out" if a == b else f"sort the {name}s by {axis.kind}"
                raise InputError(f"{name} {k + 3}, {axis.kind}", came=came, expected="breakpoints that rise", fix=fix)
    cells = table.si.cells
    if cells.shape != table.shape:
        raise InputError("the cells", came=f"{cells.shape} numbers", expected=f"{table.shape}: a row for each speed, a column for each load")
    for row, column in np.argwhere(~((cells >= LATEST) & (cells <= EARLIEST))):
        where = f"row {row + 2}, column {column + 2} ({table.place(row, column)})"
        raise InputError(where, came=f"{cells[row, column]:g} crank deg", expected=f"spark from {LATEST:g} to {EARLIEST:g} crank deg before top dead centre")


def _plain_layout(table: SparkTable) -> Layout:
    """Return a layout for a table that no file has given."""
    down, along = axis_of("speed"), axis_of(table.load_kind)
    head = (corner_of(down, along), *(with_decimals(float(f"{v / along.scale:.12g}"), 0) for v in table.loads))
    texts = table.cell_texts()
    rows = [(with_decimals(float(f"{v / down.scale:.12g}"), 0), *texts[k]) for k, v in enumerate(table.si.speed)]
    return Layout((head, *rows), ",", ("\n",) * (len(rows) + 1), "", False, False)


def grid_lines(table: SparkTable, texts: list[list[str]]) -> list[str]:
    """Return the lines of a grid of cell texts under its axes, rows and columns numbered as in the file."""
    down, along = table.axes
    head = ["", "", *(f"({c + 2})" for c in range(len(table.loads)))]
    axis = ["row", down.unit, *(f"{v / along.scale:.6g}" for v in table.loads)]
    body = [[f"({r + 2})", f"{v / down.scale:.6g}", *texts[r]] for r, v in enumerate(table.si.speed)]
    lines = [head, axis, *body]
    widths = [max(len(line[k]) for line in lines) for k in range(len(head))]
    return ["  ".join(f"{cell:>{width}}" for cell, width in zip(line, widths, strict=True)).rstrip() for line in lines]

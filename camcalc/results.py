"""Records: frozen data with units, used for what goes in (build sheet) and for what comes out (results).

A record's measured fields are declared once, with unit and range. Inside they are floats (``record.si.bore``); outside
they are quantities (``record.bore``). Printing, notebooks and JSON follow from the declaration.
"""

from __future__ import annotations

import dataclasses
import functools
import html
import math
import typing
from collections.abc import Callable, Iterator, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, ClassVar, Generic, NamedTuple, Self, TypeVar, cast, overload

from .codes import Code
from .data_reading import inner_figure, marks_of_codes, typed_value
from .drawing import plots_of
from .errors import InputError, did_you_mean
from .marks import Mark, Marks, mark_codes, marked
from .units import Bounds, quantity, to_si

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from .units import Quantity

R = TypeVar("R", bound="Record")
Default = str | Callable[[Any], float] | None
# Fields of a record that tell of its measured fields: printed and written with these, not by themselves.
BESIDE_THE_FIELDS = ("bands", "marks")
# What a section of the sheet keeps for saving and copying: data have it, print does not.
NOT_PRINTED = (*BESIDE_THE_FIELDS, "given", "around")

__all__ = ["Band", "Floats", "Measure", "Record", "measure"]


class Band(NamedTuple):
    """The 10 to 90 % band of a number, in the field's inner unit."""

    low: float
    high: float


class Measure:
    """A record field that keeps a float in one unit and is read as a quantity.

    Parameters
    ----------
    unit : str
        Unit kept inside.
    show : str
        Unit shown and written to JSON.
    low, high : float
        Range allowed, in ``unit``.
    doc : str
        What the field is, in the trade's words.
    default : str, callable or None
        For inputs: what is assumed when it is left out, as text or as a function of the inputs read before it.
    why : str
        For inputs: where the default comes from.
    or_zero : bool
        Whether 0 counts as well as the range.
    """

    def __init__(self, unit: str, show: str, low: float, high: float, doc: str, default: Default, why: str, or_zero: bool = False) -> None:
        self.bounds = Bounds(unit, low, high, show, or_zero)
        self.unit = unit
        self.show = show
        self.doc = doc
        self.default = default
        self.why = why
        self.name = ""
        self.slot = ""

    def __set_name__(self, owner: type, name: str) -> None:
        self.name = name
        self.slot = "_si_" + name

    @overload
    def __get__(self, record: None, owner: type) -> Measure: ...
    @overload
    def __get__(self, record: object, owner: type) -> Quantity: ...
    def __get__(self, record: object | None, owner: type) -> Quantity | Measure:
        if record is None:
            raise AttributeError(self.name)  # so that the dataclass sees a field without default
        return quantity(record.__dict__[self.slot], self.unit, self.show)

    def __set__(self, record: object, value: Any) -> None:
        if value is None:
            record.__dict__[self.slot] = math.nan
        elif isinstance(value, str) or hasattr(value, "_units"):
            record.__dict__[self.slot] = to_si(value, self.name, self.bounds)
        else:
            record.__dict__[self.slot] = value if getattr(value, "shape", None) else float(value)


def measure(
    unit: str, show: str = "", *, low: float = -math.inf, high: float = math.inf, doc: str = "", default: Default = None, why: str = "", or_zero: bool = False
) -> Any:
    """Declare a measured field: ``bore: Measure = measure("m", "mm", low=0.03, high=0.2)``.

    Parameters
    ----------
    unit : str
        Unit kept inside.
    show : str
        Unit shown and written to JSON; as inside when left out.
    low, high : float
        Range allowed, in ``unit``.
    doc : str
        What the field is, in the trade's words.
    default : str, callable or None
        For inputs: what is assumed when it is left out, as text or as a function of the inputs read before it; none is needed input.
    why : str
        For inputs: where the default comes from, or ``ESTIMATE``.
    or_zero : bool
        Whether 0 counts as well as the range.
    """
    return Measure(unit, show or unit, low, high, doc, default, why, or_zero)


@functools.cache
def _measures_of(record: type) -> Mapping[str, Measure]:
    found: dict[str, Measure] = {}
    for kind in reversed(record.__mro__):
        found.update({name: item for name, item in vars(kind).items() if isinstance(item, Measure)})
    return MappingProxyType(found)


class Floats(Generic[R]):
    """The float view of a record: ``record.si.bore``.

    A type checker sees which names there are, and whether each is one number or an array, by the plugin in ``tests/typing``: from the record's
    declarations. Without the plugin every name counts as ``Any``.
    """

    __slots__ = ("_values",)

    if TYPE_CHECKING:
        # What the plugin takes the type of a name from.
        _number: float
        _array: NDArray[np.float64]

    def __init__(self, values: dict[str, Any]) -> None:
        self._values = values

    def __getattr__(self, name: str) -> Any:
        try:
            return self._values["_si_" + name]
        except KeyError:
            raise AttributeError(f"no measured field {name}") from None


@functools.cache
def _hints_of(record: type) -> Mapping[str, Any]:
    return MappingProxyType(typing.get_type_hints(record))


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Record:
    """Base of every record: float view, equality, copy with changes, printing, JSON.

    ``in_data`` names properties that data hold beside the fields; they follow from these and are not read back.
    """

    in_data: ClassVar[tuple[str, ...]] = ()

    @property
    def si(self) -> Floats[Self]:
        """Measured fields as floats in their inner units."""
        return Floats(self.__dict__)

    @classmethod
    def measures(cls) -> Mapping[str, Measure]:
        """Return the declared measured fields by name."""
        return _measures_of(cast("Any", cls))

    def __eq__(self, other: object) -> bool:
        if type(self) is not type(other):
            return NotImplemented
        measured = self.measures()
        slots = [measured[f.name].slot if f.name in measured else f.name for f in dataclasses.fields(self)]
        return all(_same(self.__dict__[slot], other.__dict__[slot]) for slot in slots)

    __hash__ = None  # type: ignore[assignment]

    def replace(self, **changes: Any) -> Self:
        """Return a copy with some fields changed.

        Raises
        ------
        InputError
            If a field is not known.
        """
        names = {f.name for f in dataclasses.fields(self)}
        for name in changes:
            if name not in names:
                raise InputError(f"{type(self).__name__}.{name}", came=name, expected="a field", fix=did_you_mean(name, names))
        measured = self.measures()
        kept = {n: (self.__dict__[measured[n].slot] if n in measured else getattr(self, n)) for n in names if n not in changes}
        return type(self)(**kept, **changes)

    def mark(self, name: str, *index: int) -> Mark | None:
        """Return the mark of a measured field, or of one figure of an array by its indices; nothing for a whole array."""
        marks: Any = getattr(self, "marks", {}).get(name)
        for k in index:
            marks = marks[k] if isinstance(marks, tuple) else marks
        return marks if isinstance(marks, Mark) else None

    def texts(self, name: str, digits: int = 0) -> Any:
        """Return a measured field in the unit it is shown in as text with its mark, of an array a list of texts, row by row; nothing is blank.

        Raises
        ------
        InputError
            If it is no measured field.
        """
        measured = self.measures()
        if name not in measured:
            raise InputError(f"{type(self).__name__}.{name}", came=name, expected="a measured field", fix=did_you_mean(name, measured))
        shown = quantity(self.__dict__[measured[name].slot], measured[name].unit, measured[name].show).magnitude

        def text(value: Any, marks: Any) -> Any:
            if isinstance(value, list):
                return [text(one, marks[k] if isinstance(marks, tuple) else marks) for k, one in enumerate(value)]
            return marked(f"{value:.{digits}f}" if math.isfinite(value) else "", marks)

        return text(shown.tolist() if hasattr(shown, "tolist") else shown, getattr(self, "marks", {}).get(name))

    def plot(self, ax: Axes | None = None, *, which: str = "", **options: Any) -> Axes:
        """Draw the record; a record without a plot says so.

        Parameters
        ----------
        ax : Axes
            Where to draw; axes on a figure of their own when left out. Nothing is shown or saved.
        which : str
            Which of its plots, for a record with several; the first when left out.
        **options
            As the plot takes them; see ``camcalc.plot``.

        Returns
        -------
        Axes

        Raises
        ------
        InputError
            If the record has no plot, or none of that name.
        """
        plots = plots_of(type(self))
        if not plots:
            raise InputError(f"{type(self).__name__}.plot", came="a record without a plot", expected="a record that camcalc.plot draws")
        if which and which not in plots:
            raise InputError(f"{type(self).__name__}.plot(which=...)", came=which, expected=" or ".join(plots), fix=did_you_mean(which, plots))
        return plots[which or next(iter(plots))](self, ax=ax, **options)

    def items(self) -> Iterator[tuple[str, Any]]:
        """Yield field names with their public values."""
        for field in dataclasses.fields(self):
            if not field.name.startswith("_"):
                yield field.name, getattr(self, field.name)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON: every quantity as ``{"value", "unit"}``, with ``low`` and ``high`` where banded, ``mark`` where it may have one."""
        bands: Mapping[str, Band] = getattr(self, "bands", {})
        marks: Mapping[str, Marks] = getattr(self, "marks", {})
        measured = self.measures()
        out: dict[str, Any] = {}
        for name, value in self.items():
            if name in BESIDE_THE_FIELDS:
                continue
            if name in measured:
                out[name] = quantity_data(self.__dict__[measured[name].slot], measured[name], bands.get(name))
                if name in marks:
                    out[name]["mark"] = mark_codes(marks[name])
            else:
                out[name] = plain_data(value)
        return out | {name: plain_data(getattr(self, name)) for name in self.in_data}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """Return the record that plain data were written from.

        Parameters
        ----------
        data : mapping
            As ``to_dict`` gives it, or as JSON holds it.

        Returns
        -------
        Record
            ``to_dict`` of it gives the same data, bit for bit. A figure in its inner unit may differ from the first one in its last digit.

        Raises
        ------
        InputError
            If a field is missing or of another kind.

        Examples
        --------
        >>> from camcalc import load_build
        >>> site = load_build("examples/quarry-road/build.toml").site
        >>> type(site).from_dict(site.to_dict()) == site
        True
        """
        measured, hints = cls.measures(), _hints_of(cast("Any", cls))
        found: dict[str, Any] = {}
        bands: dict[str, Band] = {}
        marks: dict[str, Marks] = {}
        for field in dataclasses.fields(cls):
            if field.name in BESIDE_THE_FIELDS or field.name.startswith("_"):
                continue
            if field.name not in data:
                raise InputError(f"{cls.__name__} in the data", came=f"no {field.name}", expected="every field", fix="take the file as camcalc wrote it")
            own, declared = data[field.name], measured.get(field.name)
            if declared is None:
                found[field.name] = typed_value(own, hints[field.name])
                continue
            _refuse_other_than_quantity(cls, field.name, own, declared)
            found[field.name] = inner_figure(own["value"], declared.unit, declared.show, own.get("infinite"))
            if "low" in own:
                bands[field.name] = Band(*(inner_figure(own[edge], declared.unit, declared.show) for edge in ("low", "high")))
            if "mark" in own:
                marks[field.name] = marks_of_codes(own["mark"])
        beside = {"bands": bands, "marks": marks}
        return cls(**found, **{name: beside[name] for name in BESIDE_THE_FIELDS if name in hints})

    def rows(self) -> list[tuple[str, str]]:
        """Return (name, value) text rows, one per printable field."""
        bands: Mapping[str, Band] = getattr(self, "bands", {})
        measured = self.measures()
        out = []
        for name, value in self.items():
            if name in NOT_PRINTED:
                continue
            if name in measured:
                text = text_of(self.__dict__[measured[name].slot], measured[name], bands.get(name), self.mark(name))
                out.append((name.replace("_", " "), text))
            elif isinstance(value, bool):
                out.append((name.replace("_", " "), "yes" if value else "no"))
            elif isinstance(value, float):
                out.append((name.replace("_", " "), f"{value:.4g}" if math.isfinite(value) else "none"))
            elif isinstance(value, str | int | Code):
                out.append((name.replace("_", " "), str(value)))
        return out

    def __str__(self) -> str:
        rows = self.rows()
        width = max((len(name) for name, _ in rows), default=0)
        nested = [f"{name}:\n" + _indent(str(value)) for name, value in self.items() if isinstance(value, Record)]
        return "\n".join([f"{name:<{width}}  {value}" for name, value in rows] + nested)

    def _repr_html_(self) -> str:
        cells = "".join(f"<tr><th style='text-align:left'>{html.escape(n)}</th><td>{html.escape(v)}</td></tr>" for n, v in self.rows())
        return f"<table>{cells}</table>"


def quantity_data(value: Any, field: Measure, band: Band | None = None) -> dict[str, Any]:
    """Return the JSON form of one measured value."""
    shown = quantity(value, field.unit, field.show)
    data: dict[str, Any] = {"value": plain_data(shown.magnitude), "unit": field.show}
    if infinite := _signs_of_infinity(value):
        data["infinite"] = infinite
    if band is not None:
        data["low"], data["high"] = (plain_data(quantity(edge, field.unit, field.show).magnitude) for edge in band)
    return data


def _signs_of_infinity(value: Any) -> Any:
    """Return 1 and -1 where a figure, or one of an array, is infinite, else 0; JSON has no such number. Nothing if none is."""
    if not hasattr(value, "tolist"):
        return int(math.copysign(1, value)) if math.isinf(value) else 0
    import numpy as np

    signs = np.where(np.isinf(value), np.sign(np.nan_to_num(value)), 0).astype(int)
    return signs.tolist() if signs.any() else 0


def _refuse_other_than_quantity(record: type, name: str, data: Any, declared: Measure) -> None:
    if not isinstance(data, Mapping) or "value" not in data or data.get("unit") != declared.show:
        expected = f'a quantity: {{"value": ..., "unit": "{declared.show}"}}'
        raise InputError(f"{record.__name__}.{name} in the data", came=repr(data)[:80], expected=expected, fix="take the file as camcalc wrote it")


def plain_data(value: Any) -> Any:
    """Return plain data for JSON from anything a record may hold; a number that is not finite becomes ``None``, a code its name and meaning."""
    if isinstance(value, Record) or hasattr(value, "from_dict"):
        return value.to_dict()
    if isinstance(value, Code):
        return {"code": value.code, "text": value.meaning}
    if hasattr(value, "_units"):
        return {"value": plain_data(value.magnitude), "unit": f"{value.units:~}"}
    if hasattr(value, "tolist"):
        return plain_data(value.tolist())
    if isinstance(value, Mapping):
        return {k.code if isinstance(k, Code) else str(k): plain_data(v) for k, v in value.items()}
    if hasattr(value, "_asdict"):
        return plain_data(value._asdict())
    if isinstance(value, tuple | list):
        return [plain_data(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if value is None or isinstance(value, str | int | float) else str(value)


def text_of(value: Any, field: Measure, band: Band | None = None, mark: Mark | None = None) -> str:
    """Write one measured value with its unit, mark and band.

    Parameters
    ----------
    value : float or ndarray
        In the field's inner unit; of an array the shape alone is told.
    field : Measure
        How it is declared.
    band : Band
        10 to 90 %, in the inner unit.
    mark : Mark
        What the figure is besides.
    """
    shown = quantity(value, field.unit, field.show).magnitude
    if hasattr(shown, "shape") and shown.shape:
        return f"{shown.shape} values in {field.show}"
    if not math.isfinite(shown):
        return "none"
    text = marked(f"{shown:.4g} {field.show}".strip(), mark)
    if band is None:
        return text
    low, high = (quantity(edge, field.unit, field.show).magnitude for edge in band)
    return f"{text} ({low:.3g} to {high:.3g})"


def _same(a: Any, b: Any) -> bool:
    if hasattr(a, "shape") or hasattr(b, "shape"):
        import numpy as np

        return bool(np.array_equal(a, b, equal_nan=True))
    if isinstance(a, float) and isinstance(b, float) and math.isnan(a) and math.isnan(b):
        return True
    return bool(a == b)


def _indent(text: str) -> str:
    return "\n".join("  " + line for line in text.splitlines())

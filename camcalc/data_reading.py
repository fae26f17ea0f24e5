"""Plain data of JSON read back into what a record's type hints declare, exactly: written again they are the same data."""

from __future__ import annotations

import collections.abc
import enum
import math
import types
import typing
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from .codes import Code
from .errors import InputError
from .marks import Mark, Marks
from .units import back_from, quantity

__all__ = ["inner_figure", "marks_of_codes", "typed_value"]

# How many neighbours of a float are tried: scale and offset round once each, so the one looked for is next door.
NEIGHBOURS = 8


def inner_figure(shown: Any, unit: str, show: str, infinite: Any = None) -> Any:
    """Return the figure in its inner unit whose shown value is the one stored, bit for bit.

    Parameters
    ----------
    shown : float, None or nested list of them, of any shape
        In the unit shown, as ``results.quantity_data`` writes it; nothing where there is no figure.
    unit, show : str
        The unit kept inside, and the one shown.
    infinite : int or nested list of them
        1 and -1 where a figure is infinite.

    Returns
    -------
    float or ndarray

    Raises
    ------
    InputError
        If there is no such figure: a hand has changed the data.

    Notes
    -----
    Turning a unit there and back may miss by a last digit. So its neighbours are tried; one of them was the figure that was written.

    Examples
    --------
    >>> inner_figure(850.0, "crank_rps", "rpm") * 60.0
    850.0
    """
    import numpy as np

    wanted = np.array(shown, dtype=float)
    signs = np.zeros_like(wanted) if infinite is None else np.array(infinite, dtype=float)
    found = np.array(wanted if unit == show else back_from(wanted, unit, show), dtype=float)

    def missed() -> Any:
        with np.errstate(over="ignore", invalid="ignore"):
            return ~((np.asarray(quantity(found, unit, show).magnitude) == wanted) | np.isnan(wanted))

    first = found.copy()
    for step in range(1, NEIGHBOURS + 1):
        for end in (math.inf, -math.inf):
            wrong = missed()
            if not wrong.any():
                break
            near = first
            for _ in range(step):
                near = np.nextafter(near, end)
            found = np.where(wrong, near, found)
    if missed().any():
        raise InputError("a figure of the data", came=f"{wanted[missed()][0]!r} {show}", expected="a figure as camcalc writes it")
    found = np.where(signs == 0.0, found, np.copysign(math.inf, signs))
    return found if found.shape else float(found)


def marks_of_codes(codes: Any) -> Marks:
    """Return marks from their codes.

    >>> marks_of_codes(["cap", None]) == (Mark.CAP, None)
    True
    """
    return tuple(marks_of_codes(code) for code in codes) if isinstance(codes, list | tuple) else None if codes is None else Mark[codes.upper()]


def typed_value(data: Any, hint: Any) -> Any:
    """Return plain data as a type hint declares it.

    Parameters
    ----------
    data : Any
        As ``results.plain_data`` writes it.
    hint : type
        A record, a code, a named tuple, an array, a container of such, or a plain type; also an alternative of several.

    Raises
    ------
    InputError
        If the data are not of that kind.

    Examples
    --------
    >>> typed_value([[1, 2], [3, 4]], tuple[tuple[int, ...], ...])
    ((1, 2), (3, 4))
    >>> typed_value({"1": None}, dict[int, float | None])
    {1: None}
    """
    origin, inside = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):
        return _one_of(data, inside)
    if origin in (typing.Annotated, typing.Required, typing.NotRequired):
        return typed_value(data, inside[0])
    if origin is not None and isinstance(origin, type):
        return _contained(data, hint, origin, inside)
    if not isinstance(hint, type):
        return data  # Any, or one of a list of texts
    if hint is float and data is None:
        return math.nan
    if not _fits(data, hint):
        raise _refused(data, hint)
    if hasattr(hint, "from_dict"):
        return hint.from_dict(data)
    if issubclass(hint, Code):
        return hint.of(data["code"])
    if hasattr(hint, "_fields"):
        hints = typing.get_type_hints(hint)
        return hint(**{name: typed_value(data[name], hints[name]) for name in hint._fields})
    return hint(data) if issubclass(hint, enum.Enum | Path) else data


def _contained(data: Any, hint: Any, origin: type, inside: tuple[Any, ...]) -> Any:
    """Return an array, a mapping or a series."""
    if origin.__name__ == "ndarray":
        import numpy as np

        kind = typing.get_args(inside[1])[0]
        return np.array(data, dtype=kind if isinstance(kind, type) else float)
    if not _fits(data, hint):
        raise _refused(data, hint)
    if issubclass(origin, collections.abc.Mapping):
        key, value = inside
        return {_key(name, key): typed_value(one, value) for name, one in data.items()}
    if issubclass(origin, tuple) and not (len(inside) == 2 and inside[1] is Ellipsis):
        return tuple(typed_value(one, own) for one, own in zip(data, inside, strict=True))
    made = [typed_value(one, inside[0]) for one in data]
    return made if issubclass(origin, list) else tuple(made)


def _key(name: str, hint: Any) -> Any:
    if isinstance(hint, type) and issubclass(hint, Code):
        return hint.of(name)
    return hint(name) if isinstance(hint, type) and issubclass(hint, int | enum.Enum) else name


def _one_of(data: Any, hints: tuple[Any, ...]) -> Any:
    """Return the data as the first of several kinds that they fit."""
    for hint in sorted(hints, key=lambda one: one in (str, float)):
        if _fits(data, hint):
            return typed_value(data, hint)
    raise _refused(data, hints)


def _fits(data: Any, hint: Any) -> bool:
    origin = typing.get_origin(hint)
    if origin is not None and not isinstance(origin, type):
        return True
    kind = origin or hint
    if not isinstance(kind, type):
        return True
    if kind is type(None):
        return data is None
    if issubclass(kind, enum.Enum) and not issubclass(kind, Code):
        return isinstance(data, str) and data in {one.value for one in kind}
    if issubclass(kind, Code):
        return isinstance(data, Mapping) and "code" in data and any(one.code == data["code"] for one in kind)
    if hasattr(kind, "from_dict") or hasattr(kind, "_fields") or issubclass(kind, collections.abc.Mapping):
        return isinstance(data, Mapping)
    if kind in (tuple, list) or kind.__name__ in ("ndarray", "Sequence"):
        return isinstance(data, list | tuple)
    if kind in (int, float):
        return isinstance(data, int if kind is int else int | float)
    if kind in (str, bool):
        return isinstance(data, kind)
    return isinstance(data, str) if issubclass(kind, Path) else True


def _refused(data: Any, hint: Any) -> InputError:
    return InputError("a part of the data", came=repr(data)[:80], expected=getattr(hint, "__name__", str(hint)), fix="take the file as camcalc wrote it")

"""What every section of a build sheet has in common: plain inputs, the user's own words, copies that are read again."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Self, cast

from ..errors import InputError, did_you_mean
from ..results import Measure, Record
from ..units import to_si

__all__ = ["Section", "plain"]

HIDDEN = ("given", "around")
# Stating one of these takes back the other.
_INSTEAD = {"barometer": ("altitude",), "altitude": ("barometer",)}


def plain(
    kind: type, *, low: float = -math.inf, high: float = math.inf, or_zero: bool = False, choices: tuple[str, ...] = (), default: Any = None,
    why: str = "", doc: str = "",
) -> Any:  # fmt: skip
    """Declare an input without unit: a count, a ratio, a choice or a list.

    Parameters
    ----------
    kind : type
        ``int``, ``float``, ``str``, or ``list`` and ``tuple`` for several.
    low, high : float
        Range allowed, of each count or ratio where there are several.
    or_zero : bool
        Whether 0 counts as well as the range.
    choices : tuple of str
        The words allowed, of a text.
    default : value or callable
        What is assumed when it is left out; a function of the inputs read before it; none is needed input.
    why : str
        Where the default comes from, or ``ESTIMATE``.
    doc : str
        What it is, in the trade's words.
    """
    about = {"kind": kind, "low": low, "high": high, "or_zero": or_zero, "choices": choices, "default": default, "why": why, "doc": doc}
    return dataclasses.field(metadata=about)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Section(Record):
    """One section of the sheet; ``given`` keeps the user's own words for saving, ``around`` what other sections tell its defaults."""

    given: Mapping[str, Any] = dataclasses.field(default_factory=dict)
    around: Mapping[str, float] = dataclasses.field(default_factory=dict, repr=False)

    @classmethod
    def inputs(cls) -> Mapping[str, dataclasses.Field[Any]]:
        """Return the fields that a sheet may state, by key."""
        return _inputs_of(cast("Any", cls))

    def replace(self, **changes: Any) -> Self:
        """Return a copy with some inputs changed, as quantities, quantity strings or plain values."""
        return self.reread(changes)[0]

    def reread(self, changes: Mapping[str, Any], around: Mapping[str, float] | None = None) -> tuple[Self, list[Any]]:
        """Return the copy and what it assumes: read again, so that it is checked and its defaults follow the change."""
        from .section_reading import Problems, read_section

        given = dict(self.given)
        for key, value in changes.items():
            text = self._as_text(key, value)
            if text is None:
                given.pop(key, None)
            else:
                given[key] = text
            for other in _INSTEAD.get(key, ()):
                given.pop(other, None)
        problems = Problems()
        assumed: list[Any] = []
        read = read_section(type(self).__name__.lower(), type(self), given, problems, assumed, self.around if around is None else around)
        problems.raise_any("")
        assert read is not None
        return read, assumed

    def _as_text(self, key: str, value: Any) -> Any:
        """Return a changed input as a sheet would state it; ``None`` takes it back."""
        inputs, declared = self.inputs(), self.measures().get(key)
        if key not in inputs:
            raise InputError(f"{type(self).__name__}.{key}", came=key, expected="a field", fix=did_you_mean(key, inputs))
        if declared is None:
            return list(value) if isinstance(value, tuple) else value
        if value is None or isinstance(value, str):
            return value
        number = to_si(value, f"[{type(self).__name__.lower()}] {key}", declared.bounds) if hasattr(value, "_units") else float(value)
        return None if math.isnan(number) else _exact_text(number, declared)

    def __eq__(self, other: object) -> bool:
        return type(self) is type(other) and Record.__eq__(Record.replace(self, given={}, around={}), Record.replace(other, given={}, around={}))

    __hash__ = None


@functools.cache
def _inputs_of(section: type[Section]) -> Mapping[str, dataclasses.Field[Any]]:
    return MappingProxyType({f.name: f for f in dataclasses.fields(section) if f.name not in HIDDEN})


def _exact_text(number: float, declared: Measure) -> str:
    return f"{number!r} {declared.unit}"

"""Reading one section of a build sheet by its declarations: figures checked, defaults taken and listed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import SimpleNamespace
from typing import Any, TypeVar

from ..errors import InputError, InputErrors
from ..results import Measure
from ..units import quantity, to_si, without_comma
from .section import Section
from .sheet import Assumption
from .trade_forms import FORMS, Form
from .trade_words import OUT_OF_SCOPE, hint_for_key, hint_for_value, own_name

__all__ = ["NOTHING", "Problems", "check_names", "read_section"]

S = TypeVar("S", bound=Section)

NOTHING = "nothing"  # came in place of a figure that a section cannot do without


class Problems:
    """Collects what is wrong with a file, so that all of it is shown at once."""

    def __init__(self) -> None:
        self.found: list[InputError] = []
        self._seen: set[tuple[str, str]] = set()

    def add(self, error: InputError) -> None:
        """Keep one problem, once."""
        if (error.key, error.came) not in self._seen:
            self._seen.add((error.key, error.came))
            self.found.append(error)

    def raise_any(self, file: str) -> None:
        """Raise what was found, if anything was."""
        if len(self.found) == 1:
            raise self.found[0].in_file(file)
        if self.found:
            raise InputErrors([p.in_file(file) for p in self.found])


def read_section(
    name: str, kind: type[S], table: Mapping[str, Any], problems: Problems, assumed: list[Assumption], around: Mapping[str, float] | None = None
) -> S | None:
    """Read one section by its declarations; ``None`` if something in it is wrong.

    Parameters
    ----------
    name : str
        Of the section, for errors.
    kind : type
        The section's record.
    table : mapping
        What the sheet says.
    problems, assumed : Problems, list
        Added to.
    around : mapping
        What other sections tell this one's defaults.
    """
    measures, inputs = kind.measures(), kind.inputs()
    before = len(problems.found)
    check_names(name, table, inputs, problems)
    draft = SimpleNamespace(around=around or {})
    renamed = {own_name(str(key)) for key in table if key not in inputs}
    for key, field in inputs.items():
        declared = measures.get(key)
        try:
            if key in table:
                form = FORMS.get((kind.__name__.lower(), key))
                setattr(draft, key, _read(f"[{name}] {key}", table[key], declared, field, form, draft, assumed))
            else:
                setattr(draft, key, _default(name, key, declared, field.metadata, draft, assumed))
        except InputError as error:
            # What is there under another name is reported once, as that.
            if error.came != NOTHING or key not in renamed:
                problems.add(error)
        except AttributeError:
            continue  # a default that rests on a figure already reported
    if len(problems.found) > before or not all(hasattr(draft, key) for key in inputs):
        return None
    return kind(**{key: getattr(draft, key) for key in inputs}, given={k: v for k, v in table.items() if k in inputs}, around=draft.around)


def _read(where: str, value: Any, declared: Measure | None, field: Any, form: Form | None, draft: SimpleNamespace, assumed: list[Assumption]) -> Any:
    if declared is None:
        return _read_plain(value, where, field.metadata)
    return to_si(value if form is None else form(value, where, draft, assumed), where, declared.bounds)


def _default(section: str, key: str, declared: Measure | None, metadata: Mapping[str, Any], draft: SimpleNamespace, assumed: list[Assumption]) -> Any:
    default, why = (declared.default, declared.why) if declared else (metadata["default"], metadata["why"])
    if default is None:
        doc = (declared.doc if declared else metadata["doc"]) or key.replace("_", " ")
        example = f'"... {declared.show}"' if declared else "..."
        raise InputError(f"[{section}] {key}", came=NOTHING, expected=doc, fix=f"add {key} = {example} to [{section}]")
    if declared is None:
        value = default(draft) if callable(default) else default
        if value == "nan":
            return math.nan
        shown = ", ".join(map(str, value)) if isinstance(value, tuple) else str(value)
        assumed.append(Assumption(f"[{section}] {key}", shown, why))
        return value
    if default == "nan":
        return math.nan
    value = float(default(draft)) if callable(default) else float(to_si(default, key, declared.bounds))
    if not math.isnan(value):
        assumed.append(Assumption(f"[{section}] {key}", f"{quantity(value, declared.unit, declared.show).magnitude:.4g} {declared.show}".strip(), why))
    return value


def _read_plain(value: Any, where: str, metadata: Mapping[str, Any]) -> Any:
    kind, low, high, choices = metadata["kind"], metadata["low"], metadata["high"], metadata["choices"]
    if kind is tuple:
        if not isinstance(value, list) or not value or not all(isinstance(v, int) and not isinstance(v, bool) and low <= v <= high for v in value):
            raise InputError(where, came=repr(value), expected=f"a list of whole numbers from {low:g} to {high:g}", fix="write it like [3, 4, 5]")
        return tuple(sorted(set(value)))
    if kind is list:
        return _read_ratios(value, where, low, high)
    if kind is str:
        if value not in choices if isinstance(value, str) else True:
            raise InputError(where, came=repr(value), expected=" or ".join(f'"{c}"' for c in choices), fix=hint_for_value(str(value), choices))
        return value
    span = f"{'0, or ' if metadata['or_zero'] else ''}{low:g} to {high:g}"
    if isinstance(value, bool) or not isinstance(value, int | float) or (kind is int and not isinstance(value, int)):
        noun = "a whole number" if kind is int else "a plain number"
        raise InputError(where, came=repr(value), expected=f"{noun}: {span}", fix=_bare_fix(value, where.partition("] ")[2]))
    if not low <= value <= high and not (metadata["or_zero"] and value == 0):
        raise InputError(where, came=f"{value}", expected=span, fix="check the figure")
    return kind(value)


def _bare_fix(value: Any, key: str) -> str:
    """Return how to write a number that came as text."""
    if isinstance(value, str) and "?" in value:
        return 'put your figure in place of "?", without quotes'
    tried = [value, *without_comma(value)] if isinstance(value, str) else []
    numbers = [text.strip() for text in tried if text.strip().replace(".", "", 1).isdigit()]
    return f"write {' or '.join(f'{key} = {n}' for n in numbers)}, without quotes or unit" if numbers else "write it without quotes or unit"


def _read_ratios(value: Any, where: str, low: float, high: float) -> tuple[float, ...]:
    if not isinstance(value, list) or not value or not all(isinstance(v, int | float) and not isinstance(v, bool) for v in value):
        raise InputError(where, came=repr(value), expected="a list of plain ratios", fix="write it like [3.00, 2.24, 1.67, 1.24]")
    for v in value:
        if not low <= v <= high:
            raise InputError(where, came=f"{v}", expected=f"ratios from {low:g} to {high:g}", fix=_pairs_fix(value))
    return tuple(float(v) for v in value)


def _pairs_fix(value: list[Any]) -> str:
    """Return the ratios that decimal commas have split in two, where that is what happened."""
    whole = all(isinstance(v, int) for v in value) and len(value) % 2 == 0
    if not whole:
        return "check the figure"
    pairs = ", ".join(f"{a}.{b}" for a, b in zip(value[::2], value[1::2], strict=True))
    return f"with decimal points: [{pairs}]? A comma parts two figures"


def check_names(section: str, table: Mapping[str, Any], known: Any, problems: Problems) -> None:
    """Add a problem for each key that is not known, with what it may have been meant for.

    Parameters
    ----------
    section : str
        Name of the section; empty for the sheet's own top.
    table : mapping
        What the sheet says there.
    known : iterable of str
        The keys that it may have.
    problems : Problems
        Added to.
    """
    for key in table:
        if key not in known:
            where = f"[{section}] {key}" if section else f"[{key}]"
            came = str(key) if str(key).lower() in OUT_OF_SCOPE else "an unknown key" if section else "an unknown section"
            problems.add(InputError(where, came=came, fix=hint_for_key(str(key), known, _homes() if section else {})))


def _homes() -> dict[str, str]:
    """Return the section that each key belongs to, of those that only one has."""
    from .sections import SECTIONS, WRITTEN_BY_COMMANDS

    found: dict[str, list[str]] = {}
    for name, kind in SECTIONS.items():
        for key in kind.inputs() if name not in WRITTEN_BY_COMMANDS else ():
            found.setdefault(key, []).append(name)
    return {key: names[0] for key, names in found.items() if len(names) == 1}

"""Reading the rows of ``[[measured]]``, each figure with how closely it was read."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..errors import InputError, did_you_mean
from ..units import Bounds, parse, to_si
from .measured_rows import BESIDE, CRANKING, IDLE, NEEDS, RESPONSES, ROAD, Measured, MeasuredRow
from .section_reading import Problems, read_section

__all__ = ["read_measured"]

# No starter turns a warm engine faster [rev/s]; common practice, no source.
FASTEST_STARTER = 400.0 / 60.0
WITHIN = ("+-", "±", "+/-")
FROM = "from"


def read_measured(rows: Any, problems: Problems, path: Path | None = None) -> tuple[MeasuredRow, ...]:
    """Read the rows of ``[[measured]]``.

    Parameters
    ----------
    rows : list of mappings
        As TOML gives them. A figure may carry how closely it was read: ``"55.5 kPa +- 0.8 kPa"``.
    problems : Problems
        Added to.
    path : Path
        The sheet; a log that a row names lies beside it.

    Examples
    --------
    >>> row, = read_measured([{"what": "idle", "speed": "860 rpm", "spark": "22 crank_deg", "manifold_pressure": "55.5 kPa +- 0.8 kPa"}], Problems())
    >>> row.responses(), row.within
    (['manifold_pressure'], {'manifold_pressure': 800.0})
    """
    if not isinstance(rows, list) or not all(isinstance(row, Mapping) for row in rows):
        fix = "write [[measured]] with two brackets"
        problems.add(InputError("[measured]", came=f"{rows!r}"[:60], expected="rows, each under its own [[measured]]", fix=fix))
        return ()
    found = (_read_row(k + 1, row, problems, path) for k, row in enumerate(rows))
    return tuple(row for row in found if row is not None)


def _read_row(number: int, row: Mapping[str, Any], problems: Problems, path: Path | None) -> MeasuredRow | None:
    name = f"measured, row {number}"
    figures, within = {key: value for key, value in row.items() if key != FROM}, dict[str, float]()
    log = row.get(FROM, "")
    if not isinstance(log, str):
        problems.add(InputError(f"[{name}] from", came=repr(log), expected="the path of a log"))
        return None
    for key, value in figures.items():
        mark = next((m for m in WITHIN if isinstance(value, str) and m in value), None)
        if mark is not None:
            figures[key], _, closeness = (part.strip() for part in value.partition(mark))
            try:
                within[key] = _closeness(f"[{name}] {key}", key, figures[key], closeness)
            except InputError as error:
                problems.add(error)
                return None
    for key in within:
        if key not in RESPONSES.get(str(figures.get("what")), ()):
            problems.add(InputError(f"[{name}] {key}", came="a closeness", expected="one of a figure that was read, not of where it was read"))
            return None
    said = read_section(name, Measured, figures, problems, [])
    if said is None:
        return None
    made = MeasuredRow(number=number, said=said, within=within, log=str(path.parent / log) if log and path is not None else log, text=dict(row))
    problem = _lacking(name, made)
    if problem is not None:
        problems.add(problem)
        return None
    return made


def _closeness(where: str, key: str, figure: str, text: str) -> float:
    """Return how closely a figure was read, in its inner unit: stated in a unit of its own, or as a share."""
    declared = Measured.measures().get(key)
    if declared is None:
        raise InputError(where, came=text, expected="a figure with a unit, where closeness is stated")
    value = math.nan
    if ("%" in text or "percent" in text) and declared.unit == "K":
        raise InputError(where, came=f'"{text}"', expected="how many kelvin it was read within", fix='write "+- 20 K"; a share of a temperature says nothing')
    if "%" in text or "percent" in text:
        value = float(to_si(text.replace("%", "percent"), where, Bounds("", 1e-4, 0.5, "percent"))) * float(to_si(figure, where, declared.bounds))
    else:
        given, any_of_its_kind = parse(text, where), Bounds(declared.unit, -math.inf, math.inf, declared.show)
        # A difference: what the unit counts from falls out, so that 20 degC is 20 K.
        value = float(to_si(given, where, any_of_its_kind) - to_si(type(given)(0.0, given.units), where, any_of_its_kind))
    largest = math.inf if declared.unit == "crank_deg" else abs(float(to_si(figure, where, declared.bounds)))
    if not 0.0 < value < largest:
        raise InputError(where, came=f'"{text}"', expected="a closeness above 0 and below the figure itself", fix="check the figure")
    return value


def _lacking(name: str, row: MeasuredRow) -> InputError | None:
    """Return what a row cannot do without; none where it is whole."""
    said, what = row.said, row.said.what
    if row.log:
        if what not in (IDLE, ROAD):
            return InputError(f"[{name}] from", came=f'what = "{what}"', expected=f'"{IDLE}" or "{ROAD}" for a row from a log', fix="state the figure itself")
        return None
    for key in NEEDS[what]:
        value = said.gear or math.nan if key == "gear" else getattr(said.si, key)
        if not math.isfinite(value):
            return InputError(f"[{name}] {key}", came="nothing", expected=f'where a reading of "{what}" was taken', fix=f'add {key} = "..." to this row')
    if not row.responses():
        names = ", ".join(RESPONSES[what])
        return InputError(f"[{name}]", came="no reading", expected=f"one of {names}", fix="add what was read there")
    if math.isfinite(said.si.manifold_pressure) and math.isfinite(said.si.manifold_vacuum):
        fix = "keep the one that was read"
        return InputError(f"[{name}] manifold_vacuum", came="both manifold_pressure and manifold_vacuum", expected="one of them", fix=fix)
    if what == CRANKING and said.si.speed > FASTEST_STARTER:
        return InputError(f"[{name}] speed", came=str(said.given["speed"]), expected="100 to 400 rpm, as a starter turns it", fix="check the figure")
    unread = [key for key in said.given if key not in ("what", "cam", *NEEDS[what], *RESPONSES[what], *BESIDE[what])]
    if unread:
        return InputError(f"[{name}] {unread[0]}", came=f'a figure that "{what}" does not have', fix=did_you_mean(unread[0], RESPONSES[what]))
    return None

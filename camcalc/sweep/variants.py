"""Variants of a sheet: figures changed one by one, or all with all, before anything is computed."""

from __future__ import annotations

import copy
import itertools
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from ..errors import InputError, did_you_mean
from ..sheet.reading import read_build, read_toml
from ..sheet.sheet import Build

__all__ = ["Variant", "values_of", "varied_builds"]

# A range is cut into so many values unless steps are given.
STEPS = 5
# More variants than anybody waits for; ESTIMATE: some seconds each.
MOST = 10_000
ONE = r"[-+]?[0-9]+(?:\.[0-9]+)?(?:[eE][-+]?[0-9]+)?"
RANGE = re.compile(rf"\s*(?P<low>{ONE})\s*\.\.\s*(?P<high>{ONE})(?P<unit>\s.*|)")
NUMBER = re.compile(rf"\s*(?P<number>{ONE})(?P<unit>\s.*|)")


class Variant(NamedTuple):
    """A build and what was changed in its sheet: value as text by key."""

    build: Build
    varied: Mapping[str, str]


def values_of(text: str, *, key: str, steps: int = STEPS) -> list[str]:
    """Return the values that a text names: a range with one unit, or a list.

    Parameters
    ----------
    text : str
        ``"108..116 cam_deg"``, or ``"108, 110, 114 cam_deg"`` with the unit once, at the end or with each.
    key : str
        Of the sheet, for errors.
    steps : int
        Values that a range is cut into, both ends among them; 2 and more.

    Examples
    --------
    >>> values_of("108..116 cam_deg", key="cam.lobe_separation", steps=3)
    ['108 cam_deg', '112 cam_deg', '116 cam_deg']
    >>> values_of("9.5, 10.5", key="engine.compression_ratio")
    ['9.5', '10.5']
    """
    found = RANGE.fullmatch(text)
    if found:
        if steps < 2:
            raise InputError(f"--vary {key}", came=f"{steps} steps", expected="2 and more", fix="a range has two ends")
        low, high = float(found["low"]), float(found["high"])
        return [f"{value:.12g} {found['unit'].strip()}".strip() for value in np.linspace(low, high, steps)]
    parts = [NUMBER.fullmatch(part) for part in text.split(",")]
    if not all(parts):
        fix = f'e.g. --vary "{key}=108..116 cam_deg" or "{key}=108, 112 cam_deg", in a unit of its own'
        raise InputError(f"--vary {key}", came=repr(text), expected="a range or a list", fix=fix)
    shared = parts[-1]["unit"].strip() if parts[-1] else ""
    return [f"{float(part['number']):.12g} {part['unit'].strip() or shared}".strip() for part in parts if part]


def varied_builds(path: str | Path, vary: Mapping[str, Sequence[str]]) -> list[Variant]:
    """Return the builds of a sheet with figures changed, all values of each key with all of the others.

    Parameters
    ----------
    path : str or Path
        Build sheet.
    vary : mapping of str to sequence of str
        Values as the sheet would have them, by their keys: section and name with dots between, e.g. ``"cam.lobe_separation"``. A name that has dots or
        blanks of its own stands in quotes: ``'cam.intake.duration."0.050 inch"'``.

    Raises
    ------
    InputError, InputErrors
        If a key is not in the sheet's sections, or a variant is no sound sheet. Nothing is computed then.

    Examples
    --------
    >>> found = varied_builds("examples/quarry-road/build.toml", {"idle.speed": ["850 rpm", "950 rpm"]})
    >>> [(variant.varied["idle.speed"], round(float(variant.build.idle.si.speed * 60.0))) for variant in found]
    [('850 rpm', 850), ('950 rpm', 950)]
    """
    path = Path(path)
    data = read_toml(path)
    count = int(np.prod([len(values) for values in vary.values()], dtype=float)) if vary else 0
    if not 1 <= count <= MOST:
        raise InputError("--vary", came=f"{count} variants", expected=f"1 to {MOST}", fix="give at least one key with values, and fewer values of each")
    found = []
    for values in itertools.product(*vary.values()):
        changed, varied = copy.deepcopy(data), dict(zip(vary, values, strict=True))
        for key, value in varied.items():
            _put(changed, key, value)
        found.append(Variant(read_build(changed, path=path), varied))
    return found


def _put(data: dict[str, Any], key: str, value: str) -> None:
    """Put a value where a key of the sheet points; a bare number stays one."""
    try:
        inner: Any = tomllib.loads(f"{key} = 0")
    except tomllib.TOMLDecodeError:
        fix = "write section and name with dots between, e.g. cam.lobe_separation"
        raise InputError("--vary", came=repr(key), expected="a key of the sheet", fix=fix) from None
    names = []
    while isinstance(inner, dict):
        ((name, inner),) = inner.items()
        names.append(name)
    for name in names[:-1]:
        if not isinstance(data.get(name), dict):
            fix = did_you_mean(name, [one for one, inside in data.items() if isinstance(inside, dict)])
            raise InputError("--vary", came=key, expected="a key of a section that the sheet has", fix=fix)
        data = data[name]
    number = NUMBER.fullmatch(value)
    data[names[-1]] = float(value) if number and not number["unit"].strip() else value

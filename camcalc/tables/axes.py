"""What the corner cell of a table says: which axes these are, and in which units."""

from __future__ import annotations

import re
from typing import NamedTuple

from ..errors import InputError
from ..units import Bounds, factor

__all__ = ["LOADS", "SPEED", "Axis", "LoadKind", "axis_of", "corner_of", "read_corner"]


class LoadKind(NamedTuple):
    """A kind of load: range kept inside and unit shown; a slope's usual step, in words and inside; the names it goes by."""

    bounds: Bounds
    step: float
    step_words: str
    names: tuple[str, ...]


class Axis(NamedTuple):
    """An axis as a file names it: its kind, its unit as written, and the factor to the unit kept inside."""

    kind: str
    unit: str
    scale: float


# Ranges are there to catch a wrong unit, not to judge a table: wide on purpose.
SPEED = Bounds("crank_rps", 0.0, 300.0, "rpm")
LOADS = {
    "manifold pressure": LoadKind(
        Bounds("Pa", 1e3, 500e3, "kPa"), 10e3, "10 kPa", ("manifold pressure", "absolute pressure", "manifold absolute pressure", "pressure", "load")
    ),
    "air mass": LoadKind(
        Bounds("kg", 0.0, 5e-3, "mg"), 1e-4, "0.1 g", ("air mass", "air", "air per cylinder", "air mass per cylinder", "cylinder air mass", "load")
    ),
    # Air mass over swept volume times the density of air at 101.325 kPa and 20 degC.
    "filling": LoadKind(Bounds("", 0.0, 4.0, "percent"), 0.1, "10 percent", ("filling", "relative filling", "cylinder filling", "load")),
}
SPEED_NAMES = ("speed", "engine speed", "crank speed")
ACCEPTED = (
    "engine speed (rpm), a backslash, and manifold pressure (kPa, bar, Pa, psi, inHg, absolute), air mass per cylinder and cycle (g, mg, kg) "
    'or filling (percent, 1), e.g. "speed [rpm] \\ manifold pressure [kPa]"'
)
_PART = re.compile(r"\s*(?P<name>[^\[\]()]*?)\s*[\[(]\s*(?P<unit>[^\[\]()]*?)\s*[\])]\s*$")
# An air mass is per cylinder and cycle, and a manifold pressure absolute, whether the unit says so again or not.
_SAID_AGAIN = re.compile(r"\s+abs(olute)?$|\s*/\s*(cyl(inder)?|cycle|stroke)$")


def read_corner(text: str) -> tuple[Axis, Axis]:
    r"""Return the speed axis and the load axis that a corner cell names.

    Parameters
    ----------
    text : str
        Both names with their units, or both units alone, apart by a backslash; what runs down the first column comes first.

    Raises
    ------
    InputError
        If an axis is not named, or cannot become a speed or a load.

    Examples
    --------
    >>> [axis.kind for axis in read_corner("speed [rpm] \\ air mass [mg]")]
    ['speed', 'air mass']
    >>> read_corner("rpm \\ %")[1]
    Axis(kind='filling', unit='%', scale=0.01)
    """
    parts = text.split("\\")
    if len(parts) != 2:
        raise _not_understood(text, "write both axes into the corner cell, the one of the first column first")
    down, along = (_axis(part) for part in parts)
    if down is not None and along is not None and down.kind in LOADS and along.kind == "speed":
        raise _not_understood(text, "speed runs down the first column here: turn the table over its diagonal")
    if down is None or down.kind != "speed":
        raise _not_understood(text, f'"{parts[0].strip()}" is no engine speed with a unit', parts[0])
    if along is None or along.kind == "speed":
        raise _not_understood(text, _why_no_load(parts[1]), parts[1])
    return down, along


def axis_of(kind: str) -> Axis:
    """Return the axis of a kind in the unit it is shown in.

    >>> axis_of("manifold pressure")
    Axis(kind='manifold pressure', unit='kPa', scale=1000.0)
    """
    bounds = SPEED if kind == "speed" else LOADS[kind].bounds
    return Axis(kind, bounds.show, factor(bounds.show, bounds.unit))


def corner_of(down: Axis, along: Axis) -> str:
    """Return the corner cell that names both axes."""
    return f"{down.kind} [{down.unit}] \\ {along.kind} [{along.unit}]"


def _axis(text: str) -> Axis | None:
    match = _PART.match(text)
    name, unit = (match["name"], match["unit"]) if match else ("", text.strip())
    name = " ".join(name.replace("_", " ").lower().split())
    known = _SAID_AGAIN.sub("", unit)
    if not known:
        return None
    kinds = [("speed", SPEED, SPEED_NAMES)] + [(kind, load.bounds, load.names) for kind, load in LOADS.items()]
    for kind, bounds, names in kinds:
        if name and name not in names:
            continue
        try:
            return Axis(kind, unit, factor("" if known == "1" else known, bounds.unit))
        except ValueError:
            continue
    return None


def _why_no_load(part: str) -> str:
    words = part.lower()
    if re.search(r"throttle|pedal", words):
        return "a throttle or pedal angle is no measure of the charge: log manifold pressure or air mass against it, and make the axis of that"
    if re.search(r"\bv(olts?)?\b", words):
        return "a voltage needs the sensor's own line: turn the axis into pressure or air mass first"
    if re.search(r"vacuum|gauge|gage|boost|psig", words):
        return "turn it into absolute pressure with the barometer of the day"
    return f'"{part.strip()}" is no load with a unit that belongs to it'


def _not_understood(text: str, fix: str, part: str | None = None) -> InputError:
    return InputError("the corner cell", came=f'"{text.strip()}"' if part is None else f'"{part.strip()}" in "{text.strip()}"', expected=ACCEPTED, fix=fix)

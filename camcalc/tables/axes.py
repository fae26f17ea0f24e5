"""What the corner cell of a table says: which axes these are, and in which units."""

from __future__ import annotations

import re
from typing import NamedTuple

from ..cycle.load_axis import AIR_CHARGE, MANIFOLD_PRESSURE, RELATIVE_CHARGE
from ..errors import InputError
from ..units import Bounds, factor

__all__ = ["LOADS", "SPEED", "Axis", "LoadKind", "axis_of", "corner_of", "named_by", "read_corner", "said_once", "words_of"]


class LoadKind(NamedTuple):
    """A kind of load: range kept inside and unit shown; a slope's usual step, inside and in words; what names it, and what may stand beside that."""

    bounds: Bounds
    step: float
    step_words: str
    names: tuple[str, ...]
    beside: tuple[str, ...] = ()


class Axis(NamedTuple):
    """An axis as a file names it: its kind, its unit as written, and the factor to the unit kept inside."""

    kind: str
    unit: str
    scale: float


# Ranges are there to catch a wrong unit, not to judge a table: wide on purpose.
SPEED = Bounds("crank_rps", 0.0, 300.0, "rpm")
LOADS = {
    MANIFOLD_PRESSURE: LoadKind(
        Bounds("Pa", 1e3, 500e3, "kPa"),
        10e3,
        "10 kPa",
        ("manifold pressure", "absolute pressure", "pressure", "map", "load"),
        ("manifold", "intake", "absolute"),
    ),
    # Air trapped per cylinder and cycle. A step is what 10 kPa are in a small cylinder; ESTIMATE.
    AIR_CHARGE: LoadKind(
        Bounds("kg", 0.0, 5e-3, "mg"),
        5e-5,
        "50 mg",
        ("air charge", "air mass", "air", "charge", "load"),
        ("fresh", "intake", "trapped", "air", "charge", "mass", "per", "cylinder", "cycle", "stroke", "and"),
    ),
    # Air charge over swept volume times the density of air at 101.325 kPa and 20 degC.
    RELATIVE_CHARGE: LoadKind(
        Bounds("", 0.0, 4.0, "percent"),
        0.1,
        "10 percent",
        ("relative charge", "relative load", "relative air", "charge", "load"),
        ("air", "charge", "cylinder"),
    ),
}
SPEED_NAMES = ("speed", "engine speed", "crank speed")
_PART = re.compile(r"\s*(?P<name>[^\[\]()]*?)\s*[\[(]\s*(?P<unit>[^\[\]()]*?)\s*[\])]\s*$")
# An air charge is per cylinder and cycle, and a manifold pressure absolute, whether the unit says so again or not.
_SAID_AGAIN = re.compile(r"\s+abs(olute)?$|(\s*(/|\bper\b|\band\b)\s*(cyl(inder)?|cycle|stroke))+$", re.IGNORECASE)


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
    >>> [axis.kind for axis in read_corner("speed [rpm] \\ air charge [mg per cylinder]")]
    ['speed', 'air charge']
    >>> read_corner("rpm \\ %")[1]
    Axis(kind='relative charge', unit='%', scale=0.01)
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
        raise _no_load(text, parts[1])
    return down, along


def axis_of(kind: str) -> Axis:
    """Return the axis of a kind in the unit it is shown in.

    >>> axis_of("manifold pressure")
    Axis(kind='manifold pressure', unit='kPa', scale=1000.0)
    """
    bounds = SPEED if kind == "speed" else LOADS[kind].bounds
    return Axis(kind, bounds.show + (" per cylinder" if kind == AIR_CHARGE else ""), factor(bounds.show, bounds.unit))


def words_of(text: str) -> frozenset[str]:
    """Return the words and numbers of a name in small letters, whatever stands between them.

    >>> sorted(words_of("AirCharge_per-Cylinder"))
    ['air', 'charge', 'cylinder', 'per']
    """
    return frozenset(re.findall(r"[^\W_]+", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text).lower()))


def named_by(words: frozenset[str], names: tuple[str, ...], beside: tuple[str, ...] = ()) -> int | None:
    """Return which of some names these words say, in any order; nothing where they say none, or where a word stands beside that changes the meaning.

    >>> named_by(words_of("spark retard from knock"), ("knock retard",), ("spark", "from"))
    0
    >>> named_by(words_of("exhaust pressure"), ("manifold pressure", "pressure"), ("absolute",)) is None
    True
    """
    for place, name in enumerate(names):
        needed = words_of(name)
        if needed <= words and words - needed <= set(beside):
            return place
    return None


def said_once(unit: str) -> str:
    """Return a unit without "absolute" or "per cylinder", which go without saying for a load.

    >>> said_once("mg per cylinder and cycle"), said_once("kPa absolute")
    ('mg', 'kPa')
    """
    return _SAID_AGAIN.sub("", " ".join(unit.split()))


def corner_of(down: Axis, along: Axis) -> str:
    """Return the corner cell that names both axes."""
    return f"{down.kind} [{down.unit}] \\ {along.kind} [{along.unit}]"


def _axis(text: str) -> Axis | None:
    match = _PART.match(text)
    name, unit = (match["name"], match["unit"]) if match else ("", text.strip())
    known = said_once(unit)
    if not known:
        return None
    kinds = [("speed", SPEED, SPEED_NAMES, ()), *((kind, load.bounds, load.names, load.beside) for kind, load in LOADS.items())]
    for kind, bounds, names, beside in kinds:
        if name.strip() and named_by(words_of(name), names, beside) is None:
            continue
        try:
            return Axis(kind, unit, factor("" if known == "1" else known, bounds.unit))
        except ValueError:
            continue
    return None


def _no_load(text: str, part: str) -> InputError:
    """Return the error of a corner cell whose second half is no load, with the way out for what it seems to be."""
    words = part.lower()
    if re.search(r"throttle|pedal", words):
        fix = "a throttle or pedal angle is no measure of the charge: log manifold pressure or air charge against it, and make the axis of that"
    elif re.search(r"\bv(olts?)?\b", words):
        fix = "a voltage needs the sensor's own line: turn the axis into pressure or air charge first"
    elif re.search(r"vacuum|gauge|gage|boost|psig", words):
        fix = "turn it into absolute pressure with the barometer of the day"
    else:
        fix = f'"{part.strip()}" is no load with a unit that belongs to it'
    return _not_understood(text, fix, part)


def _not_understood(text: str, fix: str, part: str | None = None) -> InputError:
    if not text.strip():
        fix = 'type "rpm \\ kPa" into it, with your own units, or give the same by --table-axes'
    came = ("a blank cell" if not text.strip() else f'"{text.strip()}"') if part is None else f'"{part.strip()}" in "{text.strip()}"'
    accepted = (
        "engine speed (rpm), a backslash, and a load: manifold pressure (kPa, bar, Pa, psi, inHg, absolute); "
        "air charge per cylinder and cycle (mg, g, kg); or relative charge (percent, 1). "
        'E.g. "speed [rpm] \\ manifold pressure [kPa]"'
    )
    return InputError("the corner cell", came=came, expected=accepted, fix=fix)

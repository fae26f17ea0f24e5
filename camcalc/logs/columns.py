"""Which column of a log is which channel, in which unit: as a column map says, or guessed from the column names."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from ..errors import InputError, did_you_mean
from ..tables.axes import LOADS, SPEED, named_by, said_once, words_of
from ..units import Bounds, factor
from .log_notes import LogDoubt, LogNote, Loss

__all__ = ["CHANNELS", "Channel", "Column", "guess_columns", "read_columns"]


class Channel(NamedTuple):
    """A channel of a log: unit kept and range allowed, what names it, what cannot be told without it, whether a unit may be left out, other words allowed."""

    bounds: Bounds
    names: tuple[str, ...]
    loss: Loss | None = None
    bare: bool = False
    beside: tuple[str, ...] = ()


class Column(NamedTuple):
    """Where a channel comes from: the column's name, its unit as written, factor and offset to the unit kept, whether guessed, the kind of load."""

    name: str
    unit: str
    scale: float
    offset: float = 0.0
    guessed: bool = False
    kind: str = ""


# A column is known by its words, in any order, the likelier name first; a word that is neither of the name nor among those allowed beside it
# makes it something else. The trade's own words; common practice, no source. Ranges catch a wrong unit or a broken sensor, wide on purpose: ESTIMATE.
CHANNELS = {
    "time": Channel(Bounds("s"), ("time", "t"), beside=("elapsed", "log")),
    "speed": Channel(SPEED, ("engine speed", "speed", "rpm", "n"), beside=("engine", "crank")),
    "spark": Channel(
        Bounds("crank_deg", -40.0, 80.0),
        ("final spark", "spark", "ignition", "advance", "timing"),
        Loss.CAUSE,
        beside=("advance", "angle", "timing", "ignition"),
    ),
    "load": Channel(Bounds("", 0.0), (), Loss.LOOKUP),
    "pedal": Channel(
        Bounds("", -0.05, 1.1, "percent"),
        ("pedal", "accelerator", "throttle"),
        Loss.TIP_INS,
        beside=("accelerator", "position"),
    ),
    "road_speed": Channel(Bounds("m/s", -1.0, 120.0, "km/h"), ("road speed", "vehicle speed", "car speed", "speed"), Loss.ROAD_SPEED),
    "acceleration": Channel(
        Bounds("m/s**2", -30.0, 30.0),
        ("acceleration",),
        Loss.HARSHNESS,
        beside=("longitudinal", "fore", "aft", "and"),
    ),
    "gear": Channel(Bounds("", -1.0, 20.0), ("gear",), Loss.GEAR_CHANGES, True, ("engaged", "current")),
    "clutch": Channel(Bounds("", 0.0, 1.0), ("clutch",), None, True, ("pedal", "switch")),
    "fuel_cut": Channel(Bounds("", 0.0, 1.0), ("fuel cut",), Loss.FUEL_CUT, True, ("overrun", "active")),
    "knock_retard": Channel(
        Bounds("crank_deg", -40.0, 40.0),
        ("knock retard", "knock correction"),
        Loss.KNOCK_RETARD,
        beside=("spark", "ignition", "timing", "for", "from"),
    ),
    # A knock sensor's own level in volts, decibels, counts or no unit: kept as it is logged, since it is compared with itself only.
    "knock_level": Channel(
        Bounds(""), ("knock level", "knock sensor", "knock noise", "knock signal", "knock"), None, True, ("level", "sensor", "noise", "signal", "intensity")
    ),
    "lambda": Channel(Bounds("", 0.3, 5.0), ("lambda", "relative air fuel ratio"), None, True, ("measured",)),
}
# Spellings of a unit that mean something else, or nothing, outside the channel they stand in.
_ANGLE = dict.fromkeys(("deg", "°", "degrees", "degree", "deg btdc", "° btdc", "°btdc", "deg crank", "crank deg", "deg before tdc"), "crank_deg")
_IN_CHANNEL = {
    "knock_level": dict.fromkeys(("v", "volt", "volts", "mv", "db", "count", "counts", "%", "percent"), ""),
    "spark": _ANGLE,
    "knock_retard": _ANGLE,
    "acceleration": {"g": "g_0", "m/s2": "m/s**2", "m/s^2": "m/s**2", "m/s²": "m/s**2"},
    "speed": {"rev/s": "crank_rps", "1/s": "crank_rps", "r/min": "rpm", "1/min": "rpm"},
    "time": {"sec": "s", "seconds": "s", "second": "s", "msec": "ms"},
}
_PART = re.compile(r"\s*(?P<name>[^\[\]()]*?)\s*[\[(]\s*(?P<unit>[^\[\]()]*?)\s*[\])]\s*$")
KEYS = ("column", "unit", "kind")


def read_columns(given: str | Path | Mapping[str, Any], header: Sequence[str]) -> dict[str, Column]:
    """Return the columns that a column map names.

    Parameters
    ----------
    given : path or mapping
        TOML with a ``[columns]`` table, or what stands in it: ``{"time": {"column": "t", "unit": "s"}, ...}``. Load may say its
        ``kind``: ``manifold pressure``, ``air charge`` (per cylinder and cycle) or ``relative charge``; else the unit says it.
    header : sequence of str
        Column names of the log.

    Raises
    ------
    InputError
        If a channel or key is not known, a column is not there, or a unit does not belong to its channel.

    Examples
    --------
    >>> read_columns({"time": {"column": "t", "unit": "ms"}, "speed": {"column": "n", "unit": "rpm"}}, ["t", "n"])["time"].scale
    0.001
    """
    file = ""
    if isinstance(given, str | Path):
        file = str(given)
        given = _toml(Path(given))
    elif list(given) == ["columns"] and isinstance(given["columns"], Mapping):
        given = given["columns"]
    out: dict[str, Column] = {}
    try:
        for name, entry in given.items():
            if CHANNELS.get(name) is None:
                raise InputError(f"[columns] {name}", came=name, expected="a channel", fix=did_you_mean(name, CHANNELS))
            column = _mapped(name, entry, header)
            twin = next((other for other, taken in out.items() if taken.name == column.name), "")
            if twin:
                raise InputError(f"[columns] {name}.column", came=f'"{column.name}", as {twin} has', expected="a column of its own for each channel")
            out[name] = column
        _check_required(out, header)
    except InputError as error:
        raise error.in_file(file) from None
    return out


def guess_columns(header: Sequence[str], units: Sequence[str] = ()) -> tuple[dict[str, Column], list[LogNote]]:
    """Guess which column is which channel.

    Parameters
    ----------
    header : sequence of str
        Column names with their units in brackets, e.g. ``Engine speed [rpm]``.
    units : sequence of str
        Units from a row of their own under the names, where there is one.

    Returns
    -------
    columns : dict
        By channel; every one marked as guessed.
    left : list of LogNote
        What looks like a channel but was not taken, with the reason.

    Raises
    ------
    InputError
        If time or engine speed is not among them.

    Examples
    --------
    >>> columns, _ = guess_columns(["t [s]", "Engine speed [rpm]", "spark (deg)", "Manifold pressure [kPa]"])
    >>> columns["load"].kind
    'manifold pressure'
    """
    found: dict[str, Column] = {}
    left: list[LogNote] = []
    unfit: dict[str, LogNote] = {}
    parts = [_parts(name, units[k] if k < len(units) else "") for k, name in enumerate(header)]
    for channel in CHANNELS:
        fits = sorted((place, k) for k, (words, _) in enumerate(parts) if (place := _place(channel, words)) is not None)
        for _, k in fits:
            unit = parts[k][1] or ("rpm" if channel == "speed" and "rpm" in parts[k][0] else "")
            column = _guessed(channel, header[k], parts[k][0], unit)
            if column is None:
                why = LogDoubt.UNKNOWN_UNIT if unit else LogDoubt.NO_UNIT
                unfit.setdefault(header[k], LogNote(what=why, column=header[k], channel=channel, unit=unit))
            elif channel not in found and header[k] not in {c.name for c in found.values()}:
                found[channel] = column
            elif channel in found and found[channel].name != header[k]:
                left.append(LogNote(what=LogDoubt.FITS_TOO, column=header[k], channel=channel, other=found[channel].name))
    taken = {column.name for column in found.values()}
    left += [note for name, note in unfit.items() if name not in taken]
    _check_required(found, header, left)
    return found, left


def _parts(text: str, unit: str) -> tuple[frozenset[str], str]:
    match = _PART.match(text)
    return words_of(match["name"] if match else text), match["unit"] if match else unit.strip()


def _place(channel: str, words: frozenset[str]) -> int | None:
    """Return which name of a channel these words say; of load, of the kind it names best."""
    about = CHANNELS[channel]
    ways = [(kind.names, kind.beside) for kind in LOADS.values()] if channel == "load" else [(about.names, about.beside)]
    places = [place for names, beside in ways if (place := named_by(words, names, beside)) is not None]
    return min(places, default=None)


def _guessed(channel: str, name: str, words: frozenset[str], unit: str) -> Column | None:
    """Return a column with its factor; for load, of a kind that its words name and its unit belongs to."""
    named = [kind for kind, load in LOADS.items() if named_by(words, load.names, load.beside) is not None] if channel == "load" else [""]
    columns = (_column(channel, name, unit, guessed=True, kind=kind) for kind in named)
    return next((column for column in columns if column is not None), None)


def _column(channel: str, name: str, unit: str, *, guessed: bool, kind: str = "") -> Column | None:
    """Return a column with its factor, or nothing where the unit does not belong to the channel."""
    known = said_once(unit)
    known = _IN_CHANNEL.get(channel, {}).get(known.lower(), "" if known in ("1", "-") else known)
    if not unit and not CHANNELS[channel].bare:
        return None
    kinds = {kind: LOADS[kind].bounds for kind in ([kind] if kind else LOADS)} if channel == "load" else {"": CHANNELS[channel].bounds}
    for of_kind, bounds in kinds.items():
        try:
            return Column(name, unit, factor(known, bounds.unit), guessed=guessed, kind=of_kind)
        except ValueError:
            continue
    return None


def _mapped(channel: str, entry: Any, header: Sequence[str]) -> Column:
    key = f"[columns] {channel}"
    if not isinstance(entry, Mapping) or "column" not in entry:
        raise InputError(key, came=str(entry), expected='a column and its unit, e.g. {column = "t", unit = "s"}')
    for name in entry:
        if name not in KEYS:
            raise InputError(f"{key}.{name}", came=name, expected="column, unit or kind", fix=did_you_mean(name, KEYS))
    name, unit, kind = (str(entry.get(k, "")) for k in KEYS)
    if name not in header:
        raise InputError(f"{key}.column", came=f'"{name}"', expected="a column of the log", fix=did_you_mean(name, header))
    if kind and (channel != "load" or kind not in LOADS):
        raise InputError(f"{key}.kind", came=kind, expected="for load: " + ", ".join(LOADS), fix=did_you_mean(kind, LOADS))
    column = _column(channel, name, unit, guessed=False, kind=kind)
    if column is None:
        shown = (
            ", ".join(load.bounds.show for name, load in LOADS.items() if kind in ("", name))
            if channel == "load"
            else CHANNELS[channel].bounds.show or CHANNELS[channel].bounds.unit
        )
        came = f'"{unit}"' if unit else "no unit"
        raise InputError(f"{key}.unit", came=came, expected=f"a unit of {kind or channel.replace('_', ' ')}, e.g. {shown}", fix="say what the log writes")
    return column


def _check_required(found: Mapping[str, Column], header: Sequence[str], left: Sequence[LogNote] = ()) -> None:
    for channel, example in (("time", "time [s]"), ("speed", "engine speed [rpm]")):
        if channel not in found:
            alike = [note for note in left if note.channel == channel and note.what is not LogDoubt.FITS_TOO]
            reasons = [f'"{n.column}", which ' + (f'names "{n.unit}", no unit of {channel}' if n.unit else "names no unit") for n in alike]
            came = "; ".join(reasons) or "columns " + ", ".join(f'"{name}"' for name in header)
            raise InputError(
                f"{channel} of the log",
                came=came,
                expected=f'a column such as "{example}"',
                fix=f'name it so, or give a column map with {channel} = {{column = "...", unit = "..."}}',
            )


def _toml(path: Path) -> Mapping[str, Any]:
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError("the column map", came=f"{path}: {error.strerror}", expected="a TOML file that can be read") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError("the column map", came=str(error), expected="TOML in UTF-8", file=str(path)) from None
    for name in data:
        if name != "columns":
            raise InputError(f"[{name}]", came=name, expected="[columns] only", fix=did_you_mean(name, ["columns"]), file=str(path))
    columns = data.get("columns")
    if not isinstance(columns, Mapping):
        raise InputError("[columns]", came="nothing", expected='a line for each channel, e.g. time = {column = "t", unit = "s"}', file=str(path))
    return columns

"""Which column of a log is which channel, in which unit: as a column map says, and for the others by their names."""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError, did_you_mean
from ..tables.axes import LOADS
from .channels import CHANNELS, Channel, Name, named, other_of, scale_of, split_name, words_in
from .clock import CLOCK
from .likely import fitting_units
from .log_notes import LogDoubt, LogNote, UnitFrom

__all__ = ["CHANNELS", "Channel", "Column", "Unused", "guess_columns", "map_choices", "map_line", "map_lines", "read_columns", "unused_columns"]

Array = NDArray[np.float64]


class Column(NamedTuple):
    """Where a channel comes from.

    The column's name, its unit as written, factor and offset to the unit kept, whether guessed, the kind of load, the words that name it and how its
    unit is known. ``age`` is the greatest age of a value [s] where the column has a rate of its own, else not-a-number.
    """

    name: str
    unit: str
    scale: float
    offset: float = 0.0
    guessed: bool = False
    kind: str = ""
    words: str = ""
    unit_from: UnitFrom = UnitFrom.WRITTEN
    age: float = math.nan


class Unused(NamedTuple):
    """A column that was not used, and what it is where its words say so though camcalc has no use for it."""

    name: str
    what: str = ""


KEYS = ("column", "unit", "kind")
# Words of an engine speed's name: its unit, or those for which the trade has that unit only.
_OWN_UNIT = frozenset(("rpm", "revs", "drehzahl"))
_EXAMPLES = {"time": ("time [s]", "s"), "speed": ("engine speed [rpm]", "rpm")}
_NEEDED = tuple(_EXAMPLES)
_GAUGE = re.compile(r"\s*(psi|k?pa|m?bar)\s*\(?g(auge)?\)?\s*", re.IGNORECASE)


def map_line(channel: str, column: str, unit: str) -> str:
    """Return the line of a column map for a channel.

    >>> print(map_line("speed", "Revs", "rpm"))
    speed = {column = "Revs", unit = "rpm"}
    """
    written = f", unit = {_quoted(unit)}" if unit else ""
    return f"{channel} = {{column = {_quoted(column)}{written}}}"


def map_choices(channel: str, column: str, units: str) -> list[str]:
    """Return a line of a column map for each of some units, commas between them; all but the first as comments.

    >>> map_choices("load", "MAP", "inHg, psi")
    ['load = {column = "MAP", unit = "inHg"}', '# or: load = {column = "MAP", unit = "psi"}']
    """
    first, *others = (map_line(channel, column, unit.replace("crank_rps", "rev/s")) for unit in units.split(", "))
    return [first, *(f"# or: {line}" for line in others)]


def map_lines(*lines: str) -> str:
    """Return what to put into a column map, and how to give it, as the fix of an error."""
    shown = "\n".join(f"              {line}" for line in ("[columns]", *lines))
    fix = "put these lines into a file, say columns.toml, and add --columns columns.toml:\n"
    fix += shown
    return fix


def read_columns(
    given: str | Path | Mapping[str, Any], header: Sequence[str], units: Sequence[str] = (), *, clocks: Collection[str] = ()
) -> dict[str, Column | None]:
    """Return the columns that a column map names; nothing for a channel it says is not in the log.

    Parameters
    ----------
    given : path or mapping
        TOML with a ``[columns]`` table, or what stands in it: ``{"time": {"column": "t", "unit": "s"}, ...}``. Load may say its
        ``kind``: ``manifold pressure``, ``air charge`` (per cylinder and cycle) or ``relative charge``; else the unit says it. A unit that the log
        itself writes may be left out. ``false`` instead of a column: the channel is not in the log, whatever looks like it.
    header : sequence of str
        Column names of the log.
    units : sequence of str
        Units from a row of their own under the names, where there is one.
    clocks : collection of str
        Columns of times of day, which need no unit.

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
    out: dict[str, Column | None] = {}
    try:
        for name, entry in given.items():
            if CHANNELS.get(name) is None:
                raise InputError(f"[columns] {name}", came=name, expected="a channel", fix=did_you_mean(name, CHANNELS))
            column = None if entry is False else _mapped(name, entry, header, units, clocks)
            twin = next((other for other, taken in out.items() if taken and column and taken.name == column.name), "")
            if twin and column:
                raise InputError(f"[columns] {name}.column", came=f'"{column.name}", as {twin} has', expected="a column of its own for each channel")
            out[name] = column
    except InputError as error:
        raise error.in_file(file) from None
    return out


def guess_columns(
    header: Sequence[str],
    units: Sequence[str] = (),
    *,
    given: Mapping[str, Column | None] | None = None,
    numbers: Callable[[str], Array] | None = None,
    clocks: Collection[str] = (),
    load_kind: str = "",
    no_time: bool = False,
) -> tuple[dict[str, Column], list[LogNote]]:
    """Say which column is which channel, by the words of their names.

    Parameters
    ----------
    header : sequence of str
        Column names, with their units in brackets or as the last word, e.g. ``Engine speed [rpm]``.
    units : sequence of str
        Units from a row of their own under the names, where there is one.
    given : mapping of channel to Column, optional
        What a column map says; only the other channels are looked for. Nothing for a channel that is not in the log.
    numbers : callable, optional
        Gives the numbers of a column as written. With it a unit that is not written is read off the numbers where one alone makes sense.
    clocks : collection of str
        Columns of times of day, which need no unit.
    load_kind : str
        Kind of load that is wanted where the log has several.
    no_time : bool
        Whether the rows are spaced by a stated rate, so that no time is looked for.

    Returns
    -------
    columns : dict
        By channel; every one not given marked as guessed.
    left : list of LogNote
        What looks like a channel but was not taken, with the reason.

    Raises
    ------
    InputError
        If time or engine speed is not among them, or two columns fit a channel equally well.

    Examples
    --------
    >>> columns, _ = guess_columns(["t [s]", "Engine speed [rpm]", "spark (deg)", "Manifold pressure [kPa]"])
    >>> columns["load"].kind
    'manifold pressure'
    """
    given = given or {}
    found = {channel: column for channel, column in given.items() if column is not None}
    left: list[LogNote] = []
    unfit: dict[str, LogNote] = {}
    questions: dict[str, list[Column]] = {}
    parts = [split_name(name, units[k] if k < len(units) else "") for k, name in enumerate(header)]
    words = [words_in(name) for name, _ in parts]
    for channel in CHANNELS:
        if channel in given or (no_time and channel == "time"):
            continue
        taken = {column.name for column in found.values()}
        fits: list[tuple[int, Column]] = []
        for k, name in enumerate(header):
            ways = named(channel, words[k]) if name and name not in taken else []
            if not ways:
                continue
            way, column = _with_unit(channel, ways, name, CLOCK if name in clocks and channel == "time" else parts[k][1], words[k], numbers)
            if column is not None:
                fits.append((_rank(channel, way, column, load_kind), column))
            elif name not in clocks:
                # A pressure over the outside's is no absolute one in another unit.
                likely = fitting_units(channel, way.kind, numbers(name)) if numbers and not _GAUGE.fullmatch(parts[k][1]) else []
                why = LogDoubt.UNKNOWN_UNIT if parts[k][1] else LogDoubt.NO_UNIT
                unfit.setdefault(name, LogNote(what=why, column=name, channel=channel, unit=parts[k][1], other=", ".join(likely)))
        if not fits:
            continue
        fits.sort(key=lambda fit: fit[0])
        best = [column for rank, column in fits if rank == fits[0][0]]
        if len(best) > 1 and not _same(best, numbers):
            questions[channel] = best
        found[channel] = best[0]
        left += [LogNote(what=LogDoubt.FITS_TOO, column=column.name, channel=channel, other=best[0].name) for _, column in fits if column is not best[0]]
    taken = {column.name for column in found.values()}
    left = [note for note in left if note.column not in taken] + [note for name, note in unfit.items() if name not in taken]
    if questions:
        raise _question(questions)
    _check_required(found, header, left, no_time=no_time)
    return found, left


def unused_columns(header: Sequence[str], units: Sequence[str], found: Mapping[str, Column]) -> tuple[Unused, ...]:
    """Return the columns that no channel comes from.

    >>> unused_columns(["t", "coolant temp", "x"], [], {"time": Column("t", "s", 1.0)})
    (Unused(name='coolant temp', what='coolant temperature'), Unused(name='x', what=''))
    """
    taken = {column.name for column in found.values()}
    parts = [(name, split_name(name, units[k] if k < len(units) else "")[0]) for k, name in enumerate(header)]
    return tuple(Unused(name, other_of(words_in(part))) for name, part in parts if name and name not in taken)


def _rank(channel: str, way: Name, column: Column, load_kind: str) -> int:
    """Return how good a fit is, the lower the better: kinds of load in their order unless one is wanted; a time of day after a time that counts."""
    if channel == "load":
        return 10 * (0 if column.kind == load_kind else 1 + list(LOADS).index(column.kind)) + way.rank
    return way.rank + 10 * (column.unit == CLOCK)


def _with_unit(
    channel: str, ways: Sequence[Name], name: str, unit: str, words: frozenset[str], numbers: Callable[[str], Array] | None
) -> tuple[Name, Column | None]:
    """Return the way in which a column names a channel and the column; no column where its unit is not known or belongs to something else."""
    about = CHANNELS[channel]
    for way in ways:
        shown, how = unit, UnitFrom.WRITTEN
        if not unit:
            own = _own_unit(channel, words)
            shown, how = own or about.unit or "", UnitFrom.WRITTEN if own in words else UnitFrom.TRADE
        if not shown and about.unit is None:
            likely = fitting_units(channel, way.kind, numbers(name)) if numbers is not None else []
            if len(likely) != 1:
                continue
            shown, how = likely[0], UnitFrom.NUMBERS
        scale = 1.0 if shown == CLOCK else scale_of(channel, shown, way.kind)
        if scale is not None:
            return way, Column(name, shown, scale, guessed=True, kind=way.kind, words=way.said, unit_from=how)
    # What is in brackets may be words of the name, and no unit.
    whole = words_in(name) if unit and words_in(unit) <= words_in(name) and not words_in(unit) <= words else frozenset()
    again = named(channel, whole)
    return _with_unit(channel, again, name, "", whole, numbers) if again else (ways[0], None)


def _own_unit(channel: str, words: frozenset[str]) -> str:
    """Return the unit that the words of a name say."""
    if channel == "speed" and words & _OWN_UNIT:
        return "rpm"
    return "afr" if channel == "lambda" and not words & {"lambda", "relative", "verhaeltnis"} else ""


def _same(columns: Sequence[Column], numbers: Callable[[str], Array] | None) -> bool:
    """Whether columns hold the same numbers in the same unit, so that it does not matter which is taken."""
    if numbers is None or len({column.scale for column in columns}) > 1:
        return False
    first = numbers(columns[0].name)
    return bool(np.isfinite(first).any()) and all(np.array_equal(first, numbers(column.name), equal_nan=True) for column in columns[1:])


def _question(questions: Mapping[str, Sequence[Column]]) -> InputError:
    came = "; ".join(f"{' and '.join(_quoted(c.name) for c in columns)} each fit {_spoken(channel)}" for channel, columns in questions.items())
    lines = []
    for channel, columns in questions.items():
        said = [map_line(channel, column.name, "" if column.unit == CLOCK else column.unit) for column in columns]
        lines += [said[0], *(f"# or: {line}" for line in said[1:]), *([] if channel in _NEEDED else [f"# or, if none is: {channel} = false"])]
    return InputError("the columns of the log", came=came, expected="one column for each channel", fix=f"say which is meant: {map_lines(*lines)}")


def _mapped(channel: str, entry: Any, header: Sequence[str], units: Sequence[str], clocks: Collection[str]) -> Column:
    key = f"[columns] {channel}"
    if not isinstance(entry, Mapping) or "column" not in entry:
        raise InputError(key, came=str(entry), expected='a column and its unit, e.g. {column = "t", unit = "s"}; or false')
    for name in entry:
        if name not in KEYS:
            raise InputError(f"{key}.{name}", came=name, expected="column, unit or kind", fix=did_you_mean(name, KEYS))
    name, unit, kind = (str(entry.get(k, "")) for k in KEYS)
    if name not in header:
        raise InputError(f"{key}.column", came=f'"{name}"', expected="a column of the log", fix=did_you_mean(name, header))
    if kind and (channel != "load" or kind not in LOADS):
        raise InputError(f"{key}.kind", came=kind, expected="for load: " + ", ".join(LOADS), fix=did_you_mean(kind, LOADS))
    how = UnitFrom.WRITTEN
    if channel == "time" and name in clocks:
        return Column(name, CLOCK, 1.0)
    if not unit:
        place = list(header).index(name)
        bare, unit = split_name(name, units[place] if place < len(units) else "")
        own = "" if unit else _own_unit(channel, words_in(bare))
        unit, how = unit or own, UnitFrom.TRADE if own and own not in words_in(bare) else how
    if not unit and CHANNELS[channel].unit is not None:
        unit, how = CHANNELS[channel].unit or "", UnitFrom.TRADE
    for of_kind in ([kind] if kind else LOADS) if channel == "load" else [""]:
        scale = scale_of(channel, unit, of_kind) if unit or CHANNELS[channel].unit is not None else None
        if scale is not None:
            return Column(name, unit, scale, kind=of_kind, unit_from=how)
    shown = (
        ", ".join(load.bounds.show for name, load in LOADS.items() if kind in ("", name))
        if channel == "load"
        else CHANNELS[channel].bounds.show or CHANNELS[channel].bounds.unit
    )
    came = f'"{unit}"' if unit else "no unit"
    raise InputError(f"{key}.unit", came=came, expected=f"a unit of {kind or _spoken(channel)}, e.g. {shown}", fix="write the unit the log is in")


def _check_required(found: Mapping[str, Column], header: Sequence[str], left: Sequence[LogNote], *, no_time: bool) -> None:
    for channel, (example, unit) in _EXAMPLES.items():
        if channel in found or (no_time and channel == "time"):
            continue
        alike = [note for note in left if note.channel == channel and note.what is not LogDoubt.FITS_TOO]
        reasons = [f'"{n.column}", which ' + (f'names "{n.unit}", no unit of {channel}' if n.unit else "names no unit") for n in alike]
        came = "; ".join(reasons) or "columns " + ", ".join(f'"{name}"' for name in header if name)
        lines = [line for note in alike for line in map_choices(channel, note.column, note.other or unit)] or [map_line(channel, "...", unit)]
        fix = map_lines(lines[0], *(line if line.startswith("#") else f"# or: {line}" for line in lines[1:]))
        if channel == "time":
            fix += "\n            or, for a log without times, give its rows a second, e.g. --rate 20"
        raise InputError(f"{channel} of the log", came=came, expected=f'a column such as "{example}"', fix=fix)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _spoken(channel: str) -> str:
    return "engine speed" if channel == "speed" else channel.replace("_", " ")


def _toml(path: Path) -> Mapping[str, Any]:
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
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

"""The channels camcalc reads from a log, the plain trade words that name them in English and German, and the units these are written in."""

from __future__ import annotations

import functools
import re
from typing import NamedTuple

from ..tables.axes import LOADS, SPEED, said_once
from ..units import Bounds, factor
from .log_notes import Loss

__all__ = ["CHANNELS", "OTHERS", "Channel", "Name", "bounds_of", "is_unit_row", "named", "other_of", "scale_of", "split_name", "word_set", "words_in"]


class Name(NamedTuple):
    """One way to name a channel: the words it needs, as they are said, and the kind of load they mean. The way with the lower ``rank`` is taken."""

    words: frozenset[str]
    rank: int
    kind: str = ""
    said: str = ""


def word_set(*lines: str) -> frozenset[str]:
    """Return the words of some lines as they stand, blanks between them."""
    return frozenset(" ".join(lines).split())


class Channel(NamedTuple):
    """A channel of a log.

    ``bounds`` are the unit kept and the range allowed; ``names`` what names it, groups of equally good names by rank; ``beside`` the words that may
    stand with them; ``loss`` what cannot be told without it; ``unit`` the unit where none is written, if the trade has one only; ``held`` whether
    its last value holds until the next, ``age`` [s] how old a value may become; ``trade`` the units it may be in.
    """

    bounds: Bounds
    names: tuple[tuple[str, ...], ...] = ()
    loss: Loss | None = None
    beside: frozenset[str] = frozenset()
    unit: str | None = None
    held: bool = False
    age: float = 2.0
    trade: tuple[str, ...] = ()


# A column is known by its words, in any order; a word that is neither of the name nor among those allowed beside it makes it something else.
# The trade's own words; common practice, no source. Ranges catch a wrong unit or a broken sensor, wide on purpose: ESTIMATE. So are the ages.
CHANNELS = {
    "time": Channel(
        Bounds("s"),
        (("time", "t", "elapsed", "zeit", "uhrzeit", "clock", "date time", "timestamp", "time stamp", "zeitstempel", "datum zeit", "datum uhrzeit"),),
        beside=word_set("elapsed log time stamp since start zeit of day run seconds sekunden mess messzeit"),
        trade=("s", "ms", "us"),
    ),
    "speed": Channel(
        SPEED,
        (("engine speed", "engine rpm", "engine revs", "motor drehzahl", "crank speed"), ("rpm", "revs", "drehzahl", "revolutions"), ("speed", "n")),
        beside=word_set("engine crank shaft motor kurbel welle rpm revs speed n per minute pro"),
        age=5.0,
        trade=("rpm", "crank_rps"),
    ),
    "spark": Channel(
        Bounds("crank_deg", -40.0, 80.0),
        (
            ("final spark", "final ignition", "final timing", "final advance", "total spark", "total ignition", "total timing", "total advance"),
            ("spark", "ignition", "advance", "timing", "zuend winkel", "zuend zeitpunkt", "zuendung", "frueh zuendung"),
        ),
        Loss.CAUSE,
        word_set("spark ignition advance angle timing degrees before tdc btdc winkel zuend zeitpunkt gesamt frueh vor ot"),
        "deg",
        trade=("deg",),
    ),
    "load": Channel(Bounds("", 0.0), (), Loss.LOOKUP),
    "pedal": Channel(
        Bounds("", -0.05, 1.1, "percent"),
        (
            ("pedal", "accelerator", "fahr pedal", "gas pedal"),
            ("throttle", "tps", "drossel klappe", "drossel"),
        ),
        Loss.TIP_INS,
        word_set("accelerator position pedal throttle tps opening stellung winkel klappe gas fahr drossel angle absolute absolut"),
        age=10.0,
        trade=("percent", "1"),
    ),
    "road_speed": Channel(
        Bounds("m/s", -1.0, 120.0, "km/h"),
        (
            ("road speed", "vehicle speed", "car speed", "vss", "fahrzeug geschwindigkeit", "fahr geschwindigkeit"),
            ("wheel speed", "rad geschwindigkeit", "geschwindigkeit", "speed"),
        ),
        Loss.ROAD_SPEED,
        word_set("vehicle road car wheel speed vss fahrzeug geschwindigkeit driven"),
        age=2.0,
        trade=("km/h", "mph", "m/s"),
    ),
    "acceleration": Channel(
        Bounds("m/s**2", -30.0, 30.0),
        (("acceleration", "beschleunigung"),),
        Loss.HARSHNESS,
        word_set("longitudinal fore aft and laengs car vehicle g"),
        trade=("g", "m/s2"),
    ),
    "gear": Channel(
        Bounds("", -1.0, 20.0), (("gear", "gang"),), Loss.GEAR_CHANGES, word_set("engaged selected position number stufe eingelegt"), "", True, 120.0
    ),
    "clutch": Channel(Bounds("", 0.0, 1.0), (("clutch", "kupplung"),), None, word_set("pedal switch schalter pressed state status"), "", True, 120.0),
    "fuel_cut": Channel(
        Bounds("", 0.0, 1.0),
        (("fuel cut", "schub abschaltung", "overrun cut", "fuel cutoff"),),
        Loss.FUEL_CUT,
        word_set("overrun active aktiv state status deceleration off fuel"),
        "",
        True,
        120.0,
    ),
    "knock_retard": Channel(
        Bounds("crank_deg", -40.0, 40.0),
        (("knock retard", "knock correction", "klopf regelung", "klopf rueck nahme", "klopf verstellung", "klopf spaet verstellung"),),
        Loss.KNOCK_RETARD,
        word_set("spark ignition timing for from retard total winkel zuend durch degrees"),
        "deg",
        trade=("deg",),
        age=2.0,
    ),
    # A knock sensor's own level in volts, decibels, counts or no unit: kept as it is logged, since it is compared with itself only.
    "knock_level": Channel(
        Bounds(""),
        (("knock level", "knock sensor", "knock noise", "knock signal", "knock", "klopf pegel", "klopf signal", "klopf sensor"),),
        None,
        word_set("level sensor noise signal intensity pegel"),
        "",
    ),
    "lambda": Channel(
        Bounds("", 0.3, 5.0),
        (("lambda", "relative air fuel ratio", "luft verhaeltnis"), ("afr", "air fuel ratio", "air fuel")),
        None,
        word_set("measured wideband bank gemessen wert relative air fuel ratio afr"),
        "",
        trade=("1", "afr"),
    ),
}
_MAP, _CHARGE, _RELATIVE = LOADS
# Names of each kind of load, as for a table's axis, with the trade's short ones.
_LOAD_NAMES = {
    _MAP: (
        (("manifold pressure", "map", "intake pressure", "saugrohr druck", "ansaug druck"), ("absolute pressure", "pressure"), ("load", "last")),
        word_set("manifold intake absolute pressure map druck absolut inlet plenum"),
    ),
    _CHARGE: (
        (("air charge", "air mass", "luft masse", "luft fuellung"), ("air", "charge", "fuellung"), ("load", "last")),
        word_set("fresh intake trapped air charge mass per cylinder cycle stroke and luft masse zylinder hub pro"),
    ),
    _RELATIVE: (
        (("relative charge", "relative load", "relative air", "relative fuellung", "relative last"), ("charge", "fuellung"), ("load", "last")),
        word_set("air charge cylinder engine relative motor"),
    ),
}
# Read but of no use to camcalc: named in the list of what was not used.
OTHERS = {
    "coolant temperature": (
        "coolant temperature",
        "water temperature",
        "coolant temp",
        "water temp",
        "ect",
        "motor temperatur",
        "kuehlmittel temperatur",
        "kuehl wasser temperatur",
    ),
    "air temperature": ("air temperature", "intake temperature", "air temp", "intake temp", "iat", "luft temperatur", "ansaug luft temperatur"),
    "idle control": ("idle control", "idle valve", "idle air", "leerlauf regler", "leerlauf regelung", "leerlauf steller"),
    "base spark": ("base spark", "base timing", "base ignition", "base advance", "grund zuend winkel", "basis zuend winkel"),
    "pressure against the barometer": ("gauge pressure", "map gauge", "manifold vacuum", "intake vacuum", "boost vacuum", "boost", "vacuum"),
    "battery voltage": ("battery voltage", "battery", "batterie spannung", "bordnetz spannung"),
}


# Words that change nothing in any name.
_NEUTRAL = word_set("actual current measured sensor signal value filtered the of ecu channel", "ist aktuell aktuelle aktueller wert istwert gemessen kanal")
# Compound words and words run together are parted at these; nothing else is parted.
_STEMS = word_set(
    "motor drehzahl saugrohr ansaug druck drossel klappe fahr pedal gas fahrzeug geschwindigkeit rad zuend zuendung zeitpunkt winkel klopf regelung",
    "regler rueck nahme verstellung spaet frueh pegel schub abschaltung leerlauf steller luft masse fuellung kuehl kuehlmittel wasser temperatur",
    "stellung gang stufe kupplung schalter verhaeltnis laengs beschleunigung kurbel welle bordnetz batterie spannung zeit stempel mess grund basis gesamt",
    "engine speed throttle position road vehicle wheel manifold pressure knock retard fuel cut air charge mass spark advance ignition timing angle",
    "coolant water intake temperature clutch gear switch time stamp date lambda acceleration",
)
_COMPOUND = re.compile("|".join(sorted(_STEMS, key=lambda stem: (-len(stem), stem))))
_WHOLE = re.compile(f"(?:(?:{_COMPOUND.pattern})(?:s|n|en)?)+")
_UMLAUTS = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "λ": " lambda "})
# Where a word begins without a blank: a capital after a small letter, a number after a letter.
_NEW_WORD = re.compile(r"(?<=[a-zß-ÿ])(?=[A-ZÀ-Ý])|(?<=[^\W\d_])(?=\d)")
_BRACKETS = re.compile(r"[\[({<]\s*([^\[\](){}<>]*?)\s*[\])}>]")
# What one writes for a unit, small and without blanks, dots or marks of degree written out, and what it is here.
_ANGLE = word_set(
    "deg degree degrees ° °ca °kw kw ca degca degbtdc °btdc btdc degcrank crankdeg crank_deg degbeforetdc",
    "grad gradkw gradvot °vot vot °kwvot kwvot kurbelwinkel",
)
_UNITS: dict[str, dict[str, str]] = {
    "time": {"sec": "s", "secs": "s", "seconds": "s", "second": "s", "sek": "s", "sekunden": "s", "msec": "ms", "millis": "ms", "milliseconds": "ms",
             "µs": "us", "μs": "us", "usec": "us", "microseconds": "us", "mikrosekunden": "us", "millisekunden": "ms", "minutes": "min"},
    "speed": {"rev/s": "crank_rps", "revs/s": "crank_rps", "1/s": "crank_rps", "u/s": "crank_rps", "hz": "crank_rps"}
    | dict.fromkeys(("rpm", "r/min", "1/min", "/min", "u/min", "rev/min", "revs/min", "min-1", "min^-1", "min**-1", "upm", "min⁻¹", "revs"), "rpm"),
    "spark": dict.fromkeys(_ANGLE, "crank_deg"),
    "knock_retard": dict.fromkeys(_ANGLE, "crank_deg"),
    "knock_level": dict.fromkeys(("v", "volt", "volts", "mv", "db", "count", "counts", "%", "percent", "pct"), ""),
    "acceleration": {"g": "g_0", "m/s2": "m/s**2", "m/s^2": "m/s**2", "m/s²": "m/s**2", "m/s/s": "m/s**2"},
    "pedal": {"%": "percent", "pct": "percent", "prozent": "percent"},
    "lambda": {"λ": "", "lambda": ""},
    "road_speed": {"km/h": "kph", "kmh": "kph", "kph": "kph", "kmph": "kph", "mi/h": "mph", "mph": "mph", "miles/h": "mph"},
    "load": {"%": "percent", "pct": "percent", "prozent": "percent", "hpa": "hPa", "mbar": "hPa", "inhg": "inHg", '"hg': "inHg", "pa": "Pa"}
    | dict.fromkeys(("kpa", "kpaa", "kpaabs", "kpaabsolute"), "kPa") | dict.fromkeys(("psi", "psia"), "psi") | dict.fromkeys(("bar", "bara"), "bar")
    | dict.fromkeys(("mg/stk", "mg/hub", "mg/str", "mg/zyl", "mg/stroke"), "mg") | dict.fromkeys(("g/zyl", "g/stroke"), "g"),
}  # fmt: skip
# A lambda written as the air-fuel ratio of petrol: 14.7 is what gauges are scaled by; common practice, no source.
AFR_OF_PETROL = 14.7
# Units known at the end of a name or in a row of units, whatever the channel.
_ANY_UNIT = frozenset(key for table in _UNITS.values() for key in table) | word_set(
    "s ms us min h v mv volt volts ma a ohm % ° c f k °c °f degc degf celsius",
    "g kg mg g/s kg/h mg/s lb/min m/s kph kmh km/h mph kpa bar mbar hpa psi psig psia inhg pa",
    "rpm hz khz db counts count - -- 1 afr lambda λ :1 bool on/off 0/1 n nm l",
    "l/h cc bit steps psi(g) kpa(g) hh:mm:ss hh:mm:ss.ms hh:mm:ss.sss",
)
# Not taken for a unit where they are the last word of a name without brackets: they are words of names themselves.
_NAMES_TOO = word_set("n t a h k c f g 1 - -- revs lambda λ afr rpm u l min s v bit steps count counts bool kw ca grad celsius")
# The number behind a repeated name.
_AGAIN = re.compile(r" #\d+$")
# How a clock is written, behind the name of its column.
_FORM = re.compile(r"[\s_([]+h{1,2}:mm:ss([.,:]\w+)?[\])]?$", re.IGNORECASE)
_LAST = re.compile(r"^(?P<name>.*?\S)[\s_:,;|-]+(?P<unit>[^\s_:,;|]+)$")


def bounds_of(channel: str, kind: str = "") -> Bounds:
    """Return the unit kept of a channel and its range; of load, those of its kind."""
    return LOADS[kind].bounds if channel == "load" else CHANNELS[channel].bounds


def words_in(text: str) -> frozenset[str]:
    """Return the words of a name in small letters, whatever stands between them; compound words in parts.

    >>> sorted(words_in("Motordrehzahl")), sorted(words_in("ThrottlePos_1")), sorted(words_in("Zündwinkel"))
    (['drehzahl', 'motor'], ['1', 'position', 'throttle'], ['winkel', 'zuend'])
    """
    parted = _NEW_WORD.sub(" ", text)
    found: list[str] = []
    for word in re.findall(r"[^\W_]+", parted.lower().translate(_UMLAUTS)):
        found += _COMPOUND.findall(word) if _WHOLE.fullmatch(word) else [_SHORT.get(word, word)]
    return frozenset(found)


# Words written short.
_SHORT = {
    "pos": "position", "temp": "temperature", "veh": "vehicle", "ign": "ignition", "adv": "advance", "accel": "accelerator", "eng": "engine", "abs": "absolute",
    "rel": "relative", "relativ": "relative", "spd": "speed", "press": "pressure", "sw": "switch",
}  # fmt: skip


def _parts_of(words: frozenset[str]) -> frozenset[str]:
    return words_in(" ".join(sorted(words)))


@functools.cache
def _names_of(channel: str) -> tuple[tuple[Name, frozenset[str]], ...]:
    if channel == "load":
        kinds = _LOAD_NAMES.items()
        return tuple((Name(words_in(n), rank, kind, n), _parts_of(beside)) for kind, (ways, beside) in kinds for rank, group in enumerate(ways) for n in group)
    about = CHANNELS[channel]
    return tuple((Name(words_in(name), rank, said=name), _parts_of(about.beside)) for rank, group in enumerate(about.names) for name in group)


def named(channel: str, words: frozenset[str]) -> list[Name]:
    """Return the ways in which words name a channel, the best first; none where a word stands beside that makes it something else.

    >>> [name.rank for name in named("spark", words_in("Ignition advance, final"))][0], named("spark", words_in("base timing"))
    (0, [])
    """
    words = words - _NEUTRAL if words - _NEUTRAL else words
    number = frozenset("1") if channel in ("pedal", "lambda") else frozenset()
    found = [name for name, beside in _names_of(channel) if name.words <= words and words - name.words <= beside | number]
    return sorted(found, key=lambda name: (name.rank, -len(name.words)))


@functools.cache
def _others() -> tuple[tuple[str, frozenset[str]], ...]:
    return tuple((what, words_in(name)) for what, names in OTHERS.items() for name in names)


def other_of(words: frozenset[str]) -> str:
    """Return what a column is that camcalc has no use for, where its words say it; else nothing."""
    return next((what for what, needed in _others() if needed <= words), "")


def split_name(text: str, unit: str = "") -> tuple[str, str]:
    """Return the name of a column without its unit, and the unit: of a row of its own, in brackets, or the last word.

    >>> split_name("Manifold absolute pressure (MAP) [kPa]"), split_name("Throttle %"), split_name("RPM")
    (('Manifold absolute pressure (MAP)', 'kPa'), ('Throttle', '%'), ('RPM', ''))
    """
    text, unit = _FORM.sub("", _AGAIN.sub("", text.strip())), unit.strip().strip("[](){}<>").strip()
    if unit:
        return text, unit
    found = list(_BRACKETS.finditer(text))
    if found and (found[-1].end() == len(text) or _is_unit(found[-1][1])):
        last = found[-1]
        return f"{text[: last.start()].strip()} {text[last.end() :].strip()}".strip(), last[1]
    match = _LAST.match(text)
    if match and _is_unit(match["unit"]) and (match["unit"].lower() not in _NAMES_TOO or (match["unit"] == "s" and named("time", words_in(match["name"])))):
        return match["name"].rstrip(" _:,;|-"), match["unit"]
    return text, ""


def _is_unit(text: str) -> bool:
    return _folded(text) in _ANY_UNIT


def is_unit_row(cells: list[str]) -> bool:
    """Whether the cells of a row are units of measure, most of them."""
    written = [cell.strip().strip("[](){}<>").strip() for cell in cells]
    there = [cell for cell in written if cell]
    return bool(there) and sum(_is_unit(said_once(cell)) for cell in there) >= 0.6 * len(there) and not all(cell.isalpha() and len(cell) > 6 for cell in there)


def scale_of(channel: str, unit: str, kind: str = "") -> float | None:
    """Return the factor from a unit as written to the one kept, or nothing where the unit does not belong to the channel.

    >>> scale_of("speed", "U/min") == 1 / 60, scale_of("spark", "kPa"), scale_of("load", "KPA", "manifold pressure")
    (True, None, 1000.0)
    """
    known = said_once(unit)
    if channel == "lambda" and known.lower().rstrip(":1 ") in ("afr", "") and known not in ("", "1", "-"):
        return 1.0 / AFR_OF_PETROL
    known = _UNITS.get(channel, {}).get(_folded(known), "" if known in ("1", "-", "--", "0/1", "on/off", "bool") else known)
    try:
        return factor(known, bounds_of(channel, kind).unit)
    except ValueError:
        return None


def _folded(text: str) -> str:
    return re.sub(r"[\s.]+", "", text.lower()) if text.lower() not in ("hh:mm:ss.ms", "hh:mm:ss.sss") else text.lower()

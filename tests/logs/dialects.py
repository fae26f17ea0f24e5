"""A drive with known numbers, written as loggers of many kinds would: delimiter, decimal mark, encoding, line end, preamble, units, form of time."""

from __future__ import annotations

import dataclasses
import gzip
import itertools
import math
from collections.abc import Callable

import numpy as np

ROWS = 60
STEP = 0.05
# Channel, its name, its unit as written, decimals, and how its numbers become inner units.
COLUMNS = [
    ("speed", "Engine speed", "rpm", 0, 1.0 / 60.0),
    ("load", "Manifold pressure", "kPa", 2, 1e3),
    ("spark", "Spark advance", "deg", 1, 1.0),
    ("pedal", "Throttle position", "%", 2, 0.01),
    ("road_speed", "Road speed", "km/h", 1, 1.0 / 3.6),
]
OTHERS = [("Battery voltage", "V", 13.8), ("Coolant temperature", "°C", 85.0)]

PREAMBLES: dict[str, list[str]] = {
    "none": [],
    "comments": ["# a drive of a Sunday", "# cold, dry; wind: none", ""],
    "quotes": ['"Notes: "second gear", slow, then fast"', '"one " left open', "", "2031-05-02 10:11:12"],
    "keys": ["Date{d}2031-05-02", "Start{d}10:11:12", "2031-05-02{d}10:11:12", "Driver{d}nobody{d}{d}{d}{d}{d}{d}", ""],
}
UNITS = ("brackets", "row", "last word", "three rows")
TIMES = ("s", "ms", "us", "clock", "clock with comma", "date and clock", "minutes and seconds")
DELIMITERS = [(d, m) for d, m in itertools.product(",;\t|", ".,") if (d, m) != (",", ",")]
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "latin-1")
ENDS = ("\n", "\r\n", "\r")


@dataclasses.dataclass(frozen=True)
class Dialect:
    """How a log is written."""

    delimiter: str = ","
    mark: str = "."
    encoding: str = "utf-8"
    end: str = "\n"
    preamble: str = "none"
    units: str = "brackets"
    time: str = "s"
    packed: bool = False


def truth() -> dict[str, np.ndarray]:
    """The numbers as written, by channel, and the time in seconds: it passes midnight where it is a clock."""
    k = np.arange(ROWS)
    rng = np.random.default_rng(11)
    drawn = {
        "speed": 1300.0 + 150.0 * np.sin(0.3 * k),
        "load": 45.0 + 8.0 * rng.random(ROWS),
        "spark": 24.0 + rng.normal(0.0, 1.0, ROWS),
        "pedal": 15.0 + 2.0 * rng.random(ROWS),
        "road_speed": 20.0 + 0.05 * k,
    }
    decimals = {channel: digits for channel, _, _, digits, _ in COLUMNS}
    return {"time": np.round(STEP * k, 2)} | {channel: np.round(values, decimals[channel]) for channel, values in drawn.items()}


def _clock(seconds: float, mark: str) -> str:
    whole = math.floor(seconds + 1e-9)
    return f"{whole // 3600 % 24:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}{mark}{round((seconds - whole) * 1000):03d}"


START = 86398.5
FORMS: dict[str, tuple[str, str, Callable[[float], str]]] = {
    "s": ("Time", "s", lambda t: f"{t:.2f}"),
    "ms": ("Time", "ms", lambda t: f"{1e3 * t:.0f}"),
    "us": ("Timestamp", "us", lambda t: f"{1e6 * t:.0f}"),
    "clock": ("Time", "hh:mm:ss", lambda t: _clock(START + t, ".")),
    "clock with comma": ("Clock", "", lambda t: _clock(START + t, ",")),
    "date and clock": ("Date time", "", lambda t: ("2031-05-02 " if START + t < 86400.0 - 1e-9 else "2031-05-03 ") + _clock(START + t, ".")),
    "minutes and seconds": ("Time", "", lambda t: _clock(600.0 + t, ".")[3:]),
}


def written(dialect: Dialect) -> bytes:
    """The drive in a dialect."""
    numbers, d = truth(), dialect.delimiter
    name, unit, form = FORMS[dialect.time]
    if dialect.time == "clock with comma" and d == ",":
        clock = form
        form = lambda t: f'"{clock(t)}"'  # noqa: E731
    heads = [(name, unit), *((name, unit) for _, name, unit, _, _ in COLUMNS), *((name, unit) for name, unit, _ in OTHERS)]
    lines = [line.replace("{d}", d) for line in PREAMBLES[dialect.preamble]]
    if dialect.units == "brackets":
        lines.append(d.join(f"{name} [{unit}]" if unit else name for name, unit in heads))
    elif dialect.units == "last word":
        lines.append(d.join(f"{name} {unit}" if unit and unit not in ("s", "V") else f"{name} ({unit})" if unit else name for name, unit in heads))
    else:
        lines += [d.join(["Logger" if k % 2 else "Car" for k in range(len(heads))])] if dialect.units == "three rows" else []
        lines += [d.join(name for name, _ in heads), d.join(unit for _, unit in heads)]
    for k in range(ROWS):
        cells = [f"{numbers[channel][k]:.{digits}f}" for channel, _, _, digits, _ in COLUMNS] + [f"{value:.1f}" for _, _, value in OTHERS]
        time = form(float(numbers["time"][k]))
        lines.append(d.join([time if ":" in time else time.replace(".", dialect.mark), *(cell.replace(".", dialect.mark) for cell in cells)]))
    text = (dialect.end.join(lines) + dialect.end).encode(dialect.encoding)
    return gzip.compress(text) if dialect.packed else text

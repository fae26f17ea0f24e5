"""Reading the text of a build sheet: TOML, with the slips of a first sheet named by line and key."""

from __future__ import annotations

import io
import re
import tomllib
from pathlib import Path
from typing import Any

from ..errors import InputError
from ..files import SHEET_BYTES, read_file
from ..plain_text import HIDDEN
from ..units import without_comma

__all__ = ["read_toml"]

_LINE = re.compile(r"at line (\d+)")
_BARE_FIGURE = re.compile(r"^\s*(?P<key>[\w-]+|\"[^\"]*\")\s*=\s*(?P<value>[+-]?\d[\d.,]*(?:\s*[^\s\"'#][^\"'#]*?)?)\s*(?:#.*)?$")
# What cannot be seen, and what parts lines.
_CONTROL = re.compile(rf"[\t\n]|{HIDDEN.pattern}")
# More than any sheet has: keys, characters of a key or a text, tables inside tables. ESTIMATE, tenfold what the longest example has and more.
MOST_KEYS, LONGEST_TEXT, DEEPEST = 3000, 1000, 12
# A dotted key of more parts than that; looked for before the text is read, since reading it takes the square of their number.
_DEEP_KEY = re.compile(rf"""(?<![\w"'-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){{{DEEPEST}}}""")
_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)*$")


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file, or raise with line and reason."""
    file = str(path)
    try:
        # As a text file is read: every kind of line end is one.
        text = io.TextIOWrapper(io.BytesIO(read_file(path, SHEET_BYTES)), encoding="utf-8-sig").read()
    except (FileNotFoundError, NotADirectoryError):
        fix = "check the path; camcalc new FILE writes a sheet to fill in"
        raise InputError("the file", came="no such file", expected="a build sheet in TOML", fix=fix, file=file) from None
    except InputError as error:
        raise error.in_file(file) from None
    except UnicodeDecodeError:
        came = "bytes that are not UTF-8 text"
        raise InputError("the file", came=came, expected="a build sheet in TOML", fix="save it as UTF-8 text", file=file) from None
    except OSError as error:
        raise InputError("the file", came=str(error.strerror), expected="a readable build sheet in TOML", file=file) from None
    if text.count("=") > MOST_KEYS:
        raise InputError("the file", came=f"more than {MOST_KEYS} keys", expected="a build sheet of a few kilobytes", file=file)
    if _DEEP_KEY.search(text):
        raise InputError("TOML syntax", came="nesting without end", expected="a build sheet", file=file)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_error(text, str(error)).in_file(file) from None
    except ValueError as error:  # a whole number of thousands of digits
        raise InputError("TOML syntax", came=str(error), expected="numbers of a build sheet", file=file) from None
    except RecursionError:
        raise InputError("TOML syntax", came="nesting without end", expected="a build sheet", file=file) from None
    _refuse_odd_text(data, file)
    return data


def _refuse_odd_text(data: Any, file: str, key: str = "", depth: int = 0) -> None:
    """Refuse text that would move a terminal's cursor, or turn its writing round: a caution must not be wiped off the screen. And what is endless."""
    if depth > DEEPEST:
        raise InputError("TOML syntax", came="nesting without end", expected="a build sheet", file=file)
    if isinstance(data, dict):
        for name, value in data.items():
            _refuse_odd_text(name, file, key, depth)
            _refuse_odd_text(value, file, f"{key}.{name}".lstrip("."), depth + 1)
    elif isinstance(data, list):
        for value in data:
            _refuse_odd_text(value, file, key, depth + 1)
    elif isinstance(data, str) and len(data) > LONGEST_TEXT:
        raise InputError(key, came=f"{len(data)} characters", expected=f"at most {LONGEST_TEXT}", fix="shorten it", file=file)
    elif isinstance(data, str) and _CONTROL.search(data):
        raise InputError(key, came=repr(data), expected="plain text on one line", fix="take out what cannot be seen", file=file)


def _syntax_error(text: str, reason: str) -> InputError:
    """Name the line and, where a figure stands without quotes, what to type."""
    found = _LINE.search(reason)
    lines = text.splitlines()
    number = int(found[1]) if found else 0
    line = lines[number - 1] if 0 < number <= len(lines) else ""
    figure = _BARE_FIGURE.match(line)
    if figure:
        value, comma = figure["value"].strip(), "," in figure["value"]
        tried = without_comma(value) if comma else [value]
        meant = " or ".join(f"{figure['key']} = {v if _NUMBER.match(v) else _quoted(v)}" for v in tried)
        expected = "a decimal point" if comma else "a quantity in quotes"
        return InputError("TOML syntax", came=f"line {number}: {line.strip()}", expected=expected, fix=f"write {meant or 'it with one decimal point'}")
    expected = 'key = "value" lines under [section] headings'
    came = f"line {number}: {line.strip()} ({reason})" if line.strip() else reason
    return InputError("TOML syntax", came=came, expected=expected, fix="correct that line; write quantities in quotes")


def _quoted(value: str) -> str:
    return f'"{value}"'

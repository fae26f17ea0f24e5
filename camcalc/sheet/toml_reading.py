"""Reading the text of a build sheet: TOML, with the slips of a first sheet named by line and key."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from ..errors import InputError
from ..units import without_comma

__all__ = ["read_toml"]

LONGEST_FILE = 1_000_000
_LINE = re.compile(r"at line (\d+)")
_BARE_FIGURE = re.compile(r"^\s*(?P<key>[\w-]+|\"[^\"]*\")\s*=\s*(?P<value>[+-]?\d[\d.,]*(?:\s*[^\s\"'#][^\"'#]*?)?)\s*(?:#.*)?$")
# Control characters, and those that turn the direction of writing round.
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]")
_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d+)*$")


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file, or raise with line and reason."""
    file = str(path)
    try:
        if path.stat().st_size > LONGEST_FILE:
            raise InputError("the file", came=f"{path.stat().st_size} bytes", expected="a build sheet of a few kilobytes", file=file)
        text = path.read_text(encoding="utf-8-sig")
    except (FileNotFoundError, NotADirectoryError):
        fix = "check the path; camcalc new FILE writes a sheet to fill in"
        raise InputError("the file", came="no such file", expected="a build sheet in TOML", fix=fix, file=file) from None
    except UnicodeDecodeError:
        came = "bytes that are not UTF-8 text"
        raise InputError("the file", came=came, expected="a build sheet in TOML", fix="save it as UTF-8 text", file=file) from None
    except OSError as error:
        raise InputError("the file", came=str(error.strerror), expected="a readable build sheet in TOML", file=file) from None
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_error(text, str(error)).in_file(file) from None
    except ValueError as error:  # a whole number of thousands of digits
        raise InputError("TOML syntax", came=str(error), expected="numbers of a build sheet", file=file) from None
    except RecursionError:
        raise InputError("TOML syntax", came="nesting without end", expected="a build sheet", file=file) from None
    _refuse_control_characters(data, file)
    return data


def _refuse_control_characters(data: Any, file: str, key: str = "") -> None:
    """Refuse text that would move a terminal's cursor, or turn its writing round: a caution must not be wiped off the screen."""
    if isinstance(data, dict):
        for name, value in data.items():
            _refuse_control_characters(name, file, key)
            _refuse_control_characters(value, file, f"{key}.{name}".lstrip("."))
    elif isinstance(data, list):
        for value in data:
            _refuse_control_characters(value, file, key)
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

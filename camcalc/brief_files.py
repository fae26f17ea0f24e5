"""A brief kept as JSON: written whole, read back with every figure, drawn again to the same page."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

from .brief import Brief, BriefFormat
from .errors import InputError
from .files import BRIEF_BYTES, read_file
from .sheet.saving import write_atomically

__all__ = ["as_saved", "brief_text", "digest_of", "load_brief", "read_brief", "save_brief"]

WRITE_ONE = "camcalc brief BUILD --json > brief.json"


def brief_text(brief: Brief) -> str:
    """Return a brief as JSON text; each quantity with its unit, its band and its mark where it has them.

    ``format`` carries a digest of all the rest, so that a figure changed by hand or by accident is noticed when the file is read.
    """
    data = brief.to_dict()
    data["format"] = {**data["format"], "digest": digest_of(data)}
    return json.dumps(data, indent=1, allow_nan=False) + "\n"


def digest_of(data: dict[str, Any]) -> str:
    """Return the digest (SHA-256) of a brief's data, its format apart."""
    rest = {key: value for key, value in data.items() if key != "format"}
    return hashlib.sha256(json.dumps(rest, sort_keys=True).encode()).hexdigest()


def save_brief(brief: Brief, path: str | Path) -> Path:
    """Write a brief as JSON; nothing half written."""
    return write_atomically(Path(path), brief_text(brief))


def load_brief(path: str | Path) -> Brief:
    """Read a brief that was kept as JSON.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Brief
        Pages, tables and printed text made from it are the same, byte for byte, as those of the brief that was kept.

    Raises
    ------
    InputError
        If the file is not there, was cut short, holds something else, or a brief of another version.
    """
    path = Path(path)
    try:
        text = read_file(path, BRIEF_BYTES).decode("utf-8-sig")
    except InputError as error:
        raise error.in_file(str(path)) from None
    except (OSError, UnicodeDecodeError) as error:
        came = getattr(error, "strerror", None) or "not UTF-8 text"
        raise InputError(str(path), came=came, expected="a brief kept as JSON", fix=f"write one: {WRITE_ONE}") from None
    return read_brief(text, str(path))


def read_brief(text: str, where: str = "the brief") -> Brief:
    """Read a brief from JSON text, as ``load_brief`` does from a file."""
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        came = f"no JSON, or not all of it ({error})"
        raise InputError(where, came=came, expected="a whole brief kept as JSON", fix=f"write it again: {WRITE_ONE}") from None
    _refuse_other_formats(data, where)
    try:
        return Brief.from_dict(data)
    except InputError as error:
        raise InputError(f"{where}: {error.key}", came=error.came, expected=error.expected, fix=error.fix) from None
    except (KeyError, TypeError, ValueError, IndexError, AttributeError, OverflowError, RecursionError) as error:
        came = f"a part that is missing or changed ({error})"
        raise InputError(where, came=came, expected="a brief as camcalc wrote it", fix=f"write it again: {WRITE_ONE}") from None


def as_saved(brief: Brief) -> Brief:
    """Return a brief as it comes back from a file: what is drawn from either is the same to the last digit.

    A unit turned there and back may miss by the last digit of a float, which could round a printed figure the other way.
    """
    return Brief.from_dict(brief.to_dict())


def _refuse_other_formats(data: Any, where: str) -> None:
    own, found = BriefFormat(), data.get("format") if isinstance(data, dict) else None
    if not isinstance(found, dict) or found.get("name") != own.name:
        raise InputError(where, came="JSON of another kind", expected=f'"format": {{"name": "{own.name}", ...}}', fix=f"write a brief: {WRITE_ONE}")
    if type(found.get("version")) is not int or found["version"] != own.version:
        came = f"a brief of version {found.get('version')!r}"
        raise InputError(where, came=came, expected=f"version {own.version}, as this camcalc writes it", fix=f"make the brief again: {WRITE_ONE}")
    if found.get("digest") != digest_of(data):
        came = "figures that are not those that camcalc wrote"
        raise InputError(where, came=came, expected="a brief as camcalc wrote it, by the digest it carries", fix=f"write it again: {WRITE_ONE}")

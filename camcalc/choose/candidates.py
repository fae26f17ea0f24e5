"""A list of cards as a CSV file: a row a card, columns named as the keys of a card with the unit behind; what cannot be a cam is left out with its reason."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, cast

from ..cam.card import CamCard
from ..errors import InputError, InputErrors, did_you_mean
from ..files import TABLE_BYTES, read_file
from ..sheet.card_keys import CARD, LOBE
from ..sheet.card_reading import read_card
from ..sheet.section_reading import Problems

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["CandidateCards", "LeftOut", "read_cards"]

LOBES = ("intake", "exhaust")
BY_HEIGHT = ("duration", "opens", "closes")
# What a row need not repeat: as on the sheet's own card.
AS_THE_SHEET = ("tappet", "measured_at", "rocker_ratio")
LOBE_AS_THE_SHEET = ("lash", "lash_state", "lash_growth", "rocker_ratio")
NOT_IN_A_ROW = ("lift_table", "overlap", "intake", "exhaust")
HEAD = re.compile(r"\s*(?P<words>[^\[\]]+?)\s*(?:\[(?P<unit>[^\[\]]*)\])?\s*")
HEIGHT = re.compile(r"(?P<key>\w+)\s+(?:at\s+)?(?P<height>[0-9.]+\s*\w+)")
EXAMPLE = "name, lobe_separation [cam_deg], advance [crank_deg], intake valve_lift [inch], intake duration at 0.050 inch [crank_deg]"


class LeftOut(NamedTuple):
    """A card that is left out: the line of the file that its row begins on, its name, and the reasons.

    A reason is the key, what came, what was expected and the fix.
    """

    row: int
    name: str
    reasons: tuple[tuple[str, str, str, str], ...]


class CandidateCards(NamedTuple):
    """The cards of a list, each with the line of the file that its row begins on, and those that no cam can be."""

    cards: tuple[CamCard, ...]
    rows: tuple[int, ...]
    left_out: tuple[LeftOut, ...]


class _Column(NamedTuple):
    """Where a column goes in a card: the keys from the outside in, and the unit behind every figure in it."""

    path: tuple[str, ...]
    unit: str


def read_cards(path: str | Path, build: Build) -> CandidateCards:
    """Read a list of cards.

    Parameters
    ----------
    path : str or Path
        CSV with a header: ``name`` and the keys of a cam card, each with its unit in square brackets. Figures of a lobe begin with ``intake`` or
        ``exhaust``, durations and events name their height: ``intake duration at 0.050 inch [crank_deg]``.
    build : Build
        The sheet whose card says the tappets, rocker ratio and lash where a row does not.

    Returns
    -------
    CandidateCards
        Cards that contradict themselves, or that no lobe can have, are among ``left_out`` with their reasons.

    Raises
    ------
    InputError, InputErrors
        If the file is no such list, a column has no place in a card, two cards have one name, or no card is left.

    Examples
    --------
    >>> from camcalc import load_build
    >>> found = read_cards("examples/quarry-road/cards.csv", load_build("examples/quarry-road/build.toml"))
    >>> len(found.cards) > 8, [one.name for one in found.left_out]
    (True, ['QC too square (invented)'])
    """
    path = Path(path)
    (_, head), *rows = _rows(path)
    columns = _columns(head, str(path))
    common = build.card_text.get("cam", {})
    cards: list[CamCard] = []
    numbers: list[int] = []
    left: list[LeftOut] = []
    names: dict[str, int] = {}
    for number, row in rows:
        if len(row) > len(columns):
            raise InputError(f"row {number}", came=f"{len(row)} cells", expected=f"{len(columns)}, as the header has", file=str(path))
        data = _card_data(row, columns, common)
        name = str(data.setdefault("name", f"row {number}"))
        if name in names:
            fix = "give each card a name of its own"
            raise InputError(f"row {number}, name", came=f"{name}, as in row {names[name]}", expected="another name", fix=fix, file=str(path))
        names[name] = number
        problems = Problems()
        card = read_card("cam", data, problems, [], path)
        if card is None:
            left.append(LeftOut(number, name, tuple((_key(p.key), p.came, p.expected, p.fix) for p in problems.found)))
        else:
            cards.append(card)
            numbers.append(number)
    if not cards:
        if not left:
            raise InputError("the list of cards", came="a header alone", expected="a row for each card", file=str(path))
        raise InputErrors([InputError(f"row {one.row} {r[0]}", came=r[1], expected=r[2], fix=r[3], file=str(path)) for one in left for r in one.reasons])
    return CandidateCards(tuple(cards), tuple(numbers), tuple(left))


def _rows(path: Path) -> list[tuple[int, list[str]]]:
    """Return the header and the rows, each with the line of the file that it begins on; comments, empty rows and empty cells at the end are left out."""
    try:
        text = read_file(path, TABLE_BYTES).decode("utf-8-sig")
    except (OSError, UnicodeDecodeError):
        raise InputError("--candidates", came=f"{path}: not readable", expected="a CSV file in UTF-8") from None
    # A comment keeps its line, so that lines are counted as an editor counts them; what is in it is no CSV.
    lines = ["\n" if line.lstrip().startswith("#") else line for line in io.StringIO(text, newline=None)]
    head = next((line for line in lines if line.strip()), "")
    delimiter = max(",;\t", key=head.count)
    reader = csv.reader(lines, delimiter=delimiter)
    found, begins = [], 1
    try:
        for row in reader:
            while row and not row[-1].strip():
                del row[-1]
            if row and not row[0].lstrip().startswith("#"):
                found.append((begins, row))
            begins = reader.line_num + 1
    except csv.Error as error:
        raise InputError("the list of cards", came=str(error), expected="CSV", file=str(path)) from None
    if not found:
        raise InputError("the list of cards", came="an empty file", expected=f"a header like: {EXAMPLE}", file=str(path))
    return found


def _columns(head: list[str], file: str) -> list[_Column]:
    found, problems = [], []
    for cell in head:
        try:
            found.append(_column(cell))
        except InputError as error:
            problems.append(error.in_file(file))
    paths = [one.path for one in found]
    problems += [InputError(f"column {' '.join(p)}", came="twice", expected="once", file=file) for p in dict.fromkeys(paths) if paths.count(p) > 1]
    if problems:
        raise problems[0] if len(problems) == 1 else InputErrors(problems)
    return found


def _column(cell: str) -> _Column:
    match = HEAD.fullmatch(cell)
    if match is None:
        raise InputError(f'column "{cell}"', came="no name", expected=f"a header like: {EXAMPLE}")
    words, unit = match["words"], (match["unit"] or "").strip()
    lobe, _, rest = words.partition(" ")
    if lobe in LOBES and rest:
        at = HEIGHT.fullmatch(rest.strip())
        if at is not None and at["key"] in BY_HEIGHT:
            return _Column((lobe, at["key"], at["height"]), unit)
        key, known = rest.strip().replace(" ", "_"), [k for k in LOBE if k not in BY_HEIGHT and k not in NOT_IN_A_ROW]
        if key in BY_HEIGHT:
            fix = f"write {lobe} {key} at 0.050 inch [crank_deg]"
            raise InputError(f'column "{cell}"', came="no checking height", expected="the height that it is checked at", fix=fix)
        declared: Any = LOBE.get(key)
        path: tuple[str, ...] = (lobe, key)
    else:
        key, known = words.replace(" ", "_"), [k for k in CARD if k not in NOT_IN_A_ROW]
        declared = CARD.get(key)
        path = (key,)
    if key not in known:
        raise InputError(f'column "{cell}"', came="an unknown column", expected=f"a header like: {EXAMPLE}", fix=did_you_mean(key, known))
    if declared is not None and declared.bounds is not None and not unit:
        shown = declared.bounds.show or declared.bounds.unit
        raise InputError(f'column "{cell}"', came="no unit", expected="the unit in square brackets", fix=f"write {words} [{shown}]")
    return _Column(path, unit)


def _card_data(row: list[str], columns: list[_Column], common: Mapping[str, Any]) -> dict[str, Any]:
    """Return a row as the mapping that a cam's section is; what it leaves blank is as on the sheet's own card where that may be."""
    data: dict[str, Any] = {key: common[key] for key in AS_THE_SHEET if key in common}
    for lobe in LOBES:
        own = common.get(lobe, {})
        data[lobe] = {key: own[key] for key in LOBE_AS_THE_SHEET if key in own}
    for cell, column in zip(row, columns, strict=False):
        text = cell.strip()
        if not text:
            continue
        place = data
        for name in column.path[:-1]:
            place = cast("dict[str, Any]", place.setdefault(name, {}))
        place[column.path[-1]] = f"{text} {column.unit}".strip() if column.unit else _plain(text, column.path[-1])
    return data


def _plain(text: str, key: str) -> Any:
    """Return a cell without unit: a number where a ratio belongs, else text."""
    if key == "rocker_ratio":
        try:
            return float(text)
        except ValueError:
            return text
    return text


def _key(key: str) -> str:
    """Return an error's key without the section that a row is not."""
    return key.replace("[cam] ", "").replace("[cam.", "[").strip()

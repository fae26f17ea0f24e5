"""What a section of a brief is made of: cautions, lines, tables by their place in the data, plots. Terminal, page and files are made from the same."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple, TypeAlias

__all__ = ["AtLoad", "Block", "Cautions", "Column", "Figure", "Fold", "Grid", "Heading", "Lines", "Records", "Row", "Series", "Texts"]


class Column(NamedTuple):
    """A column of records.

    ``field`` is where in a row's data its figure is, by keys one inside the other. ``head`` names it, with its zero where it is an angle; the
    unit follows from the data and the user's units. ``digits`` are decimals, -1 tens. ``names`` are short names of codes, by code.
    ``texts`` are the words of each row where they are no part of the data. Not ``screen``: on the page and in files alone.
    """

    field: str
    head: str
    digits: int = 0
    short: str = ""
    screen: bool = True
    words: bool = False
    length: bool = False
    edge: str = "value"
    infinite: str = ""
    names: Mapping[str, str] = {}
    texts: tuple[str, ...] = ()


class Row(NamedTuple):
    """A quantity along a series: its head, its place in the data, its decimals."""

    head: str
    path: str
    digits: int = 0


class Cautions(NamedTuple):
    """Cautions, before the figures that they are about."""

    lines: tuple[str, ...]


class Lines(NamedTuple):
    """Words, a line each; ``listed`` as a list."""

    lines: tuple[str, ...]
    listed: bool = False


class Heading(NamedTuple):
    """A heading inside a section."""

    text: str


class Records(NamedTuple):
    """A row for each record, by where each is in the data; ``file`` is what the table is called as a file, ``care`` what goes beside it there."""

    caption: str
    paths: tuple[str, ...]
    columns: tuple[Column, ...]
    file: str = ""
    care: tuple[str, ...] = ()


class Series(NamedTuple):
    """Several quantities over one series, a row each, ``over`` the row of heads."""

    caption: str
    over: Row
    rows: tuple[Row, ...]
    file: str = ""
    care: tuple[str, ...] = ()


class Grid(NamedTuple):
    """One quantity over speed and manifold pressure, highest load first.

    ``part`` is where in the data its axes are, ``name`` the quantity. ``dressed`` are classes of cells by row and column. ``rows`` and ``columns``
    choose a part of the grid. ``spark``: sparks, whose marked cells go into a file of their own; ``typed``: as a spark table is typed.
    """

    caption: str
    part: str
    name: str
    digits: int = 0
    file: str = ""
    spark: bool = False
    typed: bool = False
    dressed: Mapping[tuple[int, int], str] = {}
    rows: tuple[int, ...] = ()
    columns: tuple[int, ...] = ()


class AtLoad(NamedTuple):
    """Several quantities of a grid at one load, a row for each speed; ``words`` is the head and the texts of a last column."""

    caption: str
    part: str
    row: int
    columns: tuple[Row, ...]
    words: tuple[str, tuple[str, ...]]


class Texts(NamedTuple):
    """A table of words."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


class Figure(NamedTuple):
    """A plot by its name; a terminal has none."""

    name: str


class Fold(NamedTuple):
    """Blocks that the page folds away under a title."""

    title: str
    blocks: tuple[Block, ...]


Block: TypeAlias = "Cautions | Lines | Heading | Records | Series | Grid | AtLoad | Texts | Figure | Fold"

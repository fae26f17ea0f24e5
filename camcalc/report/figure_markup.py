"""Numbers of the JSON data as markup: each carries the place it comes from, so that page and data can be compared."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .blocks import Column
from .data_figures import LENGTH_DIGITS, Figures, words

if TYPE_CHECKING:
    from markupsafe import Markup

__all__ = ["Printed"]


class Printed(Figures):
    """Print numbers of the JSON data as markup.

    Notes
    -----
    Every element carries ``data-field`` (where in the data), ``data-unit`` (the unit it is shown in), ``data-digits`` where it is rounded to
    tens and, for an edge of a band, ``data-edge``. A cell holds a bare number, its unit stands in the head: copied into a spreadsheet it stays
    a number. A figure that is marked is text, with its mark in it, and stays so when it is copied.

    Examples
    --------
    >>> printed = Printed({"speed": {"value": 14.0, "unit": "km/h"}})
    >>> str(printed.cell("speed", 1, "mph"))
    '<td data-field="speed" data-unit="mph">8.7</td>'
    """

    def cell(self, path: str, digits: int | None = 0, unit: str = "", *, tag: str = "td", mark: str = "", edge: str = "value", infinite: str = "") -> Markup:
        """Return a number as a table cell, or as the head of a row or column (``tag`` "row" or "col").

        Parameters
        ----------
        path : str
            Where in the data the figure is.
        digits : int
            After the point, below 0 before it; as many as the figure carries when left out.
        unit : str
            To be shown in; the data's own when empty.
        tag : str
            "td", or "row" and "col" for a head.
        mark : str
            Class of the cell.
        edge : str
            "value", or an edge of the band: "low", "high".
        infinite : str
            What is written for a figure without end.
        """
        opened = {"row": 'th scope="row"', "col": 'th scope="col"'}.get(tag, tag)
        more = (f' class="{mark}"' if mark else "") + (f' data-edge="{edge}"' if edge != "value" else "")
        more += f' data-digits="{digits}"' if digits is not None and digits < 0 else ""
        return self._element(opened, path, self.marked_number(path, digits, unit, infinite=infinite, edge=edge), unit, more)

    def column_cell(self, path: str, column: Column, row: int, *, first: bool) -> Markup:
        """Return the cell of a column in a row whose record is at a path.

        Parameters
        ----------
        path : str
            Where in the data the row's record is.
        column : Column
        row : int
            Counted from 0.
        first : bool
            Whether it is the head of its row.
        """
        from markupsafe import Markup

        tag = "row" if first else "td"
        whole = f"{path}/{column.field}" if column.field else path
        if column.texts or column.words:
            text = column.texts[row] if column.texts else self.meaning(whole, column.names)
            opened, closed = ('th scope="row"', "th") if first else ("td", "td")
            return Markup(f'<{opened} class="text">{{}}</{closed}>').format(text)
        if column.length:
            return self._length_cell(whole, tag)
        return self.cell(whole, column.digits, tag=tag, edge=column.edge, infinite=column.infinite)

    def head(self, column: Column, path: str) -> str:
        """Return the head of a column with the unit of its figures."""
        if column.texts or column.words or column.length:
            return column.head
        return headed(column.head, self.unit(f"{path}/{column.field}" if column.field else path))

    def _length_cell(self, path: str, tag: str) -> Markup:
        from markupsafe import Markup

        opened, closed = ('th scope="row"', "th") if tag == "row" else ("td", "td")
        if not self.number(path):
            return Markup(f"<{opened}></{closed}>")
        first, other = (self._element("span", path, self.number(path, LENGTH_DIGITS[unit], unit), unit, "") for unit in self.length_units())
        units = [words(unit) for unit in self.length_units()]
        return Markup(f"<{opened}>{{}} {{}} ({{}} {{}})</{closed}>").format(first, units[0], other, units[1])

    def _element(self, opened: str, path: str, text: str, unit: str, more: str) -> Markup:
        from markupsafe import Markup, escape

        shown: Any = escape(self.unit(path, unit))
        return Markup(f'<{opened} data-field="{escape(path)}" data-unit="{shown}"{more}>{escape(text)}</{opened.split(" ")[0]}>')


def headed(head: str, unit: str) -> str:
    """Return a head with its unit; an angle's head names the unit with its zero.

    >>> headed("vacuum", "inHg"), headed("spark, deg BTDC", "crank_deg"), headed("gear", "")
    ('vacuum, inHg', 'spark, deg BTDC', 'gear')
    """
    text = "" if unit in ("crank_deg", "cam_deg") else words(unit)
    return f"{head}, {text}" if text and head else head or text

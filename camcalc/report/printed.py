"""Numbers of the JSON data as markup: each carries the place it comes from, so that page and data can be compared."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any, NamedTuple

from ..marks import Mark, mark_of_path, marked
from ..units import factor

if TYPE_CHECKING:
    from markupsafe import Markup

__all__ = ["Found", "Printed", "decimals", "find", "words"]

# Units as people write them; the others read well as they are.
UNIT_WORDS = {"percent": "%", "crank_deg": "crank deg", "cam_deg": "cam deg", "mm**2": "mm²", "m/s**2": "m/s²", "mm*crank_deg": "mm crank deg", "N*m": "N m"}


class Found(NamedTuple):
    """A number of the data, None where there is none; its unit, its 10 to 90 % band, its mark."""

    value: float | None
    unit: str
    low: float | None = None
    high: float | None = None
    mark: Mark | None = None


def find(data: Any, path: str) -> Found:
    """Return the number at a path such as ``"idle/new/0/speed"``; indices go on into a quantity's array.

    Parameters
    ----------
    data : dict
        As ``Brief.to_dict`` gives it.
    path : str

    Raises
    ------
    LookupError
        If nothing stands there.

    Examples
    --------
    >>> find({"idle": [{"speed": {"value": 850.0, "unit": "rpm"}}]}, "idle/0/speed").unit
    'rpm'
    >>> find({"spark": {"value": [[20.0, None]], "unit": "crank_deg"}}, "spark/0/1").value is None
    True
    """
    node, unit = data, ""
    low = high = codes = None
    keys = path.split("/")
    inside = len(keys)
    for k, key in enumerate(keys):
        node = node[int(key)] if isinstance(node, list | tuple) else node[key]
        if isinstance(node, dict) and "value" in node and "unit" in node:
            unit, low, high, codes, inside = node["unit"], node.get("low"), node.get("high"), node.get("mark"), k + 1
            node = node["value"]
    return Found(node, unit, low, high, mark_of_path(codes, [int(key) for key in keys[inside:]]))


def words(unit: str) -> str:
    """Return a unit as people write it.

    >>> words("crank_deg"), words("inHg")
    ('crank deg', 'inHg')
    """
    return UNIT_WORDS.get(unit, unit)


def decimals(value: float) -> int:
    """Return the decimals that show four figures of a number, six at most.

    >>> decimals(12.3456), decimals(123456.0), decimals(0.0)
    (2, 0, 0)
    """
    return 0 if value == 0.0 or not math.isfinite(value) else min(max(3 - math.floor(math.log10(abs(value))), 0), 6)


class Printed:
    """Print numbers of the JSON data as markup.

    Parameters
    ----------
    data : dict
        As ``Brief.to_dict`` gives it.

    Notes
    -----
    Every element carries ``data-field`` (where in the data), ``data-unit`` (the unit it is shown in) and, for an edge of a band,
    ``data-edge``. A cell holds a bare number, its unit stands in the head:
    copied into a spreadsheet it stays a number. A figure that is marked is text, with its mark in it, and stays so when it is copied.

    Examples
    --------
    >>> printed = Printed({"speed": {"value": 14.0, "unit": "km/h"}})
    >>> str(printed.cell("speed", 1, "mph"))
    '<td data-field="speed" data-unit="mph">8.7</td>'
    """

    def __init__(self, data: dict[str, Any]) -> None:
        self.data = data

    def number(self, path: str, digits: int | None = None, unit: str = "", *, edge: str = "value") -> str:
        """Return a number as text, empty where there is none."""
        found = find(self.data, path)
        value = getattr(found, edge)
        if value is None:
            return ""
        shown = float(value) * (1.0 if unit in ("", found.unit) else factor(found.unit, unit))
        whole = isinstance(value, int) and not unit
        return _plain(shown, digits if digits is not None else 0 if whole else decimals(shown))

    def marked_number(self, path: str, digits: int | None = None, unit: str = "") -> str:
        """Return a number as text with its mark."""
        return marked(self.number(path, digits, unit), find(self.data, path).mark)

    def legend(self, *paths: str) -> list[str]:
        """Return what the marks of some quantities mean, and what a blank does where there is one, each once, in lines."""
        pairs = [pair for path in paths for pair in _pairs(_walked(self.data, path))]
        codes = {code for _, code in pairs if code is not None}
        blank = any(value is None and code is None for value, code in pairs)
        return [str(mark) for mark in Mark if mark.code in codes or (blank and mark is Mark.BLANK)]

    def legend_of(self, path: str, fields: Iterable[str]) -> list[str]:
        """Return the same for some fields of a list of records."""
        return self.legend(*(f"{path}/{k}/{field}" for k in range(self.size(path)) for field in fields))

    def legend_of_edges(self, path: str, names: Iterable[str]) -> list[str]:
        """Return what the marks of some banded numbers and of the edges of their bands mean."""
        found = [_walked(self.data, f"{path}/{name}") for name in names]
        codes = {one.get(key) for one in found for key in ("mark", "low_mark", "high_mark")}
        return [str(mark) for mark in Mark if mark.code in codes]

    def cell(self, path: str, digits: int | None = 0, unit: str = "", *, tag: str = "td", mark: str = "") -> Markup:
        """Return a number as a table cell, or as the head of a row or column (``tag`` "row" or "col")."""
        opened = {"row": 'th scope="row"', "col": 'th scope="col"'}.get(tag, tag)
        return self._element(opened, path, self.marked_number(path, digits, unit), unit, f' class="{mark}"' if mark else "")

    def text(self, path: str, digits: int | None = None, unit: str = "", *, bare: bool = False) -> Markup:
        """Return a number for a sentence, with its unit unless ``bare``, and its band where there is one."""
        from markupsafe import Markup

        found = find(self.data, path)
        if found.value is None:
            return Markup("none")
        name = words(unit or found.unit)
        made = self._element("span", path, self.number(path, digits, unit), unit, ' class="figure"')
        made += Markup("&nbsp;{}").format(name) if name and not bare else Markup("")
        before, _, after = marked("|", found.mark).partition("|")
        made = Markup("{}{}{}").format(before, made, after)
        if found.low is None or found.high is None:
            return made
        low, high = (self._element("span", path, self.number(path, digits, unit, edge=e), unit, f' data-edge="{e}"') for e in ("low", "high"))
        return Markup('{} <span class="band">({} to {})</span>').format(made, low, high)

    def edge(self, path: str, digits: int | None, edge: str) -> Markup:
        """Return the low or high edge of a number's band as a cell."""
        mark = mark_of_path(_walked(self.data, path).get(f"{edge}_mark"), [])
        return self._element("td", path, marked(self.number(path, digits, edge=edge), mark), "", f' data-edge="{edge}"')

    def word(self, path: str, *, tag: str = "td") -> Markup:
        """Return a text of the data as a cell, of a code its meaning; blank where there is none."""
        from markupsafe import Markup

        value: Any = find(self.data, path).value
        value = value["text"] if isinstance(value, dict) else "" if value is None else value
        opened, closed = ('th scope="row"', "th") if tag == "row" else ("td", "td")
        return Markup(f'<{opened} class="text">{{}}</{closed}>').format(value)

    def share(self, path: str) -> Markup:
        """Return a share of the data as a cell in percent; what is not there is none."""
        return self.cell(path, 0, "percent")

    def size(self, path: str) -> int:
        """Return how many numbers a quantity's array has, or how many records a list."""
        value = find(self.data, path).value
        return len(value) if isinstance(value, list | tuple) else 0

    def _element(self, opened: str, path: str, text: str, unit: str, more: str) -> Markup:
        from markupsafe import Markup, escape

        shown = escape(unit or find(self.data, path).unit)
        return Markup(f'<{opened} data-field="{escape(path)}" data-unit="{shown}"{more}>{escape(text)}</{opened.split(" ")[0]}>')


def _walked(data: Any, path: str) -> Any:
    """Return what the data holds at a path; of a quantity's array a part, with its own marks."""
    for key in path.split("/"):
        if isinstance(data, dict) and "value" in data and key not in data:
            codes = data.get("mark")
            data = {**data, "value": data["value"][int(key)], "mark": codes[int(key)] if isinstance(codes, list | tuple) else codes}
        else:
            data = data[int(key)] if isinstance(data, list | tuple) else data[key]
    return data


def _pairs(node: Any) -> Iterator[tuple[Any, str | None]]:
    """Yield every figure of a quantity in the data, or a bare number, with the code of its mark."""
    if not isinstance(node, dict):
        yield node, None
        return

    def pairs(value: Any, codes: Any) -> Iterator[tuple[Any, str | None]]:
        if isinstance(value, list | tuple):
            for k, one in enumerate(value):
                yield from pairs(one, codes[k] if isinstance(codes, list | tuple) else codes)
        else:
            yield value, codes

    yield from pairs(node["value"], node.get("mark"))


def _plain(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text

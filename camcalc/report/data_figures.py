"""Figures of a brief's data as text: found by their place, in the units that the user reads, with their marks."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple

from ..marks import Mark, mark_of_path, marked
from ..unit_system import UnitSystem, output_unit
from ..units import quantity

__all__ = ["Figures", "Found", "decimals", "find", "words"]

# Units as people write them; the others read well as they are.
UNIT_WORDS = {
    "percent": "%", "crank_deg": "crank deg", "cam_deg": "cam deg", "mm**2": "mm²", "m/s**2": "m/s²", "mm*crank_deg": "mm crank deg", "N*m": "N m",
    "inch": "in", "ft*lbf": "lb-ft", "cid": "cu in", "N*m/crank_deg": "N m per degree", "g/kW/hour": "g/kWh",
}  # fmt: skip
# A figure without end, such as the acceleration of a swing without damping.
NO_END = "no end"


class Found(NamedTuple):
    """A number of the data, None where there is none; its unit, its 10 to 90 % band, its mark, and whether it is infinite."""

    value: Any
    unit: str
    low: float | None = None
    high: float | None = None
    mark: Mark | None = None
    infinite: int = 0


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
        If nothing is there.

    Examples
    --------
    >>> find({"idle": [{"speed": {"value": 850.0, "unit": "rpm"}}]}, "idle/0/speed").unit
    'rpm'
    >>> find({"spark": {"value": [[20.0, None]], "unit": "crank_deg"}}, "spark/0/1").value is None
    True
    """
    node, unit = data, ""
    low = high = codes = None
    infinite: Any = 0
    keys = path.split("/")
    inside = len(keys)
    for k, key in enumerate(keys):
        node = node[int(key)] if isinstance(node, list | tuple) else node[key]
        if isinstance(node, dict) and "value" in node and "unit" in node:
            unit, low, high, codes, inside = node["unit"], node.get("low"), node.get("high"), node.get("mark"), k + 1
            infinite, node = node.get("infinite", 0), node["value"]
    indices = [int(key) for key in keys[inside:]]
    for index in indices:
        infinite = infinite[index] if isinstance(infinite, list | tuple) else infinite
    return Found(node, unit, low, high, mark_of_path(codes, indices), infinite if isinstance(infinite, int) else 0)


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


class Figures:
    """Figures of the JSON data as text.

    Parameters
    ----------
    data : dict
        As ``Brief.to_dict`` gives it.
    system : UnitSystem, optional
        The user's units; without it figures keep those of the data.
    road_speed_unit : str
        The unit of road speeds, as the sheet asks for.

    Examples
    --------
    >>> Figures({"speed": {"value": 1131.0, "unit": "rpm"}}).number("speed", -1)
    '1130'
    """

    def __init__(self, data: dict[str, Any], system: UnitSystem | None = None, road_speed_unit: str = "") -> None:
        self.data = data
        self.system = system
        self.road_speed_unit = road_speed_unit

    def unit(self, path: str, unit: str = "") -> str:
        """Return the unit that a figure is shown in: the one asked for, else the user's."""
        own = unit or find(self.data, path).unit
        if unit or self.system is None:
            return own
        return self.road_speed_unit if own == "km/h" and self.road_speed_unit else output_unit(own, self.system)

    def shown(self, path: str, unit: str = "", *, edge: str = "value") -> float | None:
        """Return a figure, or an edge of its band, in the unit that it is shown in; nothing where there is none."""
        found = find(self.data, path)
        value, own = getattr(found, edge), self.unit(path, unit)
        if value is None:
            return None
        return float(value) if own == found.unit else float(quantity(float(value), found.unit, own).magnitude)

    def number(self, path: str, digits: int | None = None, unit: str = "", *, edge: str = "value") -> str:
        """Return a number as text, empty where there is none; ``digits`` below 0 round before the point.

        Parameters
        ----------
        path : str
            Where in the data the figure is.
        digits : int
            After the point, below 0 before it; as many as the figure carries when left out.
        unit : str
            To be shown in; the data's own when empty.
        edge : str
            "value", or an edge of the band: "low", "high".
        """
        value = self.shown(path, unit, edge=edge)
        if value is None:
            return ""
        whole = isinstance(find(self.data, path).value, int) and not unit
        return plain_text(value, digits if digits is not None else 0 if whole else decimals(value))

    def marked_number(self, path: str, digits: int | None = None, unit: str = "", *, infinite: str = "", edge: str = "value") -> str:
        """Return a number as text with its mark; one without end as words.

        Parameters
        ----------
        path : str
            Where in the data the figure is.
        digits : int
            After the point, below 0 before it; as many as the figure carries when left out.
        unit : str
            To be shown in; the data's own when empty.
        infinite : str
            What is written for a figure without end.
        edge : str
            "value", or an edge of the band: "low", "high".
        """
        found = find(self.data, path)
        if edge != "value":
            return marked(self.number(path, digits, unit, edge=edge), mark_of_path(walked(self.data, path).get(f"{edge}_mark"), []))
        return marked(self.number(path, digits, unit) or ((infinite or NO_END) if found.infinite else ""), found.mark)

    def meaning(self, path: str, names: Any = None) -> str:
        """Return a text of the data, of a code its meaning or its short name."""
        value = walked(self.data, path)
        if isinstance(value, dict):
            return str((names or {}).get(value["code"], value["text"]))
        return "" if value is None else str(value)

    def size(self, path: str) -> int:
        """Return how many numbers a quantity's array has, or how many records a list."""
        value = find(self.data, path).value
        return len(value) if isinstance(value, list | tuple) else 0

    def legend(self, *paths: str) -> list[str]:
        """Return what the marks of some quantities mean, and what a blank does where there is one, each once, in lines."""
        pairs = [pair for path in paths for pair in _pairs(walked(self.data, path))]
        codes = {code for _, code in pairs if code is not None}
        blank = any(value is None and code is None for value, code in pairs)
        return [str(mark) for mark in Mark if mark.code in codes or (blank and mark is Mark.BLANK)]

    def legend_of_edges(self, paths: Iterable[str]) -> list[str]:
        """Return what the marks of some banded numbers and of the edges of their bands mean."""
        codes = {walked(self.data, path).get(key) for path in paths for key in ("mark", "low_mark", "high_mark")}
        return [str(mark) for mark in Mark if mark.code in codes]

    def length(self, path: str) -> str:
        """Return a length in the user's unit, the other in brackets."""
        first, other = self.length_units()
        texts = [f"{self.number(path, LENGTH_DIGITS[unit], unit)} {words(unit)}" for unit in (first, other)]
        return f"{texts[0]} ({texts[1]})" if self.number(path) else ""

    def length_units(self) -> tuple[str, str]:
        """Return the user's unit of small lengths, and the other one."""
        return ("inch", "mm") if self.system is UnitSystem.IMPERIAL else ("mm", "inch")


# Decimals that lift and checking heights are read to.
LENGTH_DIGITS = {"inch": 3, "mm": 2}


def plain_text(value: float, digits: int) -> str:
    """Write a number with so many decimals, or rounded to tens where ``digits`` is -1; never as minus nothing.

    >>> plain_text(1131.25, -1), plain_text(-0.0004, 2)
    ('1130', '0.00')
    """
    text = f"{round(value, digits):.{max(digits, 0)}f}" if digits < 0 else f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def walked(data: Any, path: str) -> Any:
    """Return what the data holds at a path; of a quantity's array a part, with its own marks."""
    for key in path.split("/"):
        if isinstance(data, dict) and "value" in data and key not in data:
            codes = data.get("mark")
            data = {**data, "value": data["value"][int(key)], "mark": codes[int(key)] if isinstance(codes, list | tuple) else codes}
        else:
            data = data[int(key)] if isinstance(data, list | tuple) else data[key]
    return data


def _pairs(node: Any) -> Iterator[tuple[Any, str | None]]:
    """Yield every figure of a quantity in the data, or a bare number, with the code of its mark; one without end is no blank."""
    if not isinstance(node, dict):
        yield node, None
        return

    def pairs(value: Any, codes: Any) -> Iterator[tuple[Any, str | None]]:
        if isinstance(value, list | tuple):
            for k, one in enumerate(value):
                yield from pairs(one, codes[k] if isinstance(codes, list | tuple) else codes)
        else:
            yield value, codes

    if not node.get("infinite"):
        yield from pairs(node["value"], node.get("mark"))

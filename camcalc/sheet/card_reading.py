"""Reading a cam card: any sufficient set of figures, the rest checked within the rounding of what is printed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, cast

from ..cam.card import CamCard, Lobe, with_assumed_seat
from ..cam.figures import Centrelines, Figure, solve_centrelines
from ..errors import InputError
from ..units import half_last_digit, quantity, to_si
from .card_checks import check_spread, swapped_centreline
from .card_context import CardContext
from .card_keys import ADVANCE, CARD, CENTRELINE, DURATION, EVENT, HEIGHT, LOBE, OVERLAP, SEPARATION
from .lift_table import read_lift_table
from .lobe_reading import check_lobe, read_lobe
from .printed_figures import Height, Printed, middle_of, overlap_figure, unit_factor
from .trade_words import hint_for_key, hint_for_value

if TYPE_CHECKING:
    from .section_reading import Problems

__all__ = ["read_cam_card", "read_card"]

_REFERENCE = re.compile(r"^(?P<angle>.+?)\s*(?P<side>before|after|b|a)\s*(?P<centre>tdc|bdc|top dead centre|bottom dead centre)\s*$", re.IGNORECASE)

# Crank angle of each event's own dead centre, and the sign of its customary side: intake opens before top, closes after
# bottom, exhaust opens before bottom, closes after top.
_NATURAL = {
    ("intake", "opens"): (0.0, "tdc", -1.0),
    ("intake", "closes"): (180.0, "bdc", 1.0),
    ("exhaust", "opens"): (-180.0, "bdc", -1.0),
    ("exhaust", "closes"): (0.0, "tdc", 1.0),
}


def read_cam_card(data: Mapping[str, Any], *, name: str = "cam") -> CamCard:
    """Check a cam card given as a mapping with the keys of a build sheet's ``[cam]`` section.

    Parameters
    ----------
    data : mapping
        Durations keyed by checking height, lifts, and any sufficient set of ``lobe_separation``, ``intake_centreline``,
        ``exhaust_centreline``, ``advance``, ``overlap`` or event angles.
    name : str
        Name of the section, used in errors.

    Raises
    ------
    InputError, InputErrors
        With key, what came, what was expected, and how to correct it.

    Examples
    --------
    >>> lobe = {"valve_lift": "12.7 mm", "duration": {"0.050 inch": "224 crank_deg"}}
    >>> figures = {"lobe_separation": "112 cam_deg", "intake_centreline": "108 crank_deg", "rocker_ratio": 1.6}
    >>> card = read_cam_card(figures | {"intake": lobe, "exhaust": lobe})
    >>> card.advance.magnitude
    4.0
    """
    from .section_reading import Problems

    problems = Problems()
    card = read_card(name, data, problems, [], None)
    problems.raise_any("")
    return cast("CamCard", card)


def read_card(name: str, data: Mapping[str, Any], problems: Problems, assumed: list[Any], path: Path | None) -> CamCard | None:
    """Read one card; ``None`` if something on it is wrong, which is then among the ``problems``.

    Parameters
    ----------
    name : str
        Of the section, for errors.
    data : mapping
        What the sheet says of the card.
    problems, assumed : Problems, list
        Added to.
    path : Path
        The sheet, which lift tables are found beside.
    """
    reader = _CardReader(name, data, problems, assumed, path)
    try:
        return reader.read()
    except InputError as error:
        problems.add(error)
        reader.check_each()
        return None


class _CardReader(CardContext):
    def read(self) -> CamCard | None:
        before = len(self.problems.found)
        self._check_names()
        tappet = self._choice("tappet", ("hydraulic", "solid"), "hydraulic")
        side = cast("Literal['tappet', 'valve']", self._choice("measured_at", ("tappet", "valve"), "tappet"))
        lobes = {kind: self._table(kind) for kind in ("intake", "exhaust")}
        if len(self.problems.found) > before:
            return None
        heights = {kind: self._heights(kind, table) for kind, table in lobes.items()}
        tables = {kind: self._lift_table(kind, table) for kind, table in lobes.items()}
        centre = self._centrelines(heights)
        built = {kind: read_lobe(self, kind, lobes[kind], tappet, side, heights[kind], tables[kind], centre) for kind in lobes}
        if len(self.problems.found) > before:
            return None
        spread = [self._spread(built[kind], tappet, heights[kind]) for kind in lobes]
        card = CamCard(
            name=str(self.data.get("name", self.name)),
            tappet=cast("Any", tappet),
            intake=built["intake"],
            exhaust=built["exhaust"],
            notes=tuple(self.notes),
        )
        for kind in ("intake", "exhaust"):
            self._check_curve(card, kind)
            self._check_table(card, kind)
        if len(self.problems.found) == before:
            for error in filter(None, spread):
                self.problems.add(error)
        return card if len(self.problems.found) == before else None

    def check_each(self) -> None:
        """Add whatever else is wrong by itself on a card that cannot be read, so that all of it can be corrected in one go."""
        tappet, side = (self.data.get(key, default) for key, default in (("tappet", "hydraulic"), ("measured_at", "tappet")))
        for key in ("lobe_separation", "intake_centreline", "exhaust_centreline", "advance"):
            bounds = CARD[key].bounds
            if key in self.data and bounds is not None:
                self.attempt(self.printed, self.data[key], self.key(key), bounds)
        for kind in ("intake", "exhaust"):
            table = self.data.get(kind)
            if not isinstance(table, Mapping):
                continue
            for key in ("duration", "opens", "closes"):
                figures = table.get(key)
                for text, value in figures.items() if isinstance(figures, Mapping) else ():
                    self.attempt(self._figure, kind, key, str(text), value)
            check_lobe(self, kind, table, str(tappet), str(side))

    def _spread(self, lobe: Lobe, tappet: str, heights: list[Height]) -> InputError | None:
        """Check a lobe's durations against each other, and list the seat's where it is assumed; return the error they are."""
        if lobe.table is not None:
            return None
        for check in with_assumed_seat(lobe, tappet):
            if check.assumed:
                why = "from memory, medium: lowest figure plus the usual difference"
                self.assume(f"[{self.name}.{lobe.kind}] duration at 0.006 inch", f"{check.duration:.1f} crank_deg", why)
        try:
            check_spread(self, lobe, tappet, {round(h.height, 9): h.label for h in heights})
        except InputError as error:
            return error
        return None

    def _check_names(self) -> None:
        for table, known, kind in ((self.data, CARD, ""), *((self._table(k), LOBE, k) for k in ("intake", "exhaust"))):
            for key in table:
                if key not in known:
                    elsewhere = {} if kind else dict.fromkeys(LOBE, f"{self.name}.intake] and [{self.name}.exhaust")
                    fix = hint_for_key(str(key), known, elsewhere)
                    self.problems.add(InputError(self.key(str(key), kind), came="an unknown key", fix=fix))

    def _table(self, kind: str) -> Mapping[str, Any]:
        table = self.data.get(kind)
        if not isinstance(table, Mapping):
            raise InputError(
                f"[{self.name}.{kind}]",
                came="nothing" if table is None else repr(table),
                expected=f"a section [{self.name}.{kind}] with lift and durations or events",
            )
        return table

    def _choice(self, key: str, choices: tuple[str, ...], default: str) -> str:
        value = self.data.get(key)
        if value is None:
            self.assume(self.key(key), default, "most common")
            return default
        if value not in choices if isinstance(value, str) else True:
            raise InputError(self.key(key), came=repr(value), expected=" or ".join(f'"{c}"' for c in choices), fix=hint_for_value(str(value), choices))
        return cast("str", value)

    def _heights(self, kind: str, table: Mapping[str, Any]) -> list[Height]:
        found: dict[float, dict[str, Any]] = {}
        for key in ("duration", "opens", "closes"):
            figures = table.get(key, {})
            if not isinstance(figures, Mapping):
                raise InputError(
                    self.key(key, kind),
                    came=repr(figures),
                    expected="figures keyed by checking height",
                    fix=f'write [{self.name}.{kind}.{key}] and under it "0.050 inch" = "..."',
                )
            for text, value in figures.items():
                height = float(to_si(str(text), self.key(f"{key}: checking height", kind), HEIGHT))
                slot = found.setdefault(round(height, 9), {"label": str(text)})
                where = self.key(f'{key}."{text}"', kind)
                if key in slot:
                    raise InputError(
                        where, came=f"a second figure at the height of {slot['label']}", expected="one figure at one height", fix="remove one of the two"
                    )
                slot[key] = self._figure(kind, key, str(text), value)
        return [Height(h, s["label"], s.get("duration"), s.get("opens"), s.get("closes")) for h, s in sorted(found.items())]

    def _figure(self, kind: str, key: str, text: str, value: Any) -> Printed:
        where = self.key(f'{key}."{text}"', kind)
        return self.printed(value, where, DURATION) if key == "duration" else self._event(value, where, kind, key)

    def _event(self, value: Any, where: str, kind: str, which: str) -> Printed:
        centre, natural, sign = _NATURAL[kind, which]
        side = "before" if sign < 0 else "after"
        example = f'"10 crank_deg {side} {natural.upper()}"'
        match = _REFERENCE.match(value) if isinstance(value, str) else None
        if match is None:
            raise InputError(
                where, came=repr(value), expected=f"a crank angle with its dead centre, like {example}", fix=f"say before or after {natural.upper()}"
            )
        named = match["centre"].lower()
        named = {"top dead centre": "tdc", "bottom dead centre": "bdc"}.get(named, named)
        if named != natural:
            raise InputError(where, came=repr(value), expected=f"{kind} {which[:-1]}ing counted from {natural.upper()}, like {example}")
        number = re.match(r"[+-]?[\d.]+", match["angle"])
        try:
            angle = float(to_si(match["angle"], where, EVENT))
        except InputError as error:
            if number is None or "crank_deg" not in error.fix:
                raise
            stated = "before" if match["side"].lower().startswith("b") else "after"
            fix = f'write "{number[0]} crank_deg {stated} {natural.upper()}"; event angles are counted at the crank'
            raise InputError(where, came=repr(value), expected=f"a crank angle with its dead centre, like {example}", fix=fix) from None
        signed = angle * (-1.0 if match["side"].lower().startswith("b") else 1.0)
        return Printed(centre + signed, half_last_digit(match["angle"]) * unit_factor(match["angle"], "crank_deg"))

    def _figures(self, heights: dict[str, list[Height]]) -> list[Figure]:
        """List every equation for the centrelines, best first."""
        figures = []
        weights = {"intake": (1.0, 0.0), "exhaust": (0.0, 1.0)}
        for kind, rows in heights.items():
            middle = middle_of(rows[-1]) if rows else None
            if middle is not None:
                value = middle.value if kind == "intake" else -middle.value
                figures.append(Figure(f"{kind} events at {rows[-1].label}", *weights[kind], value, middle.rounding))
        for kind in ("intake", "exhaust"):
            key = f"{kind}_centreline"
            if key in self.data:
                printed = self.printed(self.data[key], self.key(key), CENTRELINE)
                figures.append(Figure(key, *weights[kind], *printed))
        if "lobe_separation" in self.data:
            printed = self.printed(self.data["lobe_separation"], self.key("lobe_separation"), SEPARATION)
            figures.append(Figure("lobe_separation", 1.0, 1.0, *printed))
        if "advance" in self.data:
            printed = self.printed(self.data["advance"], self.key("advance"), ADVANCE)
            figures.append(Figure("advance", -0.5, 0.5, *printed))
        return figures + self._overlap_figures(heights)

    def _overlap_figures(self, heights: dict[str, list[Height]]) -> list[Figure]:
        overlaps = self.data.get("overlap", {})
        if not isinstance(overlaps, Mapping):
            raise InputError(
                self.key("overlap"),
                came=repr(overlaps),
                expected="figures keyed by checking height",
                fix=f'write [{self.name}.overlap] and under it "0.050 inch" = "..."',
            )
        figures = []
        for text, value in overlaps.items():
            height = round(float(to_si(str(text), self.key("overlap: checking height"), HEIGHT)), 9)
            printed = self.printed(value, self.key(f'overlap."{text}"'), OVERLAP)
            pair = [row for kind in ("intake", "exhaust") for row in heights[kind] if row.height == height]
            if len(pair) < 2:
                raise InputError(
                    self.key(f'overlap."{text}"'),
                    came=str(value),
                    expected="both lobes to have figures at that height",
                    fix="remove it, or add the durations at that height",
                )
            figures.append(overlap_figure(f"overlap at {text}", printed, *pair))
        return figures

    def _centrelines(self, heights: dict[str, list[Height]]) -> Centrelines:
        figures = self._figures(heights)
        solved = solve_centrelines(figures)
        if solved is None:
            raise InputError(
                f"[{self.name}]",
                came=", ".join(f.name for f in figures) or "no figure that places the lobes",
                expected="two of: lobe_separation, intake_centreline, exhaust_centreline, advance, overlap, or opening and closing events",
                fix="add the intake centreline the card asks for, or the advance it was installed with",
            )
        swapped_centreline(self, figures, solved)
        for kind, value in (("intake", solved.intake), ("exhaust", solved.exhaust)):
            to_si(quantity(value, "crank_deg"), self.key(f"{kind}_centreline") + f", by {solved.used[0]} and {solved.used[1]}", CENTRELINE)
        to_si(
            quantity(solved.intake + solved.exhaust, "crank_deg", "cam_deg"),
            self.key("lobe_separation") + f", by {solved.used[0]} and {solved.used[1]}",
            SEPARATION,
        )
        for gap in solved.disagreements:
            own = next(f.printed for f in figures if f.name == gap.name)
            told = gap if own is None else gap._replace(printed=own, implied=own + gap.implied - gap.printed)
            self.disagree(gap.name, told, f"what {solved.used[0]} and {solved.used[1]} imply")
        return solved

    def _lift_table(self, kind: str, table: Mapping[str, Any]) -> tuple[list[float], list[float]] | None:
        if "lift_table" not in table:
            return None
        where = self.key("lift_table", kind)
        name = table["lift_table"]
        if not isinstance(name, str):
            raise InputError(where, came=repr(name), expected="the path of a CSV file")
        path = (self.path.parent if self.path else Path()) / name
        return read_lift_table(path, where)

    def _check_table(self, card: CamCard, kind: str) -> None:
        """Check the printed durations against the measured lobe."""
        lobe = card.lobe(kind)
        for check in lobe.checks if lobe.table is not None else ():
            edges = card.lift_curve(kind).edges(check.si.height, side=check.side)
            measured = edges[1] - edges[0] if edges else 0.0
            if abs(measured - check.duration) > 3.0:
                self.problems.add(
                    InputError(
                        self.key("duration", kind),
                        came=f"{check.duration:.1f} crank_deg at {check.si.height * 1e3:.3g} mm",
                        expected=f"{measured:.1f} crank_deg, as lift_table says",
                        fix="check the figure and the table",
                    )
                )

    def _check_curve(self, card: CamCard, kind: str) -> None:
        try:
            card.lift_curve(kind)
        except InputError as error:
            self.problems.add(InputError(error.key.replace("[cam", f"[{self.name}"), came=error.came, expected=error.expected, fix=error.fix))

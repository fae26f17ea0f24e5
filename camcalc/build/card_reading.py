"""Reading a cam card: any sufficient set of figures, the rest checked within the rounding of what is printed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, cast

from ..cam.card import CamCard, CheckedHeight, Lobe, with_assumed_seat
from ..cam.figures import Centrelines, Disagreement, Figure, solve_centrelines
from ..errors import InputError, did_you_mean
from ..units import Bounds, format_quantity, half_last_digit, quantity, to_si
from .lift_table import read_lift_table, table_middle
from .printed import Height, Printed, middle_of, overlap_figure, unit_factor
from .sections import OUT_OF_SCOPE

if TYPE_CHECKING:
    from .reading import Problems

__all__ = ["read_cam_card", "read_card"]

CARD_KEYS = (
    "name",
    "tappet",
    "measured_at",
    "lobe_separation",
    "intake_centreline",
    "exhaust_centreline",
    "advance",
    "rocker_ratio",
    "overlap",
    "intake",
    "exhaust",
)
LOBE_KEYS = ("valve_lift", "lobe_lift", "rocker_ratio", "lash", "lash_state", "lash_growth", "duration", "opens", "closes", "max_lift_at", "lift_table")
SEPARATION = Bounds("crank_deg", 190.0, 250.0, "cam_deg")
CENTRELINE = Bounds("crank_deg", 80.0, 145.0)
ADVANCE = Bounds("crank_deg", -20.0, 20.0)
DURATION = Bounds("crank_deg", 60.0, 400.0)
OVERLAP = Bounds("crank_deg", -120.0, 180.0)
EVENT = Bounds("crank_deg", -140.0, 140.0)
HEIGHT = Bounds("m", 1e-6, 15e-3, "mm")
VALVE_LIFT = Bounds("m", 1e-3, 25e-3, "mm")
LOBE_LIFT = Bounds("m", 1e-3, 18e-3, "mm")
LASH = Bounds("m", 0.0, 1.5e-3, "mm")
NOSE = Bounds("crank_deg", 70.0, 150.0)
# Growth of solid lash from cold to hot [m]; ESTIMATE for an iron block with aluminium heads.
COLD_TO_HOT = 0.10e-3
DEFAULT_ROCKER = 1.0
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
        With key, what came, what was expected, and how to mend it.

    Examples
    --------
    >>> lobe = {"valve_lift": "12.7 mm", "duration": {"0.050 inch": "224 crank_deg"}}
    >>> card = read_cam_card({"lobe_separation": "112 cam_deg", "intake_centreline": "108 crank_deg", "intake": lobe, "exhaust": lobe})
    >>> card.advance.magnitude
    4.0
    """
    from .reading import Problems

    problems = Problems()
    card = read_card(name, data, problems, [], None)
    problems.raise_any("")
    return cast("CamCard", card)


def read_card(name: str, data: Mapping[str, Any], problems: Problems, assumed: list[Any], path: Path | None) -> CamCard | None:
    """Read one card; ``None`` if something on it is wrong, which then stands in ``problems``."""
    reader = _CardReader(name, data, problems, assumed, path)
    try:
        return reader.read()
    except InputError as error:
        problems.add(error)
        return None


class _CardReader:
    def __init__(self, name: str, data: Mapping[str, Any], problems: Problems, assumed: list[Any], path: Path | None) -> None:
        self.name, self.data, self.problems, self.assumed, self.path = name, data, problems, assumed, path
        self.notes: list[str] = []

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
        built = {kind: self._lobe(kind, lobes[kind], tappet, side, heights[kind], tables[kind], centre) for kind in lobes}
        if len(self.problems.found) > before or None in built.values():
            return None
        card = CamCard(
            name=str(self.data.get("name", self.name)),
            tappet=cast("Any", tappet),
            intake=cast("Lobe", built["intake"]),
            exhaust=cast("Lobe", built["exhaust"]),
            notes=tuple(self.notes),
        )
        for kind in ("intake", "exhaust"):
            self._check_curve(card, kind)
            self._check_table(card, kind)
        for kind in ("intake", "exhaust"):
            lobe = card.lobe(kind)
            for check in with_assumed_seat(lobe, card.tappet) if lobe.table is None else ():
                if check.assumed:
                    self._assume(
                        f"[{self.name}.{kind}] duration at 0.006 inch",
                        f"{check.duration:.1f} crank_deg",
                        "from memory, medium: lowest figure plus the usual difference",
                    )
        return card if len(self.problems.found) == before else None

    def _key(self, key: str, kind: str = "") -> str:
        return f"[{self.name}.{kind}] {key}" if kind else f"[{self.name}] {key}"

    def _check_names(self) -> None:
        for table, known, kind in ((self.data, CARD_KEYS, ""), *((self._table(k), LOBE_KEYS, k) for k in ("intake", "exhaust"))):
            for key in table:
                if key not in known:
                    fix = OUT_OF_SCOPE.get(str(key).lower()) or did_you_mean(str(key), known)
                    self.problems.add(InputError(self._key(str(key), kind), came="an unknown key", fix=fix))

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
            self._assume(self._key(key), default, "most common")
            return default
        if value not in choices if isinstance(value, str) else True:
            raise InputError(self._key(key), came=repr(value), expected=" or ".join(f'"{c}"' for c in choices))
        return cast("str", value)

    def _assume(self, key: str, value: str, why: str) -> None:
        from .sheet import Assumption

        self.assumed.append(Assumption(key, value, why))

    def _printed(self, value: Any, key: str, bounds: Bounds) -> Printed:
        number = float(to_si(value, key, bounds))
        return Printed(number, half_last_digit(value) * unit_factor(value, bounds.unit) if isinstance(value, str) else 0.0)

    def _heights(self, kind: str, table: Mapping[str, Any]) -> list[Height]:
        found: dict[float, dict[str, Any]] = {}
        for key in ("duration", "opens", "closes"):
            figures = table.get(key, {})
            if not isinstance(figures, Mapping):
                raise InputError(
                    self._key(key, kind),
                    came=repr(figures),
                    expected="figures keyed by checking height",
                    fix=f'write [{self.name}.{kind}.{key}] and under it "0.050 inch" = "..."',
                )
            for text, value in figures.items():
                height = float(to_si(str(text), self._key(f"{key}: checking height", kind), HEIGHT))
                slot = found.setdefault(round(height, 9), {"label": str(text)})
                where = self._key(f'{key}."{text}"', kind)
                if key in slot:
                    raise InputError(
                        where, came=f"a second figure at the height of {slot['label']}", expected="one figure at one height", fix="remove one of the two"
                    )
                slot[key] = self._printed(value, where, DURATION) if key == "duration" else self._event(value, where, kind, key)
        return [Height(h, s["label"], s.get("duration"), s.get("opens"), s.get("closes")) for h, s in sorted(found.items())]

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
            raise InputError(where, came=repr(value), expected=f"{kind} {which[:-1]}ing told from {natural.upper()}, like {example}")
        angle = float(to_si(match["angle"], where, EVENT))
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
                printed = self._printed(self.data[key], self._key(key), CENTRELINE)
                figures.append(Figure(key, *weights[kind], *printed))
        if "lobe_separation" in self.data:
            printed = self._printed(self.data["lobe_separation"], self._key("lobe_separation"), SEPARATION)
            figures.append(Figure("lobe_separation", 1.0, 1.0, *printed))
        if "advance" in self.data:
            printed = self._printed(self.data["advance"], self._key("advance"), ADVANCE)
            figures.append(Figure("advance", -0.5, 0.5, *printed))
        return figures + self._overlap_figures(heights)

    def _overlap_figures(self, heights: dict[str, list[Height]]) -> list[Figure]:
        overlaps = self.data.get("overlap", {})
        if not isinstance(overlaps, Mapping):
            raise InputError(
                self._key("overlap"),
                came=repr(overlaps),
                expected="figures keyed by checking height",
                fix=f'write [{self.name}.overlap] and under it "0.050 inch" = "..."',
            )
        figures = []
        for text, value in overlaps.items():
            height = round(float(to_si(str(text), self._key("overlap: checking height"), HEIGHT)), 9)
            printed = self._printed(value, self._key(f'overlap."{text}"'), OVERLAP)
            pair = [row for kind in ("intake", "exhaust") for row in heights[kind] if row.height == height]
            if len(pair) < 2:
                raise InputError(
                    self._key(f'overlap."{text}"'),
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
        for kind, value in (("intake", solved.intake), ("exhaust", solved.exhaust)):
            to_si(quantity(value, "crank_deg"), self._key(f"{kind}_centreline") + f", by {solved.used[0]} and {solved.used[1]}", CENTRELINE)
        to_si(
            quantity(solved.intake + solved.exhaust, "crank_deg", "cam_deg"),
            self._key("lobe_separation") + f", by {solved.used[0]} and {solved.used[1]}",
            SEPARATION,
        )
        for gap in solved.disagreements:
            own = next(f.printed for f in figures if f.name == gap.name)
            told = gap if own is None else gap._replace(printed=own, implied=own + gap.implied - gap.printed)
            self._disagree(gap.name, told, f"what {solved.used[0]} and {solved.used[1]} imply")
        return solved

    def _disagree(self, name: str, gap: Disagreement, against: str) -> None:
        scale = 0.5 if name == "lobe_separation" else 1.0
        unit = "cam_deg" if name == "lobe_separation" else "crank_deg"
        printed, implied = f"{gap.printed * scale:.2f} {unit}", f"{gap.implied * scale:.2f} {unit}"
        if gap.is_error:
            self.problems.add(InputError(self._key(name), came=printed, expected=f"{implied}, {against}", fix="one of these figures is wrong: check the card"))
        else:
            self.notes.append(f"[{self.name}] {name}: the card prints {printed}, {against} give {implied}; within a slip of rounding, the latter is used")

    def _lobe(self, kind: str, table: Mapping[str, Any], tappet: str, side: Any, heights: list[Height], measured: Any, centre: Centrelines) -> Lobe | None:
        ratio = self._rocker_ratio(kind, table)
        lash = self._lash(kind, table, tappet)
        middle = centre.intake if kind == "intake" else -centre.exhaust
        checks = tuple(self._check(kind, row, side, middle) for row in heights)
        self._check_nesting(kind, heights, checks)
        nose = middle
        if "max_lift_at" in table:
            nose = float(to_si(table["max_lift_at"], self._key("max_lift_at", kind), NOSE)) * (1.0 if kind == "intake" else -1.0)
        if measured is not None:
            angles, lifts = measured
            by = middle - table_middle(angles, lifts, max((c.si.height for c in checks), default=0.050 * 0.0254), ratio, lash, side)
            measured = (tuple(a + by for a in angles), tuple(lifts))
            lift = max(lifts) * ratio
            nose = measured[0][max(range(len(lifts)), key=lifts.__getitem__)]
        else:
            lift = self._lift(kind, table, ratio)
        if not checks and measured is None:
            raise InputError(
                f"[{self.name}.{kind}.duration]",
                came="nothing",
                expected="at least one duration with its checking height, or events, or a lift_table",
                fix='add "0.050 inch" = "... crank_deg"',
            )
        for check in checks:
            if measured is None and not check.si.opens < nose < check.si.closes:
                raise InputError(self._key("max_lift_at", kind), came=f"{nose:.1f} crank_deg", expected=f"an angle inside the {kind} opening")
        return Lobe(
            kind=cast("Any", kind), valve_lift=lift, rocker_ratio=ratio, lash=lash, centreline=abs(middle), max_lift_at=nose, checks=checks, table=measured
        )

    def _rocker_ratio(self, kind: str, table: Mapping[str, Any]) -> float:
        for value, where in ((table.get("rocker_ratio"), self._key("rocker_ratio", kind)), (self.data.get("rocker_ratio"), self._key("rocker_ratio"))):
            if value is None:
                continue
            if isinstance(value, bool) or not isinstance(value, int | float) or not 0.8 <= value <= 2.5:
                raise InputError(where, came=repr(value), expected="a plain ratio from 0.8 to 2.5", fix="1.0 for a tappet that works on the valve itself")
            return float(value)
        self._assume(self._key("rocker_ratio", kind), f"{DEFAULT_ROCKER:g}", "tappet works on the valve itself")
        return DEFAULT_ROCKER

    def _lash(self, kind: str, table: Mapping[str, Any], tappet: str) -> float:
        if tappet == "hydraulic":
            if "lash" in table and float(to_si(table["lash"], self._key("lash", kind), LASH)) > 0.0:
                raise InputError(
                    self._key("lash", kind),
                    came=str(table["lash"]),
                    expected="no lash with hydraulic tappets",
                    fix=f'remove it, or say tappet = "solid" in [{self.name}]',
                )
            return 0.0
        if "lash" not in table:
            raise InputError(
                self._key("lash", kind),
                came="nothing",
                expected="running lash at the valve of a solid tappet",
                fix=f'add lash = "0.016 inch" to [{self.name}.{kind}]',
            )
        lash = float(to_si(table["lash"], self._key("lash", kind), LASH))
        state = table.get("lash_state", "hot")
        if state not in ("hot", "cold"):
            raise InputError(self._key("lash_state", kind), came=repr(state), expected='"hot" or "cold"')
        if state == "cold":
            growth = float(to_si(table["lash_growth"], self._key("lash_growth", kind), LASH)) if "lash_growth" in table else COLD_TO_HOT
            if "lash_growth" not in table:
                self._assume(
                    self._key("lash_growth", kind),
                    format_quantity(quantity(growth, "m", "mm")),
                    "ESTIMATE: iron block, aluminium heads; lash grows as the engine warms",
                )
            lash += growth
        return lash

    def _lift(self, kind: str, table: Mapping[str, Any], ratio: float) -> float:
        valve = self._printed(table["valve_lift"], self._key("valve_lift", kind), VALVE_LIFT) if "valve_lift" in table else None
        lobe = self._printed(table["lobe_lift"], self._key("lobe_lift", kind), LOBE_LIFT) if "lobe_lift" in table else None
        if valve is None and lobe is None:
            raise InputError(
                self._key("valve_lift", kind),
                came="nothing",
                expected="valve_lift (before lash) or lobe_lift",
                fix=f'add valve_lift = "... mm" to [{self.name}.{kind}]',
            )
        if valve is None:
            lift = cast("Printed", lobe).value * ratio
            to_si(quantity(lift, "m"), self._key("lobe_lift", kind) + " times rocker ratio", VALVE_LIFT)
            return lift
        if lobe is not None:
            implied, rounding = lobe.value * ratio, valve.rounding + lobe.rounding * ratio
            gap = abs(valve.value - implied)
            text = f"{valve.value * 1e3:.3f} mm, but lobe lift {lobe.value * 1e3:.3f} mm times rocker ratio {ratio:g} is {implied * 1e3:.3f} mm"
            if gap > 3.0 * rounding:
                raise InputError(
                    self._key("valve_lift", kind), came=text, expected="the two to agree within rounding", fix="check both lifts and the rocker ratio"
                )
            if gap > rounding:
                self.notes.append(f"[{self.name}.{kind}] valve_lift: {text}; within a slip of rounding, valve_lift is used")
        return valve.value

    def _check(self, kind: str, row: Height, side: Any, middle: float) -> CheckedHeight:
        opens, closes = row.opens, row.closes
        if opens and closes:
            if row.duration:
                gap = Disagreement(
                    f'duration."{row.label}"', row.duration.value, closes.value - opens.value, row.duration.rounding + opens.rounding + closes.rounding
                )
                if abs(gap.printed - gap.implied) > gap.rounding + 1e-9:
                    self._disagree(f"{kind} duration at {row.label}", gap, "what the events imply")
            pair = opens.value, closes.value
        elif row.duration and (opens or closes):
            pair = (
                (opens.value, opens.value + row.duration.value)
                if opens
                else (cast("Printed", closes).value - row.duration.value, cast("Printed", closes).value)
            )
        elif row.duration:
            pair = middle - row.duration.value / 2.0, middle + row.duration.value / 2.0
        else:
            pair = (opens.value, 2.0 * middle - opens.value) if opens else (2.0 * middle - cast("Printed", closes).value, cast("Printed", closes).value)
        if pair[1] - pair[0] < 10.0:
            raise InputError(
                self._key(row.label, kind),
                came=f"opening at {pair[0]:.1f} and closing at {pair[1]:.1f} crank_deg",
                expected="a valve that opens before it closes",
            )
        return CheckedHeight(height=row.height, side=side, opens=pair[0], closes=pair[1])

    def _check_nesting(self, kind: str, heights: list[Height], checks: tuple[CheckedHeight, ...]) -> None:
        for low, high, a, b in zip(checks, checks[1:], heights, heights[1:], strict=False):
            if high.si.opens <= low.si.opens or high.si.closes >= low.si.closes:
                raise InputError(
                    f"[{self.name}.{kind}]",
                    came=f"{low.duration:.1f} crank_deg at {a.label}, {high.duration:.1f} crank_deg at {b.label}",
                    expected="a valve that opens later and closes earlier the higher it is checked",
                    fix="the durations may be swapped between heights",
                )

    def _lift_table(self, kind: str, table: Mapping[str, Any]) -> tuple[list[float], list[float]] | None:
        if "lift_table" not in table:
            return None
        where = self._key("lift_table", kind)
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
                        self._key("duration", kind),
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

"""The rows of a comparison: what is compared, which way is better and why, and when a difference is no real one."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from ..advice.headlines import CRUISE
from ..advice.idle import FASTEST
from ..advice.reversion import SLOWEST
from ..cycle.best_torque import EARLIEST
from ..marks import Mark, mark_codes, marked
from ..results import Band, Record
from ..units import quantity

if TYPE_CHECKING:
    from ..units import Quantity

__all__ = ["GROUPS", "NO_ANSWER", "NO_DIFFERENCE", "TASTE", "ComparedFigure", "Row", "compared", "rows_of"]

NO_DIFFERENCE, TASTE, NO_ANSWER = "no real difference", "a matter of taste", "no answer"
LOWER, HIGHER = -1, 1
GROUPS = ("cam", "idle", "road", "spark", "surge", "injection", "trapped air")
# Smaller differences are called none: what a gauge, a logger or a driver would not tell apart, and more than the rounding of a
# printed card moves (a crank degree of duration: 0.4 inHg, 28 rpm of lowest idle, 1.2 % of air, 0.2 points of COV, computed here);
# ESTIMATE, each. Cards print whole crank degrees: half a degree of each of two cards may be rounding, twice for an overlap of two.
CARD, CARD_OVERLAP = 1.01, 2.01
IDLE_STEP, ROAD_STEP = 50.0 / 60.0, 50.0 / 60.0
PRESSURE_STEP, AIR_STEP = 1.7e3, 6e-6  # half an inHg; 2 % of 300 mg
AREA_STEP = 3e-3  # m crank deg, of some 70 of a long cam and 10 of a mild one
BURNED_STEP, VARIATION_STEP, CEILING_STEP, DAMPING_STEP, WINDOW_STEP = 0.01, 0.005, 1.0, 0.01, 10.0
# The earliest spark searched, which stands for "no ceiling".
NO_CEILING = EARLIEST
# Decimals shown, by unit and where that does not do: about a tenth of what the figure is known to.
UNIT_PLACES = {"rpm": 0, "mg": 0, "inHg": 1, "percent": 1, "mph": 1, "km/h": 1, "crank_deg": 1, "mm*crank_deg": 1}
PLACES = {"effective_compression": 2}
EVENTS = {
    "intake_opens": "intake opens b TDC", "intake_closes": "intake closes a BDC",
    "exhaust_opens": "exhaust opens b BDC", "exhaust_closes": "exhaust closes a TDC",
}  # fmt: skip


class Row(NamedTuple):
    """What is known of a figure before any cam: units, which way is better (0: neither), why, and what a missing figure stands for.

    ``resolution`` and ``missing`` (for A, for B) are in the inner unit; NaN ``missing`` stands for nothing. ``follows`` names the
    sampled row whose spread, scaled with the resolution, tells whether a row that is not sampled differs at all.
    ``runs``: that a figure is missing means that the engine does not run there, which speaks for the other cam; else it means nothing.
    ``beyond``: a missing figure is what it stands for or better, so it never speaks for the other cam. ``bound``: what a difference with
    one missing figure is, ``"least"`` or ``"most"`` it can be. ``stands``: which way the missing figure lies from what it stands for.
    """

    name: str
    group: str
    what: str
    unit: str
    show: str
    better: int
    why: str
    resolution: float = 0.0
    missing: tuple[float, float] = (math.nan, math.nan)
    means: str = ""
    follows: str = ""
    runs: bool = True
    beyond: bool = False
    bound: str = "least"
    stands: Mark | None = None


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ComparedFigure(Record):
    """One figure of both cams, in ``unit``; the difference is B less A, its band holds 10 to 90 % of the samples.

    A figure is not-a-number where there is none, which the note explains. ``marks`` says which of ``a``, ``b`` and ``difference`` are an
    end of a search, or rest on one. ``better`` is ``"a"``, ``"b"``, ``"no real
    difference"``, ``"a matter of taste"``, or ``"no answer"`` where there is nothing to compare; ``why`` says why one way is better.
    """

    name: str
    group: str
    what: str
    unit: str
    a: float
    b: float
    difference: float
    low: float
    high: float
    better: str
    why: str
    note: str = ""
    marks: Mapping[str, Mark | None] = dataclasses.field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return super().to_dict() | {"marks": {name: mark_codes(mark) for name, mark in self.marks.items()}}

    def quantity(self, which: str) -> Quantity:
        """Return ``"a"``, ``"b"``, ``"difference"``, ``"low"`` or ``"high"`` with its unit."""
        return quantity(getattr(self, which), self.unit)

    def text(self, which: str) -> str:
        """Return one of the figures as text without its unit, with its mark."""
        value, places = getattr(self, which), PLACES.get(self.name, UNIT_PLACES.get(self.unit, 3))
        if not math.isfinite(value):
            return "none"
        sign = "+" if which in ("difference", "low", "high") and round(value, places) else ""
        return marked(f"{round(value, places) + 0.0:{sign}.{places}f}", self.marks.get(which))

    @property
    def has_band(self) -> bool:
        """Whether the difference was sampled."""
        return math.isfinite(self.low + self.high)


def rows_of(
    gears: Mapping[int, tuple[float, float]], *, sampled_gear: int, loads: Sequence[float], speeds: Sequence[float], road_unit: str, cruise: str
) -> list[Row]:
    """Return every row, top to bottom.

    ``gears``: by number, the road speed of both cars [m/s] at one rev/s. ``sampled_gear``: the one with a band. ``loads`` [Pa] and
    ``speeds`` [rev/s] of the trapped air. ``cruise``: the road speed in words.
    """
    return [*_cam_rows(), *_idle_rows(), *_road_rows(gears, sampled_gear, road_unit), *_spark_rows(cruise), *_air_rows(loads, speeds)]


def _cam_rows() -> list[Row]:
    shape = "moves torque along the speed range: what it costs at low speed shows in the figures below"
    rows = []
    for at, words in (("0.050", "0.050 in tappet"), ("seat", "0.15 mm valve")):
        rows += [Row(f"{name}_{at}", "cam", f"{text}, {words}", "crank_deg", "crank_deg", 0, shape, CARD) for name, text in EVENTS.items()]
        less = "less of it lets less burned gas back at low speed"
        rows.append(Row(f"overlap_{at}", "cam", f"overlap, {words}", "crank_deg", "crank_deg", LOWER, less, CARD_OVERLAP))
    seat = "less time with both valves open lets less burned gas back at low speed"
    area = "less passage between the ports lets less burned gas back at low speed"
    both = "higher pulls better at low speed and knocks earlier: fuel and spark decide"
    return [
        *rows,
        Row("overlap_angle", "cam", "overlap, seat to seat", "crank_deg", "crank_deg", LOWER, seat, CARD_OVERLAP),
        Row("overlap_area", "cam", "overlap area", "m*crank_deg", "mm*crank_deg", LOWER, area, AREA_STEP),
        Row("effective_compression", "cam", "effective compression", "", "", 0, both, 0.02),
    ]


def _idle_rows() -> list[Row]:
    more = "more vacuum is more brake assist and a throttle that has more in hand"
    clean = "less burned gas burns faster and more evenly"
    even = "steadier cycles: less shake, fewer partial burns, less raw smell"
    rows = [
        ("vacuum", "vacuum, each at its own idle speed", "Pa", "inHg", HIGHER, more, PRESSURE_STEP),
        ("vacuum_at_equal_speed", "vacuum, both at the higher idle speed", "Pa", "inHg", HIGHER, more, PRESSURE_STEP),
        ("burned_fraction", "burned gas in the charge at idle", "", "percent", LOWER, clean, BURNED_STEP),
        ("imep_variation", "IMEP variation at idle", "", "percent", LOWER, even, VARIATION_STEP),
        ("vacuum_in_drive", "vacuum in drive, own idle speed", "Pa", "inHg", HIGHER, "a converter takes torque at a standstill: " + more, PRESSURE_STEP),
        ("variation_in_drive", "IMEP variation in drive", "", "percent", LOWER, even, VARIATION_STEP),
    ]
    lowest = Row(
        "lowest_steady_speed",
        "idle",
        "lowest steady idle speed",
        "crank_rps",
        "rpm",
        LOWER,
        "a lower idle is quieter, creeps less and leaves margin below the speed set",
        IDLE_STEP,
        (FASTEST, FASTEST),
        "steady at no idle up to 2000 rpm",
        stands=Mark.OR_MORE,
    )
    return [*(Row(name, "idle", *rest) for name, *rest in rows), lowest]  # type: ignore[arg-type]


def _road_rows(gears: Mapping[int, tuple[float, float]], sampled: int, road_unit: str) -> list[Row]:
    why = "above it the car can be driven evenly in that gear: lower leaves more of the road smooth"
    none = "even down to 600 rpm, where the search ends"
    what, ends = f"uneven below, gear {sampled}, crank speed", (SLOWEST, SLOWEST)
    rows = [Row("unstable_below", "road", what, "crank_rps", "rpm", LOWER, why, ROAD_STEP, ends, none, beyond=True, stands=Mark.OR_LESS)]
    for gear, (a, b) in gears.items():
        name, what = f"unstable_road_speed_{gear}", f"uneven below, gear {gear}"
        follows = "" if gear == sampled else f"unstable_road_speed_{sampled}"
        ends = SLOWEST * a, SLOWEST * b
        rows.append(Row(name, "road", what, "m/s", road_unit, LOWER, why, ROAD_STEP * max(a, b), ends, none, follows, beyond=True, stands=Mark.OR_LESS))
    return rows


def _spark_rows(cruise: str) -> list[Row]:
    ceiling = "a lower ceiling gives up more torque and fuel where the charge swings"
    damping = "more damping: a swing of the driveline dies out sooner; below zero the car bucks by itself"
    shaking = "what the car is felt to do, uneven burns and restless signals through the damping that is left; judged by its verdict"
    speed, pressure = CRUISE
    window = f"injection window at {speed * 60:.0f} rpm, {pressure / 1e3:.0f} kPa"
    wide = "a wider window forgives more: fuel lands where it should"
    level = (NO_CEILING, NO_CEILING)
    return [
        Row(
            "worst_ceiling",
            "spark",
            "lowest spark ceiling",
            "crank_deg",
            "crank_deg",
            HIGHER,
            ceiling,
            CEILING_STEP,
            level,
            "no cell needs a ceiling",
            bound="most",
            stands=Mark.OR_LESS,
        ),
        Row("cruise_shaking", "surge", f"shaking at {cruise}, tallest smooth gear", "m/s**2", "m/s**2", LOWER, shaking, runs=False),
        Row("slow_shaking", "surge", "shaking above idle, shortest smooth gear", "m/s**2", "m/s**2", LOWER, shaking, runs=False),
        Row("cruise_damping", "surge", f"damping at {cruise}, tallest smooth gear", "", "", HIGHER, damping, DAMPING_STEP, runs=False),
        Row("slow_damping", "surge", "damping above idle, shortest smooth gear", "", "", HIGHER, damping, DAMPING_STEP, runs=False),
        Row("window_width", "injection", window, "crank_deg", "crank_deg", HIGHER, wide, WINDOW_STEP, runs=False),
    ]


def _air_rows(loads: Sequence[float], speeds: Sequence[float]) -> list[Row]:
    full = "more air at nearly full load is more torque there"
    part = "more air at a part load: the same torque at a smaller throttle, neither better nor worse"
    return [
        Row(
            f"air_{k}_{j}",
            "trapped air",
            f"air charge per cylinder, {speed * 60:.0f} rpm, {load / 1e3:.0f} kPa",
            "kg",
            "mg",
            HIGHER if load == max(loads) else 0,
            full if load == max(loads) else part,
            AIR_STEP,
        )
        for j, load in enumerate(loads)
        for k, speed in enumerate(speeds)
    ]


def compared(
    rows: Sequence[Row],
    figures: tuple[Mapping[str, float], Mapping[str, float]],
    notes: Mapping[str, str],
    bands: Mapping[str, Band],
    *,
    decided: Mapping[str, str] | None = None,
    silent: Mapping[str, float] | None = None,
    marks: tuple[Mapping[str, Mark | None], Mapping[str, Mark | None]] = ({}, {}),
) -> tuple[ComparedFigure, ...]:
    """Put both cams' figures (inner units) side by side, row by row.

    ``decided``: the better side, or no real difference, of rows that something else than their figure decides. ``silent``: by sampled
    row, the share of samples without an answer. ``marks``: by row, of each cam's figure.
    """
    by_name = {row.name: row for row in rows}

    def difference_of(row: Row) -> float:
        a, b = (figures[k].get(row.name, math.nan) for k in (0, 1))
        if math.isnan(a) and math.isnan(b) and not math.isnan(row.missing[0]):
            return 0.0  # what missing figures stand for is the end of a search, which gearing alone moves
        return stand_in(b, row, 1) - stand_in(a, row, 0)

    items = []
    for row in rows:
        a, b = (figures[k].get(row.name, math.nan) for k in (0, 1))
        own, difference, note = bands.get(row.name), difference_of(row), _note(row, a, b, notes)
        band = own
        if row.follows in bands:
            lead = by_name[row.follows]
            band = _borrowed(difference, row, difference_of(lead), lead, bands[lead.name])
        better = judged(row, a, b, difference, band, (decided or {}).get(row.name, ""))
        missed = (silent or {}).get(row.name, 0.0)
        if missed > 0.0 and math.isfinite(difference):
            note = "; ".join(
                text for text in (note, f"{100.0 * missed:.0f} % of the samples have no answer" + (": too few to tell" if own is None else "")) if text
            )
            better = NO_DIFFERENCE if own is None and better in ("a", "b") else better
        items.append(_item(row, (a, b, difference, *(own or (math.nan, math.nan))), better, note).replace(marks=_marks(row, a, b, marks)))
    return tuple(items)


def _marks(row: Row, a: float, b: float, marks: tuple[Mapping[str, Mark | None], Mapping[str, Mark | None]]) -> dict[str, Mark | None]:
    """Return the marks of both figures and of their difference, which lies the way in which the figures it rests on do."""
    own = [side.get(row.name) for side in marks]
    a_lies, b_lies = (row.stands if math.isnan(value) else mark for value, mark in zip((a, b), own, strict=True))
    opposite = {Mark.OR_MORE: Mark.OR_LESS, Mark.OR_LESS: Mark.OR_MORE}
    ways = {way for way in (b_lies if b_lies in opposite else None, opposite.get(a_lies) if a_lies else None) if way is not None}
    # Two figures that both end the search the same way: their difference may be anything.
    difference = Mark.NONE_FOUND if len(ways) > 1 else next(iter(ways), None)
    return {"a": own[0], "b": own[1], "difference": difference}


def _borrowed(difference: float, row: Row, lead_difference: float, lead: Row, band: Band) -> Band:
    """Return the band a row would have if it spread as widely, in its own scale, as the sampled row it follows."""
    scale = row.resolution / lead.resolution
    return Band(*(difference + scale * (edge - lead_difference) for edge in band))


def judged(row: Row, a: float, b: float, difference: float, band: Band | None, decided: str = "") -> str:
    """Return which cam a row speaks for; figures in the inner unit."""
    if math.isnan(difference):
        return NO_ANSWER if not row.runs or math.isnan(a) == math.isnan(b) else "b" if math.isnan(a) else "a"
    if math.isnan(a) and math.isnan(b):
        return NO_DIFFERENCE
    hidden = band is not None and band.low <= 0.0 <= band.high
    if hidden or abs(difference) <= row.resolution or decided == NO_DIFFERENCE:
        return NO_DIFFERENCE
    if row.better == 0:
        return TASTE
    winner = decided or ("b" if difference * row.better > 0.0 else "a")
    if row.beyond and math.isnan(a) != math.isnan(b) and math.isfinite(a if winner == "a" else b):
        return NO_DIFFERENCE  # the other is at least as good as the end of the search, perhaps better
    return winner


def stand_in(value: float, row: Row, which: int) -> float:
    """Return a figure, or what a missing one stands for: ``which`` is 0 for A, 1 for B."""
    return row.missing[which] if math.isnan(value) else value


def _item(row: Row, values: tuple[float, ...], better: str, note: str) -> ComparedFigure:
    shown = [float(quantity(v, row.unit, row.show).magnitude) for v in values]
    names = ("a", "b", "difference", "low", "high")
    figures: dict[str, Any] = dict(zip(names, shown, strict=True))
    return ComparedFigure(name=row.name, group=row.group, what=row.what, unit=row.show, better=better, why=row.why, note=note, **figures)


def _note(row: Row, a: float, b: float, notes: Mapping[str, str]) -> str:
    said = [notes[row.name]] if notes.get(row.name) else []
    without = " and ".join(name for name, value in (("A", a), ("B", b)) if math.isnan(value))
    if without and row.means:
        known = stand_in(b, row, 1) - stand_in(a, row, 0)
        told = len(without) == 1 and not (row.beyond and known * row.better * (1.0 if without == "B" else -1.0) <= 0.0)
        said.append(f"{without}: {row.means}" + (f"; the difference is the {row.bound} it can be" if told else ""))
    return "; ".join(said)

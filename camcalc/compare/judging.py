"""Two figures side by side: their difference, and when that is no real one."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from ..codes import Code
from ..marks import Mark, mark_codes, marked
from ..results import Band, Measure, Record, measure
from ..units import quantity
from .findings import Better, Group, Why
from .rows import Row

if TYPE_CHECKING:
    from ..units import Quantity

__all__ = ["ComparedFigure", "Spot", "compared", "figure_text", "judged", "stand_in"]

# Decimals shown, by unit and where that does not do: about a tenth of what the figure is known to.
UNIT_PLACES = {"rpm": 0, "mg": 0, "inHg": 1, "kPa": 1, "percent": 1, "mph": 1, "km/h": 1, "crank_deg": 1, "mm*crank_deg": 1}
PLACES = {"effective_compression": 2}
Marks = Mapping[str, Mark | None]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Spot(Record):
    """Where the figure of one build was found, and what was found beside it: what limits a ceiling, a grade, a window, or why there is none."""

    gear: int = 0
    speed: Measure = measure("crank_rps", "rpm")
    manifold_pressure: Measure = measure("Pa", "kPa")
    found: Code | None = None


def spot(*, gear: int = 0, speed: float = math.nan, pressure: float = math.nan, found: Code | None = None) -> Spot:
    """Return where a figure was found: a gear, a crank speed [rev/s], a manifold pressure [Pa], what was found there.

    Parameters
    ----------
    gear : int
        Counted from 1; 0 is none.
    speed : float
        Crank speed [rev/s]; not a number where it is none.
    pressure : float
        Manifold pressure [Pa]; not a number where it is none.
    found : Code
        What was found there.
    """
    values: dict[str, Any] = {"speed": speed, "manifold_pressure": pressure}
    return Spot(gear=gear, found=found, **values)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ComparedFigure(Record):
    """One figure of two builds, in ``unit``; the difference is the second less the first, its band holds 10 to 90 % of the samples.

    A figure is not-a-number where there is none. ``marks`` says which of ``a``, ``b`` and ``difference`` are an end of a search, or rest on
    one. ``no_answer`` is the share of the samples without a difference, ``too_few`` that so many lack one that no band was taken.
    ``gear``, ``speed`` and ``manifold_pressure`` say where it holds; ``at_a`` and ``at_b`` where that is each build's own.
    """

    name: str
    group: Group
    unit: str
    a: float
    b: float
    difference: float
    low: float
    high: float
    better: Better
    why: Why
    no_answer: float = 0.0
    too_few: bool = False
    gear: int = 0
    speed: Measure = measure("crank_rps", "rpm")
    manifold_pressure: Measure = measure("Pa", "kPa")
    at_a: Spot | None = None
    at_b: Spot | None = None
    marks: Mapping[str, Mark | None] = dataclasses.field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return super().to_dict() | {"marks": {name: mark_codes(mark) for name, mark in self.marks.items()}}

    def quantity(self, which: str) -> Quantity:
        """Return ``"a"``, ``"b"``, ``"difference"``, ``"low"`` or ``"high"`` with its unit."""
        return quantity(getattr(self, which), self.unit)

    def text(self, which: str, unit: str = "") -> str:
        """Return one of the figures as text without its unit, with its mark; in another unit where one is asked for."""
        value = getattr(self, which) if unit in ("", self.unit) else float(self.quantity(which).to(unit).magnitude)
        signed = which in ("difference", "low", "high")
        return figure_text(self.name, value, unit or self.unit, self.marks.get(which), signed=signed)

    @property
    def has_band(self) -> bool:
        """Whether the difference was sampled."""
        return math.isfinite(self.low + self.high)

    @property
    def differs(self) -> bool:
        """Whether the builds differ beyond what is known of them."""
        return self.better.one_sided or self.better is Better.TASTE

    @property
    def is_none(self) -> bool:
        """Whether neither build has a figure."""
        return math.isnan(self.a) and math.isnan(self.b)


def figure_text(name: str, value: float, unit: str, mark: Mark | None, *, signed: bool = False) -> str:
    """Return a figure as text without its unit, with its mark.

    Parameters
    ----------
    name : str
        The row's.
    value : float
        In ``unit``; not-a-number where there is none, infinite where a swing grows without end.
    unit : str
    mark : Mark
    signed : bool
        Whether a plus is written.

    Examples
    --------
    >>> figure_text("vacuum", 10.93, "inHg", None), figure_text("x", 0.25, "", None, signed=True), figure_text("x", math.inf, "", None)
    ('10.9', '+0.250', 'no end')
    """
    if not math.isfinite(value):
        return "none" if math.isnan(value) else "no end"
    places = PLACES.get(name, UNIT_PLACES.get(unit, 3))
    sign = "+" if signed and round(value, places) else ""
    return marked(f"{round(value, places) + 0.0:{sign}.{places}f}", mark)


def compared(
    rows: Sequence[Row],
    figures: tuple[Mapping[str, float], Mapping[str, float]],
    bands: Mapping[str, Band],
    *,
    decided: Mapping[str, Better] | None = None,
    silent: Mapping[str, float] | None = None,
    marks: tuple[Marks, Marks] = ({}, {}),
    spots: tuple[Mapping[str, Spot], Mapping[str, Spot]] = ({}, {}),
) -> tuple[ComparedFigure, ...]:
    """Put the figures of two builds side by side, row by row.

    Parameters
    ----------
    rows : sequence of Row
    figures : tuple of two mappings
        By row, of the first and the second build, in the inner unit.
    bands : mapping
        By sampled row, the band of the difference in the inner unit.
    decided : mapping
        The better one of rows that something else than their figure decides.
    silent : mapping
        By sampled row, the share of samples without an answer.
    marks, spots : tuple of two mappings
        By row, of each build's figure.

    Returns
    -------
    tuple of ComparedFigure
    """
    by_name = {row.name: row for row in rows}

    def difference_of(row: Row) -> float:
        a, b = (figures[k].get(row.name, math.nan) for k in (0, 1))
        if math.isnan(a) and math.isnan(b) and not math.isnan(row.missing[0]):
            return 0.0  # what missing figures stand for is the end of a search, which gearing alone moves
        return 0.0 if a == b else stand_in(b, row, 1) - stand_in(a, row, 0)  # two swings without end are alike

    items = []
    for row in rows:
        a, b = (figures[k].get(row.name, math.nan) for k in (0, 1))
        own, difference = bands.get(row.name), difference_of(row)
        band = own
        if row.follows in bands:
            lead = by_name[row.follows]
            band = _borrowed(difference, row, difference_of(lead), lead, bands[lead.name])
        better = judged(row, a, b, difference, band, (decided or {}).get(row.name))
        missed = (silent or {}).get(row.name, 0.0)
        too_few = missed > 0.0 and own is None
        if too_few and better.one_sided and math.isfinite(difference):
            better = Better.NO_DIFFERENCE
        item = _item(row, (a, b, difference, *(own or (math.nan, math.nan))), better)
        items.append(item.replace(no_answer=missed, too_few=too_few, marks=_marks(row, a, b, marks), at_a=spots[0].get(row.name), at_b=spots[1].get(row.name)))
    return tuple(items)


def _marks(row: Row, a: float, b: float, marks: tuple[Marks, Marks]) -> dict[str, Mark | None]:
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


def judged(row: Row, a: float, b: float, difference: float, band: Band | None, decided: Better | None = None) -> Better:
    """Return which build a row favours.

    Parameters
    ----------
    row : Row
    a, b, difference : float
        In the inner unit; not-a-number where there is none.
    band : Band
        Of the difference, in the inner unit; None where it was not sampled.
    decided : Better
        What something else than the figure says, if anything does.
    """
    if math.isnan(difference):
        if not row.runs or math.isnan(a) == math.isnan(b):
            return Better.NO_ANSWER
        return Better.B if math.isnan(a) else Better.A
    if math.isnan(a) and math.isnan(b):
        return Better.NO_DIFFERENCE
    hidden = band is not None and band.low <= 0.0 <= band.high
    if hidden or abs(difference) <= row.resolution or decided is Better.NO_DIFFERENCE:
        return Better.NO_DIFFERENCE
    if row.better == 0:
        return Better.TASTE
    winner = decided or (Better.B if difference * row.better > 0.0 else Better.A)
    if row.beyond and math.isnan(a) != math.isnan(b) and math.isfinite(a if winner is Better.A else b):
        return Better.NO_DIFFERENCE  # the other is at least as good as the end of the search, perhaps better
    return winner


def stand_in(value: float, row: Row, which: int) -> float:
    """Return a figure, or what a missing one stands for: ``which`` is 0 for the first build, 1 for the second."""
    return row.missing[which] if math.isnan(value) else value


def _item(row: Row, values: tuple[float, ...], better: Better) -> ComparedFigure:
    shown = [float(quantity(v, row.unit, row.show).magnitude) for v in values]
    figures: dict[str, Any] = dict(zip(("a", "b", "difference", "low", "high"), shown, strict=True))
    where: dict[str, Any] = {"gear": row.gear, "speed": row.speed or math.nan, "manifold_pressure": row.pressure or math.nan}
    return ComparedFigure(name=row.name, group=row.group, unit=row.show, better=better, why=row.why, **where, **figures)

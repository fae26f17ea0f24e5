"""What choosing a cam found: settled figures of cards, wants kept and not, probabilities, exchange rates, the allowed region."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple

from ..advice.idle_balance import IdleSparkRule
from ..array_record import ArrayRecord, ScalarMeasure, frame_of
from ..cautions import AT_CHOICE
from ..codes import Code
from ..marks import Marks
from ..results import Measure, Record, measure
from ..sheet.learned import Learned
from ..unit_system import UnitSystem
from ..vehicle.acceleration_weighting import SurgeGrade
from .candidates import LeftOut
from .cards import CardPoint
from .cars import CarsFrom
from .wants import Figure, Want

if TYPE_CHECKING:
    import polars

__all__ = [
    "CamFigures", "CardVerdict", "ChosenCam", "ChosenPoint", "Exchange", "KeptWant", "Outcome", "RankedCard", "RankedCards", "Reach", "Region", "SearchedRange",
    "SurrogateError", "computed",
]  # fmt: skip


class Outcome(Code):
    """What came of choosing."""

    CHOSEN = "the largest cam that keeps every want, as surely as is asked for"
    NOT_SURE = "a cam keeps every want by the middle figures, none as surely as is asked for"
    UNREACHABLE = "a want is out of reach of every card tried"
    CONTRADICT = "each want can be kept alone, not all of them together"


class CardVerdict(Code):
    """What a card is to the wants. A want that was not computed on the engine model itself is never counted as kept."""

    KEEPS = "keeps every want, each computed, as surely as is asked for"
    NOT_SURE = "keeps every want by the middle figures, each computed, not as surely as is asked for"
    LIKELY = "breaks no want that was computed; by the surrogate it keeps them all as surely as is asked for"
    OPEN = "breaks no want that was computed; by the surrogate it keeps them all, not as surely as is asked for"
    UNLIKELY = "breaks no want that was computed; by the surrogate it breaks one"
    FAILS = "breaks a want that was computed"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CamFigures(Record):
    """A card and what it leaves, settled on the engine model itself; a figure that no want rests on is missing.

    ``idles`` and ``held`` say whether there is an idle, and whether the engine holds the car in the gear asked about; nothing where neither was asked.
    """

    cam: str
    duration: Measure = measure("crank_deg", doc="of the intake lobe at the checking height")
    exhaust_duration: Measure = measure("crank_deg", doc="of the exhaust lobe at the same height")
    height: Measure = measure("m", "mm", doc="checking height")
    lobe_separation: Measure = measure("crank_deg", "cam_deg")
    advance: Measure = measure("crank_deg")
    intake_centreline: Measure = measure("crank_deg")
    intake_lift: Measure = measure("m", "mm", doc="at the valve, before lash")
    exhaust_lift: Measure = measure("m", "mm")
    effective_compression: float
    idles: bool | None
    idle_speed: Measure = measure("crank_rps", "rpm")
    vacuum: Measure = measure("Pa", "inHg", doc="below the barometer")
    missed: Measure = measure("", "percent", doc="cycles that miss on the idle spark")
    idle_spark: Measure = measure("crank_deg", doc="before top dead centre")
    rule: IdleSparkRule | None
    imep_variation: Measure = measure("", "percent", doc="coefficient of variation of gross IMEP at idle")
    held: bool | None
    gear: int
    road_speed: Measure = measure("crank_rps", "rpm", doc="of the crank, on the level road in the gear asked about")
    road_variation: Measure = measure("", "percent", doc="coefficient of variation of gross IMEP there")
    road_variation_above: Measure = measure("", "percent", doc="the worst there and up to 500 rpm above; missing where that was not looked at")
    surge: SurgeGrade | None
    surge_peaks: Measure = measure("m/s**2", doc="peak to peak there, on a level table; missing where surge was not looked at")
    filling: Measure = measure("", "percent", doc="trapped air at full load over that with the present cam")
    filling_speed: Measure = measure("crank_rps", "rpm")
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


class KeptWant(NamedTuple):
    """A want at a card: limit and settled figure in ``unit``, kept or not, and the share of cars in which it fails.

    ``kept`` is nothing where the want was not computed: such a want counts as neither kept nor broken. ``figure`` is not-a-number where there is none,
    or it was not settled. ``fails`` comes from the surrogate.
    """

    want: Want
    limit: float
    figure: float
    unit: str
    kept: bool | None
    fails: float


def computed(wants: Sequence[KeptWant]) -> tuple[Want, ...]:
    """Return which of the wants were computed."""
    return tuple(one.want for one in wants if one.kept is not None)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Exchange(Record):
    """What one step more of a want costs at the chosen card: less of intake duration, wider lobes, more advance, each alone.

    ``step`` is in ``unit``; a cost below zero is the other way, not-a-number where it moves the figure too little to serve.
    """

    want: Want
    step: float
    unit: str
    duration: Measure = measure("crank_deg", doc="so much shorter")
    lobe_separation: Measure = measure("crank_deg", "cam_deg", doc="so much wider")
    advance: Measure = measure("crank_deg", doc="so much more")


class Reach(NamedTuple):
    """The nearest that can be had of a want where it cannot be met: settled, in ``unit``, at a card; ``others_kept``: with all other wants kept."""

    want: Want
    limit: float
    nearest: float
    unit: str
    cam: str
    others_kept: bool


class SurrogateError(NamedTuple):
    """What a surrogate misses of one figure when a run is left out, in the figure's measure: over all runs, and over the half nearest to the limit."""

    figure: Figure
    overall: float
    near_limit: float
    runs: int


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Region(ArrayRecord):
    """The allowed region over lobe separation and duration at the chosen advance, lift and split, drawn from the surrogate.

    ``margin`` is how far each want is kept, in shares of its own error and spread over cars; ``low`` and ``high`` hold 10 and 90 % of all cars.
    """

    AXES: ClassVar[tuple[str, ...]] = ("lobe_separation", "duration")
    wants: tuple[Want, ...]
    lobe_separation: Measure = measure("crank_deg", "cam_deg")
    duration: Measure = measure("crank_deg")
    advance: ScalarMeasure = measure("crank_deg")
    margin: Measure = measure("", doc="a grid for each want; zero on its line, above zero where it is kept")
    low: Measure = measure("", doc="the same, which one car in ten falls short of")
    high: Measure = measure("", doc="the same, which one car in ten passes")
    probability: Measure = measure("", doc="that all wants are kept")


class SearchedRange(NamedTuple):
    """What cards were searched over: the name of a figure of theirs, both ends, and the unit of these."""

    name: str
    low: float
    high: float
    unit: str


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ChosenPoint(Record):
    """The chosen card in its family, figure for figure: the family gives the card itself again."""

    duration: Measure = measure("crank_deg", doc="of the intake lobe at the family's checking height")
    lobe_separation: Measure = measure("crank_deg", "cam_deg")
    advance: Measure = measure("crank_deg")
    split: Measure = measure("crank_deg", doc="exhaust less intake duration")
    lift: Measure = measure("m", "mm", doc="of the intake valve")

    @property
    def of_family(self) -> CardPoint:
        """The same as the family has it."""
        return CardPoint(*(getattr(self.si, name) for name in CardPoint._fields))


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ChosenCam(Record):
    """The largest cam that keeps every want, and what that rests on.

    ``chosen`` is as sure as is asked for, or as sure as can be; ``largest`` keeps every want by the middle figures alone. ``binds`` is the want that
    most cars break first. ``sheet`` is the card of ``[cam]``, ``present`` that of ``[replaced_cam]``. ``probability`` comes from the surrogate,
    ``sampled_kept`` of ``sampled`` cars settled at the chosen card kept every want. ``cars_from`` says where those cars come from, ``readings`` counts
    the readings of the car that were looked at, and ``learned`` is what the middle figures rest on where there is any.
    """

    name: str
    units: UnitSystem
    model: str
    outcome: Outcome
    wants: tuple[KeptWant, ...]
    chosen: CamFigures | None
    largest: CamFigures | None
    sheet: CamFigures
    present: CamFigures | None
    present_wants: tuple[KeptWant, ...] = ()
    sheet_wants: tuple[KeptWant, ...] = ()
    largest_wants: tuple[KeptWant, ...] = ()
    binds: Want | None
    sure: Measure = measure("", "percent")
    probability: Measure = measure("", "percent", doc="that the chosen cam keeps every want, over the model's own tolerances")
    probability_of_largest: Measure = measure("", "percent")
    probability_of_sheet: Measure = measure("", "percent")
    sampled: int
    sampled_kept: int
    exchange: tuple[Exchange, ...]
    reaches: tuple[Reach, ...]
    clash: tuple[Want, ...]
    errors: tuple[SurrogateError, ...]
    ranges: tuple[SearchedRange, ...]
    impossible: int
    settled: int
    region: Region | None
    point: ChosenPoint | None = None
    cars_from: CarsFrom
    readings: int
    learned: Learned | None
    cautions: tuple[str, ...] = AT_CHOICE
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)

    def to_frame(self) -> polars.DataFrame:
        """Return the settled cards as a polars data frame: a row each, with what it is to this choice."""
        import polars

        named = {"chosen": self.chosen, "largest by the middle figures": self.largest, "sheet": self.sheet, "present": self.present}
        cards = {name: card for name, card in named.items() if card is not None}
        return polars.concat([polars.DataFrame({"card": list(cards)}), frame_of(list(cards.values()))], how="horizontal")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class RankedCard(Record):
    """A card of a list: its place and row, verdict, probability, and its figures where it was settled; else the surrogate ranks it.

    ``wants`` has every want, of a card that was only screened too: there only what is geometry alone was computed.
    """

    place: int
    row: int
    name: str
    verdict: CardVerdict
    settled: bool
    duration: Measure = measure("crank_deg", doc="of the intake lobe at the list's checking height")
    lobe_separation: Measure = measure("crank_deg", "cam_deg")
    probability: Measure = measure("", "percent", doc="that the card keeps every want, over the model's own tolerances, by the surrogate")
    binds: Want | None
    wants: tuple[KeptWant, ...]
    figures: CamFigures | None


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class RankedCards(Record):
    """Cards of a list, best first: those that keep every want by duration, those that likely do among them, then the others by probability.

    ``runs`` counts the engine's idles and road points that were run for the surrogate and for settling: what the time goes with. ``on_road`` counts
    the cards that were looked at for surge. ``cars_from``, ``readings`` and ``learned`` are as those of a ``ChosenCam``.
    """

    name: str
    units: UnitSystem
    model: str
    height: Measure = measure("m", "mm", doc="at which durations are compared")
    sure: Measure = measure("", "percent")
    cards: tuple[RankedCard, ...]
    left_out: tuple[LeftOut, ...]
    errors: tuple[SurrogateError, ...]
    settled: int
    on_road: int
    runs: int
    cars_from: CarsFrom
    readings: int
    learned: Learned | None
    cautions: tuple[str, ...] = AT_CHOICE

    def to_frame(self) -> polars.DataFrame:
        """Return the ranked cards as a polars data frame: a row each; figures of cards that were only screened are null."""
        import polars

        rows: list[dict[str, Any]] = []
        for card in self.cards:
            si = card.si
            row = {"place": card.place, "row": card.row, "name": card.name, "verdict": card.verdict.code, "settled": card.settled}
            row |= {"duration [crank_deg]": si.duration, "lobe separation [cam_deg]": si.lobe_separation / 2.0, "probability [percent]": 100.0 * si.probability}
            row["binds"] = card.binds.code if card.binds else None
            for kept in card.wants:
                title = f"{kept.want.code} [{kept.unit}]" if kept.unit else kept.want.code
                row[title] = kept.figure if kept.figure == kept.figure else None
                row[f"{kept.want.code} kept"] = "not computed" if kept.kept is None else "yes" if kept.kept else "no"
            rows.append(row)
        return polars.DataFrame(rows, infer_schema_length=None)

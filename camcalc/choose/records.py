"""What choosing a cam found: settled figures of cards, wants kept and not, probabilities, exchange rates, the allowed region."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple

from ..advice.idle_balance import IdleSparkRule
from ..array_record import ArrayRecord, frame_of
from ..cautions import AT_CHOICE
from ..codes import Code
from ..marks import Marks
from ..results import Measure, Record, measure
from ..unit_system import UnitSystem
from ..vehicle.acceleration_weighting import SurgeGrade
from .candidates import LeftOut
from .cards import CardPoint
from .wants import Figure, Want

if TYPE_CHECKING:
    import polars

__all__ = [
    "CamFigures", "CardVerdict", "ChosenCam", "Exchange", "KeptWant", "Outcome", "RankedCard", "RankedCards", "Reach", "Region", "SurrogateError",
]  # fmt: skip


class Outcome(Code):
    """What came of choosing."""

    CHOSEN = "the largest cam that keeps every want, as surely as is asked for"
    NOT_SURE = "a cam keeps every want by the middle figures, none as surely as is asked for"
    UNREACHABLE = "a want is out of reach of every card tried"
    CONTRADICT = "each want can be kept alone, not all of them together"


class CardVerdict(Code):
    """What a card is to the wants."""

    KEEPS = "keeps every want, as surely as is asked for"
    NOT_SURE = "keeps every want by the middle figures, not as surely as is asked for"
    FAILS = "does not keep every want"


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

    ``figure`` is not-a-number where there is none, or it was not settled. ``fails`` comes from the surrogate.
    """

    want: Want
    limit: float
    figure: float
    unit: str
    kept: bool
    fails: float


class Exchange(NamedTuple):
    """What one step more of a want costs at the chosen card: degrees less of intake duration, cam degrees wider lobes, degrees more advance, each alone.

    ``step`` is in ``unit``; a cost below zero is the other way, not-a-number where it moves the figure too little to serve.
    """

    want: Want
    step: float
    unit: str
    duration: float
    lobe_separation: float
    advance: float


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
    advance: float
    margin: Measure = measure("", doc="a grid for each want; zero on its line, above zero where it is kept")
    low: Measure = measure("", doc="the same, which one car in ten falls short of")
    high: Measure = measure("", doc="the same, which one car in ten passes")
    probability: Measure = measure("", doc="that all wants are kept")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ChosenCam(Record):
    """The largest cam that keeps every want, and what that rests on.

    ``chosen`` is as sure as is asked for, or as sure as can be; ``largest`` keeps every want by the middle figures alone. ``binds`` is the want that
    most cars break first. ``sheet`` is the card of ``[cam]``, ``present`` that of ``[replaced_cam]``. ``probability`` comes from the surrogate,
    ``sampled_kept`` of ``sampled`` cars settled at the chosen card kept every want; ``point`` is the chosen card in the family, figure for figure.
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
    ranges: Mapping[str, tuple[float, float]]
    impossible: int
    settled: int
    region: Region | None
    point: CardPoint | None = None
    cautions: tuple[str, ...] = AT_CHOICE
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)

    def to_frame(self) -> polars.DataFrame:
        """Return the settled cards as a polars data frame: a row each, with what it is to this choice."""
        import polars

        named = {"chosen": self.chosen, "largest by the middle figures": self.largest, "sheet": self.sheet, "present": self.present}
        cards = {name: card for name, card in named.items() if card is not None}
        return polars.concat([polars.DataFrame({"card": list(cards)}), frame_of(list(cards.values()))], how="horizontal")


class RankedCard(NamedTuple):
    """A card of a list: its place and row, verdict, probability, and its figures where it was settled; else the surrogate ranks it, and prints nothing."""

    place: int
    row: int
    name: str
    verdict: CardVerdict
    settled: bool
    duration: float
    lobe_separation: float
    probability: float
    binds: Want | None
    wants: tuple[KeptWant, ...]
    figures: CamFigures | None


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class RankedCards(Record):
    """Cards of a list, best first: those that keep every want by duration, then the others by probability.

    ``runs`` counts the engine's idles and road points that were run for the surrogate and for settling: what the time goes with.
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
    runs: int
    cautions: tuple[str, ...] = AT_CHOICE

    def to_frame(self) -> polars.DataFrame:
        """Return the ranked cards as a polars data frame: a row each; figures of cards that were only screened are null."""
        import polars

        rows: list[dict[str, Any]] = []
        for card in self.cards:
            row = {"place": card.place, "row": card.row, "name": card.name, "verdict": card.verdict.code, "settled": card.settled}
            row |= {"duration [crank_deg]": card.duration, "lobe separation [cam_deg]": card.lobe_separation / 2.0, "probability": card.probability}
            row["binds"] = card.binds.code if card.binds else None
            row |= {f"{kept.want.code} [{kept.unit}]": kept.figure if kept.figure == kept.figure else None for kept in card.wants}
            rows.append(row)
        return polars.DataFrame(rows, infer_schema_length=None)

"""The choice of a cam in words: which, how surely, what binds, what one step more costs, and what is not known."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from ..choose.cars import CarsFrom
from ..choose.records import CardVerdict, ChosenCam, Outcome, RankedCards, computed
from ..choose.wants import Figure, Want
from ..unit_system import UnitSystem, length_text
from ..units import factor
from ..vehicle.acceleration_weighting import SurgeGrade
from .describing import describe
from .phrases import capitalised, counted, graded, listed

if TYPE_CHECKING:
    from ..choose.candidates import LeftOut
    from ..choose.records import CamFigures, Exchange, KeptWant, RankedCard, Reach, SurrogateError

__all__ = [
    "NOT_COMPUTED", "NOT_KNOWN", "VERDICTS", "basis_words", "card_name", "cars_words", "choice_words", "computed_text", "error_words", "exchange_cells",
    "exchange_words", "left_out_words", "limit_text", "ranking_basis", "ranking_heading", "ranking_words",
    "reach_words", "screened_words", "value_text", "want_name", "want_rows",
]  # fmt: skip

NAMES = {
    Want.IDLE_SPEED: "idle speed",
    Want.IDLE_VACUUM: "idle vacuum",
    Want.MISSED_CYCLES_AT_IDLE: "missed cycles at idle",
    Want.LOWEST_USABLE: "lowest usable speed",
    Want.EFFECTIVE_COMPRESSION_LEAST: "least effective compression",
    Want.EFFECTIVE_COMPRESSION_MOST: "most effective compression",
    Want.KEEP_FILLING: "filling at full load",
}
AT_MOST = (Want.IDLE_SPEED, Want.MISSED_CYCLES_AT_IDLE, Want.LOWEST_USABLE, Want.EFFECTIVE_COMPRESSION_MOST)
VERDICTS = {
    CardVerdict.KEEPS: "keeps every want", CardVerdict.NOT_SURE: "keeps them, not surely", CardVerdict.LIKELY: "likely keeps every want",
    CardVerdict.OPEN: "may keep every want", CardVerdict.UNLIKELY: "likely breaks a want", CardVerdict.FAILS: "breaks a want",
}  # fmt: skip
NOT_COMPUTED = "not computed"
# What the choice does not know, shown on every output.
NOT_KNOWN = (
    "Not in this choice: power at high speed, tuned intake and exhaust lengths, spring limits, valve-to-piston clearance.",
    "The largest cam here is a limit from street manners. It is no advice that a larger cam makes more power in this car.",
)
# What a surrogate's figure is called, and the unit its error is shown in.
FIGURES = {
    Figure.VACUUM: "idle vacuum", Figure.SPARK_LEFT: "idle spark left", Figure.ROUGHNESS: "COV on the road", Figure.FILLING: "filling",
    Figure.COMPRESSION: "effective compression",
}  # fmt: skip


def want_name(want: Want) -> str:
    """Return the name of a want.

    >>> want_name(Want.IDLE_VACUUM)
    'idle vacuum'
    """
    return NAMES[want]


def value_text(want: Want, value: float, unit: str, system: UnitSystem) -> str:
    """Return a want's figure or limit as text, in the user's unit.

    Parameters
    ----------
    want : Want
    value : float
        In ``unit``.
    unit : str
        As the record has it.
    system : UnitSystem
        The user's.

    Examples
    --------
    >>> value_text(Want.IDLE_VACUUM, 12.0, "inHg", UnitSystem.METRIC), value_text(Want.KEEP_FILLING, 0.951, "", UnitSystem.METRIC)
    ('40.6 kPa', '95.1 %')
    """
    if math.isnan(value):
        return "none"
    if want is Want.IDLE_VACUUM:
        return f"{value:.1f} inHg" if system is UnitSystem.IMPERIAL else f"{value * factor('inHg', 'kPa'):.1f} kPa"
    if want is Want.KEEP_FILLING:
        return f"{100.0 * value:.1f} %"
    if unit == "rpm":
        return f"{value:.0f} rpm"
    if unit == "percent":
        return f"{value:.1f} %"
    return f"{value:.2f}"


def limit_text(want: Want, value: float, unit: str, system: UnitSystem) -> str:
    """Return a limit with the side it is on.

    Parameters
    ----------
    want : Want
    value : float
        In ``unit``.
    unit : str
        As the record has it.
    system : UnitSystem
        The user's.

    Examples
    --------
    >>> limit_text(Want.IDLE_SPEED, 900.0, "rpm", UnitSystem.METRIC)
    '900 rpm or less'
    """
    return f"{value_text(want, value, unit, system)} or {'less' if want in AT_MOST else 'more'}"


def card_name(card: CamFigures, system: UnitSystem) -> str:
    """Return a card in the trade's words: durations at their height, lobe separation, advance and centreline, with marks of ends."""
    si = card.si
    ends = [name for name in ("duration", "lobe_separation", "advance") if card.mark(name) is not None]
    way = "advanced" if si.advance >= 0.0 else "retarded"
    text = (
        f"{si.duration:.0f}/{si.exhaust_duration:.0f} deg at {length_text(si.height, system)}, LSA {si.lobe_separation / 2.0:.1f} cam deg, "
        f"{abs(si.advance):.1f} deg {way} (ICL {si.intake_centreline:.1f})"
    )
    at = listed([name.replace("_", " ") for name in ends]) if ends else ""
    return f"{text}. End of the range searched: {at}" if at else text


def _context(want: Want, card: CamFigures) -> str:
    """Return where a want's figure holds."""
    if want in (Want.IDLE_VACUUM, Want.MISSED_CYCLES_AT_IDLE):
        return f" at {60.0 * card.si.idle_speed:.0f} rpm"
    if want is Want.LOWEST_USABLE:
        return f", gear {card.gear} at {60.0 * card.si.road_speed:.0f} rpm"
    return f" at {60.0 * card.si.filling_speed:.0f} rpm" if want is Want.KEEP_FILLING else ""


def want_rows(wants: tuple[KeptWant, ...], card: CamFigures, system: UnitSystem) -> list[tuple[str, str, str, str, str]]:
    """Return a row for each want: name, limit, settled figure, kept or not or not computed, share of cars that break it.

    Parameters
    ----------
    wants : tuple of KeptWant
    card : CamFigures
        The card they are of.
    system : UnitSystem
        The user's.
    """
    rows = []
    for kept in wants:
        name = f"{want_name(kept.want)}{_context(kept.want, card)}"
        figure = value_text(kept.want, kept.figure, kept.unit, system)
        limit = limit_text(kept.want, kept.limit, kept.unit, system)
        if kept.want is Want.LOWEST_USABLE:
            limit = f"COV {kept.limit:.1f} % or less, no surge"
            figure = f"COV {figure}" if card.held else "does not hold the car"
            if card.surge is not None and card.surge is not SurgeGrade.UNKNOWN:
                figure += f", surge {graded(card.surge)}"
            elif card.held:
                figure += ", surge not looked at"
        if kept.want is Want.IDLE_SPEED:
            figure = "idles" if math.isfinite(kept.figure) else "does not idle"
        fails = "" if math.isnan(kept.fails) else f"{100.0 * kept.fails:.0f} %"
        rows.append((name, limit, figure, NOT_COMPUTED if kept.kept is None else "yes" if kept.kept else "no", fails))
    return rows


def choice_words(found: ChosenCam) -> list[str]:
    """Return the answer of a choice, a sentence or two each: the cam, how surely, what binds, what the middle figures alone would allow."""
    system = found.units
    if found.chosen is None:
        return _none_words(found)
    sure, probability = 100.0 * found.si.sure, 100.0 * found.si.probability
    said = [f"Largest cam: {card_name(found.chosen, system)}."]
    if found.outcome is Outcome.NOT_SURE:
        said[0] = f"Largest cam by the middle figures: {card_name(found.chosen, system)}."
        said.append(f"No card of the range keeps every want as surely as {sure:.0f} %.")
    if any(kept.kept is False for kept in found.wants):
        said[0] = f"Largest cam as far as the search went: {card_name(found.chosen, system)}. It breaks a want. Narrow the range of cards."
    said.append(f"It keeps every want with a probability of {probability:.0f} % ({sure:.0f} % asked for).")
    if found.sampled:
        apart = ", surge apart" if any(kept.want is Want.LOWEST_USABLE for kept in found.wants) else ""
        said.append(f"Of {counted(found.sampled, 'car')} settled at this card, {found.sampled_kept} keep every want{apart}.")
    if found.binds is not None:
        said.append(f"{capitalised(want_name(found.binds))} binds first.")
    if found.largest is not None and found.largest != found.chosen:
        half = 100.0 * found.si.probability_of_largest
        said.append(f"By the middle figures alone: {card_name(found.largest, system)}. Probability {half:.0f} %.")
    broken = [want_name(kept.want) for kept in found.sheet_wants if kept.kept is False]
    open_ones = [want_name(kept.want) for kept in found.sheet_wants if kept.kept is None]
    verdict = f"breaks: {listed(broken)}" if broken else "keeps every want computed" if open_ones else "keeps every want by the middle figures"
    said.append(f"The card on the sheet, {found.sheet.cam}, {verdict}.")
    if open_ones:
        said.append(f"Not computed of it: {listed(open_ones)}.")
    return said + cars_words(found)


def _none_words(found: ChosenCam) -> list[str]:
    if found.outcome is Outcome.UNREACHABLE:
        head = f"No card of the range keeps this want: {listed([want_name(want) for want in found.clash])}."
    else:
        which = "the other" if len(found.clash) == 2 else "all the others"
        head = f"These wants contradict each other: {listed([want_name(want) for want in found.clash])}. Each can be kept without {which}."
    reached = [reach_words(reach, found.units) for reach in found.reaches]
    if found.outcome is Outcome.CONTRADICT:
        # Where no card looked at keeps all the others, the nearest is had at one that breaks another want as well.
        beside = zip(found.reaches, reached, strict=True)
        reached = [said if reach.others_kept else f"{said} That card breaks another want too." for reach, said in beside]
    return [head, *reached, "Ease a want, or give a wider range of cards.", *cars_words(found)]


def cars_words(found: ChosenCam | RankedCards) -> list[str]:
    """Return whether the car's own readings count, and how; nothing where the sheet has none.

    Parameters
    ----------
    found : ChosenCam or RankedCards
    """
    one = found.readings == 1
    those = "1 reading" if one else f"{found.readings} readings"
    rests = f"nothing here rests on {'it' if one else 'them'}. Run camcalc readings BUILD first."
    return {
        CarsFrom.SHEET: [],
        CarsFrom.LEARNED: [
            "Middle figures rest on [learned] of the sheet.",
            "Odds are over the model's whole tolerances about it. Rows of [[measured]] narrow them.",
        ],
        CarsFrom.READINGS: [f"Odds are over the cars that {those} of this car leave. Middle figures are those of the most likely car."],
        CarsFrom.CONTRADICTED: [f"The {those} {'contradicts the sheet' if one else 'contradict the sheet or one another'}: {rests}"],
        CarsFrom.FAULTY: [f"A fault of the car explains the {those} far better than none: {rests}"],
    }[found.cars_from]


def reach_words(reach: Reach, system: UnitSystem) -> str:
    """Return the nearest that can be had of a want, in a sentence."""
    limit = limit_text(reach.want, reach.limit, reach.unit, system)
    beside = " with the other wants kept" if reach.others_kept else ""
    if math.isnan(reach.nearest):
        return f"{capitalised(want_name(reach.want))}: {limit} is wanted. No answer at any speed searched, with {reach.cam}."
    nearest = value_text(reach.want, reach.nearest, reach.unit, system)
    return f"{capitalised(want_name(reach.want))}: {limit} is wanted. The nearest{beside} is {nearest}, with {reach.cam}."


def exchange_cells(one: Exchange, system: UnitSystem) -> tuple[str, str, str, str]:
    """Return a row of the exchange table: the step, then duration, lobe separation and advance, each alone."""
    sign = "less" if one.step < 0.0 else "more"
    step = f"{value_text(one.want, abs(one.step), one.unit, system)} {sign}: {want_name(one.want)}"

    def cell(value: float, plus: str, minus: str, unit: str) -> str:
        return "" if math.isnan(value) else f"{abs(value):.1f} {unit} {plus if value >= 0.0 else minus}"

    return (
        step, cell(one.si.duration, "shorter", "longer", "deg"), cell(one.si.lobe_separation / 2.0, "wider", "narrower", "cam deg"),
        cell(one.si.advance, "more advance", "less advance", "deg"),
    )  # fmt: skip


def exchange_words(one: Exchange, system: UnitSystem) -> str:
    """Return what one step more of a want costs, in a sentence."""
    step, *costs = exchange_cells(one, system)
    known = [cost for cost in costs if cost]
    return f"{capitalised(step)} costs {', or '.join(known)}." if known else f"{capitalised(step)}: no way within 30 deg of duration or 8 deg of the others."


def error_words(error: SurrogateError, system: UnitSystem) -> str:
    """Return what a surrogate misses of a figure, in words."""
    if error.figure is Figure.VACUUM:
        unit = "inHg" if system is UnitSystem.IMPERIAL else "kPa"
        amount = f"{error.near_limit / factor(unit, 'Pa'):.2f} {unit}"
    elif error.figure is Figure.ROUGHNESS:
        amount = f"{100.0 * error.near_limit:.1f} % of itself"
    elif error.figure is Figure.FILLING:
        amount = f"{100.0 * error.near_limit:.2f} % of the present cam's"
    else:
        amount = f"{error.near_limit:.1f} deg"
    return f"{FIGURES[error.figure]}: {amount} r.m.s. near the limit, {error.runs} runs"


def basis_words(found: ChosenCam) -> list[str]:
    """Return what a choice rests on, a sentence each."""
    said = [
        "Cards share the lobe design of the sheet's card: every checked duration changes by the same degrees, so ramps and flanks stay as they are.",
        f"{counted(found.settled, 'card')} settled on the engine model. Every figure of a card is settled. Lines of the picture and probabilities are not.",
        _odds_words(found),
        *_shared_basis(found.chosen or found.sheet),
    ]
    if found.impossible:
        said.append(f"{counted(found.impossible, 'card')} of the range left out: no lobe has their lift in their duration.")
    return said + [f"Surrogate missed, each run left out in turn: {error_words(error, found.units)}." for error in found.errors]


def _odds_words(found: ChosenCam | RankedCards) -> str:
    """Return what a probability is over."""
    if found.cars_from is CarsFrom.READINGS:
        return "A probability is over what the readings leave of the model's own tolerances (ESTIMATE). The present engine is one such car."
    return "A probability is over the model's own tolerances, uniform within their half-widths (ESTIMATE). The present engine is one such car."


def _shared_basis(card: CamFigures) -> list[str]:
    said = []
    if card.idles is not None:
        said.append("Idle: warm, accessories off, on camcalc's own idle spark, which lets 1 % of cycles miss.")
    if card.gear:
        said.append(f"Gear {card.gear} taken as locked, on the level. Surge is on a level table at each point's own spark: your table can add to it.")
        said.append("Surge is looked at with the middle figures alone. Odds count it only as a limit on COV below that of cards that surge.")
    if math.isfinite(card.si.filling_speed):
        said.append("Filling: fresh air trapped at full load, tuned lengths left out. Its reference is the cam that the car has now.")
    return said


def ranking_heading(found: RankedCards) -> str:
    """Return the heading of the ranked cards: in which order, and at which height durations are."""
    return f"Best first. Intake duration at {length_text(found.si.height, found.units)}"


def ranking_words(found: RankedCards) -> list[str]:
    """Return the answer of a ranking, a sentence each."""
    best = found.cards[0]
    first = f"Best of {counted(len(found.cards), 'card')}: {best.name}. It {VERDICTS[best.verdict]}. Probability {100.0 * best.si.probability:.0f} %."
    if len(computed(best.wants)) < len(best.wants):
        first += f" Computed of it: {computed_text(best)}."
    if not any(card.verdict is CardVerdict.KEEPS for card in found.cards):
        first += f" No card was found to keep every want as surely as {100.0 * found.si.sure:.0f} %."
    return [first, *screened_words(found), *cars_words(found)]


def screened_words(found: RankedCards) -> list[str]:
    """Return how many cards were settled and looked at for surge, and what the others rest on, a sentence or two each."""
    rest = len(found.cards) - found.settled
    said = ["Every card was settled."]
    if rest:
        said = [f"{counted(found.settled, 'card')} settled, {rest} only screened: not settled, ranked by the surrogate, no figures of them."]
    if any(kept.want is Want.LOWEST_USABLE for kept in found.cards[0].wants):
        said.append(f"{counted(found.on_road, 'card')} looked at for surge. No other card counts as keeping the lowest usable speed.")
    return said


def computed_text(card: RankedCard) -> str:
    """Return which wants of a card were computed, as a cell; what was not is neither kept nor broken."""
    known = computed(card.wants)
    if len(known) == len(card.wants):
        return "every want"
    missing = [want_name(kept.want) for kept in card.wants if kept.want not in known]
    if not known:
        return "none"
    return f"all but {listed(missing)}" if len(missing) <= len(known) else f"{listed([want_name(want) for want in known])} alone"


def ranking_basis(found: RankedCards) -> list[str]:
    """Return what a ranking rests on, a sentence each."""
    card = next((card.figures for card in found.cards if card.figures is not None), None)
    shared = [] if card is None else _shared_basis(card)
    return [_odds_words(found), *shared, *(f"Surrogate missed, each run left out in turn: {error_words(error, found.units)}." for error in found.errors)]


def left_out_words(one: LeftOut) -> str:
    """Return why a card is left out."""
    texts = []
    for key, came, expected, fix in one.reasons:
        texts.append("; ".join(text for text in (f"{key}: {came}", f"expected {expected}" if expected else "", fix) if text))
    reasons = "; ".join(texts)
    return f"Left out, row {one.row}, {one.name}: {reasons}."


@describe.register
def _(record: ChosenCam) -> str:
    exchange = [exchange_words(one, record.units) for one in record.exchange]
    return "\n".join([*record.cautions, *choice_words(record), *exchange, *NOT_KNOWN, *basis_words(record)])


@describe.register
def _(record: RankedCards) -> str:
    return "\n".join([*record.cautions, *ranking_words(record), *map(left_out_words, record.left_out), *NOT_KNOWN, *ranking_basis(record)])

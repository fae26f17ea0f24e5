"""The largest cam whose manners a car can stand: found, settled, and what one step more of each want costs there."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import InputError
from ..marks import Marks, ends_of_search
from ..units import factor
from .asking import Settled, settle, settle_road
from .cards import CardFamily, CardPoint
from .cars import cars_of
from .figures import cam_figures, kept_wants
from .records import CamFigures, ChosenCam, ChosenPoint, Exchange, KeptWant, Outcome, Reach, SearchedRange
from .region import region_of
from .runs import surrogate_errors, workers
from .search import Found, Search, Sizes
from .unmet import Unmet, why_none
from .wants import Figure, Want, Wants, wants_of

if TYPE_CHECKING:
    from ..sheet import Build
    from ..sheet.sections import Wanted

__all__ = ["choose_cam"]

# One step more of a want, in its unit: what a gauge or a driver would tell apart. ESTIMATE, each.
STEPS = {
    Want.IDLE_SPEED: (-50.0, "rpm"), Want.IDLE_VACUUM: (2.0, "inHg"), Want.LOWEST_USABLE: (-100.0, "rpm"), Want.EFFECTIVE_COMPRESSION_LEAST: (0.1, ""),
    Want.EFFECTIVE_COMPRESSION_MOST: (-0.1, ""), Want.KEEP_FILLING: (0.01, ""),
}  # fmt: skip
# Slopes at the chosen card are taken over so many degrees: duration, sum of centrelines, advance [crank deg].
MOVES = {"duration": -4.0, "lobe_separation": 4.0, "advance": 2.0}
# A cost beyond this says only that the figure does not move that way: duration, sum of centrelines, advance [crank deg].
TOO_FAR = {"duration": 30.0, "lobe_separation": 16.0, "advance": 8.0}
# A search that finds none is asked why, and goes on where that finds one, so many times.
AGAIN = 3
# The share of the work that learning from readings is where there are any, for the progress shown alone; ESTIMATE.
LEARNING = 0.5


def choose_cam(
    build: Build,
    wanted: Wanted | None = None,
    *,
    ranges: Mapping[str, tuple[str, str]] | None = None,
    model: str = "resolved",
    executor: Executor | None = None,
    sizes: Sizes = Sizes(),  # noqa: B008 - an immutable tuple
    progress: Callable[[float], None] = lambda share: None,
) -> ChosenCam:
    """Find the cam with the longest duration that leaves every manner wanted, over duration, lobe separation and advance.

    Parameters
    ----------
    build : Build
        ``[cam]`` is the card whose figures are scaled; ``[replaced_cam]`` the cam the car has now.
    wanted : Wanted
        What the cam must leave; the sheet's own when left out.
    ranges : mapping of str to (str, str)
        Ends of ``duration``, ``lobe_separation``, ``advance``, and if they are to vary of ``lift`` and ``split``, with units, as ``CardFamily`` has them.
    model : str
        ``"resolved"``, or for learning ``"quick"``.
    executor : concurrent.futures.Executor
        Who works: threads of this machine when left out. The answer is the same.
    sizes : Sizes
        How much is run.
    progress : callable
        Told the share done.

    Returns
    -------
    ChosenCam
        Where no card keeps every want it says which want is out of reach, or which contradict, with the nearest that can be had.

    Raises
    ------
    InputError
        If nothing is wanted, a range is none, or no lobe can have any card of it.

    Notes
    -----
    Cards share the lobe design of ``[cam]``: every checked duration is longer by the same degrees, so ramps and flanks stay. A surrogate is drawn through
    runs over cards and tolerances and refined where the limits run. Whatever is printed of a card is settled on the engine model itself. Probabilities
    are over the model's own tolerances, uniform within their half-widths, with the surrogate's error in them. Where the sheet has rows of
    ``[[measured]]``, they are over what these leave of the tolerances, and the middle figures are of the engine that they leave as most likely.
    Readings that contradict, or that a fault of the car explains far better, change nothing and are shown.

    Examples
    --------
    >>> from camcalc import load_build
    >>> build = load_build("examples/quarry-road/build.toml")
    >>> wanted = build.wanted.replace(effective_compression_least=7.8)
    >>> found = choose_cam(build, wanted, model="quick", ranges={"advance": ("4 crank_deg", "4 crank_deg")})
    >>> found.outcome.code, found.binds.code, bool(found.chosen.effective_compression >= 7.8)
    ('chosen', 'effective_compression_least', True)
    """
    wants = wants_of(build, wanted)
    family = CardFamily(build.cam, ranges)
    present = build.replaced_cam or build.cam
    cars = cars_of(build, model, progress=lambda share: progress(LEARNING * share))
    begun = LEARNING if build.measured else 0.0
    with workers(executor) as pool:
        search = Search(
            cars, wants, family, present=present, model=model, executor=pool, sizes=sizes, progress=lambda share: progress(begun + (1.0 - begun) * share)
        )
        if not search.points:
            raise InputError("the range of cards", came="no card that a lobe can have", expected="some", fix="less lift, or longer durations")
        search.design()
        found, unmet = search.refine(), None
        for _ in range(AGAIN):
            if found.largest is not None:
                break
            unmet = why_none(search)
            if search.best().largest is None:
                break
            # Asking why has settled a card that keeps every want after all.
            found = search.refine()
        record = _record(search, found, unmet)
    progress(1.0)
    return record


def _record(search: Search, found: Found, unmet: Unmet | None) -> ChosenCam:
    build, wants, runs = search.build, search.wants, search.runs
    shown = found.sure if found.sure is not None else found.largest
    outcome = Outcome.CHOSEN if found.sure is not None else Outcome.NOT_SURE
    reaches: tuple[Reach, ...] = ()
    clash: tuple[Want, ...] = ()
    if shown is None:
        outcome, reaches, clash = unmet or why_none(search)
    chosen, chosen_wants = _card(search, shown)
    largest, largest_wants = _card(search, found.largest)
    if outcome is Outcome.CHOSEN and not all(one.kept for one in chosen_wants):
        # The search ended before the surrogate had learned of it.
        outcome = Outcome.NOT_SURE
    sheet_place = search.place_of(search.family.own)
    ends = {} if chosen is None or shown is None else _marks(search.family, search.points[shown])
    others = {name: _other(search, cam) for name, cam in (("sheet", build.cam), ("present", build.replaced_cam))}
    fails = None if shown is None else search.odds.fails[shown]
    sampled = [] if shown is None else search.sampled_at(shown)
    nothing = math.nan
    assert others["sheet"] is not None
    return ChosenCam(
        name=build.name,
        units=build.units,
        model=search.runs.model,
        outcome=outcome,
        wants=chosen_wants,
        chosen=chosen,
        largest=largest,
        sheet=others["sheet"][0],
        present=others["present"][0] if others["present"] else None,
        present_wants=others["present"][1] if others["present"] else (),
        sheet_wants=others["sheet"][1],
        largest_wants=largest_wants,
        binds=None if fails is None else _binding(search, shown, fails),
        sure=wants.sure,
        probability=nothing if shown is None else float(search.odds.probability[shown]),
        probability_of_largest=nothing if found.largest is None else float(search.odds.probability[found.largest]),
        probability_of_sheet=nothing if sheet_place is None else float(search.odds.probability[sheet_place]),
        sampled=len(sampled),
        sampled_kept=sum(search.keeps(one) for one in sampled),
        exchange=() if shown is None else _exchange(search, shown),
        reaches=reaches,
        clash=clash,
        errors=surrogate_errors(search.surrogates, wants.demands),
        ranges=_searched(search.family),
        impossible=int(np.prod([search.family.axis(name).size for name in CardPoint._fields])) - len(search.points),
        settled=len(runs.settled_cards()),
        region=region_of(search, search.points[shown] if shown is not None else search.family.own),
        point=None if shown is None else ChosenPoint(**search.points[shown]._asdict()),
        cars_from=runs.cars.source,
        readings=runs.cars.readings,
        learned=runs.cars.nominal.learned,
        marks={"probability": None, **ends},
    )


def _searched(family: CardFamily) -> tuple[SearchedRange, ...]:
    """Return what cards were searched over, as people write it."""
    found = []
    for name, ends in family.ends.items():
        shown = ChosenPoint.measures()[name]
        low, high = (end / factor(shown.show, shown.unit) for end in ends)
        found.append(SearchedRange(name, low, high, shown.show))
    return tuple(found)


def _binding(search: Search, shown: int | None, fails: Any) -> Want:
    """Return the want that most cars break; where none breaks any, the one whose middle figure is nearest to its limit."""
    assert shown is not None
    if fails.max() > 0.0:
        return search.wants.demands[int(np.argmax(fails))].want
    spread = np.std(search.odds.margins, axis=0) + 1e-12
    return search.wants.demands[int(np.argmin(search.odds.margins[shown] / spread))].want


def _card(search: Search, place: int | None) -> tuple[CamFigures | None, tuple[KeptWant, ...]]:
    """Return a card's settled figures and its wants."""
    if place is None:
        return None, ()
    settled = search.runs.settled(place)
    search.look_at(place)
    road = search.roads.get(place)
    figures = cam_figures(search.build, search.card(place), search.wants, settled, road)
    marks = {**figures.marks, **_marks(search.family, search.points[place])}
    return figures.replace(marks=marks), kept_wants(search.build, search.wants, settled, road=road, fails=search.odds.fails[place])


def _other(search: Search, cam: Any) -> tuple[CamFigures, tuple[KeptWant, ...]] | None:
    """Return the settled figures of a cam that need not be among the family's; nothing where there is none."""
    if cam is None:
        return None
    settled = search.runs.each(settle, [search.runs.asked(cam)])[0]
    kept = kept_wants(search.build, search.wants, settled)
    # Where nothing else rules a gear out, surge is looked at as it is with every other card.
    road = search.runs.each(settle_road, [search.runs.asked(cam)])[0] if search.wants.gear and all(one.kept is not False for one in kept) else None
    if road is not None:
        kept = kept_wants(search.build, search.wants, settled, road=road)
    return cam_figures(search.build, cam, search.wants, settled, road), kept


def _marks(family: CardFamily, point: CardPoint) -> dict[str, Marks]:
    """Return the marks of a card's figures that are an end of their range."""
    names = {"duration": "duration", "lobe_separation": "lobe_separation", "advance": "advance", "lift": "intake_lift"}
    found: dict[str, Marks] = {}
    for name, field in names.items():
        low, high = family.ends[name]
        found[field] = ends_of_search(getattr(point, name), least=low, most=high) if high > low else None
    return found


def _exchange(search: Search, place: int) -> tuple[Exchange, ...]:
    """Return what one step more of each want costs at a card, each way alone, from settled cards beside it."""
    point, runs = search.points[place], search.runs
    base = runs.settled(place)
    moved = {}
    for name, by in MOVES.items():
        for step in (by, -by):
            beside = point._replace(**{name: getattr(point, name) + step})
            if search.family.possible(beside):
                moved[name] = (step, beside)
                break
    beside_found = dict(zip(moved, runs.each(settle, [runs.asked(search.family.card(one)) for _, one in moved.values()]), strict=True))
    found = []
    for demand in search.wants.demands:
        if demand.want not in STEPS or (demand.want is Want.IDLE_SPEED and Want.IDLE_VACUUM not in [d.want for d in search.wants.demands]):
            continue
        step, unit = STEPS[demand.want]
        lacking = _lacking(search, place, base, demand.want, demand.figure, step)
        costs = {}
        for name, (by, _) in moved.items():
            slope = demand.sign * (_known(beside_found[name], demand.figure) - _known(base, demand.figure)) / by
            # Not-a-number where the engine does not idle, or the gear is not held, at one of the cards.
            costs[name] = lacking / slope if slope != 0.0 and abs(lacking / slope) <= TOO_FAR[name] else math.nan
        nothing = math.nan
        wider, more = costs.get("lobe_separation", nothing), costs.get("advance", nothing)
        found.append(
            Exchange(want=demand.want, step=step, unit=unit, duration=-costs.get("duration", nothing), lobe_separation=wider, advance=more)
        )
    return tuple(found)


def _known(settled: Settled, figure: Figure) -> float:
    """Return a figure of a settled card; not-a-number where what stands for none is there in its place."""
    none = (figure is Figure.VACUUM and settled.rule is None) or (figure is Figure.ROUGHNESS and math.isnan(settled.road_variation))
    return math.nan if none else settled.figures[figure]


def _lacking(search: Search, place: int, base: Settled, want: Want, figure: Figure, step: float) -> float:
    """Return how much of a want's figure one step more asks for, in the figure's own measure; speeds are asked of the engine."""
    runs, wants = search.runs, search.wants

    def at(other: Wants) -> float:
        return _known(runs.each(settle, [runs.asked(search.card(place), wants=other)])[0], figure)

    if want is Want.IDLE_VACUUM:
        return step * factor("inHg", "Pa")
    if want is Want.IDLE_SPEED:
        return _known(base, figure) - at(wants._replace(idle_speed=wants.idle_speed + step / 60.0))
    if want is Want.LOWEST_USABLE:
        return at(wants._replace(road_speed=wants.road_speed + step / 60.0)) - _known(base, figure)
    return abs(step)

"""Cards of a list ranked by what is wanted: screened by a surrogate over the cards' own range, the best few and those near a limit settled."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..cam.card import CamCard
from ..errors import InputError
from .asking import Road, Settled, settle_road
from .candidates import CandidateCards
from .cards import INTAKE_CLOSES, card_features, compression_closing, main_height
from .cars import SEED, Cars, cars_of, sobol
from .figures import cam_figures, duration_at, kept_wants, usable
from .records import CardVerdict, RankedCard, RankedCards
from .runs import Odds, Runs, odds_of, surrogate_errors, workers
from .search import held_below_surge
from .wants import Demand, Figure, Want, wants_of

if TYPE_CHECKING:
    from ..sheet import Build
    from ..sheet.sections import Wanted

__all__ = ["Screening", "rank_cards"]

Array = NDArray[np.float64]

# Verdicts of one standing, the best first: where a want was not computed the surrogate decides what is looked at next.
STANDING = {
    CardVerdict.KEEPS: 0, CardVerdict.LIKELY: 0, CardVerdict.NOT_SURE: 1, CardVerdict.OPEN: 1, CardVerdict.UNLIKELY: 2, CardVerdict.FAILS: 2,
}  # fmt: skip
# The share of the work that learning from readings is where there are any, for the progress shown alone; ESTIMATE.
LEARNING = 0.5


class Screening(NamedTuple):
    """How much is run, whatever the number of cards: nominal cards, cards with tolerances, cards settled near the limits, the best looked at on the road."""

    nominal: int = 18
    sampled: int = 24
    settled: int = 8
    best: int = 3


def rank_cards(
    build: Build,
    cards: CandidateCards | Sequence[CamCard],
    wanted: Wanted | None = None,
    *,
    model: str = "resolved",
    executor: Executor | None = None,
    screening: Screening = Screening(),  # noqa: B008 - an immutable tuple
    progress: Callable[[float], None] = lambda share: None,
) -> RankedCards:
    """Rank cards by what they leave: those that keep every want first, the longest before others; then the rest by probability.

    Parameters
    ----------
    build : Build
        The car; ``[replaced_cam]`` is the cam it has now.
    cards : CandidateCards or sequence of CamCard
        As ``read_cards`` gives them.
    wanted : Wanted
        What the cam must leave; the sheet's own when left out.
    model : str
        ``"resolved"``, or for learning ``"quick"``.
    executor : concurrent.futures.Executor
        Who works: threads of this machine when left out. The answer is the same.
    screening : Screening
        How much is run; it does not grow with the list.
    progress : callable
        Told the share done.

    Returns
    -------
    RankedCards
        A card has figures where it was settled on the engine model itself. The others were only screened: the surrogate ranks them. No want counts
        as kept that was not computed; a gear counts as usable only where it was looked at for surge.

    Raises
    ------
    InputError
        If there are no cards, or nothing is wanted.

    Examples
    --------
    >>> from camcalc import load_build, read_cards
    >>> build = load_build("examples/quarry-road/build.toml")
    >>> wanted = build.wanted.replace(effective_compression_least=7.6)
    >>> found = rank_cards(build, read_cards("examples/quarry-road/cards.csv", build), wanted)
    >>> found.cards[0].verdict.code, found.cards[0].settled, found.runs
    ('keeps', True, 0)
    """
    whole = cards if isinstance(cards, CandidateCards) else CandidateCards(tuple(cards), tuple(range(1, len(cards) + 1)), ())
    if not whole.cards:
        raise InputError("the list of cards", came="no cards", expected="one or more")
    cars = cars_of(build, model, progress=lambda share: progress(LEARNING * share))
    begun = LEARNING if build.measured else 0.0
    with workers(executor) as pool:
        found = _Ranking(cars, whole, wanted, model, pool, screening, lambda share: progress(begun + (1.0 - begun) * share))
        found.screen()
        found.settle_near()
        ranked = found.ranked()
    progress(1.0)
    return ranked


class _Ranking:
    """One ranking: cards, what was run of them, and what is known."""

    def __init__(
        self,
        cars: Cars,
        whole: CandidateCards,
        wanted: Wanted | None,
        model: str,
        executor: Executor,
        screening: Screening,
        progress: Callable[[float], None],
    ) -> None:
        build = cars.nominal
        self.build, self.whole, self.screening, self.model = build, whole, screening, model
        self.wants = wants_of(build, wanted)
        features = np.array([card_features(cam) for cam in whole.cards])
        low, high = features.min(axis=0), features.max(axis=0)
        varied = high - low > 1e-6
        self.units = (features[:, varied] - low[varied]) / (high - low)[varied]
        self.compression = np.array([compression_closing(build.engine, float(closes)) for closes in features[:, INTAKE_CLOSES]])
        check = main_height(build.cam)
        self.height = check.si.height
        self.durations = np.array([duration_at(cam.intake, cam, self.height, check.side) for cam in whole.cards])
        likely = screening.nominal + screening.sampled + screening.settled + screening.best
        self.runs = Runs(
            cars, self.wants, card_of=lambda k: whole.cards[k], units=self.units, present=build.replaced_cam or build.cam, model=model, executor=executor,
            progress=lambda done: progress(min(done / likely, 0.98)),
        )  # fmt: skip
        self.roads: dict[int, Road] = {}
        self.demands: tuple[Demand, ...] = self.wants.demands
        self.odds = Odds(np.zeros((0, 0)), np.zeros((0, 0)), np.zeros(0))

    def screen(self) -> None:
        """Run the design and look at every card with the surrogates."""
        if self.wants.figures:
            order = spread_out(self.units, self.screening.nominal + self.screening.sampled)
            nominal, others = order[: self.screening.nominal], order[self.screening.nominal :]
            self.runs.run(nominal)
            count = self.screening.sampled
            with_tolerances = [others[k % len(others)] if others else order[k % len(order)] for k in range(count)]
            self.runs.run(with_tolerances, self.runs.cars.to_run(sobol(len(self.runs.cars.names), count, seed=SEED + 1)))
        self.refresh()

    def refresh(self) -> None:
        """Draw the surrogates anew."""
        surrogates = self.runs.surrogates() if self.wants.figures else {}
        self.errors = surrogate_errors(surrogates, self.wants.demands)
        self.odds = odds_of(surrogates, self.demands, self.units, self.compression, self.runs.cars.over())

    def settle_near(self) -> None:
        """Settle the best cards, and those whose verdict hangs on the surrogate most, until the best stay the best."""
        if not self.wants.figures:
            return
        near = [k for k in np.argsort(np.abs(self.odds.probability - 0.5), kind="stable") if 0.02 < self.odds.probability[k] < 0.98]
        self.runs.run([int(k) for k in near[: self.screening.settled - self.screening.best]])
        for _ in range(self.screening.settled):
            self.refresh()
            best = self.order()[: self.screening.best]
            new = [k for k in best if k not in self.runs.settled_cards()]
            self.runs.run(new)
            roads = [k for k in best if self.wants.gear and k not in self.roads and self.verdict(k) is not CardVerdict.FAILS]
            found = self.runs.each(settle_road, [self.runs.asked(self.whole.cards[k]) for k in roads])
            self.roads |= dict(zip(roads, found, strict=True))
            if not new and not roads:
                return
            known = self.runs.settled_cards()
            seen = {known[k].figures[Figure.ROUGHNESS]: not usable(self.build, road) for k, road in self.roads.items()}
            self.demands = held_below_surge(self.wants.demands, seen)

    def verdict(self, k: int, known: Mapping[int, Settled] | None = None) -> CardVerdict:
        """Return what a card is to the wants; ``known`` are the settled cards, where they are at hand."""
        settled = (self.runs.settled_cards() if known is None else known).get(k)
        wants = kept_wants(self.build, self.wants, settled, road=self.roads.get(k), compression=float(self.compression[k]))
        if any(one.kept is False for one in wants):
            return CardVerdict.FAILS
        sure = bool(self.odds.probability[k] >= self.wants.sure)
        if all(one.kept for one in wants):
            return CardVerdict.KEEPS if sure else CardVerdict.NOT_SURE
        margins = self.odds.margins[k] if settled is None else [demand.margin(settled.figures[demand.figure]) for demand in self.demands]
        if min(margins) < 0.0:
            return CardVerdict.UNLIKELY
        return CardVerdict.LIKELY if sure else CardVerdict.OPEN

    def order(self) -> list[int]:
        """Return the cards, best first."""
        known, spread = self.runs.settled_cards(), np.std(self.odds.margins, axis=0) + 1e-12

        def place(k: int) -> tuple[float, ...]:
            standing = STANDING[self.verdict(k, known)]
            worst = float((self.odds.margins[k] / spread).min())
            longest = -float(self.durations[k]) if standing == 0 else 0.0
            return standing, longest, -round(float(self.odds.probability[k]), 3), -worst, k

        return sorted(range(len(self.whole.cards)), key=place)

    def ranked(self) -> RankedCards:
        """Return the ranking as a record."""
        self.refresh()
        exact = not self.wants.figures
        if exact:
            self.runs.run(range(len(self.whole.cards)))
        known = self.runs.settled_cards()
        rows = []
        for place, k in enumerate(self.order(), start=1):
            cam, settled, road = self.whole.cards[k], known.get(k), self.roads.get(k)
            exactly = float(self.compression[k])
            rows.append(
                RankedCard(
                    place=place,
                    row=self.whole.rows[k],
                    name=cam.name,
                    verdict=self.verdict(k, known),
                    settled=settled is not None,
                    duration=float(self.durations[k]),
                    lobe_separation=cam.intake.si.centreline + cam.exhaust.si.centreline,
                    probability=float(self.odds.probability[k]),
                    binds=self._binds(k),
                    wants=kept_wants(self.build, self.wants, settled, road=road, fails=self.odds.fails[k], compression=exactly),
                    figures=None if settled is None else cam_figures(self.build, cam, self.wants, settled, road),
                )
            )
        return RankedCards(
            name=self.build.name,
            units=self.build.units,
            model=self.model,
            height=self.height,
            sure=self.wants.sure,
            cards=tuple(rows),
            left_out=self.whole.left_out,
            errors=self.errors,
            settled=sum(row.settled for row in rows),
            on_road=len(self.roads),
            runs=0 if exact else self.runs.count,
            cars_from=self.runs.cars.source,
            readings=self.runs.cars.readings,
            learned=self.build.learned,
        )

    def _binds(self, k: int) -> Want | None:
        """Return the want that most cars break with a card; nothing where a list has one card and none breaks any."""
        fails = self.odds.fails[k]
        if k in self.roads and not usable(self.build, self.roads[k]):
            return Want.LOWEST_USABLE
        if fails.max() > 0.0:
            return self.wants.demands[int(np.argmax(fails))].want
        spread = np.std(self.odds.margins, axis=0)
        if not math.isfinite(float(spread.max())) or spread.max() == 0.0:
            return None
        return self.wants.demands[int(np.argmin(self.odds.margins[k] / (spread + 1e-12)))].want


def spread_out(units: Array, count: int) -> list[int]:
    """Return so many cards, or all there are, each the farthest from those before it; the first is the nearest to the middle of all.

    >>> spread_out(np.array([[0.0], [0.1], [0.5], [1.0]]), 3)
    [2, 0, 3]
    """
    if units.shape[1] == 0:
        return [0]
    order = [int(np.argmin(((units - units.mean(axis=0)) ** 2).sum(axis=1)))]
    apart = ((units - units[order[0]]) ** 2).sum(axis=1)
    while len(order) < min(count, len(units)):
        order.append(int(np.argmax(apart)))
        apart = np.minimum(apart, ((units - units[order[-1]]) ** 2).sum(axis=1))
    return order

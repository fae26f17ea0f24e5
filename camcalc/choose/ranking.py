"""Cards of a list ranked by what is wanted: screened by a surrogate over the cards' own range, the best few and those near a limit settled."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..cam.card import CamCard
from ..errors import InputError
from .asking import Road, settle_road
from .candidates import CandidateCards
from .cards import card_features, compression_of, main_height
from .figures import cam_figures, duration_at, kept_wants
from .records import CardVerdict, RankedCard, RankedCards
from .runs import SEED, Odds, Runs, odds_of, sobol, surrogate_errors, workers
from .wants import Want, wants_of

if TYPE_CHECKING:
    from ..sheet import Build
    from ..sheet.sections import Wanted

__all__ = ["Screening", "rank_cards"]

Array = NDArray[np.float64]


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
        A card has figures where it was settled on the engine model itself. The others were only screened: the surrogate ranks them.

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
    with workers(executor) as pool:
        found = _Ranking(build, whole, wanted, model, pool, screening, progress)
        found.screen()
        found.settle_near()
        ranked = found.ranked()
    progress(1.0)
    return ranked


class _Ranking:
    """One ranking: cards, what was run of them, and what is known."""

    def __init__(
        self,
        build: Build,
        whole: CandidateCards,
        wanted: Wanted | None,
        model: str,
        executor: Executor,
        screening: Screening,
        progress: Callable[[float], None],
    ) -> None:
        self.build, self.whole, self.screening, self.model = build, whole, screening, model
        self.wants = wants_of(build, wanted)
        features = np.array([card_features(cam) for cam in whole.cards])
        low, high = features.min(axis=0), features.max(axis=0)
        varied = high - low > 1e-6
        self.units = (features[:, varied] - low[varied]) / (high - low)[varied]
        self.compression = np.array([compression_of(build.replace(cam=cam)) for cam in whole.cards])
        check = main_height(build.cam)
        self.height = check.si.height
        self.durations = np.array([duration_at(cam.intake, cam, self.height, check.side) for cam in whole.cards])
        likely = screening.nominal + screening.sampled + screening.settled + screening.best
        self.runs = Runs(
            build, self.wants, card_of=lambda k: whole.cards[k], units=self.units, present=build.replaced_cam or build.cam, model=model, executor=executor,
            progress=lambda done: progress(min(done / likely, 0.98)),
        )  # fmt: skip
        self.roads: dict[int, Road] = {}
        self.odds = Odds(np.zeros((0, 0)), np.zeros((0, 0)), np.zeros(0))

    def screen(self) -> None:
        """Run the design and look at every card with the surrogates."""
        if self.wants.figures:
            order = spread_out(self.units, self.screening.nominal + self.screening.sampled)
            nominal, others = order[: self.screening.nominal], order[self.screening.nominal :]
            self.runs.run(nominal)
            count = self.screening.sampled
            with_tolerances = [others[k % len(others)] if others else order[k % len(order)] for k in range(count)]
            self.runs.run(with_tolerances, 2.0 * sobol(len(self.runs.uncertain), count, seed=SEED + 1) - 1.0)
        self.refresh()

    def refresh(self) -> None:
        """Draw the surrogates anew."""
        surrogates = self.runs.surrogates() if self.wants.figures else {}
        self.errors = surrogate_errors(surrogates, self.wants.demands)
        self.odds = odds_of(surrogates, self.wants.demands, self.units, self.compression, self.runs.cars())

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
            roads = [k for k in best if self.wants.gear and k not in self.roads and self._keeps_figures(k)]
            found = self.runs.each(settle_road, [self.runs.asked(self.whole.cards[k]) for k in roads])
            self.roads |= dict(zip(roads, found, strict=True))
            if not new and not roads:
                return

    def _keeps_figures(self, k: int) -> bool:
        """Whether a card keeps every want, surge apart: settled where it was, else by the surrogate."""
        settled = self.runs.settled_cards().get(k)
        if settled is None:
            return bool((self.odds.margins[k] >= 0.0).all())
        return all(demand.margin(settled.figures[demand.figure]) >= 0.0 for demand in self.wants.demands)

    def verdict(self, k: int) -> CardVerdict:
        """Return what a card is to the wants."""
        road = self.roads.get(k)
        surges = road is not None and (not road.held or road.grade.bad or road.variation > self.build.limits.stability)
        if surges or not self._keeps_figures(k):
            return CardVerdict.FAILS
        return CardVerdict.KEEPS if self.odds.probability[k] >= self.wants.sure else CardVerdict.NOT_SURE

    def order(self) -> list[int]:
        """Return the cards, best first."""

        def place(k: int) -> tuple[float, ...]:
            verdict = self.verdict(k)
            rank = (CardVerdict.KEEPS, CardVerdict.NOT_SURE, CardVerdict.FAILS).index(verdict)
            spread = np.std(self.odds.margins, axis=0) + 1e-12
            worst = float((self.odds.margins[k] / spread).min())
            longest = -float(self.durations[k]) if verdict is CardVerdict.KEEPS else 0.0
            return rank, longest, -round(float(self.odds.probability[k]), 3), -worst, k

        return sorted(range(len(self.whole.cards)), key=place)

    def ranked(self) -> RankedCards:
        """Return the ranking as a record."""
        self.refresh()
        exact = not self.wants.figures
        known = self.runs.settled_cards()
        rows = []
        for place, k in enumerate(self.order(), start=1):
            cam, settled = self.whole.cards[k], self.runs.settled(k) if exact else known.get(k)
            fails = self.odds.fails[k]
            wants = () if settled is None else kept_wants(self.build, self.wants, settled, road=self.roads.get(k), fails=fails)
            rows.append(
                RankedCard(
                    place=place,
                    row=self.whole.rows[k],
                    name=cam.name,
                    verdict=self.verdict(k),
                    settled=settled is not None,
                    duration=float(self.durations[k]),
                    lobe_separation=cam.intake.si.centreline + cam.exhaust.si.centreline,
                    probability=float(self.odds.probability[k]),
                    binds=self._binds(k),
                    wants=wants,
                    figures=None if settled is None else cam_figures(self.build, cam, self.wants, settled, self.roads.get(k)),
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
            runs=0 if exact else self.runs.count,
        )

    def _binds(self, k: int) -> Want | None:
        """Return the want that most cars break with a card; nothing where a list has one card and none breaks any."""
        fails = self.odds.fails[k]
        if self.roads.get(k) is not None and self.verdict(k) is CardVerdict.FAILS and self._keeps_figures(k):
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

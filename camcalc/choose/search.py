"""The search for the largest cam of a family: a design, surrogates through it, and refining where the limits run, until the answer is settled."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..cam.card import CamCard
from .asking import Road, Settled, settle_road
from .cards import CardFamily, CardPoint
from .cars import SEED, Cars, sobol
from .emulated import Emulated
from .figures import usable
from .runs import Odds, Runs, odds_of
from .wants import Demand, Figure, Want, Wants

__all__ = ["Found", "Search", "Sizes", "held_below_surge"]

Array = NDArray[np.float64]


class Sizes(NamedTuple):
    """How much is run: nominal cards and cards with tolerances for each figure that varies, cars settled at the answer and at how many answers, rounds."""

    nominal: int = 8
    sampled: int = 14
    cars: int = 16
    rounds: int = 12
    moves: int = 2


# A card whose roughness is so little above that of one that surges is looked at again [logarithm of COV]; ESTIMATE, half a degree of duration.
CLOSER, FIRST_STEP = 0.04, 0.25


class Found(NamedTuple):
    """The answer of a search: places of cards among all, nothing where there is none."""

    sure: int | None
    largest: int | None


def held_below_surge(demands: Sequence[Demand], surges: Mapping[float, bool]) -> tuple[Demand, ...]:
    """Return demands with the limit of roughness between the roughest card that does not surge and the least rough that does.

    Parameters
    ----------
    demands : sequence of Demand
    surges : mapping of float to bool
        By the roughness of each card that was looked at on the road [logarithm of COV of IMEP over its limit], whether it surges there.

    Examples
    --------
    >>> rough = Demand(Want.LOWEST_USABLE, Figure.ROUGHNESS, -1.0, 0.0)
    >>> [held_below_surge([rough], seen)[0].limit for seen in ({-0.2: False}, {-0.2: True, -0.4: False}, {0.4: True, 0.2: False})]
    [0.0, -0.30000000000000004, 0.0]
    """
    bad = [rough for rough, one in surges.items() if one]
    if not bad:
        return tuple(demands)
    good = [rough for rough, one in surges.items() if not one and rough < min(bad)]
    # Steps double until a card is met that does not surge.
    limit = (max(good) + min(bad)) / 2.0 if good else min(bad) - FIRST_STEP * 2.0 ** (len(bad) - 1)
    if good and min(bad) - max(good) < CLOSER:
        limit = max(good)
    return tuple(d._replace(limit=min(limit, 0.0)) if d.want is Want.LOWEST_USABLE else d for d in demands)


class Search:
    """A search over a family of cards.

    Parameters
    ----------
    cars : Cars
    wants : Wants
    family : CardFamily
    present : CamCard
        The cam the car has now.
    model : str
    executor : Executor
    sizes : Sizes
    progress : callable
        Told the share done.
    """

    def __init__(
        self,
        cars: Cars,
        wants: Wants,
        family: CardFamily,
        *,
        present: CamCard,
        model: str,
        executor: Executor,
        sizes: Sizes,
        progress: Callable[[float], None],
    ) -> None:
        build = cars.nominal
        self.build, self.wants, self.family, self.sizes = build, wants, family, sizes
        self.points = family.points()
        self.units = np.array([family.unit(point) for point in self.points]).reshape(len(self.points), len(family.varied))
        self.compression = np.array([family.compression(point, build.engine) for point in self.points])
        self.durations = np.array([point.duration for point in self.points])
        features = max(len(family.varied), 1)
        likely = features * (sizes.nominal + sizes.sampled) + sizes.cars + sizes.rounds
        self.runs = Runs(
            cars, wants, card_of=self.card, units=self.units, present=present, model=model, executor=executor,
            progress=lambda done: progress(min(done / likely, 0.95)),
        )  # fmt: skip
        self.demands: tuple[Demand, ...] = wants.demands
        self.roads: dict[int, Road] = {}
        self.surrogates: dict[Figure, Emulated] = {}
        self.odds = Odds(*(np.zeros((0, 0)),) * 2, np.zeros(0))

    def card(self, place: int) -> CamCard:
        """Return a card by its place."""
        return self.family.card(self.points[place])

    def nearest(self, unit: Array) -> int:
        """Return the card nearest to a place from 0 to 1 along what varies."""
        return int(np.argmin(((self.units - unit) ** 2).sum(axis=1)))

    def place_of(self, point: CardPoint) -> int | None:
        """Return the place of a card by its figures, nothing where it is not among the family's."""
        close = [k for k, one in enumerate(self.points) if all(abs(a - b) < 1e-6 for a, b in zip(one, point, strict=True))]
        return close[0] if close else None

    def design(self) -> None:
        """Run the first design: nominal cards, and other cards each with tolerances of its own."""
        cars = self.runs.cars
        features, uncertain = max(len(self.family.varied), 1), len(cars.names)
        if not self.wants.figures:
            return
        if self.units.shape[1] == 0:
            self.runs.run([0])
            count = self.sizes.sampled
            self.runs.run([0] * count, cars.to_run(sobol(uncertain, count)))
            return
        corners = [np.full(features, 0.5), *(np.where(np.arange(features) == 0, end, 0.5) for end in (0.0, 1.0))]
        self.runs.run([self.nearest(unit) for unit in [*corners, *sobol(features, features * self.sizes.nominal)]])
        both = sobol(features + uncertain, features * self.sizes.sampled, seed=SEED + 1)
        self.runs.run([self.nearest(unit) for unit in both[:, :features]], cars.to_run(both[:, features:]))

    def refresh(self) -> None:
        """Draw the surrogates anew through all runs, and look at every card with them."""
        self.surrogates = self.runs.surrogates() if self.wants.figures else {}
        own = self.place_of(self.family.own)
        also = [*self.runs.settled_cards(), *([] if own is None else [own])]
        self.odds = odds_of(self.surrogates, self.demands, self.units, self.compression, self.runs.cars.over(), also=also)

    def kept(self) -> NDArray[np.bool_]:
        """Return which cards keep every want by the middle figures: by the engine itself where it was asked, else by the surrogate."""
        found: NDArray[np.bool_] = np.all(self.odds.margins >= 0.0, axis=1)
        for place, settled in self.runs.settled_cards().items():
            # A card that was not looked at on the road is held to what others there have shown.
            demands = self.wants.demands if place in self.roads else self.demands
            found[place] = all(demand.margin(settled.figures[demand.figure]) >= 0.0 for demand in demands) and not self.surges(place)
        return found

    def keeps(self, settled: Settled) -> bool:
        """Whether settled figures keep every want, surge apart."""
        return all(demand.margin(settled.figures[demand.figure]) >= 0.0 for demand in self.wants.demands)

    def surges(self, place: int) -> bool:
        """Whether a card was looked at on the road and surges there, or is rougher above the wanted speed than at it."""
        road = self.roads.get(place)
        return road is not None and not usable(self.build, road)

    def best(self) -> Found:
        """Return the largest cards by what is known now: as sure as is asked for, and by the middle figures."""
        kept = self.kept()
        sure = kept & (self.odds.probability >= self.wants.sure)
        return Found(self._largest(sure), self._largest(kept))

    def _largest(self, which: NDArray[np.bool_]) -> int | None:
        places = np.flatnonzero(which)
        if places.size == 0:
            return None
        return int(max(places, key=lambda k: (self.durations[k], round(float(self.odds.probability[k]), 6), -k)))

    def look_at(self, place: int) -> bool:
        """Settle a card, on the road too where a gear is asked about and nothing else rules it out; return whether anything new was run."""
        before = len(self.runs.done) + len(self.roads)
        settled = self.runs.settled(place) if self.wants.figures else None
        if self.wants.gear and settled is not None and self.keeps(settled):
            self.on_road(place)
        return len(self.runs.done) + len(self.roads) > before

    def on_road(self, place: int) -> Road | None:
        """Look at a card on the road, once; nothing where no gear is asked about."""
        if self.wants.gear and place not in self.roads:
            self.runs.settled(place)
            self.roads[place] = self.runs.each(settle_road, [self.runs.asked(self.card(place))])[0]
            self._learn_from_surge()
        return self.roads.get(place)

    def _learn_from_surge(self) -> None:
        """Hold the surrogate's limit of roughness below what surges."""
        known = self.runs.settled_cards()
        self.demands = held_below_surge(self.wants.demands, {known[k].figures[Figure.ROUGHNESS]: self.surges(k) for k in self.roads})

    def refine(self) -> Found:
        """Settle what looks best until it stays best, and one degree more until that fails; return the answer."""
        sampled: set[int] = set()
        for _ in range(self.sizes.rounds):
            self.refresh()
            found = self.best()
            new = [self.look_at(place) for place in dict.fromkeys(found) if place is not None]
            new.append(self._one_more(found.largest))
            if any(new):
                continue
            # Cars at a card sharpen its odds, and may move the answer: cars are settled there too, a few times at most.
            shown = found.sure if found.sure is not None else found.largest
            if shown is None or shown in sampled or len(sampled) == self.sizes.moves:
                break
            self.sample(shown)
            sampled.add(shown)
        self.refresh()
        return self.best()

    def _one_more(self, largest: int | None) -> bool:
        """Settle the card that has the best chance among those a step longer than the largest, or among all; return whether anything new was run."""
        if not self.wants.figures:
            return False
        places = np.arange(len(self.points))
        if largest is not None:
            longer = np.unique(self.durations[self.durations > self.durations[largest] + 1e-9])
            if longer.size == 0:
                return False
            places = np.flatnonzero(np.abs(self.durations - longer[0]) < 1e-9)
        spread = np.std(self.odds.margins, axis=0) + 1e-12
        worst = (self.odds.margins[places] / spread).min(axis=1)
        return self.look_at(int(places[int(np.argmax(worst))]))

    def sample(self, place: int) -> None:
        """Settle the first cars of those that probabilities are taken over at a card."""
        if self.wants.figures and self.sizes.cars:
            self.runs.run([place] * self.sizes.cars, self.runs.cars.over()[: self.sizes.cars])

    def sampled_at(self, place: int) -> list[Settled]:
        """Return the settled cars at a card."""
        cars = {row.tobytes() for row in self.runs.cars.over()[: self.sizes.cars]}
        return [run.found for run in self.runs.done if run.card == place and run.tolerances.any() and run.tolerances.tobytes() in cars]

"""Runs of the engine over cards and tolerances, on any executor, and the surrogates and probabilities drawn from them."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from ..cam.card import CamCard
from .asking import Asked, Settled, settle
from .cars import Cars
from .emulated import Emulated, emulate
from .records import SurrogateError
from .wants import Demand, Figure, Wants

__all__ = ["Odds", "Run", "Runs", "odds_of", "surrogate_errors", "workers"]

Array = NDArray[np.float64]
Out = TypeVar("Out")

# A surrogate's own figures are fitted again when there are so many times as many runs.
GROWN = 1.2
# Sets of cards and cars looked at in one go.
CHUNK = 4000


class Run(NamedTuple):
    """One run: which card, by its place among all; tolerances as ``Cars`` counts them, zero of the middle figures; what came."""

    card: int
    tolerances: Array
    found: Settled


class Odds(NamedTuple):
    """Over cards: margins by the middle figures and the share of cars each demand fails in, a column a demand; the probability that all are kept."""

    margins: Array
    fails: Array
    probability: Array


@contextmanager
def workers(executor: Executor | None) -> Iterator[Executor]:
    """Give who works: an executor given, or threads of this machine."""
    if executor is not None:
        yield executor
        return
    own = ThreadPoolExecutor(os.cpu_count() or 1)
    try:
        yield own
    finally:
        own.shutdown(cancel_futures=True)


class Runs:
    """All runs of one search: asked once each, side by side, remembered by card and tolerances.

    Parameters
    ----------
    cars : Cars
        Of the sheet, as its readings leave them.
    wants : Wants
    card_of : callable
        From the place of a card among all to the card.
    units : array, shape (cards, features)
        What the surrogates know of each card, from 0 to 1.
    present : CamCard
        The cam the car has now, which filling is compared with.
    model : str
        As ``make_brief`` takes it.
    executor : Executor
        Who works.
    progress : callable
        Told the runs done so far.
    """

    def __init__(
        self,
        cars: Cars,
        wants: Wants,
        *,
        card_of: Callable[[int], CamCard],
        units: Array,
        present: CamCard | None,
        model: str,
        executor: Executor,
        progress: Callable[[int], None] = lambda done: None,
    ) -> None:
        self.cars, self.wants, self.card_of, self.units = cars, wants, card_of, units
        self.present, self.model, self.executor, self.progress = present, model, executor, progress
        self.done: list[Run] = []
        self.count = 0
        self._known: set[tuple[int, bytes]] = set()
        self._logs: dict[Figure, Array] = {}
        self._fitted = 0

    def asked(self, cam: CamCard, tolerances: Array | None = None, wants: Wants | None = None) -> Asked:
        """Return a question about a cam; without tolerances it is nominal."""
        own = self.wants if wants is None else wants
        if tolerances is not None and tolerances.any():
            return Asked(self.cars.around, cam, self.present, own, self.cars.multipliers(tolerances), self.model)
        return Asked(self.cars.nominal, cam, self.present, own, {}, self.model)

    def each(self, ask: Callable[[Asked], Out], asked: Sequence[Asked]) -> list[Out]:
        """Return what comes of questions, in their order, worked out side by side."""
        out = []
        for found in self.executor.map(ask, asked):
            self.count += 1
            self.progress(self.count)
            out.append(found)
        return out

    def run(self, cards: Sequence[int], tolerances: Array | None = None) -> None:
        """Run cards by their places, each with its row of tolerances, nominal when left out; what was run already is not run again."""
        rows = np.zeros((len(cards), len(self.cars.names))) if tolerances is None else tolerances
        new = []
        for card, row in zip(cards, rows, strict=True):
            key = int(card), row.tobytes()
            if key not in self._known:
                self._known.add(key)
                new.append((int(card), row))
        found = self.each(settle, [self.asked(self.card_of(card), row) for card, row in new])
        self.done += [Run(card, row, one) for (card, row), one in zip(new, found, strict=True)]

    def settled(self, card: int) -> Settled:
        """Return the nominal run of a card, which is run now if it was not."""
        self.run([card])
        return next(run.found for run in self.done if run.card == card and not run.tolerances.any())

    def settled_cards(self) -> dict[int, Settled]:
        """Return all nominal runs, by card."""
        return {run.card: run.found for run in self.done if not run.tolerances.any()}

    def surrogates(self) -> dict[Figure, Emulated]:
        """Return a surrogate of each figure that is asked for, through all runs."""
        cards = self.units[[run.card for run in self.done]]
        tolerances = np.array([run.tolerances for run in self.done])
        if len(self.done) > GROWN * self._fitted:
            self._logs, self._fitted = {}, len(self.done)
        found = {}
        for figure in self.wants.figures:
            values = np.array([run.found.figures[figure] for run in self.done])
            found[figure] = emulate(cards, tolerances, values, start=self._logs.get(figure))
            self._logs[figure] = found[figure].logs
        return found


def odds_of(
    surrogates: dict[Figure, Emulated], demands: Sequence[Demand], units: Array, compression: Array, cars: Array, *, also: Sequence[int] | None = None
) -> Odds:
    """Return margins and probabilities of cards.

    Parameters
    ----------
    surrogates : dict of Figure to Emulated
    demands : sequence of Demand
    units : array, shape (cards, features)
        What the surrogates know of each card.
    compression : array, shape (cards,)
        Effective compression ratio of each, exact.
    cars : array, shape (cars, tolerances)
        From -1 to 1 over each half-width, zero of the middle figures.
    also : sequence of int
        Where given, odds are worked out of these cards and of those that keep every want by the middle figures alone; of the others they are
        not-a-number. Saves time.

    Notes
    -----
    A surrogate's own error counts as normal scatter of the size found near the limit by leaving runs out, independent from want to want.
    """
    from scipy.special import ndtr

    margins, fails = np.empty((len(units), len(demands))), np.full((len(units), len(demands)), np.nan)
    probability = np.full(len(units), np.nan)
    for start in range(0, len(units), CHUNK):
        rows = slice(start, start + CHUNK)
        middle = {figure: drawn.nominal(units[rows]) for figure, drawn in surrogates.items()} | {Figure.COMPRESSION: compression[rows]}
        for k, demand in enumerate(demands):
            margins[rows, k] = demand.sign * (middle[demand.figure] - demand.limit)
    looked = np.arange(len(units))
    if also is not None:
        looked = np.union1d(np.flatnonzero(np.all(margins >= 0.0, axis=1)), np.array(also, dtype=int))
    for start in range(0, looked.size, CHUNK):
        some = looked[start : start + CHUNK]
        over_cars = {figure: drawn.at(units[some], cars) for figure, drawn in surrogates.items()}
        whole = np.ones((some.size, cars.shape[0]))
        for k, demand in enumerate(demands):
            if demand.figure is Figure.COMPRESSION:
                each = np.broadcast_to((margins[some, k] >= 0.0)[:, None].astype(float), whole.shape)
            else:
                gap = demand.sign * (over_cars[demand.figure] - demand.limit)
                each = ndtr(gap / max(surrogates[demand.figure].error_near(demand.limit), 1e-12))
            fails[some, k] = 1.0 - each.mean(axis=1)
            whole = whole * each
        probability[some] = whole.mean(axis=1)
    return Odds(margins, fails, probability)


def surrogate_errors(surrogates: dict[Figure, Emulated], demands: Sequence[Demand]) -> tuple[SurrogateError, ...]:
    """Return what each surrogate misses when a run is left out."""
    found = []
    for figure, drawn in surrogates.items():
        limits = [demand.limit for demand in demands if demand.figure is figure and np.isfinite(demand.limit)]
        found.append(SurrogateError(figure, drawn.error, drawn.error_near(limits[0]), drawn.values.size))
    return tuple(found)

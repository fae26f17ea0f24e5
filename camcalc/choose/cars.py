"""The cars that odds are taken over: all that the sheet allows, or what the car's own readings leave of them."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..advice.bands import TOLERANCES
from ..codes import Code
from ..cycle.models import engine_kind

if TYPE_CHECKING:
    from ..measured import Learning
    from ..sheet import Build

__all__ = ["SEED", "Cars", "CarsFrom", "cars_of", "sobol"]

Array = NDArray[np.float64]

SEED = 20261
# Knock is in none of the figures that a want rests on.
UNRELATED = ("octane",)
# Cars that a probability is taken over: sampling moves it by less than the surrogate does.
CARS = 8  # a power of two
# Draws that readings leave are put in so many strides, so that the first few are spread over all of them as well.
STRIDES = 16


class CarsFrom(Code):
    """Where the cars that odds are taken over come from."""

    SHEET = "the model's own tolerances about the sheet"
    LEARNED = "the model's own tolerances about what [learned] of the sheet says"
    READINGS = "what the car's own readings leave of the model's tolerances"
    CONTRADICTED = "as without readings: these contradict the sheet or one another"
    FAULTY = "as without readings: a fault of the car explains these far better than none"


class Cars(NamedTuple):
    """The cars of a sheet, each as tolerances from -1 to 1 over every half-width, counted from the engine that middle figures are of.

    ``nominal`` is that engine's build and ``around`` the one that tolerances multiply; ``middle`` is the first over the second, from -1 to 1. ``draws`` are
    cars of equal weight that readings leave, in a shuffled order; nothing where every car within the tolerances is as likely. ``readings`` counts those used.
    """

    source: CarsFrom
    readings: int
    nominal: Build
    around: Build
    names: tuple[str, ...]
    middle: Array
    draws: Array | None

    def multipliers(self, tolerances: Array) -> dict[str, float]:
        """Return a car's multipliers on the inputs of ``around``, by name; its tolerances have shape (names,), no unit."""
        return {name: 1.0 + TOLERANCES[name][0] * float(m + t) for name, m, t in zip(self.names, self.middle, tolerances, strict=True)}

    def over(self) -> Array:
        """Return the cars that probabilities are taken over, shape (cars, names): the same for every card, so that differences are sharp."""
        if self.draws is None:
            return 2.0 * sobol(len(self.names), 2**CARS, seed=SEED + 2) - 1.0
        return self.draws[0::2]

    def to_run(self, points: Array) -> Array:
        """Return cars to draw a surrogate through, drawn apart from those that probabilities are taken over; of points 0 to 1, shape (cars, names)."""
        if self.draws is None:
            return 2.0 * points - 1.0
        others = self.draws[1::2]
        return others[np.arange(len(points)) % len(others)]


def cars_of(build: Build, model: str, *, progress: Callable[[float], None] = lambda share: None) -> Cars:
    """Return the cars of a sheet; where it has readings they are learned from first, with the sheet's own cam in the car.

    Parameters
    ----------
    build : Build
    model : str
        As ``make_brief`` takes it.
    progress : callable
        Told the share of the learning that is done.

    Raises
    ------
    InputError
        If a reading names what the car has not, or the model answers for too few cars there.

    Examples
    --------
    >>> from camcalc import load_build
    >>> cars_of(load_build("examples/quarry-road/build.toml"), "quick").source.code
    'sheet'
    """
    names = tuple(name for name in engine_kind(model)(build).uncertain if name not in UNRELATED)
    plain = Cars(CarsFrom.SHEET if build.learned is None else CarsFrom.LEARNED, 0, build, build, names, np.zeros(len(names)), None)
    if not build.measured:
        return plain
    from ..measured import learn_build

    found = learn_build(build, model=model, draws=2 ** (CARS + 1), headlines=False, progress=progress)
    plain = plain._replace(readings=sum(one.used for one in found.readings))
    if found.learned is None:
        return plain._replace(source=CarsFrom.CONTRADICTED if found.contradicts else CarsFrom.FAULTY)
    return _left(plain, build, found)


def _left(plain: Cars, build: Build, found: Learning) -> Cars:
    """Return the cars that readings leave, and the engine that they make most likely."""
    learned = found.learned
    assert learned is not None
    widths = np.array([TOLERANCES[name][0] for name in plain.names])
    factors = np.array([getattr(learned, name) for name in plain.names])
    middle = np.where(np.isnan(factors), 0.0, factors - 1.0) / widths
    drawn = (np.array([[draw[name] for name in plain.names] for draw in found.draws]) - 1.0) / widths
    drawn = drawn.reshape(STRIDES, -1, len(plain.names)).swapaxes(0, 1).reshape(len(drawn), -1)
    nominal, around = build.replace(learned=learned), build.replace(learned=None)
    return Cars(CarsFrom.READINGS, plain.readings, nominal, around, plain.names, middle, drawn - middle)


def sobol(dimensions: int, count: int, *, seed: int = SEED) -> Array:
    """Return the first points of a scrambled Sobol sequence, from 0 to 1.

    >>> sobol(2, 5).shape, bool((sobol(2, 5) == sobol(2, 8)[:5]).all())
    ((5, 2), True)
    """
    from scipy.stats import qmc

    power = max(int(np.ceil(np.log2(max(count, 2)))), 1)
    points: Array = qmc.Sobol(dimensions, rng=np.random.default_rng(seed)).random_base2(power)
    return points[:count]

"""The allowed region over lobe separation and duration, drawn from the surrogate for the picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .cards import CardPoint
from .records import Region
from .runs import odds_of
from .search import Search
from .wants import Figure

__all__ = ["region_of"]

Array = NDArray[np.float64]

# So many cars in a hundred are below and above a band.
BAND = (10.0, 90.0)


def region_of(search: Search, through: CardPoint) -> Region | None:
    """Return the region through a card: at its advance, lift and split; nothing where duration and lobe separation do not both vary."""
    family = search.family
    if not {"duration", "lobe_separation"} <= set(family.varied):
        return None
    separations, durations = family.axis("lobe_separation"), family.axis("duration")
    grid = [through._replace(lobe_separation=float(s), duration=float(d)) for s in separations for d in durations]
    possible = np.array([family.possible(point) for point in grid])
    units = np.array([family.unit(point) for point in grid])
    compression = np.array([family.compression(point, search.build.engine) for point in grid])
    cars = search.runs.cars.over()
    odds = odds_of(search.surrogates, search.demands, units, compression, cars)
    shape = (separations.size, durations.size)
    margins, lows, highs = [], [], []
    for k, demand in enumerate(search.demands):
        middle = odds.margins[:, k]
        low, high = middle, middle
        if demand.figure is not Figure.COMPRESSION:
            low, high = np.percentile(demand.sign * (search.surrogates[demand.figure].at(units, cars) - demand.limit), BAND, axis=1)
        scale = float(np.std(middle)) or 1.0
        margins.append(np.where(possible, middle / scale, np.nan).reshape(shape))
        lows.append(np.where(possible, low / scale, np.nan).reshape(shape))
        highs.append(np.where(possible, high / scale, np.nan).reshape(shape))
    return Region(
        wants=tuple(demand.want for demand in search.demands),
        lobe_separation=separations,
        duration=durations,
        advance=through.advance,
        margin=np.array(margins),
        low=np.array(lows),
        high=np.array(highs),
        probability=np.where(possible, odds.probability, np.nan).reshape(shape),
    )

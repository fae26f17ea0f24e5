"""The spark of best torque: the top of work over spark on a held gas exchange, and how far the exchange's own answer moves it."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from ..marks import Marks, ends_of_search

__all__ = ["APART", "EARLIEST", "FIRST_GUESS", "LATEST", "MOST_SHIFT", "clipped", "shift_of", "spark_ends", "top_of"]

Work = Callable[[float], float]

# Sparks searched [crank deg before top dead centre].
EARLIEST, LATEST, FIRST_GUESS = 60.0, -10.0, 30.0
# Sparks this far apart tell what the gas exchange does; best torque is moved by no more than so much for it.
APART, MOST_SHIFT = 6.0, 5.0


def clipped(spark: float) -> float:
    """Return a spark within those searched."""
    return min(max(spark, LATEST), EARLIEST)


def spark_ends(sparks: Any) -> Marks:
    """Return marks on the sparks that are an end of the search [crank deg], one or an array of them: best torque, and what rests on it.

    >>> spark_ends(60.0).code, spark_ends(-10.0).code, spark_ends(30.0)
    ('or_more', 'or_less', None)
    """
    return ends_of_search(sparks, least=LATEST, most=EARLIEST)


def top_of(work: Work, guess: float) -> float:
    """Return where work over spark is greatest: steps of 8 degrees halved to 2, then the top of a parabola.

    >>> round(top_of(lambda spark: -((spark - 27.3) ** 2), 40.0), 6)
    27.3
    """
    known: dict[float, float] = {}

    def at(spark: float) -> float:
        spark = clipped(spark)
        if spark not in known:
            known[spark] = work(spark)
        return known[spark]

    centre, step = min(max(guess, LATEST + 8.0), EARLIEST - 8.0), 8.0
    while step > 1.5:
        while True:
            left, mid, right = at(centre - step), at(centre), at(centre + step)
            if left > mid and centre - step > LATEST:
                centre = max(centre - step, LATEST)
            elif right > mid and centre + step < EARLIEST:
                centre = min(centre + step, EARLIEST)
            else:
                break
        step /= 2.0
    step *= 2.0
    left, mid, right = at(centre - step), at(centre), at(centre + step)
    bend = left - 2.0 * mid + right
    if bend >= 0.0:  # no top: work still rises at an end of the search, or is level
        return centre if mid >= max(left, right) else float(clipped(centre + math.copysign(step, right - left)))
    return float(clipped(centre + step * min(max(0.5 * (left - right) / bend, -1.0), 1.0)))


def shift_of(work: Work, best: float, per_degree: float) -> float:
    """Return how far the top of work on a held exchange moves when the exchange itself gives so much more work per degree of spark.

    >>> round(shift_of(lambda spark: -((spark - 20.0) ** 2), 20.0, -2.0), 6)
    -1.0
    """
    middle = min(best, EARLIEST - APART)
    left, mid, right = (work(middle + d) for d in (-APART, 0.0, APART))
    bend = (left - 2.0 * mid + right) / APART**2
    if bend >= 0.0:
        return 0.0
    optimum = middle - ((right - left) / (2.0 * APART) + per_degree) / bend
    return float(min(max(optimum - best, -MOST_SHIFT), MOST_SHIFT))

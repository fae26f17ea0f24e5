"""An engine with physics of its own where the model is known worst: gas goes back past low valves less well than forwards, and heat and friction
follow speed otherwise.

Cars whose truth comes from it show whether what was learned with the engine model holds where the model is wrong.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from camcalc import ResolvedEngine
from camcalc.cycle.kept_cycles import Answers
from camcalc.cycle.setup import Lifts
from camcalc.cycle.steady import Marching

__all__ = ["OtherExchangeEngine", "reverse_share"]

# Share of the forward coefficient that flow backwards has at the seat, and the lift over head diameter from which the two are one: a sharp edge
# upstream where forwards there is a rounded port. ESTIMATE, set before any car was learned back.
AT_SEAT, ALIKE_FROM = 0.80, 0.15
# Wall heat follows speed by another power than the engine's own 0.8: made of h ~ (w + 1.4)^0.8 in place of w^0.8 (Hohenberg 1979, from memory); the two
# are one at this mean piston speed [m/s].
SAME_AT, STIRRED = 4.0, 1.4
# Speed [rev/s] that lifts are taken at where a valve train does not leak down: any will do.
IDLING = 15.0


def reverse_share(lifts: NDArray[np.float64], head: float) -> NDArray[np.float64]:
    """How well gas goes back past a valve over how well it goes forwards, at lifts [m] of a valve of a head diameter [m]."""
    return np.asarray(AT_SEAT + (1.0 - AT_SEAT) * np.clip(lifts / head / ALIKE_FROM, 0.0, 1.0))


class OtherLifts(Lifts):
    """The same lobes behind valves that pass less backwards."""

    def areas(self, speed: float) -> NDArray[np.float64]:
        areas = super().areas(speed)
        for row, lobe, opens, shape in ((1, self.intake, self.opens[0], self.shapes[0]), (3, self.exhaust, self.opens[1], self.shapes[1])):
            since = np.mod(self.angles - opens, 720.0) / (360.0 * speed)
            areas[row] *= reverse_share(np.maximum(lobe - self.lost - self.leak * since, 0.0), shape.head)
        return areas


class OtherExchangeEngine(ResolvedEngine):
    """Asked as the engine model is, answering otherwise."""

    name = "crank-resolved cycle, with the tests' own flow backwards and heat"

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.lifts = OtherLifts(*self.lifts)
        self.setup = self.setup._replace(areas=self.lifts.areas(IDLING))
        # Its answers are not the engine model's: nothing is kept of them, and nothing taken.
        self.answers = Answers.none()
        self.spreads = self.answers.spreads

    def marching(self, speed: float, pressure: float, spark: float) -> Marching:
        march = super().marching(speed, pressure, spark)
        piston = 2.0 * march.setup.stroke * speed
        heat = ((piston + STIRRED) / (SAME_AT + STIRRED) * SAME_AT / piston) ** 0.8
        march.setup = march.setup._replace(wall_factor=march.setup.wall_factor * heat)
        return march

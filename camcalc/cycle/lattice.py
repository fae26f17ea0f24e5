"""Where settling begins: settled cycles on a fixed lattice of speed, manifold pressure and spark, each found from its place alone.

No answer may depend on what was asked before. So an operating point starts from the lattice point next to it, and a lattice point from
the closed-form guess; only what is found at them is remembered. One more point, the hub, is where every engine runs: there each
unknown is moved once, which tells how cycles answer to their start well enough to serve the whole lattice.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import NoSolutionError
from .layout import WITH_PRESSURE, Unknown
from .mixing import IS_SHARE, NO_SECANTS, Mixing, Secants, scale_at, scaled
from .steady import LEAST_STEP, Marching, Settled, march

__all__ = ["Lattice", "Start"]

Array = NDArray[np.float64]
Place = tuple[int, int, int]

# Steps of the lattice: in the logarithm of speed, in pressure over the barometer, and in spark [crank deg]. Wider ones make poorer
# starts, narrower ones more lattice points; of those tried these take least cycles for what advice asks. No answer rests on them.
SPEED_STEP, PRESSURE_STEP, SPARK_STEP = 0.5, 0.15, 30.0
SPEED_ORIGIN = 1500.0 / 60.0
# The hub [rev/s, share of the barometer, crank deg], and how far each unknown is moved there, relative to its scale.
HUB_SPEED, HUB_LOAD, HUB_SPARK = 2400.0 / 60.0, 0.7, 30.0
MOVED = 1e-2
# A lattice point with a charge as diluted as this is on the brink: the guess, a clean charge, is the better start.
BRINK = 0.85


class Start(NamedTuple):
    """Where to begin: unknowns, and secants known."""

    unknowns: Array
    known: Secants


class Lattice:
    """The lattice of one engine: ``marching`` makes its plain cycle at a point, ``guess`` the unknowns at a pressure."""

    def __init__(self, marching: Callable[[float, float, float], Marching], guess: Callable[[float], Array], *, ambient: float, tolerance: float) -> None:
        self.marching, self.guess, self.ambient, self.tolerance = marching, guess, ambient, tolerance
        self._points: dict[Place, tuple[Settled, Secants] | None] = {}
        self._hub: list[Secants] = []

    def starts(self, speed: float, pressure: float, spark: float) -> list[Start]:
        """Return where to begin at an operating point, the likeliest first; the last is the closed-form guess."""
        from_guess = Start(self.guess(pressure), self.hub())
        found = self.point(self.place(speed, pressure, spark))
        if found is None:
            return [from_guess]
        settled, secants = found
        z = settled.unknowns.copy()
        z[WITH_PRESSURE] *= pressure / settled.setup.intake_pressure
        return [Start(z, secants), from_guess]

    def place(self, speed: float, pressure: float, spark: float) -> Place:
        """Return the place of the lattice point next to an operating point."""
        return (
            round(math.log(speed / SPEED_ORIGIN) / SPEED_STEP),
            round(min(pressure / self.ambient, 1.0) / PRESSURE_STEP),
            round(spark / SPARK_STEP),
        )

    def at(self, place: Place) -> tuple[float, float, float]:
        """Return speed [rev/s], pressure [Pa] and spark [crank deg] of a lattice point."""
        i, j, k = place
        return SPEED_ORIGIN * math.exp(i * SPEED_STEP), self.ambient * min(max(j, 1) * PRESSURE_STEP, 1.0), k * SPARK_STEP

    def point(self, place: Place) -> tuple[Settled, Secants] | None:
        """Return a lattice point's cycle and its secants; None where it does not run, or only just."""
        if place not in self._points:
            self._points.setdefault(place, self._settled(place))
        return self._points[place]

    def _settled(self, place: Place) -> tuple[Settled, Secants] | None:
        speed, pressure, spark = self.at(place)
        marching = self.marching(speed, pressure, spark)
        mixing = Mixing(self.hub(), least=LEAST_STEP * marching.rtol)
        try:
            found = march(marching, self.guess(pressure), mixing, tolerance=self.tolerance)
        except NoSolutionError:
            return None
        return (found, mixing.secants) if found.runs and found.unknowns[Unknown.CYLINDER_FRACTION] < BRINK else None

    def hub(self) -> Secants:
        """Return the hub's secants, one for each unknown."""
        if not self._hub:
            self._hub.append(self._moved())
        return self._hub[0]

    def _moved(self) -> Secants:
        pressure = HUB_LOAD * self.ambient
        marching = self.marching(HUB_SPEED, pressure, HUB_SPARK)
        try:
            start = march(marching, self.guess(pressure), Mixing(NO_SECANTS, least=LEAST_STEP * marching.rtol), tolerance=self.tolerance).unknowns
            end, _ = marching.cycle(start)
            ends = np.zeros((start.size, start.size))
            gaps = np.zeros_like(ends)
            for k, step in enumerate(MOVED * scale_at(end)):
                # A share stays below one.
                step = -step if IS_SHARE[k] and start[k] > 0.5 else step
                moved = start.copy()
                moved[k] += step
                ends[:, k] = scaled(marching.cycle(moved)[0] - end, end)
                gaps[:, k] = ends[:, k] - scaled(moved - start, end)
        except NoSolutionError:
            return NO_SECANTS
        used = np.linalg.norm(gaps, axis=0) > 0.0
        return Secants(ends[:, used], gaps[:, used])

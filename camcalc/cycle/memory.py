"""What a cycle leaves to those after it: one cylinder's cycle cut into segments, each a linear map about the settled one.

Burned gas goes from the cylinder into the runner, from there into the plenum, and back over several cycles, so that torque answers a change
of speed or pressure over some six cycles. The plenum is not in the map: pressure, temperature and burned gas in it are inputs.
"""

from __future__ import annotations

import dataclasses
import enum
import functools
import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled

__all__ = ["INPUTS", "LOSSES", "OUTPUTS", "SIZE", "Carried", "CycleMemory", "Given", "Made", "segments_of"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# A cycle has so many segments at least, and as many times the cylinders as it takes. Checked with every cylinder integrated: one map for a whole cycle
# has a damping of 0.160 for 0.121 in first gear at 1100 rpm, eight segments are within 0.02.
LEAST_SEGMENTS = 8


class Carried(enum.IntEnum):
    """What a cylinder carries from segment to segment, SI: gas of cylinder, runner and exhaust port; what stands behind the port;
    what has left for the collector since intake closing; the charge at intake closing, its spark and its speed [rev/s]."""

    CYLINDER_MASS = 0
    CYLINDER_TEMPERATURE = 1
    CYLINDER_FRACTION = 2
    RUNNER_MASS = 3
    RUNNER_TEMPERATURE = 4
    RUNNER_FRACTION = 5
    RUNNER_FLOW = 6
    PORT_TEMPERATURE = 7
    PORT_FRACTION = 8
    COLLECTOR_TEMPERATURE = 9
    COLLECTOR_FRACTION = 10
    EXHAUST_PRESSURE = 11
    LEFT = 12
    CAME_BACK = 13
    LEFT_BURNED = 14
    LEFT_HEAT = 15
    CHARGE_MASS = 16
    CHARGE_TEMPERATURE = 17
    CHARGE_FRACTION = 18
    SPARK = 19
    SPEED = 20


class Given(enum.IntEnum):
    """What a segment is given: crank speed [rad/s], plenum pressure [Pa], spark [crank deg before top dead centre], plenum temperature [K] and
    burned fraction. The spark counts where it is taken: at intake closing."""

    SPEED = 0
    PRESSURE = 1
    SPARK = 2
    TEMPERATURE = 3
    FRACTION = 4


class Made(enum.IntEnum):
    """What a segment makes: work [J]; mass [kg], burned mass [kg] and energy [J] that leave the plenum for runner and walls; the first segment,
    the fresh charge that it was given [kg]."""

    WORK = 0
    MASS = 1
    BURNED = 2
    ENERGY = 3
    FRESH = 4


SIZE, INPUTS, OUTPUTS = len(Carried), len(Given), len(Made)
LOSSES = slice(Made.MASS, Made.ENERGY + 1)


def segments_of(cylinders: int) -> int:
    """Return how many segments a cycle is cut into: a multiple of the cylinders, so that one ends with every firing interval.

    >>> [segments_of(n) for n in (1, 3, 4, 5, 6, 8, 12)]
    [8, 9, 8, 10, 12, 8, 12]
    """
    return cylinders * math.ceil(LEAST_SEGMENTS / cylinders)


class _Lifted(NamedTuple):
    """A cycle as one step."""

    whole: Array
    reaches: Array
    leaves: Array
    within: Array


@dataclasses.dataclass(frozen=True, eq=False)
class CycleMemory:
    """One cylinder's cycle about a settled one, segment by segment from intake closing: next = a state + b given, made = c state + d given.

    Attributes
    ----------
    speed, pressure, spark : float
        Where [rev/s], [Pa], [crank deg before top dead centre].
    cylinders : int
    closes : float
        Intake closing, firing top dead centre at 360 [crank deg].
    settled : array, shape (segments + 1, carried)
        Of the settled cycle, at the ends of the segments.
    made : array, shape (segments, outputs)
        Of the settled cycle.
    plenum : array, shape (2,)
        Temperature [K] and burned fraction in the plenum.
    a, b, c, d : array, shape (segments, ...)
        Of deviations from the settled cycle.
    follows : array, shape (2, 3)
        How the plenum's temperature and burned fraction, settled, follow speed [rad/s], pressure and spark.
    missed_carried, missed_made : array
        What a missed cycle adds to the next state and to what is made, by segment.
    """

    speed: float
    pressure: float
    spark: float
    cylinders: int
    closes: float
    settled: Array
    made: Array
    plenum: Array
    a: Array
    b: Array
    c: Array
    d: Array
    follows: Array
    missed_carried: Array
    missed_made: Array

    @property
    def segments(self) -> int:
        """How many segments a cycle has."""
        return len(self.a)

    @functools.cached_property
    def cycle(self) -> Array:
        """The map of a whole cycle without inputs, from intake closing to the next."""
        return self._lifted.whole

    @functools.cached_property
    def _lifted(self) -> _Lifted:
        """The cycle as one step: how what is given in each segment reaches the next cycle, how what is carried comes out, and what comes out in between."""
        count, up_to = self.segments, [np.eye(SIZE)]
        for a in self.a:
            up_to.append(a @ up_to[-1])
        leaves, reaches, after = np.stack([c @ m for c, m in zip(self.c, up_to, strict=False)]), np.empty_like(self.b), np.eye(SIZE)
        within = np.zeros((count, OUTPUTS, INPUTS))
        within[0] = self.d.sum(axis=0)
        for k in range(count - 1, -1, -1):
            reaches[k], after = after @ self.b[k], after @ self.a[k]
            gone = self.b[k]
            for j in range(k + 1, count):
                within[j - k] += self.c[j] @ gone
                gone = self.a[j] @ gone
        return _Lifted(*map(np.ascontiguousarray, (up_to[-1], reaches, leaves, within)))

    def answer(self, s: Complex) -> Complex:
        """Return how crank torque [N m], the plenum's losses [kg/s, kg/s, W] of all cylinders and the fresh charge of one [kg] answer what is given.

        Parameters
        ----------
        s : array, shape (n,)
            Complex frequencies [1/s].

        Returns
        -------
        array, shape (n, outputs, inputs)
            Mean over the firing interval. Inputs change so slowly that a segment sees one value.
        """
        return self._of_all(_answer(np.asarray(s, dtype=np.complex128), self._lifted, 2.0 / self.speed))

    @functools.cached_property
    def decays(self) -> Complex:
        """What is left of each of a cycle's own swings after a cycle, shape (carried,)."""
        return np.asarray(np.linalg.eigvals(self.cycle), dtype=np.complex128)

    @functools.cached_property
    def static(self) -> Array:
        """``answer`` to what no longer changes, shape (outputs, inputs)."""
        return np.real(self.answer(np.zeros(1, dtype=complex))[0])

    @functools.cached_property
    def settled_slopes(self) -> Array:
        """``static`` with the plenum's gas following, shape (outputs, 3): the slopes of settled cycles."""
        return self.static[:, : Given.TEMPERATURE] + self.static[:, Given.TEMPERATURE :] @ self.follows

    @functools.cached_property
    def mean(self) -> Array:
        """Torque [N m], the plenum's losses [kg/s, kg/s, W] of all cylinders and the fresh charge of one [kg], settled."""
        return self.made.sum(axis=0) * self._scales()

    @functools.cached_property
    def cycle_slopes(self) -> Array:
        """What one cylinder makes in a cycle by speed, pressure and spark, settled, shape (outputs, 3): work [J], masses [kg], energy [J], charge [kg]."""
        slopes = self.settled_slopes.copy()
        slopes[LOSSES, Given.SPEED] -= self.mean[LOSSES] / (2.0 * math.pi * self.speed)
        return np.asarray(slopes / self._scales()[:, None])

    @functools.cached_property
    def state_slopes(self) -> Array:
        """What is carried into the first segment by speed, pressure and spark, settled, shape (carried, 3)."""
        by = np.linalg.solve(np.eye(SIZE) - self.cycle, self._lifted.reaches.sum(axis=0))
        return np.asarray(by[:, : Given.TEMPERATURE] + by[:, Given.TEMPERATURE :] @ self.follows)

    def shares(self, count: int, given: Given = Given.SPEED) -> Array:
        """Return what the first ``count`` cycles after a step of an input add to their work, as shares of all they add in the end.

        Parameters
        ----------
        count : int
            Cycles.
        given : Given
            Which input steps at an intake closing.
        """
        state, work = np.zeros(SIZE), []
        for _ in range(count):
            done = 0.0
            for a, b, c, d in zip(self.a, self.b, self.c, self.d, strict=True):
                done += c[Made.WORK] @ state + d[Made.WORK, given]
                state = a @ state + b[:, given]
            work.append(done)
        return np.diff(work, prepend=0.0) / (self.static[Made.WORK, given] * 4.0 * math.pi / self.cylinders)

    def _of_all(self, out: Complex) -> Complex:
        """Turn sums over one cylinder's cycle into torque and flows of all; at a higher speed each sum comes sooner."""
        out *= self._scales()[:, None]
        out[:, LOSSES, Given.SPEED] += self.mean[LOSSES] / (2.0 * math.pi * self.speed)
        return out

    def _scales(self) -> Array:
        rate = 0.5 * self.speed * self.cylinders
        return np.array([0.25 / math.pi * self.cylinders, rate, rate, rate, 1.0])


@compiled(nogil=True)
def _answer(s: Complex, lifted: _Lifted, cycle: float) -> Complex:
    """Return ``answer`` as sums over one cylinder's cycle, which lasts so long [s], shape (n, outputs, inputs).

    Parameters
    ----------
    s : array, shape (n,)
        Complex frequencies [1/s].
    lifted : _Lifted
        The cycle as one step.
    cycle : float [s]
    """
    count, carried, inputs = lifted.reaches.shape
    outputs = lifted.leaves.shape[1]
    out = np.zeros((s.size, outputs, inputs), dtype=np.complex128)
    matrix = np.empty((carried, carried), dtype=np.complex128)
    for n in range(s.size):
        given = np.zeros((carried, inputs), dtype=np.complex128)
        taken = np.zeros((outputs, carried), dtype=np.complex128)
        for k in range(count):
            middle = np.exp(s[n] * ((k + 0.5) / count * cycle))
            later, since = 1.0 / middle, np.exp(-s[n] * (k / count * cycle))
            for i in range(carried):
                for j in range(inputs):
                    given[i, j] += middle * lifted.reaches[k, i, j]
                for j in range(outputs):
                    taken[j, i] += later * lifted.leaves[k, j, i]
            for i in range(outputs):
                for j in range(inputs):
                    out[n, i, j] += since * lifted.within[k, i, j]
        turn = np.exp(s[n] * cycle)
        for i in range(carried):
            for j in range(carried):
                matrix[i, j] = -lifted.whole[i, j]
            matrix[i, i] += turn
        state = np.linalg.solve(matrix, given)
        # The spark counts as it is at the beginning of its segment.
        held = np.exp(-0.5 / count * cycle * s[n])
        for i in range(outputs):
            for j in range(inputs):
                for m in range(carried):
                    out[n, i, j] += taken[i, m] * state[m, j]
            out[n, i, Given.SPARK] *= held
    return out

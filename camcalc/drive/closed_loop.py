"""The closed loop of engine, plenum, spark table and driveline about one point, as functions of complex frequency."""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from ..codes import Code
from ..compiling import compiled
from ..cycle.memory import Given, Made
from ..vehicle.characteristic import Region, followed, newton, roots_in
from ..vehicle.modes import Mode
from .plenum import PlenumSlopes

if TYPE_CHECKING:
    from ..vehicle.driveline import StateSpace
    from .engine_loop import EngineSide, LoopPoint

__all__ = ["LEAST_FILTER", "PARTS", "ClosedLoop", "LoopPart"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# A load signal without a filter is taken with one too fast to matter [s].
LEAST_FILTER = 1e-3
# Roots that grow are counted: from so small an angle to the axis of growth, and short of its border by so much [rad]. Where no swing of the driveline is
# followed, as in neutral, those up to this damping are, below so much of the cycle's own frequency: from about half of it on the memory's decay, cycle by
# cycle, looks like a swing. ESTIMATE.
LEAST_ANGLE, BESIDE, MOST_COUNTED, CYCLE_SHARE = 0.02, 2e-3, 0.75, 0.25
# Frequencies between which a critical slope is looked for.
SLOPE_POINTS = 200


class LoopPart(Code):
    """What in the loop of engine and table adds damping to the driveline or takes it."""

    SPARK_ALONG_SPEED = "the table's slope along speed"
    SPARK_ALONG_LOAD = "the table's slope along load"
    DILUTION = "residual that changes with speed"
    MANIFOLD = "manifold filling"


PARTS = tuple(LoopPart)


class Torque(NamedTuple):
    """Crank torque [N m] per crank speed [rad/s], per degree of spark and per share of the throttle's opening; the filtered pressure [Pa] per speed and
    spark, with everything but the driveline closed; the determinant of the plenum's equations, zero where these have poles."""

    by_speed: Complex
    by_spark: Complex
    by_opening: Complex
    load_by_speed: Complex
    load_by_spark: Complex
    determinant: Complex


class ClosedLoop(NamedTuple):
    """A driveline and a point of engine and table, with some of the loop's parts.

    Attributes
    ----------
    space : StateSpace
        Of the driveline.
    point : LoopPoint
    load_filter : float [s]
    parts : tuple of LoopPart
        Those that are in the loop.
    """

    space: StateSpace
    point: LoopPoint
    load_filter: float
    parts: tuple[LoopPart, ...] = PARTS

    @staticmethod
    def of(space: StateSpace, engine_side: EngineSide, point: LoopPoint, parts: Iterable[LoopPart] = PARTS) -> ClosedLoop:
        """Return the loop of an engine at a point.

        Parameters
        ----------
        space : StateSpace
            Of the driveline.
        engine_side : EngineSide
        point : LoopPoint
        parts : iterable of LoopPart
            Those that are in the loop; all when left out.
        """
        return ClosedLoop(space, point, max(engine_side.load_filter, LEAST_FILTER), tuple(parts))

    def without(self, part: LoopPart) -> ClosedLoop:
        """Return the loop with one part less."""
        return self._replace(parts=tuple(p for p in self.parts if p is not part))

    def torque(self, s: Complex, strength: float = 1.0) -> Torque:
        """Return what the engine answers with its plenum and its table.

        Parameters
        ----------
        s : array, shape (n,)
            Complex frequencies [1/s].
        strength : float
            Share of the engine's answer that is in the loop, friction apart.
        """
        point, parts = self.point, self.parts
        table = _Table(
            point.spark_by_speed if LoopPart.SPARK_ALONG_SPEED in parts else 0.0,
            point.spark_by_pressure if LoopPart.SPARK_ALONG_LOAD in parts else 0.0,
            float(point.delays.speed),
            float(point.delays.load),
            float(self.load_filter),
        )
        shares = (float(LoopPart.MANIFOLD in parts), float(LoopPart.DILUTION in parts))
        answer = np.asarray(strength * point.answer(s), dtype=np.complex128)
        found = _torque(np.asarray(s, dtype=np.complex128), answer, point.plenum, point.opening, table, shares)
        found[:, 0] += point.friction_by_speed
        return Torque(*found.T)

    def crank(self, s: Complex) -> tuple[Complex, Complex, Complex]:
        """Return crank speed [rad/s] and the car's acceleration [m/s2] per crank torque of the driveline alone, and the determinant of its equations."""
        speed, car, determinant = _crank(np.asarray(s, dtype=np.complex128), self.space).T
        return speed, car, determinant

    def characteristic(self, s: Complex, strength: float = 1.0) -> Complex:
        """Return what is zero at the roots of the loop; at strength zero at those of the driveline with friction."""
        speed, _, size = self.crank(s)
        torque = self.torque(s, strength)
        memory = self.point.memory
        own = 1.0
        if memory is not None:
            # The memory's own decay, seen through cylinders that take turns, has poles about every multiple of the cycle's frequency.
            own = np.prod(1.0 - np.multiply.outer(np.exp(-2.0 * s / memory.speed), memory.decays), axis=-1)
        return np.asarray(size * torque.determinant * own * (1.0 - speed * torque.by_speed))

    def acceleration(self, band: Array) -> Complex:
        """Return the car's acceleration [m/s2] per crank torque [N m] from elsewhere over frequencies [Hz]."""
        s = np.asarray(2j * np.pi * band, dtype=complex)
        speed, car, _ = self.crank(s)
        return np.asarray(car / (1.0 - speed * self.torque(s).by_speed))

    def by_opening(self, band: Array) -> Complex:
        """Return the car's acceleration [m/s2] per share of the throttle's opening over frequencies [Hz]."""
        s = np.asarray(2j * np.pi * band, dtype=complex)
        return np.asarray(self.acceleration(band) * self.torque(s).by_opening)

    def mode(self, band: tuple[float, float], start: complex | None = None) -> Mode | None:
        """Return a mode between two frequencies [Hz]: whatever grows, else the least damped of the driveline's own; None where nothing is found.

        The driveline's modes are followed as the engine takes hold; roots of plenum and memory that die are not looked for beside them. Where there is none
        to follow, as in neutral, roots damped less than three quarters are counted, up to a quarter of the cycles' own frequency. The roots that grow are
        counted always, so that none of these is missed.

        Parameters
        ----------
        band : tuple of float [Hz]
        start : complex [1/s]
            A root close by, e.g. of the same loop with another slope; it is not proved to be the least damped one.
        """
        low, high = (2.0 * math.pi * f for f in band)
        if start is not None:
            near = newton(self.characteristic, start, leash=0.3 * abs(start))
            if near is not None and near.imag > 0.0 and low <= abs(near) <= high:
                return Mode(near)
        found = self._followed(low, high)
        if not found:
            # Close to half the cycles' own frequency they go by turns, strong and weak; that dies within a cycle or two and is no swing of the speed.
            found = self._counted(low, min(high, CYCLE_SHARE * math.pi * self.point.speed), MOST_COUNTED, [])
        # Whatever else grows lies in the right half plane, where the memory has no poles.
        others = self._counted(low, high, min([0.0, *(Mode(root).damping for root in found)]), found)
        least = max([*found, *others], key=_undamped, default=None)
        return None if least is None else Mode(least)

    def _counted(self, low: float, high: float, damping: float, known: list[complex]) -> list[complex]:
        """Return the roots between two angular frequencies that are damped less than so much, those known left out."""
        # In the logarithm of frequency they lie in a rectangle.
        border = Region(math.log(low), math.log(high), LEAST_ANGLE, 0.5 * math.pi + math.asin(damping) - BESIDE)
        return [cmath.exp(w) for w in roots_in(lambda w: self.characteristic(np.exp(w)), border, [cmath.log(root) for root in known])]

    def _followed(self, low: float, high: float) -> list[complex]:
        """Return where the driveline's own swings go as the engine takes hold, those between two angular frequencies."""
        space, point = self.space, self.point
        own = np.linalg.eigvals(space.with_feedback(point.friction_by_speed))
        ends = [followed(lambda share: lambda s: self.characteristic(s, share), complex(root)) for root in own if root.imag > 0.0]
        return [root for root in ends if root is not None and root.imag > 0.0 and low <= abs(root) <= high]

    def critical(self, most: float, band: tuple[float, float], *, along: LoopPart, start: complex | None = None) -> tuple[float, float]:
        """Return the slopes, rising and falling, at which a swing loses its damping; ``most`` and minus it where none up to there does.

        Zero both where it has none without that slope. On the border of growth a swing neither grows nor dies, and the slope stands in the equation
        once: it is read off where it comes out real.

        Parameters
        ----------
        most : float
            Largest slope looked for [deg per rad/s, or deg/Pa].
        band : tuple of float [Hz]
        along : LoopPart
            Which slope.
        start : complex [1/s]
            A root close by.
        """
        level = self.without(along)
        mode = level.mode(band, start)
        if mode is not None and mode.damping <= 0.0:
            return 0.0, 0.0
        found = [-most, most]
        grid = np.geomspace(*band, SLOPE_POINTS)

        def back(frequency: Array) -> Complex:
            """Return what comes back per degree of spark with the loop closed but for this slope: crank speed, or filtered pressure."""
            s = np.asarray(2j * np.pi * frequency, dtype=complex)
            speed, _, _ = level.crank(s)
            torque = level.torque(s)
            crank = speed * torque.by_spark / (1.0 - speed * torque.by_speed)
            if along is LoopPart.SPARK_ALONG_SPEED:
                return np.asarray(crank * np.exp(-s * level.point.delays.speed))
            return np.asarray(torque.load_by_spark + torque.load_by_speed * crank)

        values = back(grid)
        for k in np.flatnonzero(np.sign(values.imag[1:]) * np.sign(values.imag[:-1]) < 0.0):
            at = brentq(lambda f: float(back(np.array([f]))[0].imag), grid[k], grid[k + 1], xtol=1e-9)
            real = float(back(np.array([at]))[0].real)
            if real > 0.0:
                found[1] = min(found[1], 1.0 / real)
            elif real < 0.0:
                found[0] = max(found[0], 1.0 / real)
        return found[1], found[0]


class _Table(NamedTuple):
    """How spark follows: its slopes along speed [deg per rad/s] and along load [deg/Pa], the delays of both signals [s], the load's filter [s]."""

    by_speed: float
    by_load: float
    wait_speed: float
    wait_load: float
    load_filter: float


@compiled(nogil=True)
def _torque(s: Complex, answer: Complex, plenum: PlenumSlopes, opening: float, table: _Table, shares: tuple[float, float]) -> Complex:
    """Return the fields of ``Torque``, a column each, friction apart.

    Parameters
    ----------
    s : array, shape (n,)
        Complex frequencies [1/s].
    answer : array, shape (n, outputs, inputs)
        As ``LoopPoint.answer`` [SI].
    plenum : PlenumSlopes
    opening : float
        Of the throttle, as ``LoopPoint`` has it [m2 or kg/s].
    table : _Table
    shares : tuple of float
        Of the torque that follows the plenum's gas, and of that which follows speed [-].
    """
    size = plenum.own.shape[0]
    out = np.zeros((s.size, 6), dtype=np.complex128)
    matrix, states = np.empty((size, size), dtype=np.complex128), np.empty((size, 3), dtype=np.complex128)
    gas = np.empty((3, 3), dtype=np.complex128)
    for n in range(s.size):
        h = answer[n]
        along_speed = table.by_speed * np.exp(-s[n] * table.wait_speed)
        through = np.exp(-s[n] * table.wait_load) / (1.0 + s[n] * table.load_filter)
        along_load = table.by_load * through
        for i in range(size):
            # The plenum's states lose by speed, spark and themselves, directly and through the table.
            by_speed, by_spark, by_gas = 0.0j, 0.0j, [0.0j, 0.0j, 0.0j]
            for k in range(3):
                loss, made = plenum.losses[i, k], h[Made.MASS + k]
                by_speed += loss * made[Given.SPEED]
                by_spark += loss * made[Given.SPARK]
                by_gas[0] += loss * made[Given.PRESSURE]
                by_gas[1] += loss * made[Given.TEMPERATURE]
                by_gas[2] += loss * made[Given.FRACTION]
            for j in range(size):
                back = by_spark * along_load * plenum.seen[0, j]
                for k in range(3):
                    back += by_gas[k] * plenum.seen[k, j]
                matrix[i, j] = -plenum.own[i, j] - back
            matrix[i, i] += s[n]
            states[i, 0], states[i, 1], states[i, 2] = by_speed + by_spark * along_speed, by_spark, plenum.area[i] * opening
        determinant = _solved(matrix, states)
        work = h[Made.WORK]
        for j in range(3):
            for k in range(3):
                gas[k, j] = 0.0
                for i in range(size):
                    gas[k, j] += plenum.seen[k, i] * states[i, j]
            spark = along_load * gas[0, j] + (along_speed if j == 0 else 1.0 if j == 1 else 0.0)
            follows = work[Given.PRESSURE] * gas[0, j] + work[Given.TEMPERATURE] * gas[1, j] + work[Given.FRACTION] * gas[2, j]
            out[n, j] = work[Given.SPARK] * spark + shares[0] * follows
        out[n, 0] += shares[1] * work[Given.SPEED]
        out[n, 3], out[n, 4], out[n, 5] = through * gas[0, 0], through * gas[0, 1], determinant
    return out


@compiled(nogil=True)
def _crank(s: Complex, space: StateSpace) -> Complex:
    """Return crank speed [rad/s] and the car's acceleration [m/s2] per crank torque, and the determinant, a column each.

    Parameters
    ----------
    s : array, shape (n,)
        Complex frequencies [1/s].
    space : StateSpace
        Of the driveline.
    """
    size = space.state.shape[0]
    out = np.zeros((s.size, 3), dtype=np.complex128)
    matrix, states = np.empty((size, size), dtype=np.complex128), np.empty((size, 1), dtype=np.complex128)
    for n in range(s.size):
        for i in range(size):
            for j in range(size):
                matrix[i, j] = -space.state[i, j]
            matrix[i, i] += s[n]
            states[i, 0] = space.crank_torque[i]
        out[n, 2] = _solved(matrix, states)
        for i in range(size):
            out[n, 0] += space.crank_speed[i] * states[i, 0]
            out[n, 1] += space.acceleration[i] * states[i, 0]
    return out


@compiled(nogil=True)
def _solved(matrix: Complex, sides: Complex) -> complex:
    """Solve a small system in place, what stands right of it a column each; return its determinant. Both arrays are written to.

    Parameters
    ----------
    matrix : array, shape (n, n)
        [any unit]
    sides : array, shape (n, m)
        [any unit]
    """
    size, determinant = matrix.shape[0], 1.0 + 0.0j
    for i in range(size):
        pivot = i
        for k in range(i + 1, size):
            if abs(matrix[k, i]) > abs(matrix[pivot, i]):
                pivot = k
        if pivot != i:
            determinant = -determinant
            for j in range(size):
                matrix[i, j], matrix[pivot, j] = matrix[pivot, j], matrix[i, j]
            for j in range(sides.shape[1]):
                sides[i, j], sides[pivot, j] = sides[pivot, j], sides[i, j]
        determinant *= matrix[i, i]
        for k in range(i + 1, size):
            factor = matrix[k, i] / matrix[i, i]
            for j in range(i, size):
                matrix[k, j] -= factor * matrix[i, j]
            for j in range(sides.shape[1]):
                sides[k, j] -= factor * sides[i, j]
    for i in range(size - 1, -1, -1):
        for j in range(sides.shape[1]):
            for k in range(i + 1, size):
                sides[i, j] -= matrix[i, k] * sides[k, j]
            sides[i, j] /= matrix[i, i]
    return determinant


def _undamped(root: complex) -> float:
    return root.real / abs(root)

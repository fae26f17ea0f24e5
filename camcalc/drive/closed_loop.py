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
from ..cycle.memory import LOSSES, Given, Made
from ..vehicle.characteristic import Region, followed, newton, roots_in
from ..vehicle.delayed_modes import Mode
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
# What the plenum's gas gives back to the engine.
GAS = [Given.PRESSURE, Given.TEMPERATURE, Given.FRACTION]


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
        point = self.point
        h = strength * point.answer(s)
        p: PlenumSlopes = point.plenum
        wait_speed, wait_load = np.exp(-s * point.delays.speed), np.exp(-s * point.delays.load)
        through = wait_load / (1.0 + s * self.load_filter)
        along_speed = point.spark_by_speed * wait_speed if LoopPart.SPARK_ALONG_SPEED in self.parts else np.zeros_like(s)
        along_load = point.spark_by_pressure * through if LoopPart.SPARK_ALONG_LOAD in self.parts else np.zeros_like(s)
        # The plenum's states per rad/s and per degree: what they lose depends on speed, spark, and themselves, directly and through the table.
        to_plenum = p.losses @ h[:, LOSSES, :]
        by_gas = to_plenum[:, :, GAS] @ p.seen + to_plenum[:, :, Given.SPARK, None] * (along_load[:, None] * p.seen[0])[:, None, :]
        opened = np.broadcast_to(p.area * point.opening, (len(s), len(p.own)))
        by_speed = to_plenum[:, :, Given.SPEED] + to_plenum[:, :, Given.SPARK] * along_speed[:, None]
        drive = np.stack([by_speed, to_plenum[:, :, Given.SPARK], opened], axis=-1)
        size = len(p.own)
        matrix = s[:, None, None] * np.eye(size) - p.own - by_gas
        states = np.linalg.solve(matrix, drive)
        gas = p.seen @ states  # pressure, temperature, burned fraction by speed, spark and opening
        spark = np.stack([along_speed, np.ones_like(s), np.zeros_like(s)], axis=-1) + along_load[:, None] * gas[:, 0, :]
        work = h[:, Made.WORK, :]
        out = work[:, Given.SPARK, None] * spark
        if LoopPart.MANIFOLD in self.parts:
            out = out + np.einsum("nk,nkj->nj", work[:, GAS], gas)
        if LoopPart.DILUTION in self.parts:
            out[:, 0] += work[:, Given.SPEED]
        out[:, 0] += point.friction_by_speed
        seen = through[:, None] * gas[:, 0, :]
        return Torque(out[:, 0], out[:, 1], out[:, 2], seen[:, 0], seen[:, 1], np.asarray(np.linalg.det(matrix)))

    def crank(self, s: Complex) -> tuple[Complex, Complex, Complex]:
        """Return crank speed [rad/s] and the car's acceleration [m/s2] per crank torque of the driveline alone, and the determinant of its equations."""
        space = self.space
        matrix = s[:, None, None] * np.eye(len(space.state)) - space.state
        answer = np.linalg.solve(matrix, np.broadcast_to(space.crank_torque[:, None], (len(s), len(space.state), 1)))[:, :, 0]
        return answer @ space.crank_speed, answer @ space.acceleration, np.linalg.det(matrix)

    def characteristic(self, s: Complex, strength: float = 1.0) -> Complex:
        """Return what is zero at the roots of the loop; at strength zero at those of the driveline with friction."""
        speed, _, size = self.crank(s)
        torque = self.torque(s, strength)
        memory = self.point.memory
        own = 1.0
        if memory is not None:
            # The memory's own decay, seen through cylinders that take turns, has poles about every multiple of the cycle's frequency.
            own = np.linalg.det(np.eye(len(memory.cycle)) - np.exp(-2.0 * s / memory.speed)[:, None, None] * memory.cycle)
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
        """Return the least damped mode between two frequencies [Hz], None where nothing swings.

        Modes are followed from the driveline's own as the engine takes hold. Then the roots that grow are counted, so that none of these is missed.

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


def _undamped(root: complex) -> float:
    return root.real / abs(root)

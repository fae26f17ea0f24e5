"""Lift curves: valve lift, velocity and acceleration at any crank angle, and what follows from them.

The tappet lift is a cubic spline (continuous acceleration). The valve sees rocker ratio times tappet lift less the lash;
the lash is taken up over a short smooth blend, because a valve train bends rather than clicks.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .smoothest import Spline

__all__ = ["LiftCurve", "curve_from_table", "lash_taken_up"]

Array = NDArray[np.float64]

# Half-width of the lift over which lash closes [m]; ESTIMATE, some hundredths of a millimetre of valve-train deflection.
LASH_BLEND = 20e-6
CYCLE = 720.0


def lash_taken_up(gap: Array, blend: float) -> tuple[Array, Array, Array]:
    """Return valve lift and its first and second derivative by ``gap``, the kinematic lift less lash.

    Zero below ``-blend``, equal to ``gap`` above ``+blend``, smooth to the third derivative between.
    """
    if blend <= 0.0:
        return np.maximum(gap, 0.0), (gap > 0.0).astype(float), np.zeros_like(gap)
    u = np.clip(gap / blend, -1.0, 1.0)
    second = 15.0 / 16.0 * (1.0 - u**2) ** 2 / blend
    first = 0.5 + 15.0 / 16.0 * (u - 2.0 * u**3 / 3.0 + u**5 / 5.0)
    lift = blend * (5.0 / 32.0 + 0.5 * u + 15.0 / 16.0 * (u**2 / 2.0 - u**4 / 6.0 + u**6 / 30.0))
    return np.where(u >= 1.0, gap, np.maximum(lift, 0.0)), first, second


class Valves(NamedTuple):
    """Valve lift [m], velocity [m/crank deg] and acceleration [m/crank deg2]."""

    lift: Array
    velocity: Array
    acceleration: Array


class LiftCurve:
    """Motion of one valve over crank angle, 0 at the top dead centre between exhaust and intake stroke.

    Parameters
    ----------
    spline : Spline
        Tappet motion, angles in crank degrees.
    rocker_ratio : float
        Valve motion over tappet motion.
    lash : float
        Running clearance at the valve [m]; zero for a hydraulic tappet.
    """

    def __init__(self, spline: Spline, *, rocker_ratio: float, lash: float) -> None:
        self.spline = spline
        self.rocker_ratio = rocker_ratio
        self.lash = lash
        self.blend = min(LASH_BLEND, lash / 2.0)
        self.start, self.end = float(spline.nodes[0]), float(spline.nodes[-1])

    def tappet(self, angle: ArrayLike) -> Valves:
        """Return tappet lift, velocity and acceleration at crank angles [crank deg]."""
        nodes = self.spline.nodes
        theta = np.atleast_1d(np.asarray(angle, dtype=float))
        theta = self.start + np.mod(theta - self.start, CYCLE)
        inside = theta < self.end
        k = np.clip(np.searchsorted(nodes, theta, side="right") - 1, 0, nodes.size - 2)
        step, into = nodes[k + 1] - nodes[k], theta - nodes[k]
        a0, slope = self.spline.acceleration[k], (self.spline.acceleration[k + 1] - self.spline.acceleration[k]) / step
        v0, y0 = self.spline.velocity[k], self.spline.lift[k]
        acceleration = a0 + slope * into
        velocity = v0 + into * (a0 + slope * into / 2.0)
        lift = y0 + into * (v0 + into * (a0 / 2.0 + slope * into / 6.0))
        zero = np.zeros_like(theta)
        return Valves(np.where(inside, np.maximum(lift, 0.0), zero), np.where(inside, velocity, zero), np.where(inside, acceleration, zero))

    def valve(self, angle: ArrayLike) -> Valves:
        """Return valve lift, velocity and acceleration at crank angles [crank deg]."""
        tappet = self.tappet(angle)
        r = self.rocker_ratio
        if self.lash <= 0.0:
            return Valves(r * tappet.lift, r * tappet.velocity, r * tappet.acceleration)
        lift, first, second = lash_taken_up(r * tappet.lift - self.lash, self.blend)
        return Valves(lift, first * r * tappet.velocity, first * r * tappet.acceleration + second * (r * tappet.velocity) ** 2)

    def lift(self, angle: ArrayLike) -> Array:
        """Return valve lift [m] at crank angles [crank deg]."""
        return self.valve(angle).lift

    @property
    def nose(self) -> float:
        """Crank angle of maximum lift."""
        return float(self.spline.nodes[int(np.argmax(self.spline.lift))])

    @property
    def max_lift(self) -> float:
        """Maximum valve lift [m]."""
        return float(self.rocker_ratio * self.spline.lift.max() - self.lash)

    def edges(self, height: float, *, side: str) -> tuple[float, float] | None:
        """Return the crank angles where lift passes ``height`` [m] upward and downward; None if it never does.

        ``side`` is ``"tappet"`` or ``"valve"``.
        """
        target = height if side == "tappet" else (height + self.lash) / self.rocker_ratio
        if side == "valve" and height < self.blend and self.lash > 0.0:
            target = self._tappet_lift_at_valve(height)
        nose = self.nose
        if target >= self.spline.lift.max() or target <= 0.0:
            return None
        return self._crossing(target, self.start, nose), self._crossing(target, self.end, nose)

    def _tappet_lift_at_valve(self, height: float) -> float:
        from scipy.optimize import brentq

        def short(gap: float) -> float:
            return float(lash_taken_up(np.array([gap]), self.blend)[0][0]) - height

        return (float(brentq(short, -self.blend, self.blend, xtol=1e-12)) + self.lash) / self.rocker_ratio

    def _crossing(self, target: float, low: float, high: float) -> float:
        from scipy.optimize import brentq

        def short(angle: float) -> float:
            return float(self.tappet(min(angle, self.end - 1e-9)).lift[0]) - target

        return float(brentq(short, low, high, xtol=1e-9))

    def seat_edges(self) -> tuple[float, float]:
        """Return the crank angles where the valve leaves and meets its seat."""
        if self.lash <= 0.0:
            return self.start, self.end
        target = (self.lash - self.blend) / self.rocker_ratio
        return self._crossing(target, self.start, self.nose), self._crossing(target, self.end, self.nose)

    def area(self, low: float | None = None, high: float | None = None) -> float:
        """Return the integral of valve lift over crank angle [m deg] between two angles; all of it by default."""
        low, high = (self.start if low is None else low), (self.end if high is None else high)
        if high <= low:
            return 0.0
        theta = np.linspace(low, high, 2 * max(int((high - low) / 0.25), 8) + 1)
        from scipy.integrate import simpson

        return float(simpson(self.lift(theta), x=theta))

    def shifted(self, by: float) -> LiftCurve:
        """Return the same lobe turned by so many crank degrees, later if positive."""
        spline = self.spline._replace(nodes=self.spline.nodes + by)
        return LiftCurve(spline, rocker_ratio=self.rocker_ratio, lash=self.lash)


def curve_from_table(angles: Array, lifts: Array, *, rocker_ratio: float, lash: float) -> LiftCurve:
    """Return the curve through a measured tappet-lift table: crank angles [crank deg] and lifts [m], closed at both ends.

    A cubic spline with zero slope at the ends, exact in every measured point; whatever noise the dial had shows up in the acceleration.

    Parameters
    ----------
    angles, lifts : array, shape (n,)
        Measured crank angles, rising [crank deg], and tappet lifts there [m].
    rocker_ratio : float
        Valve over tappet lift.
    lash : float
        Running lash at the valve [m].
    """
    from scipy.interpolate import CubicSpline

    fit = CubicSpline(angles, lifts, bc_type="clamped")
    # Nodes twice as dense, so that the nose is found between measured points.
    fine = np.sort(np.concatenate([angles, (angles[1:] + angles[:-1]) / 2.0]))
    peak = fine[int(np.argmax(fit(fine)))]
    extremes = fit.derivative().roots(extrapolate=False)
    near = extremes[np.abs(extremes - peak) < np.max(np.diff(angles))]
    fine = np.unique(np.concatenate([fine, near]))
    return LiftCurve(Spline(fine, fit(fine), fit(fine, 1), fit(fine, 2)), rocker_ratio=rocker_ratio, lash=lash)

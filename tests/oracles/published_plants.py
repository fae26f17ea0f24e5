"""Published engine loops at idle, as plants for tests: nothing here uses camcalc.

Each gives its characteristic function, so that roots can be found without any state matrix, and its matrices, written down apart.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from . import crossley_cook

Floats = NDArray[np.float64]
Function = Callable[[complex], complex]
FOOT_POUND = 1.3558179  # N m, and kg m2 per slug ft2


def root_of(function: Function, start: complex) -> complex:
    """Find a root by the secant method."""
    a, b = start, start * (1.0 + 1e-4)
    fa, fb = function(a), function(b)
    for _ in range(60):
        if fb == fa:
            break
        a, b, fa = b, b - fb * (b - a) / (fb - fa), fb
        fb = function(b)
        if abs(b - a) <= 1e-15 * abs(b):
            break
    return b


@dataclass(frozen=True)
class SixAtIdle:
    """Linear idle of a six in the form of Cook & Powell 1988; constants from a published parameter file, units from memory.

    Throttle deg, pressure psi, speed rpm, spark deg, torque ft lbf.
    """

    delay: float = 0.0
    spark_slope: float = 0.0
    air_per_throttle: float = 20.0
    pressure_per_air: float = 0.776
    filling: float = 0.21
    air_per_speed: float = 0.08
    speed_per_torque: float = 67.2
    slowing: float = 3.98
    torque_per_pressure: float = 13.37
    torque_per_spark: float = 10.0

    def characteristic(self, s: complex) -> complex:
        """(s + 1/filling)(s + 1/slowing - spark) + loop exp(-s delay)."""
        loop = self.speed_per_torque * self.torque_per_pressure * self.pressure_per_air * self.air_per_speed
        spark = self.speed_per_torque * self.torque_per_spark * self.spark_slope
        return (s + 1.0 / self.filling) * (s + 1.0 / self.slowing - spark) + loop * cmath.exp(-s * self.delay)

    def matrices(self) -> tuple[Floats, Floats]:
        """What acts on (pressure, speed) at once, and after the delay."""
        spark = self.speed_per_torque * self.torque_per_spark * self.spark_slope
        at_once = [[-1.0 / self.filling, -self.pressure_per_air * self.air_per_speed], [0.0, spark - 1.0 / self.slowing]]
        return np.array(at_once), np.array([[0.0, 0.0], [self.speed_per_torque * self.torque_per_pressure, 0.0]])

    def gains(self) -> dict[str, float]:
        """Settled speed per throttle, load torque and spark."""
        per_torque = self.speed_per_torque * self.slowing
        per_air = self.pressure_per_air * self.filling * self.torque_per_pressure
        closed = per_torque / (1.0 + per_torque * per_air * self.air_per_speed)
        return {"throttle_gain": closed * per_air * self.air_per_throttle, "load_gain": -closed, "spark_gain": closed * self.torque_per_spark}

    def inertia(self) -> float:
        """Crank inertia [kg m2] behind the speed gained per torque."""
        return 60.0 / (2.0 * math.pi) / self.speed_per_torque * FOOT_POUND


@dataclass(frozen=True)
class EightAtIdle:
    """Idle of a 4.6 L eight per firing event: Butts & Sivashankar 1995 after Powell & Cook 1987, read in a public report that cites both."""

    valve: float = 1.699
    manifold: tuple[float, float] = (8.5683, 0.9025)
    rotation: tuple[float, float] = (2.98, 0.9354)
    air_per_speed: float = 0.00093

    def poles(self) -> NDArray[np.complex128]:
        """Poles in z of the loop closed by the air that follows speed."""
        (k1, a), (k2, b) = self.manifold, self.rotation
        return np.roots([1.0, -(a + b), a * b, k1 * k2 * self.air_per_speed])

    def gain(self) -> float:
        """Settled speed [rpm] per unit of the valve."""
        (k1, a), (k2, b) = self.manifold, self.rotation
        through = k1 / (1.0 - a) * k2 / (1.0 - b)
        return self.valve * through / (1.0 + through * self.air_per_speed)

    def matrices(self, event: float) -> tuple[Floats, Floats, float]:
        """The loop in continuous time: lags with the same decay per event [s], and the delay of one event and two half events of sampling."""
        (k1, a), (k2, b) = self.manifold, self.rotation
        fill, turn = -math.log(a) / event, -math.log(b) / event
        at_once = np.array([[-fill, -self.air_per_speed * k1 / (1.0 - a) * fill], [0.0, -turn]])
        return at_once, np.array([[0.0, 0.0], [k2 / (1.0 - b) * turn, 0.0]]), 2.0 * event


class FourCylinders:
    """Crossley & Cook 1991: throttle deg, pressure bar, speed rad/s, flow g/s, charge g, torque N m; constants read, see ``crossley_cook``."""

    FILLING = 0.41328  # bar per g
    INERTIA = 0.14  # kg m2

    @staticmethod
    def opening(throttle: float) -> float:
        """Flow of the choked throttle; the cubic coefficient is 0.00063, since 0.0063 gives negative flow."""
        return 2.821 - 0.05231 * throttle + 0.10299 * throttle**2 - 0.00063 * throttle**3

    @staticmethod
    def pressure_factor(pressure: float) -> float:
        """Share of the choked flow, barometer 1 bar, no reverse flow."""
        return 1.0 if pressure <= 0.5 else 2.0 * math.sqrt(pressure - pressure**2)

    @staticmethod
    def pumped(speed: float, pressure: float) -> float:
        """Flow into the cylinders."""
        return -0.366 + 0.08979 * speed * pressure - 0.0337 * speed * pressure**2 + 0.0001 * speed**2 * pressure

    @classmethod
    def charge(cls, speed: float, pressure: float) -> float:
        """Charge of one cylinder."""
        return cls.pumped(speed, pressure) * math.pi / speed

    @classmethod
    def settled(cls, throttle: float, load: float, spark: float = 15.0) -> tuple[float, float]:
        """Speed and pressure at which flows and torques balance."""

        def pressure_at(speed: float) -> float:
            return float(brentq(lambda p: cls.opening(throttle) * cls.pressure_factor(p) - cls.pumped(speed, p), 0.2, 1.0, xtol=1e-14))

        def spare(speed: float) -> float:
            return crossley_cook.torque(cls.charge(speed, pressure_at(speed)), speed, spark) - load

        speed = float(brentq(spare, 120.0, 400.0, xtol=1e-12))
        return speed, pressure_at(speed)


@dataclass(frozen=True)
class FourAtIdle:
    """That four linear about 800 rpm at a load, with spark that moves with speed [deg per 1000 rpm]; charge comes 270 crank degrees late."""

    load: float
    spark_slope: float = 0.0
    speed: float = 800.0 * math.pi / 30.0
    spark: float = 15.0

    @property
    def delay(self) -> float:
        """One and a half firing intervals [s]."""
        return 1.5 * math.pi / self.speed

    def rates(self) -> tuple[float, float, float, float, float]:
        """Pressure by pressure, pressure by speed, then torque by pressure, by speed through the charge, and by speed at once."""
        n, four = self.speed, FourCylinders
        charge = brentq(lambda m: crossley_cook.torque(m, n, self.spark) - self.load, 0.05, 0.5, xtol=1e-15)
        flow = charge * n / math.pi
        p = brentq(lambda x: four.pumped(n, x) - flow, 0.1, 1.0, xtol=1e-15)
        into_p = flow * (0.5 - p) / (p - p**2) if p > 0.5 else 0.0
        out_p = 0.08979 * n - 2.0 * 0.0337 * n * p + 0.0001 * n**2
        out_n = 0.08979 * p - 0.0337 * p**2 + 2.0 * 0.0001 * n * p
        by_charge = 379.36 + 2.55 * self.spark - 0.05 * self.spark**2
        by_spark = crossley_cook.torque_slope(charge, n, self.spark) * self.spark_slope * 30.0 / math.pi / 1000.0
        by_speed = 0.027 - 2.0 * 0.000107 * n + 0.00048 * self.spark + by_spark
        scale = by_charge * math.pi / n
        return four.FILLING * (into_p - out_p), -four.FILLING * out_n, scale * out_p, scale * (out_n - flow / n), by_speed

    def characteristic(self, s: complex) -> complex:
        """Determinant over the two states, multiplied out."""
        pp, pn, torque_p, torque_n, at_once = self.rates()
        late = cmath.exp(-s * self.delay) / FourCylinders.INERTIA
        return (s - pp) * (s - at_once / FourCylinders.INERTIA - torque_n * late) - pn * torque_p * late

    def matrices(self) -> tuple[Floats, Floats]:
        """What acts on (pressure, speed) at once, and after the delay."""
        pp, pn, torque_p, torque_n, at_once = self.rates()
        j = FourCylinders.INERTIA
        return np.array([[pp, pn], [0.0, at_once / j]]), np.array([[0.0, 0.0], [torque_p / j, torque_n / j]])

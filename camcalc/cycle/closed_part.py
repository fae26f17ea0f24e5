"""The closed part of a settled cycle run many times over: other residual, faster and slower burns, no burn at all."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..burn.phasing import Burn, Closed, Cylinder, Mixture, laid_out, march_burns
from ..compiling import compiled
from .gas_kernel import FAST, properties
from .rates import burn_rate, cylinder_heat
from .volumes import Boundary, Setup, filled, volume_at, warming

__all__ = ["closed_grid"]

Array = NDArray[np.float64]

# Steps of the closed part [crank deg]: only differences between burns are taken from it, and those move by less than 0.1 % with half of it.
STEP = 2.5


@compiled(error_model="numpy", fastmath=FAST)
def _heating(s: Setup, b: Boundary, theta: float, mass: float, temperature: float, burned: float, seconds: float) -> tuple[float, float, float]:
    """Return how fast temperature, burned mass and work grow [K/deg], [kg/deg], [J/deg]."""
    volume, growth = volume_at(s, theta)
    gas = filled(s, volume, mass, temperature, burned / mass)
    made = burn_rate(b, theta)
    lost = cylinder_heat(s, b, theta, gas.pressure, temperature, volume)
    return warming(gas, -gas.pressure * growth / seconds - lost, 0.0, made / seconds) * seconds, made, gas.pressure * growth


@compiled(error_model="numpy", fastmath=FAST)
def _closed_run(s: Setup, b: Boundary, mass: float, temperature: float, burned: float) -> tuple[float, float]:
    """Return work [J] and mass burned [kg] from intake closing to exhaust opening, by midpoint steps."""
    seconds = 1.0 / (360.0 * s.speed)
    count = int(np.ceil((b.opens_angle - b.closed_angle) / STEP))
    h = (b.opens_angle - b.closed_angle) / count
    work, t, y = 0.0, temperature, burned
    for k in range(count):
        theta = b.closed_angle + k * h
        dt, dy, _ = _heating(s, b, theta, mass, t, y, seconds)
        dt, dy, dw = _heating(s, b, theta + 0.5 * h, mass, t + 0.5 * h * dt, y + 0.5 * h * dy, seconds)
        t, y, work = t + h * dt, y + h * dy, work + h * dw
    return work, y - burned


@compiled(error_model="numpy", fastmath=FAST)
def _with_burn(b: Boundary, burn: Burn, burns: float) -> Boundary:
    return Boundary(
        b.plenum_temperature, b.plenum_burned, b.collector_temperature, b.collector_burned, b.exhaust_pressure,
        360.0 + burn.start, burn.duration, burn.power, 360.0 + burn.end, burns,
        b.closed_pressure, b.closed_volume, b.closed_temperature, b.closed_angle, b.opens_angle,
    )  # fmt: skip


@compiled(nogil=True, error_model="numpy", fastmath=FAST)
def closed_grid(
    s: Setup,
    b: Boundary,
    cylinder: Cylinder,
    mixture: Mixture,
    spark: float,
    scales: tuple[float, float],
    heat: float,
    fractions: Array,
    burns: Array,
) -> tuple[Array, Array, Array, Array]:
    """Return work [J] and burned share of the fresh mass for each residual and burn, work without a burn, and development angles [crank deg].

    Volume, pressure and temperature at intake closing are the settled cycle's; residual replaces fresh charge.

    Parameters
    ----------
    s : Setup
    b : Boundary
        Of the settled cycle; its burn is replaced.
    cylinder : Cylinder
    mixture : Mixture
        Its residual is replaced.
    spark : float
        Before top dead centre [crank deg].
    scales : tuple of float
        Of the burn law [-], as ``reference_scales()``.
    heat : float
        That a fresh kilogram gives, the share that burns counted [J/kg].
    fractions : array, shape (n,)
        Residual by mass.
    burns : array, shape (m, 3)
        Factors on the angles of development and of rapid burn, and the share of the fresh mass that burns if time is left.

    Returns
    -------
    Arrays of shapes (n, m), (n, m), (n,), (n,).
    """
    n, m = fractions.size, burns.shape[0]
    work, share, missed, developments = np.empty((n, m)), np.empty((n, m)), np.empty(n), np.empty(n)
    piston_speed, opens = 2.0 * s.stroke * s.speed, b.opens_angle - 360.0
    no_burn = Burn(0.0, 0.0, 3.0, np.inf, 0.0, 0.0)
    for i in range(n):
        x = fractions[i]
        mass = b.closed_pressure * b.closed_volume / (properties(s.gas, b.closed_temperature, x)[0] * b.closed_temperature)
        fresh = mass * (1.0 - x)
        closed = Closed(b.closed_volume, b.closed_pressure, b.closed_temperature, heat * fresh)
        diluted = Mixture(mixture.phi, x, mixture.ethanol, mixture.dilution)
        missed[i] = _closed_run(s, _with_burn(b, no_burn, 0.0), mass, b.closed_temperature, x * mass)[0]
        angles = march_burns(cylinder, closed, diluted, piston_speed, spark, opens, burns, scales)
        developments[i] = angles[0, 0]
        for j in range(m):
            burn = laid_out(spark, angles[j, 0], angles[j, 1], angles[j, 2])
            work[i, j], made = _closed_run(s, _with_burn(b, burn, burns[j, 2] * fresh), mass, b.closed_temperature, x * mass)
            share[i, j] = made / fresh if fresh > 0.0 else 0.0
    return work, share, missed, developments

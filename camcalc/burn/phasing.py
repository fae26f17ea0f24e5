"""Burn angles from flame speed, and how they are laid out over the crank.

Flame development (spark to 10 % burned) and rapid burn (10 to 90 %) scale with flame speed, piston speed and clearance
height after Hires, Tabaczynski & Novak 1978, normalised to one published burn duration.
"""

from __future__ import annotations

import functools
import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from .flame import flame_speed_kernel

__all__ = ["WIEBE_A", "WIEBE_M", "Compression", "Mixture", "burn_angles", "reference_scales", "wiebe_angle", "wiebe_fraction"]

Array = NDArray[np.float64]

WIEBE_A, WIEBE_M = 5.0, 2.0
TEN = (-math.log(0.9) / WIEBE_A) ** (1.0 / (WIEBE_M + 1.0))
HALF = (-math.log(0.5) / WIEBE_A) ** (1.0 / (WIEBE_M + 1.0))
NINETY = (-math.log(0.1) / WIEBE_A) ** (1.0 / (WIEBE_M + 1.0))

# Published total burn duration, full load, 2000 rpm, start at spark (Sitthiracha 2006, equation 3-6, read): 73.25 deg.
REFERENCE_DURATION = 73.25
REFERENCE_SPEED = 2000.0 / 60.0
# Charge and geometry taken for that engine, whose full set is not given; ESTIMATE: stroke 86 mm, compression ratio 9.5,
# full load with 7 % burned gas by mass, spark at the best-torque angle that its own duration implies.
REFERENCE_STROKE, REFERENCE_RATIO = 0.086, 9.5
REFERENCE_PRESSURE, REFERENCE_TEMPERATURE = 98e3, 375.0
REFERENCE_BURNED = 0.07
REFERENCE_SPARK = 29.4
# Polytropic exponent of the unburned charge up to ignition; ESTIMATE, usual for engine compression.
POLYTROPIC = 1.30
GAS_CONSTANT = 280.0  # only ratios count


class Compression(NamedTuple):
    """The unburned charge over crank angle, burn apart: angles [crank deg after top dead centre, rising], temperature [K],
    pressure [Pa]; and the clearance height at top dead centre (volume over piston area) [m]."""

    angle: Array
    temperature: Array
    pressure: Array
    height: float


class Mixture(NamedTuple):
    """What burns: equivalence ratio, MASS fraction of burned gas, share of ethanol in the fuel by volume; multiplier on the
    steepness of the dilution factor beyond its data."""

    phi: float
    burned: float
    ethanol: float
    dilution_tail: float = 1.0


@compiled
def viscosity(temperature: float) -> float:
    """Return dynamic viscosity of air [Pa s], power law through 300 K; its exponent 0.7 is common practice, no source."""
    return float(1.85e-5 * (temperature / 300.0) ** 0.7)


@compiled
def _rates(temperature: Array, pressure: Array, height: float, piston_speed: float, phi: float, burned: float, ethanol: float, tail: float) -> Array:
    """Return one over the law's angle, ``(Sp nu)^(1/3) (h/S_L)^(2/3)``, at each state."""
    rate = np.empty(temperature.size)
    for k in range(temperature.size):
        nu = viscosity(temperature[k]) * GAS_CONSTANT * temperature[k] / pressure[k]
        speed = flame_speed_kernel(temperature[k], pressure[k], phi, burned, ethanol, tail)
        rate[k] = (piston_speed * nu) ** (-1.0 / 3.0) * (height / speed) ** (-2.0 / 3.0)
    return rate


def _progress(angle: Array, rate: Array) -> Array:
    """Return the summed progress of a burn over crank angle."""
    done: Array = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(angle))])
    return done


@functools.cache
def reference_scales() -> tuple[float, float]:
    """Return what turns local angles into crank degrees, so that the published burn comes out at its own state."""
    angle = np.arange(-60.0, 80.0, 0.25)
    lam, theta = 3.5, np.radians(angle)
    swept = 0.5 * (1.0 - np.cos(theta) + lam - np.sqrt(lam**2 - np.sin(theta) ** 2))
    clearance = REFERENCE_STROKE / (REFERENCE_RATIO - 1.0)
    height, start = clearance + swept * REFERENCE_STROKE, clearance + 0.9 * REFERENCE_STROKE
    squeeze = start / height
    sp = 2.0 * REFERENCE_STROKE * REFERENCE_SPEED
    rate = _rates(
        REFERENCE_TEMPERATURE * squeeze ** (POLYTROPIC - 1.0), REFERENCE_PRESSURE * squeeze**POLYTROPIC, clearance, sp, 1.0, REFERENCE_BURNED, 0.0, 1.0
    )
    start, end = np.interp([-REFERENCE_SPARK, -REFERENCE_SPARK + REFERENCE_DURATION * TEN], angle, _progress(angle, rate))
    return 1.0 / float(end - start), REFERENCE_DURATION * (NINETY - TEN) * float(np.interp(0.0, angle, rate))


def burn_angles(charge: Compression, mixture: Mixture, piston_speed: float, sparks: Array, *, scale: float = 1.0) -> tuple[Array, Array]:
    """Return flame-development and rapid-burn angles [crank deg] for sparks [crank deg before top dead centre].

    The law holds for one state. Flame development, which an early spark spreads over much of the stroke, sums it angle by
    angle: it starts slowly and speeds up. Rapid burn takes the state at top dead centre, or where 10 % has burned if that
    is later, so that a late burn is a slow one.

    Parameters
    ----------
    charge : Compression
        What the charge would do without burning.
    mixture : Mixture
    piston_speed : float
        Mean [m/s].
    sparks : array, shape (n,)
        Before top dead centre [crank deg].
    scale : float
        Factor on both angles.

    References
    ----------
    Hires, Tabaczynski & Novak 1978, as in Heywood 1988, ch. 9 (from memory).
    """
    rate = _rates(charge.temperature, charge.pressure, charge.height, piston_speed, *mixture) / scale
    done = _progress(charge.angle, rate)
    develop_scale, rapid_scale = reference_scales()
    target = np.interp(-sparks, charge.angle, done) + 1.0 / develop_scale
    ten_at = np.interp(target, done, charge.angle) + np.maximum(target - done[-1], 0.0) / rate[-1]
    rapid: Array = rapid_scale / np.interp(np.maximum(ten_at, 0.0), charge.angle, rate)
    return ten_at + sparks, rapid


def wiebe_fraction(progress: float) -> float:
    """Return the burned share after a share of the total duration.

    >>> round(wiebe_fraction(1.0), 5)
    0.99326
    """
    return 1.0 - math.exp(-WIEBE_A * max(progress, 0.0) ** (WIEBE_M + 1.0))


def wiebe_angle(share: float) -> float:
    """Return the share of the total duration at which a share has burned.

    >>> round(wiebe_angle(0.5), 4)
    0.5175
    """
    return float((-math.log(1.0 - share) / WIEBE_A) ** (1.0 / (WIEBE_M + 1.0)))

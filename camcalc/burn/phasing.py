"""Burn angles from flame speed, degree by degree at the state that the burn meets, and how they are laid out over the crank.

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
from .flame import FlameLaw, flame_law, log_flame_speed
from .stretch import GAS_CONSTANT, KARLOVITZ_QUENCH, TURBULENCE, log_kinematic_viscosity, log_stretch

__all__ = [
    "DILUTION_EXPONENT", "WIEBE_A", "Burn", "Closed", "Cylinder", "Mixture", "burn_angles", "cylinder_volume", "laid_out", "march_burn",
    "march_burns", "motored_state", "reference_scales", "wiebe_angle", "wiebe_fraction",
]  # fmt: skip

Array = NDArray[np.float64]

# Exponent on the dilution ratio of the chemistry (propane): with it the ratio meets the factor measured on gasoline-like fuels, 1 - 2.1 f, to 2.3 %
# at 600 to 700 K where that factor has data (f 0.1 to 0.2). There 0.80 to 0.84 meets it, at 800 K and 16 bar 0.82 to 0.86, but at 800 K and 4 bar or
# 900 K and 8 bar 0.97 to 1.02: computed at five states, so 0.8 is the end that slows flames least. Ratios found back from an engine's pressure fall
# less than the usual factors too (Smith et al. 2019, abstract read). 0.7 to 1.0; best torque of the three mild cams at 25 % of burned gas is then 39 to
# 51 degrees (textbook: 45 to 50, from memory). Fixed before any long cam was run with it.
DILUTION_EXPONENT = 0.8
# The layout of the published burn, by which all others are scaled: a = 5, m = 2 (Heywood 1988, ch. 9, from memory).
WIEBE_A, WIEBE_POWER = 5.0, 3.0
TEN_DONE, NINETY_DONE = -math.log(0.9) / WIEBE_A, -math.log(0.1) / WIEBE_A
HALF_DONE = -math.log(0.5) / WIEBE_A
TEN, NINETY = TEN_DONE ** (1.0 / WIEBE_POWER), NINETY_DONE ** (1.0 / WIEBE_POWER)
# ln of the ratio of the two: a Wiebe function of power n from the spark on has 90 % burned exp(WIDTH / n) times as late as 10 %.
WIDTH = math.log(NINETY_DONE / TEN_DONE)
# A burn that has developed slowly and then runs fast is laid out with no more than this power: its Wiebe start is later than the spark, never before.
MOST_POWER = 6.0

# Published total burn duration, full load, 2000 rpm, start at spark (Sitthiracha 2006, equation 3-6, read): 73.25 deg.
REFERENCE_DURATION = 73.25
REFERENCE_SPEED = 2000.0 / 60.0
# Charge and geometry taken for that engine, whose full set is not given; ESTIMATE: stroke 86 mm, bore as stroke, compression ratio 9.5,
# full load with 7 % burned gas by mass, spark at the best-torque angle that its own duration implies.
REFERENCE_STROKE, REFERENCE_RATIO, REFERENCE_ROD = 0.086, 9.5, 3.5
REFERENCE_PRESSURE, REFERENCE_TEMPERATURE = 98e3, 375.0
REFERENCE_BURNED = 0.07
REFERENCE_SPARK = 29.4
REFERENCE_OPENS = 130.0
# Heat of a stoichiometric mixture of gasoline and air [J/kg]: 44 MJ/kg over 1 + 14.7 (Heywood 1988, table D.4, from memory).
REFERENCE_HEAT = 2.80e6
# Polytropic exponent of the unburned charge up to 10 % burned; ESTIMATE, usual for engine compression.
POLYTROPIC = 1.30
# While it burns: exponent of the whole charge, share of the heat that goes to the walls (0.1 to 0.35), unburned gas compressed further
# by exponent (g - 1) / g; ESTIMATE. They move the unburned temperature alone.
BURNING_POLYTROPIC, BURN_HEAT_LOSS = 1.27, 0.2
UNBURNED_POWER = (POLYTROPIC - 1.0) / POLYTROPIC
LOG_QUENCH = math.log(KARLOVITZ_QUENCH)
STEP = 1.0  # crank deg; half of it moves the angles by less than 0.1 %


class Cylinder(NamedTuple):
    """Slider-crank volume: clearance and swept volume [m3], rod over crank radius; clearance height at top dead centre (volume over piston area) [m]."""

    clearance: float
    swept: float
    rod_over_crank: float
    height: float


class Closed(NamedTuple):
    """The charge at intake closing: volume [m3], pressure [Pa], temperature [K]; the heat [J] that it gives if all of it burns."""

    volume: float
    pressure: float
    temperature: float
    heat: float


class Mixture(NamedTuple):
    """What burns: equivalence ratio, MASS fraction of burned gas, share of ethanol in the fuel by volume, exponent on the dilution ratio."""

    phi: float
    burned: float
    ethanol: float
    dilution: float = DILUTION_EXPONENT


class Burn(NamedTuple):
    """A burn laid out over the crank: Wiebe start [crank deg after top dead centre], duration [deg] and power, the angle at which the flame goes
    out [deg after top dead centre; infinite if it does not]; flame-development and rapid-burn angle [deg]."""

    start: float
    duration: float
    power: float
    end: float
    development: float
    rapid: float

    @property
    def half(self) -> float:
        """Where half has burned [crank deg after top dead centre]."""
        return float(self.start + self.duration * HALF_DONE ** (1.0 / self.power))


@compiled
def cylinder_volume(cylinder: Cylinder, angle: float) -> float:
    """Return the volume [m3] at an angle after top dead centre [crank deg]."""
    a, lam = math.radians(angle), cylinder.rod_over_crank
    return float(cylinder.clearance + 0.5 * cylinder.swept * (1.0 - math.cos(a) + lam - math.sqrt(lam * lam - math.sin(a) ** 2)))


@compiled
def piston_area(cylinder: Cylinder) -> float:
    """Return the piston's area [m2]."""
    return cylinder.clearance / cylinder.height


@compiled
def motored_state(cylinder: Cylinder, closed: Closed, angle: float) -> tuple[float, float]:
    """Return temperature [K] and pressure [Pa] of the charge without burning, at an angle after top dead centre [crank deg].

    Parameters
    ----------
    cylinder : Cylinder
    closed : Closed
        The charge at intake closing.
    angle : float
        After top dead centre [crank deg].
    """
    squeeze = closed.volume / cylinder_volume(cylinder, angle)
    return closed.temperature * squeeze ** (POLYTROPIC - 1.0), closed.pressure * squeeze**POLYTROPIC


@compiled(error_model="numpy")
def _log_rate(log_nu: float, log_flame: float, log_height: float, log_piston_speed: float) -> float:
    """Return the logarithm of one over the law's angle, ``(Sp nu)^(-1/3) (h/S_L)^(-2/3)``, from those of what is in it [SI]."""
    return -(log_piston_speed + log_nu + 2.0 * (log_height - log_flame)) / 3.0


@compiled(error_model="numpy")
def _development_rate(cylinder: Cylinder, closed: Closed, mixture: Mixture, law: FlameLaw, log_piston_speed: float, angle: float) -> float:
    """Return one over the law's angle in the charge as the piston moves it, at an angle after top dead centre [crank deg]."""
    squeeze = math.log(closed.volume / cylinder_volume(cylinder, angle))
    log_t, log_p = math.log(closed.temperature) + (POLYTROPIC - 1.0) * squeeze, math.log(closed.pressure) + POLYTROPIC * squeeze
    flame = log_flame_speed(law, math.exp(log_t), log_t, log_p, mixture.burned, mixture.dilution)
    return math.exp(_log_rate(log_kinematic_viscosity(log_t, log_p), flame, math.log(cylinder.height), log_piston_speed))


@compiled(error_model="numpy")
def march_burns(
    cylinder: Cylinder,
    closed: Closed,
    mixture: Mixture,
    piston_speed: float,
    spark: float,
    opens: float,
    clocks: Array,
    scales: tuple[float, float],
) -> Array:
    """Return what ``march_burn`` does for burns from one spark with factors on their angles, a row for each.

    Parameters
    ----------
    cylinder : Cylinder
    closed : Closed
        The charge at intake closing.
    mixture : Mixture
    piston_speed : float
        Mean [m/s].
    spark : float
        Before top dead centre [crank deg].
    opens : float
        Where the exhaust valve opens [crank deg after top dead centre].
    clocks : array, shape (n, 2)
        Factors on the angles of development and of rapid burn [-].
    scales : tuple of float
        What turns the law's angles into crank degrees [-], as ``reference_scales()``.

    Returns
    -------
    Array of shape (n, 3) [crank deg], [crank deg], [deg after top dead centre].

    References
    ----------
    As ``march_burn``.
    """
    # In logarithms, since all laws are powers: a power or two for each degree instead of a dozen.
    law, log_speed = flame_law(mixture.phi, mixture.ethanol), math.log(piston_speed)
    log_velocity, log_height, area = math.log(TURBULENCE * piston_speed), math.log(cylinder.height), piston_area(cylinder)
    log_closed_t, log_closed_p = math.log(closed.temperature), math.log(closed.pressure)
    found = np.empty((clocks.shape[0], 3))
    # The development meets the same charge whatever its factor.
    rates, known = np.empty(int(max(opens + spark, 0.0) / STEP) + 3), 0
    for n in range(clocks.shape[0]):
        theta, done, end, count = -spark, 0.0, math.inf, 0
        while True:
            if count == known:
                rates[known] = _development_rate(cylinder, closed, mixture, law, log_speed, theta + 0.5 * STEP)
                known += 1
            rate = scales[0] / clocks[n, 0] * rates[count]
            if done + rate * STEP >= 1.0 or theta >= opens:
                break
            done += rate * STEP
            theta += STEP
            count += 1
        ten = theta + (1.0 - done) / rate
        # Development that outlasts the exhaust valve is no flame any more: its state is that at the valve's opening.
        u, theta = TEN, min(ten, opens)
        volume, burned, before = cylinder_volume(cylinder, theta), 0.1, 0.0
        pressure = closed.pressure * (closed.volume / volume) ** POLYTROPIC
        while True:
            # The last step ends at the valve itself, so that nothing jumps as a burn grows slower.
            step = min(STEP, opens - theta)
            squeeze = math.log(closed.volume / cylinder_volume(cylinder, theta + 0.5 * step))
            log_p, log_motored = math.log(pressure), log_closed_p + POLYTROPIC * squeeze
            log_t = log_closed_t + (POLYTROPIC - 1.0) * squeeze + UNBURNED_POWER * max(log_p - log_motored, 0.0)
            flame = log_flame_speed(law, math.exp(log_t), log_t, log_p, mixture.burned, mixture.dilution)
            log_nu = log_kinematic_viscosity(log_t, log_p)
            rate = scales[1] / clocks[n, 1] * (NINETY - TEN) * math.exp(_log_rate(log_nu, flame, log_height, log_speed))
            if end == math.inf:
                stretch = log_stretch(log_nu, flame, log_velocity, volume / area) - LOG_QUENCH
                if stretch > 0.0:
                    end = theta if u == TEN else theta - STEP * stretch / (stretch - before)
                before = stretch
            if u + rate * step >= NINETY or step <= 0.0:
                break
            u += rate * step
            theta += step
            grown, now = cylinder_volume(cylinder, theta), 1.0 - math.exp(-WIEBE_A * u**3)
            # Half a step of each: compression by the piston, and the heat of what has burned meanwhile.
            middle = 0.5 * (volume + grown)
            pressure -= POLYTROPIC * pressure * (grown - volume) / middle
            pressure += (BURNING_POLYTROPIC - 1.0) * (1.0 - BURN_HEAT_LOSS) * closed.heat * (now - burned) / middle
            volume, burned = grown, now
        found[n, 0], found[n, 1], found[n, 2] = ten + spark, theta + (NINETY - u) / rate - min(ten, opens), end
    return found


@compiled(error_model="numpy")
def march_burn(
    cylinder: Cylinder,
    closed: Closed,
    mixture: Mixture,
    piston_speed: float,
    spark: float,
    opens: float,
    clocks: tuple[float, float],
    scales: tuple[float, float],
) -> tuple[float, float, float]:
    """Return flame-development and rapid-burn angle [crank deg], and where the flame goes out [deg after top dead centre, infinite if it does not].

    Both phases sum the law's rate degree by degree: development on the charge as the piston moves it, rapid burn on the unburned charge as the
    burn itself compresses it further. A burn that the exhaust valve interrupts goes on at its last rate, for the sake of its angles alone.

    Parameters
    ----------
    cylinder : Cylinder
    closed : Closed
        The charge at intake closing.
    mixture : Mixture
    piston_speed : float
        Mean [m/s].
    spark : float
        Before top dead centre [crank deg].
    opens : float
        Where the exhaust valve opens [crank deg after top dead centre].
    clocks : tuple of float
        Factors on the angles of development and of rapid burn [-].
    scales : tuple of float
        What turns the law's angles into crank degrees [-], as ``reference_scales()``.

    References
    ----------
    Hires, Tabaczynski & Novak 1978, as in Heywood 1988, ch. 9 (from memory).
    """
    one = np.empty((1, 2))
    one[0, 0], one[0, 1] = clocks
    found = march_burns(cylinder, closed, mixture, piston_speed, spark, opens, one, scales)
    return found[0, 0], found[0, 1], found[0, 2]


@functools.cache
def reference_scales() -> tuple[float, float]:
    """Return what turns local angles into crank degrees, so that the published burn comes out at its own state."""
    from scipy.optimize import brentq

    area = math.pi / 4.0 * REFERENCE_STROKE**2
    clearance = REFERENCE_STROKE / (REFERENCE_RATIO - 1.0)
    cylinder = Cylinder(clearance * area, REFERENCE_STROKE * area, REFERENCE_ROD, clearance)
    volume = (clearance + 0.9 * REFERENCE_STROKE) * area
    heat = REFERENCE_HEAT * (1.0 - REFERENCE_BURNED) * REFERENCE_PRESSURE * volume / (GAS_CONSTANT * REFERENCE_TEMPERATURE)
    closed = Closed(volume, REFERENCE_PRESSURE, REFERENCE_TEMPERATURE, heat)
    mixture, speed = Mixture(1.0, REFERENCE_BURNED, 0.0), 2.0 * REFERENCE_STROKE * REFERENCE_SPEED

    def angles(develop: float, rapid: float) -> tuple[float, float, float]:
        return march_burn(cylinder, closed, mixture, speed, REFERENCE_SPARK, REFERENCE_OPENS, (1.0, 1.0), (develop, rapid))

    # The law's rates at top dead centre, for a bracket: each angle falls as its scale grows.
    near = 1.0 / _development_rate(cylinder, closed, mixture, flame_law(mixture.phi, mixture.ethanol), math.log(speed), 0.0)
    wanted = REFERENCE_DURATION * TEN, REFERENCE_DURATION * (NINETY - TEN)
    develop = float(brentq(lambda k: angles(k, near / wanted[1])[0] - wanted[0], 0.3 * near / wanted[0], 5.0 * near / wanted[0], xtol=1e-12 * near))
    rapid = float(brentq(lambda k: angles(develop, k)[1] - wanted[1], 0.3 * near / wanted[1], 5.0 * near / wanted[1], xtol=1e-12 * near))
    return develop, rapid


def burn_angles(
    cylinder: Cylinder, closed: Closed, mixture: Mixture, piston_speed: float, sparks: Array, *, opens: float, scale: float = 1.0
) -> tuple[Array, Array]:
    """Return flame-development and rapid-burn angles [crank deg] for sparks [crank deg before top dead centre].

    Parameters
    ----------
    cylinder : Cylinder
    closed : Closed
        The charge at intake closing.
    mixture : Mixture
    piston_speed : float
        Mean [m/s].
    sparks : array, shape (n,)
        Before top dead centre [crank deg].
    opens : float
        Where the exhaust valve opens [crank deg after top dead centre].
    scale : float
        Factor on both angles.

    References
    ----------
    As ``march_burn``.
    """
    scales = reference_scales()
    found = np.array([march_burn(cylinder, closed, mixture, piston_speed, float(s), opens, (scale, scale), scales) for s in sparks])
    return found[:, 0], found[:, 1]


@compiled
def laid_out(spark: float, development: float, rapid: float, end: float = math.inf) -> Burn:
    """Return the Wiebe function through 10 % and 90 % burned that begins at the spark, or later where the burn is slow to begin.

    Parameters
    ----------
    spark : float
        Before top dead centre [crank deg].
    development, rapid : float
        Spark to 10 %, 10 to 90 % burned [crank deg].
    end : float
        Where the flame goes out [crank deg after top dead centre].

    References
    ----------
    Derived from ``1 - exp(-5 x^n)``.

    Examples
    --------
    >>> burn = laid_out(30.0, 20.0, 36.0)
    >>> round(burn.start, 9), round(1.0 - math.exp(-5.0 * (20.0 / burn.duration) ** burn.power), 9)
    (-30.0, 0.1)
    """
    power = WIDTH / math.log(1.0 + rapid / development)
    if power > MOST_POWER:
        power = MOST_POWER
    ten, ninety = TEN_DONE ** (1.0 / power), NINETY_DONE ** (1.0 / power)
    duration = rapid / (ninety - ten)
    start = max(-spark, -spark + development - ten * duration)
    return Burn(start, duration, power, end, development, rapid)


def wiebe_fraction(progress: float) -> float:
    """Return the burned share after a share of the total duration, m = 2.

    >>> round(wiebe_fraction(1.0), 5)
    0.99326
    """
    return 1.0 - math.exp(-WIEBE_A * max(progress, 0.0) ** WIEBE_POWER)


def wiebe_angle(share: float) -> float:
    """Return the share of the total duration at which a share has burned, m = 2.

    >>> round(wiebe_angle(0.5), 4)
    0.5175
    """
    return float((-math.log(1.0 - share) / WIEBE_A) ** (1.0 / WIEBE_POWER))

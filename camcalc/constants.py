"""Constants of nature and of standards, each defined once; and what mean pressure is as torque.

Floats in SI. A constant that belongs to one law or one estimate stands beside that law.
"""

from __future__ import annotations

import math

__all__ = [
    "AIR_GAMMA", "AIR_GAS_CONSTANT", "STANDARD_GRAVITY", "STANDARD_PRESSURE", "UNIVERSAL_GAS_CONSTANT", "mean_pressure_of_torque", "torque_of_mean_pressure",
]  # fmt: skip

# CODATA 2018, exact [J/(mol K)].
UNIVERSAL_GAS_CONSTANT = 8.314462618
# U.S. Standard Atmosphere 1976, table 2: 8314.32 J/(kmol K) over 28.9644 kg/kmol, dry air [J/(kg K)].
AIR_GAS_CONSTANT = 8314.32 / 28.9644
# Diatomic gas at room temperature, textbook value.
AIR_GAMMA = 1.4
# Third General Conference on Weights and Measures, 1901, exact [m/s**2].
STANDARD_GRAVITY = 9.80665
# Standard atmosphere, exact [Pa].
STANDARD_PRESSURE = 101325.0
# A four-stroke cycle turns the crank twice [rad].
CYCLE_ANGLE = 4.0 * math.pi


def torque_of_mean_pressure(mean_pressure: float, displacement: float) -> float:
    """Return the mean torque [N m] of a four-stroke engine from a mean effective pressure [Pa] over its displacement [m**3].

    Work of a cycle over its angle: ``p V / (4 pi)`` (Heywood 1988, eq. 2.19, from memory).

    >>> round(torque_of_mean_pressure(1e6, 2e-3), 2)
    159.15
    """
    return mean_pressure * displacement / CYCLE_ANGLE


def mean_pressure_of_torque(torque: float, displacement: float) -> float:
    """Return the mean effective pressure [Pa] over a displacement [m**3] that is a torque [N m] of a four-stroke engine.

    >>> round(mean_pressure_of_torque(torque_of_mean_pressure(1e6, 2e-3), 2e-3))
    1000000
    """
    return torque * CYCLE_ANGLE / displacement

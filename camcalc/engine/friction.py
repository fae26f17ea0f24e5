"""Rubbing friction, without pumping and without accessories: those enter the balance on their own."""

from __future__ import annotations

from ..units import checked

__all__ = ["rubbing_friction"]

# Textbook engine of 2.77 litres: friction torque 15.6 + 0.175e-3 w^2 N m, w in rad/s (Guzzella & Onder, appendix B, read).
TORQUE, TORQUE_PER_W2, DISPLACEMENT = 15.6, 0.175e-3, 2.77e-3
RADIANS = 6.283185307179586


@checked("Pa", speed=("crank_rps", 1.0, 200.0))
def rubbing_friction(speed: float) -> float:
    """Return friction mean effective pressure of a warm engine, without pumping or accessories.

    Parameters
    ----------
    speed : quantity [crank speed]

    Notes
    -----
    ``4 pi T_f / V_d`` of the textbook engine; other sources lie 10 to 20 % about it, which the bands carry.

    References
    ----------
    Guzzella & Onder, appendix B.

    Examples
    --------
    >>> round(rubbing_friction("800 rpm").to("kPa").magnitude, 1)
    76.3
    """
    w = RADIANS * speed
    return 2.0 * RADIANS * (TORQUE + TORQUE_PER_W2 * w * w) / DISPLACEMENT

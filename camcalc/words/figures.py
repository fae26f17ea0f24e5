"""Figures as sentences write them: angles with their zero, speeds to what a search resolves, each with its mark."""

from __future__ import annotations

import math

from ..marks import Mark, marked

__all__ = ["before_overlap", "btdc", "cell_text", "found_rpm", "kilopascals", "percent", "set_rpm", "signed_percent"]

# Searches for a speed end within so much [rpm]: more digits would be false.
RESOLVED = 10.0


def btdc(spark: float, mark: Mark | None = None) -> str:
    """Return a spark [crank deg before top dead centre] with its zero and its mark.

    >>> btdc(24.4), btdc(36.0, Mark.CAP), btdc(-2.0)
    ('24 deg BTDC', '36 deg BTDC (cap)', '2 deg ATDC')
    """
    whole = round(spark)
    return marked(f"{whole} deg BTDC" if whole >= 0 else f"{-whole} deg ATDC", mark)


def before_overlap(angle: float) -> str:
    """Return an angle of injection [crank deg before overlap top dead centre] with its zero; nothing that is none.

    >>> before_overlap(112.3), before_overlap(-35.0), before_overlap(math.nan)
    ('112 deg before overlap TDC', '35 deg after overlap TDC', 'none')
    """
    if not math.isfinite(angle):
        return "none"
    whole = round(angle)
    return f"{whole} deg before overlap TDC" if whole >= 0 else f"{-whole} deg after overlap TDC"


def set_rpm(speed: float) -> str:
    """Return a crank speed [rev/s] that was asked for or set.

    >>> set_rpm(850.0 / 60.0)
    '850 rpm'
    """
    return f"{speed * 60.0:.0f} rpm"


def found_rpm(speed: float, mark: Mark | None = None) -> str:
    """Return a crank speed [rev/s] that a search found, to what it resolves, with its mark.

    >>> found_rpm(1281.0 / 60.0), found_rpm(350.0 / 60.0, Mark.OR_LESS)
    ('1280 rpm', '350 rpm or less')
    """
    return marked(f"{RESOLVED * round(speed * 60.0 / RESOLVED):.0f} rpm", mark)


def kilopascals(pressure: float) -> str:
    """Return a manifold pressure [Pa], absolute.

    >>> kilopascals(60e3)
    '60 kPa'
    """
    return f"{pressure / 1e3:.0f} kPa"


def percent(share: float) -> str:
    """Return a share of 1.

    >>> percent(0.53)
    '53 %'
    """
    return f"{100.0 * share:.0f} %"


def signed_percent(change: float, more: str, less: str) -> str:
    """Return a change as a share of 1, its direction in words.

    >>> signed_percent(0.071, "more fuel", "less fuel"), signed_percent(-0.2, "more fuel", "less fuel"), signed_percent(0.001, "more", "less")
    ('7 % more fuel', '20 % less fuel', 'less than 1 % more')
    """
    size = abs(100.0 * change)
    return f"{f'{size:.0f} %' if size >= 1.0 else 'less than 1 %'} {more if change >= 0.0 else less}"


def cell_text(speed: float, pressure: float) -> str:
    """Return where a cell is, by speed [rev/s] and manifold pressure [Pa].

    >>> cell_text(1400.0 / 60.0, 50e3)
    '1400 rpm, 50 kPa'
    """
    return f"{set_rpm(speed)}, {kilopascals(pressure)}"

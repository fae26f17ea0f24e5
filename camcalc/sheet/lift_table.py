"""Measured lobes: a table of tappet lift over angle, read and checked."""

from __future__ import annotations

import csv
import itertools
import re
from pathlib import Path
from typing import cast

from ..errors import InputError
from ..files import TABLE_BYTES, read_file
from ..units import Bounds, to_si

__all__ = ["check_lift_table", "read_lift_table", "table_middle"]

LEAST_LIFT = 1e-3  # of a lobe [m]


def table_middle(angles: list[float], lifts: list[float], height: float, ratio: float, lash: float, side: str) -> float:
    """Return the midpoint of a measured lobe at a checking height.

    Parameters
    ----------
    angles, lifts : list of float
        Crank angles [crank deg] and tappet lifts [m] as measured.
    height : float
        Checking height [m].
    ratio : float
        Rocker ratio.
    lash : float
        At the valve [m].
    side : str
        "tappet" or "valve", where the height is measured.
    """
    import numpy as np

    from ..cam.lift import curve_from_table

    curve = curve_from_table(np.array(angles), np.array(lifts), rocker_ratio=ratio, lash=lash)
    edges = curve.edges(height, side=side)
    return curve.nose if edges is None else (edges[0] + edges[1]) / 2.0


def read_lift_table(path: Path, where: str) -> tuple[list[float], list[float]]:
    """Read a measured lobe: two columns, angle and tappet lift, units in the header."""
    example = 'first line "angle [crank_deg],lift [mm]", then one pair a line'
    try:
        rows = [r for r in csv.reader(read_file(path, TABLE_BYTES).decode("utf-8").splitlines()) if r]
    except InputError as error:
        raise InputError(where, came=error.came, expected=error.expected, fix=error.fix) from None
    except (OSError, ValueError, csv.Error):
        raise InputError(where, came=f"{path}: not readable", expected=example) from None
    units = [re.search(r"\[(.+)\]", cell) for cell in rows[0][:2]] if rows else []
    if len(units) != 2 or not all(units):
        raise InputError(where, came=f"{path}: first line {rows[0] if rows else 'empty'}", expected=example)
    angles, lifts = [], []
    for number, row in enumerate(rows[1:], start=2):
        try:
            angle, lift = (f"{float(cell)!r} {cast('re.Match[str]', unit)[1]}" for cell, unit in zip(row, units, strict=True))
        except ValueError:
            raise InputError(where, came=f"{path}, line {number}: {','.join(row)}", expected="two plain numbers") from None
        angles.append(float(to_si(angle, f"{where}, line {number}, angle", Bounds("crank_deg", -720, 720))))
        lifts.append(float(to_si(lift, f"{where}, line {number}, lift", Bounds("m", -0.2e-3, 18e-3, "mm"))))
    check_lift_table(angles, lifts, path, where)
    return angles, lifts


def check_lift_table(angles: list[float], lifts: list[float], path: Path, where: str) -> None:
    """Raise unless a table is a closed lobe: angles that rise, lift that rises to the nose and falls from it.

    Parameters
    ----------
    angles, lifts : list of float
        Crank angles [crank deg] and tappet lifts [m] as measured.
    path : Path
        The table's file, for errors.
    where : str
        The sheet's key that names it, for errors.
    """
    if len(angles) < 12:
        raise InputError(where, came=f"{path}: {len(angles)} points", expected="at least 12 points over the lobe")
    for k, (a, b) in enumerate(itertools.pairwise(angles)):
        if b <= a:
            raise InputError(where, came=f"{path}, line {k + 3}: {b:g} after {a:g} crank_deg", expected="angles that rise")
    peak = max(lifts)
    if peak < LEAST_LIFT:
        raise InputError(where, came=f"{path}: greatest lift {peak * 1e3:.3f} mm", expected="a lobe with lift", fix="check the unit in the first line")
    for end, name in ((lifts[0], "first"), (lifts[-1], "last")):
        if abs(end) > 0.02e-3:
            raise InputError(
                where,
                came=f"{path}: {name} lift {end * 1e3:.3f} mm",
                expected="a closed lobe: lift 0 at both ends",
                fix="measure on to the base circle, and set the dial to zero there",
            )
    nose = lifts.index(peak)
    for k in range(1, len(lifts)):
        falls = lifts[k] < lifts[k - 1] - 0.01e-3
        rises = lifts[k] > lifts[k - 1] + 0.01e-3
        if (k <= nose and falls) or (k > nose and rises):
            raise InputError(
                where,
                came=f"{path}, line {k + 2}: lift goes from {lifts[k - 1] * 1e3:.3f} to {lifts[k] * 1e3:.3f} mm",
                expected="lift that rises to the nose and then falls",
                fix="read that point again",
            )

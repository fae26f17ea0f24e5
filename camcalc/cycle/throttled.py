"""The settled cycle of a plenum that breathes: its throttle is turned until the plenum's mean pressure is the one asked for."""

from __future__ import annotations

import contextlib
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from ..errors import NoSolutionError
from .gas_kernel import properties
from .settled_figures import next_area, plenum_mean, throttle_flux
from .steady import Marching, Settled, settle
from .whole_engine import WholeEngine

__all__ = ["turned"]

Array = NDArray[np.float64]

MOST_TURNS = 25


def turned(made: Callable[[], Marching], cylinders: int, calm: Settled | None, guess: Array, tolerance: float) -> Settled:
    """Return the settled cycle of the rippling form at the mean pressure of its setup; begun from the calm form where that runs.

    Parameters
    ----------
    made : callable
        Makes the plain cycle at the operating point.
    cylinders : int
        On the plenum.
    calm : Settled or None
        Of the plenum held still, where that runs.
    guess : array, shape (unknowns,)
        Where to begin without it, in the order and units of ``layout.Unknown``.
    tolerance : float
        Of the unknowns, relative.

    Raises
    ------
    NoSolutionError
        If no opening holds the pressure, with the nearest found, or the cycle does not settle.
    """
    s = made().setup
    speed, pressure = s.speed, s.intake_pressure
    r, cp, *_ = properties(s.gas, s.ambient_temperature, 0.0)
    flux = throttle_flux(s.ambient_pressure, pressure, s.ambient_temperature, r, cp / (cp - r))
    if calm is not None:
        drawn, z = calm.total("runner_in") - calm.total("runner_back"), calm.unknowns
    else:
        # A plenum of one's own may still run where a calm one does not: try with a third of the full charge.
        drawn, z = pressure * s.swept / (3.0 * r * s.ambient_temperature), guess
    area = drawn * speed / 2.0 * cylinders / max(flux, 1e-3)
    tried, cycles = [], 0
    engine = WholeEngine(made(), cylinders, calm) if calm is not None and cylinders > 1 else None
    for _ in range(MOST_TURNS):
        found = engine.settle(area, tolerance=max(tolerance, 1e-4)) if engine else _alone(made(), area, z, tolerance)
        cycles += found.cycles
        found = found._replace(cycles=cycles)
        if not found.runs:
            return found
        mean = plenum_mean(found)
        tried.append((area, mean))
        if abs(mean - pressure) < 2e-4 * pressure:
            return found
        z = found.unknowns
        area = next_area(tried, pressure)
    nearest = min((m for _, m in tried), key=lambda m: abs(m - pressure))
    raise NoSolutionError(
        f"no throttle opening holds {pressure / 1e3:.2f} kPa in the plenum at {speed * 60:.0f} rpm; the nearest found is {nearest / 1e3:.2f} kPa",
        reachable=nearest,
    )


def _alone(marching: Marching, area: float, z: Array, tolerance: float) -> Settled:
    """Settle a cylinder behind a throttle of its own. Where mixing, far from the end, leads into a dead charge, plain cycles have the last word."""
    marching.setup = marching.setup._replace(throttle_area=area)
    with contextlib.suppress(NoSolutionError):
        found = settle(marching, z, tolerance=tolerance)
        if found.runs:
            return found
    return settle(marching, z, tolerance=tolerance, accelerate=False)

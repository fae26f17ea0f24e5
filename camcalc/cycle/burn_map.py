"""What cycles make of a settled gas exchange: the table from which missed cycles and the scatter of work are counted."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..burn.cycle_map import BurnTable, Kernel, next_burned_fraction
from ..burn.flame import flame_speed_kernel
from ..burn.phasing import motored_state, reference_scales
from .closed_part import closed_grid
from .gas_kernel import properties
from .layout import Unknown
from .operating import OperatingState
from .plain_cycle import REFERENCE_STATE, Burning, closed_charge, closed_volume
from .steady import Marching, Settled

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["CLOCKS", "DELAYS", "DISCHARGE_TIME", "IGNITION", "BurnMap", "burn_map_of", "own_share", "residuals_about", "table_of"]

Array = NDArray[np.float64]

# Residuals, over the mean cycle's, and logarithms of the factors on burn angles, for which cycles are run: four standard deviations of what scatters,
# and on the clean side what a missed cycle leaves behind. With half the distances the share of missed cycles moves by less than a tenth of itself.
RESIDUALS = np.array([0.35, 0.60, 0.80, 0.90, 1.0, 1.10, 1.20, 1.35, 1.60])
CLOCKS = np.array([-0.30, -0.16, -0.07, 0.0, 0.07, 0.16, 0.30])
DELAYS = np.array([-0.30, -0.12, 0.0, 0.15, 0.40])
MOST_RESIDUAL = 0.97
# Share of the fuel left unburned to see what remembers it.
UNBURNED = 0.1
# A coil's spark lasts about a millisecond (0.5 to 2; Heywood 1988, ch. 9, from memory); the kernel is taken half of it after the spark.
DISCHARGE_TIME = 1e-3
# What of ``Tolerances`` decides kernels and scatter.
IGNITION = ("kernel_turbulence", "spark_energy", "plug_scatter", "turbulence_scatter", "residual_scatter")


class BurnMap(NamedTuple):
    """The mean cycle; work over residual and speed of the burn on its gas exchange; what the kernel meets; share of residual that the cylinder left."""

    mean: OperatingState
    table: BurnTable
    kernel: Kernel
    own: float


def residuals_about(mean: float) -> Array:
    """Return the residuals for which cycles are run, about the mean cycle's [fraction by mass]."""
    return np.minimum(RESIDUALS * max(mean, 0.01), MOST_RESIDUAL + 1e-3 * np.arange(RESIDUALS.size))


def table_of(run: Callable[[Array, Array], tuple[Array, Array, Array, Array]], mean: OperatingState, flame: Callable[[float], float]) -> BurnTable:
    """Return the table of a gas exchange.

    Parameters
    ----------
    run : callable
        Takes residuals (n,) and factors on development and rapid burn (m, 2); returns gross IMEP [Pa] (n, m), burned share (n, m), gross IMEP
        without a burn (n,) and development angles [crank deg] (n,).
    mean : OperatingState
        The mean cycle, whose work stands.
    flame : callable
        Takes a residual; returns flame speed [m/s] where the kernel is.
    """
    residual = residuals_about(mean.burned_fraction)
    middle = int(np.argmin(np.abs(CLOCKS)))
    late = DELAYS[DELAYS != 0.0]
    factors = np.concatenate([np.exp(np.stack([CLOCKS, CLOCKS], axis=1)), np.stack([np.exp(late), np.ones(late.size)], axis=1)])
    # The undelayed, unhurried burn first: its development is that of the mean cycle.
    order = np.concatenate([[middle], np.delete(np.arange(len(factors)), middle)])
    work, share, missed, development = run(residual, np.ascontiguousarray(factors[order]))
    back = np.argsort(order)
    work, share = work[:, back], share[:, back]
    here = int(np.argmin(np.abs(RESIDUALS - 1.0)))
    shift = mean.gross - work[here, middle]
    n = CLOCKS.size
    zero = int(np.flatnonzero(DELAYS == 0.0)[0])
    delayed = [np.insert(of[:, n:] - of[:, middle : middle + 1], zero, 0.0, axis=1) for of in (work, share)]
    return BurnTable(
        residual=residual,
        clock=CLOCKS,
        delay=DELAYS,
        work=np.ascontiguousarray(work[:, :n]) + shift,
        share=np.ascontiguousarray(share[:, :n]),
        delayed_work=np.ascontiguousarray(delayed[0]),
        delayed_share=np.ascontiguousarray(delayed[1]),
        missed=missed + shift,
        flame=np.array([flame(float(x)) for x in residual]),
        development=development,
    )


def burn_map_of(c: Settled, mean: OperatingState, burning: Burning, own: float) -> BurnMap:
    """Return the burn map of a settled cycle.

    Parameters
    ----------
    c : Settled
    mean : OperatingState
        The same cycle as an operating point.
    burning : Burning
        How its charge burns.
    own : float
        Share of the residual that remembers, as ``own_share``.
    """
    s, mass = c.setup, mean.trapped
    charge = mass, c.boundary.closed_temperature, mean.burned_fraction
    cylinder, closed, mixture = closed_charge(s, burning, charge, closed_volume(s, c.course.closes))
    scale, scales = burning.scale, reference_scales()
    heat = -properties(s.gas, REFERENCE_STATE, mean.burned_fraction)[3] * burning.completeness

    def run(residual: Array, factors: Array) -> tuple[Array, Array, Array, Array]:
        burns = np.column_stack([factors * scale, np.full(len(factors), burning.completeness)])
        work, share, missed, development = closed_grid(s, c.boundary, cylinder, mixture, burning.spark, scales, heat, residual, burns)
        return work / s.swept, share, missed / s.swept, development

    angle = -burning.spark + 0.5 * DISCHARGE_TIME * 360.0 * s.speed
    temperature, pressure = motored_state(cylinder, closed, angle)

    def flame(x: float) -> float:
        return flame_speed_kernel(temperature, pressure, mixture.phi, x, mixture.ethanol, mixture.dilution)

    squeezed = closed.pressure * closed.volume / closed.temperature * temperature / pressure  # the chamber's volume there
    kernel = Kernel(temperature, pressure, 2.0 * s.stroke * s.speed, squeezed * cylinder.height / cylinder.clearance)
    return BurnMap(mean, table_of(run, mean, flame), kernel, own)


def own_share(marching: Marching, c: Settled, mean: OperatingState, *, alone: bool = False) -> float:
    """Return the share of the residual that remembers: what the cylinder itself left behind, in it and before its valves.

    Read off one cycle more, in which a tenth of what burned stays unburned: were all of the residual the cylinder's own, the next charge would hold
    that much less burned gas as was not made. What comes through the plenum is from all cylinders. Behind a plenum of its own all is the cylinder's.
    A cycle without any burn, which is colder too, leaves 10 to 15 % less of the share with long cams (measured at idle and light load).

    Parameters
    ----------
    marching : Marching
        The plain cycle there; a plenum that breathes is held still.
    c : Settled
    mean : OperatingState
        The settled cycle as an operating point.
    alone : bool
        Whether no other cylinder breathes from its plenum.
    """
    x = mean.burned_fraction
    if not c.setup.has_runner or alone or x <= 0.0:
        return 1.0
    fresh = mean.trapped * (1.0 - x)
    made = c.total("made_burned") / fresh
    marching.burning = marching.burning._replace(completeness=(1.0 - UNBURNED) * marching.burning.completeness)
    end, cycle = marching.cycle(c.unknowns)
    after = float(end[Unknown.CYLINDER_FRACTION])
    returned = next_burned_fraction(x, 1.0, cycle.total("made_burned") / fresh) / next_burned_fraction(x, 1.0, made)
    return float(min(max((1.0 - after / x) / (1.0 - returned), 0.0), 1.0)) if returned < 1.0 else 1.0

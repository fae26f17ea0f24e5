"""Fuel as a passive tracer in the settled cycle: where fuel ends that arrives at the intake valve at a crank angle.

The runner is one volume of uniform density, so the flow past a point with the share ``s`` of its mass on the plenum's side is
``drawn (1 - s) + inward s``: cells of equal mass, moved by it, stay of equal mass, and nothing is lost. The cylinder is one
well-mixed volume. Angles in the frame of the cycle: firing top dead centre 360, the one between exhaust and intake stroke 720.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from .port_flow import PortFlow

__all__ = ["Fates", "trace_fuel"]

Array = NDArray[np.float64]

# Taking from the cell before smears fuel as a dispersion of half a cell times the speed of flow would. Turbulent pipe flow
# disperses as a quarter of a diameter times it (Taylor 1954, from memory, developed flow): about a dozen cells in the usual
# runner. ESTIMATE: 40, since flow in so short a pipe is far from developed.
CELLS = 40
# Most of a cell, and of the cylinder's gas, that one sub-step may move.
COURANT, WELL_MIXED = 0.9, 0.05
ARRIVAL_STEP = 3  # crank degrees between traced arrivals


class Fates(NamedTuple):
    """What becomes of fuel by the angle at which it arrives at the valve, as shares of it; the first four sum to one.

    By the next intake closing it is ``in_cylinder``, or left ``to_exhaust`` or ``to_plenum``, or is left ``in_runner``.
    ``past_injector`` is the greatest share that stood upstream of the injector at any time, plenum included.
    """

    arrival: Array
    in_cylinder: Array
    to_exhaust: Array
    to_plenum: Array
    in_runner: Array
    past_injector: Array


def trace_fuel(flow: PortFlow, *, distance: float, cells: int = CELLS) -> Fates:
    """Return the fates of fuel for every degree at which it may arrive at the valve.

    Parameters
    ----------
    flow : PortFlow
    distance : float [m]
        From injector to valve; an injector beyond the runner's end stands in the plenum.
    cells : int
        How finely the runner is divided.

    Returns
    -------
    Fates
        At the angles of ``flow``. Those of fuel that arrives while the valve is open are traced every 3 degrees, and straight lines between.

    Notes
    -----
    Fuel that arrives on the shut valve stays there until the valve opens, so all of it shares one fate: swings of the gas
    column do not carry it, since gas right at a shut valve stands still. Fuel that has reached the plenum may be drawn by
    any cylinder and is not followed further, nor is what has left past the exhaust valve. Gas coming back from the exhaust
    port brings none.

    Examples
    --------
    >>> from camcalc import ResolvedEngine, load_build
    >>> engine = ResolvedEngine(load_build("examples/quarry-road/build.toml"))
    >>> fates = trace_fuel(engine.port_flow(2000 / 60, 60e3, 35.0), distance=0.1)
    >>> whole = fates.in_cylinder + fates.to_exhaust + fates.to_plenum + fates.in_runner
    >>> bool(abs(whole - 1.0).max() < 1e-9)
    True
    """
    first, last = flow.opening, len(flow.inward)
    steps = np.arange(first, last, ARRIVAL_STEP, dtype=np.int64)
    share = min(max(distance / flow.runner_length, 0.0), 1.0)
    upstream = np.clip((1.0 - share) * cells - np.arange(cells), 0.0, 1.0)
    ends, past = _carry(flow.inward, flow.drawn, flow.exhausted, flow.runner_mass, flow.cylinder_mass, steps, upstream)
    # Fuel that arrives as the valve closes stays where it is.
    traced = np.append(flow.angle[steps], flow.angle[-1])
    closing = (0.0, 0.0, 0.0, 1.0, 0.0)
    columns = [np.interp(flow.angle, traced, np.append(values, at_closing)) for values, at_closing in zip((*ends, past), closing, strict=True)]
    return Fates(flow.angle, *columns)


@compiled(nogil=True, error_model="numpy")
def _carry(inward: Array, drawn: Array, exhausted: Array, runner: Array, cylinder: Array, arrivals: NDArray[np.int64], upstream: Array) -> tuple[Array, Array]:
    """Carry a unit of fuel for each arrival step to the end of the cycle, all at once.

    Returns shares in cylinder, exhaust, plenum and runner (one row each), and the peak share upstream of the injector.
    """
    cells, count = upstream.size, arrivals.size
    fuel = np.zeros((cells, count))
    held, gone, lost, peak, passing = np.zeros(count), np.zeros(count), np.zeros(count), np.zeros(count), np.zeros(count)
    live = 0
    for k in range(arrivals[0], inward.size):
        while live < count and arrivals[live] <= k:
            fuel[cells - 1, live] = 1.0
            live += 1
        light = min(runner[k], runner[k + 1]) / cells
        thin = min(cylinder[k], cylinder[k + 1])
        taken = max(-inward[k], 0.0) + exhausted[k]
        parts = int(max(math.ceil(max(abs(inward[k]), abs(drawn[k])) / (COURANT * light)), math.ceil(taken / (WELL_MIXED * thin)), 1.0))
        for part in range(parts):
            at = (part + 0.5) / parts
            cell = (runner[k] + (runner[k + 1] - runner[k]) * at) / cells
            gas = cylinder[k] + (cylinder[k + 1] - cylinder[k]) * at
            back, out = max(-inward[k], 0.0) / (parts * gas), exhausted[k] / (parts * gas)
            left = max(-drawn[k], 0.0) / (parts * cell)
            for a in range(live):
                passing[a] = -left * fuel[0, a]
                lost[a] -= passing[a]
            for j in range(cells - 1):
                s = (j + 1.0) / cells
                through = (drawn[k] * (1.0 - s) + inward[k] * s) / (parts * cell)
                right, left = max(through, 0.0), max(-through, 0.0)
                for a in range(live):
                    on = right * fuel[j, a] - left * fuel[j + 1, a]
                    fuel[j, a] += passing[a] - on
                    passing[a] = on
            right = max(inward[k], 0.0) / (parts * cell)
            for a in range(live):
                on = right * fuel[cells - 1, a] - back * held[a]
                fuel[cells - 1, a] += passing[a] - on
                gone[a] += out * held[a]
                held[a] += on - out * held[a]
        for a in range(live):
            past = lost[a]
            for j in range(cells):
                past += upstream[j] * fuel[j, a]
            peak[a] = max(peak[a], past)
    ends = np.zeros((4, count))
    ends[0], ends[1], ends[2] = held, gone, lost
    for j in range(cells):
        ends[3] += fuel[j]
    return ends, peak

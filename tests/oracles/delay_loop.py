"""A loop of engine, table and driveline without memory, written out in states and late signals: nothing here uses camcalc.

Point and driveline are whatever carries the named slopes; parts go by the names of their kinds.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PARTS = ("SPARK_ALONG_SPEED", "SPARK_ALONG_LOAD", "DILUTION", "MANIFOLD")
# A load signal without a filter is taken with one too fast to matter [s].
LEAST_FILTER = 1e-3


class Loop(NamedTuple):
    """A linear loop with delays: at once, late, where torque enters, the car's acceleration."""

    state: Floats
    delayed: list[tuple[Floats, float]]
    torque: Floats
    acceleration: Floats


def loop_matrices(space: Any, load_filter: float, point: Any, parts: Iterable[str] = PARTS) -> Loop:
    """Return the loop about a point; states are the driveline's, plenum pressure [Pa], filtered pressure [Pa]."""
    parts = set(parts)
    assert parts <= set(PARTS)
    n = len(space.state)
    p, measured = n, n + 1
    a = np.zeros((n + 2, n + 2))
    torque = np.append(space.crank_torque, [0.0, 0.0])
    crank = np.append(space.crank_speed, [0.0, 0.0])
    a[:n, :n] = space.state
    a += np.outer(torque, crank) * point.friction_by_speed
    a[p] = -point.filling_rate * point.flow_by_speed * crank
    a[p, p] = point.filling_rate * (point.throttle_by_pressure - point.flow_by_pressure)
    lag = max(load_filter, LEAST_FILTER)
    a[measured, p], a[measured, measured] = 1.0 / lag, -1.0 / lag
    unit = np.eye(n + 2)
    late = np.zeros(n + 2)
    if "DILUTION" in parts:
        late = late + (point.torque_by_speed - point.friction_by_speed) * crank
    if "MANIFOLD" in parts:
        late = late + point.torque_by_pressure * unit[p]
    d = point.delays
    delayed = [(np.outer(torque, late), d.induction)]
    if "SPARK_ALONG_SPEED" in parts:
        delayed.append((point.torque_by_spark * point.spark_by_speed * np.outer(torque, crank), d.spark + d.speed))
    if "SPARK_ALONG_LOAD" in parts:
        delayed.append((point.torque_by_spark * point.spark_by_pressure * np.outer(torque, unit[measured]), d.spark + d.load))
    return Loop(a, [(m, t) for m, t in delayed if m.any()], torque, np.append(space.acceleration, [0.0, 0.0]))


def response(loop: Loop, frequency: Floats) -> NDArray[np.complex128]:
    """Return the car's acceleration [m/s2] per crank torque [N m] over frequencies [Hz]."""
    s = 2j * np.pi * frequency[:, None, None]
    matrix = s * np.eye(len(loop.state)) - loop.state - sum(m * np.exp(-s * d) for m, d in loop.delayed)
    answer = np.linalg.solve(matrix, np.broadcast_to(loop.torque[:, None], (frequency.size, len(loop.torque), 1)))
    return np.asarray(answer[:, :, 0] @ loop.acceleration)

"""The smoothest lobe that satisfies every figure of a card, or the proof that there is none.

Tappet acceleration is piecewise linear over crank angle, so lift is a cubic spline with continuous acceleration. Among
all such lobes that pass exactly through the card's points, rise to the nose and fall from it, the one with the least
mean-square jerk is taken. That is a least-squares problem with linear equalities and inequalities; it is reduced to a
least-distance problem and solved exactly by non-negative least squares (Lawson & Hanson 1974, Solving Least Squares
Problems, ch. 23), which also proves infeasibility.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["LobePoints", "Spline", "smoothest_lobe"]

Array = NDArray[np.float64]

# Limits of what a street lobe does at the tappet [mm per cam degree squared]; ESTIMATE: about twice what
# aggressive roller lobes use, so that only an impossible card meets them.
MOST_RISING_ACCELERATION = 0.030
MOST_FALLING_ACCELERATION = 0.020
NODE_SPACING = 3.0  # crank degrees
MM, CRANK_PER_CAM = 1e-3, 2.0


class LobePoints(NamedTuple):
    """What a lobe must do: crank angles [crank deg] and tappet lifts [m], nose included, ends where the ramps meet the base circle."""

    start: float
    end: float
    nose: float
    nose_lift: float
    angles: Array
    lifts: Array


class Spline(NamedTuple):
    """Lift as a cubic spline: node angles [crank deg], and lift [m], velocity [m/deg], acceleration [m/deg2] at the nodes."""

    nodes: Array
    lift: Array
    velocity: Array
    acceleration: Array


def smoothest_lobe(points: LobePoints, *, bounded: bool = True) -> Spline | None:
    """Return the lobe with the least mean-square jerk through the points, or None when no lobe satisfies them.

    Parameters
    ----------
    points : LobePoints
        Angles [crank deg] and tappet lifts [m].
    bounded : bool
        Whether tappet acceleration must stay within what a street lobe can do.
    """
    nodes = _nodes(points)
    to_velocity, to_lift = _integrals(nodes)
    scale = points.nose_lift
    rows, values = _equalities(points, nodes, to_velocity, to_lift, scale)
    below, least = _inequalities(points, nodes, to_velocity, scale, bounded)
    jerk = np.diff(np.eye(nodes.size), axis=0) / np.sqrt(np.diff(nodes))[:, None]
    acceleration = _constrained_least_squares(jerk, rows, values, below, least)
    if acceleration is None:
        return None
    return Spline(nodes, scale * (to_lift @ acceleration), scale * (to_velocity @ acceleration), scale * acceleration)


def _nodes(points: LobePoints) -> Array:
    rise = np.linspace(points.start, points.nose, max(8, round((points.nose - points.start) / NODE_SPACING)) + 1)
    fall = np.linspace(points.nose, points.end, max(8, round((points.end - points.nose) / NODE_SPACING)) + 1)
    return np.concatenate([rise, fall[1:]])


def _integrals(nodes: Array) -> tuple[Array, Array]:
    """Return matrices from nodal acceleration to nodal velocity and lift, both zero at the first node."""
    count = nodes.size
    velocity, lift = np.zeros((count, count)), np.zeros((count, count))
    for k, step in enumerate(np.diff(nodes)):
        velocity[k + 1] = velocity[k]
        velocity[k + 1, k] += step / 2
        velocity[k + 1, k + 1] += step / 2
        lift[k + 1] = lift[k] + step * velocity[k]
        lift[k + 1, k] += step**2 / 3
        lift[k + 1, k + 1] += step**2 / 6
    return velocity, lift


def _lift_row(angle: float, nodes: Array, to_velocity: Array, to_lift: Array) -> Array:
    """Return the row that gives lift at any angle from nodal acceleration."""
    k = int(np.clip(np.searchsorted(nodes, angle, side="right") - 1, 0, nodes.size - 2))
    step, into = nodes[k + 1] - nodes[k], angle - nodes[k]
    row: Array = to_lift[k] + into * to_velocity[k]
    row[k] += into**2 / 2 - into**3 / (6 * step)
    row[k + 1] += into**3 / (6 * step)
    return row


def _equalities(points: LobePoints, nodes: Array, to_velocity: Array, to_lift: Array, scale: float) -> tuple[Array, Array]:
    nose = int(np.argmin(np.abs(nodes - points.nose)))
    unit = np.eye(nodes.size)
    rows = [unit[0], unit[-1], to_velocity[-1], to_lift[-1], to_velocity[nose], to_lift[nose]]
    values = [0.0, 0.0, 0.0, 0.0, 0.0, points.nose_lift / scale]
    for angle, lift in zip(points.angles, points.lifts, strict=True):
        rows.append(_lift_row(float(angle), nodes, to_velocity, to_lift))
        values.append(float(lift) / scale)
    return np.array(rows), np.array(values)


def _inequalities(points: LobePoints, nodes: Array, to_velocity: Array, scale: float, bounded: bool) -> tuple[Array, Array]:
    nose = int(np.argmin(np.abs(nodes - points.nose)))
    below = [to_velocity[1:nose], -to_velocity[nose + 1 : -1]]
    least = [np.zeros(nose - 1), np.zeros(nodes.size - nose - 2)]
    if bounded:
        unit = np.eye(nodes.size)
        per_crank = MM / CRANK_PER_CAM**2 / scale
        below += [unit, -unit]
        least += [np.full(nodes.size, -MOST_FALLING_ACCELERATION * per_crank), np.full(nodes.size, -MOST_RISING_ACCELERATION * per_crank)]
    return np.concatenate(below), np.concatenate(least)


def _constrained_least_squares(objective: Array, equal: Array, equal_to: Array, below: Array, least: Array) -> Array | None:
    """Minimise ``|objective x|`` with ``equal x = equal_to`` and ``below x >= least``; None when infeasible."""
    row_scale = np.linalg.norm(equal, axis=1, keepdims=True)
    particular, _, rank, _ = np.linalg.lstsq(equal / row_scale, equal_to / row_scale[:, 0], rcond=1e-12)
    if np.max(np.abs(equal @ particular - equal_to)) > 1e-7:
        return None
    null = np.linalg.svd(equal / row_scale)[2][rank:].T
    q, r = np.linalg.qr(objective @ null)
    inverse = np.linalg.inv(r)
    shift = q.T @ (objective @ particular)
    matrix = below @ null @ inverse
    bound = least - below @ particular + matrix @ shift
    row_scale = np.linalg.norm(matrix, axis=1)
    keep = row_scale > 1e-12 * row_scale.max()
    if np.any(bound[~keep] > 1e-9):
        return None
    nearest = _least_distance(matrix[keep] / row_scale[keep, None], bound[keep] / row_scale[keep])
    if nearest is None:
        return None
    solution: Array = particular + null @ (inverse @ (nearest - shift))
    return solution


def _least_distance(matrix: Array, bound: Array) -> Array | None:
    """Return the shortest ``w`` with ``matrix w >= bound`` (Lawson & Hanson, problem LDP)."""
    from scipy.optimize import nnls

    size = max(float(np.max(np.abs(bound))), 1e-300)
    stacked = np.vstack([matrix.T, bound / size])
    target = np.zeros(stacked.shape[0])
    target[-1] = 1.0
    multipliers, _ = nnls(stacked, target, maxiter=20 * stacked.shape[1])
    residual = stacked @ multipliers - target
    if -residual[-1] < 1e-9:
        return None
    result: Array = -residual[:-1] / residual[-1] * size
    return result

"""Modes of a linear loop in which some signals come late, intake to torque or sensor to spark, as eigenvalues brought to exact roots."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from camcalc.errors import InputError, NoSolutionError
from camcalc.vehicle.modes import Mode, oscillating_modes

Floats = NDArray[np.float64]
Delayed = Sequence[tuple[Floats, float]]
# Stop of Newton's steps and largest residual let through, both relative; rounding of a few operations on matrices of this size.
STEP_TOLERANCE, RESIDUAL_TOLERANCE = 1e-13, 1e-10
NEWTON_STEPS = 40
ORDERS = (4, 6, 8, 10, 12, 16, 20, 24, 32, 40)
# Two roots nearer than this, relative, are one found twice; two orders whose roots agree so far are settled.
SAME = 1e-8


class DelayedModes(NamedTuple):
    """Swinging modes by rising frequency, and the order of the approximation that found them all.

    ``residual`` is the largest of the smallest singular values of the characteristic matrix at the roots, relative to the size of its terms.
    """

    modes: tuple[Mode, ...]
    order: int
    residual: float = 0.0

    def least_damped(self, slowest: float, fastest: float) -> Mode | None:
        """Return the mode with the least damping between two frequencies [Hz], or None where nothing swings."""
        inside = [mode for mode in self.modes if slowest <= mode.frequency <= fastest]
        return min(inside, key=lambda mode: mode.damping, default=None)


def delayed_modes(state: Floats, delayed: Delayed, *, fastest: float) -> DelayedModes:
    """Return every swinging mode of dx/dt = state x(t) + sum of matrix x(t - delay) up to a frequency.

    Parameters
    ----------
    state : ndarray
        What acts at once [1/s].
    delayed : sequence of (ndarray, float)
        What acts late, each with its delay [s].
    fastest : float
        Highest frequency looked at [Hz]. Modes that die out within the mean delay are not looked for: a delay has endlessly many.

    Raises
    ------
    InputError
        On a matrix of another size, a delay that is not positive, or a number that is not finite.
    NoSolutionError
        If the modes still change with the highest order of the approximation.

    Notes
    -----
    Roots s of det(s I - A - sum A_k exp(-s T_k)). Starts are the eigenvalues with each delay replaced by its Pade approximant; each
    start is then brought to a root of the exact, transcendental equation by Newton's method, so that the approximant decides only
    which roots are found. Its order starts where it follows the delay up to the highest
    frequency and is raised until two orders in a row find the same roots.

    Examples
    --------
    Integration of the own past: s = -exp(-s T) has a pair at the edge of growth where T is a quarter of a turn.

    >>> import math, numpy as np
    >>> found = delayed_modes(np.zeros((1, 1)), [(-np.ones((1, 1)), math.pi / 2)], fastest=1.0)
    >>> abs(found.modes[0].root - 1j) < 1e-12
    True
    """
    _check(state, delayed)
    delays = [delay for matrix, delay in delayed if np.any(matrix)]
    if not delays:
        return DelayedModes(tuple(mode for mode in oscillating_modes(state) if mode.frequency <= fastest), 0)
    slack = len(delays) / sum(delays)
    # Below this order the approximant has no roots to offer near the band's end, and two orders may agree on too few.
    least = 2.0 * math.pi * fastest * max(delays)
    before: list[Mode] | None = None
    for order in (order for order in ORDERS if order >= least):
        found: list[Mode] = []
        residual = 0.0
        for start in np.linalg.eigvals(_approximated(state, delayed, order)):
            if start.imag <= 0.0 or abs(start) > 4.0 * math.pi * fastest:
                continue
            mode, left = _newton(state, delayed, complex(start))
            if mode is None or mode.root.imag <= SAME * abs(mode.root) or mode.frequency > fastest or mode.root.real < -slack:
                continue
            if all(abs(mode.root - other.root) > SAME * abs(mode.root) for other in found):
                found.append(mode)
                residual = max(residual, left)
        found.sort(key=lambda mode: mode.frequency)
        if before is not None and len(found) == len(before) and all(abs(a.root - b.root) <= SAME * abs(a.root) for a, b in zip(found, before, strict=True)):
            return DelayedModes(tuple(found), order, residual)
        before = found
    raise NoSolutionError(
        f"the modes up to {fastest:.4g} Hz of a loop with delays up to {max(delays):.4g} s do not settle by order {ORDERS[-1]}",
        fix=f"look no further than {ORDERS[-3] / (2.0 * math.pi * max(delays)):.3g} Hz",
    )


def _check(state: Floats, delayed: Delayed) -> None:
    for matrix, delay in [(state, 1.0), *delayed]:
        if matrix.ndim != 2 or matrix.shape != (len(state), len(state)) or not np.all(np.isfinite(matrix)):
            raise InputError("matrix of the loop", came=f"shape {matrix.shape}", expected=f"{len(state)} by {len(state)} finite numbers")
        if not (0.0 < delay < math.inf):
            raise InputError("delay", came=f"{delay} s", expected="more than 0 s", fix="add what comes without delay to the matrix that acts at once")


def _characteristic(state: Floats, delayed: Delayed, s: complex) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Return the characteristic matrix and its slope with s."""
    slope: NDArray[np.complex128] = np.eye(len(state), dtype=complex)
    value: NDArray[np.complex128] = s * slope - state
    for matrix, delay in delayed:
        late = matrix * np.exp(-s * delay)
        value = value - late
        slope = slope + delay * late
    return value, slope


def _newton(state: Floats, delayed: Delayed, start: complex) -> tuple[Mode | None, float]:
    """Bring a start to a root by Newton's method on the eigenproblem, bordered by a scale of the eigenvector; None if it runs away; its residual."""
    size = len(state)
    s = start
    if _runs_away(s, delayed):
        return None, math.inf
    value, slope = _characteristic(state, delayed, s)
    border = np.linalg.svd(value)[2][-1]
    vector = border.conj()
    for _ in range(NEWTON_STEPS):
        system = np.zeros((size + 1, size + 1), dtype=complex)
        system[:size, :size], system[:size, size], system[size, :size] = value, slope @ vector, border
        try:
            step = np.linalg.solve(system, np.append(-value @ vector, 1.0 - border @ vector))
        except np.linalg.LinAlgError:
            return None, math.inf
        vector = vector + step[:size]
        s = s + complex(step[size])
        if _runs_away(s, delayed):
            return None, math.inf
        value, slope = _characteristic(state, delayed, s)
        if abs(step[size]) <= STEP_TOLERANCE * max(abs(s), abs(start)):
            break
    size_of_terms = abs(s) + np.linalg.norm(state) + sum(np.linalg.norm(matrix) * math.exp(-s.real * delay) for matrix, delay in delayed)
    residual = float(np.linalg.svd(value, compute_uv=False)[-1] / size_of_terms)
    return (Mode(s) if residual <= RESIDUAL_TOLERANCE else None), residual


def _runs_away(s: complex, delayed: Delayed) -> bool:
    """Whether a step has gone where a mode is dead within a fraction of its delay and exponentials run over."""
    return not np.isfinite(s) or any(abs(s.real) * delay > 50.0 for _, delay in delayed)


def _approximated(state: Floats, delayed: Delayed, order: int) -> Floats:
    """Return the loop's matrix with every delay replaced by its Pade approximant of degrees ``order - 1`` over ``order``.

    A delay matrix of low rank (one late signal, most often) takes one delay per rank. The approximant is written in shifted Legendre
    polynomials over the delay's window, which stays well conditioned at high orders where powers of s do not.
    """
    blocks: list[tuple[Floats, Floats, float]] = []
    for matrix, delay in delayed:
        left, singular, right = np.linalg.svd(matrix)
        rank = int(np.sum(singular > 1e-14 * max(singular[0], np.finfo(float).tiny)))
        blocks += [(left[:, j] * singular[j], right[j], delay) for j in range(rank)]
    step, drive, read = _legendre_delay(order)
    size = len(state)
    whole = np.zeros((size + order * len(blocks), size + order * len(blocks)))
    whole[:size, :size] = state
    for number, (into, taken, delay) in enumerate(blocks):
        own = slice(size + order * number, size + order * (number + 1))
        whole[own, own] = step / delay
        whole[own, :size] = np.outer(drive, taken) / delay
        whole[:size, own] = np.outer(into, read)
    return whole


def _legendre_delay(order: int) -> tuple[Floats, Floats, Floats]:
    """Return matrices of dz/dt = step z + drive u, read z, the approximant of u one time unit ago."""
    i, j = np.meshgrid(np.arange(order), np.arange(order), indexing="ij")
    step = (2 * i + 1) * np.where(i < j, -1.0, (-1.0) ** (i - j + 1))
    drive = (2 * np.arange(order) + 1) * (-1.0) ** np.arange(order)
    return step.astype(float), drive, np.ones(order)

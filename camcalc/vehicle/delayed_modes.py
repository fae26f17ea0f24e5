"""Modes of a linear loop in which some signals come late: intake to torque, sensor to spark."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError, NoSolutionError

__all__ = ["DelayedModes", "Mode", "delayed_modes", "nearest_root", "oscillating_modes"]

Floats = NDArray[np.float64]
Delayed = Sequence[tuple[Floats, float]]
# Stop of Newton's steps and largest residual let through, both relative; rounding of a few operations on matrices of this size.
STEP_TOLERANCE, RESIDUAL_TOLERANCE = 1e-13, 1e-10
NEWTON_STEPS = 40
ORDERS = (4, 6, 8, 10, 12, 16, 20, 24, 32, 40)
# Two roots nearer than this, relative, are one found twice; two orders whose roots agree so far are settled.
SAME = 1e-8


class Mode(NamedTuple):
    """One root of a loop.

    Attributes
    ----------
    root : complex
        Decay [1/s] and angular frequency [rad/s]: a free swing goes as exp(root t).
    residual : float
        Smallest singular value of the characteristic matrix at the root, relative to the size of its terms: zero for an exact root.
    """

    root: complex
    residual: float = 0.0

    @property
    def frequency(self) -> float:
        """Undamped frequency [Hz]."""
        return abs(self.root) / (2.0 * math.pi)

    @property
    def damping(self) -> float:
        """Damping over the critical one; negative where the swing grows."""
        return -self.root.real / abs(self.root) if self.root else 0.0


class DelayedModes(NamedTuple):
    """Swinging modes by rising frequency, and the order of the approximation that found them all."""

    modes: tuple[Mode, ...]
    order: int

    @property
    def residual(self) -> float:
        """Largest residual of the modes."""
        return max((mode.residual for mode in self.modes), default=0.0)

    def least_damped(self, slowest: float, fastest: float) -> Mode | None:
        """Return the mode with the least damping between two frequencies [Hz], or None where nothing swings."""
        inside = [mode for mode in self.modes if slowest <= mode.frequency <= fastest]
        return min(inside, key=lambda mode: mode.damping, default=None)


def oscillating_modes(state: Floats) -> tuple[Mode, ...]:
    """Return the swinging modes of dx/dt = state x by rising frequency.

    Examples
    --------
    >>> import numpy as np
    >>> mode, = oscillating_modes(np.array([[0.0, 1.0], [-25.0, -1.0]]))
    >>> round(mode.damping, 6)
    0.1
    """
    roots = [complex(root) for root in np.linalg.eigvals(state) if root.imag > 0.0]
    return tuple(Mode(root) for root in sorted(roots, key=abs))


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
        for start in np.linalg.eigvals(_approximated(state, delayed, order)):
            if start.imag <= 0.0 or abs(start) > 4.0 * math.pi * fastest:
                continue
            mode = _newton(state, delayed, complex(start))
            if mode is None or mode.root.imag <= SAME * abs(mode.root) or mode.frequency > fastest or mode.root.real < -slack:
                continue
            if all(abs(mode.root - other.root) > SAME * abs(mode.root) for other in found):
                found.append(mode)
        found.sort(key=lambda mode: mode.frequency)
        if before is not None and len(found) == len(before) and all(abs(a.root - b.root) <= SAME * abs(a.root) for a, b in zip(found, before, strict=True)):
            return DelayedModes(tuple(found), order)
        before = found
    raise NoSolutionError(
        f"the modes up to {fastest:.4g} Hz of a loop with delays up to {max(delays):.4g} s do not settle by order {ORDERS[-1]}",
        fix=f"look no further than {ORDERS[-3] / (2.0 * math.pi * max(delays)):.3g} Hz",
    )


def nearest_root(state: Floats, delayed: Delayed, start: complex) -> Mode:
    """Return the exact root of a loop with delays that Newton's method reaches from a start, e.g. the root of a loop a little different.

    Raises
    ------
    InputError
        As for ``delayed_modes``.
    NoSolutionError
        If it reaches none.
    """
    _check(state, delayed)
    mode = _newton(state, delayed, start)
    if mode is None:
        raise NoSolutionError(f"no root of the loop is reached from {start:.4g}", fix="start nearer to one, or let delayed_modes look for all")
    return mode


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


def _newton(state: Floats, delayed: Delayed, start: complex) -> Mode | None:
    """Bring a start to a root by Newton's method on the eigenproblem, bordered by a scale of the eigenvector; None if it runs away."""
    size = len(state)
    s = start
    if _runs_away(s, delayed):
        return None
    value, slope = _characteristic(state, delayed, s)
    border = np.linalg.svd(value)[2][-1]
    vector = border.conj()
    for _ in range(NEWTON_STEPS):
        system = np.zeros((size + 1, size + 1), dtype=complex)
        system[:size, :size], system[:size, size], system[size, :size] = value, slope @ vector, border
        try:
            step = np.linalg.solve(system, np.append(-value @ vector, 1.0 - border @ vector))
        except np.linalg.LinAlgError:
            return None
        vector = vector + step[:size]
        s = s + complex(step[size])
        if _runs_away(s, delayed):
            return None
        value, slope = _characteristic(state, delayed, s)
        if abs(step[size]) <= STEP_TOLERANCE * max(abs(s), abs(start)):
            break
    size_of_terms = abs(s) + np.linalg.norm(state) + sum(np.linalg.norm(matrix) * math.exp(-s.real * delay) for matrix, delay in delayed)
    residual = float(np.linalg.svd(value, compute_uv=False)[-1] / size_of_terms)
    return Mode(s, residual) if residual <= RESIDUAL_TOLERANCE else None


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

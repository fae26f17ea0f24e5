"""Modes of a linear loop: how fast each swings, and how soon it dies."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Mode", "oscillating_modes"]

Floats = NDArray[np.float64]


class Mode(NamedTuple):
    """One root of a loop.

    Attributes
    ----------
    root : complex
        Decay [1/s] and angular frequency [rad/s]: a free swing goes as exp(root t).
    """

    root: complex

    @property
    def frequency(self) -> float:
        """Undamped frequency [Hz]."""
        return abs(self.root) / (2.0 * math.pi)

    @property
    def damping(self) -> float:
        """Damping over the critical one; negative where the swing grows."""
        return -self.root.real / abs(self.root) if self.root else 0.0


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

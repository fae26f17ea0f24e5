"""What carries torque from the crank into the gearbox."""

from __future__ import annotations

from ..codes import Code

__all__ = ["Coupling"]


class Coupling(Code):
    """How the crank drives the gearbox."""

    LOCKED = "clutch or locked converter"
    CONVERTER = "open converter"

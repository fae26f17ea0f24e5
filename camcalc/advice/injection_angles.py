"""One crank angle counted from several zeros: camcalc counts injection before overlap top dead centre, controllers from what they like."""

from __future__ import annotations

from typing import Any, NamedTuple

from ..errors import InputError, did_you_mean

__all__ = ["OVERLAP_TDC", "REFERENCES", "convert_back", "convert_reference"]

CYCLE = 720.0
# What every angle of injection counts from: table, plot, file and data.
OVERLAP_TDC = "before overlap top dead centre"


class Reference(NamedTuple):
    """How a reference follows from an angle before overlap top dead centre: its sign, then what is added [crank deg].

    ``from_opening`` takes the intake opening off; ``clock`` starts again at nothing after each cycle.
    """

    sign: float
    offset: float
    from_opening: bool = False
    clock: bool = False


REFERENCES: dict[str, Reference] = {
    OVERLAP_TDC: Reference(1.0, 0.0),
    "after overlap top dead centre": Reference(-1.0, 0.0),
    "before intake opening": Reference(1.0, 0.0, from_opening=True),
    "before firing top dead centre": Reference(1.0, 360.0),
    "after firing top dead centre": Reference(-1.0, 360.0),
    "0-720": Reference(-1.0, 360.0, clock=True),
}


def _reference(name: str, intake_opens: float) -> tuple[Reference, float]:
    """Return a reference by its name, and what it adds [crank deg]."""
    found = REFERENCES.get(name)
    if found is None:
        raise InputError("angle_reference", came=name, expected=" or ".join(f'"{r}"' for r in REFERENCES), fix=did_you_mean(name, REFERENCES))
    return found, found.offset - (intake_opens if found.from_opening else 0.0)


def convert_reference(angle: Any, intake_opens: float, reference: str) -> Any:
    """Return an angle before overlap top dead centre as it counts from another reference [crank deg].

    Parameters
    ----------
    angle : float or array
        Before the top dead centre between exhaust and intake stroke.
    intake_opens : float
        Intake opening, counted the same way.
    reference : str
        ``"before overlap top dead centre"``: as it is. ``"after overlap top dead centre"``. ``"before intake opening"``.
        ``"before firing top dead centre"``: of the charge this fuel goes into, the one after this intake stroke, so that
        fuel for the closed valve has some 400 to 700 degrees. ``"after firing top dead centre"``: after the one before this
        intake stroke. ``"0-720"``: the same on a clock that starts again at each.

    Raises
    ------
    InputError
        On a reference not known.

    Examples
    --------
    >>> convert_reference(90.0, 30.0, "before intake opening"), convert_reference(90.0, 30.0, "0-720")
    (60.0, 270.0)
    >>> convert_reference(90.0, 30.0, "before firing top dead centre")
    450.0
    """
    found, offset = _reference(reference, intake_opens)
    turned = found.sign * angle + offset
    # Twice: a hair below nothing comes out of the first as 720 itself.
    return turned % CYCLE % CYCLE if found.clock else turned


def convert_back(angle: Any, intake_opens: float, reference: str) -> Any:
    """Return an angle counted from a reference as one before overlap top dead centre [crank deg]; inverse of ``convert_reference``.

    From the clock of 0 to 720 it comes back between 360 after and 360 before.

    Raises
    ------
    InputError
        On a reference not known.

    Examples
    --------
    >>> convert_back(60.0, 30.0, "before intake opening"), convert_back(270.0, 30.0, "0-720")
    (90.0, 90.0)
    """
    found, offset = _reference(reference, intake_opens)
    return found.sign * (angle - offset)

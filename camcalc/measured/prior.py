"""What is not known of a car before anything is measured: the model's inputs with their tolerances, and what may be wrong with the car itself."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from ..advice.bands import TOLERANCES
from ..cam.card import CamCard, Lobe
from ..codes import Code
from ..cycle.operating import Tolerances
from ..errors import InputError
from ..sheet import Build
from ..units import quantity

__all__ = ["FAULTS", "Fault", "FaultRange", "design_build", "multipliers", "standard_to_unit"]

Array = NDArray[np.float64]


class Fault(Code):
    """What may be wrong with the car or a gauge, other than what the sheet says."""

    CAM_TURNED = "the cam is fitted late or early"
    ROCKER_RATIO = "the rocker ratio is another"
    LASH = "lash is set wide, or tappets are pumped down"
    GAUGE = "the manifold gauge or sensor reads high or low"
    UNMETERED_AIR = "air gets in that the air meter does not see"


class FaultRange(NamedTuple):
    """How large a fault may be: its unit, standard deviation about none, and the ends that the model is tried to, all in that unit.

    ``in_model``: the engine itself is another one; otherwise the fault changes readings alone.
    """

    unit: str
    deviation: float
    low: float
    high: float
    in_model: bool


# ESTIMATE, each: one key of a keyed sprocket is 2 to 4 crank degrees and one tooth 14 to 20; rockers are sold in steps of 0.05 to 0.1 of 1.5 to 1.8;
# a lash set 0.1 mm wide is common; gauges and sensors of cars are good to some 3 to 5 %; a leak of 3 g/s is audible.
FAULTS: dict[Fault, FaultRange] = {
    Fault.CAM_TURNED: FaultRange("crank_deg", 5.0, -10.0, 10.0, True),
    Fault.ROCKER_RATIO: FaultRange("", 0.06, -0.12, 0.12, True),
    Fault.LASH: FaultRange("m", 0.1e-3, 0.0, 0.25e-3, True),
    Fault.GAUGE: FaultRange("", 0.06, -0.3, 0.3, False),
    Fault.UNMETERED_AIR: FaultRange("kg/s", 1.5e-3, 0.0, 6e-3, False),
}


def standard_to_unit(z: Array) -> Array:
    """Return inputs from -1 to 1, evenly spread, of standard normal numbers.

    >>> standard_to_unit(np.array([0.0])).tolist()
    [0.0]
    """
    return np.asarray(2.0 * ndtr(z) - 1.0)


def multipliers(names: Sequence[str], unit: Array) -> Tolerances:
    """Return the tolerances of inputs from -1 to 1, each the end of its own.

    >>> multipliers(["friction"], np.array([1.0])).friction
    1.15
    """
    return Tolerances(**{name: float(1.0 + TOLERANCES[name][0] * u) for name, u in zip(names, unit, strict=True)})


def design_build(build: Build, faults: Sequence[Fault], sizes: Sequence[float]) -> Build:
    """Return the car with something wrong in its engine; sizes are in the faults' own units.

    Raises
    ------
    InputError
        If no such engine can be.

    Examples
    --------
    >>> from camcalc import load_build
    >>> build = load_build("examples/quarry-road/build.toml")
    >>> late = design_build(build, [Fault.CAM_TURNED], [4.0])
    >>> round((late.cam.intake.centreline - build.cam.intake.centreline).magnitude, 6)
    4.0
    """
    for fault, size in zip(faults, map(float, sizes), strict=True):
        if size == 0.0:
            continue
        if fault is Fault.CAM_TURNED:
            build = build.replace(cam=build.cam.advanced(quantity(-size, "crank_deg")))
        elif fault is Fault.ROCKER_RATIO:
            build = build.replace(cam=_with_rockers(build, 1.0 + size))
        elif fault is Fault.LASH:
            build = build.replace(engine=build.engine.replace(lift_loss=quantity(build.engine.si.lift_loss + size, "m")))
        else:
            raise InputError("fault", came=fault.code, expected="one that is in the engine itself")
    return build


def _with_rockers(build: Build, factor: float) -> CamCard:
    """Return the same lobes behind other rockers: what the tappet does stays, what the valve does is scaled."""
    card = build.cam

    def behind(lobe: Lobe) -> Lobe:
        checks = tuple(check.replace(height=lobe.tappet_height(check), side="tappet") for check in lobe.checks)
        return lobe.replace(rocker_ratio=lobe.rocker_ratio * factor, valve_lift=lobe.si.valve_lift * factor, checks=checks)

    return card.replace(intake=behind(card.intake), exhaust=behind(card.exhaust))

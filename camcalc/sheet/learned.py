"""What a car's readings have said of the model's inputs: multipliers on what the sheet and the defaults give."""

from __future__ import annotations

import dataclasses
from typing import Any

from .section import Section, plain

__all__ = ["Learned"]


def _factor(doc: str) -> Any:
    return plain(float, low=0.2, high=2.0, default="nan", doc=doc)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Learned(Section):
    """Multipliers on inputs of the engine model, as ``camcalc readings`` writes them; 1, or left out, is what the sheet and the defaults give."""

    overlap: float = _factor("flow through barely open valves")
    residual_kept: float = _factor("residual kept in the clearance")
    residual_temperature: float = _factor("temperature of the residual")
    friction: float = _factor("rubbing friction")
    efficiency: float = _factor("indicated efficiency")
    burn: float = _factor("burn angles")
    dilution: float = _factor("how much residual slows the flame")
    kernel_turbulence: float = _factor("share of the turbulence that a young kernel feels")
    spark_energy: float = _factor("spark energy that reaches the charge")
    plug_scatter: float = _factor("spread of the residual at the plug")
    turbulence_scatter: float = _factor("spread of turbulence at the plug")
    residual_scatter: float = _factor("spread of the residual from cycle to cycle")
    back_pressure: float = _factor("exhaust back-pressure")
    port_heat: float = _factor("cooling of reversion in the port")
    wall_heat: float = _factor("heat to the cylinder walls")
    octane: float = _factor("octane of the fuel in the tank")
    plenum_heat: float = _factor("heat from the gas in the plenum to its walls")
    lift_loss: float = _factor("valve lift lost in the valve train")
    exhaust_pulse: float = _factor("exhaust pulses of the other cylinders")

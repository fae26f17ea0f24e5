"""What a car's readings have said of the model's inputs: multipliers on what the sheet and the defaults give."""

from __future__ import annotations

import dataclasses
from typing import Any

from .section import Section, plain

__all__ = ["Learned"]


def _factor(doc: str, reach: float) -> Any:
    # No further than the input's own range: what lies beyond was never learned, and no answer rests on cars so far out. A test holds the two together.
    return plain(float, low=round(1.0 - reach, 4), high=round(1.0 + reach, 4), default="nan", doc=doc)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Learned(Section):
    """Multipliers on inputs of the engine model, as ``camcalc readings`` writes them; 1, or left out, is what the sheet and the defaults give."""

    overlap: float = _factor("flow through barely open valves", 0.15)
    residual_kept: float = _factor("residual kept in the clearance", 0.15)
    residual_temperature: float = _factor("temperature of the residual", 0.1)
    friction: float = _factor("rubbing friction", 0.15)
    efficiency: float = _factor("indicated efficiency", 0.05)
    burn: float = _factor("burn angles", 0.1)
    dilution: float = _factor("how much residual slows the flame", 0.15)
    kernel_turbulence: float = _factor("share of the turbulence that a young kernel feels", 0.25)
    spark_energy: float = _factor("spark energy that reaches the charge", 0.7)
    plug_scatter: float = _factor("spread of the residual at the plug", 0.5)
    turbulence_scatter: float = _factor("spread of turbulence at the plug", 0.4)
    residual_scatter: float = _factor("spread of the residual from cycle to cycle", 0.4)
    back_pressure: float = _factor("exhaust back-pressure", 0.5)
    port_heat: float = _factor("cooling of reversion in the port", 0.35)
    wall_heat: float = _factor("heat to the cylinder walls", 0.2)
    octane: float = _factor("octane of the fuel in the tank", 0.02)
    plenum_heat: float = _factor("heat from the gas in the plenum to its walls", 0.7)
    lift_loss: float = _factor("valve lift lost in the valve train", 0.6)
    exhaust_pulse: float = _factor("exhaust pulses of the other cylinders", 0.03)

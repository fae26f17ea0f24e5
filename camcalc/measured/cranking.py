"""What a compression gauge shows while the starter turns the engine: what the closing intake valve leaves in the cylinder, squeezed."""

from __future__ import annotations

import math

import numpy as np

from ..constants import AIR_GAMMA, AIR_GAS_CONSTANT
from ..cycle.operating import EngineModel, barometer
from ..cycle.setup import lifts_of
from ..cycle.volumes import TABLE_STEP
from ..engine.valve_flow import orifice_flow_kernel

__all__ = ["CRANKING_SPEED", "cranking_pressure"]

# Crank speed of a starter on a warm engine with the throttle open [rev/s]; common practice, no source (150 to 250 rpm).
CRANKING_SPEED = 200.0 / 60.0
# Polytropic exponent of compression at that speed, heat to the walls and leakage past the rings together; 1.20 to 1.32, textbook from memory.
# A gauge with its hose adds to the clearance and reads lower: that is within the range too. ESTIMATE.
EXPONENT = 1.26
# The charge is warmed by walls of a warm engine before the valve shuts [K]; 310 to 350. ESTIMATE. It moves the figure by next to nothing.
CHARGE = 330.0
# Crank degrees from one step to the next.
STEP = 0.5


def cranking_pressure(engine: EngineModel, speed: float = CRANKING_SPEED) -> float:
    """Return the peak gauge pressure [Pa] of a cylinder that the starter turns, throttle wide open, no spark.

    Parameters
    ----------
    engine : EngineModel
        Its cam, valve train and geometry count; its tolerances count through lost lift and flow past barely open valves.
    speed : float
        Crank speed [rev/s], 150 to 250 rpm.

    Returns
    -------
    float
        Above the outside air [Pa].

    Notes
    -----
    From bottom dead centre on the piston drives gas back through the closing valve; what is left when it shuts is compressed along a polytrope
    (textbook, from memory). So the figure knows lobe and phase by how gas flows, not by a checking height.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> engine = QuickEngine(load_build("examples/long-meadow/build.toml"))
    >>> 8e5 < cranking_pressure(engine) < 18e5
    True
    """
    geometry, outside = engine.geometry, barometer(engine)
    forwards, backwards = lifts_of(engine.build, engine.tolerances).areas(speed)[:2]
    angles = np.arange(180.0, 360.0 + STEP / 2.0, STEP)
    # The intake stroke is that which begins at overlap top dead centre, 0.
    at = np.round(angles / TABLE_STEP).astype(int)
    volumes = np.asarray(geometry.volume(angles))
    seconds = STEP / (360.0 * speed)
    mass = outside * volumes[0] / (AIR_GAS_CONSTANT * CHARGE)
    pressure = outside
    for k in range(1, len(angles)):
        # Gas is squeezed from one step to the next, then flows while the step lasts; it never overshoots the outside.
        squeezed = pressure * (volumes[k - 1] / volumes[k]) ** EXPONENT
        back, into = float(backwards[at[k]]), float(forwards[at[k]])
        area, high, low = (back, squeezed, outside) if squeezed > outside else (into, outside, squeezed)
        if area <= 0.0:
            pressure = squeezed
            continue
        temperature = squeezed * volumes[k] / (mass * AIR_GAS_CONSTANT)
        flow = orifice_flow_kernel(area, high, low, temperature, AIR_GAS_CONSTANT, AIR_GAMMA) * seconds
        change = math.copysign(min(flow / mass, 1.0), outside - squeezed)
        after = squeezed * (1.0 + EXPONENT * change)
        pressure = outside if (after - outside) * (squeezed - outside) < 0.0 else after
        mass *= 1.0 + (pressure / squeezed - 1.0) / EXPONENT
    return float(pressure - outside)

"""The plenum between throttle and runners: rates of its mass, temperature and burned gas, well mixed, and their slopes; for the loop and the run on maps.

Where every cylinder is integrated the plenum is integrated with them (``cycle.whole_engine``).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from ..cycle.gas_kernel import SMOOTH, flow, properties

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["PlenumGas", "PlenumSlopes", "plenum_gas_of", "plenum_pressure", "plenum_rates", "plenum_slopes", "plenum_state", "throttle_area", "throttle_flow"]

Array = NDArray[np.float64]

# Central differences of the rates, relative to mass, temperature, and absolute for the burned fraction.
SHARE = 1e-4


class PlenumGas(NamedTuple):
    """What does not change: gas of the cycle (``gas_kernel``), volume [m3], outside pressure [Pa] and temperature [K]; below which relative pressure difference
    the throttle's flow is straightened, as the cycle's is."""

    gas: Array
    volume: float
    ambient_pressure: float
    ambient_temperature: float
    smooth: float = SMOOTH


class PlenumSlopes(NamedTuple):
    """Slopes of the rates of mass [kg/s], temperature [K/s] and burned fraction [1/s].

    Attributes
    ----------
    own : array, shape (3, 3)
        By mass, temperature and burned fraction.
    losses : array, shape (3, 3)
        By what leaves: mass [kg/s], burned mass [kg/s], energy [W].
    area : array, shape (3,)
        By the throttle's area [m2].
    seen : array, shape (3, 3)
        Pressure [Pa], temperature and burned fraction by the three states.
    """

    own: Array
    losses: Array
    area: Array
    seen: Array


def plenum_gas_of(build: Build, *, runners: bool = False) -> PlenumGas:
    """Return the plenum of a build, with its runners where they are not modelled apart.

    Parameters
    ----------
    build : Build
    runners : bool
        Whether the runners count as part of it.
    """
    from ..cycle.gas_kernel import gas_table
    from ..engine.atmosphere import barometer_of
    from ..engine.gas import fuel_data

    engine = build.engine.si
    volume = engine.plenum_volume + (build.engine.cylinders * engine.intake_runner_volume if runners else 0.0)
    gas = gas_table(fuel_data(build.fuel.kind, build.idle.mixture))
    return PlenumGas(gas, float(volume), barometer_of(build.site), float(build.site.si.air_temperature))


@compiled(error_model="numpy")
def plenum_pressure(plenum: PlenumGas, state: Array) -> float:
    """Return pressure [Pa] of mass [kg], temperature [K] and burned fraction."""
    return state[0] * properties(plenum.gas, state[1], state[2])[0] * state[1] / plenum.volume


@compiled(error_model="numpy")
def throttle_flow(plenum: PlenumGas, area: float, pressure: float) -> float:
    """Return what flows in [kg/s] through a throttle of an area [m2]; none comes back out."""
    if pressure >= plenum.ambient_pressure:
        return 0.0
    r, cp, _, _, _ = properties(plenum.gas, plenum.ambient_temperature, 0.0)
    return flow(area, plenum.ambient_pressure, pressure, plenum.ambient_temperature, r, cp / (cp - r), plenum.smooth)


@compiled(error_model="numpy")
def plenum_rates(plenum: PlenumGas, state: Array, area: float, losses: Array, out: Array) -> None:
    """Fill in the rates of mass [kg/s], temperature [K/s] and burned fraction [1/s].

    Parameters
    ----------
    plenum : PlenumGas
    state : array, shape (3,)
        Mass [kg], temperature [K], burned fraction.
    area : float
        Of the throttle [m2].
    losses : array, shape (3,)
        What leaves for runners and walls: mass [kg/s], burned mass [kg/s], energy [W].
    out : array, shape (3,)
        Written to [kg/s], [K/s], [1/s].

    Notes
    -----
    Mass, burned mass and energy of a well-mixed volume: ``M c_v T' = w h_a - E - u M' - (u_b - u_f) (Y' - y M')``.

    References
    ----------
    Textbook: first law for an open volume.
    """
    mass, temperature, burned = state
    r, cp, h, more, more_r = properties(plenum.gas, temperature, burned)
    into = throttle_flow(plenum, area, mass * r * temperature / plenum.volume)
    outside = properties(plenum.gas, plenum.ambient_temperature, 0.0)[2]
    gained = into - losses[0]
    mixed = -losses[1] - burned * gained
    energy = into * outside - losses[2]
    out[0] = gained
    out[1] = (energy - (h - r * temperature) * gained - (more - more_r * temperature) * mixed) / (mass * (cp - r))
    out[2] = mixed / mass


def plenum_state(plenum: PlenumGas, pressure: float, temperature: float, burned: float) -> Array:
    """Return mass [kg], temperature [K] and burned fraction at a pressure [Pa].

    Parameters
    ----------
    plenum : PlenumGas
    pressure : float [Pa]
    temperature : float [K]
    burned : float
        Fraction by mass.
    """
    return np.array([pressure * plenum.volume / (properties(plenum.gas, temperature, burned)[0] * temperature), temperature, burned])


def throttle_area(plenum: PlenumGas, pressure: float, mass_flow: float) -> float:
    """Return the throttle's area [m2] that lets a flow [kg/s] into a pressure [Pa]; infinite at the barometer."""
    each = throttle_flow(plenum, 1.0, pressure)
    return mass_flow / each if each > 0.0 else np.inf


def plenum_slopes(plenum: PlenumGas, state: Array, area: float, losses: Array) -> PlenumSlopes:
    """Return the slopes of the rates about a state.

    Parameters
    ----------
    plenum : PlenumGas
    state : array, shape (3,)
        Mass [kg], temperature [K], burned fraction.
    area : float
        Of the throttle [m2].
    losses : array, shape (3,)
        Mass [kg/s], burned mass [kg/s], energy [W].
    """

    def rates(x: Array, a: float, q: Array) -> Array:
        out = np.empty(3)
        plenum_rates(plenum, x, a, q, out)
        return out

    own, by_losses, seen = np.zeros((3, 3)), np.zeros((3, 3)), np.zeros((3, 3))
    for k, step in enumerate((SHARE * state[0], SHARE * state[1], SHARE)):
        high, low = state.copy(), state.copy()
        high[k], low[k] = state[k] + step, state[k] - step
        own[:, k] = (rates(high, area, losses) - rates(low, area, losses)) / (2.0 * step)
        seen[0, k] = (plenum_pressure(plenum, high) - plenum_pressure(plenum, low)) / (2.0 * step)
    seen[1, 1] = seen[2, 2] = 1.0
    base = rates(state, area, losses)
    for k in range(3):  # straight, so any step will do
        more = losses.copy()
        step = 1e-3 * abs(losses[k]) + 1e-6
        more[k] += step
        by_losses[:, k] = (rates(state, area, more) - base) / step
    by_area = (rates(state, 1.01 * area, losses) - base) / (0.01 * area)
    return PlenumSlopes(own, by_losses, by_area, seen)

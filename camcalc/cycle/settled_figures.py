"""What a settled cycle amounts to, and the small sums around finding one."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from .gas_kernel import flow, properties
from .layout import State, Unknown
from .operating import OperatingState
from .steady import Settled

if TYPE_CHECKING:
    from ..burn.phasing import Burn
    from ..engine.gas import FuelData

__all__ = ["SingleCycle", "dead_state", "net_charge", "next_area", "overlap_blow_back", "plenum_mean", "running_state", "throttle_flux"]


def overlap_blow_back(c: Settled) -> float:
    """Return the mass blown back through the intake valve between its opening and the exhaust valve's closing [kg].

    Residual that expands into the intake after the exhaust valve has closed is not in it, 4 % of it at most in the examples; nor is what the
    rising piston pushes back before the intake valve closes.
    """
    if c.course.exhaust_closes <= c.course.intake_opens:
        return 0.0
    return c.total("intake_back", c.course.intake_opens, c.course.exhaust_closes)


def net_charge(c: Settled) -> float:
    """Return the fresh charge, air and fuel, that a settled cycle takes in through the throttle and its injector [kg].

    What a cylinder draws less what it gives back; from a reservoir, which takes nothing back that could be drawn again, what is trapped.
    """
    if not c.setup.has_runner:
        return float(c.unknowns[Unknown.CYLINDER_MASS] * (1.0 - c.unknowns[Unknown.CYLINDER_FRACTION]))
    return c.total("runner_in") - c.total("runner_back")


def plenum_mean(c: Settled) -> float:
    """Return the mean plenum pressure of a rippling cycle [Pa]."""
    states = c.at_marks
    columns = State.PLENUM_MASS, State.PLENUM_TEMPERATURE, State.PLENUM_BURNED
    values = [m * properties(c.setup.gas, t, burned / m)[0] * t / c.setup.plenum_volume for m, t, burned in states[:, columns]]
    return float(np.mean(values))


def throttle_flux(p_up: float, p_down: float, t: float, r: float, gamma: float) -> float:
    """Return mass flow per effective area [kg/s/m2] from one pressure [Pa] down to another; temperature [K], gas constant [J/kg/K].

    Parameters
    ----------
    p_up, p_down : float
        Pressures before and behind [Pa].
    t : float
        Temperature before the throttle [K].
    r : float
        Gas constant [J/(kg K)].
    gamma : float
        Ratio of specific heats.
    """
    return float(flow(1.0, p_up, min(p_down, 0.999 * p_up), t, r, gamma, 1e-4))


def next_area(tried: list[tuple[float, float]], target: float) -> float:
    """Return the throttle area [m2] to try next for a mean plenum pressure [Pa], from areas tried and the pressures they gave."""
    area, mean = tried[-1]
    if len(tried) < 2 or abs(tried[-2][1] - mean) < 1.0:
        return area * (target / mean) ** 1.0
    before, was = tried[-2]
    slope = (mean - was) / (area - before)
    return float(min(max(area + (target - mean) / slope, 0.3 * area), 3.0 * area))


def dead_state(speed: float, pressure: float, spark: float, c: Settled) -> OperatingState:
    """Return what a dying cycle amounts to: nothing burns, nothing is made.

    Parameters
    ----------
    speed : float
        Crank speed [rev/s].
    pressure : float
        Mean of the plenum [Pa], absolute.
    spark : float
        Before top dead centre [crank deg].
    c : Settled
        The dying cycle.
    """
    z: Any = c.unknowns
    pump = c.setup.exhaust_pressure - pressure
    return OperatingState(
        speed=speed,
        manifold_pressure=pressure,
        exhaust_pressure=c.setup.exhaust_pressure,
        spark=spark,
        burned_fraction=float(z[Unknown.CYLINDER_FRACTION]),
        diluent=float(z[Unknown.CYLINDER_FRACTION]),
        trapped=float(z[Unknown.CYLINDER_MASS]),
        trapped_air=0.0,
        air=0.0,
        fuel=0.0,
        blow_back=overlap_blow_back(c),
        gross=0.0,
        pumping=pump,
        net=-pump,
        development=math.nan,
        rapid_burn=math.nan,
        half_burned=math.nan,
        completeness=0.0,
        exhaust_temperature=float(z[Unknown.COLLECTOR_TEMPERATURE]),
        outcome=c.outcome,
        repeats_within=c.residual,
    )


class SingleCycle(NamedTuple):
    """One cycle whose charge is diluted otherwise: burned fraction, more work than the settled cycle's [J], its burn, share of fresh mass burned."""

    burned: float
    more_work: float
    burn: Burn
    made: float


def running_state(c: Settled, spark: float, fuel: FuelData, ratio: float, burnable: float, single: SingleCycle | None = None) -> OperatingState:
    """Return a settled cycle as an operating point, or a single cycle on its exchange: that takes in what the settled one does.

    Parameters
    ----------
    c : Settled
        A cycle that runs.
    spark : float
        Before top dead centre [crank deg].
    fuel : FuelData
    ratio : float
        Air over fuel by mass.
    burnable : float
        Share of the fresh charge that burns where all of it does: the combustion efficiency.
    single : SingleCycle
        None for the settled cycle itself.
    """
    s, z, swept = c.setup, c.unknowns, c.setup.swept
    pumping = -(c.total("work", 540.0, 900.0))
    mass = float(z[Unknown.CYLINDER_MASS])
    if single is None:
        y = float(z[Unknown.CYLINDER_FRACTION])
        single = SingleCycle(y, 0.0, c.burn, c.total("made_burned") / max(mass * (1.0 - y), 1e-12))
    y, work = single.burned, c.total("work") + single.more_work
    moles = y / fuel.burned_molar_mass, (1.0 - y) / fuel.fresh_molar_mass
    net = net_charge(c)
    return OperatingState(
        speed=s.speed,
        manifold_pressure=s.intake_pressure,
        exhaust_pressure=s.exhaust_pressure,
        spark=spark,
        burned_fraction=y,
        diluent=moles[0] / sum(moles),
        trapped=mass,
        trapped_air=mass * (1.0 - y) * ratio / (1.0 + ratio),
        air=net * ratio / (1.0 + ratio),
        fuel=net / (1.0 + ratio),
        blow_back=overlap_blow_back(c),
        gross=(work + pumping) / swept,
        pumping=pumping / swept,
        net=work / swept,
        development=single.burn.development,
        rapid_burn=single.burn.rapid,
        half_burned=single.burn.half,
        completeness=single.made / burnable,
        exhaust_temperature=float(z[Unknown.COLLECTOR_TEMPERATURE]),
        repeats_within=c.residual,
    )

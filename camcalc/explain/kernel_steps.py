"""The steps of a worked kernel: what energy a charge asks of a spark, and how far turbulence stretches the young flame."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import sympy

from ..burn.ignition import FUEL_FACTOR, HEAT_CAPACITY, PRANDTL, QUENCHING, TURBULENT_LOSS, flame_temperature, ignition_energy
from ..burn.stretch import GAS_CONSTANT, TURBULENCE, stretch_rate, viscosity
from ..cycle.work_variation import ignition_law
from ..units import quantity
from .origins import CYCLE, of_sheet
from .worksheet import Worksheet

if TYPE_CHECKING:
    from ..advice.spark_limits import CeilingCell
    from ..cycle.operating import EngineModel

__all__ = ["energy_asked", "energy_given", "kernel_steps"]

MEMORY = "Ballal & Lefebvre, from memory"


def kernel_steps(sheet: Worksheet, engine: EngineModel, cell: CeilingCell, spark: float) -> None:
    """Work out whether the mean cycle's kernel lives at a spark [crank deg before top dead centre]; nothing where no cycle burns there.

    Parameters
    ----------
    sheet : Worksheet
        Gets the steps.
    engine : EngineModel
    cell : CeilingCell
        Whose speed and load are looked at.
    spark : float
        Before top dead centre [crank deg].
    """
    found = engine.burn_map(cell.speed, cell.pressure, spark)
    if found is None:
        return
    law, kernel, residual = ignition_law(engine), found.kernel, found.mean.burned_fraction
    flame = float(np.interp(residual, found.table.residual, found.table.flame))
    t = sheet.given("T_k", "charge at the plug half a millisecond after the spark, BTDC as above", quantity(kernel.temperature, "K"), CYCLE)
    p = sheet.given("p_k", "its pressure", quantity(kernel.pressure, "Pa", "kPa"), CYCLE)
    r = sheet.given("R_k", "gas constant of the charge", quantity(GAS_CONSTANT, "J/(kg*K)"), "from memory")
    rho = sheet.step("Early in the stroke the charge is thin and cold.", "rho_k", "its density", p / (r * t), "kg/m**3")
    mu = sheet.given("mu", "its viscosity", quantity(viscosity(kernel.temperature), "Pa*s"), "power law, common practice")
    s = sheet.given("S", f"flame speed with {residual:.0%} residual", quantity(flame, "m/s"), "computed flames")
    u = sheet.given("u", "turbulent speed that the kernel feels", quantity(law.kernel_turbulence * TURBULENCE * kernel.piston_speed, "m/s"), "ESTIMATE")
    words = "Residual slows the flame, and turbulence takes heat from the kernel: this speed is left to it."
    left = sheet.step(words, "S_k", "what is left", s - TURBULENT_LOSS * u, "m/s")
    if sheet.number(left, "m/s") > 0.0:
        times = sheet.given("k_q", "diameter over thickness of the flame", QUENCHING, MEMORY)
        prandtl = sheet.given("Pr", "Prandtl number of air", PRANDTL, "from memory")
        wide = times * mu / (rho * prandtl * left)
        d = sheet.step("The least ball of flame that feeds itself.", "d", "its diameter", wide, "mm")
        hot = sheet.given("T_f", "flame temperature with that residual", quantity(flame_temperature(kernel.temperature, residual), "K"), "computed flames")
        c = sheet.given("c", "heat capacity of the charge", quantity(HEAT_CAPACITY, "J/(kg*K)"), "from memory")
        words = "The spark must heat that ball. Its energy goes with the cube of the diameter, so residual, cold and thin charge count three times."
        heavy = sheet.given("k_f", "heavy fuel over light fuel", FUEL_FACTOR, "vessel measurements, from memory")
        energy = heavy * sympy.pi / 6 * d**3 * rho * c * (hot - t)
        asked = sheet.step(words, "E_k", "energy that the charge asks for", energy, "mJ")
        given = sheet.given("E_s", "spark energy that reaches the charge", quantity(law.energy, "J", "mJ"), of_sheet(engine.build, "engine", "spark_energy"))
        words = "Above 1 the mean cycle lights. Less flame speed at the plug and more turbulence in some cycles make those fail before."
        sheet.step(words, "m_E", "spark energy over energy asked for", given / asked, "")
        later = energy_asked(engine, cell.speed, cell.pressure, cell.limit) if cell.limit < spark else math.nan
        if math.isfinite(later):
            less = sheet.given("E_c", "energy asked for at the least limit found below, worked out alike", quantity(later, "J", "mJ"), CYCLE)
            sheet.step("Later, the charge is hotter and denser and asks for less.", "q_E", "energy asked for early over late", asked / less, "")
    stretch = stretch_rate(kernel.temperature, kernel.pressure, flame, kernel.piston_speed, kernel.height)
    k = sheet.given("K", "stretch by turbulence", stretch, "Abdel-Gayed & Bradley, from memory")
    most = sheet.given("K_max", "stretch beyond which no spark lights", law.most_stretch, "Huang et al. 2007, abstract read")
    sheet.step("Turbulence tears a slow flame apart. Below 1 it does.", "m_K", "stretch that it stands over stretch", most / k, "")


def energy_asked(engine: EngineModel, speed: float, pressure: float, spark: float) -> float:
    """Return the energy [J] that the mean cycle asks of a spark; not-a-number where no cycle burns.

    Parameters
    ----------
    engine : EngineModel
    speed : float
        Crank speed [rev/s].
    pressure : float
        Manifold pressure [Pa], absolute.
    spark : float
        Before top dead centre [crank deg].
    """
    found = engine.burn_map(speed, pressure, spark)
    if found is None:
        return math.nan
    kernel, residual = found.kernel, found.mean.burned_fraction
    velocity = ignition_law(engine).kernel_turbulence * TURBULENCE * kernel.piston_speed
    return ignition_energy(kernel.temperature, kernel.pressure, float(np.interp(residual, found.table.residual, found.table.flame)), residual, velocity)


def energy_given(engine: EngineModel) -> float:
    """Return the spark energy [J] that reaches the charge."""
    return float(ignition_law(engine).energy)

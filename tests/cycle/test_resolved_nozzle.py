"""Nozzle flow inside the cycle kernel: published tables, an independent gas library, and equal pressures."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from typing import Any

import cantera as ct
import numpy as np
import pytest
import sympy as sp
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from camcalc import ResolvedEngine
from camcalc.cycle.gas_kernel import SMOOTH, flow, gas_table, properties
from camcalc.cycle.layout import TOTAL
from camcalc.cycle.rates import rates
from camcalc.cycle.volumes import Boundary
from camcalc.engine.gas import fuel_data
from tests.cycle.make_reference_cases import moles
from tests.oracles.reactor_network import mixture

Make = Callable[..., Any]
gammas = st.floats(1.15, 1.67)
smooths = st.sampled_from([1e-5, 1e-4, SMOOTH])


def psi(pressure_ratio: float, gamma: float, smooth: float = 1e-6) -> float:
    """Flow through 1 m2 at 1 Pa, 1 K and a gas constant of 1: the flow function."""
    return flow(1.0, 1.0, pressure_ratio, 1.0, 1.0, gamma, smooth)


@pytest.mark.reference("naca1135.csv")
def test_the_area_ratio_of_the_flow_tables_follows(row: Any) -> None:
    # The same mass passes the throat and the section at Mach M, so their areas are as choked flow to flow per area there.
    row.check(psi(0.1, 1.4) / psi((1.0 + 0.2 * row.mach**2) ** -3.5, 1.4))


@pytest.mark.reference("critical_ratio.csv")
def test_it_chokes_at_the_published_ratio(row: Any) -> None:
    # Above the critical ratio the flow falls with the square of the distance from it: its root, drawn back to zero, finds the ratio.
    ratios = row.value + np.linspace(2e-3, 2e-2, 10)
    roots = np.sqrt([1.0 - psi(ratio, row.gamma) / psi(0.1, row.gamma) for ratio in ratios])
    row.check(np.polynomial.Polynomial.fit(roots, ratios, 5)(0.0))


@pytest.mark.reference("flow_function.csv")
def test_the_flow_function_is_as_published(row: Any) -> None:
    row.check(psi(row.pressure_ratio, row.gamma))


@pytest.mark.reference("orifice_flow.csv")
def test_the_flow_of_an_orifice_is_as_published(row: Any) -> None:
    area = row.discharge * row.area_mm2 * 1e-6
    row.check(
        1e3 * flow(area, row.pressure_upstream, row.pressure_ratio * row.pressure_upstream, row.temperature_upstream, row.gas_constant, row.gamma, SMOOTH)
    )


@given(gammas, st.floats(0.01, 0.999))
def test_choked_flow_does_not_depend_on_the_pressure_beyond(gamma: float, share: float) -> None:
    critical = (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0))
    assert psi(share * critical, gamma) == pytest.approx(math.sqrt(gamma) * (2.0 / (gamma + 1.0)) ** (0.5 * (gamma + 1.0) / (gamma - 1.0)), rel=1e-12)


# A nozzle whose gas changes its specific heat on the way, by an independent library.


@functools.cache
def gas(kind: str) -> ct.Solution:
    fresh, burned = moles("gasoline")
    return mixture(fresh if kind == "fresh" else burned)


def isentropic_flux(kind: str, temperature: float, pressure_ratio: float) -> float:
    """Greatest mass flux [kg/s/m2] from 1 bar at stagnation down to a pressure ratio: expand at constant entropy, take speed from enthalpy."""
    up = gas(kind)
    up.TP = temperature, 1e5
    entropy, enthalpy = up.entropy_mass, up.enthalpy_mass

    def flux(ratio: float) -> float:
        up.SP = entropy, ratio * 1e5
        return float(up.density * math.sqrt(2.0 * (enthalpy - up.enthalpy_mass)))

    throat = minimize_scalar(lambda ratio: -flux(ratio), bounds=(0.45, 0.65), method="bounded", options={"xatol": 1e-8}).x
    return flux(max(pressure_ratio, throat))


@pytest.mark.parametrize("ratio", [0.98, 0.9, 0.7, 0.57, 0.5, 0.3])
@pytest.mark.parametrize(("kind", "temperature"), [("fresh", 310.0), ("burned", 900.0), ("burned", 1800.0)])
def test_it_agrees_with_a_nozzle_of_real_specific_heat(kind: str, temperature: float, ratio: float) -> None:
    # gamma is taken at the stagnation temperature, so the kernel passes a little less: 0.3 % at most when choked, a third of that at small drops.
    r, cp, *_ = properties(gas_table(fuel_data("gasoline")), temperature, float(kind == "burned"))
    found = flow(1.0, 1e5, ratio * 1e5, temperature, r, cp / (cp - r), SMOOTH)
    assert found == pytest.approx(isentropic_flux(kind, temperature, ratio), rel=1e-3 if ratio >= 0.7 else 3e-3)


# Equal pressures.

x, g = sp.symbols("x g", positive=True)
NOZZLE = x ** (1 / g) * sp.sqrt(2 * g / (g - 1) * (1 - x ** ((g - 1) / g)))
nozzle, nozzle_slope = (sp.lambdify((x, g), f) for f in (NOZZLE, sp.diff(NOZZLE, x)))


@given(gammas, smooths)
def test_at_equal_pressures_the_flow_is_zero_and_its_slope_finite(gamma: float, smooth: float) -> None:
    assert psi(1.0, gamma, smooth) == 0.0
    near, nearer = (psi(1.0 - part * smooth, gamma, smooth) / (part * smooth) for part in (1e-3, 1e-4))
    assert 0.0 < near < 3.0 * psi(1.0 - smooth, gamma, smooth) / smooth
    # An odd function: its slope at zero has no slope of its own, so flow turns round without a kink or a bend.
    assert near == pytest.approx(nearer, rel=1e-5)


@given(gammas, smooths)
def test_the_smooth_part_meets_the_nozzle_in_value_and_slope(gamma: float, smooth: float) -> None:
    edge = 1.0 - smooth
    step = 1e-5 * smooth
    inside = [psi(edge + k * step, gamma, smooth) for k in (1.0, 2.0)]
    assert inside[0] == pytest.approx(float(nozzle(edge, gamma)), rel=1e-4)
    assert (inside[1] - inside[0]) / step == pytest.approx(float(nozzle_slope(edge, gamma)), rel=1e-3)
    assert psi(edge - step, gamma, smooth) == pytest.approx(float(nozzle(edge - step, gamma)), rel=1e-9)


@given(gammas, smooths)
def test_the_smooth_part_rises_all_the_way(gamma: float, smooth: float) -> None:
    values = [psi(1.0 - k * smooth / 20.0, gamma, smooth) for k in range(25)]
    assert values == sorted(set(values))


@pytest.fixture(scope="module")
def open_intake(build_of: Make) -> ResolvedEngine:
    """An engine with fresh gas of one temperature on both sides of the intake valve, which is always open and passes alike both ways."""
    engine = ResolvedEngine(build_of("quarry-road"), intake_model="lost", adiabatic=True, intake_temperature=350.0)
    engine.setup = engine.setup._replace(areas=np.zeros_like(engine.setup.areas), speed=20.0)
    engine.setup.areas[:2] = 3e-4
    return engine


@given(share=st.floats(1e-6, 0.9), low=st.floats(2e4, 1e5))
def test_the_flow_between_two_volumes_turns_round_when_their_pressures_are_exchanged(open_intake: ResolvedEngine, share: float, low: float) -> None:
    setup, theta, high = open_intake.setup, 60.0, low / (1.0 - share)
    volume = open_intake.geometry.volume(theta)

    def inward(plenum: float, cylinder: float) -> float:
        y, dy = np.zeros(TOTAL), np.zeros(TOTAL)
        y[0], y[1], y[3], y[7], y[8] = cylinder * volume / (setup.gas[0, 6] * 350.0), 350.0, 1.0, 900.0, 1.0
        outside = 300.0, 0.0, 900.0, 1.0, setup.exhaust_pressure
        given = Boundary(*outside, 1e9, 0.0, 3.0, 1e9, 0.0, 1e5, 5e-4, 350.0, 230.0, 500.0)
        # Of the nozzle alone: the piston moves, and what holds the pressures' difference is not the same both ways.
        rates(theta, y, dy, setup._replace(intake_pressure=plenum, quickest=math.inf), given)
        return float(dy[0])

    assert inward(high, low) > 0.0
    assert inward(low, high) == pytest.approx(-inward(high, low), rel=1e-9)

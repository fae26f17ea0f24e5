"""Flow through valves: nozzle tables, an independent library, limits proved, and the poppet valve's least area."""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from typing import Any

import fluids
import numpy as np
import pytest
import sympy as sp
from hypothesis import given
from hypothesis import strategies as st

from camcalc.engine.valve_flow import (
    LINEAR_BELOW,
    critical_ratio,
    flow_function,
    intake_discharge,
    orifice_flow,
    orifice_flow_kernel,
    valve_area,
    valve_area_kernel,
    valve_shape_of,
)
from camcalc.errors import InputError
from camcalc.sheet import load_build

gammas = st.floats(1.1, 1.67)
psi, critical = flow_function.kernel, critical_ratio.kernel


@pytest.mark.reference("critical_ratio.csv")
def test_critical_pressure_ratio(row: Any) -> None:
    row.check(critical_ratio(row.gamma).magnitude)


@given(gammas)
def test_critical_pressure_ratio_agrees_with_an_independent_library(gamma: float) -> None:
    assert critical(gamma) == pytest.approx(fluids.P_critical_flow(1.0, gamma), rel=1e-12)


@pytest.mark.reference("flow_function.csv")
def test_flow_function(row: Any) -> None:
    row.check(flow_function(row.pressure_ratio, gamma=row.gamma).magnitude)


@pytest.mark.reference("naca1135.csv")
def test_the_area_ratio_of_the_flow_tables_follows_from_the_flow_function(row: Any) -> None:
    # The same mass passes the throat and the section at Mach M, so their areas are as choked flow to flow per area there.
    pressure_ratio = (1.0 + 0.2 * row.mach**2) ** -3.5
    row.check(psi(0.0, 1.4) / psi(pressure_ratio, 1.4))


@pytest.mark.reference("orifice_flow.csv")
def test_orifice_flow(row: Any) -> None:
    flow = orifice_flow(
        f"{row.area_mm2} mm**2",
        discharge=row.discharge,
        pressure_upstream=f"{row.pressure_upstream} Pa",
        pressure_downstream=f"{row.pressure_upstream * row.pressure_ratio} Pa",
        temperature_upstream=f"{row.temperature_upstream} K",
        gas_constant=f"{row.gas_constant} J/kg/K",
        gamma=row.gamma,
    )
    row.check(flow.to(row.unit).magnitude)


# The limits, proved.

pr, g = sp.symbols("pr g", positive=True)
SUBCRITICAL = pr ** (1 / g) * sp.sqrt(2 * g / (g - 1) * (1 - pr ** ((g - 1) / g)))
CHOKED = sp.sqrt(g) * (2 / (g + 1)) ** ((g + 1) / (2 * (g - 1)))
CRITICAL = (2 / (g + 1)) ** (g / (g - 1))
COMMON = [sp.Rational(7, 5), sp.Rational(27, 20), sp.Rational(13, 10)]
psi_by_sympy = sp.lambdify((pr, g), SUBCRITICAL)


@pytest.mark.parametrize("gamma", COMMON, ids=str)
def test_the_nozzle_flow_is_greatest_at_the_critical_ratio_and_meets_choked_flow_there(gamma: sp.Rational) -> None:
    at = CRITICAL.subs(g, gamma)
    assert sp.simplify(SUBCRITICAL.subs(g, gamma).subs(pr, at) - CHOKED.subs(g, gamma)) == 0
    slope_of_square = sp.diff(SUBCRITICAL**2, pr).subs(g, gamma).subs(pr, at)
    assert sp.simplify(slope_of_square) == 0


@pytest.mark.parametrize("gamma", COMMON, ids=str)
def test_the_nozzle_flow_goes_to_zero_like_a_square_root_at_equal_pressures(gamma: sp.Rational) -> None:
    away = sp.symbols("away", positive=True)
    square = (SUBCRITICAL**2).subs(g, gamma).subs(pr, 1 - away)
    assert sp.limit(square, away, 0, "+") == 0
    assert sp.limit(square / (2 * away), away, 0, "+") == 1


@given(st.floats(0.0, 1.0), gammas)
def test_the_flow_function_is_the_nozzle_outside_the_blend(share: float, gamma: float) -> None:
    ratio = critical(gamma) + share * (1.0 - LINEAR_BELOW - critical(gamma))
    assert psi(ratio, gamma) == pytest.approx(psi_by_sympy(ratio, gamma), rel=1e-9)


@given(gammas, st.floats(0.0, 0.999))
def test_choked_flow_does_not_depend_on_the_pressure_beyond(gamma: float, share: float) -> None:
    assert psi(share * critical(gamma), gamma) == pytest.approx(float(CHOKED.subs(g, gamma)), rel=1e-12)


@given(gammas)
def test_the_flow_function_is_continuous_at_both_joints(gamma: float) -> None:
    for joint in (critical(gamma), 1.0 - LINEAR_BELOW):
        below, above = psi(joint - 1e-12, gamma), psi(joint + 1e-12, gamma)
        assert below == pytest.approx(above, abs=1e-9)


@given(gammas)
def test_the_slope_is_continuous_where_the_nozzle_meets_the_blend(gamma: float) -> None:
    joint, step = 1.0 - LINEAR_BELOW, 1e-9
    below = (psi(joint - step, gamma) - psi(joint - 2.0 * step, gamma)) / step
    above = (psi(joint + 2.0 * step, gamma) - psi(joint + step, gamma)) / step
    assert below == pytest.approx(above, rel=1e-3)


@given(gammas, st.floats(0.05, 0.95))
def test_the_blend_ends_with_the_slope_of_the_nozzle_to_ten_digits(gamma: float, share: float) -> None:
    # An odd cubic in the share of the way from equal pressures is told by its end and one more point: its slope there against the derivative.
    end, between = psi(1.0 - LINEAR_BELOW, gamma), psi(1.0 - share * LINEAR_BELOW, gamma)
    cubic = (between - end * share) / (share**3 - share)
    slope = (end - cubic + 3.0 * cubic) / LINEAR_BELOW
    exact = -sp.diff(SUBCRITICAL, pr).evalf(30, subs={pr: 1 - sp.Float(LINEAR_BELOW, 30), g: sp.Float(gamma, 30)})
    assert slope == pytest.approx(float(exact), rel=1e-8)


@given(gammas)
def test_the_flow_function_falls_steadily_to_zero(gamma: float) -> None:
    ratio = np.concatenate([np.linspace(critical(gamma), 1.0 - LINEAR_BELOW, 200), np.linspace(1.0 - LINEAR_BELOW, 1.0, 201)[1:]])
    values = np.array([psi(float(r), gamma) for r in ratio])
    assert (np.diff(values[1:]) < 0.0).all()
    assert values[-1] == 0.0


def test_the_slope_at_equal_pressures_is_finite_and_steep() -> None:
    # The cubic that meets value and slope of a square root starts with 5/4 of the chord.
    slope = psi(1.0 - 1e-9, 1.4) / 1e-9
    chord = psi(1.0 - LINEAR_BELOW, 1.4) / LINEAR_BELOW
    assert slope == pytest.approx(1.25 * chord, rel=1e-3)


pressures = st.floats(2e4, 2e5)


def flow_between(upstream: float, downstream: float) -> float:
    air = {"temperature_upstream": 300.0, "gas_constant": 287.0, "gamma": 1.4}
    return orifice_flow.kernel(1e-4, discharge=0.6, pressure_upstream=upstream, pressure_downstream=downstream, **air)


@given(pressures, pressures)
def test_flow_is_antisymmetric_in_its_pressures(one: float, other: float) -> None:
    assert flow_between(one, other) == -flow_between(other, one)
    assert flow_between(one, one) == 0.0


@given(pressures, st.floats(0.2, 0.999), st.floats(0.01, 10.0))
def test_flow_scales_with_area_and_pressure_and_falls_with_the_root_of_temperature(pressure: float, ratio: float, times: float) -> None:
    flow = orifice_flow_kernel(1e-4, pressure, ratio * pressure, 300.0, 287.0, 1.4)
    assert orifice_flow_kernel(times * 1e-4, pressure, ratio * pressure, 300.0, 287.0, 1.4) == pytest.approx(times * flow, rel=1e-9)
    assert orifice_flow_kernel(1e-4, times * pressure, times * ratio * pressure, 300.0, 287.0, 1.4) == pytest.approx(times * flow, rel=1e-9)
    assert orifice_flow_kernel(1e-4, pressure, ratio * pressure, times * 300.0, 287.0, 1.4) == pytest.approx(flow / math.sqrt(times), rel=1e-9)


@given(pressures)
def test_a_small_difference_gives_the_flow_of_bernoulli(pressure: float) -> None:
    fall = 5.0 * LINEAR_BELOW * pressure
    density = pressure / (287.0 * 300.0)
    bernoulli = 1e-4 * math.sqrt(2.0 * density * fall)
    assert orifice_flow_kernel(1e-4, pressure, pressure - fall, 300.0, 287.0, 1.4) == pytest.approx(bernoulli, rel=1e-3)


# The poppet valve.


def area_of(row: Any, lift: float) -> float:
    return valve_area_kernel(lift * 1e-3, row.head * 1e-3, row.seat_width * 1e-3, math.pi / 4, row.port * 1e-3, row.stem * 1e-3) * 1e6


@pytest.mark.reference("valve_area.csv")
def test_valve_area(row: Any) -> None:
    lengths = {name: f"{getattr(row, name)} mm" for name in ("head", "seat_width", "port", "stem")}
    row.check(valve_area(f"{row.lift} mm", **lengths, seat_angle="45 deg").to(row.unit).magnitude)


lift, head, width, angle, port, stem = sp.symbols("L D_v w beta D_p D_s", positive=True)
SEAT = sp.pi * lift * sp.cos(angle) * (head - 2 * width + lift / 2 * sp.sin(2 * angle))
HEAD = sp.pi * (head - width) * sp.sqrt((lift - width * sp.tan(angle)) ** 2 + width**2)
THROAT = sp.pi / 4 * (port**2 - stem**2)
FIRST_JOINT = width / (sp.sin(angle) * sp.cos(angle))
SECOND_JOINT = sp.sqrt(((port**2 - stem**2) / (4 * (head - width))) ** 2 - width**2) + width * sp.tan(angle)


def test_the_three_stages_meet_at_both_joints() -> None:
    # For a seat angle between 0 and 90 degrees, so that sine and cosine are positive.
    sine, cosine = sp.symbols("s c", positive=True)
    turn = {sp.sin(2 * angle): 2 * sine * cosine, sp.tan(angle): sine / cosine, sp.sin(angle): sine, sp.cos(angle): cosine}
    first = [stage.subs(lift, FIRST_JOINT).subs(turn) for stage in (SEAT, HEAD)]
    difference = sp.simplify((first[0] ** 2 - first[1] ** 2).subs(sine, sp.sqrt(1 - cosine**2)))
    assert difference == 0
    assert sp.simplify(HEAD.subs(lift, SECOND_JOINT) ** 2 - THROAT**2) == 0


def test_the_joints_of_a_worked_valve() -> None:
    # From memory (Heywood 1988, equations 6.7 to 6.9), computed: 3.0 and 11.113 mm.
    valve = {head: 49.3, width: 1.5, angle: sp.pi / 4, port: 44, stem: 8.7}
    assert float(FIRST_JOINT.subs(valve)) == pytest.approx(3.0, abs=1e-12)
    assert float(SECOND_JOINT.subs(valve)) == pytest.approx(11.113, abs=5e-4)


valves = st.tuples(st.floats(0.025, 0.055), st.floats(0.8e-3, 2.5e-3), st.floats(0.5, 0.9), st.floats(0.82, 0.92), st.floats(0.12, 0.25))


@given(valves)
def test_valve_area_is_continuous_and_never_falls_with_lift(valve: tuple[float, ...]) -> None:
    d, w, b, p, s = valve
    lifts = np.linspace(0.0, 0.4 * d, 4001)
    area = np.array([valve_area_kernel(float(x), d, w, b, p * d, s * d) for x in lifts])
    assert area[0] == 0.0
    assert (np.diff(area) >= 0.0).all()
    # No step larger than the curtain of the whole head would make in the same lift.
    assert np.diff(area).max() <= math.pi * d * (lifts[1] - lifts[0]) * 1.0001
    assert area[-1] == pytest.approx(math.pi / 4 * ((p * d) ** 2 - (s * d) ** 2), rel=1e-12)


@given(valves)
def test_valve_area_has_no_step_at_either_joint(valve: tuple[float, ...]) -> None:
    d, w, b, p, s = valve
    values = {head: d, width: w, angle: b, port: p * d, stem: s * d}
    for joint in (float(FIRST_JOINT.subs(values)), float(SECOND_JOINT.subs(values))):
        beside = [valve_area_kernel(joint + by, d, w, b, p * d, s * d) for by in (-1e-10, 1e-10)]
        assert beside[1] - beside[0] == pytest.approx(0.0, abs=1e-6 * beside[0])


def test_a_shut_valve_has_no_area() -> None:
    assert valve_area_kernel(0.0, 0.05, 1.5e-3, 0.8, 0.044, 0.008) == 0.0
    assert valve_area_kernel(-1e-4, 0.05, 1.5e-3, 0.8, 0.044, 0.008) == 0.0


@pytest.mark.parametrize(("name", "value"), [("lift", "0.5 m"), ("seat_angle", "45 crank_deg"), ("head", 49.3), ("port", "44 inch")])
def test_a_valve_that_makes_no_sense_is_refused(name: str, value: Any) -> None:
    good: dict[str, Any] = {"lift": "2 mm", "head": "49.3 mm", "seat_width": "1.5 mm", "seat_angle": "45 deg", "port": "44 mm", "stem": "8.7 mm"}
    with pytest.raises(InputError, match=name):
        valve_area(**good | {name: value})


def test_the_valves_of_a_build_are_those_of_its_sheet(example_path: Path) -> None:
    engine = load_build(example_path).engine
    for kind in ("intake", "exhaust"):
        shape = valve_shape_of(engine, kind)
        assert shape.head == getattr(engine.si, f"{kind}_valve_diameter")
        assert shape.seat_angle == pytest.approx(math.radians(engine.si.valve_seat_angle), rel=1e-12)
        assert shape.port < shape.head
        assert shape.stem < shape.port


def test_what_flows_is_air_unless_another_gas_is_given() -> None:
    # Dry air: 287.05 J/kg/K (US Standard Atmosphere 1976), 1.4.
    about = {"discharge": 0.7, "pressure_upstream": "101 kPa", "pressure_downstream": "70 kPa", "temperature_upstream": "300 K"}
    air = orifice_flow("100 mm**2", **about, gas_constant="287.05 J/kg/K", gamma=1.4)
    assert orifice_flow("100 mm**2", **about).to("g/s").magnitude == pytest.approx(air.to("g/s").magnitude, rel=1e-12)


@pytest.mark.reference("intake_discharge.csv")
def test_intake_discharge(row: Any) -> None:
    row.check(intake_discharge(row.lift_over_diameter))


def test_intake_discharge_is_held_beyond_its_data() -> None:
    assert intake_discharge(-0.1) == intake_discharge(0.0)
    assert intake_discharge(0.5) == intake_discharge(0.3)
    assert all(0.35 < intake_discharge(float(x)) < 0.75 for x in np.linspace(0.0, 0.3, 61))
    assert all(a >= b - 0.02 for a, b in itertools.pairwise(intake_discharge(float(x)) for x in np.linspace(0.15, 0.3, 31)))

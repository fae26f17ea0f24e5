"""The independent cycle solver is itself checked: closures, closed-form limits, and the two intake models against each other."""

import dataclasses

import cantera as ct
import numpy as np
import pytest

from . import reactor_network as network
from .reactor_network import Case, Cycle, Engine, Vector, nozzle, run

AIR = {"O2": 12.5, "N2": 12.5 * 3.7274, "Ar": 12.5 * 0.0444}
FRESH = {"C8H18,isooctane": 1.0, **AIR}
BURNED = {"CO2": 8.0, "H2O": 9.0, "N2": AIR["N2"], "Ar": AIR["Ar"]}


def sample_area(opens: float, closes: float) -> Vector:
    """Effective area [m2] of a 50 mm valve lifted 13 mm as sin squared between two crank angles [deg], capped by its throat."""
    since = (np.arange(720.0) - opens) % 720.0
    lift = np.where(since < closes - opens, 0.013 * np.sin(np.pi * since / (closes - opens)) ** 2, 0.0)
    return 0.6 * np.minimum(np.pi * 0.050 * lift, np.pi / 4.0 * 0.050**2)


def square_area(opens: float, closes: float) -> Vector:
    """Effective area [m2] of a valve that is wide open within a degree of its two crank angles [deg]."""
    since = (np.arange(720.0) - opens) % 720.0
    return np.where((since > 0.0) & (since < closes - opens), 2e-3, 0.0)


def sample_case(rpm: float, p_i: float, intake_model: str) -> Case:
    """A street engine with a long-duration cam at rpm [1/min] and intake pressure p_i [Pa]."""
    intake, exhaust = sample_area(-36.0, 250.0), sample_area(-260.0, 34.0)
    return Case(
        bore=0.1015,
        stroke=0.0900,
        rod=0.1530,
        compression_ratio=10.3,
        speed=rpm / 60.0,
        p_i=p_i,
        T_i=330.0,
        p_e=102e3,
        T_e=900.0,
        T_held=500.0,
        intake_model=intake_model,
        intake_forward=intake,
        intake_reverse=intake,
        exhaust_forward=exhaust,
        exhaust_reverse=exhaust,
        fresh=FRESH,
        burned=BURNED,
    )


def frozen(T: float, p: float, b: float) -> ct.Solution:
    """Gas with burned fraction b at T [K] and p [Pa]."""
    gas = network.mixture(FRESH)
    gas.TPY = T, p, (1.0 - b) * gas.Y + b * network.mixture(BURNED).Y
    return gas


def state(*first: float) -> Vector:
    """State vector with zero sums."""
    return np.array([*first, *[0.0] * (12 - len(first))])


@pytest.mark.parametrize("intake_model", ["lost", "held"])
@pytest.mark.parametrize(("rpm", "p_i"), [(800.0, 45e3), (3000.0, 75e3)])
def test_mass_and_energy_close(rpm: float, p_i: float, intake_model: str) -> None:
    outcome = run(sample_case(rpm, p_i, intake_model))
    assert abs(outcome.mass_error) < 1e-6
    assert abs(outcome.energy_error) < 1e-6
    assert outcome.net_imep == pytest.approx(outcome.gross_imep + outcome.pumping_imep)


def test_all_fresh_gas_drawn_from_the_slug_and_the_supply_is_burned() -> None:
    engine = Engine(sample_case(1500.0, 60e3, "held"))
    y = network.default_start(engine)
    for _ in range(12):
        cycle = Cycle(engine, y)
        y = cycle.end
    drawn = y[network.INTAKE_IN] - y[network.INTAKE_OUT]
    assert drawn == pytest.approx(y[network.MASS] * (1.0 - y[network.BURNED]), rel=1e-6)
    assert y[network.SLUG] == pytest.approx(cycle.between(network.INTAKE_OUT, engine.exhaust.closes, engine.intake.closes), rel=1e-6)


def test_motored_closed_cycle_returns_its_work_and_is_isentropic() -> None:
    engine = Engine(sample_case(1500.0, 60e3, "lost"))
    start = state(5e-4, 350.0, 0.1)
    top = engine.advance(start, 260.0, 360.0)
    end = engine.advance(top, 360.0, 460.0)
    assert abs(end[network.WORK]) < 1e-6 * abs(top[network.WORK])
    assert end[network.TEMPERATURE] == pytest.approx(350.0, rel=1e-7)
    gas = frozen(350.0, engine.pressure(260.0, start), 0.1)
    energy = gas.int_energy_mass
    gas.SV = gas.entropy_mass, engine.volume(360.0)[0] / 5e-4
    assert top[network.TEMPERATURE] == pytest.approx(gas.T, rel=1e-6)
    assert top[network.WORK] == pytest.approx(5e-4 * (energy - gas.int_energy_mass), rel=1e-6)


def test_combustion_keeps_volume_and_internal_energy() -> None:
    engine = Engine(sample_case(1500.0, 60e3, "lost"))
    before = state(5e-4, 700.0, 0.2)
    after = engine.burn(before, 360.0)
    energies = [frozen(y[network.TEMPERATURE], engine.pressure(360.0, y), y[network.BURNED]).int_energy_mass for y in (before, after)]
    assert energies[0] == pytest.approx(energies[1], rel=1e-7)
    assert after[network.BURNED] == 1.0
    assert 2500.0 < after[network.TEMPERATURE] < 3500.0


def test_nozzle_function_is_continuous_with_its_known_choked_value() -> None:
    critical = (2.0 / 2.4) ** 3.5
    assert nozzle(0.3, 1.4) == pytest.approx(0.684731, rel=1e-5)
    assert nozzle(critical * (1.0 + 1e-6), 1.4) == pytest.approx(nozzle(critical, 1.4), rel=1e-9)
    assert nozzle(1.0, 1.4) == 0.0
    assert nozzle(1.0 - 0.99999e-4, 1.4) == pytest.approx(nozzle(1.0 - 1.00001e-4, 1.4), rel=1e-4)
    assert nozzle(0.999, 1.4) == pytest.approx(np.sqrt(2.0 * 0.001), rel=1e-3)


def test_choked_discharge_of_a_fixed_volume_follows_the_closed_form() -> None:
    case = sample_case(1500.0, 60e3, "lost")
    engine = Engine(dataclasses.replace(case, p_e=1e3, exhaust_forward=square_area(-260.0, 34.0) / 20.0))
    engine.volume = lambda theta: (5e-4, 0.0)
    mass, end = 2e-3, 4.8e-3 * engine.degrees_per_second + 461.0
    y = engine.advance(state(mass, 1500.0, 1.0), 461.0, end)
    pure = engine.gases.pure(1450.0)[1]
    gamma = pure.cp / (pure.cp - pure.R)
    rate = 1e-4 * np.sqrt(pure.R * 1500.0) * nozzle(0.0, gamma) / 5e-4
    shrink = 1.0 + 0.5 * (gamma - 1.0) * rate * 4.8e-3
    assert y[network.TEMPERATURE] == pytest.approx(1500.0 / shrink**2, rel=3e-3)
    assert y[network.MASS] == pytest.approx(mass / shrink ** (2.0 / (gamma - 1.0)), rel=3e-3)


@pytest.fixture(scope="module")
def ideal_case() -> Case:
    """Very slow engine with square valve events at the dead centres, no overlap and no pressure difference."""
    intake, exhaust = square_area(0.0, 180.0), square_area(-180.0, 0.0)
    areas = {"intake_forward": intake, "intake_reverse": intake, "exhaust_forward": exhaust, "exhaust_reverse": exhaust}
    return dataclasses.replace(sample_case(120.0, 100e3, "lost"), p_e=100e3, **areas)


def test_no_overlap_and_no_pressure_difference_is_the_ideal_constant_volume_cycle(ideal_case: Case) -> None:
    outcome = run(ideal_case)
    engine = Engine(ideal_case)
    bottom, top, mass = engine.volume(180.0)[0], engine.clearance, outcome.trapped_mass
    gas = frozen(outcome.temperature, outcome.pressure, outcome.burned_fraction)
    u1, h1, s1, R = gas.int_energy_mass, gas.enthalpy_mass, gas.entropy_mass, gas.cp_mass - gas.cv_mass
    gas.SV = s1, top / mass
    burned = frozen(300.0, 1e5, 1.0)
    u2 = gas.int_energy_mass
    burned.UV = u2, top / mass
    s3 = burned.entropy_mass
    burned.SV = s3, bottom / mass
    u4 = burned.int_energy_mass
    burned.SP = s3, ideal_case.p_e
    residual = ideal_case.p_e * top * burned.mean_molecular_weight / (ct.gas_constant * burned.T)

    assert outcome.pressure == pytest.approx(ideal_case.p_i, rel=1e-3)
    by_ratio = outcome.temperature * R * burned.mean_molecular_weight / (ct.gas_constant * burned.T * ideal_case.compression_ratio)
    assert outcome.burned_fraction == pytest.approx(by_ratio, rel=5e-3)
    assert outcome.burned_fraction == pytest.approx(residual / mass, rel=5e-3)
    fresh = frozen(ideal_case.T_i, ideal_case.p_i, 0.0).enthalpy_mass
    supplied = outcome.burned_fraction * burned.enthalpy_mass + (1.0 - outcome.burned_fraction) * fresh
    assert h1 == pytest.approx(supplied, abs=2e-3 * abs(fresh - burned.enthalpy_mass))
    assert outcome.gross_imep == pytest.approx(mass * (u1 - u4) / engine.swept, rel=2e-3)
    assert abs(outcome.pumping_imep) < 2e-3 * outcome.gross_imep
    assert outcome.overlap_blow_back == 0.0


@pytest.mark.parametrize("rpm", [800.0, 3000.0])
def test_losing_the_back_flow_leaves_less_burned_gas_than_holding_it(rpm: float) -> None:
    lost, held = (run(sample_case(rpm, 45e3, intake_model)) for intake_model in ("lost", "held"))
    assert lost.burned_fraction < held.burned_fraction
    assert lost.trapped_mass > held.trapped_mass
    assert lost.overlap_blow_back > 0.0
    assert lost.exhaust_reverse > 0.0


def test_models_agree_when_nothing_can_flow_back() -> None:
    case = sample_case(1500.0, 60e3, "held")
    case = dataclasses.replace(case, intake_reverse=np.zeros(720))
    held, lost = run(case), run(dataclasses.replace(case, intake_model="lost"))
    assert held.overlap_blow_back == held.push_back == 0.0
    assert held.trapped_mass == pytest.approx(lost.trapped_mass, rel=1e-6)
    assert held.burned_fraction == pytest.approx(lost.burned_fraction, rel=1e-6)


def test_settled_cycle_does_not_depend_on_the_start() -> None:
    case = sample_case(1500.0, 45e3, "held")
    plain, other = run(case), run(case, start=np.array([6e-4, 420.0, 0.5, 2e-4, 0.9]))
    assert other.trapped_mass == pytest.approx(plain.trapped_mass, rel=1e-6)
    assert other.burned_fraction == pytest.approx(plain.burned_fraction, rel=1e-6)


def test_not_settling_raises_with_the_history(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(network, "MAX_CYCLES", 2)
    with pytest.raises(network.NotSettledError, match="after 2 cycles") as caught:
        run(sample_case(3000.0, 75e3, "held"))
    assert len(caught.value.history) == 2


def test_valve_events_are_where_the_areas_leave_zero() -> None:
    engine = Engine(sample_case(1500.0, 60e3, "lost"))
    assert (engine.intake.opens, engine.intake.closes) == (684.0, 250.0)
    assert (engine.exhaust.opens, engine.exhaust.closes) == (460.0, 34.0)
    assert engine.intake.areas(0.25)[0] == pytest.approx(0.75 * engine.intake.areas(0.0)[0] + 0.25 * engine.intake.areas(1.0)[0])


def test_gases_with_different_atoms_are_refused() -> None:
    with pytest.raises(ValueError, match="different amounts"):
        run(dataclasses.replace(sample_case(1500.0, 60e3, "lost"), burned={**BURNED, "CO2": 7.0}))

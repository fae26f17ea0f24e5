"""What sensors make of partial burns and of blow-back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from camcalc import InputError
from camcalc.advice.mixture import (
    ClosedLoop,
    MeterReading,
    Plenum,
    TableReading,
    lambda_shown,
    load_sensing,
    meter_over_reading,
    sensor_reading,
    table_over_reading,
    throttled_over_reading,
    unburned_as_hexane,
)
from camcalc.engine.gas import fuel_data, products

shares = st.floats(0.0, 1.0)
CALM = Plenum(volume=4e-3, pressure=60e3, temperature=320.0, ambient=101e3)
# A fuel of one carbon and 1.87 hydrogen atoms; oxygen it needs [mol O2].
CARBON, HYDROGEN = 1.0, 1.87
NEED = CARBON + HYDROGEN / 4.0


def by_atoms(true_lambda: float, burned: float, seen: float) -> float:
    """Lambda from the atoms that a sensor sees in the exhaust: products of the burned part, and of the rest all oxygen and a share of the fuel."""
    made = {name: burned * moles for name, moles in products(CARBON, HYDROGEN, NEED, true_lambda).items()}
    oxygen, fuel = (1.0 - burned) * true_lambda * NEED, (1.0 - burned) * seen
    carbon = made["CO2"] + made.get("CO", 0.0) + fuel * CARBON
    hydrogen = 2.0 * (made["H2O"] + made.get("H2", 0.0)) + fuel * HYDROGEN
    atoms = 2.0 * made["CO2"] + made["H2O"] + made.get("CO", 0.0) + 2.0 * made.get("O2", 0.0) + 2.0 * oxygen
    return atoms / (2.0 * carbon + hydrogen / 2.0)


@given(true_lambda=st.floats(0.75, 1.3), burned=st.floats(0.05, 1.0), seen=shares)
def test_lambda_shown_is_what_the_atoms_say_lean_and_rich(true_lambda: float, burned: float, seen: float) -> None:
    assert lambda_shown(true_lambda, burned, seen) == pytest.approx(by_atoms(true_lambda, burned, seen), rel=1e-9)


@given(true_lambda=st.floats(0.75, 1.3), burned=st.floats(0.05, 1.0), seen=shares)
def test_partial_burns_never_read_rich_and_a_blinder_sensor_reads_leaner(true_lambda: float, burned: float, seen: float) -> None:
    shown = lambda_shown(true_lambda, burned, seen)
    assert shown >= true_lambda * (1.0 - 1e-12)
    assert lambda_shown(true_lambda, burned, seen / 2.0) >= shown * (1.0 - 1e-12)
    assert lambda_shown(true_lambda, 1.0, seen) == pytest.approx(true_lambda, rel=1e-12)
    assert lambda_shown(true_lambda, burned, 1.0) == pytest.approx(true_lambda, rel=1e-12)


@pytest.mark.parametrize(("burned", "seen", "words"), [(1.2, 0.3, "burned_share"), (0.9, -0.1, "seen"), (0.0, 0.0, "pure air")])
def test_shares_that_cannot_be_are_refused(burned: float, seen: float, words: str) -> None:
    with pytest.raises(InputError, match=words):
        lambda_shown(1.0, burned, seen)


def test_a_share_outside_by_rounding_alone_is_taken() -> None:
    assert lambda_shown(0.95, 1.0 + 1e-9, 0.3) == 0.95


def test_closed_loop_is_advised_against_where_it_reads_more_than_two_per_cent_lean() -> None:
    # 1/(1 - 0.7 x) = 1.02 at x = 0.02801, of which 0.018 leaves any warm engine: (1 - x) / 0.982 = 0.98980.
    fair, poor = (sensor_reading(0.95, share, 0.3, fuel_data("gasoline", 0.95)) for share in (0.9908, 0.9888))
    assert fair.si.shown_lambda / 0.95 < 1.02 < poor.si.shown_lambda / 0.95
    assert fair.closed_loop is ClosedLoop.MAY_STAY_ON
    assert poor.closed_loop is ClosedLoop.SWITCH_OFF
    assert poor.si.reads_lean_by == pytest.approx(poor.si.shown_lambda / 0.95 - 1.0, rel=1e-12)


def test_one_missed_firing_in_a_hundred_is_some_225_ppm_as_hexane() -> None:
    # 13.5 % carbon in stoichiometric exhaust: 1 % of the fuel is 1350 ppm of carbon atoms, a sixth of that as hexane. Derived apart, rounded there.
    assert 1e6 * unburned_as_hexane(fuel_data("gasoline"), 1.0, 0.99) == pytest.approx(225.0, rel=0.02)


def test_unburned_fuel_is_the_carbon_that_went_in() -> None:
    fuel = fuel_data("gasoline")
    # CH1.87: mass of fuel for a mole of carbon.
    assert 1.0 / fuel.carbon == pytest.approx(12.011e-3 + 1.87 * 1.008e-3, rel=1e-3)
    # All of it unburned: the fresh charge itself.
    whole = unburned_as_hexane(fuel, 1.0, 0.0)
    assert whole == pytest.approx(fuel.carbon / (1.0 + fuel.stoichiometric) / 6.0 * fuel.fresh_molar_mass, rel=1e-12)
    shares = [unburned_as_hexane(fuel, 1.0, burned) for burned in (1.0, 0.99, 0.9, 0.5)]
    assert shares[0] == 0.0
    assert shares == sorted(shares)


def test_an_engine_without_a_missed_cycle_is_read_some_hundred_ppm() -> None:
    # 1.8 % of the fuel leaves a warm engine that burns every cycle (Cheng, Hamrin, Heywood et al., SAE 932708, from memory).
    found = sensor_reading(1.0, 1.0, 0.3, fuel_data("gasoline"))
    assert found.hydrocarbons.magnitude == pytest.approx(1.8 * 225.0, rel=0.02)
    assert str(found.hydrocarbons.units) == "ppm"


def test_flow_that_never_reverses_is_read_rightly() -> None:
    turn = np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False)
    assert meter_over_reading(1.0 + 0.9 * np.sin(turn), 1) == pytest.approx(0.0, abs=1e-12)


def test_a_sine_of_twice_the_mean_over_reads_as_its_integral_says() -> None:
    # mean |1 + 2 sin x| = 1/3 + 2 sqrt(3)/pi, by hand.
    turn = np.linspace(0.0, 2.0 * np.pi, 7200, endpoint=False)
    assert meter_over_reading(1.0 + 2.0 * np.sin(turn), 1) == pytest.approx(1.0 / 3.0 + 2.0 * np.sqrt(3.0) / np.pi - 1.0, abs=1e-5)


@given(cylinders=st.integers(2, 8), swing=st.floats(1.1, 5.0), order=st.integers(1, 12))
def test_swings_of_evenly_fired_cylinders_cancel_but_for_multiples_of_their_number(cylinders: int, swing: float, order: int) -> None:
    # Straight lines between half degrees: right within a thousandth.
    turn = np.linspace(0.0, 2.0 * np.pi, 1440, endpoint=False)
    flow = 1.0 + swing * np.cos(order * turn)
    alone, together = meter_over_reading(flow, 1), meter_over_reading(flow, cylinders)
    assert together == pytest.approx(alone if order % cylinders == 0 else 0.0, abs=2e-3)
    assert alone > 0.01


@given(flow=st.lists(st.floats(-1.0, 2.0), min_size=24, max_size=24).filter(lambda f: sum(f) > 0.5), cylinders=st.sampled_from([1, 2, 3, 4, 6, 8]))
def test_a_meter_never_reads_less_and_a_common_one_never_more_than_one_each(flow: list[float], cylinders: int) -> None:
    together = meter_over_reading(np.array(flow), cylinders)
    assert -1e-9 <= together <= meter_over_reading(np.array(flow), 1) + 1e-9


def test_a_table_of_the_replaced_cam_over_reads_by_the_ratio_of_air() -> None:
    assert table_over_reading(180.0, 150.0) == pytest.approx(0.2, rel=1e-12)
    assert table_over_reading(140.0, 150.0) < 0.0
    with pytest.raises(InputError, match="air_new"):
        table_over_reading(180.0, 0.0)


def test_no_air_over_the_cycle_is_refused() -> None:
    with pytest.raises(InputError, match="runner_flow"):
        meter_over_reading(np.array([1.0, -1.0]), 2)


def test_both_sensors_are_judged_together() -> None:
    back = 1e-6 * np.array([3.0, 3.0, -1.0, -1.0])
    at = {"speed": 15.0, "plenum": CALM}
    found = load_sensing(back, 1, **at, air_replaced=150.0, air_new=120.0)
    assert (found.si.air_meter, found.si.air_meter_at_most, found.si.pressure_sensor) == pytest.approx((0.0, 1.0, 0.25), rel=1e-12)
    assert (found.meter, found.table) == (MeterReading.DAMPED, TableReading.TOO_MUCH)
    assert load_sensing(back, 1, **at, air_replaced=110.0, air_new=120.0).table is TableReading.TOO_LITTLE
    even = load_sensing(back, 2, **at, air_replaced=120.0, air_new=120.0)
    assert (even.meter, even.table) == (MeterReading.TRUE, TableReading.TRUE)
    bare = Plenum(volume=1e-7, pressure=100e3, temperature=320.0, ambient=101e3)
    assert load_sensing(back, 1, speed=15.0, plenum=bare, air_replaced=120.0, air_new=120.0).meter is MeterReading.TOO_MUCH


def test_behind_a_large_plenum_a_meter_reads_rightly_and_behind_a_small_one_as_if_bare() -> None:
    # Almost no plenum, near the barometer: pressure passes the air before the throttle and flow goes back through it.
    turn = np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False)
    flow = 1e-6 * (1.0 + 4.0 * np.sin(turn))
    near = CALM._replace(pressure=95e3)
    readings = [throttled_over_reading(flow, 1, speed=15.0, plenum=near._replace(volume=v)) for v in (1e-1, 3e-3, 2e-3)]
    assert readings[0] == 0.0
    assert readings[0] < readings[1] < readings[2]


def test_the_plenum_swings_by_what_is_drawn_unevenly() -> None:
    # Isentropic: dp = gamma R T / V dm. The onset of reversal lies where that swing reaches the barometer.
    turn = np.linspace(0.0, 2.0 * np.pi, 7200, endpoint=False)
    flow = 1e-7 * (1.0 + 4.0 * np.sin(turn))
    swing = 1.4 * 287.05 * CALM.temperature * 4e-7 * 7200 / (2.0 * np.pi)  # amplitude times volume
    near = CALM._replace(pressure=95e3)
    onset = swing / (near.ambient - near.pressure)
    assert throttled_over_reading(flow, 1, speed=15.0, plenum=near._replace(volume=1.01 * onset)) == 0.0
    assert throttled_over_reading(flow, 1, speed=15.0, plenum=near._replace(volume=0.95 * onset)) > 0.0

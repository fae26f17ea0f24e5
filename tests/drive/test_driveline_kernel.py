"""The driveline step by step: shafts with free play, the converter, energy and momentum, free swings against modes and exact times."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from camcalc.drive.driveline_kernel import Plant, advance, converter_torques, shaft_torque
from camcalc.vehicle.converter import Converter, converter_point
from camcalc.vehicle.driveline import Driveline, driveline_modes, effective_stiffness, lash_torque, road_speed_at

Array = NDArray[np.float64]

STEP = 0.5e-3
LASH = 0.06
# Invented car in second gear.
CAR = Driveline(
    ratio=7.08, tyre_radius=0.33, engine_inertia=0.25 * 7.08**2, wheel_inertia=2.0, vehicle_inertia=176.0, shaft_stiffness=6000.0, loss_factor=0.12
)._replace(tyre_slip_stiffness=120e3)
# What a driveline alone does not ask.
IDLE: dict[str, Any] = {"coupling": 1, "turbine_inertia": 0.03, "converter": (1.0, 0.0, 1.0, 1.0), "friction": (0.0, 0.0)}


def plant_of(car: Driveline, road: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Plant:
    """A plant of a driveline, engine dead."""
    return Plant(
        engine_inertia=car.engine_inertia / car.ratio**2,
        ratio=car.ratio,
        radius=car.tyre_radius,
        wheel_inertia=car.wheel_inertia,
        mass=car.vehicle_inertia / car.tyre_radius**2,
        stiffness=car.shaft_stiffness,
        dashpot=car.dashpot,
        half_lash=0.5 * car.lash,
        slip_stiffness=car.tyre_slip_stiffness if math.isfinite(car.tyre_slip_stiffness) else 0.0,
        road=road,
        **IDLE,
    )


def coasted(plant: Plant, start: list[float], count: int) -> Array:
    """States of engine, turbine, twist, wheels and car, step by step, without torque."""
    y, work, rows = np.array(start), np.empty((3, 5)), np.empty((count, 5))
    for row in rows:
        row[:] = y
        advance(y, 0.0, STEP, plant, work)
    return rows


def energy(plant: Plant, rows: Array) -> Array:
    """Energy of springs and inertias [J]."""
    wound = np.maximum(np.abs(rows[:, 2]) - plant.half_lash, 0.0)
    moving = plant.engine_inertia * rows[:, 0] ** 2 + plant.wheel_inertia * rows[:, 3] ** 2 + plant.mass * rows[:, 4] ** 2
    return 0.5 * (moving + plant.stiffness * wound**2)


def momentum(plant: Plant, rows: Array) -> Array:
    """Angular momentum as seen at the wheels [kg m2/s]."""
    return plant.engine_inertia * plant.ratio * rows[:, 0] + plant.wheel_inertia * rows[:, 3] + plant.mass * plant.radius * rows[:, 4]


cars = st.builds(
    lambda ratio, engine, **kw: Driveline(ratio=ratio, engine_inertia=engine * ratio**2, **kw),
    ratio=st.floats(1.8, 13.0),
    engine=st.floats(0.1, 0.6),
    tyre_radius=st.floats(0.25, 0.45),
    wheel_inertia=st.floats(0.5, 8.0),
    vehicle_inertia=st.floats(60.0, 500.0),
    shaft_stiffness=st.floats(2e3, 2e4),
    loss_factor=st.floats(0.0, 0.3),
    tyre_slip_stiffness=st.floats(5e4, 2e5),
    lash=st.sampled_from([0.0, 0.01, 0.05, 0.1]),
)


@given(car=cars, road_speed=st.floats(1.0, 40.0), kick=st.floats(-0.3, 0.3), twist=st.floats(-0.15, 0.15), drag=st.booleans())
@settings(max_examples=30)
def test_without_torque_energy_only_falls(car: Driveline, road_speed: float, kick: float, twist: float, drag: bool) -> None:
    plant = plant_of(car, (200.0, 0.0, 0.4) if drag else (0.0, 0.0, 0.0))
    wheels = road_speed / car.tyre_radius
    rows = coasted(plant, [wheels * car.ratio * (1.0 + kick), wheels * car.ratio, twist, wheels, road_speed], 900)
    left = energy(plant, rows)
    # A step that meets the edge of the play cannot know where within it: it may be wrong by a part, a tenth or so, of what a spring takes up
    # over one step's travel. A ten-millionth of the swing, energy over that of all turning as one, covers the order of the step, and rounding the rest.
    edge = 0.2 * 0.5 * car.shaft_stiffness * np.abs(np.diff(rows[:, 2])).max() ** 2 if car.lash else 0.0
    swing = left[0] - 0.5 * momentum(plant, rows[:1])[0] ** 2 / (car.engine_inertia + car.load_inertia)
    assert np.diff(left).max() <= edge + 1e-7 * swing + 1e-12 * left[0]
    if not drag:
        assert momentum(plant, rows) == pytest.approx(momentum(plant, rows)[0], rel=1e-10)


@pytest.mark.parametrize("ratio", [10.23, 7.56, 4.16, 2.28])
@pytest.mark.parametrize("road_speed", [4.0, 12.0, 30.0])
def test_a_free_swing_dies_as_the_mode_does(ratio: float, road_speed: float) -> None:
    car = CAR._replace(ratio=ratio, engine_inertia=0.25 * ratio**2)
    plant, wheels = plant_of(car), road_speed / car.tyre_radius
    (mode,) = driveline_modes(car, road_speed)
    twist = coasted(plant, [wheels * ratio, wheels * ratio, 1e-3, wheels, road_speed], 2400)[:, 2]
    # Twist has no part in the common motion; once the wheels' own quick motion is gone it is a sinusoid that dies, which obeys a recurrence of two terms.
    late = twist[300::8]
    after, before = np.linalg.lstsq(np.column_stack([late[1:-1], late[:-2]]), late[2:], rcond=None)[0]
    root = np.log(complex(np.roots([1.0, -after, -before])[0])) / (8 * STEP)
    found = complex(root.real, abs(root.imag))
    print(f"ratio {ratio}, {road_speed} m/s: mode {mode.root:.4f}, run {found:.4f}")
    assert abs(found - mode.root) < 1e-3 * abs(mode.root)


# Free play.


@given(twist=st.floats(-0.2, 0.2), rate=st.floats(-5.0, 5.0), half=st.floats(1e-3, 0.05), dashpot=st.floats(0.0, 100.0))
def test_a_contact_pushes_or_does_nothing(twist: float, rate: float, half: float, dashpot: float) -> None:
    torque = shaft_torque(twist, rate, 6000.0, dashpot, half)
    if abs(twist) <= half:
        assert torque == 0.0
    assert torque * twist >= 0.0
    assert shaft_torque(-twist, -rate, 6000.0, dashpot, half) == -torque
    assert shaft_torque(twist, 0.0, 6000.0, dashpot, half) == pytest.approx(lash_torque(twist, stiffness=6000.0, lash=2.0 * half), abs=1e-9)


@given(twist=st.floats(-0.2, 0.2), rate=st.floats(-5.0, 5.0), dashpot=st.floats(0.0, 100.0))
def test_without_play_shafts_are_a_spring_and_a_dashpot_either_way(twist: float, rate: float, dashpot: float) -> None:
    assert shaft_torque(twist, rate, 6000.0, dashpot, 0.0) == 6000.0 * twist + dashpot * rate


def swing_period(amplitude: float, lash: float) -> tuple[float, float]:
    """Period [s] of an undamped free swing of engine against wheels, from rest at an amplitude, and its angular frequency without play."""
    car = CAR._replace(loss_factor=0.0, lash=lash, wheel_inertia=150.0)
    plant = plant_of(car)._replace(slip_stiffness=0.0)  # the car on its own: two inertias are left
    twist = coasted(plant, [70.0 * car.ratio, 0.0, amplitude, 70.0, 23.0], 4000)[:, 2]
    rising = np.flatnonzero((twist[:-1] < 0.0) & (twist[1:] >= 0.0))
    crossed = rising + twist[rising] / (twist[rising] - twist[rising + 1])
    assert len(crossed) >= 3
    return float(np.diff(crossed).mean()) * STEP, math.sqrt(car.shaft_stiffness * (1.0 / car.engine_inertia + 1.0 / car.wheel_inertia))


@pytest.mark.parametrize("amplitude", [0.045, 0.07, 0.1, 0.2, 0.5])
def test_a_swing_through_play_takes_the_exact_time(amplitude: float) -> None:
    period, w = swing_period(amplitude, LASH)
    exact = 2.0 * math.pi / w + 2.0 * LASH / (w * (amplitude - 0.5 * LASH))
    softened = math.sqrt(effective_stiffness(CAR.shaft_stiffness, lash=LASH, amplitude=amplitude) / CAR.shaft_stiffness)
    print(f"amplitude {amplitude}: {period:.5f} s, exact {exact:.5f}, describing function {2.0 * math.pi / (w * softened):.5f}")
    assert period == pytest.approx(exact, rel=1e-4)


@pytest.mark.reference("drive_lash.csv")
def test_a_swing_through_play_is_slower_as_the_describing_function_says(row: Any) -> None:
    amplitude = 0.06
    period, w = swing_period(amplitude, 2.0 * row.share * amplitude)
    # The function keeps the first harmonic of the torque: at half a share its frequency is 2.3 % above the exact one, by arithmetic.
    assert 2.0 * math.pi / (w * period) == pytest.approx(math.sqrt(row.value), rel=0.025 if row.share else 1e-4)


# Converter.


@given(engine=st.floats(10.0, 60.0), ratio=st.floats(0.0, 1.0), torque_ratio=st.floats(1.5, 2.5))
def test_a_converter_gives_what_its_point_gives(engine: float, ratio: float, torque_ratio: float) -> None:
    turn = 2.0 * math.pi
    point = converter_point(Converter(30.0, 400.0, torque_ratio), engine_speed=engine, turbine_speed=ratio * engine)
    taken, given_on = converter_torques(engine * turn, ratio * engine * turn, 30.0 * turn, 400.0, torque_ratio, 0.87)
    assert (taken, given_on) == pytest.approx((point.engine_torque, point.turbine_torque), rel=1e-9, abs=1e-9)


@given(turbine=st.floats(60.0, 400.0), ratio=st.floats(0.0, 0.99))
def test_a_converter_that_the_car_drives_turns_the_engine(turbine: float, ratio: float) -> None:
    taken, given_on = converter_torques(ratio * turbine, turbine, 190.0, 400.0, 2.0, 0.87)
    assert taken == given_on < 0.0
    driving, _ = converter_torques(turbine, ratio * turbine, 190.0, 400.0, 2.0, 0.87)
    assert -taken < driving


def test_a_converter_at_rest_gives_nothing() -> None:
    assert converter_torques(0.0, 0.0, 190.0, 400.0, 2.0, 0.87) == (0.0, 0.0)


def test_the_car_rolls_as_fast_as_its_wheels_without_slip() -> None:
    assert coasted(plant_of(CAR), [100.0 * CAR.ratio, 0.0, 0.0, 100.0, 33.0], 1000)[-1, 4] == pytest.approx(
        road_speed_at(CAR, 100.0 * CAR.ratio / (2.0 * math.pi)), rel=1e-9
    )

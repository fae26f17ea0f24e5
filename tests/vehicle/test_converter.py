"""The torque converter: laws any converter keeps, its slopes against differences, and its two ends: locked and let go."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from camcalc.errors import InputError, NoSolutionError
from camcalc.vehicle.converter import (
    TURBINE_INERTIA,
    Converter,
    ConverterSlopes,
    converter_of,
    converter_point,
    converter_slopes,
    converter_space,
    engine_speed_through,
)
from camcalc.vehicle.driveline import driveline_modes, driveline_of
from camcalc.vehicle.modes import oscillating_modes
from camcalc.vehicle.road_load import converter_drag

Make = Callable[..., Any]
INVENTED = Converter(40.0, 300.0)
speeds, ratios = st.floats(5.0, 80.0), st.floats(0.0, 1.0)


@given(speed=speeds)
def test_at_stall_it_takes_what_an_idling_engine_is_charged(speed: float, build_of: Make) -> None:
    vehicle = build_of("long-meadow").vehicle
    point = converter_point(converter_of(vehicle), engine_speed=speed, turbine_speed=0.0)
    assert point.engine_torque == pytest.approx(converter_drag(vehicle, speed), rel=1e-12)
    assert point.turbine_torque > point.engine_torque


@given(speed=speeds, ratio=ratios)
def test_it_gives_no_more_power_than_it_takes(speed: float, ratio: float) -> None:
    point = converter_point(INVENTED, engine_speed=speed, turbine_speed=ratio * speed)
    assert point.turbine_torque * ratio * speed <= point.engine_torque * speed * (1.0 + 1e-12)


@given(speed=speeds, ratio=ratios, factor=st.floats(0.1, 10.0))
def test_torque_goes_as_speed_squared(speed: float, ratio: float, factor: float) -> None:
    one = converter_point(INVENTED, engine_speed=speed, turbine_speed=ratio * speed)
    other = converter_point(INVENTED, engine_speed=factor * speed, turbine_speed=factor * ratio * speed)
    assert other.engine_torque == pytest.approx(factor**2 * one.engine_torque, rel=1e-9, abs=1e-9)
    assert other.turbine_torque == pytest.approx(factor**2 * one.turbine_torque, rel=1e-9, abs=1e-9)


def test_from_stall_to_coupling_both_torques_fall_and_from_there_they_are_equal() -> None:
    points = [converter_point(INVENTED, engine_speed=30.0, turbine_speed=30.0 * r) for r in np.linspace(0.0, 1.0, 201)]
    taken, given_ = np.array([p.engine_torque for p in points]), np.array([p.turbine_torque for p in points])
    assert np.all(np.diff(taken) < 0.0)
    assert np.all(np.diff(given_) < 0.0)
    assert points[0].torque_ratio == INVENTED.stall_torque_ratio
    assert taken[-1] == 0.0
    beyond = np.array([p.speed_ratio >= INVENTED.coupling_speed_ratio for p in points])
    assert np.array_equal(taken[beyond], given_[beyond])
    assert np.all(given_[~beyond] > taken[~beyond])


@given(speed=speeds, ratio=st.floats(0.01, 0.99))
def test_the_slopes_are_those_of_the_torques(speed: float, ratio: float) -> None:
    if abs(ratio - INVENTED.coupling_speed_ratio) < 1e-3:
        return  # the torque ratio has a corner there
    turbine, step = ratio * speed, 1e-5 * speed
    about = converter_slopes(INVENTED, engine_speed=speed, turbine_speed=turbine)

    def difference(which: str, engine_step: float, turbine_step: float) -> float:
        up = converter_point(INVENTED, engine_speed=speed + engine_step, turbine_speed=turbine + turbine_step)
        down = converter_point(INVENTED, engine_speed=speed - engine_step, turbine_speed=turbine - turbine_step)
        return float((getattr(up, which) - getattr(down, which)) / (2.0 * step * 2.0 * math.pi))

    found = [difference(which, *steps) for which in ("engine_torque", "turbine_torque") for steps in ((step, 0.0), (0.0, step))]
    assert list(about) == pytest.approx(found, rel=1e-6, abs=1e-7)


@given(speed=speeds, ratio=ratios)
def test_the_slopes_add_up_to_twice_the_torque(speed: float, ratio: float) -> None:
    # Euler: the torques are homogeneous of second degree in the two speeds.
    turbine = ratio * speed
    point = converter_point(INVENTED, engine_speed=speed, turbine_speed=turbine)
    about = converter_slopes(INVENTED, engine_speed=speed, turbine_speed=turbine)
    turn = 2.0 * math.pi
    for by_engine, by_turbine, torque in ((about[0], about[1], point.engine_torque), (about[2], about[3], point.turbine_torque)):
        assert turn * (speed * by_engine + turbine * by_turbine) == pytest.approx(2.0 * torque, rel=1e-12, abs=1e-10)


@given(turbine=st.floats(0.0, 60.0), torque=st.floats(1.0, 900.0))
def test_the_engine_speed_that_gives_a_torque_gives_it(turbine: float, torque: float) -> None:
    speed = engine_speed_through(INVENTED, turbine_speed=turbine, turbine_torque=torque)
    assert speed >= turbine
    assert converter_point(INVENTED, engine_speed=speed, turbine_speed=turbine).turbine_torque == pytest.approx(torque, rel=1e-6)


def test_a_free_gearbox_turns_with_the_engine() -> None:
    assert engine_speed_through(INVENTED, turbine_speed=30.0, turbine_torque=0.0) == 30.0


def test_with_no_slip_left_it_swings_as_if_locked(build_of: Make) -> None:
    # ConverterSlopes ever stiffer in the difference of speeds: engine and turbine become one inertia.
    car = driveline_of(build_of("long-meadow"), 3)
    stiff = 1e5
    locked = car._replace(engine_inertia=car.engine_inertia + TURBINE_INERTIA * car.ratio**2, loss_factor=0.0)
    space = converter_space(car._replace(loss_factor=0.0), ConverterSlopes(stiff, -stiff, stiff, -stiff), 15.0)
    assert abs(oscillating_modes(space.state)[0].root - driveline_modes(locked, 15.0)[0].root) < 1e-4 * abs(driveline_modes(locked, 15.0)[0].root)


def test_let_go_it_leaves_the_turbine_to_swing_alone(build_of: Make) -> None:
    car = driveline_of(build_of("long-meadow"), 3)
    free = converter_space(car, ConverterSlopes(0.0, 0.0, 0.0, 0.0), 15.0)
    alone = driveline_modes(car._replace(engine_inertia=TURBINE_INERTIA * car.ratio**2), 15.0)[0]
    assert abs(oscillating_modes(free.state)[0].root - alone.root) < 1e-9 * abs(alone.root)
    assert np.count_nonzero(free.state @ free.crank_torque) == 0
    # The car is pushed by tyre slip alone.
    slip, x = car.slip_dashpot(15.0), np.array([0.0, 0.0, 0.0, 0.3, 0.1])
    assert free.acceleration @ x == pytest.approx(car.tyre_radius * slip * 0.2 / car.vehicle_inertia, rel=1e-12)


def test_a_springy_tyre_swings_behind_a_converter_too(build_of: Make) -> None:
    # As stiff as can be, the tyre of its own is no other than the one in the shafts.
    car = driveline_of(build_of("long-meadow"), 2)._replace(loss_factor=0.0)
    about = converter_slopes(converter_of(build_of("long-meadow").vehicle), engine_speed=25.0, turbine_speed=20.0)
    plain = oscillating_modes(converter_space(car, about, 10.0).state)
    springy = oscillating_modes(converter_space(car._replace(tyre_stiffness=1e9), about, 10.0).state)
    assert len(plain) >= 1
    assert abs(plain[0].root - springy[0].root) < 1e-4 * abs(plain[0].root)


@pytest.mark.parametrize("gear", [1, 2, 3])
def test_slip_damps_more_than_a_locked_converter(gear: int, build_of: Make) -> None:
    build = build_of("long-meadow")
    car = driveline_of(build, gear)
    locked = driveline_modes(car, 8.0)[0]
    for ratio in (0.3, 0.8):
        about = converter_slopes(converter_of(build.vehicle), engine_speed=25.0, turbine_speed=25.0 * ratio)
        slipping = oscillating_modes(converter_space(car, about, 8.0).state)
        assert all(mode.damping > locked.damping for mode in slipping)


def test_what_cannot_be_is_refused(build_of: Make) -> None:
    with pytest.raises(InputError, match="overrun"):
        converter_point(INVENTED, engine_speed=20.0, turbine_speed=21.0)
    with pytest.raises(InputError, match="0 \\(stall\\)"):
        converter_slopes(INVENTED, engine_speed=20.0, turbine_speed=-1.0)
    with pytest.raises(InputError, match="engine_speed"):
        converter_point(INVENTED, engine_speed=0.0, turbine_speed=0.0)
    with pytest.raises(InputError, match="transmission"):
        converter_of(build_of("quarry-road").vehicle)
    with pytest.raises(InputError, match="turbine"):
        engine_speed_through(INVENTED, turbine_speed=-1.0, turbine_torque=10.0)
    with pytest.raises(NoSolutionError, match="at most"):
        engine_speed_through(INVENTED, turbine_speed=0.0, turbine_torque=1e6)
    car = driveline_of(build_of("long-meadow"), 1)
    about = converter_slopes(INVENTED, engine_speed=20.0, turbine_speed=10.0)
    with pytest.raises(InputError, match="turbine_inertia"):
        converter_space(car, about, 10.0, turbine_inertia=0.0)
    with pytest.raises(InputError, match="more than 0 m/s"):
        converter_space(car, about, 0.0)

"""Road load, road speed and what a converter takes."""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from camcalc.errors import InputError
from camcalc.units import parse, quantity
from camcalc.vehicle.road_load import DRIVELINE_EFFICIENCY, converter_drag, engine_torque_on_road, resistance, road_force, road_speed

Make = Callable[..., Any]
speeds = st.floats(0.0, 60.0)


@pytest.mark.reference("drive_road_load.csv")
def test_coast_down_terms_give_the_published_load(row: Any, build_of: Make) -> None:
    build = build_of("quarry-road")
    vehicle = build.vehicle.replace(coast_down_a=row.a, coast_down_b=row.b, coast_down_c=row.c)
    speed = parse(row.speed).to("m/s").magnitude
    force = resistance(build.replace(vehicle=vehicle), speed)
    row.check(quantity(force * speed, "W").to(row.unit).magnitude if row.figure == "power" else force)


@pytest.mark.reference("drive_rolling_and_drag.csv")
def test_rolling_and_drag_give_the_published_load(row: Any) -> None:
    car = {"mass": row.mass, "rolling_coefficient": row.rolling, "drag_coefficient": row.drag, "frontal_area": row.area, "air_density": row.density}
    force = road_force(row.speed, **car)
    row.check((force * parse(row.speed) if row.figure == "power" else force).to(row.unit).magnitude)


@given(speed=speeds)
def test_coast_down_terms_override_rolling_and_drag(build_of: Make, speed: float) -> None:
    build = build_of("quarry-road")
    known = build.vehicle.replace(coast_down_a="150 N", coast_down_b="2 N*s/m", coast_down_c="0.4 N*s**2/m**2")
    boxy = known.replace(drag_coefficient=0.9, rolling_coefficient=0.03)
    assert resistance(build.replace(vehicle=known), speed) == pytest.approx(150.0 + 2.0 * speed + 0.4 * speed**2, rel=1e-12)
    assert resistance(build.replace(vehicle=boxy), speed) == resistance(build.replace(vehicle=known), speed)


@given(speed=speeds)
def test_without_them_road_load_is_rolling_and_drag_in_the_air_of_the_site(build_of: Make, example: str, speed: float) -> None:
    build = build_of(example, altitude="0 m")
    v = build.vehicle
    density = 101325.0 / (8314.32 / 28.9644 * build.site.si.air_temperature)
    expected = v.si.mass * 9.80665 * v.rolling_coefficient + 0.5 * density * v.drag_coefficient * v.si.frontal_area * speed**2
    assert resistance(build, speed) == pytest.approx(expected, rel=1e-12)


def test_thin_air_takes_drag_away_and_leaves_rolling(build_of: Make) -> None:
    low, high = build_of("quarry-road", altitude="0 m"), build_of("quarry-road", altitude="6000 ft")
    assert resistance(high, 0.0) == resistance(low, 0.0)
    assert resistance(high, 30.0) < resistance(low, 30.0)


def test_road_speed_is_crank_speed_through_the_gears() -> None:
    car = SimpleNamespace(final_drive=3.30, si=SimpleNamespace(tyre_radius=0.33))
    # 65 mph in a gear of 0.84 is 2331 rpm (computed); half a turn in 2331.
    assert road_speed(car, 2331.0 / 60.0, 0.84) == pytest.approx(parse("65 mph").to("m/s").magnitude, rel=2.2e-4)
    assert road_speed(car, 10.0, 1.0) == pytest.approx(2.0 * math.pi * 0.33 * 10.0 / 3.30, rel=1e-12)
    assert road_speed(car, 10.0, 2.0) == pytest.approx(road_speed(car, 10.0, 1.0) / 2.0, rel=1e-12)


@given(speed=st.floats(8.0, 70.0), gear=st.integers(0, 3))
def test_engine_power_is_road_power_and_what_the_driveline_takes(build_of: Make, example: str, speed: float, gear: int) -> None:
    build = build_of(example)
    ratio = build.vehicle.gear_ratios[gear]
    v = road_speed(build.vehicle, speed, ratio)
    power = engine_torque_on_road(build, speed, ratio) * 2.0 * math.pi * speed
    assert power * DRIVELINE_EFFICIENCY == pytest.approx(resistance(build, v) * v, rel=1e-12)


@given(factor=st.floats(0.1, 3.0))
def test_converter_drag_grows_with_speed_squared(build_of: Make, factor: float) -> None:
    vehicle = build_of("long-meadow").vehicle
    stall = vehicle.si.converter_stall_speed
    assert converter_drag(vehicle, stall) == pytest.approx(vehicle.si.converter_stall_torque, rel=1e-12)
    assert converter_drag(vehicle, factor * stall) == pytest.approx(factor**2 * vehicle.si.converter_stall_torque, rel=1e-12)


def test_a_clutch_drags_nothing_when_it_is_open(build_of: Make) -> None:
    assert converter_drag(build_of("quarry-road").vehicle, 15.0) == 0.0


CAR = {"mass": "1600 kg", "rolling_coefficient": 0.0115, "drag_coefficient": 0.34, "frontal_area": "2.05 m2", "air_density": "1.2 kg/m**3"}


@pytest.mark.parametrize(
    ("speed", "change", "words"),
    [
        (65.0, {}, "a speed"),
        ("65 rpm", {}, "a speed"),
        ("650 mph", {}, "road_speed"),
        ("65 mph", {"mass": "1600"}, "a mass"),
        ("65 mph", {"frontal_area": "2.05 m"}, "an area"),
        ("65 mph", {"drag_coefficient": 34.0}, "0 to 2"),
    ],
)
def test_a_car_that_cannot_be_is_refused(speed: Any, change: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError, match=words):
        road_force(speed, **(CAR | change))

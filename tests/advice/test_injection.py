"""When injection should end."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from camcalc import InputError, QuickEngine
from camcalc.advice.injection import (
    DOES_NOT_APPLY,
    LATEST_ARRIVAL,
    TAIL,
    InjectionWindows,
    Window,
    choose,
    convert_reference,
    injection_windows,
    pulse_width,
    window_at,
)

Make = Callable[..., Any]
REFERENCES = ("before intake opening", "before firing top dead centre", "0-720")


@pytest.fixture(scope="module")
def windows(engine_of: Make, example: str) -> InjectionWindows:
    return injection_windows(engine_of(example))


@pytest.mark.reference("injection_pulse.csv")
def test_pulse_width_is_fuel_over_flow_at_the_pressure_across_the_tip(row: Any) -> None:
    tip = {"flow": row.flow, "rated_pressure": f"{row.rated_bar} bar", "pressure": f"{row.pressure_bar} bar", "dead_time": f"{row.dead_ms} ms"}
    row.check(pulse_width(f"{row.fuel_mg} mg", **tip).to("ms").magnitude)


def test_four_bar_instead_of_three_flows_fifteen_per_cent_more() -> None:
    # sqrt(4/3) = 1.15470.
    at = [pulse_width.kernel(30e-6, flow=4e-3, rated_pressure=3e5, pressure=p, dead_time=0.0) for p in (3e5, 4e5)]
    assert at[0] / at[1] == pytest.approx(math.sqrt(4.0 / 3.0), rel=1e-12)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"flow": "30 lb"}, "a mass flow"),
        ({"flow": 30.0}, "a mass flow"),
        ({"pressure": "3 mm"}, "a pressure"),
        ({"dead_time": "1 s"}, "dead_time"),
        ({"flow": "4 kg/s"}, "flow"),
    ],
)
def test_an_injector_that_cannot_be_is_refused(change: dict[str, Any], words: str) -> None:
    tip = {"flow": "30 lb/h", "rated_pressure": "3 bar", "pressure": "3 bar", "dead_time": "1 ms"}
    with pytest.raises(InputError, match=words):
        pulse_width("34 mg", **(tip | change))


def test_spray_on_its_way_takes_distance_over_speed_in_crank_degrees(build_of: Make) -> None:
    # 3700 rpm is 22.2 deg a ms; 75 mm at 33.1 m/s takes 2.265 ms (worked example on a public page, read, with its rounding undone).
    build = build_of("quarry-road")
    injector = build.injector.replace(distance_to_valve="75 mm", spray_speed="33.1 m/s")
    window = window_at(QuickEngine(build.replace(injector=injector)), 3700.0 / 60.0, 6e4)
    assert window.transit_angle == pytest.approx(22.2 * 2.265, abs=0.02)


@pytest.mark.parametrize(("rpm", "degrees"), [(800, 24.0), (2000, 60.0), (4000, 120.0), (6000, 180.0)])
def test_a_hundred_millimetres_at_twenty_metres_a_second_take_five_milliseconds(engine_of: Make, rpm: int, degrees: float) -> None:
    # Degrees of 5.0 ms at four speeds (computed in the reference).
    assert window_at(engine_of("quarry-road"), rpm / 60.0, 6e4).transit_angle == pytest.approx(degrees, rel=1e-9)


def test_the_pulse_carries_the_fuel_of_the_cycle(engine_of: Make) -> None:
    model = engine_of("quarry-road")
    injector = model.build.injector.si
    window = window_at(model, 20.0, 5e4)
    fuel = model.state(20.0, 5e4, 25.0).fuel
    assert window.pulse == pytest.approx(fuel / (injector.flow * math.sqrt(injector.fuel_pressure / injector.rated_pressure)) + injector.dead_time, rel=1e-12)
    assert window.pulse_angle == pytest.approx(window.pulse * 360.0 * 20.0, rel=1e-12)


def test_a_fixed_regulator_sees_the_manifold(build_of: Make) -> None:
    build = build_of("quarry-road", altitude="0 m")
    fixed = QuickEngine(build.replace(injector=build.injector.replace(regulator="fixed")))
    referenced = QuickEngine(build)
    dead = build.injector.si.dead_time
    low, high = ((window_at(e, 20.0, 4e4).pulse - dead) for e in (fixed, referenced))
    rail = build.injector.si.fuel_pressure
    assert high / low == pytest.approx(math.sqrt((rail + 101325.0 - 4e4) / rail), rel=1e-9)


@pytest.mark.parametrize("turn", [-4.0, 2.0, 6.0])
def test_windows_shift_with_the_cam_degree_for_degree(build_of: Make, turn: float) -> None:
    build = build_of("quarry-road")
    before, after = (window_at(QuickEngine(build.replace(cam=cam)), 1600.0 / 60.0, 5e4) for cam in (build.cam, build.cam.advanced(f"{turn} crank_deg")))
    assert before.strategy == after.strategy == "shut valve"
    assert after.shut_latest - before.shut_latest == pytest.approx(turn, abs=1e-6)
    assert after.end - before.end == pytest.approx(turn, abs=1e-6)
    # The pulse itself changes a little, since the cam traps more or less; its start shifts exactly.
    for edge in ("shut_earliest", "open_earliest"):
        starts = [getattr(w, edge) + w.pulse_angle for w in (before, after)]
        assert starts[1] - starts[0] == pytest.approx(turn, abs=1e-6)
    assert after.open_latest == before.open_latest


def test_windows_shrink_with_speed(windows: InjectionWindows) -> None:
    si = windows.si
    for earliest, latest in ((si.shut_earliest, si.shut_latest), (si.open_earliest, si.open_latest)):
        width = np.nan_to_num(earliest - latest, nan=0.0)
        assert (np.diff(width, axis=1) <= 0.0).all()
        assert (width[:, 0] > width[:, -1]).all()


def test_every_recommended_end_lies_in_the_window_of_its_strategy(windows: InjectionWindows) -> None:
    si = windows.si
    for (row, column), end in np.ndenumerate(si.end_of_injection):
        strategy = windows.strategy[row][column]
        if strategy == "shut valve":
            assert si.shut_latest[row, column] <= end <= si.shut_earliest[row, column]
        elif strategy == "open valve":
            assert si.open_latest[row, column] <= end <= si.open_earliest[row, column]
        else:
            assert "too long" in strategy


def test_fuel_for_the_shut_valve_arrives_between_intake_closing_and_opening(engine_of: Make, windows: InjectionWindows, example: str) -> None:
    build = engine_of(example).build
    opens, closes = build.cam.lift_curve("intake").seat_edges()
    margin = build.limits.si.injection_margin
    si = windows.si
    transit = build.injector.si.distance_to_valve / build.injector.si.spray_speed * 360.0 * si.speed
    first = si.shut_earliest + si.pulse_angle - transit
    last = si.shut_latest - transit
    assert np.nan_to_num(first, nan=720.0 - closes) == pytest.approx(np.full_like(first, 720.0 - closes), abs=1e-6)
    assert np.nan_to_num(last, nan=margin - opens) == pytest.approx(np.full_like(last, margin - opens), abs=1e-6)


@pytest.mark.parametrize("system", sorted(DOES_NOT_APPLY))
def test_other_fuel_systems_get_the_reason_why_it_does_not_apply(build_of: Make, system: str) -> None:
    build = build_of("quarry-road")
    found = injection_windows(QuickEngine(build.replace(fuel=build.fuel.replace(system=system), injector=None)))
    assert not found.applies
    assert found.reason.startswith("does not apply")
    assert len(found.reason) > len("does not apply: ") + 20
    assert found.si.end_of_injection.size == 0


def test_there_is_a_reason_for_every_other_system_a_sheet_may_name() -> None:
    from camcalc.build.sections import SYSTEMS

    assert set(DOES_NOT_APPLY) == set(SYSTEMS) - {"sequential port"}


def chosen(pulse: float, transit: float = 30.0, *, opens: float = 40.0, closed: float = 470.0, exhaust_shut: float = 30.0, margin: float = 15.0) -> Window:
    return choose(2.5e-3, pulse, transit, opens=opens, closed=closed, exhaust_shut=exhaust_shut, margin=margin)


def test_a_pulse_that_just_fits_the_shut_valve_gets_it_and_one_longer_does_not() -> None:
    fits = 470.0 - 40.0 - 15.0
    assert chosen(fits).strategy == "shut valve"
    assert chosen(fits).shut_earliest == chosen(fits).shut_latest == chosen(fits).end == 40.0 + 15.0 + 30.0
    assert chosen(fits + 1e-6).strategy.startswith("too long")
    assert math.isnan(chosen(fits + 1e-6).shut_earliest)
    assert chosen(fits + 1e-6).end == chosen(fits).end


def test_a_pulse_that_fits_only_the_open_valve_gets_that() -> None:
    # Hardly any time with the valve shut: the open window takes pulses up to LATEST_ARRIVAL less the later of the tail and exhaust closing with margin.
    room = LATEST_ARRIVAL - max(TAIL, 30.0 + 15.0)
    window = chosen(room, closed=80.0)
    assert window.strategy == "open valve"
    assert window.open_earliest == window.open_latest == window.end
    assert chosen(room + 1e-6, closed=80.0).strategy.startswith("too long")


@pytest.mark.parametrize(("exhaust_shut", "first"), [(10.0, TAIL), (TAIL - 15.0, TAIL), (60.0, 75.0)])
def test_open_valve_fuel_waits_for_the_tail_of_the_backflow_or_for_exhaust_closing(exhaust_shut: float, first: float) -> None:
    window = chosen(20.0, exhaust_shut=exhaust_shut)
    assert 30.0 - 20.0 - window.open_earliest == pytest.approx(first, rel=1e-12)
    assert 30.0 - window.open_latest == pytest.approx(LATEST_ARRIVAL, rel=1e-12)


@given(pulse=st.floats(1.0, 900.0), transit=st.floats(0.0, 200.0), closed=st.floats(60.0, 520.0))
def test_a_longer_way_moves_every_end_earlier_by_as_much(pulse: float, transit: float, closed: float) -> None:
    # A pulse that fits to the last bit may not fit after rounding.
    assume(min(abs(pulse - (closed - 40.0 - 15.0)), abs(pulse - (LATEST_ARRIVAL - 45.0))) > 1e-6)
    near, far = chosen(pulse, 0.0, closed=closed), chosen(pulse, transit, closed=closed)
    assert near.strategy == far.strategy
    for edge in ("shut_earliest", "shut_latest", "open_earliest", "open_latest", "end"):
        assert getattr(far, edge) == pytest.approx(getattr(near, edge) + transit, abs=1e-9, nan_ok=True)


@given(angle=st.floats(-300.0, 700.0), opens=st.floats(-20.0, 90.0))
def test_an_angle_in_another_reference_can_be_turned_back(angle: float, opens: float) -> None:
    before_opening, before_firing, on_clock = (convert_reference(angle, opens, r) for r in REFERENCES)
    assert before_opening + opens == pytest.approx(angle, abs=1e-9)
    assert before_firing + 360.0 == pytest.approx(angle, abs=1e-9)
    assert 0.0 <= on_clock < 720.0
    assert math.remainder(360.0 - on_clock - angle, 720.0) == pytest.approx(0.0, abs=1e-9)


def test_an_angle_converts_as_on_paper() -> None:
    # 90 deg before the overlap top dead centre with the intake opening 30 before it: 60 before opening, 270 after firing top dead centre.
    assert [convert_reference(90.0, 30.0, r) for r in REFERENCES] == [60.0, -270.0, 270.0]


def test_an_unknown_reference_is_refused() -> None:
    with pytest.raises(InputError, match="reference"):
        convert_reference(90.0, 30.0, "before noon")

"""Effective areas over lift: which law rules where, in both directions, and what multiplies what."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from camcalc.engine.discharge import DATA_END, MOST_OF_LEAST_AREA, effective_area, exhaust_discharge
from camcalc.engine.valve_flow import ValveShape, intake_discharge, valve_area_kernel

# A valve of nobody's: 40 mm head, 45 degree seat 1.5 mm wide, 34 mm port with an 8 mm stem.
VALVE = ValveShape(valves=1, head=0.040, seat_width=0.0015, seat_angle=math.radians(45.0), port=0.034, stem=0.008)


def least(lift: float, shape: ValveShape = VALVE) -> float:
    return float(valve_area_kernel(lift, shape.head, shape.seat_width, shape.seat_angle, shape.port, shape.stem))


def area(lifts: list[float], like: str = "intake", shape: ValveShape = VALVE, factor: float = 1.0) -> NDArray[np.float64]:
    return effective_area(np.array(lifts), shape, like=like, factor=factor)


def test_exhaust_discharge_falls_straight_and_is_held_at_both_ends() -> None:
    # 0.7 at the seat, 0.6 from a quarter of the diameter on (from memory, medium: pinned, not published).
    assert [exhaust_discharge(x) for x in (-0.1, 0.0, 0.125, 0.25, 0.4)] == pytest.approx([0.70, 0.70, 0.65, 0.60, 0.60], rel=1e-12)


def test_a_shut_valve_passes_nothing_and_area_grows_with_lift() -> None:
    lifts = np.linspace(0.0, 0.012, 241)
    for like in ("intake", "exhaust"):
        found = effective_area(lifts, VALVE, like=like)
        assert found[0] == 0.0
        assert (np.diff(found) >= -1e-12).all()
        assert found.shape == lifts.shape


@pytest.mark.parametrize("like", ["intake", "exhaust"])
def test_near_the_seat_both_ways_are_the_share_of_the_gap_between_the_seats(like: str) -> None:
    for lift in (0.1e-3, 0.3e-3, 0.6e-3):
        assert area([lift], like) == pytest.approx(MOST_OF_LEAST_AREA * least(lift), rel=1e-12)
    # The gap is a cone from the seat's inner edge: pi (d - 2 w) l cos 45 to first order in lift (Heywood 1988, equation 6.7, from memory).
    first_order = math.pi * (0.040 - 2 * 0.0015) * math.cos(math.radians(45.0))
    assert area([1e-6], like)[0] / 1e-6 == pytest.approx(MOST_OF_LEAST_AREA * first_order, rel=1e-4)


@pytest.mark.parametrize("like", ["intake", "exhaust"])
def test_higher_up_the_coefficient_on_the_curtain_rules(like: str) -> None:
    law = intake_discharge if like == "intake" else exhaust_discharge
    for lift in (0.006, 0.008):
        curtain = math.pi * VALVE.head * lift
        assert area([lift], like)[0] == pytest.approx(min(curtain * law(lift / VALVE.head), MOST_OF_LEAST_AREA * least(lift)), rel=1e-12)
    assert area([0.008], "intake")[0] != area([0.008], "exhaust")[0]


def test_beyond_the_published_lifts_the_area_grows_no_more() -> None:
    end = DATA_END * VALVE.head
    for like in ("intake", "exhaust"):
        at, beyond = area([end, 1.4 * end], like)
        assert beyond == pytest.approx(at, rel=1e-12)


def test_valves_and_tolerance_multiply() -> None:
    one, two = area([0.0005, 0.006]), area([0.0005, 0.006], shape=VALVE._replace(valves=2))
    assert two == pytest.approx(2.0 * one, rel=1e-12)
    assert area([0.0005, 0.006], factor=0.85) == pytest.approx(0.85 * one, rel=1e-12)

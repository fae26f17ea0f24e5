"""Rubbing friction of the textbook engine."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from camcalc.engine.friction import rubbing_friction


@pytest.mark.reference("friction.csv")
def test_friction_pressure(row: Any) -> None:
    row.check(rubbing_friction(f"{row.speed} rpm").to(row.unit).magnitude)


@given(st.floats(300.0, 7000.0))
def test_friction_pressure_does_the_work_of_the_friction_torque(speed: float) -> None:
    # Read in Guzzella & Onder, appendix B: 15.6 N m + 0.175e-3 w^2 in an engine of 2.77 litres; two turns a cycle.
    torque = 15.6 + 0.175e-3 * (speed * 2.0 * math.pi / 60.0) ** 2
    work_per_cycle = rubbing_friction.kernel(speed / 60.0) * 2.77e-3
    assert work_per_cycle == pytest.approx(torque * 4.0 * math.pi, rel=1e-12)


def test_friction_rises_with_speed() -> None:
    low, high = (rubbing_friction(f"{rpm} rpm") for rpm in (800, 3000))
    assert high > low

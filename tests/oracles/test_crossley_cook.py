"""The published torque polynomial is itself checked: its published points, and its slope against its own differences."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from . import crossley_cook as published

charges, speeds, sparks = st.floats(0.1, 0.5), st.floats(60.0, 500.0), st.floats(5.0, 45.0)


@pytest.mark.reference("spark_torque_polynomial.csv")
def test_the_published_points_come_out(row: Any) -> None:
    best = published.best_spark(row.charge, row.speed)
    figures = {
        "best_spark": best,
        "torque": published.torque(row.charge, row.speed, row.spark),
        "share": published.torque(row.charge, row.speed, row.spark) / published.torque(row.charge, row.speed, best),
        "slope": published.torque_slope(row.charge, row.speed, row.spark),
    }
    row.check(figures[row.figure])


@given(charge=charges, speed=speeds, spark=sparks)
def test_the_slope_is_that_of_the_torque(charge: float, speed: float, spark: float) -> None:
    # Central differences of a quadratic are exact but for rounding.
    rise = published.torque(charge, speed, spark + 1.0) - published.torque(charge, speed, spark - 1.0)
    assert published.torque_slope(charge, speed, spark) == pytest.approx(rise / 2.0, abs=1e-10)


@given(charge=st.floats(0.2, 0.5), speed=speeds, offset=st.floats(-20.0, 20.0))
def test_the_curvature_gives_the_torque_back(charge: float, speed: float, offset: float) -> None:
    best = published.best_spark(charge, speed)
    top = published.torque(charge, speed, best)
    assert top * (1.0 - published.curvature(charge, speed) * offset**2) == pytest.approx(published.torque(charge, speed, best + offset), rel=1e-9)


def test_no_other_air_fuel_ratio_gives_more_torque_than_the_published_one() -> None:
    # 12.8882, where 21.91 A - 0.85 A^2 is greatest.
    at_best = published.torque(0.3, 200.0, 30.0, 12.8882)
    assert at_best > published.torque(0.3, 200.0, 30.0, 12.8382)
    assert at_best > published.torque(0.3, 200.0, 30.0, 12.9382)

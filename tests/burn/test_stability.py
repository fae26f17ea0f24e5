"""How much the work of a cycle varies from one to the next."""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from camcalc.burn.stability import BASE_VARIATION, DILUTION_NOISE, imep_variation


class Straight:
    """An engine whose net IMEP falls in a straight line with burned gas."""

    def __init__(self, burned: float, top: float = 8e5, slope: float = 1.2e6) -> None:
        self.burned, self.top, self.slope = burned, top, slope

    def state(self, speed: float, pressure: float, spark: float, *, burned_fraction: float | None = None) -> Any:
        burned = self.burned if burned_fraction is None else burned_fraction
        return SimpleNamespace(burned_fraction=burned, net=self.top - self.slope * burned)


@given(burned=st.floats(0.02, 0.5), noise=st.floats(0.01, 0.2))
def test_on_a_straight_line_the_variation_is_slope_times_noise_over_the_mean(burned: float, noise: float) -> None:
    model: Any = Straight(burned)
    expected = math.hypot(1.2e6 * noise * burned / (8e5 - 1.2e6 * burned), BASE_VARIATION)
    assert imep_variation(model, 15.0, 4e4, 30.0, noise=noise) == pytest.approx(expected, rel=1e-9)


def test_a_clean_charge_keeps_two_per_cent() -> None:
    # 2 to 5 % is normal running (Heywood 1988, from memory).
    model: Any = Straight(0.0, slope=0.0)
    assert imep_variation(model, 15.0, 4e4, 30.0) == pytest.approx(0.02, rel=1e-12)


def test_where_the_mean_cycle_makes_no_work_the_variation_has_no_bound() -> None:
    model: Any = Straight(0.5, top=5e5)
    assert imep_variation(model, 15.0, 4e4, 30.0) == math.inf


@pytest.mark.parametrize("speed", [900.0, 1600.0, 2600.0])
def test_the_variation_grows_with_the_noise(engine_of: Callable[..., Any], example: str, speed: float) -> None:
    model = engine_of(example, old=True)
    spark = model.best_spark(speed / 60.0, 45e3)
    varied = [imep_variation(model, speed / 60.0, 45e3, spark, noise=n) for n in (0.0, 0.5 * DILUTION_NOISE, DILUTION_NOISE, 2.0 * DILUTION_NOISE)]
    assert varied == sorted(varied)
    assert varied[0] == pytest.approx(BASE_VARIATION, rel=0.01)
    assert varied[-1] > varied[0]


@pytest.mark.parametrize("pressure", [45e3, 60e3])
def test_a_longer_cam_runs_less_steadily(engine_of: Callable[..., Any], example: str, pressure: float) -> None:
    # "Idle cycle-to-cycle stability is proportional to the degree of valve overlap" (textbook on engine testing, read), taken for its sign.
    new, old = engine_of(example), engine_of(example, old=True)
    speed = 1000.0 / 60.0
    assert imep_variation(new, speed, pressure, new.best_spark(speed, pressure)) > imep_variation(old, speed, pressure, old.best_spark(speed, pressure))

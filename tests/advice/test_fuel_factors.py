"""Factors between two cams' filling tables."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc.advice.fuel_factors import FuelFactors, fuel_factors
from camcalc.advice.idle import idle_state
from camcalc.cycle.models import MODELS

Make = Callable[..., Any]


@pytest.fixture(scope="module")
def found(build_of: Make) -> FuelFactors:
    build = build_of("quarry-road")
    new, old = MODELS["resolved"](build), MODELS["resolved"](build.with_replaced_cam())
    return fuel_factors(new, old, idle_state(new), lambda speed, pressure: 20.0)


def test_a_cam_against_itself_needs_no_factor(build_of: Make) -> None:
    engine = MODELS["resolved"](build_of("long-meadow").with_replaced_cam())
    idle = idle_state(engine)
    same = fuel_factors(engine, engine, idle, lambda speed, pressure: engine.best_spark(speed, pressure))
    assert np.nanmax(np.abs(same.si.factor[:, 1:] - 1.0)) < 1e-12
    # At idle the two run on different sparks: the idle's own has a reserve.
    assert same.si.idle_factor == pytest.approx(1.0, abs=0.05)


def test_the_factor_rises_with_pressure_and_with_speed(found: FuelFactors) -> None:
    """Overlap costs air where there is time and vacuum for burned gas to come back."""
    factor = found.si.factor
    assert np.all(np.diff(factor, axis=0)[np.isfinite(np.diff(factor, axis=0))] > 0.0)
    assert np.all(np.diff(factor[:, 1:], axis=1)[np.isfinite(np.diff(factor[:, 1:], axis=1))] > 0.0)
    assert np.nanmax(factor) < 1.0


def test_the_idle_lies_among_its_cells_and_says_how_rich_the_old_table_is(found: FuelFactors) -> None:
    si = found.si
    idle_column = si.factor[:, 0]
    assert np.interp(si.idle_pressure, si.manifold_pressure[np.isfinite(idle_column)], idle_column[np.isfinite(idle_column)]) == pytest.approx(
        si.idle_factor, abs=0.05
    )
    assert si.idle_excess == pytest.approx(1.0 / si.idle_factor - 1.0)


def test_no_air_no_factor(found: FuelFactors, build_of: Make) -> None:
    build = build_of("quarry-road")
    engine = MODELS["resolved"](build)
    dead = [(k, j) for k, j in np.argwhere(~np.isfinite(found.si.factor))]
    assert dead
    for k, j in dead:
        assert not engine.state(float(found.si.speed[j]), float(found.si.manifold_pressure[k]), float(found.si.spark[k, j])).net > 0.0

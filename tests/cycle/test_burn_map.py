"""The closed part run many times over, and the table of burns made from it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc import ResolvedEngine
from camcalc.burn.cycle_map import next_burned_fraction
from camcalc.cycle import closed_part
from camcalc.cycle.burn_map import CLOCKS, DELAYS, RESIDUALS, BurnMap, residuals_about
from camcalc.cycle.layout import Unknown

Make = Callable[..., Any]
LONG_IDLE, CRUISE = (850.0 / 60.0, 55e3, 20.0), (2000.0 / 60.0, 60e3, 30.0)
HERE, MIDDLE = int(np.argmin(np.abs(RESIDUALS - 1.0))), int(np.argmin(np.abs(CLOCKS)))


@pytest.fixture(scope="module")
def engine(resolved_of: Make) -> ResolvedEngine:
    found: ResolvedEngine = resolved_of("quarry-road")
    return found


@pytest.fixture(scope="module", params=[LONG_IDLE, CRUISE], ids=["idle", "cruise"])
def place(request: pytest.FixtureRequest) -> tuple[float, float, float]:
    found: tuple[float, float, float] = request.param
    return found


def map_at(engine: ResolvedEngine, place: tuple[float, float, float]) -> BurnMap:
    found = engine.burn_map(*place)
    assert found is not None
    return found


def test_the_middle_of_the_table_is_the_mean_cycle(engine: ResolvedEngine, place: tuple[float, float, float]) -> None:
    found = map_at(engine, place)
    mean, table = engine.state(*place), found.table
    assert table.residual[HERE] == pytest.approx(mean.burned_fraction, rel=1e-12)
    assert table.work[HERE, MIDDLE] == pytest.approx(mean.gross, rel=1e-12)
    assert table.development[HERE] == pytest.approx(mean.development, rel=1e-9)


def test_other_residuals_do_what_the_adaptive_integration_says(engine: ResolvedEngine, place: tuple[float, float, float]) -> None:
    # Fixed steps against adaptive ones: a fifth of a percent of the mean cycle's work, and a thousandth of the fuel.
    found, settled = map_at(engine, place), engine.settled(*place)
    base = engine.closed_work(settled, place[2])[0]
    for k in (2, 3, 5, 6, 7):
        work, _, share = engine.closed_work(settled, place[2], float(found.table.residual[k]))
        expected = found.mean.gross + (work - base) / engine.geometry.swept
        assert found.table.work[k, MIDDLE] == pytest.approx(expected, abs=2e-3 * found.mean.gross)
        assert found.table.share[k, MIDDLE] == pytest.approx(share, abs=1e-3)


def test_half_the_step_hardly_moves_the_differences(engine: ResolvedEngine, monkeypatch: pytest.MonkeyPatch) -> None:
    found = map_at(engine, LONG_IDLE).table
    run: Any = closed_part._closed_run
    settled = engine.settled(*LONG_IDLE)
    boundary, charge = settled.boundary, settled.unknowns
    mass, temperature, burned = float(charge[0]), boundary.closed_temperature, float(charge[0] * charge[2])
    coarse = run.py_func(settled.setup, boundary, mass, temperature, burned)
    monkeypatch.setattr(closed_part, "STEP", 1.25)
    fine = run.py_func(settled.setup, boundary, mass, temperature, burned)
    assert coarse[0] == pytest.approx(fine[0], rel=1e-3)
    assert coarse[1] == pytest.approx(fine[1], rel=1e-3)
    assert found.residual.size == RESIDUALS.size


def test_slow_burns_of_a_late_spark_lose_work_and_a_missed_one_makes_none(engine: ResolvedEngine) -> None:
    table = map_at(engine, LONG_IDLE).table
    assert np.all(np.diff(table.work[HERE]) < 0.0)
    assert np.all(np.diff(table.share[HERE]) < 0.0)
    assert np.all(np.diff(table.delayed_work[HERE]) < 0.0)
    assert table.delayed_work[HERE, int(np.flatnonzero(DELAYS == 0.0)[0])] == 0.0
    # Compression gives its work back, less what the walls take; the combustion share of it is gone.
    gross = engine.state(*LONG_IDLE).gross
    assert np.all(table.missed < 0.25 * gross)
    assert np.all(np.diff(table.missed) < 0.0)


def test_residual_slows_flame_and_development(engine: ResolvedEngine, place: tuple[float, float, float]) -> None:
    table = map_at(engine, place).table
    assert np.all(np.diff(table.flame) < 0.0)
    assert np.all(np.diff(table.development) > 0.0)


def test_of_an_idle_s_residual_a_part_remembers_and_a_part_is_everybody_s(engine: ResolvedEngine, resolved_of: Make) -> None:
    # Long overlap sends more of it through the plenum.
    assert 0.02 < map_at(engine, LONG_IDLE).own < map_at(resolved_of("quarry-road", old=True), LONG_IDLE).own < 0.9


def test_a_cycle_that_misses_is_followed_by_the_charge_that_the_table_says(engine: ResolvedEngine, place: tuple[float, float, float]) -> None:
    # A cycle of the settled exchange in which a third of the fuel stays unburned: its next charge, integrated, beside the map's linear rule.
    settled, found = engine.settled(*place), map_at(engine, place)
    x, made = found.mean.burned_fraction, settled.total("made_burned") / (found.mean.trapped * (1.0 - found.mean.burned_fraction))
    marching = engine.marching(*place)
    marching.burning = marching.burning._replace(completeness=2.0 / 3.0 * marching.burning.completeness)
    end, cycle = marching.cycle(settled.unknowns)
    less = cycle.total("made_burned") / (found.mean.trapped * (1.0 - x))
    expected = x * (found.own * next_burned_fraction(x, 1.0, less) / next_burned_fraction(x, 1.0, made) + 1.0 - found.own)
    assert float(end[Unknown.CYLINDER_FRACTION]) == pytest.approx(expected, abs=0.15 * (x - expected))


def test_the_residuals_tried_rise_and_leave_something_to_burn() -> None:
    for mean in (0.0, 0.05, 0.4, 0.7, 0.95):
        tried = residuals_about(mean)
        assert np.all(np.diff(tried) > 0.0)
        assert tried[-1] < 1.0

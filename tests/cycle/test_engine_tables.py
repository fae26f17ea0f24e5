"""Tables of settled cycles: exact at their own points, near the model between them, silent where no cycle runs."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from camcalc.cycle.engine_tables import FIELDS, EngineTables, engine_tables
from camcalc.cycle.models import MODELS
from camcalc.cycle.operating import barometer
from camcalc.cycle.work_variation import work_spread

Make = Callable[..., Any]
SPEEDS, PRESSURES, SPARKS = np.array([20.0, 25.0, 30.0]), np.array([40e3, 50e3, 60e3]), np.array([15.0, 25.0, 35.0])


def fields_of(model: Any, speed: float, pressure: float, spark: float) -> tuple[float, ...]:
    """What a table holds, asked of the model itself."""
    spread = work_spread(model, speed, pressure, spark)
    mean = spread.mean
    return mean.net, mean.gross, spread.deviation, mean.air, mean.burned_fraction, mean.blow_back / mean.trapped, spread.missed


@pytest.fixture(scope="module")
def quick_tables(engine_of: Make) -> EngineTables:
    return engine_tables(engine_of("quarry-road"), SPEEDS, PRESSURES, SPARKS)


def test_at_its_own_points_a_table_gives_what_the_model_gives(engine_of: Make, quick_tables: EngineTables) -> None:
    for speed, pressure, spark in ((20.0, 40e3, 15.0), (25.0, 50e3, 25.0), (30.0, 60e3, 35.0), (20.0, 60e3, 25.0)):
        found = quick_tables.at(speed, pressure, spark)
        assert tuple(found) == FIELDS
        assert tuple(found.values()) == pytest.approx(fields_of(engine_of("quarry-road"), speed, pressure, spark), rel=1e-12)
    assert quick_tables.runs.all()


@given(bends=st.lists(st.floats(-2.0, 2.0), min_size=8, max_size=8), speed=st.floats(20.0, 30.0), pressure=st.floats(40e3, 60e3), spark=st.floats(15.0, 35.0))
def test_what_is_straight_along_each_axis_comes_back_exactly(bends: list[float], speed: float, pressure: float, spark: float) -> None:
    def surface(n: Any, p: Any, s: Any) -> Any:
        n, p, s = n / 25.0, p / 50e3, s / 25.0
        return sum(c * term for c, term in zip(bends, (1.0, n, p, s, n * p, n * s, p * s, n * p * s), strict=True))

    values = np.array([surface(*np.meshgrid(SPEEDS, PRESSURES, SPARKS, indexing="ij")) + f for f in range(len(FIELDS))])
    tables = EngineTables(SPEEDS, PRESSURES, SPARKS, values, np.isfinite(values[0]))
    expected = [surface(speed, pressure, spark) + f for f in range(len(FIELDS))]
    assert list(tables.at(speed, pressure, spark).values()) == pytest.approx(expected, rel=1e-11, abs=1e-11)


@pytest.mark.parametrize(("speed", "pressure"), [(19.99, 50e3), (30.01, 50e3), (25.0, 39.9e3), (25.0, 60.1e3), (math.nan, 50e3)])
def test_outside_its_speeds_and_pressures_a_table_does_not_answer(quick_tables: EngineTables, speed: float, pressure: float) -> None:
    assert all(math.isnan(v) for v in quick_tables.at(speed, pressure, 25.0).values())


def test_sparks_are_held_at_their_ends(quick_tables: EngineTables) -> None:
    assert quick_tables.at(25.0, 50e3, 60.0) == quick_tables.at(25.0, 50e3, 35.0)
    assert quick_tables.at(25.0, 50e3, -5.0) == quick_tables.at(25.0, 50e3, 15.0)


def test_next_to_where_no_cycle_runs_a_table_does_not_answer(quick_tables: EngineTables) -> None:
    values = quick_tables.values.copy()
    values[:, 0, 0, 0] = np.nan
    holed = quick_tables._replace(values=values, runs=np.isfinite(values[0]))
    assert math.isnan(holed.at(24.0, 49e3, 24.0)["net"])
    for point in ((26.0, 49e3, 24.0), (24.0, 51e3, 24.0), (24.0, 49e3, 26.0)):
        assert holed.at(*point) == quick_tables.at(*point)


def test_loads_at_the_barometer_are_left_out(build_of: Make) -> None:
    from camcalc import QuickEngine

    model: Any = QuickEngine(build_of("quarry-road", altitude="2500 m"))
    tables = engine_tables(model, SPEEDS[:2], np.array([60e3, 70e3, 80e3, 90e3]), SPARKS[:2])
    assert 70e3 < barometer(model) < 80e3
    assert tables.pressures.tolist() == [60e3, 70e3]
    assert tables.values.shape == (len(FIELDS), 2, 2, 2)


@pytest.fixture(scope="module")
def resolved(build_of: Make) -> Any:
    return MODELS["resolved"](build_of("quarry-road"))


def test_settled_cycles_come_back_as_they_are(resolved: Any, build_of: Make) -> None:
    tables = engine_tables(resolved, np.array([1200.0, 1400.0]) / 60.0, np.array([50e3, 55e3]), np.array([18.0, 26.0, 34.0]))
    assert tables.runs.all()
    own = MODELS["resolved"](build_of("quarry-road"))
    at_a_point = fields_of(own, 1400.0 / 60.0, 55e3, 26.0)
    assert tuple(tables.at(1400.0 / 60.0, 55e3, 26.0).values()) == pytest.approx(at_a_point, rel=1e-12)
    between = fields_of(own, 1300.0 / 60.0, 52.5e3, 22.0)
    found = tables.at(1300.0 / 60.0, 52.5e3, 22.0)
    errors = {name: found[name] / value - 1.0 for name, value in zip(FIELDS, between, strict=True) if name != "missed"}
    # Half way between points of the spacing in use, torque bends by a few per cent with spark; the charge hardly bends.
    assert all(abs(errors[name]) < 0.03 for name in ("net", "gross")), errors
    assert all(abs(errors[name]) < 0.01 for name in ("air", "burned_fraction")), errors
    assert all(abs(errors[name]) < 0.10 for name in ("deviation", "blow_back")), errors


def test_where_cycles_do_not_repeat_nothing_is_answered(resolved: Any) -> None:
    tables = engine_tables(resolved, np.array([900.0, 1300.0]) / 60.0, np.array([30e3, 40e3, 60e3]), np.array([20.0, 30.0]))
    assert not tables.runs[0, 0].any()
    assert tables.runs[:, 2].all()
    assert math.isnan(tables.at(1000.0 / 60.0, 32e3, 25.0)["air"])
    for spark in range(tables.sparks.size):  # what runs at a load runs at every higher one
        assert all(np.all(np.diff(tables.runs[i, :, spark].astype(int)) >= 0) for i in range(2))


def test_a_mild_cam_runs_at_every_load_and_spark(build_of: Make) -> None:
    # A step that runs into not-a-number must be tried again smaller: taken, it lost one cycle at 80 kPa and with it every lighter load of that spark.
    assert engine_tables(MODELS["resolved"](build_of("quarry-road", old=True)), np.array([2200.0]) / 60.0, np.arange(20e3, 100.1e3, 5e3)).runs.all()

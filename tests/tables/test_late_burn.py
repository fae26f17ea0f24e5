"""What cells under the late-burn floor cost: signs, and agreement with the engine asked directly."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from camcalc.advice.table_ceilings import ceilings_on_table
from camcalc.cycle.models import MODELS
from camcalc.sheet import Build
from camcalc.tables import SparkTable, shape_table
from camcalc.tables.late_burn import late_burns


def test_later_spark_burns_later_hotter_and_leaves_more_unburned(build_of: Callable[..., Build]) -> None:
    engine = MODELS["resolved"](build_of("quarry-road"))
    base = SparkTable(load_kind="manifold pressure", speed=np.array([20.0, 25.0]), loads=np.array([60e3, 70e3]), cells=np.full((2, 2), 30.0), increment=1.0)
    floor = np.array([[24.0, np.nan], [np.nan, np.nan]])
    shaped = shape_table(base, np.array([[17.0, 14.0], [np.nan, np.nan]]), floor=floor)
    (late,) = late_burns(engine, shaped, np.array([[60e3, 70e3], [60e3, 70e3]]), adders=2.0)
    assert (late.where, late.si.spark_before, late.si.spark) == ("1200 rpm, 60 kPa", 32.0, 19.0)
    now = engine.state(20.0, 60e3, 19.0)
    assert late.si.half_burned == pytest.approx(now.half_burned, rel=1e-6)
    assert late.si.unburned == pytest.approx(1.0 - now.completeness, rel=1e-4)
    assert late.si.half_burned > late.si.half_burned_before
    assert late.si.unburned > late.si.unburned_before
    assert late.si.exhaust > late.si.exhaust_before
    assert late.si.work_change < 0.0
    assert late_burns(engine, shaped, np.full((2, 2), np.nan)) == ()
    # A cell that was below its floor before and stays as it was costs nothing new.
    assert late_burns(engine, shape_table(base, np.full((2, 2), 40.0), floor=np.full((2, 2), 35.0)), np.full((2, 2), 60e3)) == ()
    (quick,) = late_burns(MODELS["quick"](build_of("quarry-road")), shaped, np.array([[60e3, 70e3], [60e3, 70e3]]))
    assert math.isnan(quick.si.exhaust)  # its exhaust does not answer to spark


def test_pressures_of_a_table_over_air_charge_lie_where_the_engine_traps_it(build_of: Callable[..., Build]) -> None:
    engine = MODELS["resolved"](build_of("quarry-road"))
    loads = np.array([200e-6, 250e-6])
    found = ceilings_on_table(engine, np.array([20.0]), loads, "air charge")
    air = [engine.state(20.0, float(p), engine.best_spark(20.0, float(p))).air for p in found.manifold_pressure[0]]
    assert air == pytest.approx(loads, rel=0.02)

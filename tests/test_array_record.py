"""Records of arrays as data frames: axes, units, marks, blanks, parts; and what is declared an array is one."""

from __future__ import annotations

import dataclasses
import inspect
import math
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import polars
import pytest

from camcalc import DriveLog, read_table, shape_table
from camcalc.advice.trade_off import trade_off
from camcalc.array_record import ArrayRecord, ScalarMeasure, frame_of
from camcalc.codes import Code
from camcalc.cycle.engine_tables import engine_tables
from camcalc.drive.risk import surge_map, surge_risk
from camcalc.errors import InputError
from camcalc.results import Measure, Record, measure
from tests.records import every_record


def records_in(value: object) -> Iterator[Record]:
    """Yield every record in a record or tuple, itself first."""
    if isinstance(value, Record):
        yield value
        for inner in dict(value.items()).values():
            yield from records_in(inner)
    elif isinstance(value, tuple):
        for inner in value:
            yield from records_in(inner)


@pytest.fixture(scope="module")
def found(brief_of: Callable[[str], Any], engine_of: Callable[..., Any]) -> dict[str, Any]:
    """One record of many classes, with figures in it, by the name of its class."""
    brief = brief_of("quarry-road")
    table = read_table(brief.build.spark_table)
    engine = engine_of("quarry-road")
    tables = engine_tables(engine, np.array([20.0, 30.0, 40.0]), np.array([40e3, 60e3, 80e3]), np.array([15.0, 30.0, 45.0]))
    time = np.arange(0.0, 3.0, 0.5)
    log = DriveLog.of(time=time, speed=20.0 + time, load=4e4 + 1e3 * time, load_kind="manifold pressure")
    surge = {"engine_tables": tables, "over_time": False}
    made = (
        brief,
        table,
        shape_table(table, np.where(table.si.cells > 38.0, 30.0, np.nan)),
        log,
        surge_map(brief.build, table, gear=2, engine_tables=tables, speeds=np.array([28.0, 34.0]), pressures=np.array([50e3, 65e3])),
        surge_risk(brief.build, table, gear=2, speeds=np.array([28.0, 31.0, 34.0]), **surge),
        trade_off(engine, speed="2400 rpm", torque="60 N m", ceiling="30 crank_deg"),
    )
    return {type(record).__name__: record for record in records_in(made)}


def test_many_kinds_of_array_record_are_looked_at(found: dict[str, Any]) -> None:
    kinds = {kind.__name__ for kind in every_record() if issubclass(kind, ArrayRecord) and kind is not ArrayRecord}
    here = {name for name, record in found.items() if isinstance(record, ArrayRecord)}
    assert len(here) >= 10
    assert here <= kinds


def test_what_is_declared_an_array_is_one_and_single_numbers_are_declared_as_such(found: dict[str, Any]) -> None:
    for name, record in found.items():
        for field, declared in record.measures().items():
            value = record.__dict__[declared.slot]
            text = next(str(own[field]) for own in map(inspect.get_annotations, type(record).__mro__) if field in own)
            single = not isinstance(record, ArrayRecord) or text == ScalarMeasure.__name__
            # A channel that a log does not have is a missing number.
            missing = isinstance(value, float) and np.isnan(value) and isinstance(record, DriveLog)
            assert missing or isinstance(value, float) is single, f"{name}.{field}"


def test_every_array_record_gives_a_frame_with_as_many_rows_as_its_grid(found: dict[str, Any]) -> None:
    for name, record in found.items():
        if not isinstance(record, ArrayRecord):
            continue
        frame = record.to_frame()
        assert isinstance(frame, polars.DataFrame)
        axes = [getattr(record, axis) for axis in record.AXES]
        sizes = [len(getattr(axis, "magnitude", axis)) for axis in axes]
        if sizes:
            assert frame.height == np.prod(sizes), name
        assert frame.width > len(sizes), name


def test_a_grid_is_long_and_each_figure_is_at_its_own_speed_and_load(found: dict[str, Any]) -> None:
    ceilings = found["SparkCeilings"]
    frame = ceilings.to_frame()
    assert frame.columns[:3] == ["manifold_pressure [kPa]", "speed [rpm]", "ceiling [crank_deg]"]
    for row, column in ((0, 0), (1, 3), (-1, -1)):
        pressure, speed = ceilings.manifold_pressure.magnitude[row], ceilings.speed.magnitude[column]
        here = frame.filter((polars.col("manifold_pressure [kPa]") == pressure) & (polars.col("speed [rpm]") == speed))
        assert here.height == 1
        assert here["best_spark [crank_deg]"][0] == ceilings.si.best_spark[row, column]
        assert here["restless_to [kPa]"].cast(float).fill_null(np.nan).to_numpy() == pytest.approx([ceilings.restless_to.magnitude[column]], nan_ok=True)


def test_blanks_are_null_and_marks_stand_beside_their_figures(found: dict[str, Any]) -> None:
    ceilings = found["SparkCeilings"]
    frame = ceilings.to_frame()
    assert frame["ceiling [crank_deg]"].null_count() == np.isnan(ceilings.si.ceiling).sum() > 0
    assert frame["ceiling [crank_deg]"].is_nan().sum() == 0
    marks = [ceilings.mark("ceiling", row, column) for row in range(ceilings.si.ceiling.shape[0]) for column in range(ceilings.si.ceiling.shape[1])]
    assert frame["ceiling mark"].to_list() == [None if mark is None else mark.code for mark in marks]
    assert any(marks)


def test_a_tables_loads_are_in_the_unit_of_their_kind(found: dict[str, Any]) -> None:
    table = found["SparkTable"]
    frame = table.to_frame()
    assert frame.columns == ["speed [rpm]", f"loads [{table.load.units:~}]", "cells [crank_deg]"]
    assert frame["cells [crank_deg]"].to_numpy().reshape(table.shape).tolist() == table.si.cells.tolist()
    assert found["DriveLog"].to_frame()["loads [kPa]"].to_list() == [40.0, 40.5, 41.0, 41.5, 42.0, 42.5]


def test_another_axis_gives_the_records_other_table(found: dict[str, Any]) -> None:
    idle = found["IdleSpark"]
    around, over = idle.to_frame(), idle.to_frame(over="swept_spark")
    assert around.columns[0] == "speed [rpm]"
    assert "manifold_vacuum [inHg]" not in around.columns
    assert over.columns[0] == "swept_spark [crank_deg]"
    assert over["manifold_vacuum [inHg]"].drop_nulls().len() == np.isfinite(idle.si.manifold_vacuum).sum()
    assert "spark [crank_deg]" not in over.columns
    with pytest.raises(InputError) as error:
        idle.to_frame(over="swept_sparks")
    assert "swept_spark" in error.value.fix


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Part(ArrayRecord):
    """Arrays over the axes of another record."""

    share: Measure = measure("", "percent")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Whole(ArrayRecord):
    """Two axes of one length, a field along one of them, a code a cell, one number, a field over something else, and a part."""

    AXES = ("manifold_pressure", "speed")
    ALONG = (("road", "speed"),)

    manifold_pressure: Measure = measure("Pa", "kPa")
    speed: Measure = measure("crank_rps", "rpm")
    spark: Measure = measure("crank_deg")
    road: Measure = measure("m/s", "km/h")
    margin: ScalarMeasure = measure("crank_deg")
    trace: Measure = measure("s")
    state: tuple[tuple[Ending, ...], ...]
    part: Part


class Ending(Code):
    """Two codes."""

    SETTLED = "the cycle repeats itself"
    DEAD = "nothing runs here"


def test_axes_of_one_length_codes_single_numbers_and_parts() -> None:
    two = np.array([20.0, 40.0])
    grid = np.array([[1.0, 2.0], [3.0, math.nan]])
    states = ((Ending.SETTLED, Ending.DEAD), (Ending.SETTLED, Ending.SETTLED))
    fields = {"spark": grid, "road": two / 3.6, "margin": 2.0, "trace": np.zeros(5), "state": states, "part": Part(share=0.01 * grid)}
    frame = Whole(manifold_pressure=1e3 * two, speed=two, **fields).to_frame()
    assert frame.to_dict(as_series=False) == {
        "manifold_pressure [kPa]": [20.0, 20.0, 40.0, 40.0],
        "speed [rpm]": [1200.0, 2400.0, 1200.0, 2400.0],
        "spark [crank_deg]": [1.0, 2.0, 3.0, None],
        "road [km/h]": pytest.approx([20.0, 40.0, 20.0, 40.0]),
        "state": ["settled", "dead", "settled", "settled"],
        "part share [percent]": [1.0, 2.0, 3.0, None],
    }
    assert Part(share=grid).to_frame().columns == ["row", "column", "share [percent]"]


def test_records_of_one_kind_become_rows(found: dict[str, Any]) -> None:
    shaped = found["ShapedTable"]
    frame = frame_of(shaped.changes)
    assert frame.height == len(shaped.changes) > 3
    assert frame["spark_before [crank_deg]"].to_list() == [change.si.spark_before for change in shaped.changes]
    assert frame["where"].to_list() == [change.where for change in shaped.changes]
    assert frame["in_zone"].dtype == polars.Boolean
    with pytest.raises(InputError, match="records of one kind"):
        frame_of([shaped.changes[0], shaped.table])

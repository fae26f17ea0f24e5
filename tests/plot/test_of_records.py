"""``record.plot()``: every record with a plot finds it, and no lower layer knows any."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

import camcalc.plot
from camcalc import CycleMap, DriveLog, find_surge, load_cam, read_table, shape_table
from camcalc.drawing import plots_of
from camcalc.errors import InputError
from camcalc.plot import PLOTS
from tests.records import every_record

ROOT = Path(__file__).parents[2]


def test_every_name_is_a_records_and_every_public_plot_has_a_record() -> None:
    assert set(PLOTS) <= {kind.__name__ for kind in every_record()}
    source = inspect.getsource(camcalc.plot.of_records)
    drawn = {name for name in camcalc.plot.__all__ if name.startswith("plot_") and name in source}
    assert {name for name in camcalc.plot.__all__ if name.startswith("plot_")} - drawn <= {"plot_lifts", "plot_compared"}


@pytest.fixture(scope="module")
def records(brief_of: Callable[[str], Any]) -> dict[str, Any]:
    brief = brief_of("quarry-road")
    base = read_table(brief.build.spark_table)
    time = np.arange(0.0, 12.0, 0.02)
    log = DriveLog.of(time=time, speed=22.0 + np.sin(16.0 * time), load=np.full(time.size, 45e3), load_kind="manifold pressure")
    up = np.array([[1.0, 2.0], [3.0, 4.0]])
    grids = dict.fromkeys(("spark", "burned_fraction", "blow_back", "fresh_air", "net_imep", "pumping_mep", "exhaust_temperature"), up)
    outcomes = CycleMap.__dataclass_fields__["outcomes"]
    assert outcomes is not None
    return {
        "Build": brief.build,
        "CamCard": brief.build.cam,
        "CamSheet": load_cam(ROOT / "examples" / "quarry-road" / "build.toml"),
        "SparkCeilings": brief.spark_ceilings,
        "CycleMap": CycleMap(cam="", speed=np.array([20.0, 30.0]), manifold_pressure=np.array([4e4, 6e4]), outcomes=(), **grids),
        "SparkTable": base,
        "ShapedTable": shape_table(base, np.where(base.si.cells > 38.0, 30.0, np.nan)),
        "DriveLog": log,
    }


@pytest.mark.parametrize("name", ["Build", "CamCard", "CamSheet", "SparkCeilings", "CycleMap", "SparkTable", "ShapedTable", "DriveLog"])
def test_a_record_draws_itself_on_new_axes_or_on_those_given(records: dict[str, Any], name: str) -> None:
    record = records[name]
    assert type(record).__name__ == name
    own = record.plot()
    assert isinstance(own, Axes)
    assert own.has_data()
    given = Figure().add_subplot()
    assert record.plot(given) is given
    assert given.has_data()


def test_another_plot_is_asked_for_by_name_and_options_reach_it(records: dict[str, Any]) -> None:
    assert records["SparkTable"].plot(which="surface").name == "3d"
    label = records["CycleMap"].plot(name="net_imep").figure.axes[-1].get_ylabel()
    assert label == "net imep [kPa]"
    found = find_surge(records["DriveLog"])
    assert records["DriveLog"].plot(findings=found).get_xlabel() == "time [s]"


def test_an_unknown_plot_and_a_record_without_one_say_so(records: dict[str, Any]) -> None:
    with pytest.raises(InputError) as error:
        records["SparkTable"].plot(which="surfaces")
    assert error.value.expected == "grid or surface"
    assert "surface" in error.value.fix
    with pytest.raises(InputError, match="a record without a plot"):
        records["Build"].engine.plot()


def test_a_record_of_the_users_own_class_draws_as_its_base(records: dict[str, Any]) -> None:
    class Mine(type(records["CamCard"])):  # type: ignore[misc]
        pass

    assert list(plots_of(Mine)) == ["lift"]

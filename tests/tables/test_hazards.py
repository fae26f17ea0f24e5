"""What could break an engine in a shaped table: cells above knock, spark that rises with load, changes far outside the zone."""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from camcalc import read_build, read_table
from camcalc.advice.table_ceilings import FASTEST, TableCeilings, ceilings_on_table
from camcalc.cautions import OVER_SPARK_TABLE, Caution
from camcalc.cycle.models import MODELS
from camcalc.cycle.operating import barometer
from camcalc.errors import CamcalcError, InputError
from camcalc.tables import ShapedTable, SparkTable, add_back, shape_table
from camcalc.tables.hazards import Outcome, load_rises
from camcalc.tables.shaped import Reason
from camcalc.words import describe
from camcalc.words.shaping import shaped_full
from tests.oracles.coarse_engine import CoarseEngine
from tests.oracles.shaping import Case, Grid, cases

Make = Callable[..., Any]
ROOT = Path(__file__).resolve().parents[2]
SLOPES = {"along_speed": "70 crank_deg/krpm", "along_load": "0.8 crank_deg/kPa"}


def by_pressure(cells: Any, speeds: Any = (1200.0, 1400.0, 1600.0), loads: Any = (40.0, 50.0, 60.0, 70.0)) -> SparkTable:
    return SparkTable(load_kind="manifold pressure", speed=np.array(speeds) / 60.0, loads=np.array(loads) * 1e3, cells=np.array(cells, float), increment=1.0)


def check(shaped: ShapedTable, knock: Grid) -> None:
    """No cell above the knock limit less two degrees, but those in which no spark serves; no rise with load wherever shaping has been."""
    before, after, zone = shaped.base.si.cells, shaped.table.si.cells, shaped.zone
    computed = ~np.isnan(knock)
    avoided = knock - 2.0 < 0.0
    assert not (after > knock - 2.0 + 1e-9)[computed & ~avoided].any()
    assert (after[avoided] <= np.maximum(0.0, np.minimum(before, 0.0))[avoided]).all()
    assert {(c.row, c.column) for c in shaped.knock_cells} == {(int(r), int(c)) for r, c in np.argwhere(before > knock - 2.0 + 1e-9)}
    assert {(c.row, c.column) for c in shaped.knock_cells if c.outcome is Outcome.AVOID} == {
        (int(r), int(c)) for r, c in np.argwhere(avoided & (before > knock - 2.0 + 1e-9))
    }
    assert not any(c.above_after for c in shaped.knock_cells if c.outcome is not Outcome.AVOID)
    touched = np.logical_or.accumulate(zone | (after != before), axis=1)[:, :-1]
    rises = np.diff(after, axis=1) > 1e-9
    assert not (rises & touched).any()
    # What rises still is the supplied table's own, no steeper than it was, and told.
    assert (np.diff(after, axis=1) <= np.maximum(np.diff(before, axis=1), 0.0) + 1e-9).all()
    assert {(r.row, r.column) for r in shaped.rises} == {(int(r), int(c)) for r, c in np.argwhere(rises)}


@given(case=cases())
def test_no_table_leaves_a_cell_above_knock_or_spark_that_rises_with_load_where_it_shapes(case: Case) -> None:
    check(case.shaped(), case.options.get("knock", np.full(case.ceiling.shape, np.nan)))


@settings(max_examples=15)
@given(bore=st.floats(80.0, 105.0), ratio=st.floats(8.5, 11.5), separation=st.floats(106.0, 118.0), data=st.data())
def test_tables_of_builds_drawn_at_random_keep_the_rules(bore: float, ratio: float, separation: float, data: st.DataObject) -> None:
    """On the tests' own engine, whose knock is made up, over every kind of load."""
    sheet = tomllib.loads((ROOT / "tests" / "data" / "build.toml").read_text(encoding="utf-8"))
    sheet["engine"] |= {"bore": f"{bore:.2f} mm", "compression_ratio": round(ratio, 2)}
    sheet["cam"] |= {"lobe_separation": f"{separation:.1f} cam_deg", "intake_centreline": f"{separation - 3.0:.1f} crank_deg"}
    engine = CoarseEngine(read_build(sheet))
    kind, loads, unit = data.draw(
        st.sampled_from(
            [
                ("manifold pressure", np.array([20e3, 45e3, 70e3, 95e3, 110e3]), "kPa"),
                ("air charge", np.array([1e-4, 2.5e-4, 4e-4, 7e-4]), "mg"),
                ("relative charge", np.array([0.1, 0.4, 0.7, 1.1]), "percent"),
            ]
        )
    )
    speeds = np.array([700.0, 1300.0, 2200.0, 5000.0]) / 60.0
    cells = np.array(data.draw(st.lists(st.integers(0, 45), min_size=len(speeds) * len(loads), max_size=len(speeds) * len(loads))), dtype=float)
    table = SparkTable(load_kind=kind, speed=speeds, loads=loads, cells=cells.reshape(len(speeds), len(loads)), increment=1.0)
    found = ceilings_on_table(engine, table.si.speed, table.loads, table.load_kind)
    assert np.isnan(found.knock[speeds > FASTEST]).all()
    for more in ({}, {"per_cell": "3 crank_deg"}):
        check(shape_table(table, found.ceiling, knock=found.knock, along_speed="70 crank_deg/krpm", along_load=f"1 crank_deg/{unit}", **more), found.knock)


@pytest.fixture(scope="module", params=["quarry-road", "dockside", "long-meadow"])
def example_found(request: pytest.FixtureRequest, build_of: Make) -> tuple[SparkTable, TableCeilings]:
    """Each example's own table with what the resolved engine says of its cells."""
    name = str(request.param)
    table = read_table(ROOT / "examples" / name / "spark.csv")
    return table, ceilings_on_table(MODELS["resolved"](build_of(name)), table.si.speed, table.loads, table.load_kind)


@pytest.mark.slow
@pytest.mark.parametrize("per_cell", [None, "3 crank_deg"])
def test_the_examples_tables_end_below_knock_and_never_rise_with_load(example_found: tuple[SparkTable, TableCeilings], per_cell: str | None) -> None:
    table, found = example_found
    slopes = SLOPES if table.load_kind == "manifold pressure" else {"along_speed": "70 crank_deg/krpm", "along_load": "1.4 crank_deg/percent"}
    shaped = shape_table(table, found.ceiling, knock=found.knock, per_cell=per_cell, **slopes)
    check(shaped, found.knock)
    assert any(c.above_before for c in shaped.knock_cells)
    assert shaped.rises == ()


@pytest.mark.slow
def test_knock_goes_on_where_the_zone_has_ended_and_stops_where_the_model_does(example_found: tuple[SparkTable, TableCeilings]) -> None:
    table, found = example_found
    known = ~np.isnan(found.knock)
    assert (known & np.isnan(found.ceiling)).sum() > known.sum() / 2
    assert not known[table.si.speed > FASTEST].any()
    assert known[table.si.speed <= FASTEST, -1].all()  # wide-open throttle, and whatever is beyond it
    # More load never stands more spark. Below no spark at all it may: at 600 rpm hotter, more diluted charges of 90 kPa knock below -10, full load at -6.
    limits = np.maximum(np.where(known, found.knock, np.inf), 0.0)
    assert (limits[:, 1:] <= limits[:, :-1] + 0.5).all()


def test_a_load_that_wide_open_throttle_does_not_reach_has_its_knock_limit(build_of: Make) -> None:
    """The lookup at wide-open throttle reads the cell beyond it too."""
    engine = CoarseEngine(build_of("quarry-road"))
    speeds = np.array([1500.0]) / 60.0
    found = ceilings_on_table(engine, speeds, np.array([80e3, 95e3, 104e3, 130e3]), "manifold pressure")
    assert found.knock[0, :2] == pytest.approx([engine.knock_spark(25.0, p) for p in (80e3, 95e3)])
    assert found.knock[0, 2:] == pytest.approx([engine.knock_spark(25.0, 0.9999 * barometer(engine))] * 2)
    assert np.isnan(found.ceiling[0, 2:]).all()


class FromSixty(CoarseEngine):
    """Knocks from 60 kPa on only."""

    def knock_spark(self, speed: float, pressure: float, *, burned_fraction: float | None = None) -> float:
        return math.inf if pressure < 60e3 else 40.0 - (pressure - 60e3) / 1e3


def test_between_a_load_that_knocks_and_one_that_does_not_the_limit_is_that_which_knocks(build_of: Make) -> None:
    engine = FromSixty(build_of("quarry-road"))
    loads = np.linspace(1e-4, 8e-4, 60)
    found = ceilings_on_table(engine, np.array([25.0]), loads, "air charge").knock[0]
    known = found[~np.isnan(found)]
    assert np.isposinf(known[0])
    limits = known[np.isfinite(known)]
    # Loads are asked at 55 and 60 kPa: between them the limit of 60 holds; from there on it falls, and past wide-open throttle it stays.
    assert limits[0] == 40.0
    assert (limits == 40.0).sum() >= 2
    assert (np.diff(limits) <= 1e-9).all()
    assert limits[-1] == pytest.approx(40.0 - (0.9999 * barometer(engine) - 60e3) / 1e3)


def test_a_model_that_knows_no_knock_gives_no_table(build_of: Make) -> None:
    with pytest.raises(CamcalcError, match="knows knock"):
        ceilings_on_table(MODELS["quick"](build_of("quarry-road")), np.array([20.0]), np.array([60e3]), "manifold pressure")


# Without an engine.


def test_spark_that_rose_with_load_in_the_zone_no_longer_does() -> None:
    """A ceiling on one cell alone left 17 degrees beside 21 at the next fuller load."""
    table = by_pressure([[30, 28, 26, 24], [30, 28, 25, 21], [30, 28, 26, 24]])
    ceiling = np.full(table.shape, np.nan)
    ceiling[1, 2] = 17.0
    shaped = shape_table(table, ceiling, **SLOPES)
    assert shaped.table.si.cells[1].tolist() == [30.0, 25.0, 17.0, 17.0]
    assert [c.reasons for c in shaped.changes if c.row == 1] == [(Reason.SLOPE,), (Reason.CEILING,), (Reason.RISE,)]


def test_light_loads_that_hold_less_spark_are_left_alone_and_told() -> None:
    """Overrun cells often have little spark; the zone begins at 50 kPa."""
    table = by_pressure([[17, 30, 28, 26]] * 3)
    ceiling = np.full(table.shape, np.nan)
    ceiling[:, 1:3] = 24.0
    shaped = shape_table(table, ceiling, **SLOPES)
    assert shaped.table.si.cells.tolist() == [[17.0, 24.0, 24.0, 24.0]] * 3
    assert [(r.where, r.fuller) for r in shaped.rises] == [(f"{rpm} rpm, 40 kPa", f"{rpm} rpm, 50 kPa") for rpm in (1200, 1400, 1600)]
    words = shaped_full(shaped)
    assert "Spark rises with load in your table where nothing was shaped" in words
    assert "1400 rpm, 40 kPa to 1400 rpm, 50 kPa: 17 to 24" in words


def test_one_ceiling_moves_a_few_cells_by_the_slopes_and_dozens_by_three_degrees_a_cell(root: Path) -> None:
    table = read_table(root / "examples" / "quarry-road" / "spark.csv")
    ceiling = np.full(table.shape, np.nan)
    ceiling[3, 5] = 14.0
    assert table.place(3, 5) == "1200 rpm, 70 kPa"
    few = shape_table(table, ceiling, **SLOPES)
    # Beside the cell itself and the fuller ones, which may have no more: what the slopes ask for and nothing else.
    assert len(few.changes) <= 9
    assert {c.row for c in few.changes} <= {2, 3, 4}
    assert all(c.reasons == (Reason.SLOPE,) for c in few.changes if c.column < 5)
    many = shape_table(table, ceiling, **SLOPES, per_cell="3 crank_deg")
    assert len(many.changes) > 40


def test_a_cell_lowered_for_knock_alone_lowers_nobody_by_slopes() -> None:
    table = by_pressure([[30, 28, 26, 24]] * 3)
    knock = np.full(table.shape, np.inf)
    knock[1, 3] = 8.0
    shaped = shape_table(table, np.full(table.shape, np.nan), knock=knock, per_cell="3 crank_deg", **SLOPES)
    assert [(c.where, c.si.spark_after, c.reasons) for c in shaped.changes] == [("1400 rpm, 70 kPa", 6.0, (Reason.KNOCK,))]
    # But beside the zone the slopes hold.
    ceiling = np.full(table.shape, np.nan)
    ceiling[1, 2] = 40.0
    beside = shape_table(table, ceiling, knock=knock, per_cell="3 crank_deg", **SLOPES)
    assert beside.table.si.cells[1].tolist() == [15.0, 12.0, 9.0, 6.0]


def test_knock_may_be_listed_and_not_held() -> None:
    table = by_pressure([[30, 28, 26, 24]] * 3)
    knock = np.full(table.shape, np.inf)
    knock[1, 3], knock[2, 3], knock[0] = 20.0, 25.0, np.nan
    listed = shape_table(table, np.full(table.shape, np.nan), knock=knock, hold_knock=False, **SLOPES)
    assert listed.changes == ()
    assert [(c.where, c.si.knock, c.outcome, c.above_before, c.above_after) for c in listed.knock_cells] == [
        ("1400 rpm, 70 kPa", 20.0, Outcome.LEFT, True, True),
        ("1600 rpm, 70 kPa", 25.0, Outcome.LEFT, False, False),
    ]
    text = shaped_full(listed)
    assert "Caution: 1 cell of the table below is above the knock limit. Knock breaks pistons." in text
    assert "1400 rpm, 70 kPa             24 (was 24, 4 above the knock limit of 20), still above" in text
    assert "Knock is not computed in 4 cells" in text
    held = shape_table(table, np.full(table.shape, np.nan), knock=knock, **SLOPES)
    assert held.table.si.cells[1:, 3].tolist() == [18.0, 23.0]
    assert "above camcalc's knock limit in 1 cell, by up to 4 deg" in describe(held)
    wide = shape_table(table, np.full(table.shape, np.nan), knock=knock, knock_margin="5 crank_deg", **SLOPES)
    assert wide.table.si.cells[1:, 3].tolist() == [15.0, 20.0]


def test_knock_brings_no_cell_below_the_least_spark_and_says_not_to_run_there() -> None:
    table = by_pressure([[30, 28, 26, 24]] * 3)
    knock = np.full(table.shape, np.inf)
    knock[0, 3], knock[1, 3] = -6.0, 1.0
    shaped = shape_table(table, np.full(table.shape, np.nan), knock=knock, **SLOPES)
    assert shaped.table.si.cells[:2, 3].tolist() == [0.0, 0.0]
    assert {c.outcome for c in shaped.knock_cells} == {Outcome.AVOID}
    assert "Caution: do not run at 1200 rpm, 70 kPa; 1400 rpm, 70 kPa. Knock leaves less than 0 deg BTDC" in " ".join(describe(shaped).split())
    knock[0, 1:] = -6.0
    assert "do not run at 1200 rpm, 50 to 70 kPa; 1400 rpm, 70 kPa." in describe(shape_table(table, np.full(table.shape, np.nan), knock=knock, **SLOPES))
    assert shape_table(table, np.full(table.shape, np.nan), knock=knock, least_spark="5 crank_deg", **SLOPES).table.si.cells[0, 3] == 5.0


def test_a_shaped_table_says_its_cautions_before_its_figures_and_the_law_after_them() -> None:
    table = by_pressure([[30, 28, 26, 24]] * 3)
    knock = np.full(table.shape, 40.0)
    knock[2] = np.nan
    lines = describe(shape_table(table, np.full(table.shape, 25.0), knock=knock, **SLOPES)).splitlines()
    grid = [k for k, line in enumerate(lines) if line.startswith("(")]
    above = " ".join(" ".join(lines[: grid[0]]).split())
    assert [f"Caution: {caution}" in above for caution in OVER_SPARK_TABLE] == [True] * len(OVER_SPARK_TABLE)
    assert lines[grid[-1] + 1] == Caution.LAW
    (unknown,) = [line for line in lines if "not permission" in line]
    assert unknown == "Knock is not computed in every cell from 1600 rpm up: not computed, not permission."
    assert lines.index(unknown) < grid[0]
    # Nothing known of knock is said too.
    assert "Caution: no knock limit was given. This table was not checked for knock." in describe(shape_table(table, np.full(table.shape, 25.0), **SLOPES))


def test_what_is_known_of_knock_becomes_plain_data() -> None:
    table = by_pressure([[30, 28, 26, 24]] * 3)
    knock = np.full(table.shape, np.inf)
    knock[1, 3], knock[0] = 20.0, np.nan
    data = json.loads(json.dumps(shape_table(table, np.full(table.shape, np.nan), knock=knock, **SLOPES).to_dict(), allow_nan=False))
    (cell,) = data["knock_cells"]
    assert (cell["knock"]["value"], cell["spark_before"]["value"], cell["spark_after"]["value"]) == (20.0, 24.0, 18.0)
    assert data["knock_known"][0] == [False] * 4
    assert Caution.KNOCK in data["cautions"]
    assert data["changes"][0]["reasons"] == [{"code": "knock", "text": str(Reason.KNOCK)}]


def test_a_locked_cell_above_its_knock_limit_is_named() -> None:
    table = by_pressure([[30, 28, 26, 24]] * 3)
    knock, locked = np.full(table.shape, np.inf), np.zeros(table.shape, dtype=bool)
    knock[1, 3], locked[1, 3] = 20.0, True
    with pytest.raises(InputError, match="at most 18, the knock limit less its margin"):
        shape_table(table, np.full(table.shape, np.nan), knock=knock, locked=locked, **SLOPES)
    rising = np.zeros(table.shape, dtype=bool)
    rising[1, 3] = True
    ceiling = np.full(table.shape, np.nan)
    ceiling[1, 2] = 17.0
    with pytest.raises(InputError, match="spark does not rise with load here"):
        shape_table(table, ceiling, locked=rising, **SLOPES)


def test_adding_back_never_passes_knock_or_best_torque_less_the_margin() -> None:
    table = by_pressure([[30, 28, 26, 24]] * 3)
    low = table.with_spark(table.si.cells - 10.0)
    everywhere = np.ones(table.shape, dtype=bool)
    knock = np.full(table.shape, np.inf)
    knock[1, 3], knock[0] = 17.0, np.nan
    best = np.full(table.shape, 60.0)
    best[2, 0] = 23.0
    back = add_back(low, table, ceiling=np.full(table.shape, np.nan), visited=everywhere, step="20 crank_deg", knock=knock, best=best, **SLOPES)
    cells = back.table.si.cells
    assert np.array_equal(cells[0], low.si.cells[0])  # not computed is no permission
    assert cells[1, 3] == 15.0
    assert cells[2, 0] == 21.0
    assert (cells[2, 1:] <= 21.0).all()  # nor is any fuller load above a lighter one
    # A cell that is above already stays, and is told.
    high = add_back(table, table, ceiling=np.full(table.shape, np.nan), visited=everywhere, knock=knock, **SLOPES)
    assert high.changes == ()
    assert [c.above_after for c in high.knock_cells] == [True]


def test_rises_with_load_are_found_one_by_one() -> None:
    table = by_pressure([[10, 12, 11, 11], [20, 19, 18, 17], [5, 6, 7, 7]])
    assert [(r.row, r.column) for r in load_rises(table)] == [(0, 0), (2, 0), (2, 1)]
    assert math.isclose(load_rises(table)[0].si.spark_fuller, 12.0)

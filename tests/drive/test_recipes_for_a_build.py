"""What the command line asks for is what Python users ask for: gears, idle, shaping, giving back, reviewing, on a build."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import camcalc as cc
from camcalc.cli.main import main
from camcalc.drive.idle_swing import IdleHunting
from camcalc.drive.no_answer import NoAnswer
from camcalc.drive.shaped_for_build import OtherLimits
from camcalc.errors import InputError
from camcalc.logs.causes import Cause
from camcalc.tables.build_limits import build_limits
from camcalc.vehicle.coupling import Coupling
from tests.oracles.coarse_engine import CoarseEngine

Make = Callable[..., Any]
Said = pytest.CaptureFixture[str]


@pytest.fixture
def sheet(root: Path) -> str:
    return str(root / "examples" / "quarry-road" / "build.toml")


@pytest.fixture
def engine(sheet: str) -> CoarseEngine:
    return CoarseEngine(cc.load_build(sheet))


def told(capsys: Said, *words: str) -> Any:
    assert main([*words, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_shaping_for_a_build_is_what_the_command_does(sheet: str, engine: CoarseEngine, capsys: Said, coarse: None) -> None:
    build = engine.build
    table = cc.read_table(build.spark_table)
    found = cc.shape_for_build(build, table, engine=engine)
    data = told(capsys, "shape", sheet)
    assert found.shaped.table.si.cells.tolist() == data["table"]["spark"]["value"]
    assert {limits.code: count for limits, count in found.cells_changed.items()} == data["cells_changed"]
    assert found.rule is not None
    assert data["slope_rule"]["speed_gear"] == found.rule.speed_gear
    # The least change under the same limits, asked for one by one.
    limits = build_limits(engine, table)
    slopes = {"along_speed": found.rule.along_speed, "along_load": found.rule.along_load}
    by_hand = cc.shape_table(table, limits.ceiling, floor=limits.floor, best=limits.best, **limits.knock, **slopes)
    assert by_hand.table.si.cells.tolist() == found.shaped.table.si.cells.tolist()
    assert by_hand.changes == found.shaped.changes


def test_adders_come_off_ceilings_and_knock_once(engine: CoarseEngine) -> None:
    table = cc.read_table(engine.build.spark_table)
    plain, lower = (build_limits(engine, table, adders=adders) for adders in ("0 crank_deg", "4 crank_deg"))
    finite = np.isfinite(plain.ceiling)
    assert finite.any()
    assert plain.ceiling[finite] - lower.ceiling[finite] == pytest.approx(4.0)
    known = np.isfinite(plain.knock["knock"]) & np.isfinite(lower.knock["knock"])
    assert known.any()
    assert plain.knock["knock"][known] - lower.knock["knock"][known] == pytest.approx(4.0)
    with pytest.raises(InputError, match="adders"):
        build_limits(engine, table, adders="50 crank_deg")


def test_other_limits_are_counted_by_code(engine: CoarseEngine) -> None:
    table = cc.read_table(engine.build.spark_table)
    slopes = {"along_speed": "70 crank_deg/krpm", "along_load": "0.8 crank_deg/kPa"}
    found = cc.shape_for_build(engine.build, table, engine=engine, **slopes, per_cell="3 crank_deg", hold_floor=True)
    assert found.rule is None
    assert set(found.cells_changed) == {OtherLimits.WITHOUT_HOLDING_KNOCK, OtherLimits.BY_SLOPES_ALONE, OtherLimits.HOLDING_FLOOR}
    assert found.cells_changed[OtherLimits.HOLDING_FLOOR] == len(found.shaped.changes)
    with pytest.raises(InputError, match="hold_floor"):
        cc.add_back_for_build(engine.build, table, table, log=cc.DriveLog.of(time=[0.0, 0.1], speed=[20.0, 20.0]), step="1 crank_deg", hold_floor=True)


def test_all_gears_on_a_table_are_what_each_gear_is_alone(engine: CoarseEngine, tables_of: Make) -> None:
    build, tables = engine.build, tables_of("quarry-road")
    table = cc.read_table(build.spark_table)
    shares: list[float] = []
    found = cc.surge_in_gears(build, table, gears=[2, 4], engine=engine, engine_tables=tables, progress=shares.append)
    assert [gear.gear for gear in found.gears] == [2, 4]
    assert {gear.coupling for gear in found.gears} == {Coupling.LOCKED}
    assert shares == sorted(shares)
    assert 0.0 < shares[0] < 0.5 < shares[-1] < 1.0
    alone = cc.surge_risk(build, table, gear=4, engine_tables=tables)
    assert found.gears[1] == alone
    assert found.bad_gears == tuple(gear for gear in found.gears if gear.last_bad >= 0)
    assert found.idle == cc.idle_swing_in_neutral(engine, table)
    assert found.idle is None or found.idle.hunting in IdleHunting
    assert not found.swing_measured


def test_a_gear_without_an_answer_is_listed_and_the_others_are_given(engine: CoarseEngine, tables_of: Make) -> None:
    build, tables = engine.build, tables_of("quarry-road")
    weak = tables._replace(pressures=tables.pressures[:4], values=tables.values[:, :, :4, :], runs=tables.runs[:, :4, :])
    found = cc.surge_in_gears(build, cc.read_table(build.spark_table), gears=[1, 6], engine=engine, engine_tables=weak)
    without = {point.gear for point in found.no_answer}
    assert without | {gear.gear for gear in found.gears} == {1, 6}
    assert 6 in without
    assert {point.why for point in found.no_answer} <= set(NoAnswer)


def test_reviewing_for_a_build_is_what_the_command_does(root: Path, sheet: str, engine: CoarseEngine, capsys: Said, coarse: None) -> None:
    folder = root / "examples" / "steep-table"
    log, table = cc.read_log(folder / "before.csv"), cc.read_table(folder / "steep.csv")
    found = cc.review_for_build(log, engine.build, table, engine=engine)
    data = told(capsys, "review", str(folder / "before.csv"), sheet, "--table", str(folder / "steep.csv"))["review"]
    assert found.main_cause is Cause.TABLE
    assert data["main_cause"]["code"] == "table"
    assert [advice.cell for advice in found.lower] == [tuple(cell["cell"]) for cell in data["lower"]]
    assert found.above_knock == data["above_knock"]
    assert data["headline"].startswith("Surge in ")
    # Without ceilings the engine is not asked: no torque of the swing, no load jitter.
    quick = cc.review_for_build(log, engine.build, table, ceilings=False)
    assert np.isfinite(found.causes[0].si.torque_swing)
    assert np.isnan(quick.causes[0].si.torque_swing)
    assert np.isnan(quick.swing.load_jitter)

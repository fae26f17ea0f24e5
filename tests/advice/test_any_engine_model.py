"""Advice needs nothing but the protocol of an engine model: a third, tiny one is taken through it, without and with flows in the runners."""

from __future__ import annotations

import ast
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from camcalc import Build, InputError, QuickEngine, ResolvedEngine
from camcalc.advice.curves import brief_curves
from camcalc.advice.fuel_factors import fuel_factors
from camcalc.advice.fuel_placement import InjectionReason
from camcalc.advice.idle import idle_state
from camcalc.advice.injection import InjectionBasis, injection_windows, point_at
from camcalc.advice.mixture import ALWAYS_LEFT
from camcalc.advice.reversion import reversion_in_gear, road_point
from camcalc.advice.sensing import idle_sensing
from camcalc.advice.spark import spark_ceilings
from camcalc.advice.spark_limits import CellState
from camcalc.compare.figures import curves_of
from camcalc.cycle.engine_tables import engine_tables
from camcalc.cycle.grid import map_of
from camcalc.cycle.operating import Ending, EngineModel
from camcalc.cycle.work_variation import work_spread
from camcalc.explain.idle_topics import explain_residual
from tests.oracles.tiny_engine import LEAST_RUNNING, FlowingEngine, TinyEngine

PACKAGE = Path(__file__).resolve().parents[2] / "camcalc"
SPEEDS, PRESSURES = np.array([1000.0, 1600.0, 2600.0]) / 60.0, np.array([30e3, 50e3, 80e3])
DEAD = LEAST_RUNNING - 4e3


@pytest.fixture(scope="module")
def build(build_of: Callable[..., Build]) -> Build:
    return build_of("quarry-road")


@pytest.fixture(scope="module", params=[TinyEngine, FlowingEngine], ids=["no flows", "flows"])
def engine(build: Build, request: pytest.FixtureRequest) -> EngineModel:
    made: EngineModel = request.param(build)
    return made


@pytest.fixture(scope="module")
def before(engine: EngineModel, build: Build) -> EngineModel:
    made: EngineModel = type(engine)(build.with_replaced_cam())  # type: ignore[call-arg]
    return made


def knows_flows(engine: EngineModel) -> bool:
    return isinstance(engine, FlowingEngine)


def test_it_is_neither_of_the_package_s_own() -> None:
    assert not issubclass(FlowingEngine, QuickEngine | ResolvedEngine)


def test_it_idles_and_its_net_torque_carries_the_load(engine: EngineModel) -> None:
    idle = idle_state(engine).si
    drive = idle_state(engine, accessories=True).si
    assert LEAST_RUNNING < idle.manifold_pressure < drive.manifold_pressure < 100e3
    assert engine.state(idle.speed, idle.manifold_pressure, idle.spark).net > 0.0


def test_it_has_ceilings_no_later_than_its_own_knock(engine: EngineModel) -> None:
    ceilings = spark_ceilings(engine, SPEEDS, PRESSURES)
    assert not ceilings.where(CellState.NO_TORQUE).any()
    knock = np.array([[engine.knock_spark(float(n), float(p)) for n in SPEEDS] for p in PRESSURES])
    assert np.isfinite(knock[-1]).all()
    assert np.allclose(ceilings.si.knock[np.isfinite(knock)], knock[np.isfinite(knock)])
    asked = np.isfinite(ceilings.si.ceiling) & np.isfinite(knock)
    assert (ceilings.si.ceiling[asked] <= knock[asked] + 1e-9).all()


def test_its_reversion_follows_its_own_burned_gas(engine: EngineModel) -> None:
    gear, limit = engine.build.vehicle.smooth_gears[0], 0.1
    strict = engine.asking(engine.build.replace(limits=engine.build.limits.replace(blow_back_share=limit)))
    edge = float(reversion_in_gear(strict, gear).si.blow_back_below)
    slower, faster = (road_point(strict, edge + by, engine.build.vehicle.gear_ratios[gear - 1]).blow_back for by in (-0.5, 0.5))
    assert slower > limit > faster


def test_windows_rest_on_its_flows_where_it_knows_them(engine: EngineModel) -> None:
    windows = injection_windows(engine, SPEEDS, PRESSURES)
    assert windows.basis is (InjectionBasis.FUEL_FOLLOWED if knows_flows(engine) else InjectionBasis.VALVE_EVENTS)
    assert (windows.shut_valve is not None) == (windows.open_valve is not None) == knows_flows(engine)
    assert np.isfinite(windows.si.end_of_injection).all()
    if windows.shut_valve is not None:
        # What is blown back of fuel on the shut valve is drawn in again: nothing reaches a plenum a runner's length away.
        assert (windows.shut_valve.si.in_cylinder > 0.5).all()


def test_sensors_with_flows_and_without(engine: EngineModel, before: EngineModel) -> None:
    idle = idle_state(engine)
    found = idle_sensing(engine, before, idle)
    # It burns all that its kernels light: crevices and missed cycles are what is left.
    spread = work_spread(engine, idle.si.speed, idle.si.manifold_pressure, idle.si.spark)
    lost = (1.0 - idle.si.burned_fraction) * spread.missed
    assert found.mixture.si.burned_share == pytest.approx((1.0 - ALWAYS_LEFT) * (1.0 - lost))
    assert (found.load is not None) == knows_flows(engine)
    assert idle_sensing(engine, None, idle).load is None
    if found.load is not None:
        si = idle.si
        new, old = (e.state(si.speed, si.manifold_pressure, e.best_spark(si.speed, si.manifold_pressure)).air for e in (engine, before))
        assert found.load.si.pressure_sensor == pytest.approx(old / new - 1.0)


def test_where_burned_gas_comes_from_is_explained_only_with_a_ledger(engine: EngineModel, build: Build) -> None:
    if knows_flows(engine):
        told = explain_residual(build, speed="1200 rpm", manifold_pressure="50 kPa", engine=engine)
        share = next(v for v in told.answers if v.symbol.name == "x").quantity
        assert share.to("").magnitude == pytest.approx(engine.state(20.0, 50e3, 30.0).burned_fraction)
    else:
        with pytest.raises(InputError, match="the tests' straight lines"):
            explain_residual(build, speed="1200 rpm", manifold_pressure="50 kPa", engine=engine)


def test_a_brief_s_curves_and_maps_are_of_the_engine_given(engine: EngineModel, before: EngineModel) -> None:
    curves = brief_curves(engine, before)
    assert len(curves.maps) == 2
    first = curves.maps[0].si
    at = float(first.speed[2]), float(first.manifold_pressure[1])
    assert first.burned_fraction[1, 2] == engine.state(*at, 30.0).burned_fraction
    assert brief_curves(QuickEngine(engine.build), None).maps == ()


# A point that does not run is told by its outcome alone: the tiny engine leaves whatever figures there.


def test_a_point_that_does_not_run_keeps_figures_in_the_tiny_engine(engine: EngineModel) -> None:
    state = engine.state(20.0, DEAD, 30.0)
    assert state.outcome is Ending.NO_FRESH_CHARGE
    assert not state.runs
    assert min(state.air, state.fuel, state.gross) > 0.0


def test_no_window_where_it_does_not_run(engine: EngineModel) -> None:
    point = point_at(engine, 20.0, DEAD)
    assert point.strategy is None
    assert point.reason is InjectionReason.NOT_RUNNING
    empty = injection_windows(engine, SPEEDS, np.array([DEAD]))
    assert empty.basis is (InjectionBasis.FUEL_FOLLOWED if knows_flows(engine) else InjectionBasis.VALVE_EVENTS)


def test_no_factor_where_it_does_not_run(engine: EngineModel, before: EngineModel, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("camcalc.advice.fuel_factors.PRESSURES", np.array([DEAD, 50e3]))
    found = fuel_factors(engine, before, idle_state(engine), lambda speed, pressure: 25.0).si.factor
    assert np.isnan(found[0]).all()
    assert np.isfinite(found[1]).all()


def test_no_cell_curve_table_or_map_where_it_does_not_run(engine: EngineModel, monkeypatch: pytest.MonkeyPatch) -> None:
    cells = spark_ceilings(engine, SPEEDS[1:], np.array([DEAD, 50e3]))
    assert cells.where(CellState.NO_TORQUE).tolist() == [[True, True], [False, False]]
    tables = engine_tables(engine, SPEEDS, np.array([DEAD, 50e3]), np.array([10.0, 30.0]))
    assert tables.runs[:, 1].all()
    assert not tables.runs[:, 0].any()
    found = map_of(engine, SPEEDS, np.array([DEAD, 50e3]), 30.0)
    assert set(found.outcomes[0]) == {Ending.NO_FRESH_CHARGE}
    assert set(found.outcomes[1]) == {Ending.SETTLED}
    assert np.isnan(found.si.fresh_air[0]).all()
    assert found.si.fresh_air[1] == pytest.approx([engine.state(float(n), 50e3, 30.0).air for n in SPEEDS])
    monkeypatch.setattr("camcalc.compare.figures.BURNED_AT", (DEAD, 30.0))
    assert np.isnan(curves_of(engine, cells)["burned_fraction"]).all()


def test_what_an_engine_model_is_called_or_made_of_decides_nothing() -> None:
    """No module outside the cycle's own names a class of engines; the front door and the list of models do."""
    own = {"resolved", "quick", "steady", "whole_engine"}

    def names_one(path: Path) -> bool:
        nodes = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        return any(isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[-1] in own for node in nodes)

    naming = {path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py") if names_one(path)}
    assert {name for name in naming if not name.startswith("cycle/")} == {"__init__.py"}

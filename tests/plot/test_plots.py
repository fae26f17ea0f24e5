"""Plots: drawn on axes that are given back, labelled, and nothing else touched."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

import camcalc.plot
from camcalc import hear_drive, read_table, shape_table, simulate_cycle, simulate_drive, simulate_map
from camcalc.advice.curves import residual_curve
from camcalc.advice.trade_off import trade_off
from camcalc.compare import Curves
from camcalc.cycle.engine_tables import engine_tables
from camcalc.drive.risk import surge_map
from camcalc.logs import DriveLog, find_surge
from camcalc.plot import (
    plot_ceilings,
    plot_compared,
    plot_drive,
    plot_flows,
    plot_heard,
    plot_idle_spark,
    plot_indicator,
    plot_injection,
    plot_lift,
    plot_lifts,
    plot_log,
    plot_map,
    plot_pressure,
    plot_residual,
    plot_surge,
    plot_table_grid,
    plot_table_surface,
    plot_trade_off,
    plot_visited,
)

Draw = Callable[..., Axes]
NAMES = (
    "lift", "lifts", "compared", "residual", "ceilings", "injection", "pressure", "indicator", "flows", "map", "table_grid", "table_surface", "log", "visited",
    "surge", "drive", "trade_off", "idle_spark", "heard",
)  # fmt: skip


# Drawn with the page of a review, in tests/report/test_review_page.py.
OF_A_REVIEW = ("trace", "driven", "spectrum", "spark_path")
# Drawn with a choice, in tests/choose/test_choosing.py.
OF_A_CHOICE = ("choice",)


def test_every_plot_is_tested() -> None:
    assert set(camcalc.plot.__all__) == {"PLOTS", *(f"plot_{name}" for name in (*NAMES, *OF_A_REVIEW, *OF_A_CHOICE))}


@pytest.fixture(scope="module")
def draw(brief_of: Callable[[str], Any], engine_of: Callable[..., Any]) -> Callable[..., Axes]:
    brief, build = brief_of("quarry-road"), brief_of("quarry-road").build
    curves_of_residual = [residual_curve(engine_of("quarry-road", old=old), pressure=45e3, spark=25.0) for old in (False, True)]
    cycle = simulate_cycle(build, speed="2500 rpm", manifold_pressure="80 kPa", spark="25 crank_deg")
    grid = simulate_map(build, speeds=["2200 rpm", "3000 rpm"], manifold_pressures=["70 kPa", "85 kPa"], spark="25 crank_deg")
    base = read_table(build.spark_table)
    shaped = shape_table(base, np.where(base.si.cells > 38.0, 30.0, np.nan))
    time = np.arange(0.0, 12.0, 0.02)
    log = DriveLog.of(time=time, speed=22.0 + np.sin(16.0 * time), load=np.full(time.size, 45e3), load_kind="manifold pressure", pedal=0.2 + 0.0 * time)
    findings = find_surge(log)
    tables = engine_tables(engine_of("quarry-road"), np.array([20.0, 30.0, 40.0]), np.array([40e3, 60e3, 80e3]), np.array([15.0, 30.0, 45.0]))
    run = simulate_drive(build, base, gear=2, speed="2200 rpm", driver="closed pedal", engine_tables=tables, duration="4 s")
    heard = hear_drive(build, base, gear=2, speed="2200 rpm", duration="2 s", engine_tables=tables)
    traded = trade_off(engine_of("quarry-road"), speed="2400 rpm", torque="60 N m", ceiling="30 crank_deg")
    up = np.array([1.0, 2.0])
    over = {name: np.array([up, up]) for name in ("vacuum", "burned_fraction", "ceiling", "intake_lift", "exhaust_lift")}
    curves = Curves(idle_speed=10.0 * up, burned_speed=20.0 * up, ceiling_speed=20.0 * up, crank_angle=up, **over)
    surge = surge_map(build, base, gear=2, engine_tables=tables, speeds=np.array([28.0, 34.0]), pressures=np.array([50e3, 65e3]))
    plots: dict[str, Draw] = {
        "lift": lambda ax=None: plot_lift(build.cam, build.replaced_cam, ax=ax),
        "residual": lambda ax=None: plot_residual(curves_of_residual, ax=ax),
        "ceilings": lambda ax=None: plot_ceilings(brief.spark_ceilings, ax=ax),
        "injection": lambda ax=None: plot_injection(brief.injection, build.cam, ax=ax),
        "pressure": lambda ax=None: plot_pressure(cycle, ax=ax),
        "indicator": lambda ax=None: plot_indicator(cycle, ax=ax),
        "flows": lambda ax=None: plot_flows(cycle, ax=ax),
        "map": lambda ax=None: plot_map(grid, ax=ax),
        "table_grid": lambda ax=None: plot_table_grid(shaped.table, shaped, ax=ax),
        "drive": lambda ax=None: plot_drive(run, ax=ax, road_speed_unit="mph"),
        "trade_off": lambda ax=None: plot_trade_off(traded, ax=ax),
        "idle_spark": lambda ax=None: plot_idle_spark(brief.idle_spark, ax=ax),
        "heard": lambda ax=None: plot_heard(heard, ax=ax),
        "lifts": lambda ax=None: plot_lifts(curves, ("long", "mild"), ax=ax),
        "compared": lambda ax=None: plot_compared(curves, "vacuum", ax=ax),
        "surge": lambda ax=None: plot_surge(surge, ax=ax),
        "log": lambda ax=None: plot_log(log, findings, ax=ax),
        "visited": lambda ax=None: plot_visited(log, findings, base, ax=ax),
        "table_surface": lambda ax=None: plot_table_surface(shaped.table, ax=ax),
    }
    return lambda name, ax=None: plots[name](ax=ax)


@pytest.mark.parametrize("name", NAMES)
def test_every_plot_gives_back_axes_with_both_axes_and_their_units_named(draw: Draw, name: str) -> None:
    ax = draw(name)
    assert isinstance(ax, Axes)
    upright = [strip.get_ylabel() for strip in ax.child_axes] if name in ("trade_off", "idle_spark") else [ax.get_ylabel()]
    for label in (ax.get_xlabel(), *upright):
        assert len(label) > 5
        assert label.endswith("]")


@pytest.mark.parametrize("name", NAMES)
def test_every_plot_draws_on_the_axes_it_is_given(draw: Draw, name: str) -> None:
    given = Figure().add_subplot(projection="3d" if name == "table_surface" else None)
    assert draw(name, ax=given) is given
    assert given.has_data()


@pytest.mark.parametrize("name", NAMES)
def test_no_plot_changes_a_setting(draw: Draw, name: str) -> None:
    before = dict(matplotlib.rcParams)
    draw(name)
    assert dict(matplotlib.rcParams) == before


@pytest.mark.parametrize("name", ["lift", "residual", "injection", "pressure", "flows"])
def test_what_is_drawn_is_named_once_in_a_legend(draw: Draw, name: str) -> None:
    legend = draw(name).get_legend()
    assert legend is not None
    names = [text.get_text() for text in legend.get_texts()]
    assert len(names) == len(set(names)) >= 2


def test_the_lift_plot_draws_the_curve_in_millimetres(draw: Draw, brief_of: Callable[[str], Any]) -> None:
    cam = brief_of("quarry-road").build.cam
    (intake,) = (line for line in draw("lift").get_lines() if line.get_label() == "intake")
    theta, lift = np.asarray(intake.get_xdata()), np.asarray(intake.get_ydata())
    assert lift == pytest.approx(1e3 * cam.lift_curve("intake").lift(theta), rel=1e-12)
    assert lift.max() == pytest.approx(cam.intake.valve_lift.magnitude, rel=1e-3)


def test_the_residual_plot_draws_burned_gas_in_per_cent(draw: Draw, engine_of: Callable[..., Any]) -> None:
    (old,) = (line for line in draw("residual").get_lines() if line.get_label() == engine_of("quarry-road", old=True).build.cam.name)
    rpm, burned = float(np.asarray(old.get_xdata())[3]), float(np.asarray(old.get_ydata())[3])
    assert burned == pytest.approx(100.0 * engine_of("quarry-road", old=True).state(rpm / 60.0, 45e3, 25.0).burned_fraction, rel=1e-12)


def test_the_ceilings_are_printed_in_their_cells_and_empty_cells_stay_blank(draw: Draw, brief_of: Callable[[str], Any]) -> None:
    ceiling = brief_of("quarry-road").spark_ceilings.si.ceiling
    printed = sorted(int(text.get_text().strip("()~")) for text in draw("ceilings").texts)
    assert printed == sorted(round(v) for v in ceiling[np.isfinite(ceiling)])


def test_the_injection_plot_ends_each_pulse_where_the_table_says(draw: Draw, brief_of: Callable[[str], Any]) -> None:
    windows = brief_of("quarry-road").injection
    ends = [line.get_xdata()[0] for line in draw("injection").get_lines() if line.get_marker() == "|"]
    assert ends == pytest.approx(list(windows.si.end_of_injection[0]), rel=1e-12)


def test_plotting_needs_no_window_and_leaves_the_plotting_session_alone(root: Path) -> None:
    script = (
        "import sys\n"
        "from camcalc import load_build\n"
        "from camcalc.plot import plot_lift\n"
        "plot_lift(load_build('examples/dockside/build.toml').cam)\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
        "print('alone')\n"
    )
    done = subprocess.run([sys.executable, "-W", "error", "-c", script], cwd=root, capture_output=True, text=True, check=False)
    assert done.stdout.strip() == "alone", done.stderr


def test_no_module_of_the_library_asks_for_the_plotting_session(root: Path) -> None:
    assert [p.name for p in sorted((root / "camcalc").rglob("*.py")) if "pyplot" in p.read_text(encoding="utf-8")] == []

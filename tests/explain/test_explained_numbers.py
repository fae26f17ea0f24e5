"""Each topic ends on the number that the library itself gives."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from camcalc import InputError, QuickEngine, explain_topic
from camcalc.advice.cam_facts import cam_facts
from camcalc.advice.equal_torque import road_net_imep
from camcalc.advice.fuel_placement import InjectionReason
from camcalc.advice.idle import idle_state, load_terms
from camcalc.advice.injection import point_at
from camcalc.advice.reversion import reversion_in_gear, road_point
from camcalc.advice.spark import PRESSURES
from camcalc.advice.spark_limits import Binds, asked_of, ceiling_column
from camcalc.burn.ignition import ignition_energy
from camcalc.burn.stretch import TURBULENCE
from camcalc.cycle.operating import barometer
from camcalc.cycle.simulate import describe_cycle
from camcalc.cycle.work_variation import ignition_law, work_spread
from camcalc.drive.engine_loop import engine_side_of as loop_engine_of
from camcalc.drive.engine_loop import loop_point
from camcalc.drive.risk import surge_risk
from camcalc.explain.surge_topic import nearby_tables
from camcalc.marks import Mark
from camcalc.vehicle.driveline import acceleration_per_torque, driveline_of, first_mode
from camcalc.words.phrases import graded

if TYPE_CHECKING:
    from camcalc import Explanation

SAME = 1e-9
Told = Callable[[str, str], "Explanation"]
Make = Callable[..., Any]
two_examples = pytest.mark.parametrize("name", ["quarry-road", "dockside"])


def value(told: Explanation, symbol: str, unit: str) -> float:
    """The result of the step, or the value given, under a symbol."""
    found = {v.symbol.name: v.quantity for step in told.steps for v in (*step.values, step.result)}
    return float(found[symbol].to(unit or "dimensionless").magnitude)


def close(found: float, expected: float) -> bool:
    return found == pytest.approx(expected, rel=SAME, abs=1e-15)


# --- the cam


@two_examples
def test_overlap_is_that_of_the_card_and_of_the_lift_curves(name: str, told: Told, build_of: Make) -> None:
    card, e = build_of(name).cam, told(name, "overlap")
    assert close(value(e, "O", "crank_deg"), card.events().si.overlap)
    assert close(value(e, "O_seat", "crank_deg"), card.overlap.si.angle)
    assert close(value(e, "h", "m"), card.overlap.si.area / card.overlap.si.angle)
    assert ("flanks are unlike" in e.reading) == (name == "dockside")
    assert close(value(e, "S", "cam_deg"), 107.5 if name == "dockside" else float(card.lobe_separation.magnitude))


@two_examples
@pytest.mark.parametrize("at", [None, "0.050 inch", "2 mm"])
def test_events_are_those_of_the_card_at_any_height(name: str, at: str | None, build_of: Make) -> None:
    build = build_of(name)
    e, events = explain_topic(build, "events", at=at), build.cam.events(at=at).si
    expected = {"IVO": events.intake_opens, "IVC": events.intake_closes, "EVO": events.exhaust_opens, "EVC": events.exhaust_closes}
    assert all(close(value(e, symbol, "crank_deg"), angle) for symbol, angle in expected.items())


def test_events_of_a_lobe_with_unlike_flanks_are_those_of_the_card(build_of: Make) -> None:
    build = build_of("quarry-road")
    check, *rest = build.cam.intake.checks
    skew = build.replace(cam=build.cam.replace(intake=build.cam.intake.replace(checks=(check.replace(closes=check.si.closes + 4.0), *rest))))
    e, events = explain_topic(skew, "events"), skew.cam.events().si
    assert close(value(e, "x_in", "crank_deg"), 2.0)
    assert close(value(e, "IVO", "crank_deg"), events.intake_opens)
    assert close(value(e, "IVC", "crank_deg"), events.intake_closes)


@two_examples
def test_effective_compression_is_that_of_the_brief(name: str, told: Told, build_of: Make) -> None:
    build = build_of(name)
    assert close(value(told(name, "effective compression"), "r_eff", ""), cam_facts(build.cam, build.engine).effective_compression)


# --- idle


@two_examples
def test_burned_gas_adds_up_to_what_the_cycle_holds(name: str, told: Told, resolved_of: Make) -> None:
    engine, e = resolved_of(name), told(name, "residual")
    idle = idle_state(engine).si
    cycle = describe_cycle(engine, engine.settled(idle.speed, idle.manifold_pressure, idle.spark), idle.spark)
    # An idle on its misfire limit is settled twice, from neighbours that differ: each to its own tolerance.
    assert value(e, "m_b", "kg") == pytest.approx(cycle.ledger.si.burned_mass, rel=cycle.periodicity_residual)
    share = cycle.ledger.si.net_through_exhaust_valve / cycle.ledger.si.burned_mass  # a difference of flows both ways, over that mass
    assert value(e, "y_ex", "") == pytest.approx(share, rel=10.0 * cycle.periodicity_residual)
    # The parts are of this cycle's end, the library's fraction of its start: a settled cycle repeats itself to its own tolerance.
    assert value(e, "x", "") == pytest.approx(cycle.si.burned_fraction, rel=10.0 * cycle.periodicity_residual)
    assert cycle.periodicity_residual < 1e-3


def test_a_residual_is_explained_elsewhere_too_and_falls_with_pressure(build_of: Make, resolved_of: Make) -> None:
    shares = []
    for pressure in ("60 kPa", "85 kPa"):
        e = explain_topic(build_of("dockside"), "residual", speed="2000 rpm", manifold_pressure=pressure, engine=resolved_of("dockside"))
        shares.append(value(e, "x", ""))
    assert shares[1] < shares[0]


@two_examples
def test_idle_vacuum_and_its_load_are_those_of_the_library(name: str, told: Told, resolved_of: Make) -> None:
    engine, e = resolved_of(name), told(name, "idle vacuum")
    idle = idle_state(engine).si
    assert close(value(e, "v", "Pa"), idle.manifold_vacuum)
    assert close(value(e, "p_b", "Pa"), barometer(engine))
    assert close(value(e, "p_f", "Pa"), load_terms(engine, idle.speed, drive=False, accessories=False).total)
    # The search stops on a held gas exchange close by; on the settled cycle net and load meet within a half per cent.
    assert abs(value(e, "delta", "")) < 5e-3


def test_an_idle_in_drive_with_accessories_carries_what_the_library_says(build_of: Make) -> None:
    build = build_of("long-meadow")
    build = build.replace(engine=build.engine.replace(accessory_power="1.2 kW"))
    quick = QuickEngine(build)
    e = explain_topic(build, "idle vacuum", drive=True, accessories=True, engine=quick)
    terms = load_terms(quick, build.idle.si.speed, drive=True, accessories=True)
    assert close(value(e, "p_a", "Pa"), terms.accessories)
    assert close(value(e, "p_c", "Pa"), terms.converter)
    assert close(value(e, "p_l", "Pa"), terms.total)
    assert close(value(e, "v", "Pa"), idle_state(quick, drive=True, accessories=True).si.manifold_vacuum)


# --- the road


@two_examples
def test_reversion_is_judged_as_the_library_does_at_the_speed_it_found(name: str, told: Told, resolved_of: Make) -> None:
    engine, e = resolved_of(name), told(name, "reversion")
    # No gear was named: the one nearest to direct drive, 0.92 and 0.91 here.
    found = reversion_in_gear(engine, 5)
    speed = found.si.unstable_below
    point = road_point(engine, speed, found.ratio)
    assert close(value(e, "N", "crank_rps"), speed)
    assert close(value(e, "v", "m/s"), found.si.unstable_below_road_speed)
    assert close(value(e, "p_n", "Pa"), road_net_imep(engine, speed, found.ratio))
    assert close(value(e, "b", ""), point.blow_back)
    assert close(value(e, "V_c", ""), point.variation)
    assert close(value(e, "q_V", ""), point.variation / engine.build.limits.stability)
    assert abs(value(e, "delta", "")) < 5e-3


@two_examples
@pytest.mark.parametrize("pressure", [None, "50 kPa", "90 kPa"])
def test_a_ceiling_and_the_limit_that_binds_are_those_of_the_column(name: str, pressure: str | None, told: Told, build_of: Make, resolved_of: Make) -> None:
    engine = resolved_of(name)
    e = told(name, "ceiling") if pressure is None else explain_topic(build_of(name), "ceiling", manifold_pressure=pressure, engine=engine)
    at = float(e.question.split(" kPa")[0].split()[-1]) * 1e3
    column = ceiling_column(engine, 1400.0 / 60.0, [float(p) for p in PRESSURES if p < barometer(engine)])
    cell = next(c for c in column.cells if abs(c.pressure - at) < 1.0)
    assert close(value(e, "a_lim", "crank_deg"), cell.limit)
    symbols = {v.symbol.name for v in e.answers}
    assert ("a_ceil" in symbols) == math.isfinite(cell.ceiling)
    asked, _ = asked_of(cell)
    if math.isfinite(asked):
        assert close(value(e, "a_ask", "crank_deg"), asked)
    if math.isfinite(cell.fuller_best):
        assert close(value(e, "f", ""), cell.swing.fuller)
        assert close(value(e, "p_full", "Pa"), min(cell.pressure * (1.0 + cell.swing.fuller_by_pressure), barometer(engine)))
        assert close(value(e, "g_full", ""), 1.0 + cell.swing.fuller_by_charge)
    if math.isfinite(cell.misfire):
        assert close(value(e, "p_l", "Pa"), cell.pressure * (1.0 - cell.lighter))
    if math.isfinite(cell.ceiling):
        assert close(value(e, "a_ceil", "crank_deg"), cell.ceiling)
        assert ("a_ceil_low" in symbols) == (cell.ceiling_low < cell.ceiling)
        if "a_ceil_low" in symbols:
            assert close(value(e, "a_ceil_low", "crank_deg"), cell.ceiling_low)
        assert (f"It rests on: {cell.binds}." in e.reading) == (cell.binds is not Binds.LATEST_USEFUL)
        assert ("in brackets" in e.reading) == (cell.binds is Binds.LATEST_USEFUL)


@two_examples
def test_the_energy_that_a_kernel_asks_for_is_the_library_s_own(name: str, told: Told, resolved_of: Make) -> None:
    engine, e = resolved_of(name), told(name, "ceiling")
    at = float(e.question.split(" kPa")[0].split()[-1]) * 1e3
    (cell,) = ceiling_column(engine, 1400.0 / 60.0, [at]).cells
    law, energies = ignition_law(engine), []
    for spark in (cell.own, cell.limit):
        found = engine.burn_map(cell.speed, at, spark)
        residual, kernel = found.mean.burned_fraction, found.kernel
        flame = float(np.interp(residual, found.table.residual, found.table.flame))
        velocity = law.kernel_turbulence * TURBULENCE * kernel.piston_speed
        energies.append(ignition_energy(kernel.temperature, kernel.pressure, flame, residual, velocity))
    assert value(e, "E_k", "J") == pytest.approx(energies[0], rel=1e-6)
    assert value(e, "m_E", "") == pytest.approx(law.energy / energies[0], rel=1e-6)
    # Early spark meets a charge that is cold and thin.
    assert value(e, "q_E", "") == pytest.approx(energies[0] / energies[1], rel=1e-6)
    assert energies[0] > energies[1]


def test_the_cells_explained_show_both_a_binding_limit_and_a_floor(told: Told, build_of: Make, resolved_of: Make) -> None:
    bound = told("quarry-road", "ceiling")
    floored = explain_topic(build_of("quarry-road"), "ceiling", manifold_pressure="40 kPa", engine=resolved_of("quarry-road"))
    assert value(bound, "a_ceil", "crank_deg") == value(bound, "a_ask", "crank_deg")
    assert value(floored, "a_ceil", "crank_deg") > value(floored, "a_ask", "crank_deg")


def test_outside_the_zone_the_cell_next_to_the_road_s_load_is_explained(build_of: Make, resolved_of: Make) -> None:
    engine = resolved_of("quarry-road")
    e = explain_topic(build_of("quarry-road"), "ceiling", speed="2800 rpm", engine=engine)
    at = float(e.question.split(" kPa")[0].split()[-1]) * 1e3
    road = min(road_point(engine, 2800.0 / 60.0, ratio).pressure for ratio in engine.build.vehicle.gear_ratios[2:])
    assert at == min((float(p) for p in PRESSURES), key=lambda p: abs(p - road))


@pytest.mark.parametrize("topic", ["reversion", "surge"])
@pytest.mark.parametrize("name", ["quarry-road", "long-meadow"])
def test_what_the_sheet_leaves_out_is_not_called_the_sheet_s(name: str, topic: str, told: Told, build_of: Make) -> None:
    """By value: what is said to come from the sheet is no figure that it assumes, where the unit tells."""
    build = build_of(name)
    left_out = {a.key.split("] ")[1] for a in build.assumed}
    origins = {v.symbol.name: v.origin for step in told(name, topic).steps for v in step.values}
    for symbol, key in (("J_e", "rotating_inertia"), ("J_w", "wheel_inertia"), ("C_r", "rolling_coefficient")):
        if symbol in origins and not origins[symbol].startswith("step"):
            assert origins[symbol].startswith("assumed") == (key in left_out), symbol


# --- fuel


@two_examples
def test_pulse_and_end_of_injection_are_those_of_the_windows(name: str, told: Told, resolved_of: Make) -> None:
    e, point = told(name, "injection"), point_at(resolved_of(name), 1600.0 / 60.0, 60e3)
    window = point.window
    assert close(value(e, "t", "s"), window.pulse)
    assert close(value(e, "A", "crank_deg"), window.pulse_angle)
    assert close(value(e, "A_t", "crank_deg"), window.transit_angle)
    assert close(value(e, "E_se", "crank_deg"), window.shut_earliest)
    assert close(value(e, "E", "crank_deg"), window.end)
    assert close(value(e, "S_rec", "crank_deg"), point.end + window.pulse_angle)


@pytest.mark.parametrize(
    ("flow", "speed", "reason"),
    [("4 g/s", "1600 rpm", InjectionReason.FITS_CLOSED_VALVE), ("0.9 g/s", "3000 rpm", InjectionReason.TOO_LONG_FOR_BOTH)],
)
def test_every_way_to_end_and_a_fixed_regulator_are_those_of_the_windows(flow: str, speed: str, reason: InjectionReason, build_of: Make) -> None:
    build = build_of("quarry-road")
    build = build.replace(injector=build.injector.replace(flow=flow, regulator="fixed", battery_voltage="12.6 V"))
    quick = QuickEngine(build)
    e = explain_topic(build, "injection", speed=speed, manifold_pressure="80 kPa", engine=quick)
    window = point_at(quick, float(speed.split()[0]) / 60.0, 80e3).window
    assert window.reason is reason
    assert close(value(e, "t", "s"), window.pulse)
    assert close(value(e, "E", "crank_deg"), window.end)
    assert value(e, "dp", "Pa") > build.injector.si.fuel_pressure


# --- surge


@two_examples
def test_surge_is_that_of_driveline_loop_and_table(name: str, told: Told, build_of: Make, surge_tables_of: Make, base: Any) -> None:
    build, tables, e = build_of(name), surge_tables_of(name), told(name, "surge")
    driveline = driveline_of(build, 4)
    assert close(value(e, "f", "Hz"), first_mode(driveline).frequency)
    assert close(value(e, "zeta", ""), first_mode(driveline).damping)
    assert close(value(e, "g_T", "m/s**2/(N*m)"), acceleration_per_torque(driveline))
    speed = 1400.0 / 60.0
    found = surge_risk(build, base, gear=4, engine_tables=tables, speeds=np.array([speed]), over_time=False)
    point = loop_point(loop_engine_of(build, tables), base, speed, float(found.si.manifold_pressure[0]))
    by_load = point.spark_by_pressure * build.limits.load_jitter * point.blow_back * point.pressure
    by_speed = point.spark_by_speed * 2.0 * math.pi * build.limits.si.speed_jitter
    assert close(value(e, "T_j", "N*m"), abs(point.torque_by_spark) * math.hypot(by_load, by_speed))
    assert f"Verdict: {graded(found.verdict[0])}." in e.reading
    # A tall gear stands every slope searched: no figure is made of where the search ends.
    assert found.mark("critical_along_speed", 0) is Mark.OR_MORE
    assert "s_half" not in {v.symbol.name for step in e.steps for v in (*step.values, step.result)}
    assert "where the search ends" in e.reading


def test_a_critical_slope_is_explained_where_there_is_one(build_of: Make, resolved_of: Make, base: Any) -> None:
    build, gear, rpm = build_of("quarry-road"), 1, 1250.0
    tables = nearby_tables(resolved_of("quarry-road"), speed=rpm / 60.0, gear=gear)
    e = explain_topic(build, "surge", table=base, gear=gear, speed=f"{rpm} rpm", engine_tables=tables)
    found = surge_risk(build, base, gear=gear, engine_tables=tables, speeds=np.array([rpm / 60.0]), over_time=False)
    assert found.mark("critical_along_speed", 0) is None
    assert close(value(e, "s_half", "crank_deg/crank_rps"), 0.5 * found.si.critical_along_speed[0])
    assert close(value(e, "q_s", ""), abs(found.si.slope_along_speed[0]) / (0.5 * found.si.critical_along_speed[0]))
    assert "keep the slope along load within" in e.reading


def test_what_does_not_fit_the_car_or_the_engine_is_refused(build_of: Make) -> None:
    build = build_of("quarry-road")
    with pytest.raises(InputError, match="converter to idle against"):
        explain_topic(build, "idle vacuum", drive=True)
    with pytest.raises(InputError, match="crank-resolved"):
        explain_topic(build, "residual", engine=QuickEngine(build))


def test_net_pressure_on_the_road_is_that_of_the_cycles_that_carry_it(engine_of: Make) -> None:
    engine, speed = engine_of("quarry-road"), 1000.0 / 60.0
    asked = road_net_imep(engine, speed, 1.0)
    point = road_point(engine, speed, 1.0)
    spread = work_spread(engine, speed, point.pressure, point.spark)
    # So early that kernels die on MBT spark: a later one is taken, and the cycles that burn carry those that miss.
    assert point.spark < engine.best_spark(speed, point.pressure)
    assert spread.missed > 0.0
    assert point.net == spread.net == pytest.approx(asked, rel=1e-3)
    e = explain_topic(engine.build, "reversion", speed="1000 rpm", engine=engine)
    assert abs(value(e, "delta", "")) < 5e-3


# --- less spark down low


def test_less_spark_is_told_by_the_figures_of_both_cams(told: Told, resolved_of: Make, build_of: Make) -> None:
    engine, e = resolved_of("quarry-road"), told("quarry-road", "less spark")
    speed, pressure = 1400.0 / 60.0, e_pressure(e, engine)
    cell = ceiling_column(engine, speed, [pressure]).cells[0]
    best = engine.best_spark(speed, pressure)
    spread = work_spread(engine, speed, pressure, best)
    assert close(value(e, "a_n", "crank_deg"), best)
    assert close(value(e, "x_n", ""), spread.mean.burned_fraction)
    assert close(value(e, "M", ""), spread.missed)
    assert close(value(e, "less", "crank_deg"), best - cell.ceiling)
    # A long cam: more residual, a slower burn, an earlier spark asked for, more energy asked of it; later spark asks for less of it.
    assert value(e, "dx", "") > 0.0
    assert value(e, "q_b", "") > 1.0
    assert value(e, "da", "crank_deg") > 0.0
    assert value(e, "q_E", "") > 1.0
    assert value(e, "q_l", "") > 1.0
    assert len(e.steps) == 10


def e_pressure(e: Explanation, engine: Any) -> float:
    """The cell that the explanation took: the one whose ceiling it shows."""
    cells = ceiling_column(engine, 1400.0 / 60.0, sorted(float(p) for p in PRESSURES if p < barometer(engine))).cells
    return min(cells, key=lambda c: abs(c.ceiling - value(e, "a_c", "crank_deg")) if math.isfinite(c.ceiling) else math.inf).pressure


def test_less_spark_needs_the_cam_that_is_replaced(build_of: Make) -> None:
    with pytest.raises(InputError, match="replaced_cam"):
        explain_topic(build_of("quarry-road").replace(replaced_cam=None), "less spark")
